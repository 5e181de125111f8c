"""Lines that act, but whose packets later lines would decide the same way.

A line is redundant if it can be removed and the other written lines decide each of
its packets as before; what only the implicit end would take over does not count.
Lines can be redundant because of each other, so the lines found are also held
against the list from which all lines found so far are removed: all of them can be
removed together.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pathcheck.packet.packet import Packet
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, Row, intersection, points_of
from pathcheck.packetset.columns import columns_of
from pathcheck.queries.line_review.dead_lines import AHEAD, DeadLine, DeadLines
from pathcheck.queries.line_review.first_look import find_needed, find_successors, needed_by_witness
from pathcheck.queries.line_review.reviewed_list import DENIES, PERMITS, Array, ReviewedList
from pathcheck.queries.line_review.smallest_cause import smallest

__all__ = ["find_redundant_lines"]


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A line that can go if no other one does.

    Parameters
    ----------
    rests_on
        Rows that show it: as long as all of them stay, it can go, whatever other lines go.
    followed
        Whether these are its successors: later rows of its action that take its packets, one for each of its rows.
    """

    rests_on: list[int]
    followed: bool


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
        for line, candidate in candidates.items():
            if line in found:
                continue
            successors = candidate.rests_on if candidate is not None and candidate.followed else None
            if candidate is None or not left[candidate.rests_on].all():
                successors = _successors(reviewed, line, left)
                if successors is None and _needed(reviewed, line, left):
                    continue
            taking = [] if successors is None else reviewed.lines_of(tuple(successors))
            because = tuple(taking) if len(taking) == 1 else _takers(reviewed, line, left)
            found[line] = DeadLine(line, "PC102", because)
            left[reviewed.first_row[line] : reviewed.end_row[line]] = False
            changed = True
    return found


def _of_short_list(
    reviewed: ReviewedList, dead: DeadLines, advance: Callable[[int], None]
) -> dict[int, _Candidate | None]:
    """Acting lines that can go if no other one does, by index, with what shows it where that is known."""
    everything = np.ones(len(reviewed.table), dtype=bool)
    candidates: dict[int, _Candidate | None] = {}
    for line in range(len(reviewed.lines)):
        if line in dead.witnesses and not _witness_needs_it(reviewed, line, dead.witnesses[line]):
            successors = _successors(reviewed, line, everything)
            if successors is not None or not _needed(reviewed, line, everything):
                candidates[line] = None if successors is None else _Candidate(successors, True)
        advance(1)
    return candidates


def _of_long_list(
    reviewed: ReviewedList, dead: DeadLines, advance: Callable[[int], None]
) -> dict[int, _Candidate | None]:
    """The same of a list that is worth a first look at all its lines."""
    needed = needed_by_witness(reviewed, dead.witnesses)
    advance(len(reviewed.lines) - len(dead.witnesses) + len(needed))
    lines = [line for line in dead.witnesses if line not in needed]
    successors, waiting = find_successors(reviewed, lines)
    advance(len(successors))
    unclear = [line for line in lines if line not in successors]
    needed = find_needed(reviewed, unclear, waiting)
    advance(len(needed))
    unclear = [line for line in unclear if line not in needed]
    candidates: dict[int, _Candidate | None] = {line: _Candidate(rows, True) for line, rows in successors.items()}
    candidates.update(_without_successors(reviewed, unclear, advance))
    return dict(sorted(candidates.items()))


def _without_successors(
    reviewed: ReviewedList, lines: list[int], advance: Callable[[int], None]
) -> dict[int, _Candidate]:
    """Those of some lines that can go, as :func:`_needed` finds for one; what one row answers is asked for all at once.

    The question is for each row of a line whether what it shares with a later row of another action is taken before
    that one is met.
    """
    table = reviewed.table
    everything = np.ones(len(table), dtype=bool)
    rests_on: dict[int, set[int]] = {}
    asked: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for place, line in enumerate(lines):
        if place % AHEAD == 0:
            reviewed.look_ahead(lines[place : place + AHEAD], after=True)
        met: list[tuple[int, int, int]] = []
        rests: set[int] = set()
        for row, world in reviewed.parts(line):
            _, later, held = _taken_rows(reviewed, line, row, world, everything)
            if held is None:
                break
            rests |= held
            index = next(at for at in range(reviewed.first_row[line], reviewed.end_row[line]) if table.rows[at] is row)
            met += [(world, index, other) for other in later[reviewed.does[later] != _own(reviewed, line)].tolist()]
        else:
            rests_on[line] = rests
            for world, index, other in met:
                asked.setdefault((world, _own(reviewed, line)), []).append((index, other))
        advance(1)
    unanswered: dict[int, list[tuple[int, int, int]]] = {}
    for (world, own), pairs in asked.items():
        rows, others = (np.array(part, dtype=np.int64) for part in zip(*pairs, strict=True))
        columns = columns_of(table)
        shared = columns.take(rows).meet(columns.take(others))
        first = np.array(reviewed.first_row, dtype=np.int64)[table.owners[rows]]
        ends = np.array(reviewed.end_row, dtype=np.int64)[table.owners[rows]]
        holder = reviewed.bits.first("holds", shared, world, np.zeros_like(first), first, reviewed.decides)
        open_at = np.flatnonzero(holder == len(table))
        holder[open_at] = reviewed.bits.first(
            "holds", shared.take(open_at), world, ends[open_at], others[open_at], reviewed.does == own
        )
        for row, other, held_by in zip(rows.tolist(), others.tolist(), holder.tolist(), strict=True):
            line = int(table.owners[row])
            if held_by < len(table):
                rests_on[line].add(held_by)
            else:
                unanswered.setdefault(line, []).append((world, row, other))
    for line, questions in sorted(unanswered.items()):
        rows_of_line = _answered(reviewed, line, questions, everything)
        if rows_of_line is None:
            del rests_on[line]
        else:
            rests_on[line] |= rows_of_line
    return {line: _Candidate(sorted(rows), False) for line, rows in rests_on.items()}


def _answered(
    reviewed: ReviewedList, line: int, questions: list[tuple[int, int, int]], active: Array
) -> set[int] | None:
    """Rows that together take what a line shares with later rows of another action, None where they do not."""
    table, own = reviewed.table, _own(reviewed, line)
    rests: set[int] = set()
    for world, index, other in questions:
        row = table.rows[index]
        shared = intersection(row, table.rows[other])
        if shared is None or not shared.worlds & world:
            continue
        earlier = reviewed.before(line, row, world, active)
        later = reviewed.after(line, row, world, active)
        later = later[(later < other) & (reviewed.does[later] == own)]
        found = reviewed.search(shared, np.concatenate([earlier[reviewed.decides[earlier]], later]), world)
        if isinstance(found, Packet):
            return None
        rests.update(found.rows)
    return rests


def _taken_rows(
    reviewed: ReviewedList, line: int, row: Row, world: int, active: Array
) -> tuple[Array, Array, set[int] | None]:
    """The rows around a row of a line: earlier ones that decide, later ones that can be met, and some that hold it.

    None in the place of the last where a packet of the row is held by no other row.
    """
    earlier = reviewed.before(line, row, world, active)
    earlier = earlier[reviewed.decides[earlier]]
    later = reviewed.after(line, row, world, active)
    exact = later[reviewed.decides[later]]
    covering = reviewed.table.covering(row, exact, world)
    if len(covering):
        # Nothing of the row gets past the first line that holds all of it.
        return earlier, later[later <= covering[0]], {int(covering[0])}
    found = reviewed.search(row, np.concatenate([earlier, exact]), world)
    return earlier, later, None if isinstance(found, Packet) else set(found.rows)


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


def _needed(reviewed: ReviewedList, line: int, active: Array) -> bool:
    """Whether the active lines would decide a packet otherwise, or not at all, without the line."""
    own = _own(reviewed, line)
    for row, world in reviewed.parts(line):
        earlier, later, held = _taken_rows(reviewed, line, row, world, active)
        if held is None:
            return True
        does = reviewed.does[later]
        for place in np.flatnonzero(does != own):
            shared = intersection(row, reviewed.table.rows[later[place]])
            if shared is None or not shared.worlds & world:
                continue
            among = np.concatenate([earlier, later[:place][does[:place] == own]])
            if isinstance(reviewed.search(shared, among, world), Packet):
                return True
    return False


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
