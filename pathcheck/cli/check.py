"""`pathcheck check`: everything that the fleet has input for, in one report."""

from __future__ import annotations

from pathlib import Path

import typer

from pathcheck.cli.exit_status import UNREADABLE, gravest, of_findings
from pathcheck.cli.options import FleetOption, JsonOption, on_terminal

__all__ = ["register", "run_check"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("check")(check)


def check(fleet: FleetOption = Path(), json: JsonOption = False) -> int:
    """Look for everything that the fleet has input for, and report it once."""
    return run_check(fleet, json=json)


def run_check(fleet: Path, *, json: bool) -> int:
    """Print the report on a fleet and return its exit status."""
    from pathcheck.cli.progress import progress
    from pathcheck.fleet import load_fleet
    from pathcheck.queries.check import check_fleet

    loaded = load_fleet(fleet)
    lines = sum(len(item.lines) for each in loaded.config.devices.values() for item in each.access_lists.values())
    with progress("reviewing lists", 3 * lines) as advance:
        findings = check_fleet(loaded, advance=advance)
    if json:
        from pathcheck.reports.json_report import findings_document, render_json

        typer.echo(render_json(findings_document(findings)))
    else:
        from pathcheck.reports.terminal import Paint, render_findings

        typer.echo(render_findings(findings, Paint(on_terminal())))
    refused = any(account.refused is not None for account in loaded.report.files)
    refused = refused or any(item.code == "PC383" for item in findings)  # a required flow that cannot be asked
    return gravest([of_findings(findings), *([UNREADABLE] if refused else [])])
