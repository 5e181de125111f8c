"""Engine and evaluator on fleets of every kind of interface: both IP versions, tables, cables, virtual addresses.

A second set of random fleets beside `test_flow_agreement.py`: fewer routes and lists, more of what makes up a link.
"""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from model_builders import access_list, bound, device, fleet, interface, line, packet, route, span, vlan

from pathcheck.evaluator import Outcome, evaluate_packet
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.flow import EntryPoint
from pathcheck.model.interface import Interface, SwitchPort
from pathcheck.model.static_route import StaticRoute
from pathcheck.model.unmodelled import DeviceScope, LayerTwoScope, RouteScope, Unmodelled
from pathcheck.network.reachability import End, Network, Start, Walk
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packetset.algebra import packet_space
from pathcheck.results.verdict import Reason, Verdict

NAMES = ("core", "pier", "quay")
PREFIXES = {
    4: ("0.0.0.0/0", "0.0.0.0/0", "10.0.3.0/24", "10.0.8.0/24", "10.8.0.3/32"),
    6: ("::/0", "::/0", "2001:db8:3::/64", "2001:db8:ff::3/128"),
}
HOPS = {
    4: ("10.0.1.1", "10.0.1.2", "10.0.1.3", "10.0.1.9", "10.0.2.2", "10.0.8.1", "10.0.8.2", "10.0.9.1", "10.0.3.77"),
    6: ("2001:db8:1::1", "2001:db8:1::2", "2001:db8:1::3", "2001:db8:9::1", "fe80::1", "fe80::2", "fe80::9"),
}
DESTINATIONS = {
    4: ("10.0.1.2", "10.0.1.9", "10.0.1.77", "10.0.2.3", "10.0.3.77", "10.0.8.2", "10.8.0.3", "198.51.100.1"),
    6: ("2001:db8:1::2", "2001:db8:1::77", "2001:db8:3::77", "2001:db8:ff::3", "2001:db8:f00::1"),
}
LIST = access_list("A", line("deny", "tcp", destination_ports="22"), line("permit", sequence=20))
LIST6 = access_list(
    "A", line("deny", "tcp", version=6, destination_ports="22"), line("permit", version=6, sequence=20), family="ipv6"
)


def switch_ports() -> st.SearchStrategy[SwitchPort]:
    return st.builds(
        SwitchPort,
        st.sampled_from(("access", "trunk", "trunk", "dynamic", None)),
        st.sampled_from((None, 1, 2)),
        st.sampled_from((None, None, None, 2)),
        st.sampled_from((None, Ranges.single(2), Ranges.of((1, 3)))),
        st.sampled_from((None, None, 2)),
    )


@st.composite
def addressed(draw: st.DrawFn, name: str, number: int, subnet: int, **more: Any) -> Interface:
    """An interface on a subnet: of both versions, sometimes with a virtual or link-local address, a list, or down."""
    last = number + 1
    texts = [f"10.0.{subnet}.{last}/24", f"2001:db8:{subnet}::{last}/64"]
    if subnet == 9:
        texts = [f"10.0.9.{number % 2}/31", f"2001:db8:9::{number % 2}/127"]
    if subnet == 8:
        texts[0] = f"10.0.8.{number % 2 + 1}/30"
    extra = draw(st.sampled_from(((), (), (), (f"fe80::{last}/64 link-local",), (f"10.0.{subnet}.9/24 virtual",))))
    kept = draw(st.sampled_from((texts, texts, texts, texts[:1], texts[1:])))
    lists = [bound("A", draw(st.sampled_from(("in", "out"))), draw(st.sampled_from(("ipv4", "ipv6"))))]
    return interface(
        name,
        *kept,
        *extra,
        lists=tuple(lists if draw(st.integers(0, 5)) == 0 else ()),
        shutdown=draw(st.sampled_from((False,) * 19 + (True,))),
        vrf=draw(st.sampled_from((None,) * 29 + ("BLUE",))),
        **more,
    )


@st.composite
def all_interfaces(draw: st.DrawFn, number: int, common: str) -> list[Interface]:
    """A device's interfaces: one on the common subnet 1, others on others; each kind may be there."""
    found: list[Interface] = []
    subnets = [draw(st.sampled_from((1,) * 9 + (8,))), *draw(st.permutations((2, 3, 8, 9)))[: draw(st.integers(0, 2))]]
    for place, subnet in enumerate(subnets):
        kinds = (common,) * 8 if place == 0 else ()
        kind = draw(st.sampled_from((*kinds, "port", "svi", "sub", "untagged", "channel")))
        if kind == "svi":
            found.append(draw(addressed(f"Vlan{place + 1}", number, subnet)))
        elif kind in ("sub", "untagged"):
            found.append(interface(f"Ethernet{place}", routed=True))
            tag = draw(st.sampled_from((place + 1,) * 9 + (None,)))
            found.append(draw(addressed(f"Ethernet{place}.7", number, subnet, vlan=tag, untagged=kind == "untagged")))
        elif kind == "channel":
            found.append(draw(addressed(f"Port-channel{place}", number, subnet, kind="port-channel", routed=True)))
            found.append(interface(f"Ethernet{place}", channel_group=place))
        else:
            found.append(draw(addressed(f"Ethernet{place}", number, subnet, routed=True)))
    usual = st.sampled_from((SwitchPort("trunk"), SwitchPort("access", access_vlan=1)))
    for place in range(draw(st.integers(1 if common == "svi" else 0, 3))):
        listed = (bound("A", "in", port=True),) if draw(st.integers(0, 5)) == 0 else ()
        found.append(interface(f"Ethernet{5 + place}", switch_port=draw(usual | switch_ports()), lists=listed))
    extra = (
        interface("Loopback0", f"10.8.0.{number + 1}/32", f"2001:db8:ff::{number + 1}/128"),
        interface("Ethernet9"),
        interface("Serial0", borrowed="Loopback0"),
        interface("Ethernet4", unknown_address=span("ip address dhcp"), routed=True),
        interface("Tunnel1", f"10.0.8.{number + 1}/30"),
        interface("Management1", f"10.0.2.{number + 1}/24"),
    )
    found += [one for one in extra if draw(st.integers(0, 5)) == 0]
    return list({one.name: one for one in found}.values())


@st.composite
def static_routes(draw: st.DrawFn, names: list[str]) -> StaticRoute:
    version = draw(st.sampled_from((4, 4, 6)))
    prefix = draw(st.sampled_from(PREFIXES[version]))
    hop = draw(st.sampled_from(HOPS[version]))
    more: dict[str, Any] = {"vrf": draw(st.sampled_from((None,) * 29 + ("BLUE",)))}
    kind = draw(st.integers(0, 9))
    if kind == 0:
        return route(prefix, discard=True, **more)
    if kind <= 2 or hop.startswith("fe80"):
        more["interface"] = draw(st.sampled_from(names))
    return route(prefix, None if kind == 1 else hop, distance=draw(st.sampled_from((1, 1, 5))), **more)


@st.composite
def devices(draw: st.DrawFn, name: str, number: int, common: str) -> Device:
    ports = draw(all_interfaces(number, common))
    routes = draw(st.lists(static_routes([port.name for port in ports]), min_size=1, max_size=6))
    if draw(st.booleans()):
        routes.append(route("0.0.0.0/0", f"10.0.1.{(number + 1) % 3 + 1}"))
    vlans = draw(st.sampled_from(((), (), (1, 2, 3), (2, 3))))
    scopes = (DeviceScope(), LayerTwoScope(), LayerTwoScope(2), RouteScope(distance=110))
    scope = draw(st.sampled_from((None,) * 30 + scopes))
    return device(
        name,
        *ports,
        *routes,
        *(vlan(one) for one in vlans),
        LIST,
        LIST6,
        routing=draw(st.sampled_from((True,) * 14 + (None, False))),
        ipv6_routing=draw(st.sampled_from((True,) * 14 + (None, False))),
        assume=Assumptions(svi_without_port=draw(st.sampled_from(("up", "up", "down")))),
        unmodelled=(Unmodelled("something", scope, span=span("something")),) if scope is not None else (),
    )


@st.composite
def cables(draw: st.DrawFn, made: list[Device]) -> list[str]:
    """None, between any ports, or between ports of one name or of switches: those that are likely to fit."""
    ends = [
        (one.name, port) for one in made for port in one.interfaces if port.startswith("Ethernet") and "." not in port
    ]
    if draw(st.booleans()):
        return []
    found, used = [], set()
    for a, b in draw(st.permutations([(a, b) for a in ends for b in ends if a[0] < b[0]])):
        alike = a[1] == b[1] or min(a[1], b[1]) >= "Ethernet5"
        if not used & {a, b} and (alike or draw(st.integers(0, 9)) == 0):
            used |= {a, b}
            found.append(f"{a[0]}:{a[1]} {b[0]}:{b[1]}")
    return found


@st.composite
def questions(draw: st.DrawFn) -> tuple[FleetConfig, EntryPoint, Packet]:
    common = draw(st.sampled_from(("port", "svi", "svi", "sub", "channel")))
    made = [draw(devices(name, number, common)) for number, name in enumerate(NAMES[: draw(st.integers(2, 3))])]
    config = fleet(*made, links=tuple(draw(cables(made))))
    entries = [
        EntryPoint(one.name, port.name)
        for one in made
        for port in one.interfaces.values()
        if port.switch_port is None and port.channel_group is None
    ] + [EntryPoint(one.name) for one in made]
    version = draw(st.sampled_from((4, 4, 6)))
    source = "10.0.3.77" if version == 4 else "2001:db8:3::77"
    destination = draw(st.sampled_from(DESTINATIONS[version]))
    one = packet(source, destination, "tcp", 49152, draw(st.sampled_from((22, 80))))
    return config, draw(st.sampled_from(entries)), one


def both(config: FleetConfig, at: EntryPoint, one: Packet) -> tuple[tuple[End, ...], frozenset[Outcome]]:
    start = Start(at, packet_space(one.version).of_packet(one), (Prefix.parse(str(one.destination)),))
    return Walk(Network(config), one.version).run([start]), evaluate_packet(config, one, at)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(questions())
def test_both_find_the_same_ends_and_ways(question: tuple[FleetConfig, EntryPoint, Packet]) -> None:
    ends, outcomes = both(*question)
    mine = {(end.reason, tuple((hop.device, hop.into) for hop in end.hops)) for end in ends}
    theirs = {(outcome.reason, tuple(step[:2] for step in outcome.trail)) for outcome in outcomes}
    certain = {way for way in mine if way[0] is not Reason.UNMODELLED}
    assert certain <= theirs
    if certain == mine:
        assert mine == theirs
    else:
        # The engine may stop in doubt where the evaluator goes on and finds that the packet is denied either way.
        verdicts = {outcome.reason.verdict for outcome in outcomes}
        assert Verdict.UNCERTAIN in verdicts or verdicts == {Verdict.DENIED}
