"""Each line that is not reported has a packet that the evaluator confirms, and planted lines are all found."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import AccessList, Action, Line
from pathcheck.model.device import Device
from pathcheck.packet.address import Address
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.queries.line_review import review_list
from pathcheck.queries.line_review.dead_lines import find_dead_lines
from pathcheck.queries.line_review.redundant_lines import find_redundant_lines
from pathcheck.queries.line_review.reviewed_list import ReviewedList
from pathcheck.queries.tidy import tidy_list
from pathcheck.source import Span


def prefix(draw: random.Random, *, shortest: int = 16, longest: int = 32) -> AddressMatch:
    bits = 32 - draw.randint(shortest, longest)
    address = Address.parse(f"10.{draw.randrange(4)}.{draw.randrange(256)}.{draw.randrange(256)}")
    return AddressMatch.wildcard(address, Address(4, (1 << bits) - 1))


def made_list(seed: int, count: int) -> tuple[AccessList, set[int]]:
    """A list of random lines with dead ones planted between them; returns the places of the planted ones.

    A planted line asks for a part of what one earlier line asks for, or for a
    prefix of which both halves stand earlier.
    """
    draw = random.Random(seed)
    lines: list[Line] = []
    planted: set[int] = set()
    while len(lines) < count:
        place = len(lines)
        chance = draw.random()
        if chance < 0.15 and lines:
            wider = draw.choice(lines)
            assert isinstance(wider.source, AddressMatch)
            low = wider.source.value | draw.randrange(1 << 32) & wider.source.free
            narrow = AddressMatch.host(Address(4, low))
            action = draw.choice(list(Action))
            if wider.names_layer4 and action is Action.PERMIT and wider.action is Action.DENY:
                action = Action.DENY  # else fragments reach it
            lines.append(replace(wider, action=action, source=narrow))
            planted.add(place)
        elif chance < 0.25:
            whole = prefix(draw, longest=31)
            bit = whole.care & -whole.care
            half = bit >> 1 or 1
            halves = [AddressMatch(4, whole.value | choice, whole.care | half) for choice in (0, half)]
            end = prefix(draw)
            action = draw.choice(list(Action))
            lines += [line(Action.DENY, each, end) for each in halves]
            lines.append(line(action, whole, end))
            planted.add(len(lines) - 1)
        else:
            protocol = draw.choice([None, 6, 6, 17])
            ports = Ranges.of((low := draw.randrange(1024), low + draw.randrange(64))) if protocol else None
            lines.append(line(draw.choice(list(Action)), prefix(draw), prefix(draw), protocol, ports))
    numbered = tuple(
        replace(each, sequence=10 * place + 10, span=Span("quay-a.cfg", place + 1, f"line {place}"))
        for place, each in enumerate(lines)
    )
    return AccessList("QUAY-IN", "ipv4", False, numbered, span=Span("quay-a.cfg", 1, "")), planted


def line(
    action: Action, source: AddressMatch, destination: AddressMatch, protocol: int | None = None,
    ports: Ranges | None = None,
) -> Line:  # fmt: skip
    return Line(10, action, protocol, source, destination, None, ports, span=Span("quay-a.cfg", 1, ""))


@pytest.mark.parametrize("seed", range(4))
def test_all_planted_lines_are_found_and_each_other_line_has_a_confirmed_witness(seed: int) -> None:
    access_list, planted = made_list(seed, 300)
    device = Device("quay-a", access_lists={("ipv4", "QUAY-IN"): access_list})
    reviewed = ReviewedList(device, access_list)
    dead = find_dead_lines(reviewed, lambda _: None)
    assert len(planted) > 40
    assert planted <= set(dead.found)
    reported = {item.span.line - 1 for item in review_list(device, access_list) if item.span and item.code != "PC103"}
    assert planted <= reported
    for place in range(len(access_list.lines)):
        if place not in dead.found:
            decision = evaluate_list(device, "ipv4", "QUAY-IN", dead.witnesses[place])
            assert decision.use.span is not None
            assert decision.use.span.line == place + 1


@pytest.mark.parametrize("seed", range(2))
def test_a_redundant_line_moves_no_packet_of_its_own(seed: int) -> None:
    access_list, _ = made_list(seed + 100, 150)
    device = Device("quay-a", access_lists={("ipv4", "QUAY-IN"): access_list})
    reviewed = ReviewedList(device, access_list)
    dead = find_dead_lines(reviewed, lambda _: None)
    redundant = find_redundant_lines(reviewed, dead, lambda _: None)
    gone = {*dead.found, *redundant}
    left = replace(access_list, entries=tuple(e for place, e in enumerate(access_list.entries) if place not in gone))
    other = Device("quay-a", access_lists={("ipv4", "QUAY-IN"): left})
    for place in redundant:
        witness = dead.witnesses[place]
        before, after = (evaluate_list(each, "ipv4", "QUAY-IN", witness) for each in (device, other))
        assert before.action is after.action
        assert after.use.span is not None


def test_tidying_removes_each_planted_line() -> None:
    access_list, planted = made_list(7, 200)
    device = Device("quay-a", access_lists={("ipv4", "QUAY-IN"): access_list})
    result = tidy_list(device, access_list)
    removed = {change.span.line - 1 for change in result.changes}
    assert planted <= removed
    assert len(result.after.lines) <= len(access_list.lines) - len(planted)
