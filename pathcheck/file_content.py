"""The bytes of a file that somebody named: bounded, and whole."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from pathcheck.errors import InputError

__all__ = ["MOST_BYTES", "file_content", "read_named_file"]

MOST_BYTES = 256 * 1024 * 1024
"""Bytes of one file that are read; a configuration of a million lines has some 60 MiB."""


def file_content(path: Path, *, pipes: bool = False) -> bytes:
    """Read a file.

    Parameters
    ----------
    pipes
        Whether a pipe or a device is read as well: one that a shell puts in the place of a file. It
        may have to be waited for.

    Raises
    ------
    OSError
        It cannot be read: no right to, no regular file, too large, or it changed while it was read, so that nobody
        knows what it says. The `strerror` says which.
    """
    if not pipes and not stat.S_ISREG(path.stat().st_mode):
        raise OSError(0, "it is no regular file")  # asked before it is opened: that alone can wait for ever
    with open(path, "rb") as file:
        before = os.fstat(file.fileno())
        if before.st_size > MOST_BYTES:
            raise OSError(0, f"it has {before.st_size} bytes, more than the {MOST_BYTES} that are read")
        data = file.read(MOST_BYTES + 1)
        after = os.fstat(file.fileno())
    if len(data) > MOST_BYTES:
        raise OSError(0, f"it has more than the {MOST_BYTES} bytes that are read")
    if stat.S_ISREG(before.st_mode) and (len(data) != after.st_size or _state(before) != _state(after)):
        raise OSError(0, "it was written to while it was read; read it again")
    return data


def _state(about: os.stat_result) -> tuple[int, int]:
    """What changes when a file is written to."""
    return about.st_size, about.st_mtime_ns


def read_named_file(path: str | Path, what: str, *, help: str | None = None) -> bytes:
    """Read a file that was named by itself, pipes included.

    Parameters
    ----------
    what
        What it is, as `the baseline`.
    help
        What the reader of the error can do.

    Raises
    ------
    InputError
        It cannot be read.
    """
    try:
        return file_content(Path(path), pipes=True)
    except (OSError, ValueError) as error:  # a name that no file can have is a ValueError
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(f"{what} `{path}` cannot be read: {why.lower()}", help=help) from None
