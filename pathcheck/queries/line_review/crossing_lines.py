"""Pairs of lines with different actions whose packets cross, and lines that are exceptions to wider ones.

The literature calls the first correlation and the second generalisation. Both are
judged without non-initial fragments where both lines name layer 4.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pathcheck.packet.packet import Packet
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, intersection
from pathcheck.queries.line_review.dead_lines import DeadLines
from pathcheck.queries.line_review.reviewed_list import DENIES, PERMITS, Array, ReviewedList

__all__ = ["Crossing", "Crossings", "find_crossing_lines", "find_exceptions"]

_SHOWN = 20
"""Lines of one list that are shown; the pairs of all are counted."""


@dataclass(frozen=True, slots=True)
class Crossing:
    """A line of which an earlier line with the other action decides a part, and neither holds the other.

    Parameters
    ----------
    earlier
        The one that shares most with it.
    pairs
        How many earlier lines with the other action cross it.
    sample
        A packet of the line that `earlier` decides.
    """

    line: int
    earlier: int
    pairs: int
    sample: Packet


@dataclass(frozen=True, slots=True)
class Crossings:
    """The crossing lines that are shown, by index, and how many pairs and lines there are in the list."""

    shown: dict[int, Crossing]
    pairs: int
    lines: int


def find_crossing_lines(reviewed: ReviewedList, dead: DeadLines, advance: Callable[[int], None]) -> Crossings:
    """Count the pairs of acting lines that cross; show the lines of which the most is decided before them."""
    partners: dict[int, Array] = {}
    worst: list[tuple[float, int]] = []
    for line in dead.witnesses:
        rows = _crossing_rows(reviewed, line, dead.alive)
        if len(rows):
            partners[line] = rows
            worst.append((-float(reviewed.shares(line, rows).max()), line))
        advance(1)
    pairs = {line: len(np.unique(reviewed.table.owners[rows])) for line, rows in partners.items()}
    shown: dict[int, Crossing] = {}
    for _, line in sorted(worst):
        if len(shown) == _SHOWN:
            break
        decided = _decided_part(reviewed, line, partners[line], dead.alive)
        if decided is not None:
            shown[line] = Crossing(line, decided[0], pairs[line], decided[1])
    return Crossings(dict(sorted(shown.items())), sum(pairs.values()), len(pairs))


def find_exceptions(reviewed: ReviewedList, dead: DeadLines) -> dict[int, int]:
    """Return the acting lines that are exceptions, each with the first later line of the other action that holds it."""
    found: dict[int, int] = {}
    for line in dead.witnesses:
        row, world = next(reviewed.parts(line))
        later = reviewed.after(line, row, world, dead.alive)
        later = later[reviewed.does[later] == _other(reviewed, line)]
        for wider in reviewed.lines_of(later):
            if _holds(reviewed, wider, line):
                found[line] = wider
                break
    return found


def _crossing_rows(reviewed: ReviewedList, line: int, alive: Array) -> Array:
    """Return rows of earlier acting lines with the other action that cross a line, neither line holding the other."""
    table = reviewed.table
    parts = list(reviewed.parts(line))
    met: list[Array] = []
    for row, world in parts:
        rows = reviewed.before(line, row, world, alive)
        rows = rows[reviewed.does[rows] == _other(reviewed, line)]
        if world == FRAGMENT and reviewed.names_layer4(line):
            rows = rows[~reviewed.row_names_layer4[rows]]
        met.append(rows)
    rows = met[0] if len(met) == 1 else np.unique(np.concatenate(met))
    if not len(rows):
        return rows
    first = reviewed.first_row[line]
    if reviewed.end_row[line] - first > 1:
        owners = table.owners[rows]
        apart = {owner for owner in set(owners.tolist()) if not _either_holds(reviewed, line, owner)}
        return rows[[owner in apart for owner in owners.tolist()]]
    row = table.rows[first]
    # Rows of lines with one row are told apart all at once, the few others line by line.
    outside, inside = np.ones(len(rows), dtype=bool), np.ones(len(rows), dtype=bool)
    for world in (WHOLE, FRAGMENT):
        theirs = (table.worlds[rows] & world) != 0
        if world == FRAGMENT and reviewed.names_layer4(line):
            theirs &= ~reviewed.row_names_layer4[rows]
            skip = reviewed.row_names_layer4[rows]
        else:
            skip = np.zeros(len(rows), dtype=bool)
        ours = bool(row.worlds & world)
        inside &= ~theirs | (table.are_covered(row, rows, world) if ours else False)
        if ours:
            outside &= skip | (theirs & table.are_covering(row, rows, world))
    crosses = ~(inside | outside)
    several = reviewed.row_count[table.owners[rows]] > 1
    for place in np.flatnonzero(several):
        crosses[place] = not _either_holds(reviewed, line, int(table.owners[rows[place]]))
    return rows[crosses]


def _decided_part(reviewed: ReviewedList, line: int, rows: Array, alive: Array) -> tuple[int, Packet] | None:
    """Return the crossing line that shares most and decides a part, with a packet; None if none decides any."""
    table = reviewed.table
    for place in np.argsort(-reviewed.shares(line, rows), kind="stable"):
        index = int(rows[place])
        for row, world in reviewed.parts(line):
            shared = intersection(row, table.rows[index])
            if shared is None or not shared.worlds & world:
                continue
            owner = int(table.owners[index])
            before = table.overlapping(shared, 0, reviewed.first_row[owner], world)
            found = reviewed.search(shared, before[alive[before]], world)
            if isinstance(found, Packet):
                return owner, found
    return None


def _either_holds(reviewed: ReviewedList, line: int, other: int) -> bool:
    """Whether one of two lines holds each packet of the other."""
    return _holds(reviewed, line, other) or _holds(reviewed, other, line)


def _holds(reviewed: ReviewedList, outer: int, inner: int) -> bool:
    """Whether the outer line holds each packet of the inner one."""
    both_name = reviewed.names_layer4(outer) and reviewed.names_layer4(inner)
    rows = np.arange(reviewed.first_row[outer], reviewed.end_row[outer])
    worlds = reviewed.table.worlds[rows]
    return not any(
        isinstance(reviewed.search(row, rows[(worlds & world) != 0], world), Packet)
        for row, world in reviewed.parts(inner, WHOLE if both_name else WHOLE | FRAGMENT)
    )


def _other(reviewed: ReviewedList, line: int) -> int:
    """The action that a line does not have, as rows know it."""
    return PERMITS if reviewed.lines[line].action == "deny" else DENIES
