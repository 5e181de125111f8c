"""`pathcheck routes`: findings on routes, loops and black holes of the fleet, and the longest match of one address."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pathcheck.cli.exit_status import HOLDS, of_findings, of_verdict
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
from pathcheck.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pathcheck.cli.output import Target
    from pathcheck.fleet import LoadedFleet

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("routes", cls=ReportCommand)(routes)


def routes(
    context: typer.Context,
    fleet: FleetOption = Path(),
    device: Annotated[
        str | None, typer.Option("--device", metavar="NAME", help="Only routes of this device, and what ends on it.")
    ] = None,
    lookup: Annotated[
        tuple[str, str] | None,
        typer.Option("--lookup", metavar="DEVICE ADDRESS", help="Show the longest match and its rivals."),
    ] = None,
    vrf: Annotated[str | None, typer.Option("--vrf", metavar="NAME", help="Table in which to look up.")] = None,
    formats: FormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Find routes that cannot act, can go or mislead, and destinations that loop or are lost.

    Exit status: 0 nothing worse than a note; 1 an error or a warning. With --lookup: 0 a route carries it or it is the
    device's own address, 1 it is lost, 3 uncertain.
    """
    known = FINDING_FORMATS if lookup is None else ("text", "json")
    targets = report_targets(context, formats, outputs, json=json, known=known)

    from pathcheck.fleet import load_fleet

    if lookup is None and vrf is not None:
        raise UsageError("`--vrf` says in which table to look up", help="give `--lookup DEVICE ADDRESS` as well")
    if lookup is not None and device is not None:
        raise UsageError("`--lookup` names its device itself, so `--device` has nothing to choose")
    loaded = load_fleet(fleet)
    if lookup is not None:
        return _look_up(loaded, *lookup, vrf=vrf, targets=targets)
    from pathcheck.cli.progress import progress
    from pathcheck.queries.check import report_of
    from pathcheck.queries.route_review import RouteReview

    with progress("reviewing routes", len(loaded.config.devices)) as advance:
        review = RouteReview(loaded.config, device, advance)
        findings, routing = review.findings, review.report

    from pathcheck.reports.json_report import findings_document, render_json
    from pathcheck.reports.routing_json import routing_parts
    from pathcheck.reports.routing_terminal import render_routing

    report = report_of("routes", loaded, findings)
    renderers = finding_renderers(report)
    text, lost = renderers["text"], render_routing(routing)
    renderers["text"] = lambda paint: (f"{lost.lstrip()}\n\n" if lost else "") + text(paint)
    renderers["json"] = lambda _: render_json(findings_document(report) | routing_parts(routing))
    write_reports(targets, renderers)
    return of_findings(findings)


def _look_up(
    loaded: LoadedFleet, device: str, words: str, *, vrf: str | None, targets: Sequence[Target]
) -> int:  # fmt: skip
    """Show which route wins an address."""
    from pathcheck.packet.address import Address
    from pathcheck.queries.route_lookup import look_up_route

    try:
        address = Address.parse(words)
    except ValueError as error:
        raise UsageError(str(error), help="look up one address, as `10.1.99.10` or `2001:db8::1`") from None
    found = look_up_route(loaded.config, device, address, vrf=vrf)

    from pathcheck.reports.json_report import render_json
    from pathcheck.reports.routing_json import lookup_document
    from pathcheck.reports.routing_terminal import render_lookup

    write_reports(
        targets,
        {
            "text": lambda paint: render_lookup(found, paint),
            "json": lambda _: render_json(lookup_document(found)),
        },
    )
    return HOLDS if found.reason is None else of_verdict(found.reason.verdict)
