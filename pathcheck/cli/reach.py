"""`pathcheck reach`: every subnet and place against every other, and from where one destination is reached."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pathcheck.cli.exit_status import HOLDS, UNCERTAIN
from pathcheck.cli.options import FleetOption, JsonOption
from pathcheck.cli.output import OutputOption, PlainFormatOption, ReportCommand, Target, report_targets, write_reports
from pathcheck.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pathcheck.model.flow import Flow
    from pathcheck.packet.address import IPVersion

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("reach", cls=ReportCommand)(reach)


def reach(
    context: typer.Context,
    fleet: FleetOption = Path(),
    service: Annotated[
        str,
        typer.Option(
            "--service",
            metavar="PROTO[/PORT]",
            help="As tcp/443, udp/53, icmp/echo; ip is each protocol.",
        ),
    ] = "ip",
    sources: Annotated[
        list[str] | None,
        typer.Option("--from", metavar="NAME", help="Rows: subnets in a prefix, an address, a place or a device."),
    ] = None,
    destinations: Annotated[
        list[str] | None, typer.Option("--to", metavar="NAME", help="Columns: the same. Both may stand several times.")
    ] = None,
    sources_of: Annotated[
        str | None,
        typer.Option("--sources-of", metavar="DST[:PORT]", help="From where this is reached, by entry point."),
    ] = None,
    reply: Annotated[bool, typer.Option("--reply", help="Open only if the reply comes back.")] = False,
    strict: Annotated[bool, typer.Option("--strict", help="Exit with 3 if something is uncertain.")] = False,
    formats: PlainFormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Show which subnets and places reach which: open, closed, partly or uncertain.

    This describes and judges nothing: the exit status is 0 whatever is open. Use `require` to hold a fleet to
    what must be open or closed.
    """
    targets = report_targets(context, formats, outputs, json=json, known=("text", "json"))

    from pathcheck.parser.service_words import service_flows

    flows = service_flows(service)
    if sources_of is None:
        uncertain = _matrix(fleet, service, flows, sources or [], destinations or [], reply, targets)
    else:
        if sources or destinations or reply:
            raise UsageError("`--sources-of` asks about all entry points, without `--from`, `--to` and `--reply`")
        uncertain = _sources(fleet, service, flows, sources_of, targets)
    return UNCERTAIN if strict and uncertain else HOLDS


def _matrix(
    fleet: Path,
    service: str,
    flows: Mapping[IPVersion, Flow],
    sources: list[str],
    destinations: list[str],
    reply: bool,
    targets: Sequence[Target],
) -> bool:
    """Show the matrix; return whether a cell is uncertain."""
    from pathcheck.cli.progress import progress
    from pathcheck.fleet import load_fleet
    from pathcheck.queries.reach import ask_reach, matrix_size
    from pathcheck.results.verdict import Verdict

    loaded = load_fleet(fleet)
    with progress("reaching", matrix_size(loaded, flows, sources, destinations)) as advance:
        answer = ask_reach(
            loaded, service, flows, sources=sources, destinations=destinations, reply=reply, advance=advance
        )  # fmt: skip

    from pathcheck.reports.json_report import render_json
    from pathcheck.reports.reach_json import reach_document
    from pathcheck.reports.reach_table import render_reach

    write_reports(
        targets,
        {
            "text": lambda paint: render_reach(answer, paint),
            "json": lambda _: render_json(reach_document(answer)),
        },
    )
    return any(cell.verdict is Verdict.UNCERTAIN for cell in answer.cells)


def _sources(
    fleet: Path, service: str, flows: Mapping[IPVersion, Flow], destination: str, targets: Sequence[Target]
) -> bool:
    """Show from where a destination is reached; return whether that is uncertain for a source."""
    from pathcheck.fleet import load_fleet
    from pathcheck.parser.flow_words import flow_question
    from pathcheck.queries.reach import ask_sources

    loaded = load_fleet(fleet)
    asked = flow_question(service.partition("/")[0], "any", destination, config=loaded.config).flow
    if asked.destination_ports is not None:
        if "/" in service:
            raise UsageError(f"the port stands both in `{destination}` and in `{service}`")
        flows = {version: replace(flow, destination_ports=asked.destination_ports) for version, flow in flows.items()}
        service = f"{service}/{asked.destination_ports}"
    answer = ask_sources(loaded, service, flows, asked.destination_named, asked.destination)

    from pathcheck.reports.json_report import render_json
    from pathcheck.reports.reach_json import sources_document
    from pathcheck.reports.reach_table import render_sources

    write_reports(
        targets,
        {
            "text": lambda paint: render_sources(answer, paint),
            "json": lambda _: render_json(sources_document(answer)),
        },
    )
    return any(entry.uncertain or entry.others_uncertain for entry in answer.entries)
