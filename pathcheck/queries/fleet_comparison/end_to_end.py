"""What fares otherwise from end to end: all packets that a change can touch, carried through both states.

Packets of stations and devices of the fleet are carried all together; a packet's
source tells where it enters. Packets from outside enter where the fleet hands packets
to a next hop of no device, with the sources that it sends there; places with the same sources
are asked one after the other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from pathcheck.errors import InternalFault
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.network.propagation import Propagation
from pathcheck.network.reachability import End, Network, Start
from pathcheck.packet.address import WIDTH, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.packetset.blocks import Block
from pathcheck.queries.fleet_comparison.causes import causes, fate_of
from pathcheck.queries.fleet_comparison.entries import (
    StationEntries,
    device_starts,
    fleet_sources,
    outside_start,
    sources_of,
)
from pathcheck.queries.fleet_comparison.states import States
from pathcheck.queries.fleet_comparison.touched import Touched
from pathcheck.queries.protocol_parts import protocol_parts
from pathcheck.results.fleet_comparison import ChangeRow, EndChange
from pathcheck.results.path import Doubt, Reading
from pathcheck.results.region import Region
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["EndToEnd"]

_PREFIXES = 64
"""Prefixes that are told to hold all destinations, at most."""
_CHUNK = 64
_PROBED = 8
"""Prefixes at one end of a row that are tried for what decides."""
_MOST_PROBES = 400
"""Packets that are followed for that in all; more would take longer than they tell."""
_WIDE: dict[IPVersion, int] = {4: 16, 6: 48}
"""Prefixes that are shorter hold many destinations."""
_ORDER = (Verdict.DENIED, Verdict.PARTLY, Verdict.PERMITTED)
_NOT_ROUTED: dict[IPVersion, tuple[Prefix, ...]] = {
    # No router forwards these (RFC 1812 section 5.3.7; RFC 4291 sections 2.5.2, 2.5.3, 2.5.6 and 2.7), and nobody asks
    # about them: a region may hold them or not.
    4: tuple(map(Prefix.parse, ("0.0.0.0/8", "127.0.0.0/8", "224.0.0.0/4", "240.0.0.0/4"))),
    6: tuple(map(Prefix.parse, ("::/127", "fe80::/10", "ff00::/8"))),
}


@dataclass(slots=True)
class _Side:
    """What enters one state, and how it ends."""

    network: Network
    starts: list[Start] = field(default_factory=list)
    known: list[End] = field(default_factory=list)
    direct: list[PacketSet] = field(default_factory=list)
    """Packets that stay on their subnet and need no device."""
    _chunks: list[tuple[PacketSet, list[Start]]] = field(default_factory=list)
    _asked: PacketSet | None = None

    def starts_of(self, sample: Packet) -> Iterator[Start]:
        """Yield the starts that hold a packet; many starts are left out at a time. All starts must be known by then."""
        if not self._chunks:
            union = packet_space(sample.version).union
            for place in range(0, len(self.starts), _CHUNK):
                chunk = self.starts[place : place + _CHUNK]
                self._chunks.append((union(start.packets for start in chunk), chunk))
        for packets, chunk in self._chunks:
            if sample in packets:
                yield from (start for start in chunk if sample in start.packets)

    def asked(self, version: IPVersion) -> PacketSet:
        """Return all packets that enter, or stay."""
        if self._asked is None:
            sets = [*(start.packets for start in self.starts), *(end.packets for end in self.known), *self.direct]
            self._asked = packet_space(version).union(sets)
        return self._asked


@dataclass(slots=True)
class _Unit:
    """Sources that are told about together: the stations of a subnet, a device, or what is behind an interface."""

    sources: PacketSet
    free: PacketSet
    at: str | None = None


@dataclass(slots=True)
class EndToEnd:
    """The work on one IP version.

    Parameters
    ----------
    show
        How many regions of each kind are wanted.
    most
        How many rows of each kind are wanted.
    advance
        Told of each propagation that is done.

    Attributes
    ----------
    opened, closed, uncertain
        What was found.
    rows
        The same in few rows, by kind.
    sizes
        How many packets each kind has, by its name.
    left_open
        Lines behind which nobody knows what becomes of some packets, in either state.
    """

    states: States
    version: IPVersion
    stations: StationEntries
    touched: Touched
    show: int
    most: int
    advance: Callable[[int], None] = lambda _: None
    opened: list[EndChange] = field(default_factory=list)
    closed: list[EndChange] = field(default_factory=list)
    uncertain: list[EndChange] = field(default_factory=list)
    rows: dict[str, list[ChangeRow]] = field(default_factory=lambda: {"opened": [], "closed": [], "uncertain": []})
    sizes: dict[str, int] = field(default_factory=lambda: {"opened": 0, "closed": 0, "uncertain": 0})
    readings: dict[Reading, None] = field(default_factory=dict)
    left_open: dict[Doubt, None] = field(default_factory=dict)
    probes: int = 0
    cut: bool = False

    def ask(self) -> None:
        """Ask about all that is touched."""
        if self.touched.is_empty and not self.touched.handed:
            return
        self._from_inside()
        for group in self._outside_groups():
            self._from_outside(group)

    # ---- what enters ------------------------------------------------------------------------

    def _from_inside(self) -> None:
        """Ask about the packets of stations and devices of the fleet."""
        if self.touched.stations.is_empty and self.touched.own.is_empty:
            return
        sides = []
        sources = self.touched.stations.sources()
        for side, network in enumerate(self.states.networks):
            found = _Side(network)
            for subnet in self.stations.subnets(side, self.version, sources):
                packets = self.touched.stations & sources_of(self.version, [subnet])
                if packets.is_empty:
                    continue
                entries = self.stations.entries(side, subnet)
                if entries is None:
                    continue
                found.starts += _within(entries.starts, packets)
                for end in entries.ends:
                    held = end.packets & packets
                    if held.is_empty:
                        continue
                    if end.hops:
                        found.known.append(replace(end, packets=held, shown=held))
                    else:
                        found.direct.append(held)
            if not self.touched.own.is_empty:
                found.starts += device_starts(network, self.version, self.touched.own)
            sides.append(found)
        self._compare(sides, self._inside_units)

    def _inside_units(self) -> Iterator[_Unit]:
        """Yield the subnets with stations, then the devices."""
        nowhere = self._unrouted()
        touched = self.touched.stations.sources()
        subnets = sorted({subnet for side in (0, 1) for subnet in self.stations.subnets(side, self.version, touched)})
        done = packet_space(self.version).empty
        for subnet in sorted(subnets, key=lambda one: (-one.length, one.value)):
            sources = sources_of(self.version, [subnet])
            if (sources & self.touched.stations).is_empty:
                continue
            own = sources_of(self.version, self._owned_within(subnet))
            first, second = (sources_of(self.version, self._no_stations(side, subnet)) for side in (0, 1))
            yield _Unit(sources - own - done, (first & second | nowhere) & sources)
            done |= sources
        if self.touched.own.is_empty:
            return
        done = packet_space(self.version).empty
        for name in sorted({*self.states.devices[0], *self.states.devices[1]}):
            addresses = self._addresses(name)
            sources = sources_of(self.version, addresses)
            if not (sources & self.touched.own).is_empty:
                # An address that several devices own is told about with the first of them.
                yield _Unit(sources - done, nowhere & sources)
                done |= sources

    def _no_stations(self, side: int, subnet: Prefix) -> Iterator[Prefix]:
        """Yield the addresses of a subnet that no station has in one state."""
        topology = self.states.networks[side].topology
        within = {item.prefix for item in topology.overlapping(subnet)}
        yield from subnet.without(within)
        for item in topology.owned_within(subnet):
            yield Prefix(self.version, item.address.address.value, WIDTH[self.version])
        for each in within:
            for address in each.reserved_addresses():
                yield Prefix(self.version, address.value, WIDTH[self.version])

    def _owned_within(self, subnet: Prefix) -> Iterator[Prefix]:
        """Yield the addresses of a subnet that devices have in either state; these are told about device by device."""
        for network in self.states.networks:
            for item in network.topology.owned_within(subnet):
                if item.address.role != "link-local":
                    yield Prefix(self.version, item.address.address.value, WIDTH[self.version])

    def _addresses(self, name: str) -> list[Prefix]:
        """Return the addresses of a device in both states."""
        return [
            Prefix(self.version, item.address.value, WIDTH[self.version])
            for devices in self.states.devices
            if name in devices
            for interface in devices[name].interfaces.values()
            for item in interface.addresses
            if item.address.version == self.version and item.role != "link-local"
        ]

    def _unrouted(self) -> PacketSet:
        """Return all packets to addresses that are not routed."""
        anywhere = AddressMatch.any(self.version)
        return packet_space(self.version).of_boxes(
            Box(anywhere, AddressMatch.prefix(prefix)) for prefix in _NOT_ROUTED[self.version]
        )

    # ---- outside ----------------------------------------------------------------------------

    def _outside_groups(self) -> Iterator[list[tuple[LinkEnd, PacketSet, PacketSet]]]:
        """Yield interfaces by which packets from outside enter, in groups whose sources do not overlap.

        With each go all packets with the sources behind it, and those of them that the change can touch.
        """
        handed = self.touched.handed
        if self.touched.routed.is_empty and self.stations.near.is_nothing:
            handed = {end: prefixes for end, prefixes in handed.items() if end in self.touched.entering}
        if not handed:
            return
        within = Ranges.of(*((one.value, one.value + one.size - 1) for prefixes in handed.values() for one in prefixes))
        inside = fleet_sources(self.states, self.version, within) | sources_of(self.version, _NOT_ROUTED[self.version])
        groups: list[tuple[list[PacketSet], list[tuple[LinkEnd, PacketSet, PacketSet]]]] = []
        for end, prefixes in handed.items():
            sources = sources_of(self.version, prefixes) - inside
            packets = self._touched_at(end) & sources - self._unrouted()
            if packets.is_empty:
                continue
            group = next((one for one in groups if one[0][0].isdisjoint(sources)), None)
            if group is None:
                groups.append(group := ([packet_space(self.version).empty], []))
            group[0][0] |= sources
            group[1].append((end, sources, packets))
        yield from (members for _, members in groups)

    def _touched_at(self, end: LinkEnd) -> PacketSet:
        """Return the packets that the change can touch which enter from outside by one interface."""
        everything = packet_space(self.version).full
        if self.stations.near.holds(end):
            starts = [outside_start(network, end, everything) for network in self.states.networks]
            words = [
                None if one is None else (one.ports, self.states.doubt_words(side, one.doubts))
                for side, one in enumerate(starts)
            ]
            if words[0] != words[1]:
                return everything
        return self.touched.routed | self.touched.entering.get(end, packet_space(self.version).empty)

    def _from_outside(self, group: Sequence[tuple[LinkEnd, PacketSet, PacketSet]]) -> None:
        """Ask about packets from outside."""
        sides = []
        for network in self.states.networks:
            starts = (outside_start(network, end, packets) for end, _, packets in group)
            sides.append(_Side(network, [start for start in starts if start is not None]))
        nowhere = self._unrouted()
        self._compare(sides, lambda: (_Unit(sources, nowhere & sources, str(end)) for end, sources, _ in group))

    # ---- comparing --------------------------------------------------------------------------

    def _compare(self, sides: Sequence[_Side], units: Callable[[], Iterable[_Unit]]) -> None:
        """Carry what enters through both states and tell what fares otherwise."""
        works: list[list[Propagation]] = [[], []]
        before, after = (
            self._verdicts(work, side, sides[1 - number])
            for number, (work, side) in enumerate(zip(works, sides, strict=True))
        )
        self.advance(1)
        kinds: dict[str, dict[tuple[Verdict, Verdict], PacketSet]] = {"opened": {}, "closed": {}, "uncertain": {}}
        for was, held in before.items():
            for now, holds in after.items():
                if was is now and was is not Verdict.UNCERTAIN:
                    continue
                both = held & holds
                if was is now and not both.is_empty:
                    both = self._met(works, sides, both)
                if both.is_empty:
                    continue
                if Verdict.UNCERTAIN in (was, now):
                    kind = "uncertain"
                else:
                    kind = "opened" if _ORDER.index(now) > _ORDER.index(was) else "closed"
                kinds[kind][was, now] = both
                self.sizes[kind] += both.count()
        if not any(kinds.values()):
            return
        for unit in units():
            for kind, pairs in kinds.items():
                for pair, packets in pairs.items():
                    part = packets & unit.sources
                    if part.is_empty:
                        continue
                    if self.show:
                        self._tell(sides, unit, kind, pair, part)
                    self._tell_rows(sides, unit, kind, pair, part)

    def _met(self, works: Sequence[Sequence[Propagation]], sides: Sequence[_Side], packets: PacketSet) -> PacketSet:
        """Return those packets of unknown fate that meet something that differs, as far as their ways are known.

        The others have the same ways in both states up to the same line, and nobody knows what becomes of
        them behind it: the answer about them is the same.
        """
        space = packet_space(self.version)
        met = self.touched.always & packets
        for spot in self.touched.spots:
            held = spot.packets & packets
            if held.is_empty or held <= met:
                continue
            for work, side in zip(works, sides, strict=True):
                came = [one.seen_at(spot.device, spot.interface) for one in work]
                came += [
                    start.packets
                    for start in side.starts
                    if start.at.device == spot.device and start.at.interface in (spot.interface, None)
                ]
                met |= held & space.union(came)
        rest = packets - met
        for touch in (touch for one in works[1] for touch in one.touches()):
            self.left_open.update(dict.fromkeys(touch.doubts_about(rest)))
        return met

    def _verdicts(self, works: list[Propagation], side: _Side, other: _Side) -> dict[Verdict, PacketSet]:
        """Return what becomes of all packets that either state is asked about; what nobody sends is denied."""
        space = packet_space(self.version)
        sets: dict[Verdict, list[PacketSet]] = {verdict: [] for verdict in Verdict}
        for starts in _narrowed(side.starts):
            work = Propagation(side.network, self.version)
            works.append(work)
            for fate, packets in work.carry(starts).items():
                sets[fate.reason.verdict].append(packets)
            self.readings.update(work.readings)
        for end in side.known:
            sets[end.reason.verdict].append(end.packets)
        everything = side.asked(self.version) | other.asked(self.version)
        if side.direct:
            # Neighbours on a subnet reach each other without any device: that counts where the other state has a say.
            sets[Verdict.PERMITTED].append(space.union(side.direct) & other.asked(self.version))
            everything -= space.union(side.direct) - other.asked(self.version)
        if other.direct:
            everything -= space.union(other.direct) - side.asked(self.version)
        passing, dropped, unknown = (
            space.union(sets[verdict]) for verdict in (Verdict.PERMITTED, Verdict.DENIED, Verdict.UNCERTAIN)
        )
        partly = passing & dropped
        uncertain = unknown - partly
        permitted = passing - partly - uncertain
        found = {
            Verdict.DENIED: everything - passing - uncertain,
            Verdict.PARTLY: partly,
            Verdict.PERMITTED: permitted,
            Verdict.UNCERTAIN: uncertain,
        }
        return {verdict: packets for verdict, packets in found.items() if not packets.is_empty}

    # ---- telling ----------------------------------------------------------------------------

    def _tell(
        self, sides: Sequence[_Side], unit: _Unit, kind: str, pair: tuple[Verdict, Verdict], packets: PacketSet
    ) -> None:
        """Tell some packets as regions, each with a packet that was followed in both states."""
        into: list[EndChange] = getattr(self, kind)
        room = self.show - len(into)
        if room <= 0:
            self.cut = True
            return
        boxes = packets.boxes(room + 1, free=unit.free - packets)
        self.cut = self.cut or len(boxes) > room
        space = packets.space
        left = packets
        for box in (part for whole in boxes[:room] for part in protocol_parts(whole)):
            held = space.of(box)
            new = left & held
            left -= held
            sample = new.sample()
            if sample is None:  # a protocol that earlier boxes hold already
                continue
            region = Region(box, sample, new.count())
            into.append(self._change(sides, unit, pair, region, sample))

    def _tell_rows(
        self, sides: Sequence[_Side], unit: _Unit, kind: str, pair: tuple[Verdict, Verdict], packets: PacketSet
    ) -> None:
        """Tell some packets as rows, those that other lines decide apart."""
        into = self.rows[kind]
        room = self.most - len(into)
        space, left = packets.space, packets
        for block, held in packets.blocks(room, free=unit.free - packets) if room > 0 else ():
            for part in protocol_parts(block.box):
                for sources, destinations in self._by_cause(sides, unit, pair, block, part, held & left):
                    row = left & held & space.of(part) & _to(sources, destinations)
                    sample = row.sample()
                    if sample is None:  # earlier rows hold all of it
                        continue
                    left -= row
                    region = Region(part, sample, row.count())
                    into.append(ChangeRow(sources, destinations, self._change(sides, unit, pair, region, sample)))

    def _by_cause(
        self,
        sides: Sequence[_Side],
        unit: _Unit,
        pair: tuple[Verdict, Verdict],
        block: Block,
        box: Box,
        held: PacketSet,
    ) -> Iterator[tuple[tuple[Prefix, ...], tuple[Prefix, ...]]]:
        """Yield the ends of a block in parts: addresses to which, or from which, other lines decide.

        Each prefix at one end is tried with one packet, where there are not too many.
        """
        ends = [(block.sources, block.destinations)]
        for end in (1, 0):
            split: list[tuple[tuple[Prefix, ...], tuple[Prefix, ...]]] = []
            for both in ends:
                prefixes = both[end]
                if not 1 < len(prefixes) <= _PROBED or self.probes > _MOST_PROBES:
                    split.append(both)
                    continue
                alike: dict[object, list[Prefix]] = {}
                for prefix in prefixes:
                    one = ((prefix,), both[1]) if end == 0 else (both[0], (prefix,))
                    sample = (held & held.space.of(box) & _to(*one)).sample()
                    if sample is not None:
                        self.probes += 1
                        change = self._change(sides, unit, pair, Region(box, sample), sample)
                        key = tuple((cause.why, cause.span) for cause in (change.before_cause, change.after_cause))
                        alike.setdefault(key, []).append(prefix)
                split += [
                    (tuple(each), both[1]) if end == 0 else (both[0], tuple(each)) for each in alike.values()
                ]  # fmt: skip
            ends = split
        yield from ends

    def _change(
        self, sides: Sequence[_Side], unit: _Unit, pair: tuple[Verdict, Verdict], region: Region, sample: Packet
    ) -> EndChange:
        """Follow the packet of a region in both states."""
        fates = [
            fate_of(
                side.network,
                sample,
                tuple(side.starts_of(sample)),
                [*side.known, *_stayed(side, other, sample, self.version)],
            )
            for side, other in zip(sides, reversed(sides), strict=True)
        ]
        verdicts = tuple(fate.verdict for fate in fates)
        if verdicts != pair:
            raise InternalFault(
                f"two ways to follow one packet disagree: {sample}; all together it is {pair[0]} before and {pair[1]} "
                f"after the change, alone it is {verdicts[0]} and {verdicts[1]}",
                help="report this with the files of both states; the answer is withheld",
            )
        first, second = causes(*fates)
        doubts = tuple(dict.fromkeys(doubt for fate in fates for doubt in fate.doubts))
        return EndChange(region, *pair, first, second, unit.at, doubts if Verdict.UNCERTAIN in pair else ())


def _to(sources: Iterable[Prefix], destinations: Iterable[Prefix]) -> PacketSet:
    """Return all packets from some addresses to others."""
    sources, destinations = tuple(sources), tuple(destinations)
    version = sources[0].version
    anywhere = AddressMatch.any(version)
    space = packet_space(version)
    there = space.of_boxes(Box(anywhere, AddressMatch.prefix(prefix)) for prefix in destinations)
    return sources_of(version, sources) & there


def _within(starts: Iterable[Start], packets: PacketSet) -> Iterator[Start]:
    """Yield starts with some of their packets."""
    for start in starts:
        held = start.packets & packets
        if not held.is_empty:
            yield replace(start, packets=held)


def _narrowed(starts: Iterable[Start]) -> list[list[Start]]:
    """Return starts with few prefixes that hold their destinations, those with wide ones apart.

    Tables are cut for these prefixes only, and all that comes to a table together is cut for all of them: a
    few packets to everywhere would make it slow for all others.
    """
    narrow: list[Start] = []
    wide: list[Start] = []
    for start in starts:
        if any(one.size > 1 for one in start.destinations):
            start = replace(start, destinations=start.packets.destinations_within(_PREFIXES))
        (wide if any(one.length < _WIDE[one.version] for one in start.destinations) else narrow).append(start)
    return [group for group in (narrow, wide) if group]


def _stayed(side: _Side, other: _Side, sample: Packet, version: IPVersion) -> Iterator[End]:
    """Yield the end of a packet that stays on its subnet, where the other state has a say on it."""
    if any(sample in packets for packets in side.direct) and sample in other.asked(version):
        point = packet_space(version).of_packet(sample)
        yield End(point, Reason.ARRIVED, (), False, None, shown=point)
