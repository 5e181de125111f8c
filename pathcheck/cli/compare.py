"""`pathcheck compare`: what one list opens and closes against another."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pathcheck.cli.exit_status import BROKEN, HOLDS, UNCERTAIN
from pathcheck.cli.options import FleetOption, JsonOption, on_terminal
from pathcheck.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pathcheck.results.comparison import ListComparison

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("compare")(compare)


def compare(
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
    json: JsonOption = False,
) -> int:
    """Show what the second of two lists permits that the first denies, and the other way round.

    Exit status: 0 no effect, 1 something opened or closed, 3 lines that may match or not leave it open.
    """
    if states or acl is None:
        raise UsageError(
            "two lists are compared with `--acl A B`; two states of a fleet cannot be compared yet",
            help="for example `pathcheck compare --acl old.cfg:QUAY-IN new.cfg:QUAY-IN`",
        )
    from pathcheck.queries.list_comparison import compare_named
    from pathcheck.queries.named_list import ListFinder
    from pathcheck.reports.comparison import ASKED, comparison_document, render_comparison

    first, second = ListFinder(fleet, device).pair(*acl)
    comparisons = compare_named(first, second, show=None if json else ASKED)
    if json:
        from pathcheck.reports.json_report import render_json

        typer.echo(render_json(comparison_document(comparisons)))
    else:
        from pathcheck.reports.terminal import Paint

        typer.echo(render_comparison(comparisons, Paint(on_terminal())))
    return _status(comparisons)


def _status(comparisons: Sequence[ListComparison]) -> int:
    """Uncertain is graver than different."""
    if any(one.uncertain for one in comparisons):
        return UNCERTAIN
    return BROKEN if any(one.opened or one.closed for one in comparisons) else HOLDS
