"""The few rows that can relate to a row by one of its addresses, pair by pair.

In a long list most addresses are the end of few lines. A row whose source or destination relates to few
rows of the table is compared with these alone, so that the work grows with the list, and not with its square.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pathcheck.packetset.address_pairs import Distinct, Kind, distinct, related
from pathcheck.packetset.box_table import WHOLE, BoxTable
from pathcheck.packetset.columns import Columns, columns_of

__all__ = ["RowPairs"]

Array = NDArray[Any]

_LONG = 1 << 14
"""Rows of a table from which on pairs are looked for: a shorter one is compared as a whole."""
_PART = 512
"""An address is rare if it relates to no more than one row of the table in so many."""
_BLOCK = 1 << 16
"""Rows that are asked for at once."""
_MOST = 1 << 20
"""Pairs that are made at once."""


class RowPairs:
    """Finds pairs of a row that is asked for and a row of the table that can relate to it.

    Parameters
    ----------
    table
        Rows of one IP version.
    long
        Rows of the table from which on pairs are looked for.
    part
        See _PART.
    """

    def __init__(self, table: BoxTable, *, long: int = _LONG, part: int = _PART) -> None:
        self._table = table
        self._columns = columns_of(table)
        self._is_long = len(table) >= long
        self._few = len(table) // part

    def pairs(self, kind: Kind, asked: Columns, rare: Array) -> Iterator[tuple[Array, Array]]:
        """Yield pairs of places of what is asked for and of rows, such that all rows that relate are among them.

        Parameters
        ----------
        kind, asked
            How, and what is asked for.
        rare
            Marks, one for each that is asked for; those with a rare address are marked here, the others are not
            asked about. All pairs of one place stand together, its rows in no order.
        """
        if not self._is_long:
            return
        words = len(asked.values) // 2
        for begin in range(0, len(asked), _BLOCK):
            stop = min(begin + _BLOCK, len(asked))
            best = np.full(stop - begin, self._few + 1, dtype=np.int64)
            at_end = np.zeros(stop - begin, dtype=np.int8)
            found = []
            for end, (known, order, starts) in enumerate(self._ends):
                columns = slice(words * end, words * (end + 1))
                its, index = distinct(
                    tuple(column[begin:stop] for column in asked.values[columns]),
                    tuple(column[begin:stop] for column in asked.cares[columns]),
                )
                left, right = related(kind, its, known)
                counts = starts[right + 1] - starts[right]
                rows = np.bincount(left, weights=counts, minlength=len(its)).astype(np.int64)[index]
                better = rows < best
                best[better], at_end[better] = rows[better], end
                edges = np.searchsorted(left, np.arange(len(its) + 1))
                found.append((index, right, edges, order, starts))
            chosen = best <= self._few
            rare[begin:stop] = chosen
            for end, (index, right, edges, order, starts) in enumerate(found):
                places = np.flatnonzero(chosen & (at_end == end))
                for some in _parts(places, best[places]):
                    first, last = edges[index[some]], edges[index[some] + 1]
                    owner, at = _spread(first, last)
                    value = right[at]
                    inner, at = _spread(starts[value], starts[value + 1])
                    yield begin + some[owner[inner]], order[at]

    def relate(self, kind: Kind, world: int, asked: Columns, places: Array, rows: Array) -> Array:
        """Return for each pair whether the row relates to what is asked for in a world."""
        own = self._columns
        keep: Array = (self._table.worlds[rows] & world) != 0
        words = zip(own.values, own.cares, asked.values, asked.cares, strict=True)
        masked = [(value[rows], care[rows], its[places], its_care[places]) for value, care, its, its_care in words]
        if world == WHOLE:
            masked.append((
                own.flag_values[rows], own.flag_cares[rows], asked.flag_values[places], asked.flag_cares[places],
            ))  # fmt: skip
        for value, care, its, its_care in masked:
            keep &= ((value ^ its) & care & its_care) == 0
            if kind == "holds":
                keep &= (care & ~its_care) == 0
            elif kind == "lies in":
                keep &= (its_care & ~care) == 0
        for field in (0, 1, 2, 3) if world == WHOLE else (0, 3):
            low, high = own.lows[field][rows], own.highs[field][rows]
            its_low, its_high = asked.lows[field][places], asked.highs[field][places]
            if kind == "overlaps":
                keep &= (low <= its_high) & (high >= its_low)
            elif kind == "holds":
                keep &= (low <= its_low) & (high >= its_high)
            else:
                keep &= (low >= its_low) & (high <= its_high)
        return keep

    @cached_property
    def _ends(self) -> list[tuple[Distinct, Array, Array]]:
        """For source and destination: the different addresses, the rows in their order, and where each one's start."""
        words = len(self._columns.values) // 2
        ends = []
        for end in range(2):
            columns = slice(words * end, words * (end + 1))
            known, of_row = distinct(self._columns.values[columns], self._columns.cares[columns])
            order = np.argsort(of_row, kind="stable")
            ends.append((known, order, np.searchsorted(of_row[order], np.arange(len(known) + 1))))
        return ends


def _parts(places: Array, counts: Array) -> Iterator[Array]:
    """Yield places in parts that have few pairs together."""
    sums = np.cumsum(counts)
    begin = 0
    while begin < len(places):
        before = int(sums[begin - 1]) if begin else 0
        stop = max(begin + 1, int(np.searchsorted(sums, before + _MOST, side="right")))
        yield places[begin:stop]
        begin = stop


def _spread(starts: Array, stops: Array) -> tuple[Array, Array]:
    """All numbers from each start to its stop (exclusive), with the place of the start that each comes from."""
    counts = stops - starts
    owner = np.repeat(np.arange(len(counts)), counts)
    return owner, np.arange(len(owner)) + np.repeat(starts - np.cumsum(counts) + counts, counts)
