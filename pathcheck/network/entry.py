"""Where the packets of a flow enter the fleet, and which packets those are.

A source without more words is a station on a subnet, or a device of the fleet
by its own address. A prefix as source stands for the stations on it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from pathcheck.dataplane.first_match import filter_through
from pathcheck.errors import FlowError, UnknownNameError, nearest
from pathcheck.model.access_list import Action, Family
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.network.reachability import End, HopTrace, Network, Start
from pathcheck.network.topology import Attachment
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.results.verdict import Reason

__all__ = ["Entries", "flow_entries", "flow_packets", "unicast_parts", "versions_of"]

_NO_STATION: dict[IPVersion, tuple[Prefix, ...]] = {
    # RFC 1812 section 5.3.7; RFC 4291 sections 2.5.2, 2.5.3, 2.5.6 and 2.7. `::/127` is the unspecified and the
    # loopback address.
    4: tuple(map(Prefix.parse, ("0.0.0.0/8", "127.0.0.0/8", "224.0.0.0/4", "240.0.0.0/4"))),
    6: tuple(map(Prefix.parse, ("::/127", "fe80::/10", "ff00::/8"))),
}
"""Addresses that a unicast packet between two subnets never has."""


@dataclass(slots=True)
class Entries:
    """How the packets of one IP version enter.

    Parameters
    ----------
    starts
        Where they enter devices.
    ends
        What needs no device, or does not get as far: packets within one subnet,
        and those of stations whose gateway is down.
    notes
        What was left out, as whole sentences.
    """

    starts: list[Start] = field(default_factory=list)
    ends: list[End] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def versions_of(flow: Flow) -> tuple[IPVersion, ...]:
    """Return the IP versions that both ends of a flow have."""
    versions: tuple[IPVersion, ...] = (4, 6)
    return tuple(
        version
        for version in versions
        if all(any(prefix.version == version for prefix in end) for end in (flow.source, flow.destination))
    )


def unicast_parts(prefixes: Iterable[Prefix], version: IPVersion) -> tuple[Prefix, ...]:
    """Return the parts of prefixes that unicast packets between two subnets can have."""
    return tuple(part for prefix in prefixes for part in prefix.without(_NO_STATION[version]))


def flow_packets(flow: Flow, version: IPVersion) -> PacketSet:
    """Return all packets of a flow of one IP version, whatever addresses stations can have."""
    protocol = flow.protocol_in(version)
    anywhere = AddressMatch.any(version)
    box = Box(
        anywhere,
        anywhere,
        protocols=None if protocol is None else Ranges.single(protocol),
        source_ports=flow.source_ports,
        destination_ports=flow.destination_ports,
        icmp=flow.icmp,
        flags=flow.flags,
        dscp=flow.dscp,
        fragment=flow.fragment,
    )
    sources = _addressed(version, tuple(p for p in flow.source if p.version == version), False)
    destinations = _addressed(version, tuple(p for p in flow.destination if p.version == version), True)
    return packet_space(version).of(box) & sources & destinations


def flow_entries(network: Network, flow: Flow, version: IPVersion) -> Entries:
    """Return where the packets of one IP version of a flow enter.

    Raises
    ------
    FlowError
        A source is on no subnet of the fleet, so that `--at` is needed; or no
        packet is left to ask about.
    UnknownNameError
        The entry point is no device or interface of the fleet.
    """
    return _Entering(network, flow, version).enter()


class _Entering:
    """The work on one flow and one IP version."""

    def __init__(self, network: Network, flow: Flow, version: IPVersion) -> None:
        self.network = network
        self.topology = network.topology
        self.flow = flow
        self.version: IPVersion = version
        self.found = Entries()
        self.left_out: set[Address] = set()
        destinations = tuple(prefix for prefix in flow.destination if prefix.version == version)
        self.destinations = self._unicast(destinations, "destination")
        unicast = replace(flow, destination=self.destinations)
        self.packets = flow_packets(unicast, version)

    def enter(self) -> Entries:
        """Return the entries."""
        sources = tuple(prefix for prefix in self.flow.source if prefix.version == self.version)
        sources = self._unicast(sources, "source")
        if self.packets.is_empty:
            raise FlowError("the flow holds no packet: its words contradict each other")
        if self.flow.at is not None:
            self._enter_at(self.flow.at, sources)
        else:
            for source in sources:
                if source.size == 1:
                    self._enter_from_host(source)
                else:
                    self._enter_from_prefix(source)
        self._note_left_out()
        if not self.found.starts and not self.found.ends:
            raise FlowError(
                f"the flow holds no packet: no station can be on `{self.flow.source_named or sources[0]}`",
                help="name a single address, or say where the packets enter with `--at DEVICE[:INTERFACE]`",
            )
        return self.found

    def _unicast(self, prefixes: tuple[Prefix, ...], which: str) -> tuple[Prefix, ...]:
        """Return the parts of prefixes that unicast packets between subnets can have."""
        excluded = _NO_STATION[self.version]
        kept = unicast_parts(prefixes, self.version)
        if not kept:
            raise FlowError(
                f"`{prefixes[0]}` as {which} is no unicast address that is routed; only unicast flows are answered"
            )
        if kept != prefixes:
            left_out = [str(block) for block in excluded if any(block.overlaps(prefix) for prefix in prefixes)]
            self.found.notes.append(f"left out of the {which}: {', '.join(left_out)}, which no router forwards")
        return kept

    # ---- without an entry point -------------------------------------------------------------

    def _enter_from_host(self, source: Prefix) -> None:
        """One address: a device's own, or a station's."""
        address = source.first
        owners = [
            owner
            for owner in self.topology.owners(address)
            if owner.address.role != "link-local" and self._in_vrf(owner)
        ]
        packets = self._from(self.packets, [source])
        if owners:
            self._enter_from_device(owners, packets)
            return
        attachments = [item for item in self.topology.on_subnet_of(address) if self._can_hold_stations(item)]
        if not attachments:
            raise self._off_fleet(source)
        self._enter_from_stations(attachments, packets, source)

    def _enter_from_device(self, owners: Sequence[Attachment], packets: PacketSet) -> None:
        """Packets of the fleet's own devices start on the device."""
        up = [owner for owner in owners if self.topology.may_be_up(owner)]
        for owner in up:
            interface = self.topology.device(owner.device).interfaces[owner.interface]
            state = self.topology.state(owner.device, owner.interface)
            start = Start(
                EntryPoint(owner.device),
                packets,
                self.destinations,
                interface.vrf,
                alternative=len(up) > 1,
                doubts=state.doubts,
            )
            self.found.starts.append(start)
        if not up:
            self._end_down(owners, packets)

    def _enter_from_prefix(self, source: Prefix) -> None:
        """A prefix: the stations on each subnet that it shares addresses with."""
        attachments = [item for item in self.topology.overlapping(source) if self._can_hold_stations(item)]
        uncovered = source.without({item.prefix for item in attachments})
        if uncovered:
            raise self._off_fleet(uncovered[0] if len(uncovered) < 64 else source)
        packets = self._stations_only(self._from(self.packets, [source]), source)
        if not packets.is_empty:
            self._enter_from_stations(attachments, packets, source)

    def _enter_from_stations(self, attachments: Sequence[Attachment], packets: PacketSet, source: Prefix) -> None:
        """Packets of stations: to their own subnet directly, to others by each gateway that is up."""
        direct = self._within_subnets(attachments, packets)
        rest = packets - direct
        if rest.is_empty:
            return
        routers = [item for item in attachments if self.network.routing(item.device, self.version).on]
        if not routers:
            subnet = attachments[0].prefix
            raise FlowError(
                f"no device of the fleet that routes IPv{self.version} is on `{subnet}`, the subnet of `{source}`",
                help="say where the packets enter with `--at DEVICE[:INTERFACE]`",
            )
        usable = [item for item in routers if self.topology.is_up(item)]
        usable = usable or [item for item in routers if self.topology.may_be_up(item)]
        covered = packet_space(self.version).empty
        ends = {item.end for item in usable}
        seen: dict[EntryPoint, None] = {}
        for item in usable:
            at = EntryPoint(item.device, item.interface)
            part = self._from(rest, [item.prefix])
            if part.is_empty or at in seen:
                continue
            seen[at] = None
            covered |= part
            rivals = {other.end for other in self.topology.overlapping(item.prefix)} & ends - {item.end}
            self.found.starts.append(self._station_start(at, part, alternative=bool(rivals)))
        behind_down = rest - covered
        if not behind_down.is_empty:
            stranded = [item for item in routers if not self._from(behind_down, [item.prefix]).is_empty]
            if not stranded:
                raise self._off_fleet(source)
            self._end_down(stranded, behind_down)

    def _station_start(self, at: EntryPoint, packets: PacketSet, alternative: bool) -> Start:
        assert at.interface is not None
        ports = self.network.layer2.station_ports(LinkEnd(at.device, at.interface))
        doubts = self.network.layer2.inner_list_doubts(LinkEnd(at.device, at.interface))
        return Start(at, packets, self.destinations, alternative=alternative, ports=ports, doubts=doubts)

    def _within_subnets(self, attachments: Sequence[Attachment], packets: PacketSet) -> PacketSet:
        """Deliver what stays on the station's own subnet, and return it."""
        done = packet_space(self.version).empty
        for subnet in dict.fromkeys(item.prefix for item in attachments):
            inside = [part for destination in self.destinations for part in _common(destination, subnet)]
            if not inside:
                continue
            local = self._from(packets, [subnet]) & self._to(inside)
            local -= done
            if local.is_empty:
                continue
            done |= local
            self._deliver_within(subnet, inside, local)
        return done

    def _deliver_within(self, subnet: Prefix, inside: Sequence[Prefix], packets: PacketSet) -> None:
        """Packets that stay on one subnet: to devices by their interface there, to stations directly."""
        note = f"source and destination are on one subnet, {subnet}: no list on routed traffic is met"
        owned: dict[Address, list[Attachment]] = {}
        for destination in inside:
            for owner in self.topology.owned_within(destination):
                if owner.prefix.overlaps(subnet) and self._in_vrf(owner) and self._can_hold_stations(owner):
                    owned.setdefault(owner.address.address, []).append(owner)
        rest = packets
        for address, owners in owned.items():
            own = Prefix(self.version, address.value, WIDTH[self.version])
            part = rest & self._to([own])
            if part.is_empty:
                continue
            rest -= part
            up = [owner for owner in owners if self.topology.may_be_up(owner)]
            for owner in up:
                start = self._station_start(EntryPoint(owner.device, owner.interface), part, len(up) > 1)
                self.found.starts.append(replace(start, destinations=(own,)))
            if not up:
                self._end_down(owners, part)
        if not rest.is_empty:
            self.found.ends.append(End(rest, Reason.ARRIVED, (), False, None, shown=rest, notes=(note,)))

    def _end_down(self, attachments: Sequence[Attachment], packets: PacketSet) -> None:
        """End packets whose own interface or gateway is down."""
        item = attachments[0]
        state = self.topology.state(item.device, item.interface)
        place = f" ({state.span})" if state.span else ""
        hop = HopTrace(item.device, item.interface, notes=(f"{item.end} is down: {state.why}{place}",))
        self.found.ends.append(End(packets, Reason.STRANDED, (hop,), False, None, shown=packets))

    def _can_hold_stations(self, item: Attachment) -> bool:
        """Whether stations can be on the subnet of an attachment: it is no loopback, and in the VRF asked for."""
        interface = self.topology.device(item.device).interfaces[item.interface]
        return interface.kind != "loopback" and interface.channel_group is None and self._in_vrf(item)

    def _in_vrf(self, item: Attachment) -> bool:
        interface = self.topology.device(item.device).interfaces[item.interface]
        return self.flow.vrf is None or interface.vrf == self.flow.vrf

    def _off_fleet(self, source: Prefix) -> FlowError:
        where = f" in VRF `{self.flow.vrf}`" if self.flow.vrf is not None else ""
        shown = str(source.first) if source.size == 1 else str(source)
        return FlowError(
            f"the source `{shown}` is on no subnet of the fleet{where}",
            help=f"say where the packets enter with `--at DEVICE[:INTERFACE]`{self._refused_files()}",
        )

    def _refused_files(self) -> str:
        """What to look at where the subnet may be in a file that is refused."""
        files = self.network.topology.config.refused
        if not files:
            return ""
        names = ", ".join(f"`{one.file}`" for one in files[:3]) + (", ..." if len(files) > 3 else "")
        return f"; refused and so not known: {names}, see `pathcheck parse`"

    # ---- with an entry point ----------------------------------------------------------------

    def _enter_at(self, at: EntryPoint, sources: Sequence[Prefix]) -> None:
        """Enter where the question says, whatever the source."""
        devices = self.network.config.devices
        if at.device not in devices:
            near = nearest(at.device, devices)
            raise UnknownNameError(
                f"no device `{at.device}` in the fleet", help=f"did you mean `{near}`?" if near else None
            )
        if at.interface is None:
            self._enter_on_device(at, sources)
            return
        interface = devices[at.device].interfaces.get(at.interface)
        if interface is None:
            near = nearest(at.interface, devices[at.device].interfaces)
            raise UnknownNameError(
                f"the device `{at.device}` has no interface `{at.interface}`",
                help=f"did you mean `{near}`?" if near else None,
            )
        packets = packet_space(self.version).empty
        for source in sources:
            part = self._from(self.packets, [source])
            packets |= part if source.size == 1 else self._stations_only(part, source)
        end = self.topology.logical(LinkEnd(at.device, at.interface))
        if self.network.layer2.segment_behind(end) is not None:
            self._enter_by_switch_port(end, packets)
            return
        if self.flow.vrf is not None and interface.vrf != self.flow.vrf:
            raise FlowError(
                f"`{at.device}:{at.interface}` is in {_table(interface.vrf)}, not in {_table(self.flow.vrf)}",
                help="leave the VRF away: packets that enter by an interface are in its table",
            )
        if not packets.is_empty:
            self.found.starts.append(Start(EntryPoint(end.device, end.interface), packets, self.destinations))

    def _enter_on_device(self, at: EntryPoint, sources: Sequence[Prefix]) -> None:
        """Packets that start on a device; one of its own addresses puts them in that interface's table."""
        device = self.network.config.devices[at.device]
        vrfs = {None, *device.vrfs, *(interface.vrf for interface in device.interfaces.values())}
        if self.flow.vrf not in vrfs:
            near = nearest(self.flow.vrf or "", [vrf for vrf in vrfs if vrf is not None])
            raise UnknownNameError(
                f"the device `{at.device}` has no VRF `{self.flow.vrf}`",
                help=f"did you mean `{near}`?" if near else None,
            )
        by_table: dict[str | None, PacketSet] = {}
        for source in sources:
            vrf = self.flow.vrf
            if vrf is None and source.size == 1:
                own = [item for item in self.topology.owners(source.first) if item.device == at.device]
                vrf = device.interfaces[own[0].interface].vrf if own else None
            part = self._from(self.packets, [source])
            by_table[vrf] = by_table[vrf] | part if vrf in by_table else part
        for vrf, packets in by_table.items():
            if not packets.is_empty:
                self.found.starts.append(Start(at, packets, self.destinations, vrf))

    def _enter_by_switch_port(self, end: LinkEnd, packets: PacketSet) -> None:
        """Untagged frames that enter by a switch port: to the routed interfaces of its VLAN."""
        layer2 = self.network.layer2
        segment = layer2.segment_behind(end)
        assert segment is not None
        reach = layer2.component(segment) if self.topology.is_cabled(end.device) else (segment,)
        routed = [
            Attachment(owner.device, owner.interface, address)
            for owner in dict.fromkeys(found for here in reach for found in layer2.interfaces_on(here))
            for address in self.topology.device(owner.device).interfaces[owner.interface].addresses
            if address.address.version == self.version and address.role != "link-local"
        ]
        packets = self._bridge(end, routed, packets)
        gateways = [
            item
            for item in routed
            if self.network.routing(item.device, self.version).on and self.topology.may_be_up(item)
        ]
        ends = list(dict.fromkeys(item.end for item in gateways))
        if not ends and not packets.is_empty:
            raise FlowError(
                f"no routed interface takes the packets that enter by the switch port `{end}`: they stay in {segment}",
                help="say by which routed interface they enter with `--at DEVICE:INTERFACE`",
            )
        if not packets.is_empty:
            self.found.starts.extend(self._port_start(end, it, packets, len(ends) > 1) for it in ends)

    def _port_start(self, port: LinkEnd, end: LinkEnd, packets: PacketSet, alternative: bool) -> Start:
        doubts = self.network.layer2.inner_list_doubts(end) if end.device != port.device else ()
        at = EntryPoint(end.device, end.interface)
        return Start(at, packets, self.destinations, alternative=alternative, ports=(port,), doubts=doubts)

    def _bridge(self, port: LinkEnd, routed: Sequence[Attachment], packets: PacketSet) -> PacketSet:
        """Deliver what enters by a switch port and stays in its VLAN, and return the rest."""
        for subnet in dict.fromkeys(item.prefix for item in routed):
            local = packets & self._to([subnet]) & _addressed(self.version, (subnet,), False)
            if local.is_empty:
                continue
            packets -= local
            owned: dict[Address, list[LinkEnd]] = {}
            for item in routed:
                if self.topology.may_be_up(item) and item.address.address in subnet:
                    owned.setdefault(item.address.address, []).append(item.end)
            for address, ends in owned.items():
                own = Prefix(self.version, address.value, WIDTH[self.version])
                part = local & self._to([own])
                if part.is_empty:
                    continue
                local -= part
                self.found.starts.extend(
                    replace(self._port_start(port, end, part, len(ends) > 1), destinations=(own,)) for end in ends
                )
            self._bridge_to_stations(port, local, subnet)
        return packets

    def _bridge_to_stations(self, port: LinkEnd, packets: PacketSet, subnet: Prefix) -> None:
        """Deliver frames to stations of their own VLAN: only a list on the port can stop them."""
        device = self.topology.device(port.device)
        family: Family = "ipv4" if self.version == 4 else "ipv6"
        bindings = [
            binding
            for binding in device.interfaces[port.interface].bindings
            if binding.port and binding.direction == "in" and binding.family == family
        ]
        note = f"source and destination are on one subnet, {subnet}: no list on routed traffic is met"
        for part in filter_through(device, bindings, packets):
            uses = tuple((part.packets, use) for use in part.uses)
            hop = HopTrace(port.device, port.interface, port_lines=uses)
            reason = {Action.PERMIT: Reason.ARRIVED, Action.DENY: Reason.FILTERED, None: Reason.UNMODELLED}[part.action]
            self.found.ends.append(
                End(
                    part.packets,
                    reason,
                    (hop,),
                    False,
                    None,
                    shown=part.packets,
                    doubts=part.doubts,
                    readings=part.readings,
                    notes=(note,),
                )
            )

    # ---- packets ----------------------------------------------------------------------------

    def _stations_only(self, packets: PacketSet, source: Prefix) -> PacketSet:
        """Leave out what is no station: devices' own addresses, network and broadcast addresses."""
        named = {prefix.first for prefix in self.flow.source if prefix.size == 1}
        own = {item.address.address for item in self.topology.owned_within(source)} - named
        reserved = {
            address
            for subnet in {item.prefix for item in self.topology.overlapping(source)}
            for address in subnet.reserved_addresses()
            if address in source
        } - named
        left_out = own | reserved
        if not left_out:
            return packets
        self.left_out.update(left_out)
        hosts = [Prefix(self.version, address.value, WIDTH[self.version]) for address in sorted(left_out)]
        return packets - self._from(packets, hosts)

    def _note_left_out(self) -> None:
        """Say which addresses of prefixes are not taken for stations."""
        if self.left_out:
            shown = sorted(self.left_out)
            named = ", ".join(map(str, shown)) if len(shown) <= 4 else f"{len(shown)} addresses"
            self.found.notes.append(
                f"left out of the source: {named} (the fleet's devices, network and broadcast addresses)"
            )

    def _from(self, packets: PacketSet, sources: Iterable[Prefix]) -> PacketSet:
        return packets & _addressed(self.version, tuple(sources), False)

    def _to(self, destinations: Iterable[Prefix]) -> PacketSet:
        return _addressed(self.version, tuple(destinations), True)


@lru_cache(maxsize=4096)
def _addressed(version: IPVersion, prefixes: tuple[Prefix, ...], is_destination: bool) -> PacketSet:
    """Return all packets whose source, or destination, is in one of the prefixes."""
    anywhere = AddressMatch.any(version)
    matches = [AddressMatch.prefix(prefix) for prefix in prefixes]
    return packet_space(version).of_boxes(
        Box(anywhere, match) if is_destination else Box(match, anywhere) for match in matches
    )


def _common(one: Prefix, other: Prefix) -> Iterator[Prefix]:
    """Return what two prefixes share: the longer of the two, or nothing."""
    if one.overlaps(other):
        yield max(one, other, key=lambda prefix: prefix.length)


def _table(vrf: str | None) -> str:
    return "the global table" if vrf is None else f"VRF `{vrf}`"
