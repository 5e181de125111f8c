"""Verdicts on single lines, and shorter lists, judged by an SMT solver that reads the lines by itself.

The lists have few ends and ports, so that their lines meet often; `test_solver.py` has lists of all kinds.
"""

from __future__ import annotations

import z3
from hypothesis import given, settings
from hypothesis import strategies as st
from solver_encoding import Meaning, lines_of

from pathcheck.model.access_list import AccessList, Action, IcmpMatch, Line
from pathcheck.model.device import Device
from pathcheck.packet.address import Address
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ESTABLISHED, FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.queries.line_review.dead_lines import find_dead_lines
from pathcheck.queries.line_review.reviewed_list import ReviewedList
from pathcheck.queries.tidy import tidy_list
from pathcheck.source import Span

MEANING = Meaning(4)
FRAGMENT, SECOND = MEANING.fragment, MEANING.destination_port


ENDS = [
    AddressMatch.any(4),
    *(AddressMatch.wildcard(Address.parse(address), Address.parse(mask)) for address, mask in (
        ("10.1.20.0", "0.0.0.255"), ("10.1.20.0", "0.0.0.127"), ("10.1.20.128", "0.0.0.127"),
        ("10.1.21.0", "0.0.0.255"), ("10.1.20.7", "0.0.0.0"), ("10.1.20.0", "0.0.1.254"), ("10.1.20.6", "0.0.0.1"))),
]  # fmt: skip
PORTS = [Ranges.of(span) for span in ((80, 80), (81, 90), (0, 79), (70, 1000), (0, 65535))]


@st.composite
def lists(draw: st.DrawFn) -> AccessList:
    entries = []
    for place in range(draw(st.integers(2, 9))):
        protocol = draw(st.sampled_from([None, 6, 6, 6, 17, 1]))
        some_ports = st.none() | st.sampled_from(PORTS) if protocol in (6, 17) else st.none()
        flags = st.sampled_from([None, None, None, ESTABLISHED, FlagMatch.of((2, 2))]) if protocol == 6 else st.none()
        entries.append(
            Line(
                10 * place + 10,
                draw(st.sampled_from(list(Action))),
                protocol,
                draw(st.sampled_from(ENDS)),
                draw(st.sampled_from(ENDS)),
                draw(some_ports),
                draw(some_ports),
                draw(st.sampled_from([None, IcmpMatch(8)])) if protocol == 1 else None,
                draw(flags),
                draw(st.sampled_from([None, None, None, Ranges.of((40, 47))])),
                draw(st.integers(0, 9)) == 0,
                span=Span("quay-a.cfg", place + 1, f"line {place}"),
            )
        )
    return AccessList("QUAY-IN", "ipv4", False, tuple(entries), span=Span("quay-a.cfg", 1, ""))


def on_device(access_list: AccessList) -> Device:
    return Device("quay-a", access_lists={("ipv4", "QUAY-IN"): access_list})


@settings(deadline=None, max_examples=40)
@given(lists())
def test_the_solver_finds_a_packet_for_each_acting_line_and_none_for_each_dead_one(access_list: AccessList) -> None:
    device, lines = on_device(access_list), lines_of(access_list)
    dead = find_dead_lines(ReviewedList(device, access_list), lambda _: None)
    for place in range(len(lines)):
        reaches = MEANING.reaches(device, lines, place)
        found = dead.found.get(place)
        if found is not None and found.fragments_pass:
            assert not MEANING.some_packet(reaches, z3.Not(FRAGMENT))
            assert MEANING.some_packet(reaches, FRAGMENT)
        else:
            assert MEANING.some_packet(reaches) == (found is None)


@settings(deadline=None, max_examples=40)
@given(lists())
def test_the_solver_finds_no_packet_that_a_tidied_list_decides_otherwise(access_list: AccessList) -> None:
    device = on_device(access_list)
    shorter = tidy_list(device, access_list).after
    assert MEANING.is_same(MEANING.permits(device, access_list), MEANING.permits(device, shorter))


def test_the_solver_would_see_a_difference() -> None:
    access_list = AccessList(
        "QUAY-IN", "ipv4", False,
        (Line(10, Action.PERMIT, 6, ENDS[1], ENDS[0], None, PORTS[0], span=Span("quay-a.cfg", 1, "")),),
        span=Span("quay-a.cfg", 1, ""),
    )  # fmt: skip
    permitted = MEANING.permits(on_device(access_list), access_list)
    assert MEANING.some_packet(permitted)
    assert MEANING.some_packet(permitted, FRAGMENT)
    assert not MEANING.some_packet(permitted, SECOND == 443)
