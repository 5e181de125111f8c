"""Members of groups that never act, one by one; tests/property/test_group_members.py has the definition."""

from __future__ import annotations

import pytest
from model_builders import access_list, device, line, match, ports, span

from pathcheck.model.access_list import IcmpMatch
from pathcheck.model.object_group import GroupMember, GroupReference, ObjectGroup, ServiceMatch
from pathcheck.packet.ranges import Ranges
from pathcheck.queries.line_review.dead_lines import find_dead_lines
from pathcheck.queries.line_review.group_members import dead_members, members_of
from pathcheck.queries.line_review.reviewed_list import ReviewedList

WEB, PIERS = GroupReference("WEB", "port"), GroupReference("PIERS", "address")
DESK = GroupReference("DESK", "service")


def made(reference: GroupReference, *values: object) -> ObjectGroup:
    members = tuple(GroupMember(value, span=span(str(number), number)) for number, value in enumerate(values, 1))
    return ObjectGroup(reference.name, reference.kind, members, span=span(reference.name))


def dead(entries, *groups, family="ipv4"):
    """The dead members: the line in which they are dead, their place in the group, and the lines that decide before."""
    found = access_list("A", *entries, family=family)
    reviewed = ReviewedList(device("quay-a", found, *groups), found)
    findings = dead_members(reviewed, find_dead_lines(reviewed, lambda _: None))
    return [
        (
            item.because[0].line,
            item.span.line,
            [place.line for place in item.because[1:]],
            "other" if item.sample else "same",
        )
        for item in findings
    ]


def web(*numbers):
    return made(WEB, *(ports(number) for number in numbers))


@pytest.mark.parametrize(
    ("first", "part", "expected"),
    [
        (line("deny", "tcp", destination_ports="80"), "destination_ports", [(20, 1, [10], "other")]),
        (line("permit", "tcp", destination_ports="80"), "destination_ports", [(20, 1, [10], "same")]),
        (
            line("deny", "tcp", destination_ports="80-443"),
            "destination_ports",
            [(20, 1, [10], "other"), (20, 2, [10], "other")],
        ),
        (line("deny", "tcp", source_ports="80"), "source_ports", [(20, 1, [10], "other")]),
        (line("deny", "tcp", source_ports="80"), "destination_ports", []),
        (line("deny", "udp", destination_ports="80"), "destination_ports", []),
        (line("deny", "tcp", "10.1.20.0/24", destination_ports="80"), "destination_ports", []),
    ],
)
def test_members_of_port_groups(first, part, expected):
    second = line("permit", "tcp", sequence=20, **{part: WEB})
    assert dead([first, second], web("80", "443", "8080")) == expected
    # The only member of a group is the line's own matter.
    assert dead([first, second], web("80")) == []


def test_a_member_that_is_a_range_is_dead_only_as_a_whole():
    entries = [
        line("deny", "tcp", destination_ports="80-85"),
        line("permit", "tcp", destination_ports=WEB, sequence=20),
    ]
    assert dead(entries, web("80-85", "443")) == [(20, 1, [10], "other")]
    assert dead(entries, web("80-86", "443")) == []
    assert dead(entries, web("79-85", "443")) == []


def test_several_lines_may_decide_a_member_together():
    halves = [line("deny", "ip", "10.1.20.0/25"), line("permit", "ip", "10.1.20.128/25", sequence=11)]
    meant = line("permit", "tcp", PIERS, sequence=20)
    groups = made(PIERS, match("10.1.20.0/24"), match("10.2.0.0/16"))
    assert dead([*halves, meant], groups) == [(20, 1, [10, 11], "other")]
    assert dead([halves[0], meant], groups) == []
    # A line that decides nothing of it is none of the causes, nor one behind another that does.
    more = [line("deny", "ip", "192.0.2.0/24", sequence=8), *halves, line("deny", "ip", "10.1.20.0/24", sequence=12)]
    assert dead([*more, meant], groups) == [(20, 1, [10, 11], "other")]
    same = [line("permit", "ip", "10.1.20.0/25"), line("permit", "ip", "10.1.20.128/25", sequence=11)]
    assert dead([*same, meant], groups) == [(20, 1, [10, 11], "same")]


@pytest.mark.parametrize("end", ["source", "destination"])
def test_either_end_and_both(end):
    ends = {"source": "any", "destination": "any"}
    entries = [
        line("deny", "ip", **(ends | {end: "10.1.0.0/16"})),
        line("permit", "tcp", **(ends | {end: PIERS}), sequence=20),
    ]
    groups = made(PIERS, match("10.1.20.0/24"), match("10.2.0.0/16"), match("10.1.30.7"))
    assert dead(entries, groups) == [(20, 1, [10], "other"), (20, 3, [10], "other")]
    other = {"source": "destination", "destination": "source"}[end]
    turned = [line("deny", "ip", **(ends | {other: "10.1.0.0/16"})), entries[1]]
    assert dead(turned, groups) == []


def test_fragments_count_for_a_line_without_layer_four_and_not_for_one_with():
    whole = line("deny", "tcp", "10.1.20.0/24", destination_ports="443")
    groups = made(PIERS, match("10.1.20.0/24"), match("10.2.0.0/16"))
    # Non-initial fragments pass the deny that names a port (common practice), so the member acts on them.
    assert dead([whole, line("permit", "tcp", PIERS, sequence=20)], groups) == []
    assert dead([whole, line("permit", "tcp", PIERS, destination_ports="443", sequence=20)], groups) == [
        (20, 1, [10], "other")
    ]
    later = [
        line("deny", "tcp", "10.1.20.0/24", fragments=True),
        line("permit", "tcp", PIERS, fragments=True, sequence=20),
    ]
    assert dead(later, groups) == [(20, 1, [10], "other")]
    assert dead([later[0], line("permit", "tcp", PIERS, sequence=20)], groups) == []


def test_members_of_service_groups_and_of_groups_in_groups():
    desk = made(
        DESK,
        ServiceMatch(6, None, Ranges.single(22), None),
        ServiceMatch(17, None, Ranges.single(53), None),
        ServiceMatch(1, icmp=Ranges.of((2048, 2303))),
    )
    entries = [line("deny", "udp", destination_ports="53"), line("permit", DESK, sequence=20)]
    assert dead(entries, desk) == [(20, 2, [10], "other")]
    ping = [line("deny", "icmp", icmp=IcmpMatch(8, None)), line("permit", DESK, sequence=20)]
    assert dead(ping, desk) == [(20, 3, [10], "other")]
    inner = GroupReference("INNER", "address")
    nested = [made(PIERS, match("10.2.0.0/16"), inner), made(inner, match("10.1.20.0/24"), match("10.3.0.0/16"), PIERS)]
    box = device("quay-a", *nested)
    assert [str(member.value) for member in members_of(box, PIERS)] == ["10.2.0.0/16", "10.1.20.0/24", "10.3.0.0/16"]
    entries = [line("deny", "ip", "10.1.0.0/16"), line("permit", "tcp", PIERS, sequence=20)]
    assert dead(entries, made(PIERS, match("10.2.0.0/16"), inner), made(inner, match("10.1.20.0/24"))) == [
        (20, 1, [10], "other")
    ]


def test_members_of_the_other_ip_version_and_of_dead_lines_are_left_alone():
    groups = made(PIERS, match("10.1.20.0/24"), match("2001:db8:20::/48", 6), match("10.2.0.0/16"))
    entries = [line("deny", "ip", "10.1.0.0/16"), line("permit", "tcp", PIERS, sequence=20)]
    assert dead(entries, groups) == [(20, 1, [10], "other")]
    assert dead([line("deny"), line("permit", "tcp", PIERS, sequence=20)], groups) == []
    six = [line("deny", "ip", "2001:db8::/32", version=6), line("permit", "tcp", PIERS, "any", version=6, sequence=20)]
    both = made(PIERS, match("2001:db8:20::/48", 6), match("2001:db9::/48", 6))
    assert dead(six, both, family="ipv6") == [(20, 1, [10], "other")]


def test_of_several_causes_of_a_trap_the_one_that_decides_otherwise_is_kept():
    # The permits hold all of the member, but it is the denial before them that makes it a trap.
    entries = [
        line("deny", "tcp", "10.1.20.0/25", destination_ports="443", sequence=10),
        line("permit", "tcp", "10.1.20.0/25", sequence=11),
        line("permit", "tcp", "10.1.20.128/25", sequence=12),
        line("permit", "tcp", PIERS, destination_ports="443", sequence=20),
    ]
    assert dead(entries, made(PIERS, match("10.1.20.0/24"), match("10.2.0.0/16"))) == [(20, 1, [10, 12], "other")]
    entries[0] = line("deny", "tcp", "10.1.20.9", destination_ports="443", sequence=10)
    assert dead(entries, made(PIERS, match("10.1.20.0/24"), match("10.2.0.0/16"))) == [(20, 1, [10, 11, 12], "other")]
