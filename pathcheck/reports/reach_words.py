"""The words for how a cell of the matrix stands, the same in each report."""

from __future__ import annotations

from collections.abc import Iterable

from pathcheck.results.reach import ReachCell
from pathcheck.results.verdict import Verdict

__all__ = ["PASSAGES", "passage", "totals"]

PASSAGES: dict[Verdict | None, tuple[str, str]] = {
    Verdict.PERMITTED: ("open", "O"),
    Verdict.DENIED: ("closed", "-"),
    Verdict.PARTLY: ("partly", "p"),
    Verdict.UNCERTAIN: ("uncertain", "?"),
    None: ("none", " "),
}
"""The word and the letter of each verdict; `none` is a pair that cannot be asked about."""


def passage(verdict: Verdict | None) -> str:
    """Return the word for a verdict."""
    return PASSAGES[verdict][0]


def totals(cells: Iterable[ReachCell]) -> dict[str, int]:
    """Return how many cells stand how, in the order of `PASSAGES`."""
    counts = dict.fromkeys((word for word, _ in PASSAGES.values()), 0)
    for cell in cells:
        counts[passage(cell.verdict)] += 1
    return counts
