"""`pathcheck tidy`: an equivalent, shorter list, with the proof."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pathcheck.cli.exit_status import BROKEN, HOLDS, UNCERTAIN
from pathcheck.cli.options import FleetOption, JsonOption
from pathcheck.cli.output import (
    OutputOption,
    PlainFormatOption,
    ReportCommand,
    replace_files,
    report_targets,
    write_reports,
)
from pathcheck.errors import UsageError

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("tidy", cls=ReportCommand)(tidy)


def tidy(
    context: typer.Context,
    acl: Annotated[str, typer.Argument(metavar="ACL", help="The name of the list.", show_default=False)],
    fleet: FleetOption = Path(),
    device: Annotated[str | None, typer.Option("--device", metavar="NAME", help="Whose list is meant.")] = None,
    diff: Annotated[
        bool, typer.Option("--diff", help="A patch against the file, for `patch -p0` or `git apply -p0`.")
    ] = False,
    write: Annotated[bool, typer.Option("--write", help="Change the file, and nothing else in it.")] = False,
    formats: PlainFormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Write an access list shorter without changing what it decides, and prove it.

    Exit status: 0 nothing to tidy, or --write has written; 1 there is a shorter list; 3 what the list decides as a
    whole is uncertain, so that it was left alone.
    """
    targets = report_targets(context, formats, outputs, json=json, known=("text", "json"))
    if diff and (formats or json) and any(target.file is None for target in targets):
        raise UsageError(
            "`--diff` and the report both want standard output", help="give the `--format` an `--output FILE`"
        )
    from pathcheck.cli.progress import progress
    from pathcheck.fleet import load_fleet
    from pathcheck.queries.named_list import lists_named
    from pathcheck.queries.tidy import rewritten_files, tidy_list
    from pathcheck.reports.json_report import render_json
    from pathcheck.reports.tidy import render_patch, render_tidy, tidy_document

    loaded = load_fleet(fleet)
    found = lists_named(loaded.config, device, acl)
    with progress("tidying", 3 * sum(len(one.lines) for one in found.lists)) as advance:
        results = [tidy_list(found.device, one, advance=advance) for one in found.lists]
    changes = rewritten_files(loaded, found.device, results) if diff or write else ()
    if write:
        replace_files([(loaded.folder / change.file, change.after) for change in changes])
    if diff:
        folder = str(loaded.folder)
        typer.echo(render_patch(changes, "" if folder == "." else folder), nl=False)
    if not diff or formats or json:
        write_reports(
            targets,
            {
                "text": lambda _: render_tidy(results),
                "json": lambda _: render_json(tidy_document(results, changes, written=write)),
            },
        )
    if any(result.notes for result in results):
        return UNCERTAIN
    return HOLDS if write or all(result.is_tidy for result in results) else BROKEN
