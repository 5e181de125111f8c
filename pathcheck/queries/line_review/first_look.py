"""A first look at all lines of a long list at once: what settles most of them, by bits, before any is looked at alone.

It only finds packets. A packet that reaches its line shows that the line acts, and one
that would be decided otherwise without the line shows that it is needed; what no
packet shows here is left to the exact search for the single line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from pathcheck.packetset.box_table import FRAGMENT, WHOLE, Points
from pathcheck.packetset.columns import Columns, columns_of, points_as_columns
from pathcheck.queries.line_review.reviewed_list import DENIES, PERMITS, Array, ReviewedList
from pathcheck.queries.line_review.witnesses import Witnesses

__all__ = ["find_needed", "find_successors", "find_witnesses", "needed_by_witness"]

_PointsIn = Callable[[Columns], Points]

_ROUNDS = 8
_WAITING = 6
"""Later rows of another action at which packets of a row are tried."""
_WORTH = 0.04
"""A round that settles a smaller part of the lines that are left is the last."""
_MOST_ROWS = 64
"""Rows of one line up to which it takes part."""


def find_witnesses(reviewed: ReviewedList, witnesses: Witnesses, advance: Callable[[int], None]) -> None:
    """Note packets that reach their lines and are no non-initial fragments, for most lines that act.

    `advance` hears how many lines are done after each round.
    """
    table, columns = reviewed.table, columns_of(reviewed.table)
    rows = np.flatnonzero(
        reviewed.decides & ((table.worlds & WHOLE) != 0) & (reviewed.row_count[table.owners] <= _MOST_ROWS)
    )
    first = np.array(reviewed.first_row, dtype=np.int64)[table.owners]
    for points_in in _rounds():
        points = points_in(columns.take(rows))
        start = np.zeros(len(rows), dtype=np.int64)
        asked = points_as_columns(points)
        holders = reviewed.bits.first("holds", asked, WHOLE, start, first[rows], reviewed.decides)
        free = np.flatnonzero(holders == len(table))
        lines, at = np.unique(table.owners[rows[free]], return_index=True)
        witnesses.add_points(lines, points, free[at])
        advance(len(lines))
        before = len(rows)
        settled = np.zeros(len(reviewed.lines), dtype=bool)
        settled[lines] = True
        rows = rows[~settled[table.owners[rows]]]
        if before - len(rows) <= _WORTH * before:
            return


def needed_by_witness(reviewed: ReviewedList, witnesses: Witnesses) -> set[int]:
    """Return the lines whose witness would be decided otherwise, or by no line, without them."""
    table, needed = reviewed.table, set()
    ends = np.array(reviewed.end_row, dtype=np.int64)
    everything = np.ones(len(table), dtype=bool)
    for world in (WHOLE, FRAGMENT):
        lines = witnesses.lines(world)
        if not len(lines):
            continue
        asked = witnesses.columns(lines)
        after = reviewed.bits.first("holds", asked, world, ends[lines], np.full(len(lines), len(table)), everything)
        needed.update(lines[_otherwise(reviewed, lines, after)].tolist())
    return needed


def find_successors(reviewed: ReviewedList, lines: list[int]) -> tuple[dict[int, list[int]], dict[int, int]]:
    """Return, for each line that has them, a later row of its action for each of its rows, with nothing in between.

    Returns
    -------
    dict
        By line: for each row, non-fragments first, a row that holds it and stands before the first one of another
        action that shares packets with it. Lines with a row without such a successor are left out.
    dict
        By row: the first later row of another action that shares packets with it which are no non-initial fragments.
    """
    table, columns = reviewed.table, columns_of(reviewed.table)
    ends = np.array(reviewed.end_row, dtype=np.int64)[table.owners]
    found: dict[int, list[int]] = {line: [] for line in lines}
    waiting: dict[int, int] = {}
    for world in (WHOLE, FRAGMENT):
        for own in (PERMITS, DENIES):
            chosen = [
                row
                for line in lines
                for row in range(reviewed.first_row[line], reviewed.end_row[line])
                if reviewed.does[row] == own and table.rows[row].worlds & world
            ]
            rows = np.array(chosen, dtype=np.int64)
            stops = np.full(len(rows), len(table))
            asked = columns.take(rows)
            other = reviewed.bits.first("overlaps", asked, world, ends[rows], stops, reviewed.does != own)
            holder = reviewed.bits.first("holds", asked, world, ends[rows], other, reviewed.does == own)
            if world == WHOLE:
                waiting.update(zip(chosen, other.tolist(), strict=True))
            for row, successor in zip(chosen, holder.tolist(), strict=True):
                line = int(table.owners[row])
                if successor == len(table):
                    found.pop(line, None)
                elif line in found:
                    found[line].append(successor)
    return found, waiting


def find_needed(reviewed: ReviewedList, lines: list[int], waiting: dict[int, int]) -> set[int]:
    """Return lines of which a packet is decided otherwise, or by no line, without them.

    Parameters
    ----------
    lines
        To look at.
    waiting
        By row, where the next row of another action waits; see :func:`find_successors`.
    """
    table, columns = reviewed.table, columns_of(reviewed.table)
    rows = np.array([row for line in lines for row in range(reviewed.first_row[line], reviewed.end_row[line])
                     if row in waiting and reviewed.row_count[line] <= _MOST_ROWS], dtype=np.int64)  # fmt: skip
    first = np.array(reviewed.first_row, dtype=np.int64)[table.owners]
    ends = np.array(reviewed.end_row, dtype=np.int64)[table.owners]
    everything = np.ones(len(table), dtype=bool)
    others = np.array([waiting[row] for row in rows.tolist()], dtype=np.int64)
    needed: set[int] = set()
    turn = 0
    ways = list(zip(range(3), _rounds(), strict=False))
    # Where a later line of another action waits, a packet that gets there is decided otherwise: the next such line,
    # then those behind it one after the other; a last try is anywhere in the row.
    for number, points_in in [*((place, way) for place in range(_WAITING) for _, way in ways[:2]), (None, ways[2][1])]:
        if not len(rows):
            break
        parts = columns.take(rows)
        if number is not None:
            if number > turn:
                others = _next_others(reviewed, rows, others)
                turn = number
            parts = parts.meet(columns.take(np.where(others < len(table), others, rows)))
        points = points_in(parts)
        asked, owners = points_as_columns(points), table.owners[rows]
        start, stop = np.zeros(len(rows), dtype=np.int64), np.full(len(rows), len(table))
        before = reviewed.bits.first("holds", asked, WHOLE, start, first[rows], reviewed.decides)
        after = reviewed.bits.first("holds", asked, WHOLE, ends[rows], stop, everything)
        hit = (before == len(table)) & _otherwise(reviewed, owners, after)
        settled = np.zeros(len(reviewed.lines), dtype=bool)
        settled[owners[hit]] = True
        needed.update(np.flatnonzero(settled).tolist())
        left = ~settled[owners]
        rows, others = rows[left], others[left]
    return needed


def _next_others(reviewed: ReviewedList, rows: Array, others: Array) -> Array:
    """For each row, the next row of another action behind one that shares packets with it, the list's end if none."""
    table = reviewed.table
    found = np.full(len(rows), len(table), dtype=np.int64)
    for own in (PERMITS, DENIES):
        which = np.flatnonzero(reviewed.does[rows] == own)
        asked, stops = columns_of(table).take(rows[which]), np.full(len(which), len(table))
        found[which] = reviewed.bits.first("overlaps", asked, WHOLE, others[which] + 1, stops, reviewed.does != own)
    return found


def _otherwise(reviewed: ReviewedList, lines: Array, after: Array) -> Array:
    """Whether the row that takes a packet of each line after it does something else, or there is none."""
    rows = np.array(reviewed.first_row, dtype=np.int64)[lines]
    nothing = after == len(reviewed.table)
    found: Array = nothing | (reviewed.does[np.where(nothing, 0, after)] != reviewed.does[rows])
    return found


def _rounds() -> Iterator[_PointsIn]:
    """Ways to choose a point of each row: its low corner, its high one, then at random, from a fixed sequence."""
    yield _low
    yield _high
    draw = np.random.default_rng(20260101)
    for _ in range(_ROUNDS - 2):
        yield lambda columns: _random(columns, draw)


def _low(columns: Columns) -> Points:
    """The lowest point of each row, but with the lowest free bit of each address set: rarely one that others want."""
    words: list[Array] = []
    half = len(columns.values) // 2
    for end in (0, 1):
        taken: Array = np.zeros(len(columns), dtype=bool)
        inner: list[Array] = []
        for word in range(half * (end + 1) - 1, half * end - 1, -1):
            free = ~columns.cares[word]
            lowest = np.where(taken, 0, free & (~free + free.dtype.type(1))).astype(free.dtype)
            taken |= free != 0
            inner.insert(0, columns.values[word] | lowest)
        words += inner
    protocol, first, second, dscp = columns.lows
    return Points(tuple(words), (protocol, first, second, dscp), columns.flag_values)


def _high(columns: Columns) -> Points:
    """The highest point of each row."""
    words = tuple(value | ~care for value, care in zip(columns.values, columns.cares, strict=True))
    protocol, first, second, dscp = columns.highs
    return Points(words, (protocol, first, second, dscp), columns.flag_values)


def _random(columns: Columns, draw: np.random.Generator) -> Points:
    """A random point of each row; rows with equal bounds of a number get the same, which keeps the strings few."""
    words = []
    for value, care in zip(columns.values, columns.cares, strict=True):
        numbers = draw.integers(0, 1 << 8 * value.itemsize, size=len(value), dtype=value.dtype)
        words.append(value | (numbers & ~care))
    intervals = []
    for low, high in zip(columns.lows, columns.highs, strict=True):
        found, index = np.unique(low.astype(np.int64) << 32 | high, return_inverse=True)
        lows, highs = found >> 32, found & 0xFFFFFFFF
        intervals.append(draw.integers(lows, highs + 1)[index.reshape(-1)].astype(low.dtype))
    flags = columns.flag_values | (draw.integers(0, 256, size=len(columns), dtype=np.uint8) & ~columns.flag_cares)
    protocol, first, second, dscp = intervals
    return Points(tuple(words), (protocol, first, second, dscp), flags)
