"""How packets enter the fleet in two states: from stations on its subnets, from its devices, and from outside."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pathcheck.errors import FlowError, UnknownNameError
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.network.entry import Entries, flow_entries
from pathcheck.network.reachability import Network, Start
from pathcheck.network.topology import Attachment
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.queries.fleet_comparison.states import States, doubt_words
from pathcheck.queries.reach.ends import holds_stations

__all__ = ["StationEntries", "device_starts", "handed_sources", "outside_starts", "sources_of"]


@dataclass(slots=True)
class StationEntries:
    """How the packets of stations enter, subnet by subnet, in both states; worked out when it is asked for."""

    states: States
    _subnets: dict[tuple[int, IPVersion], tuple[Prefix, ...]] = field(default_factory=dict)
    _entries: dict[tuple[int, Prefix], Entries | None] = field(default_factory=dict)
    alike: bool = False
    """Whether both states are known to have the same interfaces: then stations enter alike."""

    def subnets(self, side: int, version: IPVersion) -> tuple[Prefix, ...]:
        """Return the subnets of one state that hold stations; one inside another is left out."""
        side = 0 if self.alike else side
        key = (side, version)
        if key not in self._subnets:
            topology = self.states.networks[side].topology
            found = sorted(
                (
                    subnet
                    for subnet in topology.subnets()
                    if subnet.version == version and holds_stations(topology, subnet)
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
        side = 0 if self.alike else side
        key = (side, subnet)
        if key not in self._entries:
            flow = Flow(None, (subnet,), (Prefix.everything(subnet.version),))
            try:
                self._entries[key] = flow_entries(self.states.networks[side], flow, subnet.version)
            except FlowError:
                self._entries[key] = None
        return self._entries[key]

    def differing(self, version: IPVersion) -> Iterator[Prefix]:
        """Yield each subnet whose packets do not enter alike."""
        first, second = (self.subnets(side, version) for side in (0, 1))
        both = set(first) & set(second)
        yield from (subnet for subnet in (*first, *second) if subnet not in both)
        for subnet in sorted(both):
            if _words(self.entries(0, subnet)) != _words(self.entries(1, subnet)):
                yield subnet


def _words(entries: Entries | None) -> tuple[object, ...] | None:
    """Return how packets enter, in a form that can be compared."""
    if entries is None:
        return None
    return (
        tuple((start.at, start.vrf, start.packets, start.ports, doubt_words(start.doubts)) for start in entries.starts),
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


def outside_starts(network: Network, end: LinkEnd, sources: Sequence[Prefix], packets: PacketSet) -> Iterator[Start]:
    """Yield where packets start that come from outside by one interface.

    Parameters
    ----------
    sources
        Addresses outside of the fleet to which it sends by that interface.
    """
    topology = network.topology
    interface = topology.interface(end)
    if interface is None or not sources:
        return
    state = topology.state(end.device, end.interface)
    if state.member_of is not None or not (state.up or state.doubts):
        return
    flow = Flow(None, tuple(sources), (Prefix.everything(packets.version),), at=EntryPoint(end.device, end.interface))
    try:
        entries = flow_entries(network, flow, packets.version)
    except (FlowError, UnknownNameError):
        return
    layer2 = network.layer2
    for start in entries.starts:
        part = start.packets & packets
        if not part.is_empty:
            ports, doubts = layer2.station_ports(end), (*layer2.inner_list_doubts(end), *state.doubts)
            yield replace(start, packets=part, ports=ports, doubts=doubts)


def sources_of(version: IPVersion, prefixes: Iterable[Prefix]) -> PacketSet:
    """Return all packets whose source is in one of some prefixes."""
    anywhere = AddressMatch.any(version)
    return packet_space(version).of_boxes(Box(AddressMatch.prefix(prefix), anywhere) for prefix in prefixes)


def handed_sources(states: States, handed: Mapping[LinkEnd, Sequence[Prefix]]) -> dict[LinkEnd, tuple[Prefix, ...]]:
    """Return the addresses outside of the fleet that are behind each interface: no subnet of the fleet holds them."""
    found: dict[LinkEnd, tuple[Prefix, ...]] = {}
    known: dict[tuple[Prefix, ...], tuple[Prefix, ...]] = {}
    for end, prefixes in handed.items():
        key = tuple(prefixes)
        if key not in known:
            known[key] = tuple(
                part
                for prefix in prefixes
                for part in prefix.without(
                    {item.prefix for network in states.networks for item in network.topology.overlapping(prefix)}
                )
            )
        if known[key]:
            found[end] = known[key]
    return found
