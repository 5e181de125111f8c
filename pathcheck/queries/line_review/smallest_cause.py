"""A smallest explanation: lines of which none can be left out."""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["smallest"]


def smallest(lines: list[int], explains: Callable[[list[int]], bool], *, keep_longest: int | None = None) -> list[int]:
    """Return a part of `lines` that still explains and from which no line can be left out, in order.

    Parameters
    ----------
    lines
        Together they explain.
    explains
        Whether some lines explain; more lines may explain less.
    keep_longest
        A line to try to leave out last.

    Notes
    -----
    Leaving out one line can make room for another, so rounds go on until one changes nothing.

    Examples
    --------
    >>> smallest([1, 2, 3, 4], lambda lines: {2, 4} <= set(lines))
    [2, 4]
    """
    kept = list(lines)
    changed = True
    while changed:
        changed = False
        for line in sorted(kept, key=lambda item: item == keep_longest):
            trial = [item for item in kept if item != line]
            if trial and explains(trial):
                kept, changed = trial, True
    return kept
