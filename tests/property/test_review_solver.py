"""Verdicts on single lines, and shorter lists, judged by an SMT solver that reads the lines by itself.

A packet is a handful of bit vectors, a line a formula over them, written down from
the meaning of a line and from nothing of the program but the model of the text.
"""

from __future__ import annotations

import z3
from hypothesis import given, settings
from hypothesis import strategies as st

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

SOURCE, DESTINATION = z3.BitVec("source", 32), z3.BitVec("destination", 32)
PROTOCOL, FLAGS, DSCP = z3.BitVec("protocol", 8), z3.BitVec("flags", 8), z3.BitVec("dscp", 6)
FIRST, SECOND = z3.BitVec("first word", 16), z3.BitVec("second word", 16)
FRAGMENT = z3.Bool("fragment")


def one_of(number: z3.BitVecRef, ranges: Ranges) -> z3.BoolRef:
    return z3.Or([z3.And(z3.UGE(number, low), z3.ULE(number, high)) for low, high in ranges.spans])


def has_ports() -> z3.BoolRef:
    return z3.Or(PROTOCOL == 6, PROTOCOL == 17, PROTOCOL == 132)


def exists() -> z3.BoolRef:
    """A field that a packet does not have is 0; no field of layer 4 is in a later fragment."""
    return z3.And(
        z3.Implies(z3.Or(FRAGMENT, z3.Not(has_ports())), FIRST == 0),
        z3.Implies(z3.Or(FRAGMENT, z3.Not(z3.Or(has_ports(), PROTOCOL == 1, PROTOCOL == 58))), SECOND == 0),
        z3.Implies(z3.Or(FRAGMENT, PROTOCOL != 6), FLAGS == 0),
    )


def matches(line: Line) -> z3.BoolRef:
    """What a line says, in the reading of fragments that is the default."""
    assert isinstance(line.source, AddressMatch)
    assert isinstance(line.destination, AddressMatch)
    common = [
        SOURCE & line.source.care == line.source.value,
        DESTINATION & line.destination.care == line.destination.value,
    ]
    if line.protocol is not None:
        assert isinstance(line.protocol, int)
        common.append(line.protocol == PROTOCOL)
    if line.dscp is not None:
        common.append(one_of(DSCP, line.dscp))
    layer4 = []
    possible = True
    for word, ports in ((FIRST, line.source_ports), (SECOND, line.destination_ports)):
        if ports is not None:
            assert isinstance(ports, Ranges)
            layer4 += [has_ports(), one_of(word, ports)]
            possible &= bool(ports)
    if line.icmp is not None:
        assert isinstance(line.icmp, IcmpMatch)
        layer4 += [PROTOCOL == 1, z3.LShR(SECOND, 8) == line.icmp.type]
    if line.flags is not None:
        layer4 += [PROTOCOL == 6, z3.Or([FLAGS & care == value for care, value in line.flags.cubes])]
    if not layer4:
        return z3.And(*common, FRAGMENT if line.fragments else z3.BoolVal(True))
    whole = z3.And(*common, *layer4, z3.Not(FRAGMENT))
    if line.fragments:
        return z3.BoolVal(False)
    if line.action is Action.PERMIT and possible:
        # A later fragment shows no layer 4, and a permit takes it by its addresses and protocol.
        return z3.Or(whole, z3.And(*common, FRAGMENT))
    return whole


def permits(lines: list[Line]) -> z3.BoolRef:
    """Whether the first line that matches permits."""
    answer = z3.BoolVal(False)
    for line in reversed(lines):
        answer = z3.If(matches(line), z3.BoolVal(line.action is Action.PERMIT), answer)
    return answer


def some_packet(*conditions: z3.BoolRef) -> bool:
    solver = z3.Solver()
    solver.add(exists(), *conditions)
    answer = solver.check()
    assert answer != z3.unknown
    return answer == z3.sat


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


def said(access_list: AccessList) -> list[Line]:
    return [line for line in access_list.lines if isinstance(line, Line)]


@settings(deadline=None, max_examples=40)
@given(lists())
def test_the_solver_finds_a_packet_for_each_acting_line_and_none_for_each_dead_one(access_list: AccessList) -> None:
    dead = find_dead_lines(ReviewedList(on_device(access_list), access_list), lambda _: None)
    lines = said(access_list)
    for place, line in enumerate(lines):
        reaches = z3.And(matches(line), *(z3.Not(matches(before)) for before in lines[:place]))
        found = dead.found.get(place)
        if found is not None and found.fragments_pass:
            assert not some_packet(reaches, z3.Not(FRAGMENT))
            assert some_packet(reaches, FRAGMENT)
        else:
            assert some_packet(reaches) == (found is None)


@settings(deadline=None, max_examples=40)
@given(lists())
def test_the_solver_finds_no_packet_that_a_tidied_list_decides_otherwise(access_list: AccessList) -> None:
    shorter = tidy_list(on_device(access_list), access_list).after
    assert not some_packet(permits(said(access_list)) != permits(said(shorter)))


def test_the_solver_would_see_a_difference() -> None:
    access_list = AccessList(
        "QUAY-IN", "ipv4", False,
        (Line(10, Action.PERMIT, 6, ENDS[1], ENDS[0], None, PORTS[0], span=Span("quay-a.cfg", 1, "")),),
        span=Span("quay-a.cfg", 1, ""),
    )  # fmt: skip
    assert some_packet(permits(said(access_list)) != permits([]))
    assert some_packet(permits(said(access_list)), FRAGMENT)
    assert not some_packet(permits(said(access_list)), SECOND == 443)
