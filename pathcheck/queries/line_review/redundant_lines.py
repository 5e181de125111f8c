"""Lines that act, but whose packets later lines would decide the same way.

A line is redundant if it can be removed and the other written lines decide each of
its packets as before; what only the implicit end would take over does not count.
Lines can be redundant because of each other, so the lines found are also held
against the list from which all lines found so far are removed: all of them can be
removed together.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pathcheck.packet.packet import Packet
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, Row, intersection, points_of
from pathcheck.queries.line_review.dead_lines import AHEAD, DeadLine, DeadLines
from pathcheck.queries.line_review.first_look import find_needed, find_successors, needed_by_witness
from pathcheck.queries.line_review.reviewed_list import DENIES, PERMITS, Array, ReviewedList
from pathcheck.queries.line_review.smallest_cause import smallest

__all__ = ["find_redundant_lines"]


def find_redundant_lines(
    reviewed: ReviewedList, dead: DeadLines, advance: Callable[[int], None]
) -> dict[int, DeadLine]:
    """Return the redundant lines by index; `advance` hears of each line that is done."""
    candidates = (_of_long_list if reviewed.is_long else _of_short_list)(reviewed, dead, advance)
    left = dead.alive | ~reviewed.decides
    found: dict[int, DeadLine] = {}
    changed = True
    while changed:  # a line that is removed can let another one follow
        changed = False
        for line, successors in candidates.items():
            if line in found:
                continue
            if successors is None or not left[successors].all():
                successors = _successors(reviewed, line, left)
            if successors is None and _needed(reviewed, line, left) is not None:
                continue
            taking = [] if successors is None else reviewed.lines_of(tuple(successors))
            because = tuple(taking) if len(taking) == 1 else _takers(reviewed, line, left)
            found[line] = DeadLine(line, "PC102", because)
            left[reviewed.first_row[line] : reviewed.end_row[line]] = False
            changed = True
    return found


def _of_short_list(
    reviewed: ReviewedList, dead: DeadLines, advance: Callable[[int], None]
) -> dict[int, list[int] | None]:
    """Acting lines that can go if no other one does, by index, with their successors where they have them."""
    everything = np.ones(len(reviewed.table), dtype=bool)
    candidates: dict[int, list[int] | None] = {}
    for line in range(len(reviewed.lines)):
        if line in dead.witnesses and not _witness_needs_it(reviewed, line, dead.witnesses[line]):
            successors = _successors(reviewed, line, everything)
            if successors is not None or _needed(reviewed, line, everything) is None:
                candidates[line] = successors
        advance(1)
    return candidates


def _of_long_list(
    reviewed: ReviewedList, dead: DeadLines, advance: Callable[[int], None]
) -> dict[int, list[int] | None]:
    """The same of a list that is worth a first look at all its lines."""
    needed = needed_by_witness(reviewed, dead.witnesses)
    advance(len(reviewed.lines) - len(dead.witnesses) + len(needed))
    lines = [line for line in dead.witnesses if line not in needed]
    successors, waiting = find_successors(reviewed, lines)
    advance(len(successors))
    unclear = [line for line in lines if line not in successors]
    needed = find_needed(reviewed, unclear, waiting)
    everything = np.ones(len(reviewed.table), dtype=bool)
    candidates: dict[int, list[int] | None] = dict(successors)
    advance(len(needed))
    unclear = [line for line in unclear if line not in needed]
    for place, line in enumerate(unclear):
        if place % AHEAD == 0:
            reviewed.look_ahead(unclear[place : place + AHEAD], after=True)
        if _needed(reviewed, line, everything) is None:
            candidates[line] = None
        advance(1)
    return dict(sorted(candidates.items()))


def _witness_needs_it(reviewed: ReviewedList, line: int, witness: Packet) -> bool:
    """Whether the packet that shows that a line acts would be decided otherwise, or by no line, without it."""
    world = FRAGMENT if witness.fragment else WHOLE
    point = points_of([witness], reviewed.version)
    after = reviewed.table.first_holding(point, 0, reviewed.end_row[line], len(reviewed.table), world)
    return after < 0 or bool(reviewed.does[after] != _own(reviewed, line))


def _successors(reviewed: ReviewedList, line: int, active: Array) -> list[int] | None:
    """Return, for each row of a line, a later row of its action that holds it with nothing else in between.

    None where a row has no such successor. A successor that stays keeps the line
    redundant, whatever other lines go.
    """
    found = []
    for row, world in reviewed.parts(line):
        later = reviewed.after(line, row, world, active)
        other = later[reviewed.does[later] != _own(reviewed, line)]
        same = later[: np.searchsorted(later, other[0])] if len(other) else later
        holding = reviewed.table.covering(row, same, world)
        if not len(holding):
            return None
        found.append(int(holding[0]))
    return found


def _needed(reviewed: ReviewedList, line: int, active: Array) -> Packet | None:
    """Return a packet that the active lines would decide otherwise, or not at all, without the line."""
    for row, world in reviewed.parts(line):
        earlier = reviewed.before(line, row, world, active)
        earlier = earlier[reviewed.decides[earlier]]
        later = reviewed.after(line, row, world, active)
        packet = _proved(reviewed, line, row, world, earlier, later)
        if packet is not None:
            return packet
    return None


def _proved(reviewed: ReviewedList, line: int, row: Row, world: int, earlier: Array, later: Array) -> Packet | None:
    """Find such a packet of a row, or prove that there is none."""
    table, own = reviewed.table, _own(reviewed, line)
    exact = later[reviewed.decides[later]]
    covering = table.covering(row, exact, world)
    if len(covering):
        later = later[later <= covering[0]]  # nothing of the row gets past the first line that holds all of it
    else:
        found = reviewed.search(row, np.concatenate([earlier, exact]), world)
        if isinstance(found, Packet):
            return found
    does = reviewed.does[later]
    for place in np.flatnonzero(does != own):
        shared = intersection(row, table.rows[later[place]])
        if shared is None or not shared.worlds & world:
            continue
        found = reviewed.search(shared, np.concatenate([earlier, later[:place][does[:place] == own]]), world)
        if isinstance(found, Packet):
            return found
    return None


def _takers(reviewed: ReviewedList, line: int, active: Array) -> tuple[int, ...]:
    """Return lines that hold all of the line's packets, later ones of its action preferred, none of them to spare."""
    own = _own(reviewed, line)
    holders: set[int] = set()
    for row, world in reviewed.parts(line):
        later = reviewed.after(line, row, world, active)
        later = later[reviewed.does[later] == own]
        found = reviewed.search(row, later, world)
        if isinstance(found, Packet):
            earlier = reviewed.before(line, row, world, active)
            earlier = earlier[reviewed.decides[earlier]]
            found = reviewed.search(row, np.concatenate([earlier, later]), world)
        if isinstance(found, Packet):
            raise AssertionError("a line whose packets others take over is not covered by them")
        holders.update(reviewed.lines_of(found.rows))

    def take_all(lines: list[int]) -> bool:
        rows = reviewed.rows_of(lines)
        return not any(
            isinstance(reviewed.search(row, rows[(reviewed.table.worlds[rows] & world) != 0], world), Packet)
            for row, world in reviewed.parts(line)
        )

    return tuple(smallest(sorted(holders), take_all))


def _own(reviewed: ReviewedList, line: int) -> int:
    """The action of a line as rows know it."""
    return DENIES if reviewed.lines[line].action == "deny" else PERMITS
