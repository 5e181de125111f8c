"""Long lists are looked at all at once; what is found must be what is found line by line."""

from __future__ import annotations

from random import Random

import pytest
from model_builders import access_list, device, group, line, match

from pathcheck.model.access_list import IcmpMatch
from pathcheck.model.object_group import GroupReference
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, SYN, FlagMatch
from pathcheck.queries.line_review import reviewed_list as reviewed_list_module
from pathcheck.queries.line_review.crossing_lines import find_crossing_lines, find_exceptions
from pathcheck.queries.line_review.dead_lines import find_dead_lines
from pathcheck.queries.line_review.redundant_lines import find_redundant_lines
from pathcheck.queries.line_review.reviewed_list import ReviewedList

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
