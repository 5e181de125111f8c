"""What a list decides about sets. The end of a list: common practice, no source."""

from __future__ import annotations

from typing import Any

import pytest
from model_builders import access_list, bound, device, line, match, ports, span

from pathcheck.dataplane.first_match import Part, filter_packets, filter_through
from pathcheck.model.access_list import Action, IcmpMatch, Remark, UnreadLine
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.model.unmodelled import ListScope, Unmodelled
from pathcheck.packet.box import Box
from pathcheck.packet.ranges import Ranges
from pathcheck.packetset.algebra import PacketSet, packet_space


def tcp(source: str, destination: str, port: str | None = None, **more: Any) -> PacketSet:
    more.setdefault("fragment", False)
    return packet_space(4).of(
        Box(match(source), match(destination), Ranges.single(6), destination_ports=ports(port), **more)  # type: ignore[arg-type]
    )


def quay(*entries: Any, **more: Any) -> Device:
    return device("quay-a", access_list("A", *entries), **more)


def brief(parts: tuple[Part, ...]) -> list[tuple[str | None, str, int | None]]:
    return [(part.action and part.action.value, part.use.text[:13].strip(), part.index) for part in parts]


def test_the_first_match_decides_and_nothing_behind_it_is_read() -> None:
    one = quay(
        line("deny", "tcp", destination_ports="23", sequence=10),
        line("permit", "tcp", "10.1.20.0/24", sequence=20),
        line("permit", "tcp", "10.1.20.7", destination_ports="443", sequence=30),
    )
    parts = filter_packets(one, "ipv4", "A", tcp("10.1.20.0/23", "any"))
    assert brief(parts) == [
        ("deny", "10 deny tcp a", 0),
        ("permit", "20 permit tcp", 1),
        ("deny", "implicit deny", None),
    ]
    assert parts[0].packets == tcp("10.1.20.0/23", "any", "23")
    assert parts[1].packets == tcp("10.1.20.0/24", "any") - tcp("any", "any", "23")
    assert parts[2].use.span is None
    assert parts[0].use.span == one.access_lists["ipv4", "A"].lines[0].span


def test_remarks_do_not_count_as_lines() -> None:
    one = quay(Remark("desks", span=span("remark desks")), line("permit", "tcp", sequence=20))
    assert brief(filter_packets(one, "ipv4", "A", tcp("any", "any"))) == [("permit", "20 permit tcp", 0)]


@pytest.mark.parametrize("assumed", ["permits-all", "denies-all"])
@pytest.mark.parametrize("entries", [None, [Remark("later", span=span("remark later"))]])
def test_an_undefined_or_empty_list(assumed: Any, entries: Any) -> None:
    assume = Assumptions(undefined_list=assumed)
    one = device("quay-a", assume=assume) if entries is None else quay(*entries, assume=assume)
    (part,) = filter_packets(one, "ipv4", "A", packet_space(4).full)
    action = "permit" if assumed == "permits-all" else "deny"
    assert (part.action, part.use.text, part.packets) == (Action(action), f"implicit {action}", packet_space(4).full)
    assert [(item.key, item.value) for item in part.readings] == [("undefined_list", assumed)]
    assert part.readings[0].about == ("undefined list `A`" if entries is None else "empty list `A`")


@pytest.mark.parametrize("assumed", ["neighbour-discovery", "deny"])
def test_the_end_of_an_ipv6_list(assumed: Any) -> None:
    v6 = packet_space(6)
    entry = line("permit", "icmpv6", version=6, icmp=IcmpMatch(128))
    one = device("quay-a", access_list("A", entry, family="ipv6"), assume=Assumptions(ipv6_end=assumed))
    parts = filter_packets(one, "ipv6", "A", v6.full)
    discovery = v6.of(
        Box(match("any", 6), match("any", 6), Ranges.single(58), icmp=Ranges.of((135 * 256, 136 * 256 + 255)))
    )  # type: ignore[arg-type]
    held = [part for part in parts if part.packets & discovery]
    assert [part.packets for part in held] == [discovery]
    assert held[0].action is (Action.PERMIT if assumed == "neighbour-discovery" else Action.DENY)
    assert [(item.key, item.value) for item in held[0].readings] == [("ipv6_end", assumed)]
    assert parts[-1].action is Action.DENY
    assert parts[-1].readings == ()


def test_a_doubtful_line_touches_only_what_is_decided_otherwise_later() -> None:
    one = quay(
        line("permit", "tcp", "10.1.20.0/24", sequence=10, doubt="it acts at times only"),
        line("permit", "tcp", "10.1.20.7", sequence=20),
        line("deny", "tcp", "10.1.0.0/16", sequence=30),
    )
    parts = filter_packets(one, "ipv4", "A", tcp("10.1.0.0/16", "any"))
    assert brief(parts) == [("permit", "20 permit tcp", 1), ("deny", "30 deny tcp 1", 2), (None, "30 deny tcp 1", 2)]
    assert parts[1].packets == tcp("10.1.0.0/16", "any") - tcp("10.1.20.0/24", "any")
    assert [doubt.why for doubt in parts[2].doubts] == ["it acts at times only"]
    assert parts[0].doubts == parts[1].doubts == ()


@pytest.mark.parametrize(("action", "uncertain"), [(None, 2), (Action.PERMIT, 1), (Action.DENY, 1)])
def test_an_unread_line(action: Action | None, uncertain: int) -> None:
    unread = UnreadLine(10, action, "…", "expected an address", span=span("garbled", 10))
    one = quay(unread, line("permit", "tcp", "10.1.20.0/24", sequence=20))
    parts = filter_packets(one, "ipv4", "A", tcp("10.1.0.0/16", "any"))
    assert sum(part.action is None for part in parts) == uncertain
    assert all(part.doubts[0].span == unread.span for part in parts if part.action is None)


def test_only_the_doubtful_lines_that_touch_a_part_are_named() -> None:
    one = quay(
        line("permit", "tcp", "10.1.20.0/24", sequence=10, doubt="first"),
        line("permit", "tcp", "10.1.30.0/24", sequence=20, doubt="second"),
        line("deny", "tcp", "10.1.20.0/24", sequence=30),
    )
    parts = filter_packets(one, "ipv4", "A", tcp("10.1.0.0/16", "any"))
    named = [[doubt.why for doubt in part.doubts] for part in parts if part.action is None]
    assert named == [["first"], ["second"]]


def test_a_list_as_a_whole_in_doubt() -> None:
    scope = Unmodelled("fragments permit-all", ListScope("A", "ipv4"), span=span("fragments permit-all"))
    one = quay(line("permit", "tcp", sequence=10), unmodelled=(scope,))
    parts = filter_packets(one, "ipv4", "A", packet_space(4).full)
    assert {part.action for part in parts} == {None}
    assert {part.action for part in filter_packets(one, "ipv4", "B", packet_space(4).full)} == {Action.PERMIT}


@pytest.mark.parametrize("assumed", ["layer3", "never"])
def test_the_reading_of_fragments_is_named_where_fragments_are_asked_about(assumed: Any) -> None:
    one = quay(line("permit", "tcp", destination_ports="443"), assume=Assumptions(fragments=assumed))
    assert all(part.readings == () for part in filter_packets(one, "ipv4", "A", tcp("any", "any")))
    fragments = tcp("any", "any", fragment=True)
    (part,) = filter_packets(one, "ipv4", "A", fragments)
    assert part.action is (Action.PERMIT if assumed == "layer3" else Action.DENY)
    assert [(item.key, item.value) for item in part.readings] == [("fragments", assumed)]


def test_long_lists_are_pruned_and_still_exact() -> None:
    entries = [
        line(
            "deny" if number % 3 else "permit",
            "udp" if number % 2 else "tcp",
            f"10.{number % 200}.0.0/16",
            destination_ports=str(number),
            sequence=number,
        )
        for number in range(1, 400)
    ]
    one, asked = quay(*entries), tcp("10.7.0.0/16", "any")
    rest, expected = asked, []
    for place, entry in enumerate(entries):
        mine = rest & packet_space(4).of(
            Box(
                entry.source,
                entry.destination,
                Ranges.single(entry.protocol or 0),
                destination_ports=entry.destination_ports,
            )
        )  # type: ignore[arg-type]
        if mine:
            expected.append((place, entry.action, mine))
            rest -= mine
    expected.append((None, Action.DENY, rest))  # type: ignore[arg-type]
    parts = filter_packets(one, "ipv4", "A", asked)
    assert [(part.index, part.action, part.packets) for part in parts] == expected


def test_nothing_is_asked() -> None:
    assert filter_packets(quay(line("permit")), "ipv4", "A", packet_space(4).empty) == ()


def test_the_other_ip_version_is_refused() -> None:
    with pytest.raises(ValueError, match="IPv6 packets meet no `ipv4` list"):
        filter_packets(quay(line("permit")), "ipv4", "A", packet_space(6).full)


def test_several_lists_one_after_the_other() -> None:
    one = device(
        "quay-a",
        access_list(
            "A", line("permit", "tcp", "10.1.20.0/24"), line("permit", "tcp", "10.1.21.0/24", doubt="at times")
        ),
        access_list("B", line("deny", "tcp", destination_ports="23"), line("permit", "tcp")),
        access_list("V6", family="ipv6"),
    )
    asked = tcp("10.1.20.0/22", "any")
    parts = filter_through(one, [bound("A"), bound("V6", family="ipv6"), bound("B", "out")], asked)
    assert packet_space(4).union([part.packets for part in parts]) == asked
    found: dict[tuple[Any, ...], PacketSet] = {}
    for part in parts:
        key = (part.action, *(use.acl for use in part.uses))
        assert not found.get(key, packet_space(4).empty) & part.packets
        found[key] = found.get(key, packet_space(4).empty) | part.packets
    telnet, first, second = tcp("any", "any", "23"), tcp("10.1.20.0/24", "any"), tcp("10.1.21.0/24", "any")
    assert found == {
        (Action.DENY, "A"): asked - first - second,
        (Action.DENY, "A", "B"): (first | second) & telnet,
        (Action.PERMIT, "A", "B"): first - telnet,
        (None, "A", "B"): second - telnet,
    }
    denied = [part for part in parts if part.action is Action.DENY]
    assert all(part.doubts == () for part in denied)


def test_no_list_permits() -> None:
    (part,) = filter_through(quay(), [], packet_space(4).full)
    assert (part.action, part.uses, part.packets) == (Action.PERMIT, (), packet_space(4).full)
