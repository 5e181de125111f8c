"""Results in, text out; one format a file."""
