"""`pathcheck rollout`: in which orders the jobs of a push can run without losing a device."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pathcheck.cli.exit_status import BROKEN, HOLDS, UNCERTAIN
from pathcheck.cli.options import FleetOption, JsonOption
from pathcheck.cli.output import OutputOption, PlainFormatOption, ReportCommand, report_targets, write_reports
from pathcheck.errors import InputError

if TYPE_CHECKING:
    from pathcheck.results.rollout import Rollout

__all__ = ["register"]

_STEPS = 50
"""Steps of the progress bar for one session or required flow."""


class Apply(StrEnum):
    """How a changed list gets onto a device."""

    WHOLE = "whole"
    LINES = "lines"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("rollout", cls=ReportCommand)(rollout)


def rollout(
    context: typer.Context,
    before: Annotated[
        str,
        typer.Option(
            "--before",
            metavar="REV|DIR",
            help="What the devices have now: a folder, a revision of git, or `git:REV:PATH`.",
            show_default=False,
        ),
    ],
    after: Annotated[
        str | None,
        typer.Option(
            "--after",
            metavar="REV|DIR",
            help="What is pushed, the same way; the fleet's folder if left out.",
            show_default=False,
        ),
    ] = None,
    fleet: FleetOption = Path(),
    apply: Annotated[
        Apply,
        typer.Option(
            "--apply",
            help="`lines`: a changed list is deleted first, then entered line by line, and other jobs come between.",
        ),
    ] = Apply.WHOLE,
    require_any: Annotated[
        bool, typer.Option("--require-any", help="End with 1 unless the jobs are safe in any order.")
    ] = False,
    most: Annotated[
        int | None,
        typer.Option("--most", metavar="N", min=1, help="Judgements at most; what is left is open. 5000 if left out."),
    ] = None,
    formats: PlainFormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Search the orders of the jobs that automation runs for a state in which a device cannot be managed.

    The difference of the two states is cut into jobs (vlans, ports, addresses, lists, bindings, routes, gateway). In
    each state on the way the controller's session to each device must open and its answers come back, and the required
    flows that are marked `always: true` must hold.

    Exit status: 0 any order is safe, or a plan is; 1 none; 3 if that rests on what is not known.
    """
    targets = report_targets(context, formats, outputs, json=json, known=("text", "json"))

    from pathcheck.cli.progress import progress
    from pathcheck.fleet_source import read_states
    from pathcheck.queries.rollout import MOST_JUDGEMENTS, roll_out
    from pathcheck.reports.json_report import render_json
    from pathcheck.reports.rollout_json import rollout_document
    from pathcheck.reports.rollout_text import render_rollout

    words = (_state(before), _state(after) if after is not None else str(fleet))
    try:
        one, other = read_states(*words, fleet)
    except InputError as error:
        guessed = [word for word in (before, after) if word is not None and word != _state(word)]
        if not guessed or error.span is not None:
            raise
        folders = " and no folder ".join(f"`{word}`" for word in guessed)
        raise InputError(
            error.message, help=f"there is no folder {folders} here; {error.help or ''}".rstrip("; ")
        ) from None
    with progress("judging states", _STEPS * len(other.loaded.config.devices)) as advance:
        found = roll_out(
            one,
            other,
            by_line=apply is Apply.LINES,
            most=most or MOST_JUDGEMENTS,
            advance=lambda done: advance(_STEPS * done),
        )
    write_reports(
        targets,
        {
            "text": lambda paint: render_rollout(found, paint),
            "json": lambda _: render_json(rollout_document(found)),
        },
    )
    return _status(found, require_any)


def _state(word: str) -> str:
    """A folder or file that is there, else a revision; `git:` may be written out.

    No revision begins with a slash or a dot, so that such a word is always a path.
    """
    is_path = word.startswith(("git:", "/", ".")) or Path(word).exists()
    return word if is_path else f"git:{word}"


def _status(found: Rollout, require_any: bool) -> int:
    """The exit status; that a plan exists settles the question unless each order has to be safe."""
    from pathcheck.results.rollout import RolloutAnswer

    if found.answer is RolloutAnswer.ANY:
        return HOLDS
    if found.answer is RolloutAnswer.SOME:
        if not require_any:
            return HOLDS
        return UNCERTAIN if found.only_open else BROKEN
    return BROKEN if found.answer is RolloutAnswer.NONE else UNCERTAIN
