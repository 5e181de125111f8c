"""Lists decided for sets of packets, for many packets at once, and by the evaluator, on lists made by chance.

tests/property/test_list_agreement.py asks the same of more kinds of lines; these are quick and the same each time.
"""

from __future__ import annotations

from random import Random

import pytest
from model_builders import access_list, device, group, line, match, packet, ports, span

from pathcheck.dataplane.batch import decide_batch
from pathcheck.dataplane.first_match import filter_packets
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import Action, IcmpMatch, UnreadLine
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.object_group import GroupReference, ServiceMatch
from pathcheck.model.unmodelled import ListScope, Unmodelled
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, RST, SYN
from pathcheck.packetset.algebra import packet_space

ENDS = {
    4: ("any", "10.1.20.0/24", "10.1.20.0/25", "10.1.20.7", "10.1.20.0 0.0.0.254", "192.0.2.0/24"),
    6: ("any", "2001:db8:20::/48", "2001:db8:20::/49", "2001:db8:20::7", "2001:db8:99::/48"),
}
STATIONS = {
    4: ("10.1.20.7", "10.1.20.8", "10.1.20.200", "192.0.2.1"),
    6: ("2001:db8:20::7", "2001:db8:20::8", "2001:db8:20:8000::1", "2001:db8:99::1"),
}


def some_device(chance, version):
    """A device with a list of a few lines, with groups whole and broken, and any reading of what is open."""
    choose, ends, icmp = chance.choice, ENDS[version], "icmp" if version == 4 else "icmpv6"
    address, other = (match(end, version) for end in (ends[2], ends[3]))
    inner = GroupReference("INNER", "address")
    groups = [
        group("PIERS", "address", *choose(((address, other), (address, inner), (address, None), (), (inner,)))),
        group("WEB", "port", *choose(((ports("80"), ports("443")), (ports("80-90"), None), ()))),
        group(
            "DESK", "service", ServiceMatch(6, None, Ranges.single(443)),
            *choose(((), (ServiceMatch(17),), (None,), (ServiceMatch(1, icmp=Ranges.of((2048, 2303))),))),
        ),
    ]  # fmt: skip
    if chance.random() < 0.5:
        groups.append(group("INNER", "address", other, *choose(((), (GroupReference("PIERS", "address"),)))))
    piers, web, desk = (GroupReference(*it) for it in (("PIERS", "address"), ("WEB", "port"), ("DESK", "service")))
    entries = []
    for number in range(1, chance.randrange(2, 7)):
        action = choose(("permit", "deny"))
        if chance.random() < 0.08:
            entries.append(
                UnreadLine(number, choose((None, Action.PERMIT, Action.DENY)), "x", "y", span=span("x", number))
            )
            continue
        kind, more = choose(
            (
                ("tcp", {"destination_ports": choose(("80", "443", "80-443", web))}),
                ("tcp", {"source_ports": "1024-65535", "flags": choose((None, ESTABLISHED))}),
                ("udp", {"destination_ports": "53", "dscp": choose((None, Ranges.single(46)))}),
                (icmp, {"icmp": IcmpMatch(choose((8, 3)), choose((None, 0)))}),
                (choose(("ip", "tcp", "esp", desk)), {}),
                (choose(("ip", "tcp", desk)), {"fragments": chance.random() < 0.5}),
            )
        )
        if chance.random() < 0.08:
            more = more | {"doubt": "a time range"}
        source, destination = (piers if chance.random() < 0.15 else choose(ends) for _ in "sd")
        entries.append(line(action, kind, source, destination, version=version, sequence=number, **more))
    choices = Assumptions.choices()
    keys = ("fragments", "undefined_list", "ipv6_end")
    hidden = (Unmodelled("z", ListScope("A", f"ipv{version}"), span=span("z")),) if chance.random() < 0.05 else ()
    listed = () if chance.random() < 0.05 else (access_list("A", *entries, family=f"ipv{version}"),)
    assume = Assumptions(**{key: choose(choices[key]) for key in keys})
    return device("quay-a", *listed, *groups, assume=assume, unmodelled=hidden)


def some_packet(chance, version):
    choose = chance.choice
    ends = choose(STATIONS[version]), choose(STATIONS[version])
    icmp = "icmp" if version == 4 else "icmpv6"
    kind = choose(("tcp", "tcp", "udp", icmp, "esp"))
    dscp = choose((0, 0, 46))
    if chance.random() < 0.3:
        return packet(*ends, kind, fragment=True, dscp=dscp)
    if kind == "tcp":
        numbers = choose((1023, 49152)), choose((79, 80, 85, 443, 444))
        return packet(*ends, kind, *numbers, flags=choose((SYN, ACK, RST, SYN | ACK, 0)), dscp=dscp)
    if kind == "udp":
        return packet(*ends, kind, 49152, choose((52, 53)), dscp=dscp)
    if kind == icmp:
        return packet(*ends, kind, choose((8, 3, 135, 136, 128)), choose((0, 1)), dscp=dscp)
    return packet(*ends, kind, dscp=dscp)


@pytest.mark.parametrize("version", [4, 6])
@pytest.mark.parametrize("seed", range(40))
def test_all_three_decide_alike(version, seed):
    chance = Random(seed)
    one, family = some_device(chance, version), f"ipv{version}"
    some = [some_packet(chance, version) for _ in range(40)]
    space = packet_space(version)
    parts = filter_packets(one, family, "A", space.full)
    assert space.union(part.packets for part in parts) == space.full
    assert sum(part.packets.count() for part in parts) == space.full.count()
    few = filter_packets(one, family, "A", space.union(map(space.of_packet, some)))
    for each, item in zip(some, decide_batch(one, family, "A", some), strict=True):
        alone = evaluate_list(one, family, "A", each)
        [part], [same] = ([it for it in several if each in it.packets] for several in (parts, few))
        for found in (part, same, item):
            assert (found.action, found.use) == (alone.action, alone.use)
            assert bool(found.doubts) == bool(alone.doubts)
            assert set(alone.doubts) <= set(found.doubts)
        assert set(item.readings) == set(alone.readings)
        assert set(alone.readings) <= set(part.readings)
