"""Walks of sets of packets, and their propagation all at once, against the evaluator, on fleets made by chance.

tests/property/test_fleet_agreement.py asks the same of more kinds of fleets; these are quick and the same each time.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest
from model_builders import access_list, bound, device, fleet, gateway, interface, line, packet, route, span, vlan

from pathcheck.evaluator import evaluate_packet
from pathcheck.model.device import TerminalLines
from pathcheck.model.flow import EntryPoint
from pathcheck.model.interface import SwitchPort
from pathcheck.model.unmodelled import DeviceScope, InterfaceScope, OwnScope, RouteScope, TranslationScope, Unmodelled
from pathcheck.network.propagation import Propagation
from pathcheck.network.reachability import Network, Start, Walk
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packetset.algebra import packet_space

NAMES = ("core", "pier", "quay")
PREFIXES = ("0.0.0.0/0", "10.0.0.0/8", "10.1.0.0/16", "10.1.2.0/24", "10.1.2.7/32", "192.0.2.0/24")
TARGETS = ("10.1.0.9", "10.1.1.9", "10.1.2.7", "10.1.2.1", "10.1.0.1", "10.2.0.2", "10.2.0.9", "192.0.2.9")
SCOPES = (
    DeviceScope(), OwnScope(), RouteScope(distance=20), RouteScope(within=Prefix.parse("10.1.2.0/24")),
    InterfaceScope("Ethernet1"), InterfaceScope("Vlan20", ("in",)),
    InterfaceScope("Ethernet1", ("out",), may_only_drop=True),
    TranslationScope("Ethernet9", "inside"), TranslationScope("Ethernet1", "outside"),
)  # fmt: skip


def some_fleet(chance):
    """Three devices in a VLAN that a switch carries, two of them also on a link, with lists, routes and doubts."""
    choose = chance.choice
    made, links = [], []
    for number, name in enumerate(NAMES):

        def lists(family="ipv4"):
            return tuple(bound(choose("AB"), way) for way in ("in", "out") if chance.random() < 0.25)

        trunk = SwitchPort("trunk", allowed=choose((None, None, Ranges.single(20), Ranges.single(30))))
        parts = [
            interface("Ethernet9", f"10.1.{number}.1/24", lists=lists()),
            interface("Vlan20", f"10.2.0.{number + 1}/24", lists=lists(), shutdown=chance.random() < 0.1),
            interface("Ethernet5", switch_port=trunk), vlan(20), vlan(30),
        ]  # fmt: skip
        if number < 2:
            parts.append(interface("Ethernet1", f"10.3.0.{number + 1}/30", lists=lists()))
        hops = [f"10.2.0.{other + 1}" for other in range(3) if other != number] * 2
        hops += ["10.2.0.9", f"10.1.{number}.77", f"10.3.0.{2 - number}" if number < 2 else "10.1.2.7"]
        for _ in range(chance.randrange(1, 5)):
            hop = None if chance.random() < 0.15 else choose(hops)
            parts.append(route(choose(PREFIXES), hop, discard=hop is None, distance=choose((1, 1, 9))))
        for label in "AB":
            kinds = (
                {"destination_ports": "443"},
                {"destination_ports": "22"},
                {"source": "10.1.0.0/24"},
                {"doubt": "x"},
            )
            entries = [line(choose(("permit", "deny")), "tcp", sequence=10 * at, **choose(kinds)) for at in range(1, 4)]
            parts.append(access_list(label, *entries, line(choose(("permit", "permit", "deny")), sequence=50)))
        more = {"routing": chance.random() < 0.9}
        if not more["routing"]:
            parts.append(gateway(choose(hops)))
        if chance.random() < 0.3:
            more["unmodelled"] = tuple(
                Unmodelled("something", scope, span=span("x")) for scope in chance.sample(SCOPES, choose((1, 1, 2)))
            )
        if chance.random() < 0.4:
            guards = [(), (bound("A"),), (bound("B"),)]
            more["terminal_lines"] = tuple(
                TerminalLines(5 * at, 5 * at + 4, choose(guards), span=span("line")) for at in range(2)
            )
        if chance.random() < 0.3:
            more["control_plane"] = (bound("B"),)
        made.append(device(name, *parts, **more))
        links.append(f"{name}:Ethernet5 shed:Ethernet{number}")
    ports = [interface(f"Ethernet{number}", switch_port=SwitchPort("trunk")) for number in range(3)]
    made.append(device("shed", *ports, vlan(20), vlan(30), routing=False))
    return fleet(*made, links=(*links, "core:Ethernet1 pier:Ethernet1") if chance.random() < 0.7 else ())


@pytest.mark.parametrize("seed", range(30))
def test_all_three_let_each_packet_end_alike(seed):
    chance = Random(seed)
    config = some_fleet(chance)
    network = Network(config)
    space = packet_space(4)
    for _ in range(12):
        name, target = chance.choice(NAMES), chance.choice(TARGETS)
        at = EntryPoint(name, chance.choice(("Ethernet9", "Vlan20", None)))
        one = packet("10.1.0.9", target, "tcp", 49152, chance.choice((22, 443)))
        vrf, goal = None, Prefix.parse(f"{target}/32")
        found = {outcome.reason for outcome in evaluate_packet(config, one, at, vrf)}
        start = Start(at, space.of_packet(one), (goal,), vrf)
        ends = Walk(network, 4).run([start])
        assert {end.reason for end in ends} == found
        assert space.union(end.packets for end in ends) == start.packets
        assert all(bool(end.doubts) == (end.reason.value == "unmodelled") for end in ends)
        assert {fate.reason for fate in Propagation(network, 4).carry([start])} == found
        # Together with other packets it ends as it does alone.
        both = replace(start, packets=start.packets | space.of_packet(packet("10.1.1.9", target, "udp", 1, 53)))
        assert {end.reason for end in Walk(network, 4).run([both]) if one in end.packets} == found
