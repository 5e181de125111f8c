from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from reading import read

from pathcheck.model.static_route import StaticRoute
from pathcheck.model.unmodelled import InterfaceScope, NoScope, RouteScope, Scope
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.results.account import LineClass
from pathcheck.source import Span

SPAN = Span("expected", 1, "")


def route(prefix: str, next_hop: str | None = None, **fields: Any) -> StaticRoute:
    hop = None if next_hop is None else Address.parse(next_hop)
    return StaticRoute(Prefix.parse(prefix), hop, span=SPAN, **fields)


DEFAULT = route("0.0.0.0/0", "192.0.2.1")
LIGHTHOUSE = route("10.2.0.0/16", "192.0.2.1")
SIX = route("2001:db8:2::/48", "2001:db8:1::1")

FORMS = [
    # wildcard-mask form: dotted netmasks
    ("ip route 10.2.0.0 255.255.0.0 192.0.2.1", LIGHTHOUSE),
    ("ip route 0.0.0.0 0.0.0.0 192.0.2.1", DEFAULT),
    ("ip route 10.2.0.0 255.255.0.0 192.0.2.1 250", replace(LIGHTHOUSE, distance=250)),
    ("ip route 10.2.0.0 255.255.0.0 192.0.2.1 name LIGHT", replace(LIGHTHOUSE, name="LIGHT")),
    ("ip route 10.2.0.0 255.255.0.0 192.0.2.1 name 7 250", replace(LIGHTHOUSE, name="7", distance=250)),
    (
        'ip route 10.2.0.0 255.255.0.0 192.0.2.1 name "to the light" 9',
        replace(LIGHTHOUSE, name="to the light", distance=9),
    ),
    ("ip route 10.2.0.0 255.255.0.0 192.0.2.1 tag 7", replace(LIGHTHOUSE, tag=7)),
    ("ip route 10.2.0.0 255.255.0.0 192.0.2.1 permanent", replace(LIGHTHOUSE, permanent=True)),
    ("ip route 10.2.0.0 255.255.0.0 192.0.2.1 track 5", replace(LIGHTHOUSE, tracked="it follows the state of `5`")),
    (
        "ip route 10.2.0.0 255.255.0.0 192.0.2.1 tag 7 track 5 250 permanent name X",
        replace(LIGHTHOUSE, tag=7, tracked="it follows the state of `5`", distance=250, permanent=True, name="X"),
    ),
    ("ip route 10.2.0.0 255.255.0.0 Serial0/0/0", route("10.2.0.0/16", interface="Serial0/0/0")),
    ("ip route 10.2.0.0 255.255.0.0 s0/0/0 5", route("10.2.0.0/16", interface="Serial0/0/0", distance=5)),
    ("ip route 10.2.0.0 255.255.0.0 GigabitEthernet 0/1", route("10.2.0.0/16", interface="GigabitEthernet0/1")),
    ("ip route 10.2.0.0 255.255.0.0 Vlan 30 5", route("10.2.0.0/16", interface="Vlan30", distance=5)),
    ("ip route 10.2.0.0 255.255.0.0 vlan30", route("10.2.0.0/16", interface="Vlan30")),
    ("ip route 10.2.0.0 255.255.0.0 Serial0:4", route("10.2.0.0/16", interface="Serial0:4")),
    ("ip route 10.2.0.0 255.255.0.0 1/1/9", route("10.2.0.0/16", interface="1/1/9")),
    ("ip route 10.2.0.0 255.255.0.0 Gi0/1.20 192.0.2.1", replace(LIGHTHOUSE, interface="GigabitEthernet0/1.20")),
    (
        "ip route 10.2.0.0 255.255.0.0 Port-channel 1 192.0.2.1 9",
        replace(LIGHTHOUSE, interface="Port-channel1", distance=9),
    ),
    ("ip route 10.2.0.0 255.255.0.0 Null0 254", route("10.2.0.0/16", discard=True, distance=254)),
    ("ip route 10.2.0.0 255.255.0.0 null 0", route("10.2.0.0/16", discard=True)),
    ("ip route vrf BLUE 0.0.0.0 0.0.0.0 192.0.2.1", replace(DEFAULT, vrf="BLUE")),
    ("ip route vrf BLUE 0.0.0.0 0.0.0.0 192.0.2.1 global", replace(DEFAULT, vrf="BLUE", next_hop_vrf="")),
    ("ip route vrf BLUE 0.0.0.0 0.0.0.0 Gi0/1 192.0.2.1", replace(DEFAULT, vrf="BLUE", interface="GigabitEthernet0/1")),
    # prefix-length form
    ("ip route 10.2.0.0/16 192.0.2.1", LIGHTHOUSE),
    ("ip route 0.0.0.0/0 192.0.2.1", DEFAULT),
    ("ip route vrf BLUE 0.0.0.0/0 192.0.2.1", replace(DEFAULT, vrf="BLUE")),
    ("ip route 10.2.0.0/16 192.0.2.1 vrf BLUE", replace(LIGHTHOUSE, vrf="BLUE")),
    (
        "ip route 10.2.0.0/16 Ethernet1/1 192.0.2.1 name X tag 9 200",
        replace(LIGHTHOUSE, interface="Ethernet1/1", name="X", tag=9, distance=200),
    ),
    ("ip route 10.2.0.0/16 192.0.2.1 distance 9", replace(LIGHTHOUSE, distance=9)),
    ("ip route 10.2.0.0/16 nullroute", route("10.2.0.0/16", discard=True)),
    ("ip route 10.2.0.0/16 blackhole distance 9", route("10.2.0.0/16", discard=True, distance=9)),
    ("ip route 10.2.0.0/16 reject", route("10.2.0.0/16", discard=True)),
    ("ip route vrf BLUE 10.2.0.0/16 egress-vrf RED 192.0.2.1", replace(LIGHTHOUSE, vrf="BLUE", next_hop_vrf="RED")),
    ("ip route vrf BLUE 10.2.0.0/16 192.0.2.1 vrf RED", replace(LIGHTHOUSE, vrf="BLUE", next_hop_vrf="RED")),
    ("ip route 10.2.0.1/32 192.0.2.1", route("10.2.0.1/32", "192.0.2.1")),
    # IPv6
    ("ipv6 route 2001:DB8:2::/48 2001:DB8:1::1", SIX),
    ("ipv6 route ::/0 2001:db8:1::1 250", route("::/0", "2001:db8:1::1", distance=250)),
    (
        "ipv6 route 2001:db8:2::/48 GigabitEthernet0/1 fe80::9",
        route("2001:db8:2::/48", "fe80::9", interface="GigabitEthernet0/1"),
    ),
    ("ipv6 route 2001:db8:2::/48 Serial0/0/0", route("2001:db8:2::/48", interface="Serial0/0/0")),
    ("ipv6 route 2001:db8:2::/48 Null0", route("2001:db8:2::/48", discard=True)),
    ("ipv6 route vrf BLUE 2001:db8:2::/48 2001:db8:1::1", replace(SIX, vrf="BLUE")),
    (
        "ipv6 route vrf BLUE 2001:db8:2::/48 2001:db8:1::1 nexthop-vrf default",
        replace(SIX, vrf="BLUE", next_hop_vrf=""),
    ),
]


@pytest.mark.parametrize(("line", "expected"), FORMS, ids=[line for line, _ in FORMS])
def test_forms_of_static_routes(line: str, expected: StaticRoute) -> None:
    found = read(line)
    assert found.device.static_routes == (expected,)
    assert found.device.static_routes[0].span.words == line
    assert found.findings == ()
    assert found.scopes == []
    assert read(line, "no " + line).device.static_routes == ()


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (("ip route 10.2.0.0/16 192.0.2.1", "ip route 10.2.0.0 255.255.0.0 192.0.2.1"), 1),
        (("ip route 10.2.0.0/16 192.0.2.1", "ip route 10.2.0.0/16 192.0.2.5"), 2),
        (("ip route 10.2.0.0/16 192.0.2.1", "ip route 10.2.0.0/16 192.0.2.5 250"), 2),
        (("ip route 10.2.0.0/16 192.0.2.1", "ip route 10.2.0.0/16 192.0.2.5", "no ip route 10.2.0.0/16"), 0),
        (("ip route 10.2.0.0/16 192.0.2.1", "ip route 10.2.0.0/16 192.0.2.5", "no ip route 10.2.0.0/16 192.0.2.5"), 1),
        (("ip route 10.2.0.0/16 192.0.2.1", "no ip route vrf BLUE 10.2.0.0/16 192.0.2.1"), 1),
        (("no ip route 10.2.0.0/16 192.0.2.1", "ip route 10.2.0.0/16 192.0.2.1"), 1),
    ],
)
def test_routes_add_up_and_can_be_removed(lines: tuple[str, ...], expected: int) -> None:
    assert len(read(*lines).device.static_routes) == expected


def test_removing_a_route_that_is_not_there_is_noted() -> None:
    assert read("no ip route 10.2.0.0/16 192.0.2.1").codes == ["PC408"]


def exactly(prefix: str, vrf: str | None = None) -> RouteScope:
    found = Prefix.parse(prefix)
    return RouteScope(vrf, "ipv4" if found.version == 4 else "ipv6", found, exact=True)


WRONG = [
    ("ip route 10.2.0.1 255.255.0.0 192.0.2.1", 10, "host bits", exactly("10.2.0.0/16")),
    ("ip route 10.2.0.1/16 192.0.2.1", 10, "host bits", exactly("10.2.0.0/16")),
    ("ipv6 route 2001:db8::1/48 2001:db8:1::1", 12, "host bits", exactly("2001:db8::/48")),
    ("ip route 10.2.0.0 0.0.255.255 192.0.2.1", 19, "no netmask", RouteScope(None, "ipv4")),
    ("ip route 10.2.0.0 255.255.0.0", 30, "a next hop", exactly("10.2.0.0/16")),
    ("ip route 10.2.0.0 255.255.0.0 192.0.2.300", 31, "above 255", exactly("10.2.0.0/16")),
    ("ip route 10.2.0.0 255.255.0.0 192.0.X.1", 31, "placeholder", exactly("10.2.0.0/16")),
    ("ip route xxx.xxx.xxx.0 255.255.255.0 192.0.2.1", 10, "placeholder", RouteScope(None, "ipv4")),
    ("ip route 10.2.0.0 255.255.0.0 192.0.2.1 256", 41, "distance", exactly("10.2.0.0/16")),
    ("ip route 10.2.0.0 255.255.0.0 192.0.2.1 0", 41, "distance", exactly("10.2.0.0/16")),
    ("ip route 10.2.0.0 255.255.0.0 192.0.2.1 5 6", 43, "one distance", exactly("10.2.0.0/16")),
    ("ip route 10.2.0.0 255.255.0.0 192.0.2.1 nmae X", 41, "did you mean `name`", exactly("10.2.0.0/16")),
    ("ip route 10.2.0.0 255.255.0.0 192.0.2.1 (dhcp)", 41, "(dhcp)", exactly("10.2.0.0/16")),
    ("ip route 10.2.0.0 255.255.0.0 0.0.0.0", 31, "nobody", exactly("10.2.0.0/16")),
    ("ip route vrf BLUE 10.2.0.0 255.255.0.0 there", 45, "number of the interface", exactly("10.2.0.0/16", "BLUE")),
    ("ip route 10.2.0.0/33 192.0.2.1", 10, "length", RouteScope(None, "ipv4")),
    ("ip route", 9, "end of the line", RouteScope(None, "ipv4")),
    ("ipv6 route 2001:db8:2::/48 fe80::9", 28, "link-local", exactly("2001:db8:2::/48")),
    ("no ip route", 12, "the prefix of a route", RouteScope(None, "ipv4")),
]


@pytest.mark.parametrize(("line", "column", "words", "scope"), WRONG, ids=[item[0] for item in WRONG])
def test_a_wrong_route_touches_its_prefix_only(line: str, column: int, words: str, scope: Scope) -> None:
    found = read(line, "ip route 10.9.0.0/16 192.0.2.9")
    assert found.classes == {1: LineClass.WRONG}
    (finding,) = found.findings
    assert finding.code == "PC401"
    assert words in finding.message + (finding.help or "")
    assert finding.span is not None
    assert finding.span.column == column
    assert found.scopes == [scope]
    assert len(found.device.static_routes) == 1


def test_a_number_in_front_belongs_to_another_kind_of_device() -> None:
    found = read("ip route 3 10.2.0.0 255.255.0.0 192.0.2.1")
    assert found.classes == {1: LineClass.UNKNOWN}
    assert found.scopes == [RouteScope(None, "ipv4")]


def test_a_next_hop_by_dhcp_is_not_known() -> None:
    found = read("ip route 0.0.0.0 0.0.0.0 dhcp 250")
    assert found.classes == {1: LineClass.UNMODELLED}
    assert found.scopes == [replace(exactly("0.0.0.0/0"), distance=250)]


def test_multicast_routes_touch_no_unicast() -> None:
    found = read("ip mroute 10.0.0.0 255.0.0.0 192.0.2.1", "ipv6 route 2001:db8:2::/48 2001:db8:1::1 multicast")
    assert {item.scope for item in found.device.unmodelled} == {NoScope()}
    assert found.device.static_routes == ()


def test_routes_over_a_watched_next_hop_may_be_absent() -> None:
    found = read(
        "ip route 10.2.0.0/16 192.0.2.1", "ip route 10.3.0.0/16 192.0.2.5", "ip route static bfd Ethernet1 192.0.2.1"
    )
    assert [route.tracked is not None for route in found.device.static_routes] == [True, False]


@pytest.mark.parametrize("indent", [" ", ""])
def test_routes_inside_the_block_of_a_vrf(indent: str) -> None:
    lines = (
        "vrf context BLUE",
        f"{indent}ip route 10.2.0.0/16 192.0.2.1",
        f"{indent}ipv6 route 2001:db8:2::/48 2001:db8:1::1",
    )
    assert read(*lines).device.static_routes == (replace(LIGHTHOUSE, vrf="BLUE"), replace(SIX, vrf="BLUE"))


def test_the_block_of_static_routes() -> None:
    found = read(
        "router static",
        " address-family ipv4 unicast",
        "  10.2.0.0/16 192.0.2.1",
        "  10.3.0.0/16 Null0 254",
        " !",
        " address-family ipv6 unicast",
        "  2001:db8:2::/48 2001:db8:1::1",
        " !",
        " vrf BLUE",
        "  address-family ipv4 unicast",
        "   10.2.0.0/16 192.0.2.1 200 description to the light",
        "   10.4.0.0/16 vrf default 192.0.2.1",
        "   10.5.0.1/16 192.0.2.1",
        "!",
        "ip routing",
    )
    assert found.device.static_routes == (
        LIGHTHOUSE,
        route("10.3.0.0/16", discard=True, distance=254),
        SIX,
        replace(LIGHTHOUSE, vrf="BLUE", distance=200, name="to the light"),
        route("10.4.0.0/16", "192.0.2.1", vrf="BLUE", next_hop_vrf=""),
    )
    assert found.scopes == [exactly("10.5.0.0/16", "BLUE")]


@pytest.mark.parametrize(
    ("lines", "routing", "ipv6"),
    [
        ((), None, None),
        (("ip routing",), True, None),
        (("no ip routing",), False, None),
        (("no ip routing", "ip routing"), True, None),
        (("ipv6 unicast-routing",), None, True),
        (("no ipv6 unicast-routing",), None, False),
        (("ip routing vrf BLUE",), None, None),
    ],
)
def test_whether_the_text_turns_routing_on(lines: tuple[str, ...], routing: bool | None, ipv6: bool | None) -> None:
    device = read(*lines).device
    assert (device.routing, device.ipv6_routing) == (routing, ipv6)
    assert (device.routing_span is None) is (routing is None)


def test_a_vrf_without_routing_forwards_nothing_between_its_interfaces() -> None:
    one = ("interface Ethernet1", " vrf BLUE", "no ip routing vrf BLUE")
    two = ("interface Ethernet2", " vrf BLUE")
    assert read(*one).scopes == []
    assert read(*two, *one).scopes == [
        InterfaceScope("Ethernet2", may_only_drop=True),
        InterfaceScope("Ethernet1", may_only_drop=True),
    ]


@pytest.mark.parametrize("line", ["ip default-gateway 10.1.99.1", "default-gateway 10.1.99.1"])
def test_the_default_gateway(line: str) -> None:
    (gateway,) = read("ip default-gateway 10.1.99.7", line).device.gateways
    assert str(gateway.address) == "10.1.99.1"
    assert read(line, "no " + line).device.gateways == ()


@pytest.mark.parametrize(
    "line", ["ip default-gateway", "ip default-gateway 10.1.99", "ip default-gateway 10.1.99.1 10.1.99.2"]
)
def test_a_wrong_gateway(line: str) -> None:
    found = read(line)
    assert found.codes == ["PC401"]
    assert found.scopes == [exactly("0.0.0.0/0")]
    assert found.device.gateways == ()
