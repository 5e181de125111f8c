"""What one line matches, as boxes. How fragments are read: common practice, no source."""

from __future__ import annotations

from typing import Any

import pytest
from model_builders import device, group, line, packet, span

from pathcheck.dataplane.list_space import LineSpace, line_boxes, line_space
from pathcheck.model.access_list import Action, Family, IcmpMatch, UnreadLine
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.object_group import GroupReference, ObjectGroup, ServiceMatch
from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, FlagMatch
from pathcheck.packet.wildcard import AddressMatch

DESK, OFFICE = "10.1.20.7", "10.1.99.10"


def prefix(text: str) -> AddressMatch:
    return AddressMatch.prefix(Prefix.parse(text))


def space(entry: Any, *groups: ObjectGroup, family: Family = "ipv4", fragments: Any = "layer3") -> LineSpace:
    return line_space(device("quay-a", *groups, assume=Assumptions(fragments=fragments)), entry, family, "A")


def says(found: LineSpace, one: Packet) -> str:
    """Whether the line matches the packet: yes, no or maybe."""
    may, must = any(one in box for box in found.may), any(one in box for box in found.must)
    assert may or not must, "the lower bound holds a packet that the upper bound does not"
    return "yes" if must else "maybe" if may else "no"


@pytest.mark.parametrize(
    ("entry", "fragments", "expected"),
    [
        (line("permit", "tcp", destination_ports="443"), "layer3", "yes"),
        (line("permit", "tcp", destination_ports="443"), "never", "no"),
        (line("deny", "tcp", destination_ports="443"), "layer3", "no"),
        (line("permit", "tcp", flags=ESTABLISHED), "layer3", "yes"),
        (line("permit", "icmp", icmp=IcmpMatch(8)), "layer3", "no"),
        (line("permit", "tcp"), "never", "yes"),
        (line("deny", "tcp"), "layer3", "yes"),
        (line("deny", "ip", fragments=True), "never", "yes"),
        # Impossible criteria match no fragment either.
        (line("permit", "tcp", destination_ports=""), "layer3", "no"),
        (line("permit", "tcp", flags=FlagMatch(())), "layer3", "no"),
        (line("permit", "tcp", destination_ports="443", fragments=True), "layer3", "no"),
    ],
)
def test_later_fragments(entry: Any, fragments: str, expected: str) -> None:
    found = space(entry, fragments=fragments)
    assert says(found, packet(DESK, OFFICE, "tcp", fragment=True)) == expected
    assert found.doubts == ()


@pytest.mark.parametrize(
    ("entry", "contested"),
    [
        (line("permit", "tcp", destination_ports="443"), True),
        (line("deny", "tcp", destination_ports="443"), False),
        (line("permit", "tcp"), False),
        (line("permit", "tcp", fragments=True), False),
    ],
)
def test_the_reading_of_fragments_is_said_where_there_are_two(entry: Any, contested: bool) -> None:
    for fragments in ("layer3", "never"):
        found = space(entry, fragments=fragments)
        assert [(item.key, item.value) for item in found.readings] == ([("fragments", fragments)] if contested else [])


def test_the_word_fragments_takes_nothing_else() -> None:
    found = space(line("permit", "udp", fragments=True))
    assert says(found, packet(DESK, OFFICE, "udp", 53, 53)) == "no"
    assert says(found, packet(DESK, OFFICE, "udp", fragment=True)) == "yes"


@pytest.mark.parametrize(
    ("entry", "one", "expected"),
    [
        (line("permit", "icmp", icmp=IcmpMatch(8)), packet(DESK, OFFICE, "icmp", 8, 3), "yes"),
        (line("permit", "icmp", icmp=IcmpMatch(3, 4)), packet(DESK, OFFICE, "icmp", 3, 4), "yes"),
        (line("permit", "icmp", icmp=IcmpMatch(3, 4)), packet(DESK, OFFICE, "icmp", 3, 1), "no"),
        (line("permit", "tcp", flags=ESTABLISHED), packet(DESK, OFFICE, "tcp", 1, 2, flags=ACK), "yes"),
        (line("permit", "tcp", flags=ESTABLISHED), packet(DESK, OFFICE, "tcp", 1, 2), "no"),
        (line("permit", "ip", dscp=Ranges.single(46)), packet(DESK, OFFICE, "udp", 1, 2, dscp=46), "yes"),
        (line("permit", "ip", dscp=Ranges.single(46)), packet(DESK, OFFICE, "udp", 1, 2), "no"),
        (line("permit", "ip", "10.1.20.1 0.0.0.254"), packet(DESK, OFFICE, "udp", 1, 2), "yes"),
        (line("permit", "ip", "10.1.20.0 0.0.0.254"), packet(DESK, OFFICE, "udp", 1, 2), "no"),
    ],
)
def test_plain_criteria(entry: Any, one: Packet, expected: str) -> None:
    assert says(space(entry), one) == expected


def test_an_unread_line_may_match_anything() -> None:
    entry = UnreadLine(10, Action.DENY, "deny tpc any any", "expected a protocol", span=span("deny tpc any any", 4))
    found = space(entry, family="ipv6")
    assert says(found, packet("2001:db8::1", "2001:db8::2", "udp", 1, 2)) == "maybe"
    assert [(doubt.why, doubt.span) for doubt in found.doubts] == [("expected a protocol", entry.span)]
    assert found.refusal


def test_a_doubtful_line_may_match_what_its_criteria_say() -> None:
    found = space(line("permit", "tcp", DESK, doubt="it acts at times only"))
    assert says(found, packet(DESK, OFFICE)) == "maybe"
    assert says(found, packet(OFFICE, DESK)) == "no"
    assert [doubt.why for doubt in found.doubts] == ["it acts at times only"]


# ---- groups ----------------------------------------------------------------------------------------------

PIERS = GroupReference("PIERS", "address")
INNER = GroupReference("INNER", "address")
DESKS = prefix("10.1.20.0/24")
ROUND = "group `PIERS` contains itself"


@pytest.mark.parametrize(
    ("groups", "desk", "office", "doubts"),
    [
        ([group("PIERS", "address", DESKS)], "yes", "no", []),
        (
            [
                group("PIERS", "address", INNER, prefix("192.0.2.0/24")),
                group("INNER", "address", DESKS),
            ],
            "yes",
            "no",
            [],
        ),
        ([group("PIERS", "address", INNER, DESKS)], "yes", "maybe", ["group `INNER` is undefined"]),
        ([], "maybe", "maybe", ["group `PIERS` is undefined"]),
        ([group("PIERS", "address")], "maybe", "maybe", ["group `PIERS` is empty"]),
        ([group("PIERS", "address", PIERS, DESKS)], "yes", "maybe", [ROUND]),
        (
            [group("PIERS", "address", INNER), group("INNER", "address", PIERS, DESKS)],
            "yes",
            "maybe",
            [ROUND],
        ),
        (
            [group("PIERS", "address", None, DESKS)],
            "yes",
            "maybe",
            ["a line of group `PIERS` could not be read"],
        ),
        # Members of the other IP version match nothing here.
        ([group("PIERS", "address", prefix("2001:db8::/32"), DESKS)], "yes", "no", []),
    ],
)
def test_address_groups(groups: list[ObjectGroup], desk: str, office: str, doubts: list[str]) -> None:
    found = space(line("permit", "ip", PIERS), *groups)
    assert says(found, packet(DESK, "192.0.2.1")) == desk
    assert says(found, packet(OFFICE, "192.0.2.1")) == office
    assert [doubt.why for doubt in found.doubts] == doubts


def test_a_group_within_two_groups_is_no_circle() -> None:
    groups = [
        group("PIERS", "address", INNER, GroupReference("OTHER", "address")),
        group("OTHER", "address", INNER),
        group("INNER", "address", DESKS),
    ]
    assert space(line("permit", "ip", PIERS), *groups).doubts == ()


def test_groups_do_not_multiply_until_boxes_are_asked_for() -> None:
    hosts = [AddressMatch.host(Address(4, 0x0A000001 + 2 * number)) for number in range(300)]
    entry = line("permit", "tcp", PIERS, PIERS, destination_ports=GroupReference("WEB", "port"))
    found = space(entry, group("PIERS", "address", *hosts), group("WEB", "port", Ranges.single(80), Ranges.single(443)))
    assert (len(found.may.sources), len(found.may.destinations)) == (300, 300)
    assert found.may.size == 300 * 300 * 2


def test_adjacent_members_are_joined() -> None:
    found = space(
        line("permit", "ip", PIERS), group("PIERS", "address", prefix("10.1.20.0/25"), prefix("10.1.20.128/25"))
    )
    assert found.boxes == line_boxes(device("quay-a"), line("permit", "ip", "10.1.20.0/24"), "ipv4")


def test_a_port_group_names_ports_even_if_it_is_undefined() -> None:
    found = space(line("permit", "tcp", destination_ports=GroupReference("WEB", "port")))
    assert says(found, packet(DESK, OFFICE, "tcp", 1, 443)) == "maybe"
    assert says(found, packet(DESK, OFFICE, "udp", 1, 443)) == "no"
    denied = space(line("deny", "tcp", destination_ports=GroupReference("WEB", "port")))
    assert says(denied, packet(DESK, OFFICE, "tcp", fragment=True)) == "no"


SERVICES = GroupReference("DESK", "service")


def test_each_service_of_a_group_decides_whether_it_names_layer_4() -> None:
    members = group(
        "DESK",
        "service",
        ServiceMatch(6, None, Ranges.single(443)),
        ServiceMatch(17),
        ServiceMatch(1, icmp=Ranges.of((2048, 2303))),
    )
    denied = space(line("deny", SERVICES), members)
    permitted = space(line("permit", SERVICES), members)
    never = space(line("permit", SERVICES), members, fragments="never")
    for one, expected in [
        (packet(DESK, OFFICE, "tcp", 1, 443), ("yes", "yes", "yes")),
        (packet(DESK, OFFICE, "tcp", 1, 80), ("no", "no", "no")),
        (packet(DESK, OFFICE, "tcp", fragment=True), ("no", "yes", "no")),
        (packet(DESK, OFFICE, "udp", fragment=True), ("yes", "yes", "yes")),
        (packet(DESK, OFFICE, "icmp", 8, 0), ("yes", "yes", "yes")),
        (packet(DESK, OFFICE, "icmp", fragment=True), ("no", "yes", "no")),
    ]:
        assert (says(denied, one), says(permitted, one), says(never, one)) == expected


def test_a_service_group_that_is_undefined_may_be_anything() -> None:
    found = space(line("deny", SERVICES, DESK))
    for one in (
        packet(DESK, OFFICE, "esp"),
        packet(DESK, OFFICE, "tcp", 1, 2),
        packet(DESK, OFFICE, "tcp", fragment=True),
    ):
        assert says(found, one) == "maybe"
    assert says(found, packet(OFFICE, DESK)) == "no"
    assert found.refusal == "group `DESK` is undefined"


def test_the_word_icmp_in_a_group_is_open_in_an_ipv6_list() -> None:
    members = group("DESK", "service", ServiceMatch(1), ServiceMatch(6))
    found = space(line("permit", SERVICES, version=6), members, family="ipv6")
    assert says(found, packet("2001:db8::1", "2001:db8::2", "icmpv6", 128)) == "maybe"
    assert says(found, packet("2001:db8::1", "2001:db8::2", "tcp", 1, 2)) == "yes"


def test_ports_without_a_protocol_ask_for_one_that_has_ports() -> None:
    found = space(line("permit", "ip", destination_ports="53"))
    for protocol in ("tcp", "udp", "sctp"):
        assert says(found, packet(DESK, OFFICE, protocol, 1, 53)) == "yes"
        assert says(found, packet(DESK, OFFICE, protocol, fragment=True)) == "yes"
    assert says(found, packet(DESK, OFFICE, "esp")) == says(found, packet(DESK, OFFICE, "esp", fragment=True)) == "no"


def test_what_is_missing_in_a_group_of_protocols_may_be_any_protocol() -> None:
    protocols = GroupReference("QUAYS", "protocol")
    found = space(line("permit", protocols), group("QUAYS", "protocol", None, Ranges.single(6)))
    for number, expected in ((0, "maybe"), (6, "yes"), (17, "maybe"), (255, "maybe")):
        assert says(found, packet(DESK, OFFICE, number)) == expected


def test_types_of_the_word_icmp_in_an_ipv6_list_are_all_open() -> None:
    echo = group("DESK", "service", ServiceMatch(1, icmp=Ranges.of((2048, 2303))), ServiceMatch(6))
    found = space(line("permit", SERVICES, version=6), echo, family="ipv6")
    for numbers in ((0, 0), (128, 0), (255, 255)):
        assert says(found, packet("2001:db8::1", "2001:db8::2", "icmpv6", *numbers)) == "maybe"
    assert {box.icmp for box in found.may if box.icmp is not None} == {Ranges.of((0, 65535))}


@pytest.mark.parametrize("action", ["permit", "deny"])
def test_the_fragments_of_a_line_with_groups_are_contested_as_those_of_one_without(action: Any) -> None:
    web, known = GroupReference("WEB", "port"), group("WEB", "port", Ranges.single(443))
    desks, members = GroupReference("PIERS", "address"), group("PIERS", "address", DESKS)
    grouped = space(line(action, "tcp", desks, destination_ports=web), known, members)
    plain = space(line(action, "tcp", "10.1.20.0/24", destination_ports="443"))
    assert (grouped.contested, grouped.readings) == (plain.contested, plain.readings)
    assert bool(grouped.contested) == (action == "permit")
    assert space(line(action, "tcp", desks), members).contested is None


def test_the_fragments_of_a_service_group_of_which_a_member_is_missing_are_contested() -> None:
    web = ServiceMatch(6, None, Ranges.single(443))
    found = space(line("permit", SERVICES), group("DESK", "service", web, None))
    assert found.contested is not None
    assert [str(box.protocols) for box in found.contested] == [str(Ranges.single(6))]
    # Impossible criteria and services without layer 4 contest nothing.
    for one in (ServiceMatch(6, None, Ranges(())), ServiceMatch(17)):
        assert space(line("permit", SERVICES), group("DESK", "service", one, None)).contested is None
    assert space(line("deny", SERVICES), group("DESK", "service", web, None)).contested is None


@pytest.mark.parametrize("part", ["source_ports", "destination_ports"])
def test_a_port_group_that_is_undefined_may_be_any_port(part: str) -> None:
    found = space(line("permit", "udp", **{part: GroupReference("WEB", "port")}))
    for number in (0, 1, 65535):
        assert says(found, packet(DESK, OFFICE, "udp", number, number)) == "maybe"


def test_an_icmp_group_that_is_undefined_may_be_any_type() -> None:
    found = space(line("permit", "icmp", icmp=GroupReference("PINGS", "icmp-type")))
    for numbers in ((0, 0), (8, 0), (255, 255)):
        assert says(found, packet(DESK, OFFICE, "icmp", *numbers)) == "maybe"
