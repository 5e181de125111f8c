"""A progress bar on a terminal for long work, and none elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import typer

__all__ = ["progress"]

_LONG = 2000
"""Steps below which the work is done before a bar could be read."""


@contextmanager
def progress(label: str, steps: int) -> Iterator[Callable[[int], None]]:
    """Show a bar on standard error while the work goes on; yield what is told of steps that are done."""
    if steps < _LONG or not sys.stderr.isatty():
        yield lambda _: None
        return
    with typer.progressbar(length=steps, label=label, file=sys.stderr, update_min_steps=max(1, steps // 200)) as bar:
        yield bar.update
