"""The evaluator's scan over all routes and the engine's table, on many small devices made by chance.

tests/property/test_route_agreement.py asks the same of more kinds of devices; these many are quick.
"""

from __future__ import annotations

from random import Random

import pytest
from model_builders import device, gateway, interface, route, span

from pathcheck.dataplane.fib import build_fib
from pathcheck.evaluator.access_list import MAYBE, YES
from pathcheck.evaluator.route import Way, best_ways, own_interfaces, routes_packets
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.unmodelled import RouteScope, Unmodelled
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix

HOPS = {
    4: ("10.1.0.2", "10.1.0.1", "10.2.0.2", "10.3.0.9", "10.4.0.1", "10.7.0.2", "192.0.2.1"),
    6: ("2001:db8:1::2", "2001:db8:1::1", "2001:db8:2::2", "2001:db8:3::9", "2001:db8:4::1", "fe80::2"),
}
PREFIXES = {
    4: ("0.0.0.0/0", "10.0.0.0/8", "10.3.0.0/16", "10.3.0.0/24", "10.3.0.9/32", "10.4.0.0/16", "10.7.0.0/24",
        "10.1.0.0/24", "10.1.0.2/32"),
    6: ("::/0", "2001:db8::/32", "2001:db8:3::/48", "2001:db8:3::/64", "2001:db8:3::9/128", "2001:db8:4::/48",
        "2001:db8:1::/64"),
}  # fmt: skip
ASKED = {4: (*HOPS[4], "10.3.0.1", "10.1.0.9", "10.99.0.1"), 6: (*HOPS[6][:-1], "2001:db8:3::1", "2001:db8:99::1")}
SECOND = {4: ("10.2.0.1/24", "10.1.0.129/25", "10.7.0.1/32"), 6: ("2001:db8:2::1/64", "2001:db8:1:0:8000::1/65")}


def some_device(chance, version):
    choose = chance.choice
    first = "10.1.0.1/24" if version == 4 else "2001:db8:1::1/64"
    dhcp = span("ip address dhcp" if version == 4 else "ipv6 address autoconfig")
    parts = [
        interface("Ethernet1", first, shutdown=chance.random() < 0.1),
        interface("Ethernet2", choose(SECOND[version]), vrf=choose((None, None, "BLUE"))),
        *chance.sample(
            [
                interface("Tunnel1", "10.7.0.1/30" if version == 4 else "2001:db8:7::1/64"),
                interface("Ethernet5", borrowed="Ethernet1"),
                interface(
                    "Ethernet6", unknown_address=dhcp, vrf=choose((None, "BLUE")), shutdown=choose((False, True))
                ),
                interface("Ethernet9"),
                interface(
                    "Ethernet3",
                    "10.3.0.129/25" if version == 4 else "2001:db8:3::8/125",
                    shutdown=choose((False, True)),
                ),
            ],
            choose((0, 0, 1, 2)),
        ),
    ]
    for _ in range(chance.randrange(7)):
        more = {
            "distance": choose((1, 1, 1, 5, 253, 255)), "vrf": choose((None, None, None, "BLUE")),
            "next_hop_vrf": choose((None, None, None, "", "BLUE")), "permanent": chance.random() < 0.1,
            "tracked": choose((None, None, None, None, "it follows an object")),
        }  # fmt: skip
        kind = chance.randrange(8)
        hop = None if kind == 0 or (kind == 1 and chance.random() < 0.5) else choose(HOPS[version])
        port = choose(("Ethernet1", "Ethernet2", "Ethernet9", "Tunnel1")) if kind in (1, 2) else None
        parts.append(route(choose(PREFIXES[version]), hop, interface=port, discard=kind == 0, **more))
    if chance.random() < 0.3:
        parts.append(gateway(choose(HOPS[version])))
    scopes = []
    if chance.random() < 0.3:
        within = choose((None, *PREFIXES[version]))
        inside = None if within is None else Prefix.parse(within)
        exact = inside is not None and choose((True, False))
        scopes.append(RouteScope(choose((None, "BLUE")), None, inside, choose((0, 20, 110)), exact))
    assume = Assumptions(
        recursion=choose(("any-but-default", "any", "connected")),
        gateway_while_routing=choose(("idle", "default-route")),
        routing=choose(("by-text", "by-text", "on", "off")),
    )
    return device(
        "quay", *parts, routing=choose((None, True, True, False)), ipv6_routing=choose((None, True, True, False)),
        assume=assume, unmodelled=tuple(Unmodelled("a protocol", scope, span=span("router")) for scope in scopes),
    )  # fmt: skip


@pytest.mark.parametrize("version", [4, 6])
@pytest.mark.parametrize("seed", range(8))
def test_each_destination_is_sent_alike(version, seed):
    chance = Random(seed)
    for _ in range(25):
        one = some_device(chance, version)
        for vrf in (None, "BLUE"):
            if vrf and not any(it.vrf == vrf for it in one.interfaces.values()):
                continue  # nothing comes to a table without an interface
            fib = build_fib(one, vrf, version)
            assert fib.routing.on is routes_packets(one, version)
            for text in ASKED[version]:
                address = Address.parse(text)
                piece, own = fib.piece(address), own_interfaces(one, vrf, address)
                if piece.entry is not None and piece.entry.source == "local":
                    assert [name for name, _ in own] == [hop.interface for hop in piece.entry.hops]
                    assert bool(piece.doubts) == all(up == MAYBE for _, (up, _) in own)
                    continue
                assert not any(up == YES for _, (up, _) in own)
                choice = best_ways(one, vrf, address)
                assert bool(piece.doubts) == bool(choice.doubts or own)
                if not piece.doubts:
                    entry = piece.entry
                    hops = () if entry is None else entry.hops
                    ways = {Way(hop.interface, hop.next_hop, entry.source == "connected") for hop in hops}
                    assert choice.ways == ways | ({Way(None)} if entry is not None and entry.discard else set())
                    if entry is None:
                        assert bool(piece.stranded) == choice.stranded
