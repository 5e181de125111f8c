"""The program: its commands, and the one place where exceptions become exit statuses."""

from __future__ import annotations

import errno
import gc
import os
import sys
from contextlib import suppress
from typing import Annotated

import typer

from pathcheck.cli import (
    audit,
    bootstrap,
    check,
    compare,
    demo,
    explain,
    flow,
    manageable,
    parse,
    process,
    reach,
    rehearse,
    removals,
    require,
    review,
    rollout,
    routes,
    tidy,
)
from pathcheck.cli.exit_status import INTERNAL_FAULT, INTERRUPTED, UNREADABLE
from pathcheck.cli.help_page import EXIT_STATUS, complete
from pathcheck.errors import InternalFault, PathcheckError

__all__ = ["app", "run", "status_of"]

# A command builds much and drops little before it ends: looking for cycles after each 700 new objects costs a
# twentieth of its time and finds nothing.
gc.set_threshold(50_000, 20, 50)

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
"""What the system says when standard output is a file on a disk that is full, over its quota, or broken."""

app = typer.Typer(
    name="pathcheck",
    help="Verifies access lists and routing tables before they are deployed.",
    epilog=EXIT_STATUS,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
for command in (
    demo,
    check,
    parse,
    flow,
    reach,
    rehearse,
    review,
    tidy,
    compare,
    removals,
    rollout,
    routes,
    require,
    audit,
    manageable,
    bootstrap,
    explain,
):
    command.register(app)
complete(app)


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"pathcheck {version('pathcheck')}")
        raise typer.Exit


@app.callback()
def main(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and stop.")
    ] = False,
) -> None:
    """Take the options that stand before a command."""


def run() -> None:
    """Run the program and end the process as an exit of Python; signals are left as they are."""
    sys.exit(process.status())


def status_of(arguments: list[str]) -> int:
    """Run the program on arguments and return its exit status.

    Raises
    ------
    KeyboardInterrupt, MemoryError
        Left to the process, which ends with them.
    """
    try:
        # Not by calling `app`: that would make an end of its own of interrupts and of readers that have gone.
        command = typer.main.get_command(app)
        with command.make_context("pathcheck", arguments) as context:
            status = command.invoke(context)
        sys.stdout.flush()
        return status if isinstance(status, int) else 0
    except InternalFault as fault:
        return _internal_fault(fault)
    except PathcheckError as error:
        from pathcheck.reports.diagnostic import render_error

        for each in (error, *getattr(error, "others", ())):  # all faults of a file in one run
            _tell(render_error(each))
        return UNREADABLE
    except BrokenPipeError:
        # The reader has gone (`| head`). Nothing more can be said to it, and Python must not try at exit.
        _write_no_more()
        return INTERRUPTED
    except OSError as error:
        if error.errno == errno.ENOMEM:
            raise
        if error.errno not in _NO_ROOM:
            return _internal_fault(error)
        _write_no_more()
        _tell(f"error: the output cannot be written: {(error.strerror or str(error)).lower()}")
        return UNREADABLE
    except typer.Exit as end:
        return end.exit_code
    except Exception as fault:
        if hasattr(fault, "show") and hasattr(fault, "exit_code"):  # a usage error, in the words of the option parser
            with suppress(OSError):
                fault.show()
            return UNREADABLE
        if process.is_for_memory(fault):
            raise
        return _internal_fault(fault)


def _tell(words: str) -> None:
    """Say on standard error what can be said; that it is full or gone changes no exit status."""
    with suppress(OSError):
        typer.echo(words, err=True)


def _write_no_more() -> None:
    """Lead standard output nowhere, so that nothing is tried on it again at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _internal_fault(fault: Exception) -> int:
    """Say that the program is at fault, and what to report; the details go to a file, not to the screen."""
    from pathcheck.reports.fault import write_fault_report

    place = write_fault_report(fault, sys.argv[1:])
    _tell(
        f"internal fault: {fault or type(fault).__name__}\n"
        "This is a fault of pathcheck, not of your input, and no answer was given.\n"
        f"Please report it with {place} and, if you may share it, the configuration that shows it."
    )
    return INTERNAL_FAULT
