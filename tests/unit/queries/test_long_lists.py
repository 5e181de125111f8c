"""Long lists are looked at all at once; what is found must be what is found line by line."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from model_builders import access_list, device, group, line, match

from pathcheck.model.access_list import IcmpMatch
from pathcheck.model.object_group import GroupReference
from pathcheck.packet.address import Address
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, SYN, FlagMatch
from pathcheck.packetset.box_table import WHOLE
from pathcheck.packetset.columns import columns_of
from pathcheck.queries.line_review import reviewed_list as reviewed_list_module
from pathcheck.queries.line_review.crossing_lines import find_crossing_lines, find_exceptions
from pathcheck.queries.line_review.dead_lines import find_dead_lines
from pathcheck.queries.line_review.first_look import _high, _low, _rounds, find_witnesses
from pathcheck.queries.line_review.redundant_lines import find_redundant_lines
from pathcheck.queries.line_review.reviewed_list import ReviewedList
from pathcheck.queries.line_review.witnesses import Witnesses

PIERS = GroupReference("PIERS", "address")


def some_list(seed: int, family: str, count: int) -> ReviewedList:
    chance = Random(seed)
    choose = chance.choice
    version = 4 if family == "ipv4" else 6
    icmp = "icmp" if version == 4 else "icmpv6"
    if version == 4:
        ends = [
            "any",
            "10.1.0.0/16",
            "10.1.20.0/24",
            "10.1.20.0/25",
            "10.1.20.128/25",
            "10.1.20.7",
            "10.1.20.0 0.0.0.254",
        ]
    else:
        ends = [
            "any",
            "2001:db8::/32",
            "2001:db8:20::/48",
            "2001:db8:20::/49",
            "2001:db8:20::7",
            "2001:db8:20:8000::/49",
        ]
    entries = []
    for number in range(1, count + 1):
        more = choose(
            [
                {"protocol": "tcp", "destination_ports": choose(["22", "80-443", "0-1023", "443"])},
                {"protocol": "tcp", "destination_ports": choose(["22", "22,443"]), "source_ports": "1024-65535"},
                {"protocol": "tcp", "flags": choose([ESTABLISHED, FlagMatch.of((SYN | ACK, SYN))])},
                {"protocol": "udp", "destination_ports": choose(["53", "50-60"])},
                {"protocol": icmp, "icmp": IcmpMatch(choose([0, 8]), choose([None, 0]))},
                {"protocol": choose(["tcp", "udp", "ip", "ip", "esp"])},
                {"protocol": choose(["tcp", "ip"]), "fragments": True},
            ]
        )
        source = PIERS if chance.randrange(10) == 0 else choose(ends)
        action = choose(["permit", "deny"])
        entries.append(
            line(action, more.pop("protocol"), source, choose(ends), version=version, sequence=number, **more)
        )
    made = access_list("A", *entries, family=family)
    piers = group("PIERS", "address", match(ends[2], version), match(ends[-1], version))
    return ReviewedList(device("quay-a", made, piers), made)


@pytest.mark.parametrize("family", ["ipv4", "ipv6"])
@pytest.mark.parametrize("seed", range(4))
def test_a_list_is_judged_alike_line_by_line_and_all_at_once(monkeypatch, family, seed):
    found = []
    for long in (1, 1 << 60):
        monkeypatch.setattr(reviewed_list_module, "_LONG", long)
        reviewed = some_list(seed, family, 70)
        assert reviewed.is_long == (long == 1)
        dead = find_dead_lines(reviewed, lambda _: None)
        # Every line that acts has a packet that it decides.
        assert set(dead.witnesses) | set(dead.found) == set(range(70))
        redundant = find_redundant_lines(reviewed, dead, lambda _: None)
        crossing = find_crossing_lines(reviewed, dead, lambda _: None)
        found.append(
            (
                {index: one.code for index, one in dead.found.items()},
                set(dead.witnesses),
                set(redundant),
                (crossing.pairs, crossing.lines),
                {index: one.pairs for index, one in crossing.shown.items()},
                find_exceptions(reviewed, dead),
            )
        )
    assert found[0] == found[1]
    assert len(found[0][0]) > 10 and len(found[0][1]) > 10 and found[0][3][0] > 10


# The points at which all lines are tried at once


@pytest.mark.parametrize("family", ["ipv4", "ipv6"])
def test_each_point_is_of_its_row(family):
    table = some_list(1, family, 40).table
    whole = np.flatnonzero(table.worlds & WHOLE)
    ways = list(_rounds())
    for points_in in ways:
        points = points_in(columns_of(table).take(whole))
        for place, row in enumerate(whole.tolist()):
            assert table.holds_any(points, place, np.array([row]), WHOLE)
    assert len(ways) == 8


def ends(points, version):
    return [str(Address(version, value)) for value in points.ends(0)]


@pytest.mark.parametrize(
    ("version", "source", "destination", "low", "high"),
    [
        (4, "10.1.20.0/24", "any", ["10.1.20.1", "0.0.0.1"], ["10.1.20.255", "255.255.255.255"]),
        (4, "10.1.20.7", "10.1.20.1 0.0.0.6", ["10.1.20.7", "10.1.20.3"], ["10.1.20.7", "10.1.20.7"]),
        (6, "2001:db8::7 0:0:fe::", "any", ["2001:db8:2::7", "::1"],
         ["2001:db8:fe::7", "ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff"]),
        (6, "2001:db8::/32", "2001:db8::7", ["2001:db8::1", "2001:db8::7"],
         ["2001:db8:ffff:ffff:ffff:ffff:ffff:ffff", "2001:db8::7"]),
    ],
)  # fmt: skip
def test_low_and_high_points(version, source, destination, low, high):
    family = f"ipv{version}"
    made = access_list(
        "A", line("permit", "udp", source, destination, version=version, destination_ports="53-60"), family=family
    )
    table = ReviewedList(device("quay-a", made), made).table
    rows = columns_of(table).take(np.array([0]))
    for points, expected, port in ((_low(rows), low, 53), (_high(rows), high, 60)):
        assert ends(points, version) == expected
        packet = points.packet(0, version, WHOLE)
        assert (packet.protocol, packet.destination_port) == (17, port)


def test_a_subnet_whose_first_address_is_taken_has_others():
    # The upper word of an IPv6 address is left as it is where the lower one has a free bit.
    made = access_list(
        "A",
        line("deny", "udp", "2001:db8::", "any", version=6),
        line("permit", "udp", "2001:db8::/64", "any", version=6, sequence=20),
        family="ipv6",
    )
    reviewed = ReviewedList(device("quay-a", made), made)
    witnesses, heard = Witnesses(2, 6), []
    find_witnesses(reviewed, witnesses, heard.append)
    assert [str(witnesses[line].source) for line in (0, 1)] == ["2001:db8::", "2001:db8::1"]
    assert sum(heard) == 2


@pytest.mark.parametrize("family", ["ipv4", "ipv6"])
@pytest.mark.parametrize("seed", range(3))
def test_what_is_found_reaches_its_line(family, seed):
    reviewed = some_list(seed, family, 60)
    witnesses = Witnesses(60, reviewed.version)
    find_witnesses(reviewed, witnesses, lambda _: None)
    assert len(witnesses)
    for index in witnesses:
        held = [any(witnesses[index] in box for box in space.may) for space in reviewed.spaces[: index + 1]]
        assert held[index]
        certain = [place for place in range(index) if held[place] and reviewed.certain[place]]
        assert not certain
