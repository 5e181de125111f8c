"""`pathcheck review`: findings on access-list lines."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pathcheck.cli.exit_status import of_findings
from pathcheck.cli.options import FleetOption, JsonOption
from pathcheck.cli.output import (
    FINDING_FORMATS,
    FormatOption,
    OutputOption,
    ReportCommand,
    finding_renderers,
    report_targets,
    write_reports,
)

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("review", cls=ReportCommand)(review)


def review(
    context: typer.Context,
    fleet: FleetOption = Path(),
    acl: Annotated[str | None, typer.Option("--acl", metavar="NAME", help="Only lists of this name.")] = None,
    device: Annotated[str | None, typer.Option("--device", metavar="NAME", help="Only lists of this device.")] = None,
    exceptions: Annotated[bool, typer.Option("--exceptions", help="Show exception lines (PC104) too.")] = False,
    formats: FormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Find access-list lines that never act, can go, or cross others.

    Exit status: 0 nothing worse than a note; 1 an error or a warning.
    """
    targets = report_targets(context, formats, outputs, json=json, known=FINDING_FORMATS)

    from pathcheck.cli.progress import progress
    from pathcheck.fleet import load_fleet
    from pathcheck.queries.check import report_of
    from pathcheck.queries.line_review import review_fleet

    loaded = load_fleet(fleet)
    lines = sum(len(item.lines) for each in loaded.config.devices.values() for item in each.access_lists.values())
    with progress("reviewing lists", 3 * lines) as advance:
        findings = review_fleet(loaded, device=device, list_name=acl, exceptions=exceptions, advance=advance)
    write_reports(targets, finding_renderers(report_of("review", loaded, findings)))
    return of_findings(findings)
