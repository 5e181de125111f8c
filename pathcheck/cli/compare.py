"""`pathcheck compare`: what a change of a fleet opens and closes, or one list against another."""

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
    Target,
    finding_renderers,
    report_targets,
    write_reports,
)
from pathcheck.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pathcheck.results.comparison import ListComparison

__all__ = ["register"]

_STEPS = 2
"""Steps of the progress bar for one device."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("compare", cls=ReportCommand)(compare)


def compare(
    context: typer.Context,
    states: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="BEFORE AFTER",
            help="Two states of a fleet: each a folder, a file, `git:REV` for the folder as it is at a revision, or "
            "`git:REV:PATH`.",
            show_default=False,
        ),
    ] = None,
    acl: Annotated[
        tuple[str, str] | None,
        typer.Option(
            "--acl",
            metavar="A B",
            help="Two lists instead, each as NAME, DEVICE:NAME or FILE:NAME; a FILE alone means the list of the same "
            "name there: `--acl old.cfg:QUAY-IN new.cfg`.",
        ),
    ] = None,
    fleet: FleetOption = Path(),
    device: Annotated[
        str | None, typer.Option("--device", metavar="NAME", help="Whose lists are meant where no device is named.")
    ] = None,
    formats: FormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Show what a change of a fleet opens and closes: from end to end, list by list, and in the tables.

    Required flows that stand otherwise come first, then openings, then closings. With `--acl` two lists are compared.

    Exit status: 0 no effect; 1 something fares otherwise for certain; 2 a file that cannot be read is not the same in
    both; 3 nothing is certain, but lines that are not modelled or may match or not leave something open.
    """
    targets = report_targets(context, formats, outputs, json=json, known=FINDING_FORMATS)
    if acl is not None and states:
        raise UsageError("`--acl` compares two lists, not two states of a fleet", help="leave one of the two away")
    if acl is None:
        if len(states or ()) != 2:
            raise UsageError(
                f"expected two states of a fleet, found {len(states or ())}",
                help="for example `pathcheck compare git:main .`; two lists are compared with `--acl A B`",
            )
        before, after = states or ("", "")
        return _compare_fleets(targets, before, after, fleet)
    from pathcheck.cli.progress import progress
    from pathcheck.queries.list_comparison import compare_named
    from pathcheck.queries.named_list import ListFinder
    from pathcheck.reports.change_findings import list_change_report
    from pathcheck.reports.comparison import ASKED, comparison_document, render_comparison
    from pathcheck.reports.json_report import render_json
    from pathcheck.results.finding_report import path_from_here

    first, second = ListFinder(fleet, device).pair(*acl)
    lines = sum(len(one.lines) for found in (first, second) for one in found.lists)
    show = ASKED if all(target.format == "text" for target in targets) else None
    with progress("comparing lists", lines) as advance:
        comparisons = compare_named(first, second, show=show, advance=advance)
    place = Path(comparisons[0].after.place or fleet) if comparisons else fleet
    found = list_change_report(comparisons, folder=path_from_here(place.parent if place.is_file() else place))
    write_reports(
        targets,
        {
            **finding_renderers(found),
            "text": lambda paint: render_comparison(comparisons, paint),
            "json": lambda _: render_json(comparison_document(comparisons)),
        },
    )
    return _status(comparisons)


def _compare_fleets(targets: Sequence[Target], before: str, after: str, fleet: Path) -> int:
    """Compare two states of a fleet."""
    from pathcheck.cli.progress import progress
    from pathcheck.fleet_source import is_revision, read_states
    from pathcheck.queries.fleet_comparison import MOST, compare_fleets
    from pathcheck.reports.change_findings import change_report
    from pathcheck.reports.fleet_comparison_json import fleet_comparison_document
    from pathcheck.reports.fleet_comparison_markdown import render_comparison_markdown
    from pathcheck.reports.fleet_comparison_text import render_fleet_comparison
    from pathcheck.reports.json_report import render_json
    from pathcheck.results.finding_report import path_from_here

    one, other = read_states(before, after, fleet)
    # Only the document tells regions, with one prefix at each end: of a change they can be hundreds.
    show = MOST if any(target.format == "json" for target in targets) else 0
    devices = len(other.loaded.config.devices)
    with progress("comparing", devices * _STEPS) as advance:
        change = compare_fleets(one, other, show=show, advance=advance)
    place = fleet if is_revision(after) else Path(after)
    found = change_report(change, folder=path_from_here(place.parent if place.is_file() else place))
    write_reports(
        targets,
        {
            **finding_renderers(found),
            "text": lambda paint: render_fleet_comparison(change, paint),
            "markdown": lambda _: render_comparison_markdown(change, folder=found.folder),
            "json": lambda _: render_json(fleet_comparison_document(change)),
        },
    )
    if change.cut and show == MOST:
        typer.echo(f"warning: there are more than {MOST:,} regions of one kind; the sizes are those of all", err=True)
    if change.not_known:
        return UNREADABLE
    if change.has_certain_effect:
        return BROKEN
    return UNCERTAIN if change.has_uncertain_effect else HOLDS


def _status(comparisons: Sequence[ListComparison]) -> int:
    """A difference that is certain settles the question, so that it comes before what is uncertain."""
    if any(one.opened or one.closed for one in comparisons):
        return BROKEN
    return UNCERTAIN if any(one.uncertain for one in comparisons) else HOLDS
