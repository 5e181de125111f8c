"""Lost exchanges of neighbour discovery against the definition, by sets of packets."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st
from model_builders import access_list, line, match

from pathcheck.dataplane.list_space import line_boxes
from pathcheck.model.access_list import IcmpMatch, Line, ListBinding
from pathcheck.model.device import Device
from pathcheck.model.interface import Interface, InterfaceAddress
from pathcheck.packet.address import Address
from pathcheck.packet.box import Box
from pathcheck.packet.ranges import Ranges
from pathcheck.packetset.algebra import packet_space
from pathcheck.queries.line_review.neighbour_discovery import denied_neighbour_discovery
from pathcheck.queries.line_review.reviewed_list import ReviewedList
from pathcheck.source import Span

SUBNET = "2001:db8:20::/64"
ENDS = [
    "any",
    "any",
    SUBNET,
    "fe80::/10",
    "fe80::/11",
    "fea0::/11",
    "ff02::/16",
    "ff02::1:ff00:0/104",
    "2001:db8:20::1",
]


@st.composite
def lists(draw: st.DrawFn) -> tuple[Line, ...]:
    entries = []
    for number in range(draw(st.integers(1, 5))):
        protocol = draw(st.sampled_from(["ip", "icmpv6", "icmpv6", "tcp"]))
        icmp = draw(st.sampled_from([None, IcmpMatch(135), IcmpMatch(136), IcmpMatch(135, 0)]))
        entries.append(
            line(
                draw(st.sampled_from(["permit", "deny", "deny"])),
                protocol,
                draw(st.sampled_from(ENDS)),
                draw(st.sampled_from(ENDS)),
                version=6,
                sequence=10 * number + 10,
                icmp=icmp if protocol == "icmpv6" else None,
            )
        )
    return tuple(entries)


def _exchange(icmp_type: int, source: str, destinations: list[str]) -> list[Box]:
    whole = Box(match(source, 6), match("any", 6), Ranges.single(58), fragment=False)  # type: ignore[arg-type]
    kind = replace(whole, icmp=Ranges.single(icmp_type << 8))  # RFC 4861 sections 4.3 and 4.4: code 0
    return [replace(kind, destination=match(destination, 6)) for destination in destinations]  # type: ignore[arg-type]


@settings(deadline=None)
@given(lists())
def test_an_exchange_is_lost_if_written_lines_deny_all_of_it(entries: tuple[Line, ...]) -> None:
    span = Span("quay.cfg", 99, "")
    port = Interface(
        "Ethernet1",
        "physical",
        addresses=(InterfaceAddress(Address.parse("2001:db8:20::1"), 64, span=span),),
        bindings=(ListBinding("QUAY", "ipv6", "in", span=span),),
        span=span,
    )
    found = access_list("QUAY", *entries, family="ipv6")
    device = Device("core", access_lists={("ipv6", "QUAY"): found}, interfaces={"Ethernet1": port})
    space = packet_space(6)
    left, denied = space.full, space.empty
    for entry in entries:
        held = space.of_boxes(line_boxes(device, entry, "ipv6"))
        if entry.action == "deny":
            denied |= held & left
        left -= held
    expected = set()
    for source in ("fe80::/10", SUBNET):
        if space.of_boxes(_exchange(135, source, ["ff02::1:ff00:0/104"])) <= denied:
            expected.add(f"solicitations from {source}")
        if space.of_boxes(_exchange(136, source, ["fe80::/10", "ff02::1", "2001:db8:20::1"])) <= denied:
            expected.add(f"advertisements from {source}")
    items = denied_neighbour_discovery(ReviewedList(device, found))
    assert len(items) == bool(expected)
    for item in items:
        assert item.sample is not None
        assert item.sample in denied
        if len(expected) == 4:
            assert "solicitations and advertisements are denied" in item.message
        else:
            assert all(what in item.message for what in expected)
            assert item.message.count(" from ") == len(expected)
