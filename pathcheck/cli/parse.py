"""`pathcheck parse`: the account of lines, and the models."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pathcheck.cli.exit_status import UNREADABLE, gravest, of_findings
from pathcheck.cli.options import FleetOption, JsonOption

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("parse")(parse)


def parse(
    fleet: FleetOption = Path(),
    models: Annotated[bool, typer.Option("--models", help="Show what was understood as well.")] = False,
    json: JsonOption = False,
) -> int:
    """Account for every line: modelled, ignored, unmodelled, unknown or wrong."""
    from pathcheck.fleet import load_fleet

    loaded = load_fleet(fleet)
    if json:
        from pathcheck.reports.json_report import parse_document, render_json
        from pathcheck.reports.model_words import model_words

        shown = {name: model_words(device) for name, device in loaded.config.devices.items()} if models else None
        typer.echo(render_json(parse_document(loaded.report, shown)))
    else:
        from pathcheck.reports.terminal import render_parse

        typer.echo(render_parse(loaded.report))
        if models:
            from pathcheck.writer import write_device

            for name, device in loaded.config.devices.items():
                typer.echo(f"\n! {name}, as it was understood\n{write_device(device)}")
    refused = any(account.refused is not None for account in loaded.report.files)
    return gravest([of_findings(loaded.report.findings), *([UNREADABLE] if refused else [])])
