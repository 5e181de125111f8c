"""Lines that never act: no packet can match, or each is decided by lines before.

One pass in the order of the list. A line that was found dead decides nothing, so it
is left out of what is asked of the lines behind it; that is what lets all dead lines
be removed together.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from pathcheck.packet.packet import Packet
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, intersection, points_of
from pathcheck.queries.line_review.first_look import find_witnesses
from pathcheck.queries.line_review.reviewed_list import DENIES, PERMITS, Array, ReviewedList
from pathcheck.queries.line_review.smallest_cause import smallest
from pathcheck.queries.line_review.witnesses import Witnesses

__all__ = ["AHEAD", "DeadLine", "DeadLines", "find_dead_lines", "first_match"]


AHEAD = 64
"""Lines that are looked at one after the other, whose overlaps are found together."""


@dataclass(frozen=True, slots=True)
class DeadLine:
    """A line that never acts.

    Parameters
    ----------
    code
        PC101, PC102, PC105 or PC106.
    because
        Lines that explain it, none of which can be left out.
    sample
        A packet of the line that the other action decides (PC101).
    fragments_pass
        For PC101: non-initial fragments still reach the line.
    """

    line: int
    code: str
    because: tuple[int, ...] = ()
    sample: Packet | None = None
    fragments_pass: bool = False


@dataclass(slots=True)
class DeadLines:
    """The dead lines of a list, and a packet for each line that is alive.

    `witnesses` holds, by line, a packet that reaches the line and is decided by it.
    `alive` marks the rows of lines that decide something.
    """

    witnesses: Witnesses
    alive: Array
    found: dict[int, DeadLine] = field(default_factory=dict)


def find_dead_lines(reviewed: ReviewedList, advance: Callable[[int], None]) -> DeadLines:
    """Judge each line of a list against the lines before it; `advance` hears of each line that is done."""
    result = DeadLines(Witnesses(len(reviewed.lines), reviewed.version), reviewed.decides.copy())
    if reviewed.is_long:
        find_witnesses(reviewed, result.witnesses, advance)
    settled = set(result.witnesses)
    open_lines = [line for line in range(len(reviewed.lines)) if line not in settled and reviewed.certain[line]]
    ahead = set(open_lines[::AHEAD]) if reviewed.is_long else set()
    seen: dict[object, int] = {}
    for line in range(len(reviewed.lines)):
        if line in settled:
            seen.setdefault(_criteria(reviewed, line), line)
            continue
        if reviewed.certain[line]:
            if line in ahead:
                place = bisect_left(open_lines, line)
                reviewed.look_ahead(open_lines[place : place + AHEAD], after=False)
            dead = _judge(reviewed, line, seen, result)
            if dead is not None:
                result.found[line] = dead
                result.alive[reviewed.first_row[line] : reviewed.end_row[line]] = False
        advance(1)
    return result


def _judge(reviewed: ReviewedList, line: int, seen: dict[object, int], result: DeadLines) -> DeadLine | None:
    """Say whether a line is dead, and as what; a line that is alive leaves its witness."""
    rows = reviewed.table.rows[reviewed.first_row[line] : reviewed.end_row[line]]
    if not rows:
        return DeadLine(line, "PC106")
    criteria = _criteria(reviewed, line)
    if criteria in seen:
        return DeadLine(line, "PC105", (seen[criteria],))
    seen[criteria] = line

    holders: set[int] = set()
    witness = _witness(reviewed, line, WHOLE, result.alive, holders)
    if witness is not None:
        result.witnesses.add(line, witness)
        return None
    if reviewed.names_layer4(line):
        # Judged without non-initial fragments: those pass a line that names layer 4 by its addresses alone.
        other = _decided_otherwise(reviewed, line, WHOLE, result.alive)
        if other is not None:
            because = _why_shadowed(reviewed, line, WHOLE, holders, other, result.alive)
            passing = _witness(reviewed, line, FRAGMENT, result.alive, set())
            return DeadLine(line, "PC101", because, other, passing is not None)
    witness = _witness(reviewed, line, FRAGMENT, result.alive, holders)
    if witness is not None:
        result.witnesses.add(line, witness)
        return None
    both = WHOLE | FRAGMENT
    other = _decided_otherwise(reviewed, line, both, result.alive)
    if other is None:
        kept = smallest(sorted(holders), lambda lines: _covers(reviewed, line, both, lines))
        return DeadLine(line, "PC102", tuple(kept))
    if reviewed.names_layer4(line):
        # The other action decides only fragments of it: then the line is litter, not a trap.
        kept = smallest(sorted(holders), lambda lines: _covers(reviewed, line, both, lines))
        return DeadLine(line, "PC102", tuple(kept))
    return DeadLine(line, "PC101", _why_shadowed(reviewed, line, both, holders, other, result.alive), other)


def _criteria(reviewed: ReviewedList, line: int) -> object:
    """What a line does to which packets, equal for lines that say the same in other words."""
    rows = reviewed.table.rows[reviewed.first_row[line] : reviewed.end_row[line]]
    return reviewed.lines[line].action, rows[0] if len(rows) == 1 else frozenset(rows)


def _witness(reviewed: ReviewedList, line: int, worlds: int, active: Array, holders: set[int]) -> Packet | None:
    """Return a packet of the line that no active earlier line holds; else collect lines that hold all of it."""
    for row, world in reviewed.parts(line, worlds):
        tried = reviewed.is_long and world == WHOLE
        found = reviewed.search(row, reviewed.before(line, row, world, active), world, tried=tried)
        if isinstance(found, Packet):
            return found
        holders.update(reviewed.lines_of(found.rows))
    return None


def _decided_otherwise(
    reviewed: ReviewedList, line: int, worlds: int, active: Array, among_lines: list[int] | None = None
) -> Packet | None:
    """Return a packet of the line whose first earlier match has the other action, None if there is none.

    With `among_lines`, only these earlier lines are looked at.
    """
    own = DENIES if reviewed.lines[line].action == "deny" else PERMITS
    table = reviewed.table
    for row, world in reviewed.parts(line, worlds):
        if among_lines is None:
            among = reviewed.before(line, row, world, active)
        else:
            rows = reviewed.rows_of(among_lines)
            among = rows[(table.worlds[rows] & world) != 0]
        does = reviewed.does[among]
        if not (does != own).any():
            continue
        usual = reviewed.searching.usual_point(row)
        taker = table.first_of(usual, 0, among, world)
        if taker >= 0 and reviewed.does[taker] != own:
            return usual.packet(0, table.version, world)
        points = reviewed.searching.points(row, 64)
        holding = table.holding(points, among, world)
        first = holding.argmax(axis=1)
        hit = np.flatnonzero(holding.any(axis=1) & (does[first] != own))
        if len(hit):
            return points.packet(int(hit[0]), table.version, world)
        for place in np.flatnonzero(does != own):
            shared = intersection(row, table.rows[among[place]])
            if shared is None or not shared.worlds & world:
                continue
            before = among[:place][does[:place] == own]
            found = reviewed.search(shared, before, world)
            if isinstance(found, Packet):
                return found
    return None


def _covers(reviewed: ReviewedList, line: int, worlds: int, lines: list[int]) -> bool:
    """Whether these lines together hold each packet of the line."""
    rows = reviewed.rows_of(lines)
    for row, world in reviewed.parts(line, worlds):
        among = rows[(reviewed.table.worlds[rows] & world) != 0]
        if isinstance(reviewed.search(row, among, world), Packet):
            return False
    return True


def _why_shadowed(
    reviewed: ReviewedList, line: int, worlds: int, holders: set[int], other: Packet, active: Array
) -> tuple[int, ...]:
    """Return earlier lines that shadow the line, none of them to spare, one with the other action among them."""

    def shadows(lines: list[int]) -> bool:
        return (
            _covers(reviewed, line, worlds, lines)
            and _decided_otherwise(reviewed, line, worlds, active, lines) is not None
        )

    own = reviewed.lines[line].action
    # One line of the other action that holds everything says it shortest.
    for row, world in reviewed.parts(line, worlds):
        among = reviewed.before(line, row, world, active)
        for candidate in reviewed.lines_of(reviewed.table.covering(row, among, world)):
            if reviewed.lines[candidate].action != own and _covers(reviewed, line, worlds, [candidate]):
                return (candidate,)
        break
    decider = first_match(reviewed, line, other, active)
    return tuple(smallest(sorted({*holders, decider}), shadows, keep_longest=decider))


def first_match(reviewed: ReviewedList, line: int, packet: Packet, active: Array) -> int:
    """Return the earlier active line that decides a packet that one does decide."""
    world = FRAGMENT if packet.fragment else WHOLE
    among = np.flatnonzero(
        active[: reviewed.first_row[line]] & ((reviewed.table.worlds[: reviewed.first_row[line]] & world) != 0)
    )
    holding = reviewed.table.holding(points_of([packet], reviewed.version), among, world)[0]
    return int(reviewed.table.owners[among[int(holding.argmax())]])
