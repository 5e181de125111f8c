"""`pathcheck routes`: findings on routes, loops and black holes of the fleet, and the longest match of one address."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pathcheck.cli.exit_status import HOLDS, of_findings, of_verdict
from pathcheck.cli.options import FleetOption, JsonOption, on_terminal
from pathcheck.errors import UsageError

if TYPE_CHECKING:
    from pathcheck.fleet import LoadedFleet

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("routes")(routes)


def routes(
    fleet: FleetOption = Path(),
    device: Annotated[
        str | None, typer.Option("--device", metavar="NAME", help="Only routes of this device, and what ends on it.")
    ] = None,
    lookup: Annotated[
        tuple[str, str] | None,
        typer.Option("--lookup", metavar="DEVICE ADDRESS", help="Show the longest match and its rivals."),
    ] = None,
    vrf: Annotated[str | None, typer.Option("--vrf", metavar="NAME", help="Table in which to look up.")] = None,
    json: JsonOption = False,
) -> int:
    """Find routes that cannot act, can go or mislead, and destinations that loop or are lost."""
    from pathcheck.fleet import load_fleet

    if lookup is None and vrf is not None:
        raise UsageError("`--vrf` says in which table to look up", help="give `--lookup DEVICE ADDRESS` as well")
    if lookup is not None and device is not None:
        raise UsageError("`--lookup` names its device itself, so `--device` has nothing to choose")
    loaded = load_fleet(fleet)
    if lookup is not None:
        return _look_up(loaded, *lookup, vrf=vrf, json=json)
    from pathcheck.cli.progress import progress
    from pathcheck.queries.route_review import RouteReview

    with progress("reviewing routes", len(loaded.config.devices)) as advance:
        review = RouteReview(loaded.config, device, advance)
        findings, report = review.findings, review.report
    if json:
        from pathcheck.reports.json_report import findings_document, render_json
        from pathcheck.reports.routing_json import routing_parts

        typer.echo(render_json(findings_document(findings) | routing_parts(report)))
    else:
        from pathcheck.reports.routing_terminal import render_routing
        from pathcheck.reports.terminal import Paint, render_findings

        lost = render_routing(report)
        typer.echo((f"{lost}\n\n" if lost else "") + render_findings(findings, Paint(on_terminal())))
    return of_findings(findings)


def _look_up(loaded: LoadedFleet, device: str, words: str, *, vrf: str | None, json: bool) -> int:
    """Show which route wins an address."""
    from pathcheck.packet.address import Address
    from pathcheck.queries.route_lookup import look_up_route

    try:
        address = Address.parse(words)
    except ValueError as error:
        raise UsageError(str(error), help="look up one address, as `10.1.99.10` or `2001:db8::1`") from None
    found = look_up_route(loaded.config, device, address, vrf=vrf)
    if json:
        from pathcheck.reports.json_report import render_json
        from pathcheck.reports.routing_json import lookup_document

        typer.echo(render_json(lookup_document(found)))
    else:
        from pathcheck.reports.routing_terminal import render_lookup
        from pathcheck.reports.terminal import Paint

        typer.echo(render_lookup(found, Paint(on_terminal())))
    return HOLDS if found.reason is None else of_verdict(found.reason.verdict)
