"""`pathcheck compare`: what one list opens and closes against another."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pathcheck.cli.exit_status import BROKEN, HOLDS, UNCERTAIN
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

    from pathcheck.results.comparison import ListComparison

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("compare", cls=ReportCommand)(compare)


def compare(
    context: typer.Context,
    states: Annotated[
        list[str] | None, typer.Argument(metavar="[BEFORE AFTER]", help="Not read yet: compare two lists.", hidden=True)
    ] = None,
    acl: Annotated[
        tuple[str, str] | None,
        typer.Option(
            "--acl",
            metavar="A B",
            help="The two lists, each as NAME, DEVICE:NAME or FILE:NAME; a FILE alone means the list of the same "
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
    """Show what the second of two lists permits that the first denies, and the other way round.

    Exit status: 0 no effect; 1 something opened or closed; 3 lines that may match or not leave it open.
    """
    targets = report_targets(context, formats, outputs, json=json, known=FINDING_FORMATS)
    if states or acl is None:
        raise UsageError(
            "two lists are compared with `--acl A B`; two states of a fleet cannot be compared yet",
            help="for example `pathcheck compare --acl old.cfg:QUAY-IN new.cfg:QUAY-IN`",
        )
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


def _status(comparisons: Sequence[ListComparison]) -> int:
    """Uncertain is graver than different."""
    if any(one.uncertain for one in comparisons):
        return UNCERTAIN
    return BROKEN if any(one.opened or one.closed for one in comparisons) else HOLDS
