"""`pathcheck bootstrap`: whether blank switches get from their first frame to the controller, stage by stage."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pathcheck.cli.exit_status import BROKEN, HOLDS, UNCERTAIN
from pathcheck.cli.options import FleetOption, JsonOption
from pathcheck.cli.output import OutputOption, PlainFormatOption, ReportCommand, report_targets, write_reports

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("bootstrap", cls=ReportCommand)(bootstrap)


def bootstrap(
    context: typer.Context,
    subject: Annotated[
        str | None,
        typer.Argument(
            metavar="[ENTRY|DEVICE]",
            help="Only the switches of this bootstrap file, or the one that is to become this device.",
            show_default=False,
        ),
    ] = None,
    fleet: FleetOption = Path(),
    formats: PlainFormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Judge what a blank switch needs, in order, over the fleet that is already there, and name the first that fails.

    Provisioning VLAN, address lease, boot file name, file transfer, call home, login of the controller; and its session
    once more after the first push, when address and VLAN have changed.

    Exit status: 0 no stage fails; 1 one does; 3 that rests on what is not known.
    """
    targets = report_targets(context, formats, outputs, json=json, known=("text", "json"))

    from pathcheck.cli.progress import progress
    from pathcheck.fleet import load_fleet
    from pathcheck.queries.bootstrap import judge_bootstrap
    from pathcheck.reports.bootstrap_json import bootstrap_document
    from pathcheck.reports.bootstrap_text import render_bootstrap
    from pathcheck.reports.json_report import render_json

    loaded = load_fleet(fleet)
    with progress("judging switches", sum(len(entry.devices) for entry in loaded.config.bootstrap)) as advance:
        report = judge_bootstrap(loaded, subject, advance=advance)
    write_reports(
        targets,
        {
            "text": lambda paint: render_bootstrap(report, paint),
            "json": lambda _: render_json(bootstrap_document(report)),
        },
    )
    counts = report.counts()
    return BROKEN if counts["broken"] else UNCERTAIN if counts["uncertain"] else HOLDS
