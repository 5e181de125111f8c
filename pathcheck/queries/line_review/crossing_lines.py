"""Pairs of lines with different actions whose packets cross, and lines that are exceptions to wider ones.

The literature calls the first correlation and the second generalisation. Both are
judged without non-initial fragments where both lines name layer 4.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from pathcheck.packet.packet import Packet
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, intersection
from pathcheck.packetset.columns import Columns, columns_of
from pathcheck.packetset.row_bits import CHUNK, Tile, blocks
from pathcheck.queries.line_review.dead_lines import DeadLines
from pathcheck.queries.line_review.reviewed_list import DENIES, PERMITS, UNKNOWN, Array, ReviewedList

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
    if reviewed.is_long:
        pairs = _all_pairs(reviewed, dead, advance)
        ranked: Iterable[tuple[int, Array]] = _ranked_by_bounds(reviewed, dead, list(pairs))
    else:
        pairs, ranked = _pairs_one_by_one(reviewed, dead, advance)
    shown: dict[int, Crossing] = {}
    for line, rows in ranked:
        if len(shown) == _SHOWN:
            break
        decided = _decided_part(reviewed, line, rows, dead.alive)
        if decided is not None:
            shown[line] = Crossing(line, decided[0], pairs[line], decided[1])
    return Crossings(dict(sorted(shown.items())), sum(pairs.values()), len(pairs))


def _pairs_one_by_one(
    reviewed: ReviewedList, dead: DeadLines, advance: Callable[[int], None]
) -> tuple[dict[int, int], list[tuple[int, Array]]]:
    """How many lines cross each line, and the rows that do, for those lines first of which the most is shared."""
    partners: dict[int, Array] = {}
    worst: list[tuple[float, int]] = []
    for line in dead.witnesses:
        rows = _crossing_rows(reviewed, line, dead.alive)
        if len(rows):
            partners[line] = rows
            worst.append((-float(reviewed.shares(line, rows).max()), line))
        advance(1)
    advance(len(reviewed.lines) - len(dead.witnesses))
    pairs = {line: len(reviewed.lines_of(rows)) for line, rows in partners.items()}
    return pairs, [(line, partners[line]) for _, line in sorted(worst)]


def _ranked_by_bounds(reviewed: ReviewedList, dead: DeadLines, lines: list[int]) -> Iterator[tuple[int, Array]]:
    """The same ranking, made as far as it is asked for: no line shares more than all of itself."""
    table = reviewed.table
    most = table.sizes(np.array([reviewed.first_row[line] for line in lines], dtype=np.int64))
    # By share, what is only bounded before what is known to share as much.
    queue: list[tuple[float, bool, int]] = [
        (-size, False, line) for size, line in zip(most.tolist(), lines, strict=True)
    ]
    heapq.heapify(queue)
    partners: dict[int, Array] = {}
    while queue:
        _, is_known, line = heapq.heappop(queue)
        if is_known:
            yield line, partners.pop(line)
            continue
        rows = _crossing_rows(reviewed, line, dead.alive)
        if len(rows):
            partners[line] = rows
            heapq.heappush(queue, (-float(reviewed.shares(line, rows).max()), True, line))


def _all_pairs(reviewed: ReviewedList, dead: DeadLines, advance: Callable[[int], None]) -> dict[int, int]:
    """How many lines cross each line, for all lines at once, as :func:`_crossing_rows` finds them one by one."""
    table = reviewed.table
    acting = np.fromiter(dead.witnesses, dtype=np.int64, count=len(dead.witnesses))
    single = reviewed.row_count[acting] == 1
    lines = acting[single]
    rows = np.array(reviewed.first_row, dtype=np.int64)[lines]
    owned_alone = reviewed.row_count[table.owners] == 1
    counted_rows = dead.alive & owned_alone
    counts = np.zeros(len(lines), dtype=np.int64)
    rare = np.zeros(len(lines), dtype=bool)
    asked_rows = columns_of(table).take(rows)
    for places, others in reviewed.bits.pairs.pairs("overlaps", asked_rows, rare):
        keep = np.flatnonzero((others < rows[places]) & counted_rows[others] & (reviewed.does[others] != UNKNOWN))
        keep = keep[reviewed.does[others[keep]] != reviewed.does[rows[places[keep]]]]
        crossing = _cross(reviewed, asked_rows, rows, places[keep], others[keep])
        counts += np.bincount(places[keep[crossing]], minlength=len(counts))
    advance(int(np.count_nonzero(rare)))
    left = np.flatnonzero(~rare)
    for block in blocks(len(left)):
        block_rows, block_counts = rows[left[block]], np.zeros(len(left[block]), dtype=np.int64)
        for tile in reviewed.bits.tiles(columns_of(table).take(block_rows)):
            asked = np.flatnonzero(block_rows > tile.start)
            acts = {own: tile.bits_of(counted_rows & (reviewed.does == own)) for own in (PERMITS, DENIES)}
            for start in range(0, len(asked), CHUNK):
                chunk = asked[start : start + CHUNK]
                denies = (reviewed.does[block_rows[chunk]] == DENIES)[:, None]
                counted = np.where(denies, acts[PERMITS], acts[DENIES]) & tile.before(block_rows[chunk])
                block_counts[chunk] += _crossing_counts(reviewed, tile, block_rows, chunk, counted)
        counts[left[block]] = block_counts
        advance(len(block_rows))
    pairs = dict(zip(lines.tolist(), counts.tolist(), strict=True))
    if not owned_alone.all():
        _add_lines_of_several_rows(reviewed, dead, pairs, acting[~single].tolist())
    advance(len(reviewed.lines) - len(lines))
    return {line: count for line, count in sorted(pairs.items()) if count}


def _cross(reviewed: ReviewedList, asked: Columns, rows: Array, places: Array, others: Array) -> Array:
    """Whether in each pair the row of a line that is asked for and another one cross."""
    table, pairs = reviewed.table, reviewed.bits.pairs
    ours = {world: (table.worlds[rows[places]] & world) != 0 for world in (WHOLE, FRAGMENT)}
    both_name = reviewed.row_names_layer4[rows[places]] & reviewed.row_names_layer4[others]
    theirs = {
        WHOLE: (table.worlds[others] & WHOLE) != 0,
        FRAGMENT: ((table.worlds[others] & FRAGMENT) != 0) & ~both_name,
    }
    # What the two are in a world that one of them has no packets in is not compared.
    met: Array = np.zeros(len(places), dtype=bool)
    for world in (WHOLE, FRAGMENT):
        met |= ours[world] & theirs[world] & pairs.relate("overlaps", world, asked, places, others)
    inside, outside = np.ones(len(places), dtype=bool), np.ones(len(places), dtype=bool)
    for world in (WHOLE, FRAGMENT):
        inside &= ~theirs[world] | (ours[world] & pairs.relate("lies in", world, asked, places, others))
        held = theirs[world] & pairs.relate("holds", world, asked, places, others)
        outside &= ~ours[world] | (held if world == WHOLE else both_name | held)
    return met & ~(inside | outside)


def _crossing_counts(reviewed: ReviewedList, tile: Tile, rows: Array, chunk: Array, counted: Array) -> Array:
    """How many rows of a tile, of those that count, cross each of some rows that are asked for."""
    table = reviewed.table
    counts = np.zeros(len(chunk), dtype=np.int64)
    naming, whole, fragments = tile.bits_of(reviewed.row_names_layer4), tile.of_world(WHOLE), tile.of_world(FRAGMENT)
    # Words with all bits set or none, by what the line that is asked for is.
    ours_whole, ours_fragments = (_spread((table.worlds[rows[chunk]] & world) != 0) for world in (WHOLE, FRAGMENT))
    both_name = _spread(reviewed.row_names_layer4[rows[chunk]]) & naming
    theirs = fragments & ~both_name
    meets, meets_fragments = tile.both("overlaps", chunk)
    meets = ((meets & ours_whole) | (meets_fragments & theirs & ours_fragments)) & counted
    left = np.flatnonzero(meets.any(axis=1))
    if not len(left):
        return counts
    meets, ours_whole, ours_fragments, both_name, theirs = (
        each[left] for each in (meets, ours_whole, ours_fragments, both_name, theirs)
    )
    within, within_fragments = tile.both("lies in", chunk[left])
    inside = (~whole | (within & ours_whole)) & (~theirs | (within_fragments & ours_fragments))
    around, around_fragments = tile.both("holds", chunk[left])
    outside = (~ours_whole | around) & (~ours_fragments | both_name | (theirs & around_fragments))
    counts[left] = np.bitwise_count(meets & ~(inside | outside)).sum(axis=1, dtype=np.int64)
    return counts


def _add_lines_of_several_rows(
    reviewed: ReviewedList, dead: DeadLines, pairs: dict[int, int], several: list[int]
) -> None:
    """Add the pairs of which one line or both have more than one row: these are compared line by line."""
    table = reviewed.table
    for line in several:
        pairs[line] = len(reviewed.lines_of(_crossing_rows(reviewed, line, dead.alive)))
    for earlier in several:
        # The lines of one row that a line of several rows crosses from in front.
        met: list[Array] = []
        for row, world in reviewed.parts(earlier):
            later = reviewed.after(earlier, row, world, dead.alive)
            later = later[
                (reviewed.does[later] == _other(reviewed, earlier)) & (reviewed.row_count[table.owners[later]] == 1)
            ]
            if world == FRAGMENT and reviewed.names_layer4(earlier):
                later = later[~reviewed.row_names_layer4[later]]
            met.append(later)
        for row in sorted(set(np.concatenate(met).tolist())):
            line = int(table.owners[row])
            if line in pairs and not _either_holds(reviewed, line, earlier):
                pairs[line] += 1


def _spread(marks: Array) -> Array:
    """Marks as words of 64 equal bits, one under the other."""
    words: Array = np.where(marks, np.uint64(0xFFFFFFFFFFFFFFFF), np.uint64(0))[:, None]
    return words


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
    rows = met[0] if len(met) == 1 else _united(met, len(table))
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


def _united(parts: list[Array], count: int) -> Array:
    """Rows of several arrays, each once, in order."""
    marks: Array = np.zeros(count, dtype=bool)
    for part in parts:
        marks[part] = True
    return np.flatnonzero(marks)


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
