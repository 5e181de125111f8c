"""Models made in one line each, for tests that need configuration without any text to parse."""

from __future__ import annotations

from typing import Any

from pathcheck.model.access_list import AccessList, Action, Direction, Entry, Family, IcmpMatch, Line, ListBinding
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig, Link, LinkEnd
from pathcheck.model.interface import Interface, InterfaceAddress, interface_kind
from pathcheck.model.object_group import GroupKind, GroupMember, GroupReference, ObjectGroup
from pathcheck.model.static_route import DefaultGateway, StaticRoute
from pathcheck.model.vlan import Vlan
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import SYN
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.source import Span

PROTOCOLS = {"ip": None, "icmp": 1, "tcp": 6, "udp": 17, "esp": 50, "icmpv6": 58, "ospf": 89, "sctp": 132}


def span(text: str = "", line: int = 1, file: str = "quay.cfg") -> Span:
    return Span(file, line, text)


def match(text: str | GroupReference, version: IPVersion = 4) -> AddressMatch | GroupReference:
    """`any`, `ADDRESS`, `ADDRESS/LENGTH` or `ADDRESS WILDCARD`."""
    if isinstance(text, GroupReference):
        return text
    if text == "any":
        return AddressMatch.any(version)
    if " " in text:
        address, mask = text.split()
        return AddressMatch.wildcard(Address.parse(address), Address.parse(mask))
    return AddressMatch.prefix(Prefix.parse_loose(text))


def ports(text: str | Ranges | GroupReference | None) -> Ranges | GroupReference | None:
    """`80`, `80-90`, or several joined by commas; the empty text is the empty set."""
    if text is None or isinstance(text, Ranges | GroupReference):
        return text
    spans = [part.partition("-") for part in text.split(",") if part]
    return Ranges.of(*((int(low), int(high or low)) for low, _, high in spans))


def line(
    action: str,
    protocol: str | int | GroupReference = "ip",
    source: str | GroupReference = "any",
    destination: str | GroupReference = "any",
    *,
    version: IPVersion = 4,
    sequence: int = 10,
    source_ports: Any = None,
    destination_ports: Any = None,
    icmp: IcmpMatch | GroupReference | None = None,
    **more: Any,
) -> Line:
    number = PROTOCOLS[protocol] if isinstance(protocol, str) else protocol
    return Line(
        sequence,
        Action(action),
        number,
        match(source, version),
        match(destination, version),
        ports(source_ports),
        ports(destination_ports),
        icmp,
        **more,
        span=span(f"{sequence} {action} {protocol} {source} {destination}", sequence),
    )


def access_list(name: str, *entries: Entry, family: Family = "ipv4", standard: bool = False) -> AccessList:
    return AccessList(name, family, standard, entries, span=span(name))


def group(name: str, kind: GroupKind, *values: Any) -> ObjectGroup:
    return ObjectGroup(
        name, kind, tuple(GroupMember(value, span=span(f"member of {name}")) for value in values), span=span(name)
    )


def bound(name: str, direction: Direction = "in", family: Family = "ipv4", port: bool = False) -> ListBinding:
    return ListBinding(name, family, direction, port, span=span(f"{name} {direction}"))


def interface(name: str, *addresses: str, lists: tuple[ListBinding, ...] = (), **more: Any) -> Interface:
    """Addresses as `ADDRESS/LENGTH`, with ` ROLE` behind where it is not the primary one."""
    made = []
    for text in addresses:
        written, _, role = text.partition(" ")
        address, _, length = written.partition("/")
        made.append(InterfaceAddress(Address.parse(address), int(length), role or "primary", span=span(text)))  # type: ignore[arg-type]
    more.setdefault("kind", interface_kind(name))
    if more["kind"] == "svi":
        more.setdefault("vlan", int(name[4:]))
    return Interface(name=name, addresses=tuple(made), bindings=lists, span=span(f"interface {name}"), **more)


def route(prefix: str, next_hop: str | None = None, **more: Any) -> StaticRoute:
    hop = Address.parse(next_hop) if next_hop is not None else None
    return StaticRoute(Prefix.parse(prefix), hop, **more, span=span(f"route {prefix} {next_hop}"))


def gateway(address: str, vrf: str | None = None) -> DefaultGateway:
    return DefaultGateway(Address.parse(address), vrf, span=span(f"gateway {address}"))


def device(
    name: str,
    *parts: Interface | AccessList | ObjectGroup | StaticRoute | DefaultGateway | Vlan,
    **more: Any,
) -> Device:
    """Sort parts into a device; everything else by keyword."""
    vlans = {part.number: part for part in parts if isinstance(part, Vlan)}
    more.setdefault("has_vlan_section", bool(vlans))
    return Device(
        name,
        access_lists={(part.family, part.name): part for part in parts if isinstance(part, AccessList)},
        groups={(part.kind, part.name): part for part in parts if isinstance(part, ObjectGroup)},
        interfaces={part.name: part for part in parts if isinstance(part, Interface)},
        static_routes=tuple(part for part in parts if isinstance(part, StaticRoute)),
        gateways=tuple(part for part in parts if isinstance(part, DefaultGateway)),
        vlans=vlans,
        **more,
    )


def vlan(number: int, **more: Any) -> Vlan:
    return Vlan(number, **more, span=span(f"vlan {number}"))


def fleet(*devices: Device, links: tuple[str, ...] = ()) -> FleetConfig:
    """Links as `DEVICE:INTERFACE DEVICE:INTERFACE`."""
    made = []
    for text in links:
        a, b = (LinkEnd(*end.split(":", 1)) for end in text.split())
        made.append(Link(a, b))
    return FleetConfig({made.name: made for made in sorted(devices, key=lambda one: one.name)}, tuple(made))


def packet(source: str, destination: str, protocol: str | int = "tcp", *numbers: int, **more: Any) -> Packet:
    """`numbers` are the two ports, or ICMP type and code; a TCP packet is a SYN unless flags are given."""
    number = protocol if isinstance(protocol, int) else PROTOCOLS[protocol]
    assert number is not None
    names = ("icmp_type", "icmp_code") if number in (1, 58) else ("source_port", "destination_port")
    more = dict(zip(names, numbers, strict=False)) | more
    if number == 6 and not more.get("fragment"):
        more.setdefault("flags", SYN)
    return Packet(Address.parse(source), Address.parse(destination), number, **more)
