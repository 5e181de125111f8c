"""Many packets at once: the edges that the property tests do not reach."""

from __future__ import annotations

import random
from typing import Any

import pytest
from model_builders import access_list, device, line, packet, span

from pathcheck.dataplane.batch import _rows, decide_batch
from pathcheck.dataplane.compiled_list import compiled_list
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import Action, Family, IcmpMatch, Line, UnreadLine
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.object_group import GroupReference
from pathcheck.packet.address import IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, SYN


@pytest.mark.parametrize("count", [1, 63, 64, 65, 200])
def test_lists_around_the_size_of_a_word(count: int) -> None:
    entries = [line("permit", "tcp", destination_ports=str(number), sequence=number) for number in range(1, count + 1)]
    one = device("quay-a", access_list("A", *entries))
    some = [packet("10.1.20.7", "10.1.99.10", "tcp", 1, port) for port in (1, 2, count, count + 1, 65535)]
    found = decide_batch(one, "ipv4", "A", some)
    assert [item.index for item in found] == [
        port - 1 if port <= count else None for port in (1, 2, count, count + 1, 65535)
    ]
    assert [item.action for item in found] == [
        Action.PERMIT if item.index is not None else Action.DENY for item in found
    ]


def test_more_packets_than_one_block_holds() -> None:
    chance = random.Random(7)
    masks = ["0.0.0.255", "0.0.254.255", "0.3.0.255"]
    entries = [
        line(
            chance.choice(["permit", "deny"]),
            chance.choice(["tcp", "udp", "ip"]),
            f"10.{chance.randrange(4)}.{chance.randrange(256)}.0 {chance.choice(masks)}",
            sequence=number,
        )
        for number in range(700)
    ]
    one = device("quay-a", access_list("A", *entries))
    some: list[Packet] = [
        packet(f"10.{chance.randrange(4)}.{chance.randrange(256)}.9", "192.0.2.1", chance.choice(["tcp", "udp", "esp"]))
        for _ in range(20_000)
    ]
    found = decide_batch(one, "ipv4", "A", some)
    assert len(found) == len(some)
    for place in chance.sample(range(len(some)), 150):
        alone = evaluate_list(one, "ipv4", "A", some[place])
        assert (found[place].action, found[place].use) == (alone.action, alone.use)


@pytest.mark.parametrize("reading", ["permits-all", "denies-all"])
def test_a_list_whose_lines_may_all_be_refused_may_be_empty(reading: str) -> None:
    gone = GroupReference("GONE", "address")
    entries = [line("permit", "udp", gone), line("deny", "tcp", gone, sequence=20)]
    one = device("quay-a", access_list("A", *entries), assume=Assumptions(undefined_list=reading))
    some = [packet("10.1.20.7", "192.0.2.1", kind) for kind in ("tcp", "udp", "esp")]
    found = decide_batch(one, "ipv4", "A", some)
    alone = [evaluate_list(one, "ipv4", "A", each) for each in some]
    assert [item.action for item in found] == [item.action for item in alone]
    assert [set(item.doubts) for item in found] == [set(item.doubts) for item in alone]
    assert found[2].action == (None if reading == "permits-all" else Action.DENY)


def test_no_packets() -> None:
    assert decide_batch(device("quay-a"), "ipv4", "A", []) == []


def test_the_other_ip_version_is_refused() -> None:
    with pytest.raises(ValueError, match="an IPv6 packet meets no `ipv4` list"):
        decide_batch(
            device("quay-a"), "ipv4", "A", [packet("10.1.1.1", "10.1.1.2"), packet("2001:db8::1", "2001:db8::2")]
        )


@pytest.mark.parametrize("family", ["ipv4", "ipv6"])
@pytest.mark.parametrize("reading", ["permits-all", "denies-all"])
def test_long_lists_with_lines_in_doubt_are_decided_as_each_packet_alone(family: Family, reading: str) -> None:
    chance = random.Random(11)
    version: IPVersion = 4 if family == "ipv4" else 6
    base = "10.1.20." if version == 4 else "2001:db8:20::"
    icmp = "icmp" if version == 4 else "icmpv6"

    def some_line(number: int) -> Line | UnreadLine:
        action = Action(chance.choice(["permit", "deny"]))
        if number > 120 and chance.randrange(12) == 0:
            known = chance.choice([None, action])
            return UnreadLine(number, known, "permit htp", "expected a protocol", span=span("unread", number))
        more: dict[str, Any] = chance.choice(
            [
                {"protocol": "tcp", "destination_ports": chance.choice(["22", "80-443", "0-1023"])},
                {"protocol": "tcp", "source_ports": "1024-65535", "flags": ESTABLISHED},
                {"protocol": "udp", "destination_ports": "53"},
                {"protocol": icmp, "icmp": IcmpMatch(chance.choice([0, 8, 135]), chance.choice([None, 0]))},
                {"protocol": "ip", "dscp": Ranges.of((46, 46))},
                {"protocol": "ip", "fragments": True},
                {"protocol": chance.choice(["tcp", "udp", "esp"])},
            ]
        )
        if chance.randrange(8) == 0:
            more["doubt"] = "a time range"
        ends = [f"{base}{chance.randrange(1, 5)}" for _ in "sd"]
        return line(action.value, more.pop("protocol"), *ends, version=version, sequence=number, **more)

    entries = [some_line(number) for number in range(1, 200)]
    one = device("quay-a", access_list("A", *entries, family=family), assume=Assumptions(undefined_list=reading))
    some = []
    for _ in range(400):
        kind = chance.choice(["tcp", "udp", icmp, "esp"])
        numbers = {
            "tcp": (chance.choice([80, 2000]), chance.choice([22, 443, 8080])),
            "udp": (2000, chance.choice([53, 54])),
            icmp: (chance.choice([0, 8, 135]), chance.choice([0, 1])),
            "esp": (),
        }[kind]
        ends = [f"{base}{chance.randrange(1, 6)}" for _ in "sd"]
        if chance.randrange(5) == 0:
            some.append(packet(*ends, kind, fragment=True, dscp=chance.choice([0, 46])))
        else:
            flags = {"flags": chance.choice([SYN, ACK, 0])} if kind == "tcp" else {}
            some.append(packet(*ends, kind, *numbers, dscp=chance.choice([0, 46]), **flags))
    found = decide_batch(one, family, "A", some)
    assert {item.action for item in found} == {Action.PERMIT, Action.DENY, None}
    assert sum(item.action is None for item in found) < 300 and len({item.index for item in found}) > 60
    for item, alone in zip(found, (evaluate_list(one, family, "A", each) for each in some), strict=True):
        assert (item.action, item.use) == (alone.action, alone.use)
        assert set(item.doubts) == set(alone.doubts)
        assert set(item.readings) == set(alone.readings)
        expected = (
            None
            if alone.use.span is None
            else entries.index(next(entry for entry in entries if entry.span == alone.use.span))
        )
        assert item.index == expected
    # The same in small batches, from tables that are kept for this list and no other.
    assert [decide_batch(one, family, "A", [each])[0] for each in some[:20]] == found[:20]
    other = device("quay-b", access_list("A", entries[0], family=family))
    twin = evaluate_list(other, family, "A", some[0])
    assert decide_batch(other, family, "A", some[:1])[0].use == twin.use
    assert decide_batch(one, family, "A", some[:1])[0] == found[0]


def test_tables_are_made_once_for_a_device_and_a_list() -> None:
    entries = access_list("A", line("permit", "tcp")), access_list("B", line("deny", "tcp"))
    one, same = (device("quay-a", *entries) for _ in range(2))
    kept = _rows(one, compiled_list(one, "ipv4", "A"))
    assert _rows(one, compiled_list(one, "ipv4", "A")) is kept
    assert _rows(one, compiled_list(one, "ipv4", "B")) is not kept
    assert _rows(same, compiled_list(one, "ipv4", "A")) is not kept


@pytest.mark.parametrize("reading", ["neighbour-discovery", "nothing"])
def test_the_end_of_an_ipv6_list_rests_on_one_reading(reading: str) -> None:
    entries = access_list("A", line("permit", "tcp", version=6, destination_ports="443"), family="ipv6")
    one = device("quay-a", entries, assume=Assumptions(ipv6_end=reading))
    some = [packet("2001:db8::1", "2001:db8::2", "icmpv6", kind) for kind in (134, 135, 136, 137)]
    for item, each in zip(decide_batch(one, "ipv6", "A", some), some, strict=True):
        alone = evaluate_list(one, "ipv6", "A", each)
        assert (item.action, item.use, set(item.readings)) == (alone.action, alone.use, set(alone.readings))
