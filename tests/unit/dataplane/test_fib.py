"""Forwarding tables worked out from models.

Distance, recursion and everything without a cited source: common practice.
"""

from __future__ import annotations

from typing import Any

import pytest
from model_builders import device, gateway, interface, route, span

from pathcheck.dataplane.fib import Fib, build_fib
from pathcheck.dataplane.route import InactiveReason
from pathcheck.errors import UnknownNameError
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.unmodelled import RouteScope, Unmodelled
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.parser.configuration import SourceText, read_configuration

UPLINK = interface("Ethernet1", "10.0.0.1/30")
QUAY = interface("Ethernet2", "10.1.20.1/24")


def table(*parts: Any, vrf: str | None = None, version: IPVersion = 4, **more: Any) -> Fib:
    more.setdefault("routing", True)
    more.setdefault("ipv6_routing", True)
    return build_fib(device("core-1", *parts, **more), vrf, version)


def way(fib: Fib, address: str) -> str:
    """The winning route of an address in one line of text."""
    entry = fib.lookup(Address.parse(address))
    if entry is None:
        return "none"
    hops = [f"{hop.interface}>{hop.next_hop or ''}" for hop in entry.hops] + ["discard"] * entry.discard
    return f"{entry.prefix} {entry.source} {' '.join(hops)}"


def reasons(fib: Fib) -> dict[str, InactiveReason]:
    return {str(item.prefix): item.reason for item in fib.inactive}


def test_connected_and_local_routes_of_interfaces_that_are_up() -> None:
    fib = table(
        UPLINK,
        interface("Ethernet2", "10.1.20.1/24", "10.1.21.1/24 secondary"),
        interface("Loopback0", "10.9.9.9/32"),
        interface("Ethernet3", "10.1.30.1/24", shutdown=True),
        interface("Ethernet4", "10.1.40.1/24", channel_group=1),
    )
    assert way(fib, "10.0.0.2") == "10.0.0.0/30 connected Ethernet1>"
    assert way(fib, "10.0.0.1") == "10.0.0.1/32 local Ethernet1>"
    assert way(fib, "10.1.21.9") == "10.1.21.0/24 connected Ethernet2>"
    assert way(fib, "10.9.9.9") == "10.9.9.9/32 local Loopback0>"
    assert way(fib, "10.1.30.1") == way(fib, "10.1.40.1") == "none"


@pytest.mark.parametrize(
    ("address", "other", "version"), [("10.0.0.0/31", "10.0.0.1", 4), ("2001:db8::/127", "2001:db8::1", 6)]
)
def test_point_to_point_subnets_have_no_address_set_apart(address: str, other: str, version: IPVersion) -> None:
    # RFC 3021 section 2.1 and RFC 6164 section 4: both addresses of the prefix are hosts'.
    fib = table(interface("Ethernet1", address), version=version)
    assert way(fib, address.partition("/")[0]).startswith(
        address.partition("/")[0] + f"/{32 if version == 4 else 128} local"
    )
    assert way(fib, other) == f"{address} connected Ethernet1>"


def test_a_virtual_address_is_local_on_its_subnet() -> None:
    fib = table(interface("Vlan20", "10.1.20.2/24", "10.1.20.1/24 virtual", kind="physical"))
    assert way(fib, "10.1.20.1") == "10.1.20.1/32 local Vlan20>"
    assert way(fib, "10.1.20.3") == "10.1.20.0/24 connected Vlan20>"
    assert fib.lookup(Address.parse("10.1.20.3")).doubts == ()  # type: ignore[union-attr]


def test_longest_match_then_distance_then_equal_cost() -> None:
    # RFC 1812 section 5.2.4.3: the longest match comes first, whatever its preference.
    fib = table(
        UPLINK,
        QUAY,
        route("10.5.0.0/16", "10.0.0.2"),
        route("10.5.1.0/24", "10.1.20.9", distance=200),
        route("10.6.0.0/16", "10.0.0.2", distance=5),
        route("10.6.0.0/16", "10.1.20.9", distance=9),
        route("10.7.0.0/16", "10.0.0.2"),
        route("10.7.0.0/16", "10.1.20.9"),
        route("10.1.20.0/24", "10.0.0.2"),
    )
    assert way(fib, "10.5.1.1") == "10.5.1.0/24 static Ethernet2>10.1.20.9"
    assert way(fib, "10.6.1.1") == "10.6.0.0/16 static Ethernet1>10.0.0.2"
    assert way(fib, "10.7.1.1") == "10.7.0.0/16 static Ethernet1>10.0.0.2 Ethernet2>10.1.20.9"
    assert way(fib, "10.1.20.7") == "10.1.20.0/24 connected Ethernet2>"
    assert [(str(item.prefix), item.distance, item.hops[0].interface) for item in fib.standby] == [
        ("10.1.20.0/24", 1, "Ethernet1"),
        ("10.6.0.0/16", 9, "Ethernet2"),
    ]


def test_recursion_keeps_the_chain_and_the_last_neighbour() -> None:
    fib = table(
        UPLINK, route("10.9.0.0/16", "10.8.0.1"), route("10.8.0.0/16", "10.7.0.1"), route("10.7.0.0/24", "10.0.0.2")
    )
    hop = fib.lookup(Address.parse("10.9.1.1")).hops[0]  # type: ignore[union-attr]
    assert (hop.interface, str(hop.next_hop), str(hop.named)) == ("Ethernet1", "10.0.0.2", "10.8.0.1")
    assert [(str(step.prefix), step.source, str(step.next_hop)) for step in hop.chain] == [
        ("10.8.0.0/16", "static", "10.7.0.1"),
        ("10.7.0.0/24", "static", "10.0.0.2"),
        ("10.0.0.0/30", "connected", "None"),
    ]


def test_a_next_hop_behind_an_interface_route_is_the_neighbour() -> None:
    fib = table(UPLINK, route("10.8.0.0/16", interface="Ethernet1"), route("10.9.0.0/16", "10.8.0.1"))
    assert way(fib, "10.8.3.3") == "10.8.0.0/16 static Ethernet1>"
    assert way(fib, "10.9.3.3") == "10.9.0.0/16 static Ethernet1>10.8.0.1"


def test_recursion_through_equal_cost_and_discard() -> None:
    fib = table(
        UPLINK,
        QUAY,
        route("10.8.0.0/16", "10.0.0.2"),
        route("10.8.0.0/16", "10.1.20.9"),
        route("10.9.0.0/16", "10.8.0.1"),
        route("10.6.0.0/16", discard=True),
        route("10.5.0.0/16", "10.6.0.1"),
        route("10.4.0.0/16", "10.0.0.2"),
        route("10.4.0.0/16", interface="Null0"),
    )
    assert way(fib, "10.9.0.1") == "10.9.0.0/16 static Ethernet1>10.0.0.2 Ethernet2>10.1.20.9"
    assert way(fib, "10.5.0.1") == "10.5.0.0/16 static discard"
    assert way(fib, "10.4.0.1") == "10.4.0.0/16 static Ethernet1>10.0.0.2 discard"


@pytest.mark.parametrize(
    ("recursion", "by_default", "by_static"),
    [("any-but-default", False, True), ("any", True, True), ("connected", False, False)],
)
def test_which_routes_may_resolve(recursion: str, by_default: bool, by_static: bool) -> None:
    fib = table(
        UPLINK,
        route("0.0.0.0/0", "10.0.0.2"),
        route("10.8.0.0/16", "10.0.0.2"),
        route("10.9.0.0/16", "10.8.0.1"),
        route("10.7.0.0/16", "192.0.2.1"),
        assume=Assumptions(recursion=recursion),  # type: ignore[arg-type]
    )
    assert (way(fib, "10.7.0.1") == "10.7.0.0/16 static Ethernet1>10.0.0.2") is by_default
    assert (way(fib, "10.9.0.1") == "10.9.0.0/16 static Ethernet1>10.0.0.2") is by_static
    for address in ("10.7.0.1",) if by_static else ("10.7.0.1", "10.9.0.1"):
        # The reading decides what carries these destinations, so the answer names it.
        entry = fib.lookup(Address.parse(address))
        assert entry is not None
        assert [(reading.key, reading.value) for reading in entry.readings] == [("recursion", recursion)]


@pytest.mark.parametrize(
    ("given", "reason"),
    [
        (route("10.9.0.0/16", "10.0.0.2", distance=255), InactiveReason.NEVER_USED),
        (route("10.9.0.0/16", interface="Ethernet9"), InactiveReason.NO_INTERFACE),
        (route("10.9.0.0/16", interface="Ethernet3"), InactiveReason.INTERFACE_DOWN),
        (route("10.9.0.0/16", "10.1.30.9", interface="Ethernet3"), InactiveReason.INTERFACE_DOWN),
        (route("10.9.0.0/16", interface="Ethernet4"), InactiveReason.INTERFACE_DOWN),
        (route("10.9.0.0/16", interface="Ethernet5"), InactiveReason.NO_ADDRESS),
        (route("10.9.0.0/16", "10.0.0.1"), InactiveReason.OWN_ADDRESS),
        (route("10.9.0.0/16", "10.0.0.1", interface="Ethernet1"), InactiveReason.OWN_ADDRESS),
        (route("10.9.0.0/16", "10.9.0.1"), InactiveReason.UNRESOLVED),
        (route("10.9.0.0/16", "192.0.2.1"), InactiveReason.UNRESOLVED),
        (route("10.9.0.0/16", "10.1.30.9"), InactiveReason.UNRESOLVED),
    ],
)
def test_inactive_routes_say_why(given: Any, reason: InactiveReason) -> None:
    if given.next_hop is not None and given.next_hop in given.prefix:
        reason = InactiveReason.THROUGH_ITSELF
    fib = table(
        UPLINK,
        interface("Ethernet3", "10.1.30.1/24", shutdown=True),
        interface("Ethernet4", "10.1.40.1/24", channel_group=1),
        interface("Ethernet5"),
        given,
    )
    assert reasons(fib) == {"10.9.0.0/16": reason}
    piece = fib.piece(Address.parse("10.9.1.1"))
    assert piece.entry is None
    assert [item.reason for item in piece.stranded] == ([] if reason is InactiveReason.NEVER_USED else [reason])


def test_a_down_subnet_is_named_for_the_next_hop_on_it() -> None:
    down = interface("Ethernet3", "10.1.30.1/24", shutdown=True)
    fib = table(UPLINK, down, route("10.9.0.0/16", "10.1.30.9"))
    assert fib.inactive[0].related == (down.addresses[0].span,)


def test_the_next_best_route_acts_and_only_nothing_strands() -> None:
    fib = table(
        UPLINK,
        route("10.9.0.0/16", "192.0.2.1"),
        route("10.9.0.0/16", "10.0.0.2", distance=200),
        route("10.8.1.0/24", "192.0.2.1"),
        route("10.8.0.0/16", "10.0.0.2"),
    )
    assert way(fib, "10.9.0.1") == "10.9.0.0/16 static Ethernet1>10.0.0.2"
    assert way(fib, "10.8.1.1") == "10.8.0.0/16 static Ethernet1>10.0.0.2"
    assert fib.piece(Address.parse("10.9.0.1")).stranded == ()


def test_two_routes_that_resolve_each_other_are_both_inactive() -> None:
    fib = table(UPLINK, route("10.8.0.0/16", "10.9.0.1"), route("10.9.0.0/16", "10.8.0.1"))
    assert set(reasons(fib)) == {"10.8.0.0/16", "10.9.0.0/16"}
    assert way(fib, "10.9.0.1") == "none"
    assert fib.piece(Address.parse("10.9.0.1")).doubts == ()


def test_a_circle_that_could_stand_on_a_shorter_prefix_is_uncertain() -> None:
    # The /32 leads to the next hop of the route that resolves it: devices keep, drop or flap it.
    fib = table(UPLINK, route("10.8.0.0/16", "10.0.0.2"), route("10.0.0.2/32", "10.8.0.1"))
    for address in ("10.8.0.1", "10.0.0.2"):
        entry = fib.lookup(Address.parse(address))
        assert entry is not None
        assert entry.doubts
    own = table(UPLINK, route("10.8.0.0/15", "10.0.0.2"), route("10.8.0.0/16", "10.8.0.1")).lookup(
        Address.parse("10.8.1.1")
    )
    assert own is not None
    assert own.doubts


def test_a_backup_of_the_same_prefix_does_not_resolve_it_for_certain() -> None:
    fib = table(UPLINK, route("10.8.0.0/16", "10.8.0.1"), route("10.8.0.0/16", "10.0.0.2", distance=200))
    piece = fib.piece(Address.parse("10.8.5.5"))
    assert reasons(fib) == {"10.8.0.0/16": InactiveReason.THROUGH_ITSELF}
    assert way(fib, "10.8.5.5") == "10.8.0.0/16 static Ethernet1>10.0.0.2"
    assert piece.doubts


def test_long_chains_are_followed_in_either_order() -> None:
    chain = [
        route(f"10.{number}.0.0/16", f"10.{number + 1}.0.1" if number < 250 else "10.255.0.2")
        for number in range(1, 251)
    ]
    for routes in (chain, chain[::-1]):
        fib = table(interface("Ethernet1", "10.255.0.1/30"), *routes)
        assert way(fib, "10.1.0.1") == "10.1.0.0/16 static Ethernet1>10.255.0.2"


def test_tables_are_separate_and_a_next_hop_can_be_in_another() -> None:
    blue = interface("Ethernet3", "10.0.0.1/30", vrf="BLUE")
    parts = (
        UPLINK,
        blue,
        route("10.9.0.0/16", "10.0.0.2"),
        route("10.9.0.0/16", "10.0.0.2", vrf="BLUE"),
        route("10.7.0.0/16", "10.1.20.9", vrf="BLUE", next_hop_vrf=""),
        QUAY,
        route("10.6.0.0/16", "10.1.20.9", vrf="BLUE"),
    )
    fib = table(*parts, vrf="BLUE")
    assert way(table(*parts), "10.9.0.1") == "10.9.0.0/16 static Ethernet1>10.0.0.2"
    assert way(fib, "10.9.0.1") == "10.9.0.0/16 static Ethernet3>10.0.0.2"
    assert way(fib, "10.7.0.1") == "10.7.0.0/16 static Ethernet2>10.1.20.9"
    assert way(fib, "10.1.20.9") == "none"
    assert reasons(fib) == {"10.6.0.0/16": InactiveReason.UNRESOLVED}
    with pytest.raises(UnknownNameError, match=r"has no VRF `RED`; it has `BLUE`"):
        table(*parts, vrf="RED")


def test_ipv6() -> None:
    port = interface("Ethernet1", "2001:db8:1::1/64", "fe80::1/64 link-local")
    fib = table(
        port,
        route("::/0", "fe80::9", interface="Ethernet1"),
        route("2001:db8:9::/48", "2001:db8:1::9"),
        route("2001:db8:8::/48", "fe80::9"),
        interface("Ethernet2", ipv6_enabled=True),
        route("2001:db8:7::/48", "fe80::1", interface="Ethernet1"),
        route("2001:db8:6::/48", "fe80::9", interface="Ethernet2"),
        version=6,
    )
    assert way(fib, "2001:db8:ff::1") == "::/0 static Ethernet1>fe80::9"
    assert way(fib, "2001:db8:9::1") == "2001:db8:9::/48 static Ethernet1>2001:db8:1::9"
    assert way(fib, "2001:db8:6::1") == "2001:db8:6::/48 static Ethernet2>fe80::9"
    assert reasons(fib) == {
        "2001:db8:8::/48": InactiveReason.LINK_LOCAL,
        "2001:db8:7::/48": InactiveReason.OWN_ADDRESS,
    }


# ---- the default gateway ---------------------------------------------------------------------------------


def test_a_gateway_is_the_way_out_of_a_device_that_does_not_route() -> None:
    parts = (interface("Management1", "10.1.99.2/24"), gateway("10.1.99.1"), route("10.9.0.0/16", "10.1.99.7"))
    fib = table(*parts, routing=False)
    assert way(fib, "192.0.2.1") == way(fib, "10.9.0.1") == "0.0.0.0/0 gateway Management1>10.1.99.1"
    assert reasons(fib) == {"10.9.0.0/16": InactiveReason.ROUTING_OFF}
    outside = table(interface("Management1", "10.1.99.2/24"), gateway("10.1.98.1"), routing=False)
    assert reasons(outside) == {"0.0.0.0/0": InactiveReason.NOT_CONNECTED}
    assert outside.piece(Address.parse("192.0.2.1")).stranded


@pytest.mark.parametrize(
    ("assumed", "static", "expected"),
    [
        ("idle", False, "none"),
        ("default-route", False, "0.0.0.0/0 gateway Ethernet1>10.0.0.2"),
        ("default-route", True, "0.0.0.0/0 static Ethernet2>10.1.20.9"),
    ],
)
def test_a_gateway_while_routing(assumed: str, static: bool, expected: str) -> None:
    routes = [route("0.0.0.0/0", "10.1.20.9")] if static else []
    fib = table(UPLINK, QUAY, gateway("10.0.0.2"), *routes, assume=Assumptions(gateway_while_routing=assumed))  # type: ignore[arg-type]
    assert way(fib, "192.0.2.1") == expected
    piece = fib.piece(Address.parse("192.0.2.1"))
    assert [reading.value for reading in piece.readings] == ([] if static else [assumed])
    assert piece.stranded == ()


# ---- what leaves a destination open ----------------------------------------------------------------------


def protocol(within: str | None = None, distance: int = 110, **more: Any) -> Unmodelled:
    inside = Prefix.parse(within) if within is not None else None
    return Unmodelled(
        "a routing protocol", RouteScope(within=inside, distance=distance, **more), span=span("router", 9)
    )


@pytest.mark.parametrize(
    ("scope", "open_ones"),
    [
        (protocol(), {"10.9.0.1", "10.8.0.2", "192.0.2.1"}),
        (protocol(distance=200), {"10.9.0.1", "192.0.2.1"}),
        (protocol(family="ipv6"), set()),
        (protocol(vrf="BLUE"), set()),
        (protocol("10.9.0.0/24"), {"10.9.0.1"}),
        (protocol("10.9.1.0/24"), set()),
        (protocol("2001:db8::/32"), set()),
    ],
)
def test_a_routing_protocol_touches_what_it_can(scope: Unmodelled, open_ones: set[str]) -> None:
    # 10.8.0.1/32 has the lower distance, 10.8.0.2/32 one between 110 and 200: neither leaves room for a longer prefix.
    fib = table(
        UPLINK,
        route("10.9.0.0/16", "10.0.0.2"),
        route("10.8.0.1/32", "10.0.0.2"),
        route("10.8.0.2/32", "10.0.0.2", distance=150),
        unmodelled=(scope,),
    )
    asked = ["10.9.0.1", "10.8.0.1", "10.8.0.2", "10.0.0.1", "10.0.0.2", "192.0.2.1"]
    assert {address for address in asked if fib.piece(Address.parse(address)).doubts} == open_ones


@pytest.mark.parametrize(("distance", "open_ones"), [(0, {"10.9.0.1"}), (1, {"10.9.0.1"}), (5, set())])
def test_a_route_that_is_known_but_for_its_next_hop_touches_its_prefix_only(distance: int, open_ones: set[str]) -> None:
    scope = protocol("10.9.0.0/16", distance, exact=True)
    longer, same = route("10.9.1.0/24", "10.0.0.2"), route("10.9.0.0/16", "10.0.0.2")
    other = route("10.8.0.0/16", discard=True)
    fib = table(UPLINK, longer, same, other, unmodelled=(scope,))
    assert {it for it in ("10.9.0.1", "10.9.1.1", "10.8.0.1") if fib.piece(Address.parse(it)).doubts} == open_ones


def test_a_protocol_can_resolve_what_the_text_does_not() -> None:
    routes = (route("10.8.0.1/32", "192.0.2.1"), route("10.8.0.1/32", "10.0.0.2", distance=20))
    certain = table(UPLINK, *routes).piece(Address.parse("10.8.0.1"))
    doubted = table(UPLINK, *routes, unmodelled=(protocol(),)).piece(Address.parse("10.8.0.1"))
    assert certain.doubts == ()
    assert [doubt.why for doubt in doubted.doubts] == ["a routing protocol"]


def test_a_next_hop_through_another_static_route_is_as_open_as_that_one() -> None:
    through = (route("10.9.0.0/16", "10.0.0.2"), route("10.8.0.1/32", "10.9.0.1"))
    assert table(UPLINK, *through, unmodelled=(protocol(),)).piece(Address.parse("10.8.0.1")).doubts
    direct = (route("10.9.0.0/16", "10.0.0.2"), route("10.8.0.1/32", "10.0.0.2"))
    assert not table(UPLINK, *direct, unmodelled=(protocol(),)).piece(Address.parse("10.8.0.1")).doubts


def test_a_tracked_route_is_uncertain_and_one_behind_a_better_one_is_not() -> None:
    tracked = route("10.9.0.0/16", "10.0.0.2", tracked="it follows object 1")
    entry = table(UPLINK, tracked).lookup(Address.parse("10.9.0.1"))
    assert entry is not None
    assert [doubt.why for doubt in entry.doubts] == ["it follows object 1"]
    behind = table(
        UPLINK, route("10.9.0.0/16", "10.0.0.2", tracked="it follows", distance=9), route("10.9.0.0/16", discard=True)
    )
    assert behind.lookup(Address.parse("10.9.0.1")).doubts == ()  # type: ignore[union-attr]


def test_an_address_that_comes_from_elsewhere_touches_all_but_the_subnets_that_are_known() -> None:
    line = span("ip address dhcp", 5)
    fib = table(UPLINK, interface("Ethernet2", unknown_address=line), route("10.9.0.1/32", "10.0.0.2"))
    assert [doubt.span for doubt in fib.piece(Address.parse("10.9.0.1")).doubts] == [line]
    assert fib.piece(Address.parse("192.0.2.1")).doubts
    assert not fib.piece(Address.parse("10.0.0.2")).doubts
    shut = table(UPLINK, interface("Ethernet2", unknown_address=line, shutdown=True))
    assert not shut.piece(Address.parse("192.0.2.1")).doubts


def test_a_borrowed_address_leaves_open_where_the_stations_are() -> None:
    borrower = interface("Ethernet3", borrowed="Ethernet2")
    fib = table(UPLINK, QUAY, borrower, route("10.9.0.0/16", interface="Ethernet3"))
    assert [doubt.span for doubt in fib.piece(Address.parse("10.1.20.9")).doubts] == [borrower.span]
    assert not fib.piece(Address.parse("10.1.20.1")).doubts
    assert way(fib, "10.9.0.1") == "10.9.0.0/16 static Ethernet3>"
    assert not fib.piece(Address.parse("10.9.0.1")).doubts


def test_a_permanent_route_may_stay_though_the_subnet_of_its_next_hop_is_down() -> None:
    down = interface("Ethernet3", "10.0.9.1/30", shutdown=True)
    backup = route("10.9.0.0/16", "10.0.0.2", distance=200)
    kept = table(UPLINK, down, route("10.9.0.0/16", "10.0.9.2", permanent=True), backup)
    assert [doubt.why for doubt in kept.piece(Address.parse("10.9.0.1")).doubts] == [
        "a permanent route may stay although the subnet of its next hop is down"
    ]
    # One that is not permanent goes, and so does one whose next hop was on no subnet at all.
    for gone in (route("10.9.0.0/16", "10.0.9.2"), route("10.9.0.0/16", "10.0.8.2", permanent=True)):
        assert not table(UPLINK, down, gone, backup).piece(Address.parse("10.9.0.1")).doubts


def test_a_permanent_route_may_stay() -> None:
    down = interface("Ethernet3", "10.1.30.1/24", shutdown=True)
    fib = table(
        UPLINK, down, route("10.9.0.0/16", interface="Ethernet3", permanent=True), route("10.0.0.0/8", "10.0.0.2")
    )
    assert way(fib, "10.9.0.1") == "10.0.0.0/8 static Ethernet1>10.0.0.2"
    assert fib.piece(Address.parse("10.9.0.1")).doubts
    assert not fib.piece(Address.parse("10.8.0.1")).doubts


@pytest.mark.parametrize(
    ("second", "open_ones"),
    [
        ("10.1.20.2/24", {"10.1.20.9", "10.1.20.1"}),
        ("10.1.20.129/25", {"10.1.20.9", "10.1.20.200", "10.1.20.1"}),
        ("10.1.21.1/24", set()),
    ],
)
def test_one_subnet_on_two_interfaces_is_uncertain(second: str, open_ones: set[str]) -> None:
    fib = table(UPLINK, QUAY, interface("Ethernet3", second))
    asked = ["10.1.20.9", "10.1.20.200", "10.1.20.1", "10.0.0.2", "10.1.21.9"]
    found = {address for address in asked if fib.piece(Address.parse(address)).doubts}
    assert found >= open_ones
    assert not found & {"10.0.0.2", "10.1.21.9"}


def test_an_svi_that_is_taken_as_down_is_a_reading_where_it_matters() -> None:
    fib = table(
        UPLINK, interface("Vlan20", "10.1.20.1/24"), route("10.9.0.0/16", "10.1.20.9"), route("10.8.0.0/16", "10.0.0.2")
    )
    for address in ("10.1.20.9", "10.9.0.1"):
        piece = fib.piece(Address.parse(address))
        assert (piece.entry, piece.doubts) == (None, ())
        assert [reading.key for reading in piece.readings] == ["svi_without_port"]
    assert fib.piece(Address.parse("10.8.0.1")).readings == ()


@pytest.mark.parametrize("address", ["10.1.99.11 0.0.0.255", "10.1.99.X 255.255.255.0"])
def test_a_switch_with_an_unreadable_address_has_no_certain_way_to_its_gateway(address: str) -> None:
    text = (
        f"hostname sw\nno ip routing\ninterface Ethernet1\n no switchport\n ip address {address}\n"
        "ip default-gateway 10.1.99.1\n"
    )
    (read,) = read_configuration([SourceText("sw.cfg", text.encode())], default_name="sw").devices
    piece = build_fib(read, None, 4).piece(Address.parse("10.1.90.5"))
    assert piece.entry is None
    assert piece.doubts


def test_of_equal_routes_the_gateway_stands_first_and_the_others_as_they_are_written() -> None:
    assume = Assumptions(gateway_while_routing="default-route")
    both = table(UPLINK, QUAY, route("0.0.0.0/0", "10.0.0.2", distance=253), gateway("10.1.20.9"), assume=assume)
    entry = both.lookup(Address.parse("192.0.2.1"))
    assert entry is not None
    assert (entry.source, [str(hop.next_hop) for hop in entry.hops]) == ("gateway", ["10.1.20.9", "10.0.0.2"])
