"""What the benchmarks measure: tables that are printed as they grow, and series for the plots."""

from __future__ import annotations

import atexit
import json
import math
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

__all__ = ["Growth", "Results", "Table", "Whole", "exponent", "timed", "whole"]

PROGRAM = [sys.executable, "-c", "from pathcheck.cli.main import run; run()"]


@dataclass
class Table:
    """One table of the page; a cell that is no text is a number."""

    title: str
    text: str
    heads: Sequence[str]
    rows: list[list[str]] = field(default_factory=list)

    def add(self, *cells: str | float) -> None:
        """Add a row, and print it."""
        shown = [cell if isinstance(cell, str) else number(cell) for cell in cells]
        if not self.rows:
            print(f"\n{self.title}\n{self._line(self.heads)}")
        self.rows.append(shown)
        print(self._line(shown), flush=True)

    def _line(self, cells: Sequence[str]) -> str:
        first, *rest = cells
        return f"{first:36}" + "".join(
            f" {cell:>{max(8, len(head))}}" for head, cell in zip(self.heads[1:], rest, strict=True)
        )


@dataclass
class Growth:
    """One plot of the page: how the cost grows.

    `series` has, by name, pairs of a size and of processor seconds.
    """

    name: str
    title: str
    size: str
    series: dict[str, list[tuple[float, float]]] = field(default_factory=dict)

    def add(self, series: str, size: float, seconds: float) -> None:
        """Add a point."""
        self.series.setdefault(series, []).append((size, seconds))


@dataclass
class Results:
    """Everything of one run, in the order in which it was measured."""

    parts: list[Table | Growth] = field(default_factory=list)

    def table(self, title: str, text: str, *heads: str) -> Table:
        """Begin a table."""
        self.parts.append(Table(title, text, heads))
        return self.parts[-1]  # type: ignore[return-value]

    def growth(self, name: str, title: str, size: str) -> Growth:
        """Begin a plot."""
        self.parts.append(Growth(name, title, size))
        return self.parts[-1]  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole command: medians of elapsed and of processor seconds, peak memory in MiB, output."""

    elapsed: float
    processor: float
    memory: float
    output: bytes


def whole(arguments: Sequence[str], runs: int = 1, *, program: Sequence[str] = PROGRAM) -> Whole:
    """Run a command as a user does, some times.

    Raises
    ------
    SystemExit
        It ended in another way than with 0 or 1.
    """
    elapsed, processor, memory = [], [], 0.0
    runner, output = _runner()
    assert runner.stdin is not None and runner.stdout is not None
    for _ in range(runs):
        runner.stdin.write(json.dumps([*program, *arguments]) + "\n")
        runner.stdin.flush()
        seconds, worked, peak, status = json.loads(runner.stdout.readline())
        elapsed.append(seconds)
        processor.append(worked)
        memory = max(memory, peak / 1024)
        if status not in (0, 1):
            raise SystemExit(f"{list(arguments)} ended with {status}")
    return Whole(statistics.median(elapsed), statistics.median(processor), memory, output.read_bytes())


@cache
def _runner() -> tuple[subprocess.Popen[str], Path]:
    """The process that starts the commands, and the file in which it leaves their output."""
    output = Path(tempfile.mkdtemp()) / "output"
    atexit.register(shutil.rmtree, output.parent)
    command = [sys.executable, str(Path(__file__).with_name("runner.py")), str(output)]
    runner = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    atexit.register(runner.communicate)
    return runner, output


def timed(work: Callable[[], object]) -> float:
    """Return the processor seconds of some work in this process."""
    start = time.process_time()
    work()
    return time.process_time() - start


def exponent(series: Sequence[tuple[float, float]]) -> str:
    """The power with which the seconds grew over the last step: 1 is in proportion; empty for the first."""
    if len(series) < 2:
        return ""
    (size, seconds), (size_2, seconds_2) = series[-2:]
    return f"{math.log(seconds_2 / seconds) / math.log(size_2 / size):.1f}"


def number(value: float) -> str:
    """Three digits that matter, thousands apart."""
    if value >= 100 or value == int(value):
        return f"{value:,.0f}"
    return f"{value:.3f}" if value < 0.1 else f"{value:.2f}" if value < 10 else f"{value:.1f}"
