"""`pathcheck audit`: addresses, gateways, VLANs, cables and names of the whole fleet."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pathcheck.cli.exit_status import of_findings
from pathcheck.cli.options import FleetOption, JsonOption, on_terminal

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("audit")(audit)


def audit(
    fleet: FleetOption = Path(),
    device: Annotated[
        str | None, typer.Option("--device", metavar="NAME", help="Only findings in which this device has a part.")
    ] = None,
    json: JsonOption = False,
) -> int:
    """Find contradictions among the addresses, gateways, VLANs, trunks and names of a fleet."""
    from pathcheck.fleet import load_fleet
    from pathcheck.queries.audit import audit_fleet

    findings = audit_fleet(load_fleet(fleet), device=device)
    if json:
        from pathcheck.reports.json_report import findings_document, render_json

        typer.echo(render_json(findings_document(findings)))
    else:
        from pathcheck.reports.terminal import Paint, render_findings

        typer.echo(render_findings(findings, Paint(on_terminal())))
    return of_findings(findings)
