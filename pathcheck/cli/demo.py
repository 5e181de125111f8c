"""`pathcheck demo`: writes the built-in fleet, looks at it, says what to try next."""

from __future__ import annotations

import shutil
from importlib.resources import as_file, files
from importlib.resources.abc import Traversable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated

import typer

from pathcheck.cli.exit_status import HOLDS
from pathcheck.cli.options import JsonOption
from pathcheck.errors import UsageError

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("demo")(demo)


def demo(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="[FOLDER]", help="New folder for the demo fleet; pathcheck-demo if left out.", show_default=False
        ),
    ] = Path("pathcheck-demo"),
    json: JsonOption = False,
) -> int:
    """Write the demo fleet of an invented ferry operator to a new folder and check it.

    Exit status: 0 it ran, whatever it found; 2 the folder exists or cannot be written.
    """
    try:
        if folder.exists():
            raise UsageError(f"`{folder}` exists already", help="name a folder that does not exist yet")
        with as_file(_demo_fleet()) as source:
            _copy(source, folder)
    except OSError as error:  # no right to, no room left, a name that no folder can have
        why = (error.strerror or str(error)).lower()
        raise UsageError(
            f"`{folder}` cannot be written: {why}", help="name a new folder where you may write"
        ) from error

    from pathcheck.cli.check import run_check

    if json:
        run_check(folder, json=True)
        return HOLDS
    typer.echo(f"The fleet of an invented ferry operator was written to {folder}.\n")
    run_check(folder, json=False)
    typer.echo(
        f"""
Some of its faults were planted. Try next:
  pathcheck flow --fleet {folder} tcp 10.20.20.7 10.10.90.20:443     a ticket counter sells a ticket
  pathcheck flow --fleet {folder} tcp 10.30.20.7 10.10.90.21:443     another one cannot; which line is to blame?
  pathcheck flow --fleet {folder} udp 10.20.20.7 10.10.90.32:domain  a question without an answer
  pathcheck flow --fleet {folder} tcp controller quay-c:22           is this switch manageable?
  pathcheck review --fleet {folder}                                  lines that never act
  pathcheck parse --fleet {folder}                                   what became of each line"""
    )
    return HOLDS


def _copy(source: Path, folder: Path) -> None:
    """Copy the fleet whole or not at all: a part of it would be a fleet as well, with other answers."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix=f".{folder.name}.", dir=folder.parent) as beside:
        ready = Path(beside, "fleet")
        shutil.copytree(source, ready, ignore=shutil.ignore_patterns("__pycache__"))
        ready.rename(folder)


def _demo_fleet() -> Traversable:
    """The fleet inside the installed package; in a checkout, where it is kept once, in `corpora`."""
    shipped = files("pathcheck").joinpath("demo_fleet")
    if shipped.is_dir():
        return shipped
    return Path(__file__).parents[2] / "corpora" / "ferry-operator" / "fleet"
