"""`pathcheck audit`: addresses, gateways, VLANs, cables and names of the whole fleet, and who is which."""

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
    app.command("audit", cls=ReportCommand)(audit)


def audit(
    context: typer.Context,
    fleet: FleetOption = Path(),
    device: Annotated[
        str | None, typer.Option("--device", metavar="NAME", help="Only findings in which this device has a part.")
    ] = None,
    formats: FormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Find contradictions among the addresses, gateways, VLANs, trunks, names and serial numbers of a fleet.

    With a part `bootstrap` in `fleet.yaml` also what keeps blank switches from coming up.

    Exit status: 0 nothing worse than a note; 1 an error or a warning.
    """
    targets = report_targets(context, formats, outputs, json=json, known=FINDING_FORMATS)

    from pathcheck.fleet import load_fleet
    from pathcheck.queries.audit import audit_fleet
    from pathcheck.queries.check import report_of

    loaded = load_fleet(fleet)
    findings = audit_fleet(loaded, device=device)
    write_reports(targets, finding_renderers(report_of("audit", loaded, findings)))
    return of_findings(findings)
