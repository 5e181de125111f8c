"""Options that mean the same in each command."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["FleetOption", "JsonOption", "on_terminal"]


def _folder(word: str) -> Path:
    """A path; a variable of a script that is empty is a slip, not the folder in which it runs."""
    if not str(word):
        raise typer.BadParameter("it is empty; `.` is this folder")
    return Path(word)


FleetOption = Annotated[
    Path,
    typer.Option(
        "--fleet",
        parser=_folder,
        metavar="PATH",
        help="Folder of the fleet, or one configuration file; this folder if left out.",
        show_default=False,
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON document on standard output, and nothing else.")]


def on_terminal() -> bool:
    """Whether standard output is a terminal that wants colour (NO_COLOR is respected)."""
    import os
    import sys

    return sys.stdout.isatty() and not os.environ.get("NO_COLOR")
