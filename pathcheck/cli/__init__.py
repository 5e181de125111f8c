"""Reads options, asks one query, chooses report and exit status. The only room with typer."""
