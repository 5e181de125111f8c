"""Why a route is not in its table, word for word, with the lines beside it; common practice, no source."""

from __future__ import annotations

from typing import Any

import pytest
from model_builders import device, gateway, interface, route, span

from pathcheck.dataplane import fib as fib_module
from pathcheck.dataplane.fib import Fib, build_fib
from pathcheck.dataplane.routing import RoutingState, routing_state
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.unmodelled import RouteScope, Unmodelled
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.results.path import Doubt, Reading

LAN = interface("Ethernet1", "10.1.20.1/24")
UPLINK = interface("Ethernet2", "10.0.0.1/30")
QUAY = "10.1.90.0/24"


def fib_of(*parts: Any, vrf: str | None = None, **more: Any) -> Fib:
    more.setdefault("routing", True)
    return build_fib(device("core", LAN, *parts, **more), vrf, 4)


def words(fib: Fib) -> list[tuple[str, str, str, list[str], list[str], list[str]]]:
    """Prefix, reason, why, the lines beside it, what leaves it open, and the assumptions of each inactive route."""
    return [
        (
            str(item.prefix),
            item.reason.name,
            item.why,
            [place.text for place in item.related],
            [doubt.why for doubt in item.doubts],
            [reading.key for reading in item.readings],
        )
        for item in fib.inactive
    ]


DOWN = interface("Ethernet2", "10.0.0.1/30", shutdown=True, shutdown_span=span("shutdown"))
STAYS = "a permanent route may stay although its interface is down"


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ([route(QUAY, "10.0.0.2", distance=255)], ("NEVER_USED", "a route of distance 255 is never used", [], [], [])),
        ([route(QUAY, interface="Ethernet9")], ("NO_INTERFACE", "there is no interface `Ethernet9`", [], [], [])),
        (
            [UPLINK, route(QUAY, "10.0.0.1", interface="Ethernet2")],
            ("OWN_ADDRESS", "`10.0.0.1` is the device's own address", ["10.0.0.1/30"], [], []),
        ),
        (
            [UPLINK, route(QUAY, "10.0.0.1")],
            ("OWN_ADDRESS", "`10.0.0.1` is the device's own address", ["10.0.0.1/30"], [], []),
        ),
        (
            [DOWN, route(QUAY, interface="Ethernet2")],
            ("INTERFACE_DOWN", "`Ethernet2` is down: shut down", ["shutdown"], [], []),
        ),
        (
            [DOWN, route(QUAY, interface="Ethernet2", permanent=True)],
            ("INTERFACE_DOWN", "`Ethernet2` is down: shut down", ["shutdown"], [STAYS], []),
        ),
        (
            [interface("Ethernet2", "10.0.0.1/30", channel_group=1), route(QUAY, interface="Ethernet2")],
            ("INTERFACE_DOWN", "`Ethernet2` is down: a member of port channel 1", ["interface Ethernet2"], [], []),
        ),
        (
            [interface("Ethernet2"), route(QUAY, interface="Ethernet2")],
            (
                "NO_ADDRESS", "`Ethernet2` has no IPv4 address", ["interface Ethernet2"],
                ["`Ethernet2` has no IPv4 address; some devices use a route through it all the same"], [],
            ),
        ),
        ([route(QUAY, "192.0.2.9")], ("UNRESOLVED", "no route leads to next hop `192.0.2.9`", [], [], [])),
        (
            [DOWN, route(QUAY, "10.0.0.2")],
            ("UNRESOLVED", "no route leads to next hop `10.0.0.2`", ["10.0.0.1/30"], [], []),
        ),
        (
            [route(QUAY, "10.1.90.9")],
            ("THROUGH_ITSELF", "next hop `10.1.90.9` is reached by the route itself only", [], [], []),
        ),
        # A default route is no route to its own next hop, so that is simply not reached.
        ([route("0.0.0.0/0", "192.0.2.9")], ("UNRESOLVED", "no route leads to next hop `192.0.2.9`", [], [], [])),
    ],
)  # fmt: skip
def test_why_a_route_is_not_in_the_table(parts: list[Any], expected: tuple[Any, ...]) -> None:
    [found] = words(fib_of(*parts))
    assert found[1:] == expected


def test_a_next_hop_behind_the_default_route_only() -> None:
    default = route("0.0.0.0/0", "10.1.20.9")
    [found] = words(fib_of(default, route(QUAY, "192.0.2.9")))
    assert found == (
        QUAY, "ONLY_BY_DEFAULT", "next hop `192.0.2.9` is reached by the default route only",
        ["route 0.0.0.0/0 10.1.20.9"], [], ["recursion"],
    )  # fmt: skip
    [found] = words(fib_of(default, route(QUAY, "192.0.2.9"), assume=Assumptions(recursion="connected")))
    assert found[1:3] == ("NOT_CONNECTED", "next hop `192.0.2.9` is on no connected subnet")
    assert found[5] == ["recursion"]
    assert words(fib_of(default, route(QUAY, "192.0.2.9"), assume=Assumptions(recursion="any"))) == []


def test_the_longest_route_that_holds_a_next_hop_is_named_and_no_other() -> None:
    wide = route("192.0.0.0/8", "10.1.20.9"), route("192.0.2.0/24", "10.1.20.8"), route("0.0.0.0/0", "10.1.20.7")
    [found] = words(fib_of(*wide, route(QUAY, "192.0.2.9"), assume=Assumptions(recursion="connected")))
    assert found[3] == ["route 192.0.2.0/24 10.1.20.8"]


def test_a_device_that_does_not_route_uses_its_gateway_only() -> None:
    line = span("no ip routing")
    fib = fib_of(route(QUAY, "10.1.20.9"), gateway("10.1.20.254"), routing=False, routing_span=line)
    assert words(fib) == [(QUAY, "ROUTING_OFF", "the device does not route", ["no ip routing"], [], [])]
    assert fib.lookup(Address.parse("10.1.90.5")).source == "gateway"  # type: ignore[union-attr]
    fib = fib_of(route(QUAY, "10.1.20.9"), routing=None, assume=Assumptions(routing="off"))
    assert words(fib) == [(QUAY, "ROUTING_OFF", "the device does not route", [], [], ["routing"])]
    fib = fib_of(gateway("192.0.2.1"), routing=False)
    assert words(fib) == [
        ("0.0.0.0/0", "NOT_CONNECTED", "next hop `192.0.2.1` is on no connected subnet", [], [], []),
    ]


def test_a_gateway_is_idle_while_the_device_routes() -> None:
    fib = fib_of(gateway("10.1.20.254"), routing_span=span("ip routing"))
    assert words(fib) == [
        (
            "0.0.0.0/0", "IDLE_GATEWAY", "a default gateway is not used while routing is on",
            ["ip routing"], [], ["gateway_while_routing"],
        )
    ]  # fmt: skip
    acting = fib_of(gateway("10.1.20.254"), assume=Assumptions(gateway_while_routing="default-route"))
    entry = acting.lookup(Address.parse("10.1.90.5"))
    assert entry is not None and (entry.source, entry.distance) == ("gateway", 253)
    assert [reading.key for reading in entry.readings] == ["gateway_while_routing"]


def test_a_route_through_an_interface_of_another_table_is_in_doubt() -> None:
    blue = interface("Ethernet2", "10.0.0.1/30", vrf="BLUE")
    [entry] = [entry for entry in fib_of(blue, route(QUAY, interface="Ethernet2")).entries if str(entry.prefix) == QUAY]
    assert [doubt.why for doubt in entry.doubts] == ["a route of the global table through an interface of BLUE"]
    fib = fib_of(UPLINK, interface("Ethernet3", vrf="BLUE"), route(QUAY, interface="Ethernet2", vrf="BLUE"), vrf="BLUE")
    [entry] = fib.entries
    assert [doubt.why for doubt in entry.doubts] == ["a route of BLUE through an interface of the global table"]


def test_a_next_hop_of_the_other_ip_version_is_in_doubt() -> None:
    [found] = words(fib_of(route(QUAY, "2001:db8::9")))
    assert found[1:] == (
        "UNRESOLVED", "no route leads to next hop `2001:db8::9`", [],
        ["a next hop of the other IP version is not modelled"], [],
    )  # fmt: skip


def test_one_possible_route_may_bring_in_another() -> None:
    hidden = (Unmodelled("a routing protocol", RouteScope(distance=110), span=span("router")),)
    fib = fib_of(route(QUAY, "192.0.2.9"), route("10.2.0.0/16", "10.1.90.9"), routing=True, unmodelled=hidden)
    assert [(found[0], found[4]) for found in words(fib)] == [
        (QUAY, ["a routing protocol"]),
        ("10.2.0.0/16", ["a routing protocol"]),
    ]
    narrow = (Unmodelled("a pool", RouteScope(within=Prefix.parse("192.0.2.0/24"), distance=110), span=span("pool")),)
    fib = fib_of(route(QUAY, "192.0.2.9"), route("10.2.0.0/16", "10.1.90.9"), routing=True, unmodelled=narrow)
    assert [found[4] for found in words(fib)] == [["a pool"], ["a pool"]]
    elsewhere = (
        Unmodelled("a pool", RouteScope(within=Prefix.parse("198.51.100.0/24"), distance=110), span=span("p")),
    )
    fib = fib_of(route(QUAY, "192.0.2.9"), route("10.2.0.0/16", "10.1.90.9"), routing=True, unmodelled=elsewhere)
    assert [found[4] for found in words(fib)] == [[], []]
    # Under a reading by which only connected routes resolve, a hidden protocol brings none in.
    fib = fib_of(route(QUAY, "192.0.2.9"), routing=True, unmodelled=hidden, assume=Assumptions(recursion="connected"))
    assert [found[4] for found in words(fib)] == [[]]


def test_a_backup_waits_behind_the_better_route() -> None:
    fib = fib_of(
        UPLINK,
        route(QUAY, "10.0.0.2"),
        route(QUAY, "10.1.20.9", distance=200),
        route(QUAY, "10.1.20.8", distance=100),
        route("10.0.0.0/8", discard=True, distance=5),
        route("10.0.0.0/8", "10.0.0.2", distance=4),
    )
    shown = [
        (str(item.prefix), item.distance, [str(hop.next_hop) for hop in item.hops], item.discard)
        for item in fib.standby
    ]
    assert shown == [
        ("10.0.0.0/8", 5, [], True),
        (QUAY, 100, ["10.1.20.8"], False),
        (QUAY, 200, ["10.1.20.9"], False),
    ]
    entry = fib.lookup(Address.parse("10.1.90.5"))
    assert entry is not None and (entry.distance, [hop.interface for hop in entry.hops]) == (1, ["Ethernet2"])


def test_equal_ways_come_in_the_order_of_the_text_and_each_once() -> None:
    fib = fib_of(UPLINK, route(QUAY, "10.1.20.9"), route(QUAY, "10.0.0.2"), route(QUAY, "10.1.20.9"))
    entry = fib.lookup(Address.parse("10.1.90.5"))
    assert entry is not None
    assert [str(hop.next_hop) for hop in entry.hops] == ["10.1.20.9", "10.0.0.2"]
    assert [place.text for place in entry.spans] == [f"route {QUAY} 10.1.20.9", f"route {QUAY} 10.0.0.2"]


def test_the_chain_of_a_recursive_next_hop_is_told_step_by_step() -> None:
    fib = fib_of(UPLINK, route(QUAY, "10.5.5.5"), route("10.5.0.0/16", "10.6.6.6"), route("10.6.0.0/16", "10.0.0.2"))
    entry = fib.lookup(Address.parse("10.1.90.5"))
    assert entry is not None
    [hop] = entry.hops
    assert (hop.interface, str(hop.next_hop), str(hop.named)) == ("Ethernet2", "10.0.0.2", "10.5.5.5")
    assert [(str(step.prefix), step.source) for step in hop.chain] == [
        ("10.5.0.0/16", "static"),
        ("10.6.0.0/16", "static"),
        ("10.0.0.0/30", "connected"),
    ]


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_the_order_of_lines_does_not_decide_which_routes_join(order: tuple[int, ...]) -> None:
    chain = [route(QUAY, "10.5.5.5"), route("10.5.0.0/16", "10.6.6.6"), route("10.6.0.0/16", "10.0.0.2")]
    fib = fib_of(UPLINK, *(chain[place] for place in order))
    assert fib.inactive == () and len(fib.entries) == 4 + 3


def test_a_table_that_the_device_does_not_have_is_an_error() -> None:
    with pytest.raises(Exception, match=r"`core` has no VRF `RED`; it has `BLUE`"):
        fib_of(interface("Ethernet3", vrf="BLUE"), vrf="RED")
    with pytest.raises(Exception, match=r"`core` has no VRF `RED`; it has none"):
        fib_of(vrf="RED")


def test_tables_are_kept_for_the_devices_that_were_asked_last(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fib_module, "_KEPT", 2)
    boxes = [device(f"quay-{number}", LAN) for number in range(3)]
    tables = [build_fib(box, None, 4) for box in boxes]
    assert [kept.name for kept, _ in fib_module._kept.values()] == ["quay-1", "quay-2"]
    assert build_fib(boxes[1], None, 4) is tables[1]
    assert build_fib(boxes[0], None, 4) is not tables[0]
    assert [kept.name for kept, _ in fib_module._kept.values()] == ["quay-1", "quay-0"]


def test_why_a_device_routes_or_not() -> None:
    def why(*parts: Any, version: Any = 4, **more: Any) -> RoutingState:
        return routing_state(device("core", *parts, **more), version)

    line = span("no ip routing")
    assert why(routing=False, routing_span=line) == RoutingState(False, "the text turns routing off", line)
    assert why(routing=True) == RoutingState(True, "the text turns routing on", None)
    assumed = Reading("routing", "on", "whether `core` routes")
    assert why(routing=False, assume=Assumptions(routing="on")) == RoutingState(
        True, "routing is assumed to be on", None, (assumed,)
    )
    silent = Reading("routing", "by-text", "`core` is taken to route IPv4")
    assert why(LAN) == RoutingState(True, "the text describes a router", None, (silent,))
    switch = why(LAN, gateway("10.1.20.254"))
    assert (switch.on, switch.why) == (False, "the text has a default gateway, no static route and at most one address")
    assert switch.span is not None and switch.span.text == "gateway 10.1.20.254"
    assert switch.readings == (Reading("routing", "by-text", "`core` is taken to not route IPv4"),)
    six = Reading("routing", "by-text", "`core` is taken to route IPv6")
    assert why(version=6) == RoutingState(True, "the text does not turn IPv6 routing off", None, (six,))
    assert why(version=6, ipv6_routing=False, ipv6_routing_span=line) == RoutingState(
        False, "the text turns routing off", line
    )


def test_a_host_may_learn_an_ipv6_default_route_in_each_table() -> None:
    # RFC 4861 section 6.3.4.
    box = device(
        "core", interface("Ethernet1", "2001:db8::1/64"), interface("Ethernet2", vrf="BLUE"), ipv6_routing=False
    )
    learned = Doubt("a device that does not route IPv6 may learn a default route", None)
    for vrf in (None, "BLUE"):
        piece = build_fib(box, vrf, 6).piece(Address.parse("2001:db8:90::5"))
        assert (piece.entry, piece.doubts) == (None, (learned,))
