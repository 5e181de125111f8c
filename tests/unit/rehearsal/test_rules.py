"""Lists as packet rules, as text: no namespace is needed to see that the two traps are gone around."""

from __future__ import annotations

import re

import pytest
from model_builders import access_list, device, group, line

from pathcheck.model.access_list import Action, IcmpMatch, Line
from pathcheck.model.object_group import GroupReference, ServiceMatch
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ESTABLISHED, FlagMatch
from pathcheck.rehearsal.rules import LATER, WHOLE, list_rules


def rules_of(one: Line, *parts: object) -> list[str]:
    """The tests of a list with one line, without its end."""
    made = access_list("A", one)
    rules = list(list_rules(device("quay-a", made, *parts), "ipv4", "A"))  # type: ignore[arg-type]
    assert rules[-1] == ("", Action.DENY, None)
    return [tests for tests, _, found in rules if found is not None]


@pytest.mark.parametrize(
    ("one", "expected"),
    [
        (line("permit"), [""]),
        (line("deny", "tcp", "10.1.2.0 0.0.0.255"), ["ip saddr & 255.255.255.0 == 10.1.2.0 meta l4proto { 6 }"]),
        (line("deny", "ip", "10.1.0.9 0.0.255.0"), ["ip saddr & 255.255.0.255 == 10.1.0.9"]),
        (line("deny", "ip", "any", "10.1.2.3"), ["ip daddr 10.1.2.3"]),
        # A permit that names ports also takes later fragments; a deny does not (`fragments`: layer3).
        (
            line("permit", "tcp", destination_ports="80"),
            [f"{LATER} meta l4proto 6", f"{WHOLE} meta l4proto 6 tcp dport {{ 80 }}"],
        ),
        (line("deny", "tcp", destination_ports="80"), [f"{WHOLE} meta l4proto 6 tcp dport {{ 80 }}"]),
        (line("deny", "udp", destination_ports=""), []),
        (line("deny", "esp", destination_ports="80"), []),
        (
            line("deny", "ip", source_ports="22"),
            [f"{WHOLE} meta l4proto {words} sport {{ 22 }}" for words in ("6 tcp", "17 udp", "132 sctp")],
        ),
        (line("deny", "tcp", fragments=True), [f"{LATER} meta l4proto {{ 6 }}"]),
        (line("permit", "tcp", destination_ports="80", fragments=True), []),
        (
            line("deny", "icmp", icmp=IcmpMatch(3, 4)),
            [f"{WHOLE} meta l4proto 1 icmp type 3 icmp code 4"],
        ),
        (line("deny", "tcp", flags=FlagMatch(())), []),
        (
            line("deny", "tcp", flags=ESTABLISHED),
            [f"{WHOLE} meta l4proto 6 @th,104,8 & {bit} == {bit}" for bit in (4, 16)],
        ),
        (line("permit", dscp=Ranges.of((8, 10))), ["ip dscp >= 8 ip dscp <= 10"]),
        (line("permit", doubt="a time range"), []),
    ],
)  # fmt: skip
def test_rules_of_one_line(one: Line, expected: list[str]) -> None:
    assert rules_of(one) == expected


def test_no_two_rules_of_inequality_stand_side_by_side() -> None:
    """`neq` on both ports is written as intervals, because two adjacent `!=` are merged wrongly."""
    both = line("deny", "tcp", source_ports="0-79,81-65535", destination_ports="0-442,444-65535")
    assert not re.search(r"(?<!frag-off)!=", " ".join(rules_of(both)))


def test_each_test_of_layer_4_asks_whether_the_packet_is_whole() -> None:
    for one in (
        line("permit", "tcp", destination_ports="80", flags=ESTABLISHED),
        line("permit", "icmp", icmp=IcmpMatch(8)),
    ):
        for tests in rules_of(one):
            assert tests.startswith(WHOLE if re.search(r"port|@th|icmp type", tests) else LATER)


def test_what_is_known_of_a_group_acts_and_what_is_not_is_left_out() -> None:
    desk = group("DESK", "service", ServiceMatch(6, None, Ranges.single(22)), None, GroupReference("GONE", "service"))
    one = line("deny", GroupReference("DESK", "service"))
    assert rules_of(one, desk) == [f"{WHOLE} meta l4proto 6 tcp dport {{ 22 }}"]
    ring = group("RING", "address", GroupReference("RING", "address"))
    assert rules_of(line("deny", "ip", GroupReference("RING", "address")), ring) == []


def test_ranges_of_icmp_types_and_codes() -> None:
    """3/2 to 4/1 is the end of one type and the beginning of the next."""
    kinds = group("KINDS", "icmp", Ranges.of(((3 << 8) + 2, (4 << 8) + 1), (8 << 8, (8 << 8) + 255)))
    found = rules_of(line("deny", "icmp", icmp=GroupReference("KINDS", "icmp")), kinds)
    assert [tests.partition(" meta l4proto 1 ")[2] for tests in found] == [
        "icmp type 3 icmp code 2-255", "icmp type 4 icmp code 0-1", "icmp type 8",
    ]  # fmt: skip


DISCOVERY = f"{WHOLE} meta l4proto 58 icmpv6 type {{ 135, 136 }}"


@pytest.mark.parametrize(
    ("family", "lines", "expected"),
    [
        ("ipv4", [], [("", Action.PERMIT)]),
("ipv6", [line("permit", version=6)], [("", Action.PERMIT), (DISCOVERY, Action.PERMIT), ("", Action.DENY)]),
    ],
)  # fmt: skip
def test_ends_of_lists(family: str, lines: list[Line], expected: list[tuple[str, Action]]) -> None:
    one = device("quay-a", access_list("A", *lines, family=family))  # type: ignore[arg-type]
    assert [rule[:2] for rule in list_rules(one, family, "A")] == expected  # type: ignore[arg-type]
