"""A set of small numbers as inclusive ranges: ports, protocol numbers, DSCP values."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from operator import itemgetter

__all__ = ["Ranges"]


@dataclass(frozen=True, slots=True, order=True)
class Ranges:
    """A set of numbers, canonical: ranges in order, apart by at least two.

    Build it with :meth:`of`; the raw constructor refuses what is not canonical.

    Parameters
    ----------
    spans
        Pairs of first and last number, both inclusive.

    Examples
    --------
    >>> str(Ranges.of((80, 80), (81, 90), (443, 443)))
    '80-90,443'
    >>> str(Ranges.single(22).complement(65535))
    '0-21,23-65535'
    """

    spans: tuple[tuple[int, int], ...]

    def __post_init__(self) -> None:
        if any(low > high for low, high in self.spans) or any(
            before[1] + 1 >= after[0] for before, after in pairwise(self.spans)
        ):
            raise ValueError("ranges must be in order, apart and not empty; use Ranges.of")

    @classmethod
    def of(cls, *spans: tuple[int, int]) -> Ranges:
        """Return the union of inclusive ranges; a range that ends before it begins is empty."""
        merged: list[tuple[int, int]] = []
        for low, high in sorted(span for span in spans if span[0] <= span[1]):
            if merged and low <= merged[-1][1] + 1:
                merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
            else:
                merged.append((low, high))
        return cls(tuple(merged))

    @classmethod
    def single(cls, number: int) -> Ranges:
        """Return the set of one number."""
        return cls(((number, number),))

    @classmethod
    def union_of(cls, parts: Iterable[Ranges]) -> Ranges:
        """Return the union of many sets."""
        return cls.of(*(span for part in parts for span in part.spans))

    def __contains__(self, number: int) -> bool:
        return any(low <= number <= high for low, high in self.spans)

    def __bool__(self) -> bool:
        return bool(self.spans)

    def __or__(self, other: Ranges) -> Ranges:
        return Ranges.of(*self.spans, *other.spans)

    def __and__(self, other: Ranges) -> Ranges:
        return Ranges.of(*((max(a, c), min(b, d)) for a, b in self.spans for c, d in other.spans))

    def meets(self, low: int, high: int) -> bool:
        """Whether some number of an inclusive range is in the set."""
        place = bisect_right(self.spans, high, key=itemgetter(0)) - 1
        return place >= 0 and self.spans[place][1] >= low

    def complement(self, highest: int) -> Ranges:
        """Return the numbers from 0 to `highest` that are not in the set."""
        edges, start = [], 0
        for low, high in self.spans:
            edges.append((start, low - 1))
            start = high + 1
        return Ranges.of(*edges, (start, highest))

    @property
    def size(self) -> int:
        """How many numbers it holds."""
        return sum(high - low + 1 for low, high in self.spans)

    def __str__(self) -> str:
        return ",".join(str(low) if low == high else f"{low}-{high}" for low, high in self.spans) or "none"
