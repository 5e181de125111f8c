"""The packets that two lists decide differently, exactly, and fast where the lists are nearly the same.

Lines that stand in both lists in the same relative order are common. A packet
that meets none but common lines meets the same ones in both lists and is decided
alike, so only the packets of the other lines, the changed ones, are looked at.
For each changed line the arrays tell which lines share packets with it, and only
these are turned into sets. They are walked once for both lists, a common line as
one step: a packet is open or decided in either list, and its possible states are
followed. The walk begins at the changed line, and only what is decided differently
there is held against the lines in front of it.

A line that may match or not lets its packets both stay and move. A common one
does so in both lists alike: whatever it matches, it is the same line.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from time import monotonic
from typing import Any

import numpy as np

from pathcheck.dataplane.compiled_list import list_doubts
from pathcheck.dataplane.first_match import NEIGHBOUR_DISCOVERY
from pathcheck.dataplane.list_space import Criteria, LineSpace, line_space
from pathcheck.errors import CapacityError
from pathcheck.model.access_list import AccessList, Action, Family, Line, UnreadLine
from pathcheck.model.device import Device
from pathcheck.model.object_group import GroupReference
from pathcheck.packet.address import IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, BoxTable
from pathcheck.packetset.cover import Covered, CoverSearch
from pathcheck.results.path import Doubt

__all__ = ["Difference", "ListSide", "common_lines", "list_difference"]

PATIENCE = 120.0
"""Seconds after which two lists are given up as too different."""


@dataclass(frozen=True, slots=True)
class ListSide:
    """A list with the device whose groups and assumptions it is read with."""

    device: Device
    access_list: AccessList

    @property
    def family(self) -> Family:
        """`ipv4` or `ipv6`."""
        return self.access_list.family

    @property
    def name(self) -> str:
        """Of the list."""
        return self.access_list.name


@dataclass(frozen=True, slots=True)
class Difference:
    """Disjoint sets; what is in none of them is decided alike for certain.

    Parameters
    ----------
    opened
        Denied by the first, permitted by the second.
    closed
        The other way round.
    uncertain
        May be decided differently, or not.
    shared_doubts
        Why common lines may match or not.
    """

    opened: PacketSet
    closed: PacketSet
    uncertain: PacketSet
    shared_doubts: tuple[Doubt, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether the lists decide each packet alike."""
        return self.opened.is_empty and self.closed.is_empty and self.uncertain.is_empty


def list_difference(
    before: ListSide,
    after: ListSide,
    *,
    patience: float = PATIENCE,
    advance: Callable[[int], None] = lambda _: None,
) -> Difference:
    """Return the packets that two lists of one family decide differently.

    Parameters
    ----------
    patience
        Seconds that it may take.
    advance
        Hears how many lines are done, of all lines of both lists.

    Raises
    ------
    ValueError
        The lists are of two families.
    CapacityError
        The sets of packets, or the time, do not suffice.
    """
    if before.family != after.family:
        raise ValueError(f"an `{before.family}` list cannot be compared with an `{after.family}` list")
    deadline = monotonic() + patience
    found = _Walk(before, after, deadline, advance).difference()
    if found.uncertain.is_empty:
        return found
    # Which of several doubtful lines of one text are common depends on the direction. Either choice is right, and
    # what is certain by one of them is certain; so the answer is the same in both directions.
    back = _Walk(after, before, deadline, lambda _: None).difference()
    return Difference(
        found.opened | back.closed,
        found.closed | back.opened,
        found.uncertain & back.uncertain,
        tuple(dict.fromkeys((*found.shared_doubts, *back.shared_doubts))),
    )


def common_lines(first: Sequence[object], second: Sequence[object]) -> list[tuple[int, int]]:
    """Return places of equal keys that are in increasing order in both sequences.

    They are a longest such selection where no key comes twice; else a long one.

    Examples
    --------
    >>> common_lines("abcd", "acxd")
    [(0, 0), (2, 1), (3, 3)]
    """
    start = 0
    while start < min(len(first), len(second)) and first[start] == second[start]:
        start += 1
    tail = 0
    while tail < min(len(first), len(second)) - start and first[-1 - tail] == second[-1 - tail]:
        tail += 1
    places: dict[tuple[object, int], int] = {}
    seen: Counter[object] = Counter()
    for place in range(start, len(second) - tail):
        places[second[place], seen[second[place]]] = place
        seen[second[place]] += 1
    seen.clear()
    pairs = []
    for place in range(start, len(first) - tail):
        partner = places.get((first[place], seen[first[place]]))
        seen[first[place]] += 1
        if partner is not None:
            pairs.append((place, partner))
    middle = _longest_increasing(pairs)
    return [
        *((place, place) for place in range(start)),
        *middle,
        *((len(first) - back, len(second) - back) for back in range(tail, 0, -1)),
    ]


def _longest_increasing(pairs: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return a longest selection of pairs, ordered by the first, whose second members increase."""
    ends: list[int] = []
    last: list[int] = []
    previous: list[int] = []
    for index, (_, value) in enumerate(pairs):
        length = bisect_left(ends, value)
        previous.append(last[length - 1] if length else -1)
        if length == len(ends):
            ends.append(value)
            last.append(index)
        else:
            ends[length], last[length] = value, index
    found = []
    index = last[-1] if last else -1
    while index >= 0:
        found.append(pairs[index])
        index = previous[index]
    return found[::-1]


State = tuple[Action | None, Action | None]
"""What the two lists have decided so far; None is open."""

_OPEN: State = (None, None)
_OPENED: State = (Action.DENY, Action.PERMIT)
_CLOSED: State = (Action.PERMIT, Action.DENY)


@dataclass(frozen=True, slots=True)
class _Step:
    """A line of either list, or of both."""

    space: LineSpace
    action: Action | None
    sides: tuple[bool, bool]

    @property
    def is_common(self) -> bool:
        """Whether both lists have it."""
        return all(self.sides)


@dataclass(frozen=True, slots=True)
class _End:
    """What the end of a list does: the action for neighbour discovery and for all else, and whether both may permit."""

    discovery: Action
    rest: Action
    refusals: tuple[Doubt, ...] = ()


@dataclass(slots=True)
class _Walk:
    """The walk down two lists at once."""

    before: ListSide
    after: ListSide
    deadline: float
    advance: Callable[[int], None]
    steps: list[_Step] = field(default_factory=list)
    sets: dict[int, tuple[PacketSet, PacketSet]] = field(default_factory=dict)
    found: defaultdict[State, list[PacketSet]] = field(default_factory=lambda: defaultdict(list))

    @property
    def version(self) -> IPVersion:
        """Of the lists."""
        return 4 if self.before.family == "ipv4" else 6

    def difference(self) -> Difference:
        """Walk for each changed line, and for the ends where they differ."""
        space = packet_space(self.version)
        self.steps = self._merged()
        doubts = self._list_doubts()
        changed = [index for index, step in enumerate(self.steps) if not step.is_common]
        self.advance(2 * (len(self.steps) - len(changed)))
        ends = [_end_of(side) for side in (self.before, self.after)]
        shared = [doubt for step in self.steps if step.is_common for doubt in step.space.doubts]
        one_text = self._is_one_text()
        if not changed and ends[0] == ends[1] and (one_text or not (any(doubts) or ends[0].refusals)):
            shared += [doubt for each in doubts for doubt in each] if one_text else []
            return Difference(space.empty, space.empty, space.empty, tuple(dict.fromkeys(shared)))
        if any(doubts) or any(end.refusals for end in ends) or ends[0].rest != ends[1].rest:
            self._follow(space.full, range(len(self.steps)), doubts, ends)
        else:
            if ends[0] != ends[1]:
                discovery = space.of(NEIGHBOUR_DISCOVERY)
                self._follow(discovery, range(len(self.steps)), doubts, ends)
            table = BoxTable(
                self.version,
                (
                    (index, step.space.may.sources, step.space.may.destinations, step.space.may.services)
                    for index, step in enumerate(self.steps)
                ),
            )
            search = CoverSearch(table)
            first = np.searchsorted(table.owners, np.arange(len(self.steps) + 1))
            for index in changed:
                self.advance(1)
                rows = range(int(first[index]), int(first[index + 1]))
                meeting = _meeting(table, rows)
                if not rows:
                    continue
                if any(self.steps[other].space.doubts for other in meeting):
                    self._follow(self._sets(index)[0], meeting, doubts, ends)
                elif not self._is_covered(search, table, rows, meeting):
                    self._follow_changed(index, meeting, ends)
        opened, closed, alike = (space.union(self.found[state]) for state in (_OPENED, _CLOSED, _OPEN))
        uncertain = (opened & closed) | (alike & (opened | closed))
        return Difference(
            opened - uncertain, closed - uncertain, uncertain, tuple(dict.fromkeys(shared))
        )  # fmt: skip

    def _merged(self) -> list[_Step]:
        """Both lists as one sequence of steps, common lines once."""
        sides = (self.before, self.after)
        lines = [side.access_list.lines for side in sides]
        plain = self.before.device.assume.fragments == self.after.device.assume.fragments
        one_text = self._is_one_text()
        keys = [
            [_key(side, line, plain, one_text) for line in each] for side, each in zip(sides, lines, strict=True)
        ]  # fmt: skip
        steps: list[_Step] = []
        place = [0, 0]
        for pair in [*common_lines(*keys), (len(keys[0]), len(keys[1]))]:
            for side in range(2):
                marks = (side == 0, side == 1)
                steps += [_step(sides[side], line, marks) for line in lines[side][place[side] : pair[side]]]
            if pair[0] < len(lines[0]):
                steps.append(_step(self.before, lines[0][pair[0]], (True, True)))
            place = [pair[0] + 1, pair[1] + 1]
        return steps

    def _is_one_text(self) -> bool:
        """Whether what the lists name outside of themselves is the same thing in both."""
        return self.before.device.groups is self.after.device.groups and (
            self.before.device.name == self.after.device.name
        )

    def _list_doubts(self) -> tuple[tuple[Doubt, ...], tuple[Doubt, ...]]:
        """Lines that leave each decision of a list open, for both lists."""
        first, second = (list_doubts(side.device, side.family, side.name) for side in (self.before, self.after))
        return first, second

    def _sets(self, index: int) -> tuple[PacketSet, PacketSet]:
        """What a step matches, at most and at least."""
        found = self.sets.get(index)
        if found is None:
            space = self.steps[index].space
            may = _set_of(space.may, self.version)
            found = self.sets[index] = (may, may if space.must is space.may else _set_of(space.must, self.version))
        return found

    def _is_covered(self, search: CoverSearch, table: BoxTable, rows: range, meeting: list[int]) -> bool:
        """Whether common lines in front decide all packets of a changed line, in both lists alike."""
        if len(rows) > _MANY:
            return False
        certain = [index for index in meeting if index < table.owners[rows[0]] and self.steps[index].is_common]
        among = np.flatnonzero(np.isin(table.owners[: rows[0]], certain))
        return all(
            isinstance(search.search(table.rows[row], among[(table.worlds[among] & world) != 0], world), Covered)
            for row in rows
            for world in (WHOLE, FRAGMENT)
            if table.rows[row].worlds & world
        )

    def _follow(
        self,
        packets: PacketSet,
        steps: Iterable[int],
        doubts: tuple[tuple[Doubt, ...], tuple[Doubt, ...]],
        ends: list[_End],
    ) -> None:
        """Let packets meet steps, and note which of them may end in which state."""
        order = list(steps)
        loose = any(doubts) or any(end.refusals for end in ends) or any(self.steps[i].space.doubts for i in order)
        states: dict[State, PacketSet] = {}
        for first in (None, *Action) if doubts[0] else (None,):
            for second in (None, *Action) if doubts[1] else (None,):
                states[first, second] = packets
        for state, sets in self._walk(states, order if loose else self._largest_first(order), ends).items():
            if state in (_OPENED, _CLOSED):
                self.found[state] += sets
            elif loose:
                self.found[_OPEN] += sets

    def _follow_changed(self, index: int, meeting: list[int], ends: list[_End]) -> None:
        """Find the packets that are decided differently because of one changed line; no line in doubt meets it.

        Only packets that get past each line in front are of interest: of those that a common line takes the
        decision is one, and those of another changed line are followed from there. As few packets of most lines
        are decided differently at all, the lines in front are looked at last.
        """
        place = bisect_left(meeting, index)
        ended = self._walk({_OPEN: self._sets(index)[0]}, self._largest_first(meeting[place:]), ends)
        space = packet_space(self.version)
        left = {state: space.union(ended[state]) for state in (_OPENED, _CLOSED) if state in ended}
        before = sorted(meeting[:place], key=lambda other: -_breadth(self.steps[other].space.may))
        for state, packets in left.items():
            rest = packets
            for other in before:
                if rest.is_empty:
                    break
                self._check_time()
                rest -= self._sets(other)[0]
            self.found[state].append(rest)

    def _walk(
        self, states: dict[State, PacketSet], order: list[int], ends: list[_End]
    ) -> defaultdict[State, list[PacketSet]]:
        """Let packets meet steps and ends, and return what is decided how."""
        ended: defaultdict[State, list[PacketSet]] = defaultdict(list)
        for index in order:
            self._check_time()
            self._take(index, states, ended)
            if not states:
                break
        self._end(states, ended, ends)
        return ended

    def _check_time(self) -> None:
        """Give up when it has taken too long."""
        if monotonic() > self.deadline:
            raise CapacityError(
                "the two lists differ in so much that the comparison was given up",
                help="compare shorter lists, or parts of them; lists that share most of their lines are quick",
            )

    def _largest_first(self, order: list[int]) -> list[int]:
        """Put lines whose order among themselves does not matter so that few of them leave little to look at.

        These are the common lines in front of the first changed one, as what they decide is decided alike, and behind
        it neighbours that have one action. None may be in doubt.
        """
        changed = next((place for place, index in enumerate(order) if not self.steps[index].is_common), len(order))
        runs = [order[:changed], *(list(run) for _, run in groupby(order[changed:], lambda i: self.steps[i].action))]
        return [
            index for run in runs for index in sorted(run, key=lambda index: -_breadth(self.steps[index].space.may))
        ]

    def _take(self, index: int, states: dict[State, PacketSet], ended: defaultdict[State, list[PacketSet]]) -> None:
        """Let the packets of open states meet one step."""
        step = self.steps[index]
        actions = (step.action,) if step.action is not None else tuple(Action)
        moves: list[tuple[State, PacketSet]] = []
        for state in list(states):
            acts = [mark and decided is None for mark, decided in zip(step.sides, state, strict=True)]
            if not any(acts):
                continue
            may, must = self._sets(index)
            held = states[state]
            hit = held & may
            if hit.is_empty:
                continue
            left = held - must
            if left.is_empty:
                del states[state]
            else:
                states[state] = left
            for action in actions:
                first, second = (
                    action if act else decided for act, decided in zip(acts, state, strict=True)
                )  # fmt: skip
                moves.append(((first, second), hit))
        for state, hit in moves:
            if None in state:
                states[state] = states[state] | hit if state in states else hit
            else:
                ended[state].append(hit)

    def _end(
        self, states: dict[State, PacketSet], ended: defaultdict[State, list[PacketSet]], ends: list[_End]
    ) -> None:
        """Let the ends of the lists decide what is open."""
        discovery = packet_space(self.version).of(NEIGHBOUR_DISCOVERY) if self.version == 6 else None
        for state, packets in states.items():
            parts = [(packets, False)]
            if discovery is not None:
                parts = [(packets - discovery, False), (packets & discovery, True)]
            for part, is_discovery in parts:
                if part.is_empty:
                    continue
                possible = []
                for decided, end in zip(state, ends, strict=True):
                    action = end.discovery if is_discovery else end.rest
                    both = bool(end.refusals) and action is Action.DENY
                    possible.append((decided,) if decided is not None else tuple(Action) if both else (action,))
                for first in possible[0]:
                    for second in possible[1]:
                        ended[first, second].append(part)


_MANY = 256
"""Rows of one line above which they are not looked at one by one."""


def _step(side: ListSide, line: Line | UnreadLine, sides: tuple[bool, bool]) -> _Step:
    """Return a line as a step."""
    return _Step(line_space(side.device, line, side.family, side.name), line.action, sides)


def _meeting(table: BoxTable, rows: range) -> list[int]:
    """Return the steps that share packets with rows of the table, in order."""
    if len(rows) > _MANY:
        return sorted(set(table.owners.tolist()))
    owners: set[int] = set()
    for index in rows:
        row = table.rows[index]
        for world in (WHOLE, FRAGMENT):
            if row.worlds & world:
                owners.update(table.owners[table.overlapping(row, 0, len(table), world)].tolist())
    return sorted(owners)


def _breadth(criteria: Criteria) -> int:
    """How many bits of a packet criteria leave free, at most: for ranking only."""
    ends = sum(max((match.free.bit_count() for match in each), default=0) for each in
               (criteria.sources, criteria.destinations))  # fmt: skip
    return ends + max(
        (16 * (not box.names_layer4) + 8 * (box.protocols is None) for box in criteria.services), default=0
    )


def _key(side: ListSide, line: Line | UnreadLine, plain: bool, one_text: bool) -> Any:
    """Return what makes two lines the same line: then they match the same packets, whatever these are."""
    if isinstance(line, UnreadLine):
        outside = not one_text and "evaluate" in line.text.lower().split()
        return (line.action, " ".join(line.text.split()[_numbers(line) :]), id(side) if outside else None)
    ends = (line.source, line.destination, line.source_ports, line.destination_ports, line.icmp, line.protocol)
    groups = any(isinstance(part, GroupReference) for part in ends)
    said = (line.action, *ends, line.flags, line.dscp, line.fragments)
    if not groups and line.doubt is None and plain:
        return said
    space = line_space(side.device, line, side.family, side.name)
    if not space.doubts:
        return (line.action, space.may) if groups or not plain else said
    # What a time range, a group or a table of sessions holds is known to be the same only in the same text.
    outside = not one_text and (groups or any(word in _NAMES_OTHERS for word in line.options.lower().split()))
    return (*said, line.options, line.doubt, space.may, space.must, id(side) if outside else None)


_NAMES_OTHERS = frozenset({"time-range", "reflect", "tracked"})


def _numbers(line: UnreadLine) -> int:
    """How many words in front of an unread line number it: they order lines, and the order is looked at anyway."""
    words = line.text.split()
    return 1 if words and words[0] == str(line.sequence) else 0


def _end_of(side: ListSide) -> _End:
    """Return what the end of a list does."""
    assume, lines = side.device.assume, side.access_list.lines
    if not lines:
        action = Action.PERMIT if assume.undefined_list == "permits-all" else Action.DENY
        return _End(action, action)
    refusals: list[Doubt] = []
    for line in lines:
        why = line_space(side.device, line, side.family, side.name).refusal
        if not why:
            refusals = []
            break
        refusals.append(Doubt(why, line.span))
    if assume.undefined_list != "permits-all":
        refusals = []
    permits = side.family == "ipv6" and assume.ipv6_end == "neighbour-discovery"
    return _End(Action.PERMIT if permits else Action.DENY, Action.DENY, tuple(refusals))


def _set_of(criteria: Criteria, version: IPVersion) -> PacketSet:
    """Return the packets that meet criteria; the factors first, so that groups do not multiply."""
    space = packet_space(version)
    if criteria.size == 0:
        return space.empty
    if criteria.size == 1:
        return space.of(next(iter(criteria)))
    any_address = AddressMatch.any(version)
    found = space.of_boxes(criteria.services)
    for boxes in _ends(criteria, any_address):
        found &= space.of_boxes(boxes)
    return found


def _ends(criteria: Criteria, any_address: AddressMatch) -> Iterator[list[Box]]:
    """Yield the sources and the destinations as boxes."""
    yield [Box(source, any_address) for source in criteria.sources]
    yield [Box(any_address, destination) for destination in criteria.destinations]
