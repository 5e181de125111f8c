"""Which packets a change can touch: all others fare alike, so that they need not be asked about.

A packet is followed from place to place, and what a place does with it is told by the lists
there, the table, the unmodelled lines, and who takes what leaves by an interface.
Where all of that is the same in both states for a packet that enters in the same
way, each of its steps is the same, and so are its ends (by induction over the steps).
So the packets that a change can touch are, at most, those that some place
treats otherwise. Where the places that treat them so are known, only packets that get there
count: those of the stations there, and those whose destination some table sends there.

Everything here is an upper bound; what is in it is then followed exactly.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from pathcheck.dataplane.fib import Fib, FibEntry
from pathcheck.model.access_list import Family
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.interface import InterfaceAddress
from pathcheck.model.unmodelled import (
    DeviceScope,
    InterfaceScope,
    LayerTwoScope,
    ListScope,
    NoScope,
    OwnScope,
    RouteScope,
    TranslationScope,
)
from pathcheck.network.neighbours import Onward
from pathcheck.network.reachability import Network
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.queries.fleet_comparison.entries import StationEntries
from pathcheck.queries.fleet_comparison.list_changes import PlaceChange
from pathcheck.queries.fleet_comparison.nearness import Nearness
from pathcheck.queries.fleet_comparison.route_changes import common_runs, doing, prefixes_of, tables_of
from pathcheck.queries.fleet_comparison.states import Pair, States

__all__ = ["Spot", "Touched", "touched_packets"]

Spans = list[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Spot:
    """A place that treats some packets otherwise.

    Parameters
    ----------
    interface
        Where they arrive; None for the tables of the device.
    """

    device: str
    interface: str | None
    packets: PacketSet


@dataclass(frozen=True, slots=True)
class Touched:
    """Upper bounds of what a change touches, by how packets enter.

    Parameters
    ----------
    stations
        Of packets that stations send.
    own
        Of packets that devices of the fleet send.
    routed
        Of packets from outside, beyond the interface where they enter.
    entering
        Of packets from outside, at the interface where they enter.
    handed
        Interfaces by which some state hands packets to next hops of no device, and the destinations of these packets.
    spots
        The places that treat packets otherwise.
    always
        Packets of which it is not known where they are treated otherwise, or that enter otherwise.
    """

    stations: PacketSet
    own: PacketSet
    routed: PacketSet
    entering: Mapping[LinkEnd, PacketSet]
    handed: Mapping[LinkEnd, tuple[Prefix, ...]]
    spots: tuple[Spot, ...]
    always: PacketSet

    @property
    def anywhere(self) -> PacketSet:
        """Of packets that enter in any way."""
        return self.routed.space.union([self.stations, self.own, self.routed, *self.entering.values()])

    @property
    def is_empty(self) -> bool:
        """Whether the change touches nothing."""
        return self.anywhere.is_empty


def touched_packets(
    states: States, version: IPVersion, places: Mapping[str, Sequence[PlaceChange]], stations: StationEntries
) -> Touched:
    """Return what a change touches.

    Parameters
    ----------
    places
        By device: where packets meet other lists.
    stations
        How the packets of stations enter in both states.
    """
    return _Touching(states, version, stations).all(places)


@dataclass(slots=True)
class _Touching:
    """The work on one IP version."""

    states: States
    version: IPVersion
    stations: StationEntries
    family: Family = field(init=False)
    into: dict[LinkEnd, PacketSet] = field(default_factory=dict)
    out: dict[LinkEnd, PacketSet] = field(default_factory=dict)
    routed: list[PacketSet] = field(default_factory=list)
    from_stations: list[PacketSet] = field(default_factory=list)
    from_devices: list[PacketSet] = field(default_factory=list)
    spots: list[Spot] = field(default_factory=list)
    taken: dict[tuple[LinkEnd, Address | None], bool] = field(default_factory=dict)
    always: list[PacketSet] = field(default_factory=list)

    @property
    def near(self) -> Nearness:
        """What a change of interfaces, VLANs or cables can matter to."""
        return self.stations.near

    def __post_init__(self) -> None:
        self.family = "ipv4" if self.version == 4 else "ipv6"

    def all(self, places: Mapping[str, Sequence[PlaceChange]]) -> Touched:
        """Gather what each change touches."""
        space = packet_space(self.version)
        for pair in self.states.pairs:
            self._lists(pair, places.get(pair.name, ()))
            self._unmodelled(pair)
            self._settings(pair)
        self._tables()
        if not self.near.is_nothing:
            self.from_stations += [self._sources([prefix]) for prefix in self.stations.differing(self.version)]
            self.from_devices += [self._sources(self._starting_otherwise())]
            self.always += [*self.from_stations, *self.from_devices]
        handed: dict[LinkEnd, Spans] = {}
        there: dict[LinkEnd, Spans] = {}
        away: dict[LinkEnd, Spans] = {}
        if self.into or self.out or not self.near.is_nothing or not all(one.is_empty for one in self.routed):
            among = self._swept()
            for side in (0, 1):
                self._sweep(side, among, there, away, handed)
        for end, packets in self.into.items():
            self.spots.append(Spot(end.device, end.interface, packets))
            self.routed.append(packets & self._destinations(there.get(end, [])))
            self.from_stations.append(packets & self._sources(self._subnets(end)))
        for end, packets in self.out.items():
            self._at_tables(end.device, packets & self._destinations(away.get(end, [])))
        routed = space.union(self.routed)
        return Touched(
            space.union([routed, *self.from_stations]),
            space.union([routed, *self.from_devices]),
            routed,
            self.into,
            {end: prefixes_of(spans, self.version) for end, spans in handed.items()},
            tuple(self.spots),
            space.union(self.always),
        )

    # ---- what differs -----------------------------------------------------------------------

    def _lists(self, pair: Pair, places: Sequence[PlaceChange]) -> None:
        """Note where packets meet other lists."""
        for change in places:
            if change.family != self.family:
                continue
            place = change.place
            if place.kind == "interface":
                self._at(LinkEnd(pair.name, place.name), place.direction, change.packets)
            elif place.kind == "port":
                # Which stations' frames pass a switch port is not looked for.
                self.routed.append(change.packets)
                self.always.append(change.packets)
            else:
                self._at_tables(pair.name, change.packets & self._own(pair))

    def _unmodelled(self, pair: Pair) -> None:
        """Note what unmodelled lines touch that only one of the states has."""
        before, after = (
            dict(zip(self.states.line_words(side, device.unmodelled), device.unmodelled, strict=True))
            for side, device in enumerate((pair.before, pair.after))
        )
        everything = packet_space(self.version).full
        for key in before.keys() ^ after.keys():
            scope = (before.get(key) or after[key]).scope
            match scope:
                case InterfaceScope():
                    for direction in scope.directions:
                        self._at(LinkEnd(pair.name, scope.interface), direction, everything)
                case OwnScope():
                    self._at_tables(pair.name, self._own(pair))
                case NoScope() | RouteScope() | ListScope() | LayerTwoScope():
                    pass  # told by the tables, the lists and the neighbours
                case DeviceScope() | TranslationScope():
                    self._whole_device(pair)

    def _settings(self, pair: Pair) -> None:
        """Note devices that treat all packets otherwise: routing, their own packets, tables of interfaces, sessions."""
        on = [network.routing(pair.name, self.version).on for network in self.states.networks]
        if on[0] != on[1] or pair.before.assume.own_packets != pair.after.assume.own_packets:
            self._whole_device(pair)
        for name in pair.before.interfaces.keys() & pair.after.interfaces.keys():
            if pair.before.interfaces[name].vrf != pair.after.interfaces[name].vrf:
                self._at(LinkEnd(pair.name, name), "in", packet_space(self.version).full)
        blocks = [
            [(block.accepts_sessions, [(one.list_name, one.family) for one in block.bindings]) for block in lines]
            for lines in (pair.before.terminal_lines, pair.after.terminal_lines)
        ]
        if blocks[0] != blocks[1]:
            self._at_tables(pair.name, self._own(pair))

    def _whole_device(self, pair: Pair) -> None:
        """Note a device of which each packet that comes to it is touched."""
        everything = packet_space(self.version).full
        for name in dict.fromkeys((*pair.before.interfaces, *pair.after.interfaces)):
            self._at(LinkEnd(pair.name, name), "in", everything)
        self.from_devices.append(self._sources(self._own_addresses(pair.name)))
        self._at_tables(pair.name, everything, routed=self._own(pair))

    def _at(self, end: LinkEnd, direction: str, packets: PacketSet) -> None:
        """Note packets that an interface treats otherwise."""
        held = self.into if direction == "in" else self.out
        held[end] = held[end] | packets if end in held else packets

    def _at_tables(self, name: str, packets: PacketSet, *, routed: PacketSet | None = None) -> None:
        """Note packets that a device treats otherwise from its tables on; `routed` bounds those that come there."""
        self.spots.append(Spot(name, None, packets))
        self.routed.append(packets if routed is None else routed)

    # ---- tables -----------------------------------------------------------------------------

    def _tables(self) -> None:
        """Note the destinations that some table sends another way, or the same way to somebody else."""
        before, after = self.states.networks
        changed = {pair.name for pair in self.states.pairs}
        for name, device in self.states.devices[1].items():
            if name not in self.states.devices[0] or not (
                name in changed or self.near.differing or self._carried(device)
            ):
                continue
            old = tables_of(before, self.states.devices[0][name], self.version)
            new = tables_of(after, device, self.version)
            spans: Spans = []
            for vrf in old.keys() | new.keys():
                spans += self._differing(name, old.get(vrf), new.get(vrf))
            if spans:
                self._at_tables(name, self._destinations(spans))

    def _carried(self, device: Device) -> bool:
        """Whether a device may learn other routes than before."""
        lines = self.states.carried[1]
        return bool(lines) and any((line.span.file, line.span.line) in lines for line in device.unmodelled)

    def _differing(self, name: str, old: Fib | None, new: Fib | None) -> Iterator[tuple[int, int]]:
        """Yield the runs of destinations of one table that fare otherwise."""
        for low, high, one, other in common_runs(old, new, self.version):
            if (old is not new or self.states.carried[1]) and doing(self.states, 0, one) != doing(
                self.states, 1, other
            ):
                yield low, high
            elif self.near.differing and one.entry is not None and other.entry is not None:
                if one.entry.source == "connected":
                    yield from self._differing_on_subnet(name, one.entry, low, high)
                elif one.entry.source != "local" and any(
                    not self._is_taken_alike(LinkEnd(name, hop.interface), hop.next_hop) for hop in one.entry.hops
                ):
                    yield low, high

    def _is_taken_alike(self, end: LinkEnd, next_hop: Address | None) -> bool:
        """Whether what leaves an interface for a next hop is taken by the same neighbours in the same way."""
        key = (end, next_hop)
        if key not in self.taken:
            networks = self.states.networks
            if next_hop is None:
                onward = [network.neighbours.behind(end, self.version) for network in networks]
            elif self.near.holds(end) or any(
                self.near.holds_any(network.topology.owners(next_hop)) for network in networks
            ):
                onward = [network.neighbours.owning(end, next_hop) for network in networks]
            else:
                onward = []
            self.taken[key] = not onward or self._onward(0, onward[0]) == self._onward(1, onward[1])
        return self.taken[key]

    def _onward(self, side: int, onward: Onward) -> tuple[object, ...]:
        """Return who takes packets in one state, in a form that can be compared."""
        words = self.states.doubt_words
        return (
            tuple(
                (
                    item.end,
                    item.carriage.passages,
                    words(side, (*item.carriage.doubts, *item.carriage.drop_doubts, *item.doubts)),
                )
                for item in onward.neighbours
            ),
            onward.stranded is not None,
            words(side, onward.unknown),
        )

    def _differing_on_subnet(self, name: str, entry: FibEntry, low: int, high: int) -> Iterator[tuple[int, int]]:
        """Yield the addresses of a connected subnet that other devices own, or that are reached otherwise."""
        end = LinkEnd(name, entry.hops[0].interface)
        owned = {
            value
            for network in self.states.networks
            for value in _owned(
                network, Prefix.covering_range(Address(self.version, low), Address(self.version, high - 1))
            )
        }
        for value in sorted(owned):
            if not self._is_taken_alike(end, Address(self.version, value)):
                yield value, value + 1

    def _swept(self) -> frozenset[str] | None:
        """Return the devices whose tables matter, None for all.

        Where nothing but what arrives at some interfaces is treated otherwise, and nobody but stations can send
        packets to these, only what their own devices hand to others tells who else may send there.
        """
        if self.out or not self.near.is_nothing or not all(one.is_empty for one in self.routed):
            return None
        if not all(map(self._is_alone, self.into)):
            return None
        return frozenset(end.device for end in self.into)

    def _is_alone(self, end: LinkEnd) -> bool:
        """Whether no other interface is on the subnets of one, or cabled to it, in either state."""
        if not self._addresses(end):
            return False  # without an address it may be reached by the one of another interface
        for network in self.states.networks:
            topology = network.topology
            if any(end in (link.a, link.b) for link in topology.config.links):
                return False
            for prefix in self._subnets(end):
                if any(item.end != end for item in topology.overlapping(prefix)):
                    return False
        return not any(item.role == "link-local" for item in self._interfaces_of(end))

    def _interfaces_of(self, end: LinkEnd) -> Iterator[InterfaceAddress]:
        """Yield the addresses of an interface in both states."""
        for devices in self.states.devices:
            if end.device in devices and end.interface in devices[end.device].interfaces:
                yield from devices[end.device].interfaces[end.interface].addresses

    def _sweep(
        self,
        side: int,
        among: frozenset[str] | None,
        there: dict[LinkEnd, Spans],
        away: dict[LinkEnd, Spans],
        handed: dict[LinkEnd, Spans],
    ) -> None:
        """Note which destinations the tables send to the noted interfaces, by them, and out of the fleet."""
        # Where both states have the same interfaces, what leaves one is taken by the same neighbours.
        network = self.states.networks[0 if self.near.is_nothing else side]
        changed = {pair.name for pair in self.states.pairs}
        noted = sorted({prefix.value for end in self.into for prefix in self._addresses(end)})
        for device in self.states.networks[side].topology.devices:
            if (among is not None and device.name not in among) or (
                side and self.near.is_nothing and device.name not in changed
            ):
                continue
            for fib in tables_of(self.states.networks[side], device, self.version).values():
                for low, high, piece in fib.runs():
                    if piece.entry is None or piece.entry.source == "local":
                        continue
                    for hop in piece.entry.hops:
                        end = LinkEnd(device.name, hop.interface)
                        if end in self.out:
                            away.setdefault(end, []).append((low, high))
                        if piece.entry.source == "connected":
                            self._meet_on_subnet(network, end, noted, low, high, there)
                        else:
                            self._meet_by_route(network, end, hop.next_hop, noted, low, high, there, handed)

    def _meet_on_subnet(
        self, network: Network, end: LinkEnd, noted: list[int], low: int, high: int, there: dict[LinkEnd, Spans]
    ) -> None:
        """Note the addresses of noted interfaces on a connected subnet."""
        for value in noted[bisect_left(noted, low) : bisect_left(noted, high)]:
            onward = network.neighbours.owning(end, Address(self.version, value))
            self._meet(onward, value, value + 1, there)

    def _meet_by_route(
        self,
        network: Network,
        end: LinkEnd,
        next_hop: Address | None,
        noted: list[int],
        low: int,
        high: int,
        there: dict[LinkEnd, Spans],
        handed: dict[LinkEnd, Spans],
    ) -> None:
        """Note destinations that a route sends to a noted interface, or to a next hop of no device."""
        if next_hop is None:
            onward = network.neighbours.behind(end, self.version)
        elif network.topology.owners(next_hop):
            place = bisect_left(noted, next_hop.value)
            if place == len(noted) or noted[place] != next_hop.value:
                return
            onward = network.neighbours.owning(end, next_hop)
        else:
            onward = network.neighbours.owning(end, next_hop)
            if onward.outside:
                handed.setdefault(end, []).append((low, high))
        self._meet(onward, low, high, there)

    def _meet(self, onward: Onward, low: int, high: int, there: dict[LinkEnd, Spans]) -> None:
        """Note destinations that are sent to a noted interface."""
        for neighbour in onward.neighbours:
            if neighbour.end in self.into:
                there.setdefault(neighbour.end, []).append((low, high))

    # ---- packets ----------------------------------------------------------------------------

    def _own_addresses(self, name: str) -> list[Prefix]:
        """Return the addresses of a device in both states."""
        return [
            Prefix(self.version, item.address.value, WIDTH[self.version])
            for devices in self.states.devices
            if name in devices
            for interface in devices[name].interfaces.values()
            for item in interface.addresses
            if item.address.version == self.version and item.role != "link-local"
        ]

    def _starting_otherwise(self) -> Iterator[Prefix]:
        """Yield the addresses whose packets do not start at the same devices in both states."""
        names = [*(pair.name for pair in self.states.pairs), *self.states.added, *self.states.removed]
        for prefix in dict.fromkeys(prefix for name in names for prefix in self._own_addresses(name)):
            first, second = (_owners(self.states, side, prefix.first) for side in (0, 1))
            if first != second:
                yield prefix

    def _own(self, pair: Pair) -> PacketSet:
        """Return all packets to a device's own addresses."""
        spans = [(prefix.value, prefix.value + 1) for prefix in self._own_addresses(pair.name)]
        return self._destinations(spans)

    def _addresses(self, end: LinkEnd) -> list[Prefix]:
        """Return the addresses of an interface in both states, link-local ones too."""
        return [
            Prefix(self.version, item.address.value, WIDTH[self.version])
            for devices in self.states.devices
            if end.device in devices and end.interface in devices[end.device].interfaces
            for item in devices[end.device].interfaces[end.interface].addresses
            if item.address.version == self.version
        ]

    def _subnets(self, end: LinkEnd) -> list[Prefix]:
        """Return the subnets of an interface in both states, and those that share addresses with them."""
        found = [
            item.prefix
            for devices in self.states.devices
            if end.device in devices and end.interface in devices[end.device].interfaces
            for item in devices[end.device].interfaces[end.interface].addresses
            if item.address.version == self.version and item.role != "link-local"
        ]
        others = [
            item.prefix
            for network in self.states.networks
            for one in found
            for item in network.topology.overlapping(one)
        ]
        return list(dict.fromkeys((*found, *others)))

    def _destinations(self, spans: Spans) -> PacketSet:
        anywhere = AddressMatch.any(self.version)
        return packet_space(self.version).of_boxes(
            Box(anywhere, AddressMatch.prefix(prefix)) for prefix in prefixes_of(spans, self.version)
        )

    def _sources(self, prefixes: Iterable[Prefix]) -> PacketSet:
        anywhere = AddressMatch.any(self.version)
        return packet_space(self.version).of_boxes(Box(AddressMatch.prefix(prefix), anywhere) for prefix in prefixes)


def _owners(states: States, side: int, address: Address) -> list[tuple[object, ...]]:
    """Return the devices that packets of an address start on, with what is in doubt there."""
    topology = states.networks[side].topology
    return [
        (
            item.device,
            topology.device(item.device).interfaces[item.interface].vrf,
            states.doubt_words(side, topology.state(item.device, item.interface).doubts),
        )
        for item in topology.owners(address)
        if item.address.role != "link-local" and topology.may_be_up(item)
    ]


def _owned(network: Network, prefixes: Iterable[Prefix]) -> Iterator[int]:
    """Yield the addresses of the fleet's interfaces in some prefixes."""
    for prefix in prefixes:
        for item in network.topology.owned_within(prefix):
            if item.address.role != "link-local":
                yield item.address.address.value
