"""Hypothesis strategies that the tests share: valid values only, named in the plural."""

from __future__ import annotations

from typing import Any, get_args

from hypothesis import strategies as st
from model_builders import access_list, device, group, span

from pathcheck.model.access_list import (
    AccessList,
    Action,
    Entry,
    Family,
    IcmpMatch,
    Line,
    ListBinding,
    Remark,
    UnreadLine,
)
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device, TerminalLines
from pathcheck.model.interface import AddressRole, Interface, InterfaceAddress, SwitchPort, interface_kind
from pathcheck.model.object_group import GroupReference, ServiceMatch
from pathcheck.model.own_traffic import DhcpRelay, ManagementServer, ServerKind
from pathcheck.model.static_route import DefaultGateway, StaticRoute
from pathcheck.model.unmodelled import ListScope, Unmodelled
from pathcheck.model.vlan import Vlan
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, RST, SYN, FlagMatch
from pathcheck.packet.wildcard import AddressMatch

# ---- lists and packets that meet often: few values for each field -----------------------------------------

BASE: dict[int, int] = {4: Address.parse("10.1.20.0").value, 6: Address.parse("2001:db8:20::").value}
"""The addresses of these lists and packets are the first eight behind it, and some far away."""

PORTS = (0, 1, 22, 80, 65535)
FLAGS = (0, SYN, ACK, RST, SYN | ACK, 255)


def own_icmp(version: IPVersion) -> int:
    return 1 if version == 4 else 58


def near_addresses(version: IPVersion) -> st.SearchStrategy[Address]:
    near = st.integers(0, 7).map(lambda offset: Address(version, BASE[version] + offset))
    return near | st.sampled_from([Address(version, 0), Address(version, (1 << WIDTH[version]) - 1)])


def address_matches(version: IPVersion) -> st.SearchStrategy[AddressMatch]:
    """Any, hosts, prefixes and wildcard masks that are not contiguous."""
    everything = (1 << WIDTH[version]) - 1
    masks = st.integers(0, 7) | st.sampled_from([8, 255 << 8, everything])
    return st.builds(
        AddressMatch.wildcard, near_addresses(version), masks.map(lambda mask: Address(version, mask))
    ) | st.just(AddressMatch.any(version))


def number_sets(numbers: tuple[int, ...]) -> st.SearchStrategy[Ranges]:
    """One or two ranges between numbers of a few; sometimes empty."""
    ends = st.tuples(st.sampled_from(numbers), st.sampled_from(numbers)).map(lambda pair: (min(pair), max(pair)))
    return st.lists(ends, max_size=2).map(lambda spans: Ranges.of(*spans))


@st.composite
def packets(draw: st.DrawFn, version: IPVersion) -> Packet:
    protocol = draw(st.sampled_from((6, 6, 17, own_icmp(version), 50, 132)))
    fragment = draw(st.integers(0, 4)) == 0
    fields: dict[str, int] = {}
    if not fragment and protocol in (6, 17, 132):
        fields = {"source_port": draw(st.sampled_from(PORTS)), "destination_port": draw(st.sampled_from(PORTS))}
    if not fragment and protocol == 6:
        fields["flags"] = draw(st.sampled_from(FLAGS))
    if not fragment and protocol == own_icmp(version):
        fields = {"icmp_type": draw(st.sampled_from((0, 8, 135, 136))), "icmp_code": draw(st.sampled_from((0, 4)))}
    source, destination = draw(near_addresses(version)), draw(near_addresses(version))
    return Packet(source, destination, protocol, dscp=draw(st.sampled_from((0, 46))), fragment=fragment, **fields)


ADDRESS_GROUPS = tuple(GroupReference(name, "address") for name in ("PIERS", "NESTED", "TORN", "GONE", "ROUND"))
PORT_GROUPS = tuple(GroupReference(name, "port") for name in ("WEB", "GONE"))
SERVICE_GROUPS = tuple(GroupReference(name, "service") for name in ("DESK", "GONE"))


@st.composite
def list_lines(draw: st.DrawFn, version: IPVersion, sequence: int, doubts: bool) -> Line | UnreadLine:
    """One line of any kind; with `doubts` also lines that may match or not."""
    kind = draw(st.integers(0, 11))
    action = draw(st.sampled_from(Action))
    if doubts and kind == 0:
        known = draw(st.sampled_from([None, action]))
        return UnreadLine(sequence, known, "permit htp", "expected a protocol", span=span("permit htp", sequence))
    last = None if doubts else -1
    addresses = address_matches(version) | st.sampled_from(ADDRESS_GROUPS[: 5 if doubts else 2])
    source, destination = draw(addresses), draw(addresses)
    icmp = own_icmp(version)
    protocol: int | GroupReference | None = draw(st.sampled_from([None, 6, 6, 17, icmp, 50]))
    fields: dict[str, object] = {}
    if protocol in (6, 17):
        some_ports = st.none() | number_sets(PORTS) | st.sampled_from(PORT_GROUPS[:last])
        fields = {"source_ports": draw(some_ports), "destination_ports": draw(some_ports)}
    if protocol == 6:
        some_flags = [FlagMatch.of((ACK, 0)), FlagMatch.of((SYN | ACK, SYN)), FlagMatch(())]
        fields["flags"] = draw(st.sampled_from([None, None, None, ESTABLISHED, *some_flags]))
    if protocol == icmp:
        fields["icmp"] = draw(st.sampled_from([None, IcmpMatch(8), IcmpMatch(0, 4), IcmpMatch(135)]))
    if kind == 1:
        protocol, fields = draw(st.sampled_from(SERVICE_GROUPS[:last])), {}
    return Line(
        sequence,
        action,
        protocol,
        source,
        destination,
        dscp=draw(st.none() | st.none() | number_sets((0, 46, 63))),
        fragments=draw(st.integers(0, 7)) == 0,
        doubt="a time range" if doubts and kind == 2 else None,
        span=span(f"{action} {sequence}", sequence),
        **fields,  # type: ignore[arg-type]
    )


@st.composite
def list_devices(draw: st.DrawFn, version: IPVersion, *, doubts: bool = True, most: int = 8) -> Device:
    """A device with a list `A` of up to `most` lines and its groups; sometimes without the list."""
    family = "ipv4" if version == 4 else "ipv6"
    count = draw(st.integers(0, most))
    entries = [draw(list_lines(version, 10 * place + 10, doubts)) for place in range(count)]
    lists = [access_list("A", *entries, Remark("end", span=span("remark end")), family=family)]
    groups = [
        group("PIERS", "address", *draw(st.lists(address_matches(version), min_size=1, max_size=3))),
        group("NESTED", "address", ADDRESS_GROUPS[0], draw(address_matches(version))),
        group("TORN", "address", None, draw(address_matches(version))),
        group("ROUND", "address", ADDRESS_GROUPS[4], draw(address_matches(version))),
        group("WEB", "port", *draw(st.lists(number_sets(PORTS), min_size=1, max_size=2))),
        group(
            "DESK",
            "service",
            ServiceMatch(6, None, draw(st.none() | number_sets(PORTS))),
            ServiceMatch(draw(st.sampled_from([None, 17, 50]))),
            ServiceMatch(own_icmp(version), icmp=Ranges.of((8 * 256, 8 * 256 + 255))),
        ),
    ]
    choices = {
        key: draw(st.sampled_from(Assumptions.choices()[key])) for key in ("fragments", "undefined_list", "ipv6_end")
    }
    touched = doubts and draw(st.integers(0, 19)) == 0
    unmodelled = (
        [Unmodelled("a line on the whole list", ListScope("A", family), span=span("fragments"))] if touched else []
    )
    if draw(st.integers(0, 19)) == 0:
        lists = []
    return device("quay-a", *lists, *groups, assume=Assumptions(**choices), unmodelled=tuple(unmodelled))


# ---- whole devices as configuration text can say them ------------------------------------------------------

NAMES = st.sampled_from(["QUAY-IN", "tills.v4", "2-OFFICE", "a_b/c", "Z"])
REMARKS = st.sampled_from(["tills only", "permit ip any any", "10", "é: no  quay", ""])
WRITTEN_PORTS = st.one_of(
    st.sampled_from([Ranges(()), Ranges.of((0, 65535)), Ranges.of((0, 1023)), Ranges.of((1024, 65535))]),
    st.tuples(st.integers(0, 65535), st.integers(0, 65535)).map(lambda pair: Ranges.of((min(pair), max(pair)))),
    st.lists(st.integers(0, 65535), min_size=1, max_size=10).map(lambda ports: Ranges.of(*((p, p) for p in ports))),
    st.lists(st.integers(0, 65535), min_size=1, max_size=10).map(
        lambda ports: Ranges.of(*((p, p) for p in ports)).complement(65535)
    ),
)
WRITTEN_FLAGS = st.one_of(
    st.just(ESTABLISHED),
    st.tuples(st.integers(1, 255), st.integers(0, 255)).map(lambda pair: FlagMatch.of(pair)),
    st.lists(st.tuples(st.sampled_from([1, 2, 4, 8, 16, 32]), st.booleans()), min_size=1, max_size=4).map(
        lambda signs: FlagMatch.of(*((bit, bit * on) for bit, on in dict(signs).items()))
    ),
)


def whole_addresses(version: IPVersion) -> st.SearchStrategy[Address]:
    return st.integers(0, (1 << WIDTH[version]) - 1).map(lambda value: Address(version, value))


def whole_prefixes(version: IPVersion) -> st.SearchStrategy[Prefix]:
    return st.builds(Prefix.containing, whole_addresses(version), st.integers(0, WIDTH[version]))


def whole_matches(version: IPVersion) -> st.SearchStrategy[AddressMatch]:
    """Any, hosts, prefixes and any wildcard mask at all."""
    return st.one_of(
        st.just(AddressMatch.any(version)),
        whole_addresses(version).map(AddressMatch.host),
        whole_prefixes(version).map(AddressMatch.prefix),
        st.builds(AddressMatch.wildcard, whole_addresses(version), whole_addresses(version)),
    )


@st.composite
def written_lines(draw: st.DrawFn, version: IPVersion, sequence: int, standard: bool) -> Line:
    """A line with everything that one line of text can say."""
    ends = whole_matches(version) | st.just(GroupReference("PIERS", "address"))
    log = draw(st.sampled_from([None, None, "log", "log-input"]))
    action = draw(st.sampled_from(Action))
    if standard:
        everything = AddressMatch.any(version)
        return Line(sequence, action, None, draw(whole_matches(version)), everything, log=log, span=span())
    icmp = own_icmp(version)
    number: int | None = draw(st.sampled_from([None, 6, 6, 17, 132, icmp, 0, 41, 50, 89, 255]))
    protocol: int | GroupReference | None = number
    fields: dict[str, object] = {}
    if number in (6, 17, 132):
        some_ports = st.none() | WRITTEN_PORTS
        fields = {"source_ports": draw(some_ports), "destination_ports": draw(some_ports)}
    if number == 6:
        fields["flags"] = draw(st.none() | WRITTEN_FLAGS)
    if number == icmp:
        types = st.builds(IcmpMatch, st.integers(0, 255), st.none() | st.integers(0, 255))
        fields["icmp"] = draw(st.none() | types)
    if number is None and draw(st.booleans()):
        protocol = GroupReference("DESK", "service")
    option, doubt = draw(
        st.sampled_from([
            ("", None), ("", None),
            ("time-range OFFICE-HOURS", "it acts only at the times of a time range"),
            ("ttl eq 5", "it compares the time to live, which is not modelled"),
        ])
    )  # fmt: skip
    return Line(
        sequence,
        action,
        protocol,
        draw(ends),
        draw(ends),
        dscp=draw(st.none() | st.integers(0, 63).map(Ranges.single) | st.just(Ranges.of((40, 47)))),
        fragments=draw(st.booleans()),
        log=log,
        doubt=doubt,
        options=option,
        span=span(),
        **fields,  # type: ignore[arg-type]
    )


@st.composite
def access_lists(draw: st.DrawFn, family: Family = "ipv4") -> AccessList:
    """A list with lines, remarks with and without a number, and lines that could not be read."""
    version: IPVersion = 4 if family == "ipv4" else 6
    standard = family == "ipv4" and draw(st.booleans())
    name = draw(NAMES | st.sampled_from(["10", "1301"] if standard else ["110", "2601"] if version == 4 else ["10"]))
    entries: list[Entry] = []
    sequence = 0
    for kind in draw(st.lists(st.integers(0, 9), max_size=6)):
        step = draw(st.integers(1, 30))
        if kind == 0:
            entries.append(Remark(draw(REMARKS), span=span()))
            continue
        sequence += step
        if kind == 1:
            entries.append(Remark(draw(REMARKS), sequence, span=span()))
        elif kind == 2:
            text = f"{sequence} permit wrong words"
            entries.append(UnreadLine(sequence, Action.PERMIT, text, "expected", span=span(text)))
        else:
            entries.append(draw(written_lines(version, sequence, standard)))
    return AccessList(name, family, standard, tuple(entries), span=span())


@st.composite
def interfaces(draw: st.DrawFn, name: str) -> Interface:
    """An interface of the kind that its name tells."""
    kind = interface_kind(name)
    port = draw(st.booleans()) and kind in ("physical", "port-channel")
    vlans = st.lists(st.integers(1, 4094), max_size=5).map(lambda all_of: Ranges.of(*((v, v) for v in all_of)))
    numbers = st.none() | st.integers(1, 4094)
    bindings = [
        ListBinding(draw(NAMES), family, direction, port, span=span())
        for family in ("ipv4", "ipv6")
        for direction in ("in", "out")
        if draw(st.integers(0, 3)) == 0
    ]
    fields: dict[str, Any] = {
        "bindings": tuple(bindings),
        "description": draw(st.sampled_from(["", "to the quay", "ip address 10.1.1.1 255.0.0.0"])),
        "shutdown": draw(st.booleans()),
        "vrf": draw(st.none() | st.just("TILLS")),
    }
    if port:
        fields["switch_port"] = SwitchPort(
            draw(st.sampled_from([None, "access", "trunk", "dynamic"])),
            draw(numbers),
            draw(numbers),
            draw(st.none() | vlans),
            draw(numbers),
        )
        return Interface(name, kind, span=span(), **fields)
    host = st.integers(1, 254)
    four = draw(st.lists(host, unique=True, max_size=3))
    roles: list[tuple[str, int, AddressRole]] = [
        (f"10.1.{place}.{number}", 24, "secondary" if place else "primary") for place, number in enumerate(four)
    ]
    if four:
        roles += [("10.1.0.250", 24, "virtual")] if draw(st.booleans()) and 250 not in four else []
    six = draw(st.lists(host, unique=True, max_size=2))
    roles += [(f"2001:db8::{number}", draw(st.integers(64, 127)), "primary") for number in six]
    if draw(st.booleans()):
        roles.append(("fe80::1", 64, "link-local"))
    fields["addresses"] = tuple(
        InterfaceAddress(Address.parse(text), length, role, span=span()) for text, length, role in roles
    )
    fields["ipv6_enabled"] = draw(st.booleans())
    if not four and draw(st.booleans()):
        fields["borrowed"] = "Loopback0"
    if kind in ("physical", "port-channel"):
        fields["routed"] = draw(st.booleans())
        fields["channel_group"] = draw(st.none() | st.integers(1, 64)) if kind == "physical" else None
    if kind == "subinterface":
        fields["vlan"] = draw(numbers)
        fields["untagged"] = fields["vlan"] is not None and draw(st.booleans())
    if kind == "svi":
        fields["vlan"] = int(name.removeprefix("Vlan"))
    return Interface(name, kind, span=span(), **fields)


@st.composite
def static_routes(draw: st.DrawFn) -> StaticRoute:
    version: IPVersion = draw(st.sampled_from([4, 4, 6]))
    way = draw(st.sampled_from(["hop", "hop", "interface", "both", "discard"]))
    hop = Address.parse("10.1.99.1" if version == 4 else "2001:db8::99") if way in ("hop", "both") else None
    return StaticRoute(
        draw(whole_prefixes(version)),
        hop,
        "Ethernet1" if way in ("interface", "both") else None,
        way == "discard",
        draw(st.none() | st.just("TILLS")),
        draw(st.sampled_from([None, None, "", "OFFICE"])) if way == "hop" else None,
        draw(st.just(1) | st.integers(1, 255)),
        draw(st.sampled_from(["", "uplink", "two words"])),
        draw(st.none() | st.integers(0, 4294967295)),
        draw(st.sampled_from([None, None, "it follows the state of `7`"])),
        draw(st.booleans()),
        span=span(),
    )


@st.composite
def devices(draw: st.DrawFn) -> Device:
    """A device with a bit of everything that text can say, names in use and not."""
    lists = draw(st.lists(access_lists("ipv4") | access_lists("ipv6"), max_size=3))
    groups = [
        group("PIERS", "address", *draw(st.lists(whole_prefixes(4).map(AddressMatch.prefix), min_size=1, max_size=3))),
        group("DESK", "service", ServiceMatch(6, None, draw(WRITTEN_PORTS)), ServiceMatch(None)),
        group("WEB", "port", draw(WRITTEN_PORTS)),
        group("NESTED", "address", GroupReference("PIERS", "address")),
    ]
    names = draw(
        st.lists(
            st.sampled_from(
                ["Ethernet1", "Ethernet2", "Vlan20", "Loopback0", "Port-channel7", "Ethernet1.20", "1/1/9"]
            ),
            unique=True,
            max_size=4,
        )
    )
    numbers = sorted(draw(st.sets(st.integers(1, 4094), max_size=3)))
    vlans = {
        number: Vlan(number, draw(st.sampled_from(["", "tills"])), draw(st.booleans()), span=span())
        for number in numbers
    }
    listed = [ListBinding("MANAGERS", "ipv4", "in", span=span())]
    # Blocks of terminal lines have different lists, or they would be one block.
    terminals = (
        TerminalLines(0, 4, tuple(listed), span=span()),
        TerminalLines(5, 15, (), span=span()),
    )
    return Device(
        draw(st.sampled_from(["quay-a", "QUAY_B.example"])),
        access_lists={(one.family, one.name): one for one in lists},
        groups={(one.kind, one.name): one for one in groups},
        interfaces={name: draw(interfaces(name)) for name in names},
        vlans=vlans,
        has_vlan_section=bool(vlans) or draw(st.booleans()),
        vrfs={"TILLS": span()} if draw(st.booleans()) else {},
        static_routes=tuple(draw(st.lists(static_routes(), max_size=4, unique=True))),
        gateways=(DefaultGateway(Address.parse("10.1.99.1"), span=span()),) if draw(st.booleans()) else (),
        routing=draw(st.sampled_from([None, True, False])),
        ipv6_routing=draw(st.sampled_from([None, True, False])),
        terminal_lines=draw(st.sampled_from([(), terminals])),
        control_plane=tuple(listed) if draw(st.booleans()) else (),
        servers=tuple(draw(st.lists(servers(), max_size=4, unique_by=lambda it: (it.kind, it.address, it.vrf)))),
        relays=tuple(relay for name in names for relay in draw(st.lists(relays(name), max_size=2, unique=True))),
    )


@st.composite
def servers(draw: st.DrawFn) -> ManagementServer:
    """A server that a line names, in one of the ways of its kind."""
    kind = draw(st.sampled_from(get_args(ServerKind)))
    port = draw(st.integers(1, 65535)) if kind == "radius-accounting" or draw(st.booleans()) else None
    return ManagementServer(
        kind,
        Address.parse(draw(st.sampled_from(["10.1.90.31", "10.1.90.32", "2001:db8:90::31"]))),
        port,
        tcp=kind == "syslog" and draw(st.booleans()),
        vrf=draw(st.sampled_from([None, "TILLS"])),
        source_interface=draw(st.sampled_from([None, "Loopback0", "Vlan99"])),
        span=span(),
    )


@st.composite
def relays(draw: st.DrawFn, interface: str) -> DhcpRelay:
    """A server that an interface hands requests for addresses on to."""
    server = Address.parse(draw(st.sampled_from(["10.1.90.67", "2001:db8:90::67"])))
    return DhcpRelay(interface, server, draw(st.sampled_from([None, "", "TILLS"])), span=span())


# ---- boxes that meet the packets above often --------------------------------------------------------------


def boxes(version: IPVersion) -> st.SearchStrategy[Box]:
    """Boxes that limit any fields, also such that no packet has together."""
    protocols = number_sets((0, 1, 6, 7, 17, 50, 58, 132, 255)).filter(bool)
    return st.builds(
        Box,
        address_matches(version),
        address_matches(version),
        protocols=st.none() | protocols,
        source_ports=st.none() | st.none() | number_sets(PORTS),
        destination_ports=st.none() | number_sets(PORTS),
        icmp=st.none() | st.none() | st.none() | number_sets((0, 4, 8 << 8, (8 << 8) + 255, 135 << 8, 65535)),
        flags=st.sampled_from([None, None, ESTABLISHED, FlagMatch.exactly(SYN), FlagMatch.of((SYN | ACK, SYN))]),
        dscp=st.none() | st.none() | number_sets((0, 46, 63)),
        fragment=st.sampled_from([None, None, True, False]),
    )
