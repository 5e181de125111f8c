"""The table of one device, as the evaluator and the engine see it: what is in it, what could be, and who routes.

Common practice, no source, where none is named.
"""

from __future__ import annotations

import pytest
from model_builders import device, gateway, interface, route, span

from pathcheck.dataplane.fib import build_fib
from pathcheck.dataplane.routing import routing_state
from pathcheck.evaluator import route as route_module
from pathcheck.evaluator.access_list import MAYBE, NO, YES
from pathcheck.evaluator.route import Choice, Way, best_ways, own_interfaces, routes_packets
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.unmodelled import RouteScope, Unmodelled
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix

LAN = interface("Ethernet1", "10.1.20.1/24")
TO_CORE = interface("Ethernet2", "10.0.0.1/30")
HOP = Address.parse("10.0.0.2")
CORE = frozenset({Way("Ethernet2", HOP)})


def look(box, address="10.1.90.5", vrf=None):
    """Return the evaluator's choice; the engine's table must say the same of it."""
    target = Address.parse(address)
    found = best_ways(box, vrf, target)
    piece = build_fib(box, vrf, target.version).piece(target)
    assert bool(piece.doubts) == bool(found.doubts)
    if not found.doubts:
        entry = piece.entry
        hops = set() if entry is None else {Way(hop.interface, hop.next_hop, entry.distance == 0) for hop in entry.hops}
        local = entry is not None and entry.source == "local"
        assert local or found.ways == hops | ({Way(None)} if entry is not None and entry.discard else set())
        assert bool(piece.stranded) == (found.stranded and not found.ways)
    return found


def quay(*parts, **more):
    return device("quay", LAN, TO_CORE, *parts, **more)


def unmodelled(*scopes):
    return tuple(Unmodelled("something", scope, span=span("something")) for scope in scopes)


# Who routes


@pytest.mark.parametrize(
    ("parts", "more", "expected"),
    [
        ((LAN,), {}, True),
        ((LAN, gateway("10.1.20.254")), {}, False),
        ((LAN, gateway("2001:db8::1")), {}, True),
        ((LAN, gateway("10.1.20.254"), route("10.9.0.0/16", "10.1.20.9")), {}, True),
        ((LAN, gateway("10.1.20.254"), route("2001:db8::/32", "2001:db8::9")), {}, False),
        ((LAN, TO_CORE, gateway("10.1.20.254")), {}, True),
        ((LAN, interface("Ethernet3"), gateway("10.1.20.254")), {}, False),
        ((LAN, interface("Ethernet3", "2001:db8::2/64"), gateway("10.1.20.254")), {}, False),
        ((LAN, interface("Management1", "10.1.99.2/24"), gateway("10.1.20.254")), {}, False),
        ((LAN, interface("Ethernet3", borrowed="Loopback0"), gateway("10.1.20.254")), {}, True),
        ((LAN, interface("Ethernet3", unknown_address=span("dhcp")), gateway("10.1.20.254")), {}, True),
        ((LAN, gateway("10.1.20.254")), {"routing": True}, True),
        ((LAN,), {"routing": False}, False),
        ((LAN,), {"routing": True, "assume": Assumptions(routing="off")}, False),
        ((LAN, gateway("10.1.20.254")), {"routing": False, "assume": Assumptions(routing="on")}, True),
    ],
)
def test_whether_a_text_that_is_silent_routes(parts, more, expected):
    box = device("quay", *parts, **more)
    assert routes_packets(box, 4) is routing_state(box, 4).on is expected


@pytest.mark.parametrize(
    ("written", "reading", "expected"),
    [
        (None, "by-text", True),
        (None, "on", True),
        (None, "off", False),
        (True, "off", True),
        (False, "on", False),
    ],
)
def test_ipv6_is_routed_unless_the_text_or_the_reading_says_no(written, reading, expected):
    box = device("quay", LAN, ipv6_routing=written, routing=False, assume=Assumptions(routing=reading))
    assert routes_packets(box, 6) is routing_state(box, 6).on is expected


# What is in the table


def test_without_a_route_there_is_no_way_and_nothing_stranded():
    assert look(quay()) == Choice(frozenset(), False, ())
    assert look(quay(route("10.1.90.0/24", "10.0.0.2"))) == Choice(CORE, False, ())


@pytest.mark.parametrize(
    ("dead", "stranded"),
    [
        (route("10.1.90.0/24", "192.0.2.9"), True),
        (route("10.1.91.0/24", "192.0.2.9"), False),
        (route("10.1.90.0/24", "192.0.2.9", vrf="BLUE"), False),
        (route("10.1.90.0/24", "10.0.0.2", distance=250), False),
    ],
)
def test_only_a_route_that_matches_and_is_not_there_strands(dead, stranded):
    assert look(quay(dead, route("10.0.0.0/8", "10.0.0.2"))).stranded is stranded


def test_a_connected_route_that_is_down_strands_nothing():
    box = device("quay", interface("Ethernet1", "10.1.90.1/24", shutdown=True), TO_CORE)
    assert look(box) == Choice(frozenset(), False, ())


@pytest.mark.parametrize(
    ("own", "state"),
    [
        ({}, NO),
        ({"shutdown": True}, YES),
    ],
)
def test_a_next_hop_that_is_the_devices_own_address_is_no_way(own, state):
    mine = interface("Ethernet3", "10.0.9.1/24", **own)
    box = quay(mine, route("10.1.90.0/24", "10.0.9.1", interface="Ethernet2"))
    found = look(box)
    assert bool(found.ways) == (state == YES)
    assert found.stranded == (state == NO)


def test_a_next_hop_that_may_be_the_devices_own_address_leaves_it_open():
    mine = interface("Tunnel3", "10.0.9.1/24")
    box = quay(mine, route("10.1.90.0/24", "10.0.9.1", interface="Ethernet2"))
    assert look(box).doubts == ("the next hop is the device's own address",)
    # Where the route's own interface is down, that is certain.
    down = interface("Ethernet2", "10.0.0.1/30", shutdown=True)
    box = device("quay", LAN, down, mine, route("10.1.90.0/24", "10.0.9.1", interface="Ethernet2"))
    assert best_ways(box, None, Address.parse("10.1.90.5")) == Choice(frozenset(), True, ())
    box = quay(mine, route("10.1.90.0/24", "10.0.9.1"))
    assert look(box).doubts[0] == "the next hop is the device's own address"


@pytest.mark.parametrize(
    ("interfaces", "static", "expected"),
    [
        ((TO_CORE,), {"interface": "Ethernet2"}, "way"),
        ((), {"interface": "Ethernet2"}, "stranded"),
        ((interface("Ethernet2", "10.0.0.1/30", shutdown=True),), {"interface": "Ethernet2"}, "stranded"),
        (
            (interface("Ethernet2", "10.0.0.1/30", shutdown=True),),
            {"interface": "Ethernet2", "permanent": True},
            "doubt",
        ),
        ((TO_CORE,), {"interface": "Ethernet2", "permanent": True}, "way"),
        ((interface("Ethernet2", shutdown=True),), {"interface": "Ethernet2"}, "stranded"),
        # An interface without an address of the version may not do.
        ((interface("Ethernet2"),), {"interface": "Ethernet2"}, "doubt"),
        ((interface("Ethernet2", "2001:db8::1/64"),), {"interface": "Ethernet2"}, "doubt"),
        ((interface("Ethernet2", ipv6_enabled=True),), {"interface": "Ethernet2"}, "doubt"),
        ((interface("Ethernet2", borrowed="Ethernet1"),), {"interface": "Ethernet2"}, "way"),
        # The interface of another table.
        ((interface("Ethernet2", "10.0.0.1/30", vrf="BLUE"),), {"interface": "Ethernet2"}, "doubt"),
        (
            (interface("Ethernet2", "10.0.0.1/30", vrf="BLUE"),),
            {"interface": "Ethernet2", "next_hop_vrf": "BLUE"},
            "way",
        ),
        ((TO_CORE,), {"interface": "Ethernet2", "next_hop_vrf": ""}, "way"),
        # Down is down, in whichever table.
        ((interface("Ethernet2", "10.0.0.1/30", vrf="BLUE", shutdown=True),), {"interface": "Ethernet2"}, "stranded"),
        ((TO_CORE,), {"interface": "Ethernet2", "next_hop": "10.0.0.1"}, "stranded"),
        ((TO_CORE,), {"interface": "Ethernet2", "tracked": "it follows an object"}, "doubt"),
        ((TO_CORE,), {"next_hop": "10.0.0.2", "tracked": "it follows an object"}, "doubt"),
        # Distance 255 is never used.
        ((TO_CORE,), {"next_hop": "10.0.0.2", "distance": 255}, "none"),
        ((TO_CORE,), {"next_hop": "10.0.0.2", "distance": 254}, "way"),
    ],
)
def test_whether_a_static_route_acts(interfaces, static, expected):
    found = look(device("quay", LAN, *interfaces, route("10.1.90.0/24", **static)))
    shown = "doubt" if found.doubts else "way" if found.ways else "stranded" if found.stranded else "none"
    assert shown == expected


def test_an_ipv6_route_by_interface_needs_ipv6_there():
    def found(**more):
        box = device("quay", interface("Ethernet2", **more), route("2001:db8:90::/48", interface="Ethernet2"))
        return look(box, "2001:db8:90::5").doubts

    assert found() == ("Ethernet2 has no IPv6 address",)
    assert found(ipv6_enabled=True) == ()


def test_a_link_local_next_hop_needs_an_interface():  # RFC 4291 section 2.5.6
    six = interface("Ethernet2", "2001:db8:12::1/64")
    with_interface = device("quay", six, route("2001:db8:90::/48", "fe80::2", interface="Ethernet2"))
    assert look(with_interface, "2001:db8:90::5").ways == {Way("Ethernet2", Address.parse("fe80::2"))}
    without = device("quay", six, route("2001:db8:90::/48", "fe80::2"))
    assert look(without, "2001:db8:90::5") == Choice(frozenset(), True, ())
    # So close to it, and still none.
    near = device("quay", six, interface("Ethernet3", "fec0::1/64"), route("2001:db8:90::/48", "fec0::2"))
    assert look(near, "2001:db8:90::5").ways == {Way("Ethernet3", Address.parse("fec0::2"))}


def test_a_next_hop_is_not_certain_through_its_own_prefix():
    def found(reading, *more):
        routes = route("10.1.90.0/24", "10.1.90.9"), route("10.1.90.0/24", interface="Ethernet2")
        return look(quay(*routes, *more, assume=Assumptions(recursion=reading)))

    for reading in ("any-but-default", "any"):
        assert "a next hop is looked up through its own prefix" in found(reading).doubts
    # Where only connected routes resolve, it is not looked up there at all.
    assert found("connected") == Choice(frozenset({Way("Ethernet2")}), True, ())
    alone = look(quay(route("10.1.90.0/24", "10.1.90.9"), assume=Assumptions(recursion="any")))
    assert alone == Choice(frozenset(), True, ())


@pytest.mark.parametrize(
    ("reading", "ways"),
    [("any-but-default", True), ("any", True), ("connected", False)],
)
def test_through_which_routes_a_next_hop_is_looked_up(reading, ways):
    box = quay(
        route("10.1.90.0/24", "10.5.5.5"), route("10.5.0.0/16", "10.0.0.2"), assume=Assumptions(recursion=reading)
    )
    found = look(box)
    assert (found.ways, found.stranded) == ((CORE, False) if ways else (frozenset(), True))


def test_half_of_the_internet_is_no_default_route():
    box = quay(route("10.1.90.0/24", "192.0.2.9"), route("128.0.0.0/1", "10.0.0.2"))
    assert look(box) == Choice(CORE, False, ())


def test_a_gateway_is_looked_up_on_connected_subnets_only():
    box = device("quay", LAN, gateway("10.5.5.5"), routing=False)
    assert look(box) == Choice(frozenset(), True, ())
    box = device("quay", LAN, gateway("10.1.20.254"), routing=False)
    assert look(box).ways == {Way("Ethernet1", Address.parse("10.1.20.254"))}
    # A route that is hidden and no connected one brings nobody to it.
    box = device("quay", LAN, gateway("10.5.5.5"), routing=False, unmodelled=unmodelled(RouteScope(distance=110)))
    assert look(box).ways == frozenset()
    # Static routes are not used by a device that does not route.
    box = device("quay", LAN, gateway("10.5.5.5"), route("10.5.0.0/16", "10.1.20.9"), routing=False)
    assert look(box) == Choice(frozenset(), True, ())


@pytest.mark.parametrize(("distance", "touched"), [(1, True), (2, False)])
def test_a_gateway_is_as_good_as_a_route_of_distance_one(distance, touched):
    hidden = unmodelled(RouteScope(distance=distance, within=Prefix.parse("0.0.0.0/0"), exact=True))
    assert bool(look(device("quay", LAN, gateway("10.1.20.254"), unmodelled=hidden)).doubts) is touched


def test_a_hidden_connected_route_of_the_same_prefix_may_stand_beside_the_one_of_the_text():
    hidden = unmodelled(RouteScope(distance=0, within=Prefix.parse("10.1.20.0/24"), exact=True))
    assert look(quay(unmodelled=hidden), "10.1.20.7").doubts == ("something",)


@pytest.mark.parametrize(("reading", "touched"), [("any-but-default", True), ("any", True), ("connected", False)])
def test_a_hidden_route_to_the_next_hop_counts_where_it_may_resolve_it(reading, touched):
    hidden = unmodelled(RouteScope(distance=110, within=Prefix.parse("10.0.0.2/32"), exact=True))
    box = quay(route("10.1.90.5/32", "10.0.0.2"), unmodelled=hidden, assume=Assumptions(recursion=reading))
    assert bool(look(box).doubts) is touched
    sure = quay(route("10.1.90.5/32", "10.0.0.2"), assume=Assumptions(recursion=reading))
    assert look(sure) == Choice(CORE, False, ())


def test_an_address_of_full_length_inside_of_another_subnet_is_in_doubt():
    inside, outside = interface("Loopback0", "10.1.20.9/32"), interface("Loopback0", "10.9.9.9/32")
    assert look(device("quay", LAN, inside), "10.1.20.7").doubts == ("Ethernet1 and Loopback0 share addresses",)
    assert look(device("quay", LAN, outside), "10.1.20.7").doubts == ()
    virtual = interface("Ethernet1", "10.1.20.2/24", "10.1.20.1/32 virtual")
    assert look(device("quay", virtual), "10.1.20.7").doubts == ()


def test_the_last_gateway_of_a_table_holds_and_only_for_its_version():
    box = device("quay", LAN, gateway("10.1.20.253"), gateway("10.1.20.254"), gateway("10.9.0.1", vrf="BLUE"),
                 routing=False)  # fmt: skip
    assert look(box).ways == {Way("Ethernet1", Address.parse("10.1.20.254"))}
    six = device("quay", LAN, gateway("2001:db8::1"), routing=False)
    assert look(six) == Choice(frozenset())


def test_a_gateway_as_a_default_route_gives_way_to_any_other():
    reading = Assumptions(gateway_while_routing="default-route")
    only = quay(gateway("10.0.0.2"), routing=True, assume=reading)
    assert look(only).ways == CORE
    static = route("0.0.0.0/0", "10.1.20.9", distance=252)
    assert look(quay(gateway("10.0.0.2"), static, routing=True, assume=reading)).ways == {
        Way("Ethernet1", Address.parse("10.1.20.9"))
    }
    static = route("0.0.0.0/0", "10.1.20.9", distance=254)
    assert look(quay(gateway("10.0.0.2"), static, routing=True, assume=reading)).ways == CORE
    assert look(quay(gateway("10.0.0.2"), routing=True)) == Choice(frozenset())


def test_a_permanent_route_may_stay_without_the_subnet_of_its_next_hop():
    def found(*parts, hop="10.0.9.2"):
        return look(device("quay", LAN, *parts, route("10.1.90.0/24", hop, permanent=True)))

    down = interface("Ethernet3", "10.0.9.1/24", shutdown=True)
    assert found(down).doubts == ("a permanent route may stay although the subnet of its next hop is down",)
    for other in (
        (),
        (interface("Ethernet3", "10.0.8.1/24", shutdown=True),),
        (interface("Ethernet3", "10.0.9.1/24", shutdown=True, vrf="BLUE"),),
    ):
        assert found(*other) == Choice(frozenset(), True, ())
    local = interface("Ethernet3", "fe80::1/64 link-local", shutdown=True)
    assert look(
        device("quay", local, route("2001:db8:90::/48", "fe80::2", permanent=True)), "2001:db8:90::5"
    ) == Choice(frozenset(), True, ())


# What the text does not show


@pytest.mark.parametrize(
    ("scope", "touched"),
    [
        (RouteScope(distance=110), True),
        (RouteScope(distance=110, family="ipv6"), False),
        (RouteScope(distance=110, vrf="BLUE"), False),
        (RouteScope(distance=110, within=Prefix.parse("10.1.90.0/28")), True),
        (RouteScope(distance=110, within=Prefix.parse("10.1.91.0/24")), False),
        (RouteScope(distance=110, within=Prefix.parse("2001:db8::/32")), False),
        # For exactly that prefix: of a higher distance it gives way, of a lower or equal one it may act.
        (RouteScope(distance=2, within=Prefix.parse("10.1.90.0/24"), exact=True), False),
        (RouteScope(distance=1, within=Prefix.parse("10.1.90.0/24"), exact=True), True),
        (RouteScope(distance=110, within=Prefix.parse("10.1.90.0/25"), exact=True), True),
        (RouteScope(distance=110, within=Prefix.parse("10.1.90.0/25"), exact=True, vrf="BLUE"), False),
        (RouteScope(distance=110, within=Prefix.parse("10.1.90.0/25"), exact=True, family="ipv6"), False),
        (RouteScope(distance=1, within=Prefix.parse("10.1.0.0/16"), exact=True), False),
        (RouteScope(distance=0, within=Prefix.parse("10.1.90.0/25"), exact=True), True),
    ],
)
def test_what_a_hidden_route_can_touch(scope, touched):
    box = quay(route("10.1.90.0/24", "10.0.0.2"), routing=True, unmodelled=unmodelled(scope))
    assert bool(look(box).doubts) is touched


@pytest.mark.parametrize(
    ("length", "distance", "hidden", "touched"),
    [(32, 1, 110, False), (32, 110, 110, True), (32, 111, 110, True), (31, 1, 110, True), (24, 1, 110, True)],
)
def test_only_a_full_length_route_of_lower_distance_is_safe(length, distance, hidden, touched):
    prefix = Prefix.containing(Address.parse("10.1.90.5"), length)
    box = quay(route(str(prefix), "10.0.0.2", distance=distance), unmodelled=unmodelled(RouteScope(distance=hidden)))
    assert bool(look(box).doubts) is touched


def test_connected_subnets_stay_whatever_is_hidden():
    box = quay(unmodelled=unmodelled(RouteScope(distance=110)))
    assert look(box, "10.1.20.7").doubts == ()
    # One that is hidden for its own reason can be longer than that.
    box = quay(unmodelled=unmodelled(RouteScope(distance=0, within=Prefix.parse("10.1.20.0/28"), exact=True)))
    assert look(box, "10.1.20.7").doubts == ("something",)


@pytest.mark.parametrize(
    ("more", "distance", "acts"),
    [
        ({"routing": False}, 110, False),
        ({"routing": False}, 0, True),
        ({"routing": True}, 110, True),
        # The text is silent, or another reading than the text's own decided.
        ({}, 110, True),
        ({"routing": False, "assume": Assumptions(routing="off")}, 110, True),
    ],
)
def test_hidden_routes_need_a_device_that_routes_or_may(more, distance, acts):
    # Silent, with a gateway: by the text it does not route.
    box = device("quay", LAN, gateway("10.1.20.254"), **more, unmodelled=unmodelled(RouteScope(distance=distance)))
    assert bool(look(box).doubts) is acts


def test_an_address_that_is_not_in_the_text_may_be_on_the_way():
    def found(address="10.1.90.5", words="ip address dhcp", *more, **port):
        unknown = interface("Ethernet3", unknown_address=span(words), **port)
        return look(device("quay", LAN, unknown, *more), address).doubts

    assert found() == ("the address of Ethernet3 is not in the text",)
    assert found(vrf="BLUE") == found(shutdown=True) == ()
    assert found("2001:db8::5") == found(words="ipv6 address autoconfig") == ()
    assert found("2001:db8::5", "ipv6 address autoconfig") == ("the address of Ethernet3 is not in the text",)
    assert found("2001:db8::5", ipv6_enabled=True) == ("the address of Ethernet3 is not in the text",)
    spoken = interface("Ethernet3", "10.7.0.1/24", unknown_address=span("ip address dhcp"))
    assert look(device("quay", LAN, spoken)).doubts == ()
    # A subnet that is in the text stays.
    assert found("10.1.20.7") == ()
    # The subnet would be connected, so it may hold a next hop even where only connected subnets do.
    unknown = interface("Ethernet3", unknown_address=span("ip address dhcp"))
    for reading in ("connected", "any-but-default", "any"):
        assume = Assumptions(recursion=reading)
        box = device("quay", LAN, unknown, route("10.1.90.0/24", "10.0.9.2"), assume=assume)
        assert look(box).doubts[0] == "the address of Ethernet3 is not in the text"


def test_a_host_that_does_not_route_ipv6_may_learn_its_default_route():  # RFC 4861 section 6.3.4
    box = device("quay", interface("Ethernet1", "2001:db8:20::1/64"), gateway("2001:db8:20::9"), ipv6_routing=False)
    learned = ("a device that does not route IPv6 may learn a default route",)
    assert look(box, "2001:db8:90::5").doubts == learned
    assert look(box, "2001:db8:20::5").doubts == ()
    routing = device("quay", interface("Ethernet1", "2001:db8:20::1/64"), ipv6_routing=True)
    assert look(routing, "2001:db8:90::5").doubts == ()


def test_stations_behind_an_interface_that_borrows_an_address_may_have_it():
    lender = interface("Ethernet1", "10.1.20.1/24")
    borrower = interface("Ethernet3", borrowed="Ethernet1")
    found = look(device("quay", lender, borrower), "10.1.20.7")
    assert found.doubts == ("stations may be behind Ethernet3, which borrows the address",)
    for other in (
        interface("Ethernet3", borrowed="Ethernet1", shutdown=True),
        interface("Ethernet3", borrowed="Ethernet9"),
    ):
        assert look(device("quay", lender, other), "10.1.20.7").doubts == ()


def test_a_full_length_address_is_no_subnet():
    loop = interface("Loopback0", "10.9.0.1/32", "10.8.0.1/24")
    box = device("quay", loop)
    assert look(box, "10.9.0.1").ways == frozenset()
    assert look(box, "10.8.0.7").ways == {Way("Loopback0", None, True)}
    assert [name for name, _ in own_interfaces(box, None, Address.parse("10.9.0.1"))] == ["Loopback0"]


# Addresses of its own


def test_own_addresses_are_those_of_the_table_that_are_up():
    def own(*parts, vrf=None, address="10.1.20.1"):
        return own_interfaces(device("quay", *parts), vrf, Address.parse(address))

    assert own(LAN) == [("Ethernet1", (YES, ""))]
    assert own(LAN, vrf="BLUE") == own(LAN, address="10.1.20.2") == []
    assert own(interface("Ethernet1", "10.1.20.1/24", shutdown=True)) == []
    assert own(interface("Ethernet1", "fe80::1/64 link-local"), address="fe80::1") == []
    [(name, (up, why))] = own(LAN, interface("Ethernet3", "10.1.20.129/25"))
    assert (name, up, why) == ("Ethernet1", MAYBE, "Ethernet1 and Ethernet3 share addresses")


@pytest.mark.parametrize(
    ("other", "shared"),
    [
        (interface("Ethernet3", "10.1.20.129/25"), True),
        (interface("Ethernet3", "10.1.0.1/16"), True),
        (interface("Ethernet3", "10.1.21.1/24"), False),
        (interface("Ethernet3", "10.1.20.129/25", vrf="BLUE"), False),
        (interface("Ethernet3", "10.1.20.129/25", shutdown=True), False),
        (interface("Tunnel3", "10.1.20.129/25"), True),
    ],
)
def test_two_interfaces_of_a_table_share_no_subnet(other, shared):
    found = look(device("quay", LAN, interface("Ethernet2", "10.2.0.1/24"), other), "10.1.20.7")
    assert (found.doubts == (f"Ethernet1 and {other.name} share addresses",)) is shared
    # A secondary address of the same interface is no other.
    both = interface("Ethernet1", "10.1.20.1/24", "10.1.20.129/25 secondary")
    assert look(device("quay", both), "10.1.20.7").doubts == ()


def test_an_overlap_is_seen_across_a_subnet_that_lies_between():
    inner, middle = interface("Ethernet3", "10.1.20.65/26"), interface("Ethernet2", "10.1.10.1/24")
    wide = interface("Ethernet1", "10.1.0.1/16")
    for order in ((inner, middle, wide), (wide, middle, inner)):
        found = look(device("quay", *order), "10.1.20.70")
        assert found.doubts
    last = look(device("quay", wide, middle, inner, interface("Ethernet4", "10.2.0.1/16")), "10.2.0.7")
    assert last.doubts == ()
    link = interface("Ethernet1", "fe80::1/64 link-local", "2001:db8:1::1/64")
    other = interface("Ethernet2", "fe80::2/64 link-local", "2001:db8:2::1/64")
    assert look(device("quay", link, other), "2001:db8:1::5").doubts == ()


def test_what_is_kept_of_devices_is_bounded(monkeypatch):
    monkeypatch.setattr(route_module, "_KEPT", 2)
    boxes = [device(f"quay-{number}", LAN, interface("Ethernet2", "10.1.20.129/25")) for number in range(4)]
    for box in boxes:
        look(box)
    assert [kept.name for kept, _ in route_module._kept.values()] == ["quay-2", "quay-3"]
    assert [kept.name for kept, _ in route_module._overlaps_kept.values()] == ["quay-2", "quay-3"]
    # What was asked last stays longest.
    look(boxes[2])
    look(boxes[0])
    assert [kept.name for kept, _ in route_module._kept.values()] == ["quay-2", "quay-0"]
