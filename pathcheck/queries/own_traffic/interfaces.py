"""Packets that interfaces themselves need, against the lists that are applied there.

Each need comes from a line: a relay, a virtual gateway, a neighbour of a routing protocol. Only what
is denied for certain, by every packet that could do, is told.

References
----------
DHCP: RFC 2131 section 4.1, RFC 8415 sections 7.1 and 7.2. BGP: RFC 4271 section 8. OSPF: RFC 2328 section 8.1
and appendix A.1. RIP: RFC 2453 section 4. EIGRP: RFC 7868 section 5.3.4 (from memory). VRRP: RFC 9568
section 5.1.1. Packet too big: RFC 4890 section 4.3.1, RFC 8201. That the list of an interface acts on requests
for addresses that the device relays, and on messages to groups: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pathcheck.dataplane.first_match import filter_packets, filter_through
from pathcheck.errors import InternalFault
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import Action, Direction, Family, ListBinding
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.model.interface import Interface
from pathcheck.model.own_traffic import RoutingPeer
from pathcheck.network.neighbours import is_point_to_point
from pathcheck.network.reachability import Network
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import ICMPV6, TCP, UDP
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import NEW_CONNECTION
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import packet_space
from pathcheck.queries.own_traffic.needs import Need, judge_need, judge_needs
from pathcheck.queries.own_traffic.servers import host, own_addresses
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.results.path import LineUse
from pathcheck.source import Span

__all__ = ["interface_needs"]

_LINK_LOCAL = Prefix.parse("fe80::/10")


def interface_needs(network: Network) -> Iterator[Finding]:
    """Return PC350 to PC355 of a whole fleet."""
    sessions: set[frozenset[Address]] = set()
    for device in network.config.devices.values():
        if network.doubtful(device.name).on_device():
            continue  # a line that may do anything leaves all of it open
        looking = _Looking(network, device)
        yield from looking.requests()
        yield from looking.relayed()
        yield from looking.sessions(sessions)
        yield from looking.messages()
        yield from looking.elections()
        yield from looking.too_big()


@dataclass(frozen=True, slots=True)
class _Denied:
    """Packets that the lists of an interface deny, each of them."""

    use: LineUse
    binding: ListBinding
    sample: Packet


@dataclass(slots=True)
class _Looking:
    """One device."""

    network: Network
    device: Device

    # ---- requests for addresses -------------------------------------------------------------

    def requests(self) -> Iterator[Finding]:
        """Requests of stations that have no address yet, where a relay waits for them."""
        seen: set[tuple[str, IPVersion]] = set()
        for relay in self.device.relays:
            version = relay.server.version
            if (relay.interface, version) in seen or not self._is_up(relay.interface):
                continue
            seen.add((relay.interface, version))
            if version == 4:
                packets = _packets(4, "0.0.0.0/32", "255.255.255.255/32", UDP, (68,), (67,))
                what, permit = "DHCP requests of stations without an address (0.0.0.0 to 255.255.255.255)", (
                    "permit udp host 0.0.0.0 eq bootpc host 255.255.255.255 eq bootps"
                )  # fmt: skip
                source = "RFC 2131 section 4.1"
            else:
                packets = _packets(6, str(_LINK_LOCAL), "ff02::1:2/128", UDP, None, (547,))
                what, permit = "DHCPv6 requests of stations (link-local to ff02::1:2)", (
                    "permit udp fe80::/10 host ff02::1:2 eq 547"
                )  # fmt: skip
                source = "RFC 8415 section 7.1"
            denied = self._denied(relay.interface, "in", packets)
            if denied is not None:
                yield self._finding(
                    "PC350",
                    f"`{relay.interface}` relays requests for addresses to {relay.server}, and {{list}} denies "
                    f"{what}, {source}: {{line}}",
                    denied,
                    relay.interface,
                    (relay.span,),
                    f"write `{permit}` in front of it",
                )

    def relayed(self) -> Iterator[Finding]:
        """Requests that a relay hands on, and the answers to it."""
        for relay in self.device.relays:
            version, interface = relay.server.version, self.device.interfaces[relay.interface]
            vrf = interface.vrf if relay.vrf is None else relay.vrf or None
            own = [it.address for it in interface.addresses if it.address.version == version and it.role == "primary"]
            if not own or vrf != interface.vrf or not self._is_up(relay.interface):
                continue
            port = Ranges.single(67 if version == 4 else 547)
            owners = {it.device for it in self.network.topology.owners(relay.server)} - {self.device.name}
            flow = Flow(
                UDP,
                (host(own[0]),),
                (host(relay.server),),
                source_ports=port,
                destination_ports=port,
                vrf=vrf,
                at=EntryPoint(self.device.name),
            )
            need = Need(
                flow,
                "requests for addresses that are relayed",
                "their answers",
                self.device.name,
                next(iter(owners)) if len(owners) == 1 else None,
            )
            answer = judge_need(self.network, need)
            if answer.holds is False:
                source = "RFC 2131 section 4.1" if version == 4 else "RFC 8415 section 7.2"
                yield finding(
                    "PC351",
                    f"`{relay.interface}` of {self.device.name} relays requests for addresses to {relay.server} "
                    f"({source}): {answer.message}",
                    span=answer.span or relay.span,
                    device=answer.device or self.device.name,
                    acl=answer.acl,
                    because=_other_spans((*answer.because, relay.span), answer.span or relay.span),
                    sample=answer.sample,
                    help=answer.help,
                )

    # ---- routing protocols ------------------------------------------------------------------

    def sessions(self, told: set[frozenset[Address]]) -> Iterator[Finding]:
        """Sessions of BGP: one of the two ends has to be able to open it."""
        for peer in self.device.routing_peers:
            if peer.protocol != "bgp" or peer.neighbour is None:
                continue
            sources, _ = own_addresses(self.network, self.device, peer.neighbour, peer.vrf, peer.source_interface)
            if len(sources) != 1 or frozenset((sources[0][0], peer.neighbour)) in told:
                continue
            own = sources[0][0]
            told.add(frozenset((own, peer.neighbour)))
            answer = judge_needs(self.network, self._openings(peer, own, peer.neighbour))
            if answer.holds is False:
                yield finding(
                    "PC352",
                    f"no BGP session between {self.device.name} ({own}) and {peer.neighbour} can be opened from "
                    f"either end (TCP port 179, RFC 4271 section 8): {answer.message}",
                    span=answer.span or peer.span,
                    device=answer.device or self.device.name,
                    acl=answer.acl,
                    because=_other_spans((*answer.because, peer.span), answer.span or peer.span),
                    sample=answer.sample,
                    help=answer.help,
                )

    def _openings(self, peer: RoutingPeer, own: Address, neighbour: Address) -> list[Need]:
        """Return the ways to open a session: from here, and from the neighbour where it is known where that enters."""
        topology, port = self.network.topology, Ranges.single(179)
        owners = {it.end for it in topology.owners(neighbour) if it.device != self.device.name}
        other = next(iter(owners)) if len(owners) == 1 else None
        there = Flow(
            TCP,
            (host(own),),
            (host(neighbour),),
            destination_ports=port,
            flags=NEW_CONNECTION,
            vrf=peer.vrf,
            at=EntryPoint(self.device.name),
        )
        needs = [
            Need(
                there, "the BGP session", "its answers", self.device.name, other.device if other is not None else None
            )
        ]  # fmt: skip
        at: EntryPoint | None = None
        vrf: str | None = None
        if other is not None:
            at = EntryPoint(other.device)
            vrf = self.network.config.devices[other.device].interfaces[other.interface].vrf
        else:
            near = [it for it in topology.on_subnet_of(neighbour) if it.device == self.device.name]
            at = EntryPoint(self.device.name, near[0].interface) if near else None
        if at is not None:
            back = Flow(
                TCP, (host(neighbour),), (host(own),), destination_ports=port, flags=NEW_CONNECTION, vrf=vrf, at=at
            )  # fmt: skip
            sender = other.device if other is not None else None
            needs.append(Need(back, "the BGP session", "its answers", sender, self.device.name))
        return needs

    def messages(self) -> Iterator[Finding]:
        """Messages to groups by which OSPF, RIP and EIGRP find their neighbours."""
        for peer in self.device.routing_peers:
            if peer.interface is None or not self._is_up(peer.interface):
                continue
            interface = self.device.interfaces[peer.interface]
            for neighbour in self._speakers(peer, interface):
                denied, packets = self._denied_messages(peer, interface, neighbour)
                if denied is not None:
                    yield self._finding(
                        "PC353",
                        f"{_SPOKEN[peer.protocol][0]} messages from its neighbour {neighbour} on `{peer.interface}` "
                        f"({packets}, {_SPOKEN[peer.protocol][1]}) are denied by {{list}}: {{line}}",
                        denied,
                        peer.interface,
                        (peer.span,),
                        f"permit {packets} in front of it",
                    )
                    break

    def _denied_messages(
        self, peer: RoutingPeer, interface: Interface, neighbour: Address
    ) -> tuple[_Denied | None, str]:
        """Return messages of a neighbour all of which are denied, and what they are in words."""
        source = f"{neighbour}/32"
        own = [it for it in interface.addresses if it.address.version == 4 and it.role == "primary"]
        group, protocol = {"ospf": ("224.0.0.5", 89), "rip": ("224.0.0.9", UDP), "eigrp": ("224.0.0.10", 88)}[
            peer.protocol
        ]
        targets = [group]
        if peer.protocol != "rip" and own and not is_point_to_point(interface, [it.prefix for it in own]):
            targets.append(str(own[0].address))
        for target in targets:
            ports = (520,) if peer.protocol == "rip" else None
            denied = self._denied(interface.name, "in", _packets(4, source, f"{target}/32", protocol, ports, ports))
            if denied is not None and peer.protocol == "rip":
                # Version 1 sends to everybody (RFC 1058 section 3.4).
                broadcast = _packets(4, source, "255.255.255.255/32", protocol, ports, ports)
                denied = self._denied(interface.name, "in", broadcast) and denied
            if denied is not None:
                name = "udp port 520" if peer.protocol == "rip" else f"protocol {protocol}"
                return denied, f"{name} {neighbour} to {target}"
        return None, ""

    def _speakers(self, peer: RoutingPeer, interface: Interface) -> Iterator[Address]:
        """Yield the addresses of devices of the fleet that speak the protocol on the interface's subnet."""
        topology = self.network.topology
        for subnet in {it.prefix for it in interface.addresses if it.address.version == 4}:
            for other in topology.overlapping(subnet):
                if other.device == self.device.name or other.address.role != "primary" or not topology.is_up(other):
                    continue
                theirs = self.network.config.devices[other.device].routing_peers
                if not any(it.protocol == peer.protocol and it.interface == other.interface for it in theirs):
                    continue
                if self.network.layer2.between(LinkEnd(self.device.name, interface.name), other.end).carried:
                    yield other.address.address

    # ---- virtual gateways -------------------------------------------------------------------

    def elections(self) -> Iterator[Finding]:
        """Advertisements of VRRP, by which routers agree on who owns a virtual gateway."""
        for interface in self.device.interfaces.values():
            for version in _VERSIONS:
                shared = [
                    it
                    for it in interface.addresses
                    if it.role == "virtual" and it.address.version == version and _is_vrrp(it.span)
                ]
                if not shared or not self._is_up(interface.name):
                    continue
                group = "224.0.0.18/32" if version == 4 else "ff02::12/128"
                for source in self._electors(interface, version, shared[0].address):
                    denied = self._denied(interface.name, "in", _packets(version, source, group, 112))
                    if denied is not None:
                        yield self._finding(
                            "PC354",
                            f"VRRP advertisements on `{interface.name}` (protocol 112, {source} to {group}, "
                            f"RFC 9568 section 5.1) are denied by {{list}}: {{line}}; each router takes itself for the "
                            f"owner of {shared[0].address}",
                            denied,
                            interface.name,
                            (shared[0].span,),
                            f"permit protocol 112 to {group.partition('/')[0]} in front of it",
                        )
                        break

    def _electors(self, interface: Interface, version: IPVersion, shared: Address) -> list[str]:
        """Return the sources of advertisements: known routers of the same virtual address, else the subnet."""
        if version == 6:
            return [str(_LINK_LOCAL)]  # RFC 9568 section 5.1.2.1
        topology = self.network.topology
        own = [it.prefix for it in interface.addresses if it.role == "primary" and it.address.version == 4]
        ends = {it.end for it in topology.owners(shared) if it.device != self.device.name and topology.is_up(it)}
        found = [
            f"{address.address}/32"
            for end in sorted(ends, key=str)
            for address in self.network.config.devices[end.device].interfaces[end.interface].addresses
            if address.role == "primary" and address.address.version == 4
        ]
        return found or [str(prefix) for prefix in own]

    # ---- path MTU ---------------------------------------------------------------------------

    def too_big(self) -> Iterator[Finding]:
        """ICMPv6 packet-too-big, without which IPv6 sessions with large packets hang."""
        if not self.network.routing(self.device.name, 6).on:
            return
        for interface in self.device.interfaces.values():
            if not self._is_up(interface.name):
                continue
            for direction in ("in", "out"):
                bindings = self._bindings(interface.name, direction, "ipv6")
                if not bindings or (direction == "in" and not self._leads_on(interface)):
                    continue
                denied = self._denied(
                    interface.name, direction, _packets(6, "::/0", "::/0", ICMPV6, icmp=(2 << 8, 2 << 8 | 255))
                )
                if denied is None or not self._permits_sessions(denied.binding):
                    continue
                yield self._finding(
                    "PC355",
                    "{list} permits traffic and denies each ICMPv6 packet-too-big (type 2), which must not be "
                    "dropped (RFC 4890 section 4.3.1): {line}; senders do not learn of a smaller MTU",
                    denied,
                    interface.name,
                    (),
                    "write `permit icmp any any packet-too-big` in front of it",
                )

    def _leads_on(self, interface: Interface) -> bool:
        """Whether other routers are behind an interface, whose messages come in by it."""
        subnets = [it.prefix for it in interface.addresses if it.address.version == 6 and it.role != "link-local"]
        if any(route.prefix.version == 6 and route.interface == interface.name for route in self.device.static_routes):
            return True
        hops = [it.next_hop for it in self.device.static_routes if it.next_hop is not None and it.vrf == interface.vrf]
        if any(hop in subnet for subnet in subnets for hop in hops):
            return True
        return any(
            other.device != self.device.name and self.network.routing(other.device, 6).on
            for subnet in subnets
            for other in self.network.topology.overlapping(subnet)
        )

    def _permits_sessions(self, binding: ListBinding) -> bool:
        """Whether a list lets any TCP or UDP through for certain; one that lets nothing through is meant to."""
        anything = AddressMatch.any(6)
        packets = packet_space(6).of(Box(anything, anything, protocols=Ranges.of((TCP, TCP), (UDP, UDP))))
        parts = filter_packets(self.device, "ipv6", binding.list_name, packets)
        return any(part.action is Action.PERMIT for part in parts)

    # ---- lists ------------------------------------------------------------------------------

    def _is_up(self, interface: str) -> bool:
        """Whether an interface is up for certain, and nothing diverts what comes in there."""
        state = self.network.topology.state(self.device.name, interface)
        diverting, _ = self.network.doubtful(self.device.name).at(interface, "in")
        return state.up and not state.doubts and state.member_of is None and not diverting

    def _bindings(self, interface: str, direction: Direction, family: Family) -> list[ListBinding]:
        """Return the lists on routed packets through an interface."""
        return [
            it
            for it in self.device.interfaces[interface].bindings
            if it.direction == direction and it.family == family and not it.port
        ]

    def _denied(self, interface: str, direction: Direction, packets: Box) -> _Denied | None:
        """Return what denies packets at an interface if each of them is denied for certain, else None."""
        version = packets.source.version
        family: Family = "ipv4" if version == 4 else "ipv6"
        bindings = self._bindings(interface, direction, family)
        if not bindings:
            return None
        parts = filter_through(self.device, bindings, packet_space(version).of(packets))
        if any(part.action is not Action.DENY for part in parts):
            return None
        sample = parts[0].packets.sample()
        assert sample is not None
        use = parts[0].uses[-1]
        binding = bindings[len(parts[0].uses) - 1]
        decision = evaluate_list(self.device, family, binding.list_name, sample)
        if decision.action is not Action.DENY:
            raise InternalFault(
                f"`{sample}` is denied by `{binding.list_name}` of `{self.device.name}`, but the evaluator says "
                f"{decision.action or 'uncertain'}",
                help="report this with the files of the fleet; the answer is withheld",
            )
        return _Denied(use, binding, sample)

    def _finding(
        self, code: str, message: str, denied: _Denied, interface: str, because: Sequence[Span], help_: str
    ) -> Finding:
        """Return a finding at the line that denies."""
        binding, use = denied.binding, denied.use
        access_list = self.device.access_list(binding.family, binding.list_name)
        span = use.span or (access_list.span if access_list is not None else binding.span)
        line = f"`{use.span.words}`" if use.span is not None else f"its {use.text}"
        named = f"the list `{binding.list_name}` ({binding.direction} on {self.device.name}:{interface})"
        return finding(
            code,
            message.replace("{list}", named).replace("{line}", line),
            span=span,
            device=self.device.name,
            acl=binding.list_name,
            because=_other_spans((*because, binding.span), span),
            sample=denied.sample,
            help=help_ if use.span is not None else help_.replace(" in front of it", f" into `{binding.list_name}`"),
        )


_VERSIONS: tuple[IPVersion, ...] = (4, 6)
_SPOKEN = {
    "ospf": ("OSPF", "RFC 2328 section 8.1"),
    "rip": ("RIP", "RFC 2453 section 4"),
    "eigrp": ("EIGRP", "RFC 7868 section 5"),
}


def _is_vrrp(span: Span) -> bool:
    """Whether a virtual address is one of VRRP: other kinds of virtual gateways have messages of their own."""
    return span.words.lower().startswith("vrrp")


def _packets(
    version: IPVersion,
    source: str,
    destination: str,
    protocol: int,
    source_ports: tuple[int, ...] | None = None,
    destination_ports: tuple[int, ...] | None = None,
    icmp: tuple[int, int] | None = None,
) -> Box:
    """Return packets from and to prefixes."""
    sent_by, sent_to = (AddressMatch.prefix(Prefix.parse(text)) for text in (source, destination))
    assert sent_by.version == sent_to.version == version
    return Box(
        sent_by,
        sent_to,
        protocols=Ranges.single(protocol),
        source_ports=None if source_ports is None else Ranges.of(*((it, it) for it in source_ports)),
        destination_ports=None if destination_ports is None else Ranges.of(*((it, it) for it in destination_ports)),
        icmp=None if icmp is None else Ranges.of(icmp),
        fragment=False,
    )


def _other_spans(spans: Sequence[Span], span: Span | None) -> tuple[Span, ...]:
    """Return lines once each, without one of them, by file and line."""
    known = {(it.file, it.line): it for it in spans if span is None or (it.file, it.line) != (span.file, span.line)}
    return tuple(known[key] for key in sorted(known))
