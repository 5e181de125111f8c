"""The evaluator, and beside it the engine, on fleets: small ones made by hand, one trap each.

What is expected follows docs/meaning.md; where no RFC is named it is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from model_builders import access_list, bound, device, fleet, gateway, interface, line, packet, route, span, vlan

from pathcheck.errors import UnknownNameError
from pathcheck.evaluator import evaluate_packet
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import TerminalLines
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.flow import EntryPoint
from pathcheck.model.interface import SwitchPort
from pathcheck.model.unmodelled import (
    DeviceScope,
    InterfaceScope,
    LayerTwoScope,
    OwnScope,
    RouteScope,
    TranslationScope,
    Unmodelled,
)
from pathcheck.network.propagation import Propagation
from pathcheck.network.reachability import Network, Start, Walk
from pathcheck.packet.address import WIDTH
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, SYN
from pathcheck.packetset.algebra import packet_space

LAN = interface("Ethernet1", "10.1.20.1/24")
TO_CORE = interface("Ethernet2", "10.0.0.1/30")
CORE = device(
    "core",
    interface("Ethernet1", "10.0.0.2/30"),
    interface("Ethernet2", "10.1.90.1/24"),
    route("10.1.20.0/24", "10.0.0.1"),
)
WEB = packet("10.1.20.7", "10.1.90.5", "tcp", 49152, 443)
INTO = EntryPoint("quay", "Ethernet1")


def reasons(config, one=WEB, at=INTO, vrf=None, ports=()):
    """Return how the evaluator lets the packet end; the engine, in a walk and all at once, must say the same."""
    found = {outcome.reason.value for outcome in evaluate_packet(config, one, at, vrf, ports)}
    target = Prefix(one.version, one.destination.value, WIDTH[one.version])
    start = Start(at, packet_space(one.version).of_packet(one), (target,), vrf, ports=tuple(ports))
    assert {end.reason.value for end in Walk(Network(config), one.version).run([start])} == found
    if not ports:
        assert {fate.reason.value for fate in Propagation(Network(config), one.version).carry([start])} == found
    return found


def quay(*parts, lan=LAN, **more):
    return device("quay", lan, TO_CORE, *parts, **more)


def denying(name="A", direction="in", **more):
    return bound(name, direction, **more)


NOTHING = access_list("A", line("deny"))


def test_a_way_is_told_device_by_device():
    found = evaluate_packet(fleet(quay(route("10.1.90.0/24", "10.0.0.2")), CORE), WEB, INTO)
    [outcome] = found
    assert outcome.trail == (("quay", "Ethernet1", "Ethernet2"), ("core", "Ethernet1", "Ethernet2"))
    assert (outcome.reason.value, outcome.device, outcome.interface) == ("arrived", "core", "Ethernet2")


def test_an_entry_that_does_not_exist_is_an_error():
    with pytest.raises(UnknownNameError):
        evaluate_packet(fleet(CORE), WEB, EntryPoint("core", "Ethernet7"))


@pytest.mark.parametrize(
    ("routes", "expected"),
    [
        ([], "unrouted"),
        ([route("0.0.0.0/0", "10.0.0.2")], "arrived"),
        # RFC 1812 section 5.2.4.3: the longest match, whatever the distance.
        ([route("0.0.0.0/0", "10.0.0.2"), route("10.1.90.0/24", discard=True, distance=254)], "discarded"),
        ([route("10.1.90.0/24", "10.0.0.2"), route("10.1.90.0/24", discard=True, distance=254)], "arrived"),
        ([route("10.1.90.0/24", "10.0.0.2"), route("10.1.90.5/32", discard=True)], "discarded"),
        ([route("10.1.90.0/24", "10.0.0.2", distance=255)], "unrouted"),
        # A next hop that is not reached: the next best acts, and only without one it strands.
        ([route("10.1.90.0/24", "10.5.5.5"), route("10.0.0.0/8", "10.0.0.2")], "arrived"),
        ([route("10.1.90.0/24", "10.5.5.5")], "stranded"),
        ([route("10.1.90.0/24", "10.5.5.5"), route("0.0.0.0/0", "10.0.0.2")], "arrived"),
        # Recursion: through another route, through a discard route, not through the default, not to oneself.
        ([route("10.1.90.0/24", "10.5.5.5"), route("10.5.0.0/16", "10.0.0.2")], "arrived"),
        ([route("10.1.90.0/24", "10.5.5.5"), route("10.5.0.0/16", discard=True)], "discarded"),
        ([route("10.1.90.0/24", "10.0.0.1")], "stranded"),
        ([route("10.1.90.0/24", "10.1.90.9")], "stranded"),
        # The next hop belongs to nobody of the fleet.
        ([route("10.1.90.0/24", "10.1.20.9")], "handed-over"),
        ([route("10.1.90.0/24", "10.0.0.2", tracked="it follows an object")], "unmodelled"),
        ([route("10.1.90.0/24", "10.0.0.2"), route("10.0.0.0/8", discard=True, tracked="x")], "arrived"),
        ([route("10.1.90.0/24", interface="Ethernet2")], "arrived"),
        ([route("10.1.90.0/24", interface="Ethernet7")], "stranded"),
        ([route("10.1.90.0/24", "10.0.0.2", vrf="BLUE")], "unrouted"),
    ],
)
def test_routes(routes, expected):
    assert reasons(fleet(quay(*routes), CORE)) == {expected}


def test_all_equal_routes_are_followed():
    both = [route("10.1.90.0/24", "10.0.0.2"), route("10.1.90.0/24", "10.1.20.9")]
    assert reasons(fleet(quay(*both), CORE)) == {"arrived", "handed-over"}


@pytest.mark.parametrize(
    ("reading", "expected"), [("any-but-default", "stranded"), ("any", "arrived"), ("connected", "stranded")]
)
def test_whether_the_default_route_resolves_a_next_hop(reading, expected):
    only = quay(route("10.1.90.0/24", "10.5.5.5"), assume=Assumptions(recursion=reading))
    both = replace(only, static_routes=(*only.static_routes, route("0.0.0.0/0", "10.0.0.2", distance=5)))
    assert reasons(fleet(only, CORE)) == {"stranded"}
    # Where it does not, the default route itself carries the packet.
    assert reasons(fleet(both, CORE)) == {"arrived"}
    away = replace(
        both,
        static_routes=(route("10.1.90.0/24", "10.5.5.5"), route("10.1.0.0/16", discard=True), both.static_routes[1]),
    )
    assert reasons(fleet(away, CORE)) == ({"arrived"} if expected == "arrived" else {"discarded"})


def test_a_floating_route_acts_when_the_interface_is_down():
    down = interface("Ethernet3", "10.0.9.1/30", shutdown=True)
    backup = route("10.1.90.0/24", "10.0.0.2", distance=200)
    config = fleet(quay(down, route("10.1.90.0/24", "10.0.9.2"), backup), CORE)
    assert reasons(config) == {"arrived"}
    config = fleet(quay(down, route("10.1.90.0/24", "10.0.9.2", permanent=True), backup), CORE)
    assert reasons(config) == {"unmodelled"}


def test_a_loop_is_found():
    back = replace(CORE, static_routes=(route("10.77.0.0/16", "10.0.0.1"),))
    config = fleet(quay(route("10.77.0.0/16", "10.0.0.2")), back)
    [outcome] = evaluate_packet(config, packet("10.1.20.7", "10.77.0.1"), INTO)
    assert outcome.reason.value == "looping"
    assert [step[:2] for step in outcome.trail] == [("quay", "Ethernet1"), ("core", "Ethernet1"), ("quay", "Ethernet2")]


def test_lists_in_and_out_and_the_devices_own_packets():
    to_core = route("10.1.90.0/24", "10.0.0.2")
    listed = replace(LAN, bindings=(denying(),))
    assert reasons(fleet(quay(to_core, NOTHING, lan=listed), CORE)) == {"filtered"}
    out = device("quay", LAN, replace(TO_CORE, bindings=(denying(direction="out"),)), to_core, NOTHING)
    assert reasons(fleet(out, CORE)) == {"filtered"}
    own = packet("10.0.0.1", "10.1.90.5")
    assert reasons(fleet(out, CORE), own, EntryPoint("quay")) == {"arrived"}
    strict = replace(out, assume=Assumptions(own_packets="meet-out"))
    assert reasons(fleet(strict, CORE), own, EntryPoint("quay")) == {"filtered"}
    # A list of the other family, and one that is not defined, stop nothing.
    other = replace(LAN, bindings=(denying(family="ipv6"), denying("GONE")))
    assert reasons(fleet(quay(to_core, NOTHING, lan=other), CORE)) == {"arrived"}


SSH = packet("10.1.20.7", "10.0.0.1", "tcp", 49152, 22)


@pytest.mark.parametrize(
    ("blocks", "one", "expected"),
    [
        ((), SSH, {"arrived"}),
        ((("A",),), SSH, {"filtered"}),
        ((("A",), ()), SSH, {"filtered", "arrived"}),
        ((("A",),), packet("10.1.20.7", "10.0.0.1", "tcp", 1, 23), {"filtered"}),
        ((("A",),), packet("10.1.20.7", "10.0.0.1", "tcp", 1, 443), {"arrived"}),
        ((("A",),), packet("10.1.20.7", "10.0.0.1", "udp", 1, 22), {"arrived"}),
        # RFC 9293 section 3.5: SYN with ACK answers a session that the device opened itself.
        ((("A",),), replace(SSH, flags=SYN | ACK), {"arrived"}),
        ((("A",),), replace(SSH, flags=ACK), {"filtered"}),
    ],
)
def test_terminal_lines_guard_each_address_of_the_device(blocks, one, expected):
    lines = tuple(
        TerminalLines(n, n, tuple(map(bound, names)), span=span("line vty")) for n, names in enumerate(blocks)
    )
    assert reasons(fleet(quay(NOTHING, terminal_lines=lines), CORE), one) == expected


def test_a_list_of_terminal_lines_or_of_the_control_plane_that_is_in_doubt_leaves_it_open():
    open_list = access_list("A", line("deny", doubt="a time range"), line("permit", sequence=20))
    lines = (TerminalLines(0, 4, (bound("A"),), span=span("line vty")),)
    assert reasons(fleet(quay(open_list, terminal_lines=lines), CORE), SSH) == {"unmodelled"}
    assert reasons(fleet(quay(open_list, control_plane=(bound("A"),)), CORE), SSH) == {"unmodelled"}


def test_own_addresses_meet_the_list_where_they_arrive_and_the_control_plane():
    guarded = quay(NOTHING, control_plane=(denying(),))
    assert reasons(fleet(guarded, CORE), packet("10.1.20.7", "10.1.20.1", "icmp", 8, 0)) == {"filtered"}
    assert reasons(fleet(quay(NOTHING, lan=replace(LAN, bindings=(denying(),)))), SSH) == {"filtered"}


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ({}, "arrived"),
        ({"routing": False}, "unrouted"),
        ({"assume": Assumptions(routing="off"), "routing": True}, "unrouted"),
    ],
)
def test_who_does_not_route_forwards_nothing(more, expected):
    assert reasons(fleet(quay(route("10.1.90.0/24", "10.0.0.2"), **more), CORE)) == {expected}


def test_a_switch_reaches_out_by_its_gateway_only_while_it_does_not_route():
    switch = device("quay", interface("Management1", "10.1.99.11/24"), gateway("10.1.99.1"), routing=False)
    router = device("core", interface("Ethernet1", "10.1.99.1/24"), interface("Ethernet2", "10.1.90.1/24"))
    own, start = packet("10.1.99.11", "10.1.90.5"), EntryPoint("quay")
    assert reasons(fleet(switch, router), own, start) == {"arrived"}
    assert reasons(fleet(replace(switch, routing=True), router), own, start) == {"unrouted"}
    idle = Assumptions(gateway_while_routing="default-route")
    assert reasons(fleet(replace(switch, routing=True, assume=idle), router), own, start) == {"arrived"}
    # A gateway outside of the subnet is never reached.
    assert reasons(fleet(replace(switch, gateways=(gateway("10.1.98.1"),)), router), own, start) == {"stranded"}


def test_tables_are_apart():
    blue = interface("Management1", "10.1.99.11/24", vrf="BLUE")
    config = fleet(device("quay", LAN, TO_CORE, blue, route("0.0.0.0/0", "10.0.0.2")), CORE)
    own = packet("10.1.99.11", "10.1.90.5")
    assert reasons(config, own, EntryPoint("quay"), vrf="BLUE") == {"unrouted"}
    assert reasons(config, own, EntryPoint("quay")) == {"arrived"}
    # An address of another table is not the device's own here: the default route takes it.
    assert reasons(config, packet("10.1.20.7", "10.1.99.11"), INTO) == {"unrouted"}


@pytest.mark.parametrize(
    ("length", "up", "expected"),
    [(31, True, "arrived"), (31, False, "stranded"), (30, False, "stranded"), (24, False, "handed-over")],
)
def test_routes_by_interface(length, up, expected):
    # RFC 3021 for the /31; on a wider subnet each router may answer (proxy ARP, RFC 1027).
    here = interface("Ethernet2", f"10.0.0.{1 if length != 31 else 2}/{length}")
    there = interface("Ethernet1", f"10.0.0.{2 if length != 31 else 3}/{length}", shutdown=not up)
    core = device("core", there, interface("Ethernet2", "10.1.90.1/24"))
    config = fleet(device("quay", LAN, here, route("10.1.90.0/24", interface="Ethernet2")), core)
    assert reasons(config) == {expected}


def test_several_owners_of_a_next_hop_are_alternatives_and_those_that_are_down_are_not():
    def gateway_of(name, last, **more):
        shared = interface("Ethernet1", f"10.0.0.{last}/28", "10.0.0.1/28 virtual", **more)
        return device(name, shared, interface("Ethernet2", f"10.1.9{last}.1/24"), route("10.1.90.0/24", discard=True))

    lan = device("quay", LAN, interface("Ethernet2", "10.0.0.9/28"), route("10.1.90.0/24", "10.0.0.1"))
    config = fleet(lan, gateway_of("left", 2), gateway_of("right", 3))
    assert {outcome.device for outcome in evaluate_packet(config, WEB, INTO)} == {"left", "right"}
    config = fleet(lan, gateway_of("left", 2), gateway_of("right", 3, shutdown=True))
    assert {outcome.device for outcome in evaluate_packet(config, WEB, INTO)} == {"left"}


def test_a_next_hop_on_an_interface_that_is_down_strands():
    core = device("core", interface("Ethernet1", "10.0.0.2/30", shutdown=True))
    assert reasons(fleet(quay(route("10.1.90.0/24", "10.0.0.2")), core)) == {"stranded"}


def test_overlapping_subnets_of_one_table_are_uncertain():
    assert reasons(fleet(quay(interface("Ethernet3", "10.1.20.129/25"))), packet("10.1.20.7", "10.1.20.200")) == {
        "unmodelled"
    }


# Layer 2


def vlan_fleet(left=None, right=None, links=True, **more):
    """Two switches with an SVI in VLAN 20 each and one cable; the ports are trunks unless given."""
    trunk, access = SwitchPort("trunk"), SwitchPort("access", access_vlan=20)
    here = device(
        "quay",
        interface("Vlan10", "10.1.20.1/24"),
        interface("Vlan20", "10.0.0.1/24"),
        interface("Ethernet7", switch_port=access),
        interface("Ethernet8", switch_port=SwitchPort("access", access_vlan=10)),
        interface("Ethernet9", switch_port=left or trunk),
        vlan(10),
        vlan(20),
        route("10.1.90.0/24", "10.0.0.2"),
    )
    there = device(
        "core",
        interface("Vlan20", "10.0.0.2/24"),
        interface("Ethernet2", "10.1.90.1/24", routed=True),
        interface("Ethernet7", switch_port=access),
        interface("Ethernet9", switch_port=right or trunk),
        vlan(20),
        **more,
    )
    return fleet(here, there, links=("quay:Ethernet9 core:Ethernet9",) if links else ())


@pytest.mark.parametrize(
    ("left", "right", "expected"),
    [
        (None, None, "arrived"),
        (None, SwitchPort("trunk", allowed=Ranges.single(20)), "arrived"),
        (None, SwitchPort("trunk", allowed=Ranges.single(30)), "stranded"),
        (SwitchPort("trunk", native=20), None, "stranded"),
        (SwitchPort("trunk", native=20), SwitchPort("trunk", native=20), "arrived"),
        (SwitchPort("access", access_vlan=20), SwitchPort("access", access_vlan=20), "arrived"),
        (SwitchPort("access", access_vlan=20), SwitchPort("trunk", native=20), "arrived"),
        (SwitchPort("access", access_vlan=20), None, "stranded"),
        (SwitchPort("access", access_vlan=10), SwitchPort("access", access_vlan=10), "stranded"),
        (SwitchPort("access", access_vlan=10, voice_vlan=20), None, "arrived"),
        # Dynamic ports: a trunk or, if not, access ports in VLAN 1.
        (SwitchPort("dynamic"), SwitchPort("dynamic"), "unmodelled"),
    ],
)
def test_vlans_are_carried_where_both_ends_agree(left, right, expected):
    assert reasons(vlan_fleet(left, right), at=EntryPoint("quay", "Vlan10")) == {expected}


def test_without_cabling_a_subnet_is_assumed_to_be_carried():
    wrong = SwitchPort("trunk", allowed=Ranges.single(30))
    assert reasons(vlan_fleet(wrong, wrong, links=False), at=EntryPoint("quay", "Vlan10")) == {"arrived"}


def test_a_change_of_the_vlan_number_is_uncertain():
    config = vlan_fleet(SwitchPort("access", access_vlan=20), SwitchPort("access", access_vlan=30))
    core = config.devices["core"]
    moved = {
        "Vlan30": interface("Vlan30", "10.0.0.2/24"),
        **{k: v for k, v in core.interfaces.items() if k != "Vlan20"},
    }
    config = replace(config, devices={**config.devices, "core": replace(core, interfaces=moved, vlans={30: vlan(30)})})
    assert reasons(config, at=EntryPoint("quay", "Vlan10")) == {"unmodelled"}


def test_an_svi_needs_a_port_and_its_vlan():
    alone = device("quay", interface("Vlan20", "10.1.20.1/24"), vlan(20))
    one, at = packet("10.1.20.7", "10.1.20.1"), EntryPoint("quay", "Vlan20")
    assert reasons(fleet(alone), one, at) == {"stranded"}
    assert reasons(fleet(replace(alone, assume=Assumptions(svi_without_port="up"))), one, at) == {"arrived"}
    port = {"Ethernet1": interface("Ethernet1", switch_port=SwitchPort("access", access_vlan=20))}
    assert reasons(fleet(replace(alone, interfaces={**alone.interfaces, **port})), one, at) == {"arrived"}
    undefined = replace(alone, interfaces={**alone.interfaces, **port}, vlans={30: vlan(30)})
    assert reasons(fleet(undefined), one, at) == {"stranded"}


def test_a_list_on_a_switch_port_acts_on_frames_that_pass_it():
    config = vlan_fleet()
    core = config.devices["core"]
    port = replace(core.interfaces["Ethernet9"], bindings=(denying(port=True),))
    listed = replace(core, interfaces={**core.interfaces, "Ethernet9": port}, access_lists={("ipv4", "A"): NOTHING})
    config = replace(config, devices={**config.devices, "core": listed})
    assert reasons(config, at=EntryPoint("quay", "Vlan10")) == {"filtered"}
    # Entering by one of several ports is certain only where their lists agree.
    entry, ports = EntryPoint("core", "Vlan20"), [LinkEnd("core", "Ethernet9"), LinkEnd("core", "Ethernet7")]
    assert reasons(config, at=entry, ports=ports[:1]) == {"filtered"}
    assert reasons(config, at=entry, ports=ports[1:]) == {"arrived"}
    assert reasons(config, at=entry, ports=ports) == {"unmodelled"}


# What is not modelled


def unmodelled(scope, what="something"):
    return (Unmodelled(what, scope, span=span(what)),)


TO = route("10.1.90.0/24", "10.0.0.2")
DENIED = replace(LAN, bindings=(denying(),))


@pytest.mark.parametrize(
    ("scope", "expected"),
    [
        (DeviceScope(), "unmodelled"),
        (InterfaceScope("Ethernet1"), "unmodelled"),
        (InterfaceScope("Ethernet1", ("out",)), "arrived"),
        (InterfaceScope("Ethernet2", ("out",)), "unmodelled"),
        (InterfaceScope("Ethernet2", ("in",)), "arrived"),
        (InterfaceScope("Ethernet2", ("out",), may_only_drop=True), "unmodelled"),
        (OwnScope(), "arrived"),
        (RouteScope(), "unmodelled"),
        (RouteScope(family="ipv6"), "arrived"),
        (RouteScope(vrf="BLUE"), "arrived"),
        (RouteScope(within=Prefix.parse("10.2.0.0/16")), "arrived"),
        (RouteScope(within=Prefix.parse("10.1.0.0/16"), distance=110, exact=True), "arrived"),
        (RouteScope(within=Prefix.parse("10.1.90.0/25"), distance=110, exact=True), "unmodelled"),
        (TranslationScope("Ethernet1", "inside"), "arrived"),
        (LayerTwoScope(), "arrived"),
    ],
)
def test_a_line_touches_what_its_scope_says(scope, expected):
    assert reasons(fleet(quay(TO, unmodelled=unmodelled(scope)), CORE)) == {expected}


def test_a_full_length_route_of_lower_distance_stands_beside_a_routing_protocol():
    scope = unmodelled(RouteScope(distance=20))
    assert reasons(fleet(quay(route("10.1.90.5/32", "10.0.0.2"), unmodelled=scope), CORE)) == {"arrived"}
    assert reasons(fleet(quay(route("10.1.90.5/32", "10.0.0.2", distance=20), unmodelled=scope), CORE)) == {
        "unmodelled"
    }
    # Connected routes stay.
    assert reasons(fleet(quay(unmodelled=scope), CORE), packet("10.1.20.7", "10.0.0.9")) == {"unmodelled"}
    assert reasons(fleet(quay(unmodelled=scope)), packet("10.1.20.7", "10.1.20.9")) == {"arrived"}


def test_translation_touches_what_crosses_from_one_side_to_the_other():
    sides = unmodelled(TranslationScope("Ethernet1", "inside")) + unmodelled(TranslationScope("Ethernet2", "outside"))
    config = fleet(quay(TO, unmodelled=sides), CORE)
    assert reasons(config) == {"unmodelled"}
    assert reasons(config, packet("10.1.90.5", "10.0.0.1"), EntryPoint("core", "Ethernet2")) == {"unmodelled"}
    assert reasons(config, packet("10.1.20.7", "10.1.20.9"), INTO) == {"arrived"}


def test_what_may_only_drop_leaves_a_certain_denial_certain():
    may_drop = unmodelled(InterfaceScope("Ethernet1", ("in",), may_only_drop=True))
    assert reasons(fleet(quay(TO, NOTHING, lan=DENIED, unmodelled=may_drop), CORE)) == {"filtered"}
    assert reasons(fleet(quay(unmodelled=may_drop), CORE)) == {"unrouted"}
    assert reasons(fleet(quay(TO, unmodelled=may_drop), CORE)) == {"unmodelled"}
    # So does a list that is not known for certain: it can drop, and nothing else.
    open_list = access_list("A", line("deny", doubt="a time range"), line("permit", sequence=20))
    assert reasons(fleet(quay(open_list, lan=DENIED), CORE)) == {"unrouted"}
    assert reasons(fleet(quay(TO, open_list, lan=DENIED), CORE)) == {"unmodelled"}


def test_ipv6_and_link_local_next_hops():
    lan, link = (
        interface("Ethernet1", "2001:db8:20::1/64"),
        interface("Ethernet2", "2001:db8:12::1/64", "fe80::1/64 link-local"),
    )
    far = interface("Ethernet1", "2001:db8:12::2/64", "fe80::2/64 link-local")
    core = device("core", far, interface("Ethernet2", "2001:db8:90::1/64"))
    one = packet("2001:db8:20::7", "2001:db8:90::5")

    def to(hop, **more):
        return fleet(device("quay", lan, link, route("2001:db8:90::/64", hop, **more)), core)

    assert reasons(to("2001:db8:12::2"), one) == {"arrived"}
    assert reasons(to("fe80::2", interface="Ethernet2"), one) == {"arrived"}
    assert reasons(to("fe80::2"), one) == {"stranded"}
    # RFC 4862 section 5.3: an interface chooses such an address itself, so this one may be the core's.
    assert reasons(to("fe80::3", interface="Ethernet2"), one) == {"unmodelled"}
    silent = device("quay", lan, link, route("2001:db8:90::/64", "2001:db8:12::2"), ipv6_routing=False)
    assert reasons(fleet(silent, core), one) == {"unrouted"}


def test_two_cables_leave_open_which_list_on_a_port_is_met():
    # The text leaves open whether Ethernet9 of the core switches; found by the random fleets.
    trunk, listed = SwitchPort("trunk"), (denying(port=True),)
    here = device(
        "quay", interface("Vlan1", "10.1.20.1/24"), *(interface(f"Ethernet{n}", switch_port=trunk) for n in (5, 6))
    )
    ports = interface("Ethernet5", switch_port=trunk, lists=listed), interface("Ethernet9")
    there = device("core", interface("Vlan1", "10.1.20.2/24"), *ports, NOTHING)
    cables = ("quay:Ethernet5 core:Ethernet9", "quay:Ethernet6 core:Ethernet5")
    one, at = packet("10.1.30.7", "10.1.20.2"), EntryPoint("quay", "Vlan1")
    assert reasons(fleet(here, there, links=cables), one, at) == {"unmodelled"}
    assert reasons(fleet(here, there, links=cables[1:]), one, at) == {"filtered"}


def test_lists_on_the_ports_by_which_a_packet_may_enter_count_as_far_as_they_agree():
    all_of_it = access_list("ALL", line("deny"))
    web = access_list("WEB", line("deny", "tcp", destination_ports="443"), line("permit", sequence=20))
    access = SwitchPort("access", access_vlan=20)
    ports = [
        interface("Ethernet1", switch_port=access, lists=(bound("ALL", port=True),)),
        interface("Ethernet2", switch_port=access, lists=(bound("WEB", port=True),)),
        interface("Ethernet3", switch_port=access, lists=(bound("ALL", "out", port=True),)),
        interface("Ethernet4", switch_port=access, lists=(bound("ALL", family="ipv6", port=True),)),
        interface("Ethernet5", switch_port=access, lists=(bound("GONE", port=True),)),
    ]
    svi = interface("Vlan20", "10.1.20.1/24")
    box = device("quay", svi, *ports, all_of_it, web, vlan(20))
    at = EntryPoint("quay", "Vlan20")
    https, ssh = (packet("10.1.20.7", "10.1.20.1", "tcp", 49152, port) for port in (443, 22))

    def entering(one, *numbers):
        return reasons(fleet(box), one, at, ports=[LinkEnd("quay", f"Ethernet{number}") for number in numbers])

    assert entering(https, 1) == entering(https, 2) == entering(https, 1, 2) == {"filtered"}
    assert entering(ssh, 1) == {"filtered"}
    assert entering(ssh, 2) == entering(ssh, 3) == entering(ssh, 2, 3) == entering(https, 3, 4, 5) == {"arrived"}
    assert entering(ssh, 1, 2) == entering(https, 1, 3) == entering(https, 2, 5) == {"unmodelled"}
    # What may only have been dropped before is denied in any case where it is denied later.
    assert reasons(
        fleet(replace(box, interfaces={**box.interfaces, "Vlan20": replace(svi, bindings=(bound("ALL"),))})),
        ssh, at, ports=[LinkEnd("quay", "Ethernet1"), LinkEnd("quay", "Ethernet2")],
    ) == {"filtered"}  # fmt: skip
    hidden = replace(box, unmodelled=unmodelled(DeviceScope()))
    assert reasons(fleet(hidden), https, at, ports=[LinkEnd("quay", "Ethernet1")]) == {"unmodelled"}


def test_an_address_that_may_be_the_devices_own_ends_the_way_in_doubt():
    perhaps = interface("Tunnel1", "10.1.90.5/32")
    config = fleet(quay(perhaps, route("10.1.90.0/24", "10.0.0.2")), CORE)
    assert reasons(config) == {"unmodelled"}
    [outcome] = evaluate_packet(config, WEB, INTO)
    assert outcome.trail == (("quay", "Ethernet1", None),)
    # The first of two interfaces says why.
    second = interface("Tunnel2", "10.1.90.5/32")
    assert evaluate_packet(fleet(quay(perhaps, second), CORE), WEB, INTO) == {outcome}
