"""`pathcheck removals`: what a full replacement would take from the devices."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pathcheck.cli.exit_status import BROKEN, HOLDS
from pathcheck.cli.options import FleetOption, JsonOption
from pathcheck.cli.output import OutputOption, ReportCommand, report_targets, write_reports

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("removals", cls=ReportCommand)(removals)


def removals(
    context: typer.Context,
    before: Annotated[
        str,
        typer.Argument(
            metavar="BEFORE",
            help="What the devices have: a folder, a captured configuration, `git:REV` or `git:REV:PATH`.",
            show_default=False,
        ),
    ],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="What is pushed, the same way.", show_default=False)],
    fleet: FleetOption = Path(),
    most: Annotated[
        int | None,
        typer.Option("--max-deletions", metavar="N", min=0, help="End with 1 where more lines are removed."),
    ] = None,
    device: Annotated[str | None, typer.Option("--device", metavar="NAME", help="Only this device.")] = None,
    formats: Annotated[
        list[str] | None,
        typer.Option(
            "--format",
            metavar="FORMAT",
            help="Form of the answer: text, json, markdown; several times for several.",
            show_default=False,
        ),
    ] = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Show what devices have and the pushed text has not: with full replacement it vanishes.

    Alarms first (a section, a list or a device of which nothing is left), then removals by reach: management, trunks,
    routes, lists, the rest. What is modelled is compared by its meaning, other lines by their words.

    Exit status: 0 no alarm, and not more removals than allowed; 1 otherwise.
    """
    targets = report_targets(context, formats, outputs, json=json, known=("text", "json", "markdown"))

    from pathcheck.cli.progress import progress
    from pathcheck.fleet_source import read_states
    from pathcheck.queries.removals import preview_removals
    from pathcheck.reports.json_report import render_json
    from pathcheck.reports.removals import removals_document, render_removals, render_removals_markdown

    one, other = read_states(before, after, fleet)
    with progress("comparing", len(one.loaded.config.devices)) as advance:
        found = preview_removals(one, other, device=device, most=most, advance=advance)
    write_reports(
        targets,
        {
            "text": lambda paint: render_removals(found, paint),
            "json": lambda _: render_json(removals_document(found)),
            "markdown": lambda _: render_removals_markdown(found),
        },
    )
    return BROKEN if found.alarms or found.is_over else HOLDS
