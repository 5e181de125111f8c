"""How packets enter the fleet in two states: from stations on its subnets, from its devices, and from outside."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from pathcheck.errors import FlowError
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.network.entry import Entries, flow_entries
from pathcheck.network.reachability import Network, Start
from pathcheck.network.topology import Attachment
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.queries.fleet_comparison.nearness import Nearness
from pathcheck.queries.fleet_comparison.states import States
from pathcheck.queries.reach.ends import holds_stations

__all__ = ["StationEntries", "device_starts", "fleet_sources", "outside_start", "sources_of"]


@dataclass(slots=True)
class StationEntries:
    """How the packets of stations enter, subnet by subnet, in both states; worked out when it is asked for."""

    states: States
    near: Nearness
    _subnets: dict[tuple[int, IPVersion, Ranges | None], tuple[Prefix, ...]] = field(default_factory=dict)
    _entries: dict[tuple[int, Prefix], Entries | None] = field(default_factory=dict)

    def subnets(self, side: int, version: IPVersion, sources: Ranges | None = None) -> tuple[Prefix, ...]:
        """Return the subnets of one state that hold stations; one inside another is left out.

        Parameters
        ----------
        sources
            Only subnets with some of these addresses are wanted, given as numbers.
        """
        side = 0 if self.near.is_nothing else side
        key = (side, version, sources)
        if key not in self._subnets:
            topology = self.states.networks[side].topology
            found = sorted(
                (
                    subnet
                    for subnet in topology.subnets()
                    if subnet.version == version
                    and (sources is None or sources.meets(subnet.value, subnet.value + subnet.size - 1))
                    and holds_stations(topology, subnet)
                ),
                key=lambda subnet: (subnet.value, subnet.length),
            )
            widest: list[Prefix] = []
            for subnet in found:
                if not widest or not widest[-1].covers(subnet):
                    widest.append(subnet)
            self._subnets[key] = tuple(widest)
        return self._subnets[key]

    def entries(self, side: int, subnet: Prefix) -> Entries | None:
        """Return how the packets of a subnet enter; None where nothing takes them."""
        # Far from all that differs, stations enter both states alike.
        side = side if side and self._is_near(subnet) else 0
        key = (side, subnet)
        if key not in self._entries:
            flow = Flow(None, (subnet,), (Prefix.everything(subnet.version),), fragment=None)
            try:
                self._entries[key] = flow_entries(self.states.networks[side], flow, subnet.version)
            except FlowError:
                self._entries[key] = None
        return self._entries[key]

    def _is_near(self, subnet: Prefix) -> bool:
        """Whether a change of interfaces, VLANs or cables can matter to the stations of a subnet."""
        return not self.near.is_nothing and any(
            self.near.holds_any(network.topology.overlapping(subnet)) for network in self.states.networks
        )

    def differing(self, version: IPVersion) -> Iterator[Prefix]:
        """Yield each subnet whose packets do not enter alike."""
        first, second = (self.subnets(side, version) for side in (0, 1))
        both = set(first) & set(second)
        yield from (subnet for subnet in (*first, *second) if subnet not in both)
        for subnet in sorted(both):
            if not self._is_near(subnet):
                continue
            if self._words(0, subnet) != self._words(1, subnet):
                yield subnet

    def _words(self, side: int, subnet: Prefix) -> tuple[object, ...] | None:
        """Return how packets enter one state, in a form that can be compared."""
        entries, words = self.entries(side, subnet), self.states.doubt_words
        if entries is None:
            return None
        return (
            tuple((one.at, one.vrf, one.packets, one.ports, words(side, one.doubts)) for one in entries.starts),
            tuple((end.reason, end.packets, bool(end.hops)) for end in entries.ends),
        )


def device_starts(network: Network, version: IPVersion, packets: PacketSet) -> Iterator[Start]:
    """Yield where packets start that the fleet's devices send from their own addresses.

    Addresses of one table of one device share a start; those that several
    interfaces own (virtual ones, duplicates) have one at each owner.
    """
    topology = network.topology
    owners: dict[Address, list[Attachment]] = {}
    for item in topology.attachments:
        if item.address.address.version == version and item.address.role != "link-local":
            owners.setdefault(item.address.address, []).append(item)
    together: dict[object, tuple[Attachment, list[Address]]] = {}
    for address, items in owners.items():
        up = [item for item in items if topology.may_be_up(item)]
        for item in up:
            vrf = topology.device(item.device).interfaces[item.interface].vrf
            doubts = topology.state(item.device, item.interface).doubts
            key = (item.device, vrf, doubts, len(up) > 1)
            together.setdefault(key, (item, []))[1].append(address)
    everywhere = (Prefix.everything(version),)
    for item, addresses in together.values():
        part = packets & sources_of(version, (Prefix(version, one.value, WIDTH[version]) for one in addresses))
        if part.is_empty:
            continue
        interface = topology.device(item.device).interfaces[item.interface]
        yield Start(
            EntryPoint(item.device),
            part,
            everywhere,
            interface.vrf,
            alternative=len(owners[addresses[0]]) > 1,
            doubts=topology.state(item.device, item.interface).doubts,
        )


def outside_start(network: Network, end: LinkEnd, packets: PacketSet) -> Start | None:
    """Return how packets enter that come from outside by a routed interface; None where they do not."""
    topology = network.topology
    interface = topology.interface(end)
    if interface is None:
        return None
    state = topology.state(end.device, end.interface)
    if state.member_of is not None or not (state.up or state.doubts):
        return None
    layer2 = network.layer2
    ports, doubts = layer2.station_ports(end), (*layer2.inner_list_doubts(end), *state.doubts)
    everywhere = (Prefix.everything(packets.version),)
    return Start(EntryPoint(end.device, end.interface), packets, everywhere, ports=ports, doubts=doubts)


def sources_of(version: IPVersion, prefixes: Iterable[Prefix]) -> PacketSet:
    """Return all packets whose source is in one of some prefixes."""
    anywhere = AddressMatch.any(version)
    return packet_space(version).of_boxes(Box(AddressMatch.prefix(prefix), anywhere) for prefix in prefixes)


def fleet_sources(states: States, version: IPVersion, within: Ranges) -> PacketSet:
    """Return all packets whose source is on a subnet of the fleet in either state that holds some of some addresses."""
    subnets = {
        subnet
        for network in states.networks
        for subnet in network.topology.subnets()
        if subnet.version == version and within.meets(subnet.value, subnet.value + subnet.size - 1)
    }
    return sources_of(version, sorted(subnets))
