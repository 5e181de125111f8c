"""Measures whole commands and the library against what a user would otherwise write.

    python tests/benchmarks                 prints every table
    python tests/benchmarks --page          and writes docs/benchmarks.md with its plots (needs the extra `bench`)
    python tests/benchmarks --quick         small sizes, one run of each: for a machine that has other work
    python tests/benchmarks --long          all sizes, up to fleets of 2,000 devices

Every figure stands beside another of the same run; read the ratios, not the seconds. `--lists FOLDER` adds lists of
your own (each `*.cfg` with one list of plain IPv4 lines).
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from fleets import measure_devices, measure_routes
from page import Machine, write_page
from reach import measure_reach
from results import Results
from reviews import measure_reviews
from small_things import measure_commands, measure_decisions, measure_reading

DOCS = Path(__file__).parents[2] / "docs"


@dataclass(frozen=True, slots=True)
class Mode:
    """How much is measured."""

    name: str
    runs: int
    reading: int
    lines: tuple[int, ...]
    seeds: tuple[int, ...]
    devices: tuple[int, ...]
    routes: tuple[int, ...]
    reach: tuple[int, ...]


MODES = {
    "quick": Mode("quick", 1, 10_000, (1000, 2000, 4000), (1,), (30, 60, 120), (500, 1000, 2000), (60, 120)),
    "default": Mode(
        "default", 3, 50_000, (1000, 2000, 4000, 8000, 32_000, 100_000), (1,), (125, 250, 500),
        (1000, 4000, 16_000), (100, 250, 500),
    ),
    "long": Mode(
        "long", 5, 50_000, (1000, 2000, 4000, 8000, 16_000, 32_000, 100_000), (1, 2, 3, 4), (125, 250, 500, 1000, 2000),
        (1000, 4000, 16_000, 64_000), (100, 250, 500, 1000),
    ),
}  # fmt: skip


def main() -> None:
    """Measure, print, and write the page if it is asked for."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--page", action="store_true", help="write docs/benchmarks.md and its plots")
    options.add_argument("--docs", type=Path, default=DOCS, help="the folder that the page is written to")
    options.add_argument("--quick", dest="mode", action="store_const", const="quick", default="default")
    options.add_argument("--long", dest="mode", action="store_const", const="long")
    options.add_argument("--lists", type=Path, help="folder of lists to review too")
    asked = options.parse_args()
    mode, machine, results = MODES[asked.mode], Machine.here(), Results()
    print(machine)
    start = time.perf_counter()
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        measure_commands(results, mode.runs)
        measure_reading(results, folder, mode.reading)
        measure_decisions(results, folder, 2 * mode.reading)
        given = sorted(asked.lists.glob("*.cfg")) if asked.lists else []
        measure_reviews(results, folder, given, mode.lines, mode.runs, mode.seeds)
        measure_devices(results, folder, mode.devices)
        measure_routes(results, folder, mode.routes)
        measure_reach(results, folder, mode.reach)
    minutes = (time.perf_counter() - start) / 60
    print(f"\n{minutes:.1f} minutes in all")
    if asked.page:
        write_page(asked.docs, results, machine, mode.name, minutes)


if __name__ == "__main__":
    main()
