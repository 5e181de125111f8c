"""The forwarding table and the evaluator's scan over all routes: two opinions on one destination."""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from model_builders import device, gateway, interface, route, span, vlan

from pathcheck.dataplane.fib import Piece, build_fib
from pathcheck.dataplane.interface_state import interface_state
from pathcheck.evaluator.access_list import MAYBE, NO, YES
from pathcheck.evaluator.interface import is_up
from pathcheck.evaluator.route import Way, best_ways, own_interfaces, routes_packets
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.model.interface import Interface, SwitchPort
from pathcheck.model.static_route import StaticRoute
from pathcheck.model.unmodelled import LayerTwoScope, RouteScope, Unmodelled
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges

HOPS = ["10.1.0.2", "10.1.0.1", "10.2.0.2", "10.3.0.1", "10.4.0.1", "10.5.0.1", "10.20.0.9", "10.0.9.2", "192.0.2.1"]
PREFIXES = [
    "0.0.0.0/0",
    "10.0.0.0/8",
    "10.3.0.0/16",
    "10.3.0.0/24",
    "10.3.0.1/32",
    "10.4.0.0/16",
    "10.5.0.0/16",
    "10.1.0.2/32",
    "10.1.0.0/24",
    "10.20.0.0/25",
]
NAMES = ["Ethernet1", "Ethernet2", "Ethernet9", "Tunnel1", "Vlan20"]
VLANS = [[], [vlan(20)], [vlan(20)], [vlan(20, shutdown=True)], [vlan(20, trunk_groups=("A",))]]
ASKED = [*HOPS, "10.3.0.2", "10.20.0.200", "10.20.0.1", "10.0.9.1", "10.1.0.9", "10.99.0.1"]


@st.composite
def static_routes(draw: st.DrawFn) -> StaticRoute:
    fields: dict[str, Any] = {
        "distance": draw(st.sampled_from([1, 1, 1, 5, 200, 255])),
        "vrf": draw(st.sampled_from([None, None, None, "BLUE"])),
        "next_hop_vrf": draw(st.sampled_from([None, None, None, None, "", "BLUE"])),
        "tracked": draw(st.sampled_from([None, None, None, None, "it follows an object"])),
        "permanent": draw(st.integers(0, 9)) == 0,
    }
    prefix, kind = draw(st.sampled_from(PREFIXES)), draw(st.integers(0, 9))
    if kind == 0:
        return route(prefix, discard=True, **fields)
    if kind <= 2:
        hop = draw(st.none() | st.sampled_from(HOPS))
        return route(prefix, hop, interface=draw(st.sampled_from(NAMES)), **fields)
    return route(prefix, draw(st.sampled_from(HOPS)), **fields)


def switch_ports() -> st.SearchStrategy[SwitchPort]:
    return st.builds(
        SwitchPort,
        st.sampled_from(["access", "trunk", "dynamic", None]),
        st.sampled_from([None, 20, 30]),
        st.sampled_from([None, None, 20]),
        st.sampled_from([None, Ranges.single(20), Ranges.single(30)]),
    )


@st.composite
def devices(draw: st.DrawFn) -> Device:
    line = span("ip address dhcp")
    ports: list[Interface] = [
        interface("Ethernet1", "10.1.0.1/24"),
        interface("Ethernet2", "10.2.0.1/24", shutdown=draw(st.booleans()), vrf=draw(st.sampled_from([None, "BLUE"]))),
    ]
    choices = [
        interface("Tunnel1", "10.0.9.1/30"),
        interface("Loopback0", "10.9.9.9/32"),
        interface("Ethernet4", "10.1.0.129/25"),
        interface("Ethernet5", borrowed="Ethernet1"),
        interface("Ethernet6", unknown_address=line, shutdown=draw(st.booleans())),
        interface("Ethernet9"),
    ]
    ports += [port for port in choices if draw(st.integers(0, 3)) == 0]
    ports.append(interface("Vlan20", "10.20.0.1/24"))
    ports += [
        interface(f"Ethernet{10 + place}", switch_port=port, shutdown=draw(st.booleans()))
        for place, port in enumerate(draw(st.lists(switch_ports(), max_size=2)))
    ]
    unmodelled: list[Unmodelled] = []
    route_scopes = st.tuples(st.sampled_from([None, *PREFIXES]), st.booleans(), st.sampled_from([0, 20, 110]))
    for within, exact, distance in draw(st.just([]) | st.lists(route_scopes, max_size=2)):
        inside = Prefix.parse(within) if within is not None else None
        scope = RouteScope(None, None, inside, distance, exact and inside is not None)
        unmodelled.append(Unmodelled("a routing protocol", scope, span=span("router")))
    if draw(st.integers(0, 9)) == 0:
        unmodelled.append(Unmodelled("an overlay", LayerTwoScope(20), span=span("overlay")))
    choice = Assumptions.choices()
    keys = ("recursion", "svi_without_port", "gateway_while_routing", "routing")
    return device(
        "core-1",
        *ports,
        *draw(st.lists(static_routes(), max_size=6)),
        *([gateway(draw(st.sampled_from(HOPS)))] if draw(st.booleans()) else []),
        *draw(st.sampled_from(VLANS)),
        routing=draw(st.sampled_from([None, True, True, False])),
        assume=Assumptions(**{key: draw(st.sampled_from(choice[key])) for key in keys}),
        unmodelled=tuple(unmodelled),
    )


def ways(piece: Piece) -> frozenset[Way]:
    """The engine's entry in the evaluator's words."""
    if piece.entry is None:
        return frozenset()
    connected = piece.entry.source == "connected"
    found = {Way(hop.interface, hop.next_hop, connected) for hop in piece.entry.hops}
    return frozenset(found | ({Way(None)} if piece.entry.discard else set()))


@given(devices())
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
def test_each_destination_is_sent_alike(one: Device) -> None:
    for name in one.interfaces:
        state, (up, why) = interface_state(one, one.interfaces[name]), is_up(one, one.interfaces[name])
        mine = MAYBE if state.doubts else YES if state.up and state.member_of is None else NO
        assert mine == up, f"{name}: {state} and {why}"
    for vrf in (None, "BLUE"):
        if vrf and not any(it.vrf == vrf for it in (*one.interfaces.values(), *one.static_routes)):
            continue
        fib = build_fib(one, vrf, 4)
        assert fib.routing.on is routes_packets(one, 4)
        for text in ASKED:
            address = Address.parse(text)
            piece, own = fib.piece(address), own_interfaces(one, vrf, address)
            if piece.entry is not None and piece.entry.source == "local":
                assert [name for name, _ in own] == [hop.interface for hop in piece.entry.hops]
                assert bool(piece.doubts) == all(up == MAYBE for _, (up, _) in own)
                continue
            choice = best_ways(one, vrf, address)
            doubts = [why for _, (_, why) in own] + list(choice.doubts)
            assert piece.doubts or not doubts, f"{text}: {piece} and {choice}"
            # The engine doubts a circle of next hops wherever it is, the evaluator only where it walks into it, and
            # a next hop that is the device's own address only if a device may have refused the address.
            known = any("the route itself" in it.why or "share addresses" in it.why for it in piece.doubts)
            assert known or bool(doubts) == bool(piece.doubts), f"{text}: {piece}"
            if not piece.doubts:
                assert ways(piece) == choice.ways, text
                if piece.entry is None:
                    assert bool(piece.stranded) == choice.stranded, text
