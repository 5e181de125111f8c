"""`pathcheck parse`: the account of lines, and the models."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pathcheck.cli.exit_status import UNREADABLE, gravest, of_findings
from pathcheck.cli.options import FleetOption, JsonOption
from pathcheck.cli.output import OutputOption, PlainFormatOption, ReportCommand, report_targets, write_reports

if TYPE_CHECKING:
    from pathcheck.reports.terminal import Paint

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("parse", cls=ReportCommand)(parse)


def parse(
    context: typer.Context,
    fleet: FleetOption = Path(),
    models: Annotated[bool, typer.Option("--models", help="Show what was understood as well.")] = False,
    formats: PlainFormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Account for every line: modelled, ignored, unmodelled, unknown or wrong.

    Exit status: 0 nothing worse than a note; 1 an error or a warning; 2 a file is refused.
    """
    targets = report_targets(context, formats, outputs, json=json, known=("text", "json"))

    from pathcheck.fleet import load_fleet

    loaded = load_fleet(fleet)

    def text(paint: Paint) -> str:
        from pathcheck.reports.terminal import render_parse

        out = [render_parse(loaded.report, paint)]
        if models:
            from pathcheck.writer import write_device

            for name, device in loaded.config.devices.items():
                out.append(f"\n! {name}, as it was understood\n{write_device(device)}")
        return "\n".join(out)

    def document(_: Paint) -> str:
        from pathcheck.reports.json_report import parse_document, render_json
        from pathcheck.reports.model_words import model_words

        shown = {name: model_words(device) for name, device in loaded.config.devices.items()} if models else None
        return render_json(parse_document(loaded.report, shown))

    write_reports(targets, {"text": text, "json": document})
    refused = any(account.refused is not None for account in loaded.report.files)
    return gravest([of_findings(loaded.report.findings), *([UNREADABLE] if refused else [])])
