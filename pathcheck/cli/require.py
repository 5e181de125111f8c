"""`pathcheck require`: whether the required flows stay open, and the forbidden ones closed."""

from __future__ import annotations

from enum import StrEnum
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
from pathcheck.errors import PathcheckError, UsageError
from pathcheck.results.finding import Severity

if TYPE_CHECKING:
    from pathcheck.fleet import LoadedFleet
    from pathcheck.model.required_flow import RequiredFlow
    from pathcheck.results.requirement import RequirementReport

__all__ = ["register"]

_STEPS = 50
"""Steps of the progress bar for one required flow."""


class Uncertain(StrEnum):
    """What to do about required flows that may hold or not."""

    REFUSE = "refuse"
    TOLERATE = "tolerate"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("require", cls=ReportCommand)(require)


def require(
    context: typer.Context,
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="Required flows; else those of the fleet.", show_default=False),
    ] = None,
    fleet: FleetOption = Path(),
    uncertain: Annotated[
        Uncertain,
        typer.Option("--uncertain", help="`refuse` ends with status 3 if a flow is uncertain, `tolerate` warns."),
    ] = Uncertain.REFUSE,
    formats: FormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Tell whether each required flow is open or closed as it must be, with a packet and a line where not.

    Exit status: 0 all hold; 1 one is broken; 2 one cannot be asked or read; 3 one is uncertain.
    """
    targets = report_targets(context, formats, outputs, json=json, known=FINDING_FORMATS)

    from pathcheck.cli.progress import progress
    from pathcheck.fleet import load_fleet
    from pathcheck.queries.check import report_of
    from pathcheck.queries.required_flows import ask_required_flows, requirement_findings

    loaded = load_fleet(fleet)
    name, flows = _required(loaded, file)
    with progress("asking required flows", _STEPS * len(flows)) as advance:
        report = ask_required_flows(loaded, flows, file=name, advance=lambda done: advance(_STEPS * done))

    from pathcheck.reports.json_report import render_json, requirement_document
    from pathcheck.reports.junit import render_junit
    from pathcheck.reports.requirement_report import render_requirements

    tolerated = uncertain is Uncertain.TOLERATE
    found = report_of(
        "require",
        loaded,
        requirement_findings(report),
        requirements=report,
        threshold=Severity.ERROR if tolerated else Severity.WARNING,
        as_typed=[name] if file is not None else [],
    )
    write_reports(
        targets,
        {
            **finding_renderers(found),
            "text": lambda paint: render_requirements(report, paint),
            "json": lambda _: render_json(requirement_document(report)),
            "junit": lambda _: render_junit(report, tolerate_uncertain=tolerated),
        },
    )
    return _status(report, uncertain)


def _required(loaded: LoadedFleet, file: Path | None) -> tuple[str, tuple[RequiredFlow, ...]]:
    """The required flows of a file, or of the fleet."""
    from pathcheck.file_content import read_named_file
    from pathcheck.parser.required_flows import read_required_flows
    from pathcheck.queries.required_flows import required_flows_of

    if file is not None:
        return str(file), read_required_flows(str(file), read_named_file(file, "the required flows"))
    name = loaded.config.required_flows
    if name is None:
        raise UsageError(
            f"no required flows in the fleet `{loaded.folder}`",
            help="name their file, or put it into the fleet as `required-flows.yaml`",
        )
    return name, required_flows_of(loaded)


def _status(report: RequirementReport, uncertain: Uncertain) -> int:
    """The exit status: what cannot be asked, then what is broken for certain, then what may be.

    One flow that is broken for certain settles the question whether all hold, so
    it comes before what is uncertain.
    """
    from pathcheck.reports.diagnostic import render_error
    from pathcheck.results.requirement import Standing

    if not report.requirements:
        typer.echo(f"warning: there is no required flow in {report.file}, so nothing was asked", err=True)
    counts = report.counts
    for item in report.requirements:
        for part in item.parts:
            if part.fault is not None:
                typer.echo(render_error(PathcheckError(part.fault, span=part.span, help=part.help)), err=True)
    if counts[Standing.UNANSWERED]:
        return UNREADABLE
    if counts[Standing.BROKEN]:
        return BROKEN
    if counts[Standing.UNCERTAIN] and uncertain is Uncertain.TOLERATE:
        typer.echo(f"warning: {counts[Standing.UNCERTAIN]} of the required flows may hold or not", err=True)
        return HOLDS
    return UNCERTAIN if counts[Standing.UNCERTAIN] else HOLDS
