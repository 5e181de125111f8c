"""Where every destination ends from every entry point, by routing alone: the tables of a fleet as one graph.

A vertex is a table of a device; an edge is a next hop. For one destination the
graph is small, and between two neighbouring prefixes of any table nothing
changes, so the address space is swept once from end to end. What changes from
one run of destinations to the next is a few vertices; graphs that were met before are
known by a digest of all their edges and are not worked out again. Tables that
send to the same neighbours share their edges, so a thousand leaves with one
default to the same spines cost one step.

Access lists are not asked. Whatever could change forwarding and is not modelled ends
a way as `unmodelled`, so that no loop or loss is found that rests on it.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from hashlib import blake2b

from pathcheck.dataplane.fib import Fib, FibEntry, InactiveRoute, Piece, ResolvedHop
from pathcheck.dataplane.longest_prefix_match import PrefixTable
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.static_route import StaticRoute
from pathcheck.network.neighbours import Onward
from pathcheck.network.reachability import Network
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.results.path import Doubt
from pathcheck.results.verdict import Reason
from pathcheck.source import Span

__all__ = ["Bypass", "Fate", "ForwardingGraph", "Loop", "Outcome", "Stretch", "TablePlace"]


@dataclass(frozen=True, slots=True, order=True)
class TablePlace:
    """Packets that other devices or stations sent, in one table of a device.

    Parameters
    ----------
    vrf
        The table, empty text for the global one.
    side
        The side of an address translation that they came from, empty text for none.
    """

    device: str
    vrf: str = ""
    side: str = ""

    @property
    def table(self) -> str | None:
        """The VRF as the models name it."""
        return self.vrf or None

    @property
    def whole(self) -> TablePlace:
        """The same table, whichever side packets came from."""
        return TablePlace(self.device, self.vrf)

    def __str__(self) -> str:
        vrf = f" (VRF {self.vrf})" if self.vrf else ""
        return f"{self.device}{vrf}" + (f" ({self.side})" if self.side else "")


@dataclass(frozen=True, slots=True)
class Loop:
    """Tables that send some destinations round among each other.

    Parameters
    ----------
    cycle
        A shortest way round, beginning at the table with the shortest match; the first follows the last.
    members
        All tables of the loop with the entries by which they send the destinations round, in order.
    """

    cycle: tuple[TablePlace, ...]
    members: tuple[tuple[TablePlace, FibEntry], ...]


@dataclass(frozen=True, slots=True)
class Fate:
    """How packets end.

    Parameters
    ----------
    at
        The table where they do; None where they arrive, leave the fleet, or loop.
    why
        One clause, where the reason alone does not say it.
    spans
        The lines that decide.
    by
        The entry by which they went there; None without one.
    """

    reason: Reason
    at: TablePlace | None = None
    why: str = ""
    spans: tuple[Span, ...] = ()
    by: Prefix | None = None
    loop: Loop | None = None


@dataclass(frozen=True, slots=True)
class Bypass:
    """A mark on the way of packets: a written route would have carried them on, but it is not in the table."""

    at: TablePlace
    route: InactiveRoute


Outcome = tuple[tuple[frozenset[int], int], ...]
"""What becomes of one destination: indices of ends and marks, and the entries that share them as a set of bits."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Destinations from `low` up to but not including `high`, as numbers, that fare alike from each entry point."""

    low: int
    high: int
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class _Action:
    """What a table does with a destination: vertices it sends to, ends it leads to."""

    vertices: tuple[int, ...]
    ends: frozenset[int]


class ForwardingGraph:
    """The tables of a fleet for one IP version.

    Parameters
    ----------
    network
        The fleet.
    version
        4 or 6.

    Attributes
    ----------
    places
        All tables met; the first :attr:`entry_count` of them are entry points:
        tables of routing devices with an interface that is up. Bit `n` of an
        outcome's set stands for the n-th.
    ends
        Fates and marks; an outcome holds their indices.
    """

    def __init__(self, network: Network, version: IPVersion) -> None:
        self._network = network
        self._version: IPVersion = version
        self.places: list[TablePlace] = []
        self.ends: list[Fate | Bypass] = []
        self._number: dict[TablePlace, int] = {}
        self._end_number: dict[object, int] = {}
        self._into: dict[TablePlace, str | None] = {}
        self._actions: list[_Action] = []
        self._action_number: dict[_Action, int] = {}
        self._entries: list[FibEntry] = []
        self._entry_number: dict[int, int] = {}
        self._used: set[tuple[int, int]] = set()
        for place, into in self._entry_points():
            self._vertex(place, into)
        self.entry_count = len(self.places)

    def _entry_points(self) -> Iterator[tuple[TablePlace, str | None]]:
        """Yield each table that packets of stations or neighbours can come to, with an interface where they do."""
        topology = self._network.topology
        for device in topology.devices:
            if not self._network.routing(device.name, self._version).on:
                continue
            lines = self._network.doubtful(device.name)
            for interface in device.interfaces.values():
                state = topology.state(device.name, interface.name)
                speaks = interface.borrowed is not None or any(
                    item.address.version == self._version and item.role != "link-local" for item in interface.addresses
                )
                passes = state.up and state.member_of is None and interface.kind != "loopback"
                if speaks and passes and not lines.at(interface.name, "in")[0]:
                    place = self.place_behind(LinkEnd(device.name, interface.name))
                    yield place, interface.name if place.side else None

    def place_behind(self, end: LinkEnd) -> TablePlace:
        """Return the table that packets come to which arrive at an interface."""
        interface = self._network.topology.device(end.device).interfaces[end.interface]
        sides = self._network.doubtful(end.device).sides_of(end.interface)
        return TablePlace(end.device, interface.vrf or "", " and ".join(sides))

    def _vertex(self, place: TablePlace, into: str | None) -> int:
        """Return the number of a table, known or new."""
        number = self._number.get(place)
        if number is None:
            number = self._number[place] = len(self.places)
            self.places.append(place)
            self._into[place] = into
        return number

    def _end(self, end: Fate | Bypass, key: object = None) -> int:
        """Return the number of an end or a mark."""
        key = end if key is None else key
        number = self._end_number.get(key)
        if number is None:
            number = self._end_number[key] = len(self.ends)
            self.ends.append(end)
        return number

    def _action(self, vertices: Iterable[int], ends: Iterable[int]) -> int:
        """Return the number of what a table does."""
        action = _Action(tuple(sorted(set(vertices))), frozenset(ends))
        number = self._action_number.get(action)
        if number is None:
            number = self._action_number[action] = len(self._actions)
            self._actions.append(action)
        return number

    # ---- what each table does ---------------------------------------------------------------

    def _runs_of(self, place: TablePlace) -> Iterator[tuple[int, int, FibEntry | None]]:
        """Yield the first address of each run of a table, what the table does from there on, and its entry."""
        doubts = self._network.doubtful(place.device).on_device()
        if doubts:
            yield 0, self._action((), (self._uncertain(place, doubts),)), None
            return
        fib = self._network.fib(place.device, place.table, self._version)
        out_of_table = self._out_of_table(fib)
        made: dict[int, int] = {}
        for low, high, piece in fib.runs():
            marks = self._marks(place, piece, out_of_table, low)
            if piece.entry is not None and piece.entry.source == "connected" and self._may_follow(place, piece):
                yield from self._on_subnet(place, piece.entry, low, high, marks)
                continue
            key = id(piece)
            if marks or key not in made:
                made[key] = self._of_piece(place, piece, marks)
            yield low, made[key], piece.entry

    def _out_of_table(self, fib: Fib) -> PrefixTable[list[InactiveRoute]]:
        """Return the static routes that are out of a table for certain, by prefix."""
        found: dict[Prefix, list[InactiveRoute]] = {}
        for route in fib.inactive:
            if isinstance(route.route, StaticRoute) and not route.doubts and route.reason.strands:
                found.setdefault(route.prefix, []).append(route)
        return PrefixTable(self._version, found)

    def _marks(
        self, place: TablePlace, piece: Piece, out_of_table: PrefixTable[list[InactiveRoute]], low: int
    ) -> tuple[int, ...]:
        """Return the marks of routes that would win a run if they were in the table."""
        if not len(out_of_table):
            return ()
        address = Prefix(self._version, low, WIDTH[self._version])
        entry = piece.entry
        return tuple(
            self._end(Bypass(place.whole, route))
            for prefix, routes in out_of_table.covering(address)
            if entry is None or prefix.length >= entry.prefix.length
            for route in routes
            if isinstance(route.route, StaticRoute)
            and (entry is None or prefix.length > entry.prefix.length or route.route.distance < entry.distance)
        )

    def _may_follow(self, place: TablePlace, piece: Piece) -> bool:
        """Whether packets of a piece are sent on at all, and where to is known."""
        return not piece.doubts and self._network.routing(place.device, self._version).on

    def _of_piece(self, place: TablePlace, piece: Piece, marks: tuple[int, ...]) -> int:
        """Return what a table does with a piece that no device beside it owns addresses of."""
        entry = piece.entry
        if entry is not None and entry.source == "local":
            lines = self._network.doubtful(place.device)
            doubts = (*piece.doubts, *lines.on_own_addresses(), *lines.translation(self._into[place], None))
            return self._action((), (self._uncertain(place, doubts) if doubts else self._end(Fate(Reason.ARRIVED)),))
        routing = self._network.routing(place.device, self._version)
        if not routing.on:
            spans = () if routing.span is None else (routing.span,)
            return self._action((), (self._end(Fate(Reason.UNROUTED, place.whole, routing.why, spans)),))
        if piece.doubts:
            return self._action((), (self._uncertain(place, piece.doubts),))
        if entry is None:
            if not piece.stranded:
                return self._action((), (self._end(Fate(Reason.UNROUTED, place.whole)), *marks))
            first = piece.stranded[0]
            fate = Fate(Reason.STRANDED, place.whole, first.why, (first.route.span,), first.prefix)
            return self._action((), (self._end(fate), *marks))
        vertices: list[int] = []
        ends = list(marks)
        if entry.discard:
            ends.append(self._end(Fate(Reason.DISCARDED, place.whole, "", entry.spans, entry.prefix)))
        for hop in entry.hops:
            self._by_hop(place, entry, hop, vertices, ends)
        return self._action(vertices, ends)

    def _by_hop(
        self, place: TablePlace, entry: FibEntry, hop: ResolvedHop, vertices: list[int], ends: list[int]
    ) -> None:
        """Add where one of the equal-cost ways of an entry leads."""
        diverting = self._diverting(place, hop.interface)
        if diverting:
            ends.append(self._uncertain(place, diverting))
            return
        end = LinkEnd(place.device, hop.interface)
        onward = self._network.neighbours.by_route(end, hop.next_hop, self._version)
        self._by_onward(place, onward, Fate(Reason.HANDED_OVER), (hop.span,), entry.prefix, vertices, ends)

    def _diverting(self, place: TablePlace, out: str) -> tuple[Doubt, ...]:
        """Return the lines that could send packets elsewhere, or change them, as they leave by an interface."""
        lines = self._network.doubtful(place.device)
        return (*lines.translation(self._into[place], out), *lines.at(out, "out")[0])

    def _by_onward(
        self,
        place: TablePlace,
        onward: Onward,
        outside: Fate,
        spans: tuple[Span, ...],
        by: Prefix,
        vertices: list[int],
        ends: list[int],
    ) -> None:
        """Add where packets get to that leave an interface."""
        if onward.unknown:
            ends.append(self._uncertain(place, onward.unknown))
        elif onward.stranded is not None:
            fault = onward.stranded
            lines = (*spans, *(() if fault.span is None else (fault.span,)))
            ends.append(self._end(Fate(Reason.STRANDED, place.whole, fault.why, lines, by)))
        elif onward.outside:
            ends.append(self._end(outside))
        for neighbour in onward.neighbours:
            diverting = self._network.doubtful(neighbour.end.device).at(neighbour.end.interface, "in")[0]
            doubts = (*neighbour.carriage.doubts, *neighbour.doubts, *diverting)
            if doubts:
                ends.append(self._uncertain(place, doubts))
                continue
            behind = self.place_behind(neighbour.end)
            vertices.append(self._vertex(behind, neighbour.end.interface if behind.side else None))

    def _on_subnet(
        self, place: TablePlace, entry: FibEntry, low: int, high: int, marks: tuple[int, ...]
    ) -> Iterator[tuple[int, int, FibEntry | None]]:
        """Yield the runs of a connected subnet: the addresses of the fleet's devices by themselves, and the rest."""
        hop = entry.hops[0]
        diverting = self._diverting(place, hop.interface)
        if diverting:
            yield low, self._action((), (self._uncertain(place, diverting), *marks)), entry
            return
        arrived = Fate(Reason.ARRIVED)
        rest = self._action((), (self._end(arrived), *marks))
        end = LinkEnd(place.device, hop.interface)
        at, last = low, -1
        values = self.owned
        for index in range(bisect_left(values, low), bisect_left(values, high)):
            onward = self._network.neighbours.owning(end, Address(self._version, values[index]))
            vertices: list[int] = []
            ends = list(marks)
            self._by_onward(place, onward, arrived, entry.spans, entry.prefix, vertices, ends)
            action = self._action(vertices, ends)
            if action == rest:
                continue
            if at < values[index] and last != rest:
                yield at, rest, entry
            yield values[index], action, entry
            at, last = values[index] + 1, action
        if at < high and last != rest:
            yield at, rest, entry

    @cached_property
    def owned(self) -> list[int]:
        """The addresses of the fleet's interfaces as numbers, in order; link-local ones left out."""
        return sorted(
            {
                item.address.address.value
                for item in self._network.topology.attachments
                if item.address.address.version == self._version and item.address.role != "link-local"
            }
        )

    def _uncertain(self, place: TablePlace, doubts: Sequence[Doubt]) -> int:
        """Return the end of packets of which nobody can say where they get to."""
        spans = tuple(dict.fromkeys(doubt.span for doubt in doubts if doubt.span is not None))
        return self._end(Fate(Reason.UNMODELLED, place.whole, doubts[0].why, spans))

    def connected_tables(self, subnets: Iterable[Iterable[TablePlace]]) -> dict[TablePlace, int]:
        """Number the parts of the fleet that hang together by routes or by subnets; each table with its part's number.

        Parameters
        ----------
        subnets
            The tables that are connected to each subnet.
        """
        import networkx

        graph: networkx.Graph[TablePlace] = networkx.Graph()
        graph.add_nodes_from(place.whole for place in self.places)
        for vertex, action in self._used:
            here = self.places[vertex].whole
            graph.add_edges_from((here, self.places[ahead].whole) for ahead in self._actions[action].vertices)
        for places in subnets:
            first, *others = places
            graph.add_edges_from((first, other) for other in others)
        parts = networkx.connected_components(graph)
        return {place: number for number, part in enumerate(parts) for place in part}

    # ---- the sweep --------------------------------------------------------------------------

    def stretches(self) -> Iterator[Stretch]:
        """Yield all destinations in order, in runs that fare alike from each entry point."""
        changes = self._changes()
        now = [0] * len(self.places)
        by = [0] * len(self.places)
        masks: dict[int, int] = {}
        digest = 0
        known: dict[int, Outcome] = {}
        place, count = 0, len(changes)
        pending: Stretch | None = None
        started = [False] * len(self.places)
        while place < count:
            low = changes[place][0]
            while place < count and changes[place][0] == low:
                _, vertex, action, entry = changes[place]
                bit = 1 << vertex if vertex < self.entry_count else 0
                if started[vertex]:
                    digest ^= self._digest(vertex, now[vertex], by[vertex])
                    if bit:
                        masks[now[vertex]] ^= bit
                        if not masks[now[vertex]]:
                            del masks[now[vertex]]
                now[vertex], by[vertex], started[vertex] = action, entry, True
                digest ^= self._digest(vertex, action, entry)
                if bit:
                    masks[action] = masks.get(action, 0) | bit
                place += 1
            high = changes[place][0] if place < count else 1 << WIDTH[self._version]
            if digest not in known:
                known[digest] = self._outcome(now, by, masks)
            outcome = known[digest]
            if pending is not None and pending.outcome == outcome:
                pending = Stretch(pending.low, high, outcome)
            else:
                if pending is not None:
                    yield pending
                pending = Stretch(low, high, outcome)
        if pending is not None:
            yield pending

    def _changes(self) -> list[tuple[int, int, int, int]]:
        """Return what each table does from which address on: address, vertex, action, entry."""
        changes: list[tuple[int, int, int, int]] = []
        vertex = 0
        while vertex < len(self.places):  # it grows as neighbours are met
            last: tuple[int, int] | None = None
            for low, action, entry in self._runs_of(self.places[vertex]):
                # By which entry packets go on matters only where they can come back.
                by = self._entry(entry) if entry is not None and self._actions[action].vertices else 0
                if (action, by) != last:
                    changes.append((low, vertex, action, by))
                    self._used.add((vertex, action))
                    last = (action, by)
            vertex += 1
        changes.sort()
        return changes

    def _entry(self, entry: FibEntry) -> int:
        """Return the number of an entry, from 1."""
        number = self._entry_number.get(id(entry))
        if number is None:
            self._entries.append(entry)
            number = self._entry_number[id(entry)] = len(self._entries)
        return number

    @staticmethod
    def _digest(vertex: int, action: int, entry: int) -> int:
        """Return 128 bits for one vertex; those of all vertices together tell the graph."""
        return int.from_bytes(blake2b(b"%d %d %d" % (vertex, action, entry), digest_size=16).digest(), "big")

    # ---- one graph --------------------------------------------------------------------------

    def _outcome(self, now: list[int], by: list[int], masks: dict[int, int]) -> Outcome:
        """Return the ends that each entry's packets come to."""
        order, cyclic = self._depth_first(now, masks)
        fates = self._with_loops(now, by, order) if cyclic else self._without_loops(now, order)
        found: dict[frozenset[int], int] = {}
        for action, mask in masks.items():
            found[fates[action]] = found.get(fates[action], 0) | mask
        return tuple(sorted(found.items(), key=lambda item: sorted(item[0])))

    def _depth_first(self, now: list[int], roots: Iterable[int]) -> tuple[list[int], bool]:
        """Return the actions that packets can come to, each behind those it leads to, and whether they lead back."""
        order: list[int] = []
        state: dict[int, int] = {}
        cyclic = False
        for root in roots:
            if root in state:
                continue
            stack = [(root, iter(self._actions[root].vertices))]
            state[root] = 1
            while stack:
                action, ahead = stack[-1]
                for vertex in ahead:
                    following = now[vertex]
                    if following not in state:
                        state[following] = 1
                        stack.append((following, iter(self._actions[following].vertices)))
                        break
                    cyclic = cyclic or state[following] == 1
                else:
                    stack.pop()
                    state[action] = 2
                    order.append(action)
        return order, cyclic

    def _without_loops(self, now: list[int], order: list[int]) -> dict[int, frozenset[int]]:
        """Return the ends of each action: its own and those of all that it leads to."""
        fates: dict[int, frozenset[int]] = {}
        for action in order:
            mine = self._actions[action]
            fates[action] = mine.ends.union(*(fates[now[vertex]] for vertex in mine.vertices))
        return fates

    def _with_loops(self, now: list[int], by: list[int], order: list[int]) -> dict[int, frozenset[int]]:
        """Return the ends of each action where some lead back to themselves."""
        import networkx

        graph: networkx.DiGraph[int] = networkx.DiGraph()
        graph.add_nodes_from(order)
        graph.add_edges_from((action, now[vertex]) for action in order for vertex in self._actions[action].vertices)
        parts = networkx.condensation(graph)
        fates: dict[int, frozenset[int]] = {}
        for part in reversed(list(networkx.topological_sort(parts))):
            actions: set[int] = parts.nodes[part]["members"]
            onward = {now[vertex] for action in actions for vertex in self._actions[action].vertices}
            found = frozenset().union(
                *(self._actions[action].ends for action in actions), *(fates[ahead] for ahead in onward - actions)
            )
            if onward & actions:
                found |= {self._loop(now, by, actions)}
            for action in actions:
                fates[action] = found
        return fates

    def _loop(self, now: list[int], by: list[int], actions: set[int]) -> int:
        """Return the end of packets that go round among the tables of some actions."""
        members = sorted(
            {vertex for action in actions for vertex in self._actions[action].vertices if now[vertex] in actions},
            key=lambda vertex: self.places[vertex],
        )
        entries = [self._entries[by[vertex] - 1] for vertex in members]
        key = ("loop", tuple(members), tuple(by[vertex] for vertex in members))
        if key in self._end_number:
            return self._end_number[key]
        first = min(zip(members, entries, strict=True), key=lambda one: (one[1].prefix.length, self.places[one[0]]))[0]
        cycle = self._shortest_cycle(now, first, set(members))
        pairs = tuple((self.places[vertex], entry) for vertex, entry in zip(members, entries, strict=True))
        loop = Loop(tuple(self.places[vertex] for vertex in cycle), pairs)
        return self._end(Fate(Reason.LOOPING, loop=loop), key)

    def _shortest_cycle(self, now: list[int], first: int, members: set[int]) -> list[int]:
        """Return a shortest way from a vertex back to itself."""
        came: dict[int, int] = {}
        waiting = deque([first])
        while waiting:
            vertex = waiting.popleft()
            for ahead in self._actions[now[vertex]].vertices:
                if ahead == first:
                    way = [vertex]
                    while way[-1] != first:
                        way.append(came[way[-1]])
                    return way[::-1]
                if ahead in members and ahead not in came:
                    came[ahead] = vertex
                    waiting.append(ahead)
        raise AssertionError("every table of a loop is on a way back to itself")
