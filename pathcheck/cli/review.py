"""`pathcheck review`: findings on access-list lines."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pathcheck.cli.exit_status import of_findings
from pathcheck.cli.options import FleetOption, JsonOption, on_terminal

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("review")(review)


def review(
    fleet: FleetOption = Path(),
    acl: Annotated[str | None, typer.Option("--acl", metavar="NAME", help="Only lists of this name.")] = None,
    device: Annotated[str | None, typer.Option("--device", metavar="NAME", help="Only lists of this device.")] = None,
    exceptions: Annotated[bool, typer.Option("--exceptions", help="Show exception lines (PC104) too.")] = False,
    json: JsonOption = False,
) -> int:
    """Find access-list lines that never act, can go, or cross others."""
    from pathcheck.cli.progress import progress
    from pathcheck.fleet import load_fleet
    from pathcheck.queries.line_review import review_fleet

    loaded = load_fleet(fleet)
    lines = sum(len(item.lines) for each in loaded.config.devices.values() for item in each.access_lists.values())
    with progress("reviewing lists", 3 * lines) as advance:
        findings = review_fleet(loaded, device=device, list_name=acl, exceptions=exceptions, advance=advance)
    if json:
        from pathcheck.reports.json_report import findings_document, render_json

        typer.echo(render_json(findings_document(findings)))
    else:
        from pathcheck.reports.terminal import Paint, render_findings

        typer.echo(render_findings(findings, Paint(on_terminal())))
    return of_findings(findings)
