"""The review of long lists, beside what a user would otherwise write, and how it grows with the lines."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from fields import fields_of
from naive import covered_by_one_line
from results import Results, exponent, timed, whole
from shaped_lists import SHAPES, shaped_list

__all__ = ["measure_reviews"]

NAIVE_LINES, SMT_LINES = 8000, 1000


def measure_reviews(
    results: Results, folder: Path, given: Sequence[Path], counts: Sequence[int], runs: int, seeds: Sequence[int]
) -> None:
    """Review lists of each shape and size, and those that are given.

    Parameters
    ----------
    counts
        Lines of the lists that are made.
    seeds
        One list of each shape and size for each; the longest is made once.
    """
    lists: list[tuple[str, Path]] = []
    for shape in SHAPES:
        for count in counts:
            for seed in seeds if count <= NAIVE_LINES else seeds[:1]:
                lists.append((shape, folder / f"{shape}-{seed}-{count}.cfg"))
                lists[-1][1].write_text(shaped_list(shape, count, seed))
    table = results.table(
        "Review of one list",
        "Whole commands: all dead, redundant, duplicate and impossible lines decided exactly, crossing lines counted. "
        "*Exact findings* is how many of the first four kinds there are. The naive script compares pairs of lines "
        f"(up to {NAIVE_LINES:,} lines); *missed* is how many of the lines that never act it does not see, because "
        "only several lines together hold them. The solver gets one question a line, all lines before it as one "
        f"formula (up to {SMT_LINES:,} lines); it says nothing of redundant ones. Ratios are to the review's processor "
        "seconds. The lists are made by `tests/benchmarks/shaped_lists.py` in the shapes of three families of "
        "published filter sets; the number is the seed that picks the character.",
        "list",
        "lines",
        "elapsed s",
        "processor s",
        "MiB",
        "exact findings",
        "naive s",
        "ratio",
        "missed",
        "solver s",
        "ratio",
    )
    growth = results.growth("lines", "`review`, by lines of the list", "lines")
    for series, path in [*lists, *(("given", path) for path in given)]:
        fields = fields_of(path)
        done = whole(["review", "--fleet", str(path), "--json"], runs if len(fields) <= NAIVE_LINES else 1)
        found = json.loads(done.output)["findings"]
        exact = [item for item in found if item["code"] in ("PC101", "PC102", "PC105", "PC106")]
        row: list[str | float] = [path.stem.rsplit("-", 1)[0] if series != "given" else path.stem]
        row += [f"{len(fields):,}", done.elapsed, done.processor, done.memory, len(exact)]
        if len(fields) <= NAIVE_LINES:
            seen: list[int] = []
            naive = timed(lambda: seen.append(covered_by_one_line(fields)))  # noqa: B023
            never = sum(item["code"] in ("PC101", "PC105") or _earlier(item) for item in exact)
            row += [naive, naive / done.processor, f"{never - seen[0]:,}"]
        else:
            row += ["–", "–", "–"]
        if len(fields) <= SMT_LINES:
            from smt import dead_lines

            solver = timed(lambda: dead_lines(fields))  # noqa: B023
            row += [solver, solver / done.processor]
        else:
            row += ["–", "–"]
        table.add(*row)
        if series != "given" and f"-{seeds[0]}-" in path.name:
            growth.add(series, len(fields), done.processor)
    for series, points in growth.series.items():
        print(f"{series}: exponent of the last step {exponent(points)}")


def _earlier(item: dict[str, Any]) -> bool:
    """Whether a redundant line never acts: only lines before it hold its packets."""
    return (
        item["code"] == "PC102" and bool(item["because"]) and all(at["line"] < item["line"] for at in item["because"])
    )
