"""Loops and black holes of a whole fleet: the exact destinations that do not arrive from each entry point.

Routing alone is asked, access lists are left aside. An entry point is a table
of a device that routes, because without lists it does not matter by which
interface a packet comes, except where addresses are translated.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

from pathcheck.dataplane.longest_prefix_match import prefixes_between
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.network.closed_link import others_at_cable
from pathcheck.network.forwarding_graph import Bypass, Fate, ForwardingGraph, Outcome, TablePlace
from pathcheck.network.reachability import Network
from pathcheck.packet.address import WIDTH, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.results.black_hole import BlackHole, OneWay, RoutingReport
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["Failure", "FleetForwarding", "FleetSubnet", "Unanswered", "joined", "routing_report"]

Interval = tuple[int, int]
"""The first address and the first behind the last, as numbers."""


def routing_report(forwarding: Iterable[FleetForwarding], *, device: str | None = None) -> RoutingReport:
    """Return all loops and black holes of a fleet as data.

    Parameters
    ----------
    forwarding
        Of both IP versions, or of one.
    device
        Only what ends on this device, or goes round through it.
    """
    holes: list[BlackHole] = []
    one_way: list[OneWay] = []
    for one in forwarding:
        for failure in one.failures:
            holes.extend(row for row in _rows(one, failure) if device is None or device in (row.device, *row.cycle))
        one_way.extend(_one_way_rows(one, device))
    return RoutingReport(tuple(holes), tuple(one_way))


@dataclass(frozen=True, slots=True)
class FleetSubnet:
    """A subnet, or the address of a loopback, that interfaces of the fleet are on which are up.

    Parameters
    ----------
    places
        The tables that it is connected to.
    gateways
        Those of them that are entry points, as a set of bits.
    lost
        The entry points from which some station's address in it is lost for certain on every way, as a set of bits.
    arriving
        The entry points from which each address of it arrives on every way.
    is_link
        Whether it is a link between routers, where no stations are: by its length (RFC 3021, RFC 6164; a /30 by
        common practice), or because cables tell all that is on it.
    """

    prefix: Prefix
    places: frozenset[TablePlace]
    gateways: int
    lost: int
    arriving: int
    is_link: bool

    @property
    def is_loopback(self) -> bool:
        """Whether it is a single address."""
        return self.prefix.length == WIDTH[self.prefix.version]


@dataclass(frozen=True, slots=True)
class Failure:
    """Destinations that end in one way at one place.

    Parameters
    ----------
    causes
        Routes out of the table that would have carried them on.
    partly
        Whether others of several equal-cost ways do not end so.
    parts
        The destinations, in order and apart, by the entry points that share them as a set of bits.
    """

    fate: Fate
    causes: tuple[Bypass, ...]
    partly: bool
    parts: tuple[tuple[int, tuple[Interval, ...]], ...]

    @property
    def entries(self) -> int:
        """All entry points, as a set of bits."""
        found = 0
        for mask, _ in self.parts:
            found |= mask
        return found

    def intervals(self) -> list[Interval]:
        """Return the destinations of all entry points together, in order and apart."""
        return joined(interval for _, intervals in self.parts for interval in intervals)


@dataclass(frozen=True, slots=True)
class Unanswered:
    """Packets of one subnet arrive at others, and replies to some of its stations are lost.

    Parameters
    ----------
    destinations
        The subnets that answer in vain.
    lost
        The index of each end of replies, with the addresses whose replies end so, apart and in order.
    """

    source: FleetSubnet
    destinations: tuple[FleetSubnet, ...]
    lost: tuple[tuple[int, tuple[Interval, ...]], ...]


class FleetForwarding:
    """Where all destinations of one IP version end, worked out once.

    Parameters
    ----------
    network
        The fleet.
    version
        4 or 6.
    """

    def __init__(self, network: Network, version: IPVersion) -> None:
        self.network = network
        self.version: IPVersion = version
        self.graph = ForwardingGraph(network, version)
        self._lows: list[int] = []
        self._outcomes: list[Outcome] = []
        for stretch in self.graph.stretches():
            self._lows.append(stretch.low)
            self._outcomes.append(stretch.outcome)
        self._highs = [*self._lows[1:], 1 << WIDTH[version]] if self._lows else []
        self._judged: dict[int, tuple[int, int]] = {}
        self._labels: dict[int, tuple[str, ...]] = {}

    @cached_property
    def failures(self) -> tuple[Failure, ...]:
        """Each way to be lost, or to be uncertain, in the order of the place."""
        found: dict[tuple[int, tuple[int, ...], bool], dict[int, list[Interval]]] = defaultdict(dict)
        known: dict[int, list[tuple[tuple[int, tuple[int, ...], bool], int]]] = {}
        for low, high, outcome in zip(self._lows, self._highs, self._outcomes, strict=True):
            if id(outcome) not in known:
                known[id(outcome)] = list(self._failing(outcome))
            for key, mask in known[id(outcome)]:
                intervals = found[key].setdefault(mask, [])
                if intervals and intervals[-1][1] == low:
                    intervals[-1] = (intervals[-1][0], high)
                else:
                    intervals.append((low, high))
        made = []
        for (end, causes, partly), parts in found.items():
            fate = self.graph.ends[end]
            assert isinstance(fate, Fate)
            marks = tuple(mark for mark in (self.graph.ends[cause] for cause in causes) if isinstance(mark, Bypass))
            made.append(Failure(fate, marks, partly, tuple((mask, tuple(ranges)) for mask, ranges in parts.items())))
        return tuple(sorted(made, key=_failure_order))

    def _failing(self, outcome: Outcome) -> Iterator[tuple[tuple[int, tuple[int, ...], bool], int]]:
        """Yield what is lost in one outcome: end, causes and whether in part, with the entry points."""
        for numbers, mask in outcome:
            ends = [(number, self.graph.ends[number]) for number in sorted(numbers)]
            causes = tuple(number for number, end in ends if isinstance(end, Bypass))
            fates = [(number, end) for number, end in ends if isinstance(end, Fate)]
            passing = any(fate.reason.verdict is Verdict.PERMITTED for _, fate in fates)
            for number, fate in fates:
                if fate.reason.verdict is not Verdict.PERMITTED:
                    yield (number, causes, passing), mask

    def labels(self, mask: int) -> tuple[str, ...]:
        """Return the names of entry points; a table with all its sides is named once."""
        if mask not in self._labels:
            found: list[str] = []
            for sides, name, parts in self._tables:
                if mask & sides == sides:
                    found.append(name)
                elif mask & sides:
                    found.extend(part for bit, part in parts if mask & bit)
            self._labels[mask] = tuple(found)
        return self._labels[mask]

    @cached_property
    def _tables(self) -> list[tuple[int, str, list[tuple[int, str]]]]:
        """The tables of the entry points in order: all bits of a table, its name, and each of its sides."""
        sides: dict[TablePlace, list[tuple[int, str]]] = defaultdict(list)
        entries = sorted((place, bit) for bit, place in enumerate(self.graph.places[: self.graph.entry_count]))
        for place, bit in entries:
            sides[place.whole].append((1 << bit, str(place)))
        return [(sum(bit for bit, _ in parts), str(whole), parts) for whole, parts in sides.items()]

    def prefixes(self, intervals: Iterable[Interval]) -> tuple[Prefix, ...]:
        """Return the fewest prefixes that hold exactly some intervals, which are apart and in order."""
        return tuple(prefix for low, high in intervals for prefix in prefixes_between(self.version, low, high))

    # ---- the fleet's own subnets --------------------------------------------------------------

    @cached_property
    def subnets(self) -> tuple[FleetSubnet, ...]:
        """The subnets of interfaces that are up, and addresses of full length, in order."""
        topology = self.network.topology
        places: dict[Prefix, set[TablePlace]] = defaultdict(set)
        ends: dict[Prefix, list[LinkEnd]] = defaultdict(list)
        for item in topology.attachments:
            address = item.address
            if address.address.version != self.version or address.role in ("link-local", "virtual"):
                continue
            if topology.is_up(item):
                vrf = topology.device(item.device).interfaces[item.interface].vrf
                places[item.prefix].add(TablePlace(item.device, vrf or ""))
                ends[item.prefix].append(item.end)
        gateways: dict[TablePlace, int] = defaultdict(int)
        for bit, place in enumerate(self.graph.places[: self.graph.entry_count]):
            gateways[place.whole] |= 1 << bit
        found = []
        for prefix, here in sorted(places.items()):
            entries = 0
            for place in here:
                entries |= gateways.get(place, 0)
            lost, arriving = self._judge(prefix)
            spare = WIDTH[self.version] - prefix.length
            is_link = 0 < spare <= 2 or all(others_at_cable(self.network, end) for end in ends[prefix])
            found.append(FleetSubnet(prefix, frozenset(here), entries, lost, arriving, is_link))
        return tuple(found)

    def _judge(self, prefix: Prefix) -> tuple[int, int]:
        """Return from where some of a prefix is lost, and from where all of it arrives."""
        lost, arriving = 0, -1
        for low, high, outcome in self.outcomes_in(prefix):
            if id(outcome) not in self._judged:
                self._judged[id(outcome)] = self._judge_outcome(outcome)
            some, every = self._judged[id(outcome)]
            arriving &= every
            if not self._is_owned(low, high):
                lost |= some
        return lost, arriving

    def _is_owned(self, low: int, high: int) -> bool:
        """Whether addresses are all those of the fleet's own interfaces, so that they are no stations'."""
        owned = self.graph.owned
        return bisect_left(owned, high) - bisect_left(owned, low) == high - low

    def outcomes_in(self, prefix: Prefix) -> Iterator[tuple[int, int, Outcome]]:
        """Yield the outcomes of a prefix in order, each with its first address and the first behind it."""
        last = prefix.value + prefix.size
        index = max(bisect_right(self._lows, prefix.value) - 1, 0)
        while index < len(self._lows) and self._lows[index] < last:
            yield max(self._lows[index], prefix.value), min(self._highs[index], last), self._outcomes[index]
            index += 1

    def _judge_outcome(self, outcome: Outcome) -> tuple[int, int]:
        lost = arriving = 0
        for numbers, mask in outcome:
            fates = [end for end in (self.graph.ends[number] for number in numbers) if isinstance(end, Fate)]
            if all(fate.reason.verdict is Verdict.DENIED for fate in fates):
                lost |= mask
            if all(fate.reason is Reason.ARRIVED for fate in fates):
                arriving |= mask
        return lost, arriving

    @cached_property
    def unanswered(self) -> tuple[Unanswered, ...]:
        """Each pair of subnets with stations where packets arrive by routing and the replies are lost."""
        stations = [subnet for subnet in self.subnets if subnet.gateways and not (subnet.is_link or subnet.is_loopback)]
        found = []
        for source in stations:
            if not source.lost:
                continue
            by_losing: dict[int, list[FleetSubnet]] = defaultdict(list)
            for destination in stations:
                losing = destination.gateways & source.lost
                if losing and destination is not source and not source.gateways & ~destination.arriving:
                    by_losing[losing].append(destination)
            for losing, destinations in by_losing.items():
                found.append(Unanswered(source, tuple(destinations), tuple(self._losses(source.prefix, losing))))
        return tuple(found)

    def _losses(self, prefix: Prefix, entries: int) -> Iterator[tuple[int, tuple[Interval, ...]]]:
        """Yield how packets of some entry points to stations of a prefix are lost on every way, and which."""
        found: dict[int, list[Interval]] = defaultdict(list)
        for low, high, outcome in self.outcomes_in(prefix):
            if self._is_owned(low, high):
                continue
            for numbers, mask in outcome:
                fates = [(n, end) for n in sorted(numbers) if isinstance(end := self.graph.ends[n], Fate)]
                if mask & entries and all(fate.reason.verdict is Verdict.DENIED for _, fate in fates):
                    for number, _ in fates:
                        found[number].append((low, high))
        for number, intervals in found.items():
            yield number, tuple(joined(intervals))


def _rows(forwarding: FleetForwarding, failure: Failure) -> Iterator[BlackHole]:
    """Yield a failure as rows: entry points with the same destinations together."""
    fate = failure.fate
    place = fate.loop.cycle[0] if fate.loop else fate.at
    assert place is not None
    spans = fate.spans
    if fate.loop:
        spans = tuple(dict.fromkeys(span for _, entry in fate.loop.members for span in entry.spans))
    for mask, intervals in _by_entry(failure):
        yield BlackHole(
            fate.reason,
            place.device,
            place.table,
            forwarding.labels(mask),
            forwarding.prefixes(intervals),
            failure.partly,
            tuple(str(one.whole) for one in fate.loop.cycle) if fate.loop else (),
            fate.why,
            spans,
        )


def _by_entry(failure: Failure) -> list[tuple[int, list[Interval]]]:
    """Return the destinations by entry point; where that would repeat too many, by the sets that share them."""
    parts = [(mask, list(intervals)) for mask, intervals in failure.parts]
    alike: dict[tuple[int, ...], int] = defaultdict(int)
    for bit in range(failure.entries.bit_length()):
        key = tuple(index for index, (mask, _) in enumerate(parts) if mask >> bit & 1)
        if key:
            alike[key] |= 1 << bit
    size = sum(len(intervals) for _, intervals in parts)
    if sum(len(parts[index][1]) for key in alike for index in key) > 4 * size:
        return parts
    return [(mask, joined(interval for index in key for interval in parts[index][1])) for key, mask in alike.items()]


def joined(intervals: Iterable[Interval]) -> list[Interval]:
    """Return intervals in order, those that touch or overlap as one."""
    found: list[Interval] = []
    for low, high in sorted(intervals):
        if found and low <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], high))
        else:
            found.append((low, high))
    return found


def _one_way_rows(forwarding: FleetForwarding, device: str | None) -> Iterator[OneWay]:
    """Yield unanswered pairs as few rows: sources that share their destinations and their fate together."""
    found: dict[tuple[tuple[Prefix, ...], int], list[Interval]] = defaultdict(list)
    for pair in forwarding.unanswered:
        reached = tuple(subnet.prefix for subnet in pair.destinations)
        for end, intervals in pair.lost:
            found[reached, end].extend(intervals)
    for (reached, end), lost in found.items():
        fate = forwarding.graph.ends[end]
        assert isinstance(fate, Fate)
        place = fate.loop.cycle[0] if fate.loop else fate.at
        assert place is not None
        if device in (None, place.device):
            sources = forwarding.prefixes(joined(lost))
            yield OneWay(sources, Prefix.merged(reached), fate.reason, place.device, place.table)


def _failure_order(failure: Failure) -> tuple[int, TablePlace, int]:
    """Loops first, then by place."""
    order = [Reason.LOOPING, Reason.STRANDED, Reason.DISCARDED, Reason.UNROUTED, Reason.UNMODELLED]
    fate = failure.fate
    place = fate.loop.cycle[0] if fate.loop else fate.at
    assert place is not None
    return order.index(fate.reason), place, failure.parts[0][1][0][0]
