"""Which lines of a long list are looked at for some packets, and what is kept of lists."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest
from model_builders import access_list, device, group, line, match, span

from pathcheck.dataplane import compiled_list as compiled_list_module
from pathcheck.dataplane.compiled_list import compiled_list, list_doubts
from pathcheck.model.access_list import UnreadLine
from pathcheck.model.device import Device
from pathcheck.model.object_group import GroupReference
from pathcheck.model.unmodelled import ListScope, Unmodelled
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.ranges import Ranges
from pathcheck.packetset.algebra import PacketSet, packet_space

PIERS = GroupReference("PIERS", "address")


def many(count: int) -> Device:
    """A list of hosts and their ports, with an unread line, a line of a group, and a wide line."""
    entries = [
        line("permit", "tcp", f"10.1.{n}.0/24", f"10.2.{n}.9", destination_ports="443" if n % 2 else "22", sequence=n)
        for n in range(count)
    ]
    entries[5] = UnreadLine(5, None, "permit htp", "expected a protocol", span=span("unread", 5))
    entries[9] = line("deny", "udp", PIERS, "any", sequence=9)
    entries[11] = line("deny", "tcp", "10.1.0.0/16", "any", destination_ports="443", sequence=11)
    return device("quay-a", access_list("A", *entries), group("PIERS", "address", match("10.1.7.0/24")))


def some(source: str, destination: str, protocol: int, port: str | None = None) -> PacketSet:
    ports = None if port is None else Ranges.of(*[tuple(map(int, port.split("-")))])
    return packet_space(4).of(
        Box(match(source), match(destination), Ranges.single(protocol), destination_ports=ports, fragment=False)
    )


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        (("10.1.7.3", "10.2.7.9", 6, "443-443"), [5, 7, 11]),
        (("10.1.7.3", "10.2.7.9", 6, "22-22"), [5]),
        (("10.1.8.3", "10.2.8.9", 6, "22-22"), [5, 8]),
        (("10.1.8.3", "10.2.7.9", 6, "22-443"), [5, 11]),
        (("10.1.7.3", "10.9.9.9", 17), [5, 9]),
        (("192.0.2.1", "10.2.7.9", 50), [5]),
        # A set of several ends is held by one prefix each.
        (("10.1.6.0/23", "10.2.6.0/23", 6, "443-443"), [5, 7, 11]),
        (("10.1.4.0/22", "10.2.4.0/22", 6, "22-22"), [4, 5, 6]),
    ],
)
def test_lines_that_cannot_match_are_left_out(asked: tuple[Any, ...], expected: list[int]) -> None:
    packets = some(*asked)  # not while tests are collected
    compiled = compiled_list(many(20), "ipv4", "A")
    found = compiled.meeting(packets)
    # The unread line and the group are looked at wherever their services may meet.
    assert [index for index in found if index != 9 or 9 in expected] == expected
    short = compiled_list(many(16), "ipv4", "A")
    assert short.meeting(packets) == list(range(16))
    assert compiled_list(many(17), "ipv4", "A").meeting(packets) != list(range(17))
    assert compiled_list(many(20), "ipv4", "A").meeting(packet_space(4).empty) == []


def test_no_line_that_matches_is_left_out() -> None:
    chance = Random(3)
    compiled = compiled_list(many(40), "ipv4", "A")
    for _ in range(30):
        third = chance.randrange(40)
        packets = some(
            f"10.1.{third}.0/{chance.choice([22, 24, 28])}".replace("/22", "/24"), "any", chance.choice([6, 17])
        )
        found = compiled.meeting(packets)
        meets = [index for index in range(40) if not (compiled.sets(index).may & packets).is_empty]
        assert set(meets) <= set(found) and found == sorted(found)


def test_sets_of_lines_are_kept_up_to_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compiled_list_module, "_SETS_KEPT", 3)
    compiled = compiled_list(many(20), "ipv4", "A")
    first = [compiled.sets(index).may for index in range(20)]
    assert len(compiled._sets) <= 3
    assert [compiled.sets(index).may for index in range(20)] == first
    assert compiled.sets(19) is compiled.sets(19)


def test_lists_are_kept_up_to_a_number_of_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compiled_list_module, "_LINES_KEPT", 45)
    monkeypatch.setattr(compiled_list_module, "_lines_kept", 0)
    compiled_list_module._kept.clear()
    boxes = [many(20) for _ in range(3)]
    made = [compiled_list(box, "ipv4", "A") for box in boxes]
    assert list(compiled_list_module._kept.values()) == made[1:]
    assert compiled_list_module._lines_kept == 40
    assert compiled_list(boxes[1], "ipv4", "A") is made[1]
    # What was asked last stays longest, and one list stays whatever its length.
    assert compiled_list(boxes[0], "ipv4", "A") is not made[0]
    assert made[1] in compiled_list_module._kept.values() and made[2] not in compiled_list_module._kept.values()
    long = compiled_list(many(60), "ipv4", "A")
    assert list(compiled_list_module._kept.values()) == [long]
    assert compiled_list(many(20), "ipv4", "GONE").lines == ()


def test_what_a_group_that_is_not_known_whole_may_hold_is_anything() -> None:
    web, gone = GroupReference("WEB", "port"), GroupReference("GONE", "service")
    entries = [
        line("permit", "tcp", destination_ports=web),
        line("permit", gone, "10.1.20.0/24", sequence=20),
        line("permit", gone, fragments=True, dscp=Ranges.single(46), sequence=30),
    ]
    one = device("quay-a", access_list("A", *entries), group("WEB", "port", Ranges.single(443), None))
    compiled = compiled_list(one, "ipv4", "A")
    space = packet_space(4)
    assert compiled.sets(0).may == space.of(Box(match("any"), match("any"), Ranges.single(6)))
    assert some("any", "any", 6, "443-443") <= compiled.sets(0).must
    assert (compiled.sets(0).must & some("any", "any", 6, "444-65535")).is_empty
    assert compiled.sets(1).may == space.of(Box(match("10.1.20.0/24"), match("any")))
    assert compiled.sets(2).may == space.of(Box(match("any"), match("any"), dscp=Ranges.single(46), fragment=True))
    assert compiled.sets(1).must == compiled.sets(2).must == space.empty


def test_a_line_may_leave_the_whole_list_open() -> None:
    scoped = [
        Unmodelled("a hidden line", ListScope("A", "ipv4"), span=span("hidden")),
        Unmodelled("another", ListScope("A", "ipv6"), span=span("six")),
        Unmodelled("a third", ListScope("B", "ipv4"), span=span("b")),
    ]
    one = device("quay-a", access_list("A", line("permit")), unmodelled=tuple(scoped))
    assert [doubt.why for doubt in list_doubts(one, "ipv4", "A")] == ["a hidden line"]


def test_a_device_may_refuse_a_list_only_if_it_may_refuse_each_line() -> None:
    gone = GroupReference("GONE", "address")
    refused = [line("permit", "ip", gone, sequence=1), UnreadLine(2, None, "x", "why not", span=span("x", 2))]
    one = device("quay-a", access_list("A", *refused), access_list("B", *refused, line("permit", sequence=3)))
    found = compiled_list(one, "ipv4", "A").refusals()
    assert [(doubt.why, doubt.span and doubt.span.line) for doubt in found] == [
        ("group `GONE` is undefined", 1),
        ("why not", 2),
    ]
    assert compiled_list(one, "ipv4", "B").refusals() == ()
    assert isinstance(packet_space(4).full.sample(), Packet)
