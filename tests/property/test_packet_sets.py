"""Sets of packets against lists of packets: `packet in box` is the judge, and it knows nothing of diagrams."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_packet_spaces import every_packet, small_boxes, small_space
from strategies import boxes, packets

from pathcheck.packet.address import IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.tcp_flags import ACK
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, PacketSpace, packet_space

VERSIONS: tuple[IPVersion, ...] = (4, 6)
both_versions = pytest.mark.parametrize("version", VERSIONS)
Expression = list[tuple[str, Box]]


def expressions(some_boxes: st.SearchStrategy[Box]) -> st.SearchStrategy[Expression]:
    """A first box and what is done to it, one box after the other."""
    return st.lists(st.tuples(st.sampled_from("|||&--~"), some_boxes), min_size=1, max_size=5)


def evaluate(space: PacketSpace, expression: Expression) -> PacketSet:
    result = space.empty
    for operation, box in expression:
        other = space.of(box)
        match operation:
            case "|":
                result = result | other
            case "&":
                result = (result | ~other) & other
            case "-":
                result = result - other
            case "~":
                result = ~(result & other)
    return result


def judge(expression: Expression, packet: Packet) -> bool:
    result = False
    for operation, box in expression:
        other = packet in box
        match operation:
            case "|":
                result = result or other
            case "&":
                result = (result or not other) and other
            case "-":
                result = result and not other
            case "~":
                result = not (result and other)
    return result


def any_version(make: Callable[[IPVersion], st.SearchStrategy[Box]]) -> st.SearchStrategy[tuple[IPVersion, Expression]]:
    return st.sampled_from(VERSIONS).flatmap(lambda version: st.tuples(st.just(version), expressions(make(version))))


def members(space: PacketSpace, packets: Sequence[Packet], packet_set: PacketSet) -> frozenset[Packet]:
    return frozenset(packet for packet in packets if packet in packet_set)


@both_versions
def test_universe_is_every_packet(version: IPVersion) -> None:
    space, listed = small_space(version), every_packet(version)
    assert len(set(listed)) == space.full.count()
    assert members(space, listed, space.full) == set(listed)
    assert space.union(space.of_packet(packet) for packet in listed) == space.full


@settings(max_examples=40, deadline=None)
@given(any_version(small_boxes))
def test_set_has_the_packets_that_the_boxes_say(case: tuple[IPVersion, Expression]) -> None:
    version, expression = case
    space = small_space(version)
    found = evaluate(space, expression)
    expected = {packet for packet in every_packet(version) if judge(expression, packet)}
    assert members(space, every_packet(version), found) == expected
    assert found.count() == len(expected)
    assert found.is_empty == (not expected)
    assert bool(found) == bool(expected)


@settings(max_examples=25, deadline=None)
@given(any_version(small_boxes), st.data())
def test_comparisons_are_about_members(case: tuple[IPVersion, Expression], data: st.DataObject) -> None:
    version, expression = case
    space = small_space(version)
    other_expression = data.draw(expressions(small_boxes(version)))
    one, other = evaluate(space, expression), evaluate(space, other_expression)
    first = {packet for packet in every_packet(version) if judge(expression, packet)}
    second = {packet for packet in every_packet(version) if judge(other_expression, packet)}
    assert (one == other) == (first == second)
    assert (one <= other, one < other, one >= other, one > other) == (
        first <= second,
        first < second,
        first >= second,
        first > second,
    )
    assert one.isdisjoint(other) == first.isdisjoint(second)
    assert one.issubset(other) == first.issubset(second)
    assert members(space, every_packet(version), one ^ other) == first ^ second


@settings(max_examples=80, deadline=None)
@given(any_version(boxes), st.data())
def test_members_of_the_full_layout(case: tuple[IPVersion, Expression], data: st.DataObject) -> None:
    version, expression = case
    space = packet_space(version)
    found = evaluate(space, expression)
    for packet in data.draw(st.lists(packets(version), min_size=1, max_size=8)):
        assert (packet in found) == judge(expression, packet)
        assert (space.of_packet(packet) <= found) == judge(expression, packet)
        assert space.of_packet(packet).count() == 1
        assert space.of_packet(packet).sample() == packet


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(VERSIONS), st.data())
def test_boolean_laws(version: IPVersion, data: st.DataObject) -> None:
    space = packet_space(version)
    a, b, c = (evaluate(space, data.draw(expressions(boxes(version)))) for _ in range(3))
    assert ~~a == a
    assert (a & b, a | b) == (b & a, b | a)
    assert (a & (b & c), a | (b | c)) == ((a & b) & c, (a | b) | c)
    assert (a & (b | c), a | (b & c)) == ((a & b) | (a & c), (a | b) & (a | c))
    assert (~(a & b), ~(a | b)) == (~a | ~b, ~a & ~b)
    assert (a & (a | b), a | (a & b)) == (a, a)
    assert (a & ~a, a | ~a) == (space.empty, space.full)
    assert (a & space.full, a | space.empty, a - space.empty) == (a, a, a)
    assert a - b == a & ~b
    assert a ^ b == (a - b) | (b - a)
    assert (a | b).count() == a.count() + b.count() - (a & b).count()
    assert hash(a | b) == hash(b | a)
    assert space.union([a, b, c]) == a | b | c


@settings(max_examples=40, deadline=None)
@given(any_version(small_boxes))
def test_boxes_are_exactly_the_set_small(case: tuple[IPVersion, Expression]) -> None:
    version, expression = case
    space = small_space(version)
    found = evaluate(space, expression)
    shown = found.boxes()
    assert space.of_boxes(shown) == found
    for place, box in enumerate(shown):
        others = space.of_boxes(shown[:place] + shown[place + 1 :])
        assert not space.of(box) <= others, "a box that could be left out"
    expected = {packet for packet in every_packet(version) if judge(expression, packet)}
    assert {packet for packet in every_packet(version) if any(packet in box for box in shown)} == expected


@settings(max_examples=40, deadline=None)
@given(any_version(boxes), st.data())
def test_blocks_are_exactly_the_set_and_what_they_may_hold(
    case: tuple[IPVersion, Expression], data: st.DataObject
) -> None:
    version, expression = case
    space = packet_space(version)
    found = evaluate(space, expression) & space.of(expression[0][1])
    free = evaluate(space, data.draw(expressions(boxes(version)))) - found
    blocks = found.blocks(free=free)
    assert found <= space.union(held for _, held in blocks) <= found | free
    assert (blocks == []) == found.is_empty
    left = found
    for block, held in blocks:
        assert not left.isdisjoint(held)
        anywhere = block.box.source
        ends = [
            space.of_boxes(Box(AddressMatch.prefix(prefix), anywhere) for prefix in block.sources),
            space.of_boxes(Box(anywhere, AddressMatch.prefix(prefix)) for prefix in block.destinations),
        ]
        told = space.of(block.box) & ends[0] & ends[1]
        assert told <= found | free
        # Only prefixes of which nothing is wanted any more are left away.
        assert left.isdisjoint(held - told)
        left -= told
    assert left.is_empty


@settings(max_examples=60, deadline=None)
@given(any_version(boxes), st.integers(0, 3))
def test_boxes_are_exactly_the_set(case: tuple[IPVersion, Expression], limit: int) -> None:
    version, expression = case
    space = packet_space(version)
    found = evaluate(space, expression)
    some = found.boxes(limit)
    assert len(some) <= limit
    assert space.of_boxes(some) <= found
    assert bool(some) == bool(found and limit)
    # Complements of hosts need hundreds of prefixes: take a part of the set whose boxes are few.
    narrow = found & space.of(expression[0][1])
    shown = narrow.boxes()
    assert space.of_boxes(shown) == narrow


@settings(max_examples=60, deadline=None)
@given(any_version(boxes), st.data())
def test_sample_is_a_member_and_repeatable(case: tuple[IPVersion, Expression], data: st.DataObject) -> None:
    version, expression = case
    space = packet_space(version)
    found = evaluate(space, expression)
    wishes = [space.of(box) for box in data.draw(st.lists(boxes(version), max_size=3))]
    sample = found.sample(wishes)
    assert (sample is None) == found.is_empty
    if sample is None:
        return
    left = found
    for wish in wishes:
        left = left & wish or left
    assert sample in left
    assert left.sample() == sample
    assert space.of_boxes([Box.everything(version)]).sample() == space.full.sample()


def answer(packet: Packet) -> Packet | None:
    """The reply of one packet, in plain words of the design."""
    echo, echo_reply, icmp = (8, 0, 1) if packet.version == 4 else (128, 129, 58)
    if packet.protocol in (1, 58):
        if packet.protocol != icmp or packet.fragment or packet.icmp_type != echo:
            return None
        return replace(packet.swapped(), icmp_type=echo_reply)
    if packet.protocol == 6 and not packet.fragment:
        return replace(packet.swapped(), flags=packet.flags | ACK)
    return packet.swapped()


@settings(max_examples=25, deadline=None)
@given(any_version(small_boxes))
def test_reply_is_the_replies_of_the_members(case: tuple[IPVersion, Expression]) -> None:
    version, expression = case
    space = small_space(version)
    replies = {answer(packet) for packet in every_packet(version) if judge(expression, packet)} - {None}
    found = evaluate(space, expression).reply()
    assert members(space, every_packet(version), found) == replies
    assert found.count() == len(replies)


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(VERSIONS).flatmap(packets))
def test_reply_of_one_packet(packet: Packet) -> None:
    space = packet_space(packet.version)
    expected = answer(packet)
    assert space.of_packet(packet).reply() == (space.of_packet(expected) if expected else space.empty)
