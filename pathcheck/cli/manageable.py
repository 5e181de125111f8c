"""`pathcheck manageable`: whether the controller can open its session to each device, and which link breaks."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pathcheck.cli.exit_status import BROKEN, HOLDS, UNCERTAIN, UNREADABLE
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

if TYPE_CHECKING:
    from pathcheck.results.manageability import ManageabilityReport

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("manageable", cls=ReportCommand)(manageable)


def manageable(
    context: typer.Context,
    devices: Annotated[
        list[str] | None,
        typer.Argument(metavar="[DEVICE]...", help="Devices to judge; else all of them.", show_default=False),
    ] = None,
    fleet: FleetOption = Path(),
    formats: FormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Tell whether the controller can manage each device: its session, the answer, and the first link that breaks.

    Exit status: 0 each device is; 1 one is not; 2 the fleet, or a file of it, cannot be read; 3 it is not known of
    one, or nothing could be judged. Servers that a device does not reach are shown and do not change the status.
    """
    targets = report_targets(context, formats, outputs, json=json, known=FINDING_FORMATS)

    from pathcheck.cli.progress import progress
    from pathcheck.fleet import load_fleet
    from pathcheck.queries.check import report_of
    from pathcheck.queries.manageability import judge_fleet, management_findings
    from pathcheck.queries.own_traffic import server_findings
    from pathcheck.reports.json_report import render_json
    from pathcheck.reports.manageability_json import manageability_document
    from pathcheck.reports.manageability_text import render_manageability

    loaded = load_fleet(fleet)
    named = devices or ()
    with progress("judging sessions", len(named) or len(loaded.config.devices)) as advance:
        report = judge_fleet(loaded.config, named, advance=advance)
    findings = [*management_findings(loaded.config, report)]
    for answer in report.answers:
        findings += server_findings(answer.servers, answer.told)
    write_reports(
        targets,
        {
            **finding_renderers(report_of("manageable", loaded, findings)),
            "text": lambda paint: render_manageability(report, paint, whole=bool(named)),
            "json": lambda _: render_json(manageability_document(report)),
        },
    )
    if not named and (refused := [account.file for account in loaded.report.files if account.refused is not None]):
        typer.echo(f"refused, so that no device in it was judged: {', '.join(refused)}", err=True)
        return UNREADABLE
    return _status(report)


def _status(report: ManageabilityReport) -> int:
    """The exit status: a device that is lost for certain comes before one of which it is not known.

    Devices without a management address are nothing that the controller manages, so they do not count.
    """
    judged = [answer for answer in report.answers if answer.address is not None]
    if any(answer.holds is False for answer in judged):
        return BROKEN
    return HOLDS if judged and all(answer.holds for answer in judged) else UNCERTAIN
