"""The sweep over all destinations, against packets that the evaluator sends one by one.

tests/property/test_forwarding_agreement.py asks the same of fleets of all kinds; these few are quick.
"""

from __future__ import annotations

from itertools import pairwise
from random import Random

import pytest
from model_builders import device, fleet, interface, packet, route, span

from pathcheck.evaluator import evaluate_packet
from pathcheck.model.flow import EntryPoint
from pathcheck.model.unmodelled import InterfaceScope, Unmodelled
from pathcheck.network.forwarding_graph import Bypass, Fate, ForwardingGraph, TablePlace
from pathcheck.network.reachability import Network
from pathcheck.packet.address import WIDTH, Address

RING = ("core", "pier", "quay")
PREFIXES = {
    4: ("0.0.0.0/0", "10.0.0.0/8", "10.1.0.0/16", "10.1.1.0/24", "10.1.2.0/23", "10.1.2.7/32", "192.0.2.0/24"),
    6: ("::/0", "2001:db8::/32", "2001:db8:1::/48", "2001:db8:1:2::/63", "2001:db8:1:2::7/128"),
}


def net(version, number, host):
    return f"10.1.{number}.{host}" if version == 4 else f"2001:db8:1:{number}::{host}"


def ring(version, seed):
    """Three devices, each cabled to the next one, with a subnet each and a few static routes by chance."""
    chance = Random(seed)
    made = []
    for number, name in enumerate(RING):
        ports, hops = [interface("Ethernet9", f"{net(version, number, 1)}/{24 if version == 4 else 64}")], []
        for other, host in ((number, 1), ((number + 2) % 3, 2)):
            down = chance.randrange(8) == 0
            address = net(version, 100 + other, host)
            ports.append(interface(f"Ethernet{other}", f"{address}/{30 if version == 4 else 126}", shutdown=down))
            hops.append(net(version, 100 + other, 3 - host))
        hops += [*hops, net(version, number, 77), net(version, 2, 7)]
        routes = []
        for _ in range(chance.randrange(5)):
            prefix, distance = chance.choice(PREFIXES[version]), chance.choice((1, 1, 9))
            hop = None if chance.randrange(6) == 0 else chance.choice(hops)
            routes.append(route(prefix, hop, discard=hop is None, distance=distance))
        made.append(device(name, *ports, *routes, routing=True, ipv6_routing=True))
    return fleet(*made)


def fates(graph, stretch, entry):
    """The ends of one entry point's packets to the destinations of a stretch, marks left out."""
    (numbers,) = [ends for ends, mask in stretch.outcome if mask >> entry & 1]
    return [graph.ends[number] for number in numbers if isinstance(graph.ends[number], Fate)]


@pytest.mark.parametrize("version", [4, 6])
@pytest.mark.parametrize("seed", range(12))
def test_each_stretch_is_what_single_packets_meet(version, seed):
    config = ring(version, seed)
    graph = ForwardingGraph(Network(config), version)
    stretches = list(graph.stretches())
    assert (stretches[0].low, stretches[-1].high) == (0, 1 << WIDTH[version])
    for one, following in pairwise(stretches):
        assert one.low < one.high == following.low
        assert one.outcome != following.outcome
    entries = graph.places[: graph.entry_count]
    assert {place.device for place in entries} == set(RING)
    source = net(version, 250, 9)
    for stretch in stretches:
        for value in {stretch.low, stretch.high - 1}:
            probe = packet(source, str(Address(version, value)), 50)
            for number, place in enumerate(entries):
                # A port that is up, so that packets come in; where they come in makes no difference here.
                found = evaluate_packet(config, probe, EntryPoint(place.device, "Ethernet9"))
                assert {fate.reason for fate in fates(graph, stretch, number)} == {it.reason for it in found}


def at(graph, address, name="quay"):
    """The ends and marks of packets to an address that come to a device."""
    value = Address.parse(address).value
    (stretch,) = [one for one in graph.stretches() if one.low <= value < one.high]
    entry = graph.places.index(TablePlace(name))
    (numbers,) = [ends for ends, mask in stretch.outcome if mask >> entry & 1]
    return [graph.ends[number] for number in sorted(numbers)]


LAN = interface("Ethernet1", "10.1.20.1/24")
TO_CORE = interface("Ethernet2", "10.0.0.1/30")
CORE = device("core", interface("Ethernet1", "10.0.0.2/30"), routing=True)


@pytest.mark.parametrize(
    ("written", "lost", "marked"),
    [
        # A route whose next hop nothing reaches would have won if it is longer, or as long and nearer.
        (route("10.0.0.0/8", "10.0.0.2"), route("10.9.0.0/16", "172.16.7.7"), True),
        (route("10.9.0.0/16", "10.0.0.2"), route("10.0.0.0/8", "172.16.7.7"), False),
        (route("10.9.0.0/16", "10.0.0.2", distance=5), route("10.9.0.0/16", "172.16.7.7"), True),
        (route("10.9.0.0/16", "10.0.0.2"), route("10.9.0.0/16", "172.16.7.7"), False),
        (route("10.9.0.0/16", "10.0.0.2"), route("10.9.0.0/16", "172.16.7.7", distance=5), False),
        (route("10.9.0.0/16", "10.0.0.2"), route("10.9.128.0/17", "172.16.7.7"), False),
    ],
)
def test_a_lost_route_that_would_have_won_is_marked(written, lost, marked):
    graph = ForwardingGraph(Network(fleet(device("quay", LAN, TO_CORE, written, lost, routing=True), CORE)), 4)
    found = at(graph, "10.9.0.9")
    marks = [end for end in found if isinstance(end, Bypass)]
    assert [mark.route.route for mark in marks] == ([lost] if marked else [])
    assert {mark.at for mark in marks} <= {TablePlace("quay")}
    assert [end.reason.value for end in found if isinstance(end, Fate)] == ["unrouted"]


def test_an_end_names_the_table_the_entry_and_the_lines_that_decide():
    down = device("core", interface("Ethernet1", "10.0.0.2/30", shutdown=True), routing=True)
    onward = route("10.9.0.0/16", "10.0.0.2")
    graph = ForwardingGraph(Network(fleet(device("quay", LAN, TO_CORE, onward, routing=True), down)), 4)
    [fate] = at(graph, "10.9.0.9")
    assert (fate.reason.value, fate.at, str(fate.by)) == ("stranded", TablePlace("quay"), "10.9.0.0/16")
    assert [line.text for line in fate.spans] == [onward.span.text, "interface Ethernet1"]
    drop = route("10.9.0.0/16", discard=True)
    graph = ForwardingGraph(Network(fleet(device("quay", LAN, TO_CORE, drop, routing=True), CORE)), 4)
    [fate] = at(graph, "10.9.0.9")
    assert (fate.reason.value, fate.at, str(fate.by), fate.spans) == (
        "discarded", TablePlace("quay"), "10.9.0.0/16", (drop.span,)
    )  # fmt: skip


def test_a_loop_names_its_shortest_way_round_and_all_its_entries():
    quay = device("quay", LAN, TO_CORE, route("10.9.0.0/16", "10.0.0.2"), routing=True)
    core = device("core", interface("Ethernet1", "10.0.0.2/30"), route("0.0.0.0/0", "10.0.0.1"), routing=True)
    graph = ForwardingGraph(Network(fleet(quay, core)), 4)
    [fate] = at(graph, "10.9.0.9")
    assert fate.reason.value == "looping"
    assert fate.loop.cycle == (TablePlace("core"), TablePlace("quay"))
    assert [(place.device, str(entry.prefix)) for place, entry in fate.loop.members] == [
        ("core", "0.0.0.0/0"), ("quay", "10.9.0.0/16"),
    ]  # fmt: skip
    assert [end.reason.value for end in at(graph, "192.0.2.1")] == ["unrouted"]


def test_packets_enter_where_they_can_come_in_and_nothing_diverts_them():
    def entries(*parts, **more):
        graph = ForwardingGraph(Network(fleet(device("quay", *parts, **more))), 4)
        return [str(place) for place in graph.places[: graph.entry_count]]

    assert entries(LAN, routing=True) == ["quay"]
    assert entries(interface("Ethernet1", borrowed="Loopback0"), routing=True) == ["quay"]
    for silent in (
        interface("Loopback0", "10.9.0.1/32"),
        interface("Ethernet1", "10.1.20.1/24", shutdown=True),
        interface("Ethernet1", "2001:db8::1/64"),
        interface("Ethernet1", "10.1.20.1/24", channel_group=1),
    ):
        assert entries(silent, interface("Port-channel1"), routing=True) == []
    assert entries(LAN, routing=False) == []
    policy = Unmodelled("policy routing", InterfaceScope("Ethernet1", ("in",)), span=span("policy"))
    assert entries(LAN, routing=True, unmodelled=(policy,)) == []
    drops = Unmodelled("a limit", InterfaceScope("Ethernet1", ("in",), may_only_drop=True), span=span("limit"))
    assert entries(LAN, routing=True, unmodelled=(drops,)) == ["quay"]
