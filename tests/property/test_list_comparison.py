"""Two lists held against each other: against plain packet sets, packet by packet, and under each reading of doubts."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import assume, given, settings
from hypothesis import strategies as st
from model_builders import span
from strategies import list_devices, list_lines, packets

from pathcheck.dataplane.first_match import filter_packets
from pathcheck.errors import CapacityError, UsageError
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import AccessList, Action, Line, Remark
from pathcheck.model.device import Device
from pathcheck.packet.address import IPVersion
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.queries.list_comparison import MOST, compare_lists
from pathcheck.queries.list_difference import Difference, ListSide, list_difference
from pathcheck.results.comparison import ListComparison

VERSIONS: list[IPVersion] = [4, 6]


@st.composite
def pairs(draw: st.DrawFn, *, doubts: bool) -> tuple[ListSide, ListSide]:
    """A list and another that is it with lines taken out, put in, turned or moved; of one device."""
    version = draw(st.sampled_from(VERSIONS))
    device = draw(list_devices(version, doubts=doubts, most=7))
    lists = list(device.access_lists.values())
    assume(lists)
    (first,) = lists
    entries = list(first.lines)
    for _ in range(draw(st.integers(0, 3))):
        place = draw(st.integers(0, max(0, len(entries) - 1)))
        change = draw(st.sampled_from(["out", "in", "turn", "move"]))
        if change == "in":
            entries.insert(place, draw(list_lines(version, 5, doubts)))
        elif entries and change == "out":
            del entries[place]
        elif entries and change == "move":
            entries.insert(draw(st.integers(0, len(entries) - 1)), entries.pop(place))
        elif entries and isinstance(entries[place], Line):
            line = entries[place]
            assert isinstance(line, Line)
            other = Action.DENY if line.action is Action.PERMIT else Action.PERMIT
            entries[place] = replace(line, action=other)
    second = AccessList("B", first.family, False, tuple(entries), span=span("B"))
    if draw(st.booleans()):
        device = replace(device, unmodelled=())
    both = replace(device, access_lists={**device.access_lists, (first.family, "B"): second})
    return ListSide(both, first), ListSide(both, second)


def decided(side: ListSide, action: Action | None) -> PacketSet:
    space = packet_space(4 if side.family == "ipv4" else 6)
    parts = filter_packets(side.device, side.family, side.name, space.full)
    return space.union(part.packets for part in parts if part.action is action)


@settings(deadline=None, max_examples=40)
@given(pairs(doubts=False))
def test_without_doubts_it_is_the_difference_of_what_both_permit(pair: tuple[ListSide, ListSide]) -> None:
    before, after = pair
    assume(not before.device.unmodelled)
    found = list_difference(before, after)
    assert found.opened == decided(before, Action.DENY) & decided(after, Action.PERMIT)
    assert found.closed == decided(before, Action.PERMIT) & decided(after, Action.DENY)
    assert found.uncertain.is_empty


@settings(deadline=None, max_examples=40)
@given(pairs(doubts=True))
def test_with_doubts_nothing_certain_is_called_open_and_nothing_open_equal(pair: tuple[ListSide, ListSide]) -> None:
    before, after = pair
    found = list_difference(before, after)
    sure = [decided(side, Action.PERMIT) for side in pair], [decided(side, Action.DENY) for side in pair]
    (permits, permits_after), (denies, denies_after) = sure
    assert denies & permits_after <= found.opened
    assert permits & denies_after <= found.closed
    assert found.uncertain.isdisjoint(permits & permits_after | denies & denies_after)
    back = list_difference(after, before)
    assert (back.opened, back.closed, back.uncertain) == (found.closed, found.opened, found.uncertain)


@settings(deadline=None, max_examples=40)
@given(pairs(doubts=True), st.data())
def test_whatever_doubtful_lines_match_the_answer_holds(pair: tuple[ListSide, ListSide], data: st.DataObject) -> None:
    """Each line of which it is not known whether it acts is taken to act or not, the same line in both lists alike."""
    device = replace(pair[0].device, unmodelled=())
    before, after = (ListSide(device, side.access_list) for side in pair)
    timed = [
        line
        for side in (before, after)
        for line in side.access_list.lines
        if isinstance(line, Line) and line.doubt is not None
    ]
    choices = {id(line): data.draw(st.booleans()) for line in timed}
    assume(choices)

    def settled(side: ListSide) -> ListSide:
        lines = [line for line in side.access_list.lines if choices.get(id(line), True)]
        entries = [replace(line, doubt=None) if id(line) in choices else line for line in lines]  # type: ignore[arg-type]
        # A line that no packet matches keeps a list whose lines were all taken out from being an empty one.
        return ListSide(device, replace(side.access_list, entries=(*entries, idle_line(side))))

    found = list_difference(
        ListSide(device, replace(before.access_list, entries=(*before.access_list.lines, idle_line(before)))),
        ListSide(device, replace(after.access_list, entries=(*after.access_list.lines, idle_line(after)))),
    )
    concrete = list_difference(settled(before), settled(after))
    assert concrete.opened <= found.opened | found.uncertain
    assert concrete.closed <= found.closed | found.uncertain
    assert found.opened <= concrete.opened | concrete.uncertain
    assert found.closed <= concrete.closed | concrete.uncertain


def idle_line(side: ListSide) -> Line:
    from pathcheck.packet.ranges import Ranges
    from pathcheck.packet.wildcard import AddressMatch

    everything = AddressMatch.any(4 if side.family == "ipv4" else 6)
    return Line(9999, Action.DENY, 6, everything, everything, Ranges(()), span=span("deny"))


@settings(deadline=None, max_examples=40)
@given(list_devices(4) | list_devices(6))
def test_a_list_is_equal_to_itself(device: Device) -> None:
    for access_list in device.access_lists.values():
        found = compare_lists(ListSide(device, access_list), ListSide(device, access_list))
        assert found.is_equal


@settings(deadline=None, max_examples=40)
@given(list_devices(4, doubts=False) | list_devices(6, doubts=False))
def test_numbers_remarks_and_logging_do_not_count(device: Device) -> None:
    for access_list in device.access_lists.values():
        entries = [
            replace(line, sequence=3 * place + 1, log="log")
            for place, line in enumerate(access_list.lines)
            if isinstance(line, Line)
        ]
        other = replace(access_list, name="B", entries=(Remark("quay", span=span()), *entries))
        both = replace(device, access_lists={**device.access_lists, (other.family, "B"): other})
        assert compare_lists(ListSide(both, access_list), ListSide(both, other)).is_equal


@settings(deadline=None, max_examples=40)
@given(pairs(doubts=True), st.data())
def test_regions_are_the_difference_and_the_evaluator_agrees_on_each_packet(
    pair: tuple[ListSide, ListSide], data: st.DataObject
) -> None:
    before, after = pair
    found = list_difference(before, after)
    try:
        answer = compare_lists(before, after)
    except CapacityError:
        # More rows than anybody reads are refused, never cut in silence, and only where there are so many.
        assert any(len(part.boxes(MOST + 1)) > MOST for part in (found.opened, found.closed, found.uncertain))
        return
    space = packet_space(4 if before.family == "ipv4" else 6)
    for kind in ("opened", "closed", "uncertain"):
        items = getattr(answer, kind)
        assert space.of_boxes(item.region.box for item in items) == getattr(found, kind)
        assert all(item.region.sample in space.of(item.region.box) for item in items)
        assert all(bool(item.doubts) == (kind == "uncertain") for item in items if kind != "uncertain" or item.doubts)
    for packet in data.draw(st.lists(packets(space.version), min_size=1, max_size=5)):
        actions = [evaluate_list(side.device, side.family, side.name, packet).action for side in pair]
        if None in actions:
            # One doubtful line that both lists have may leave both open and yet alike.
            continue
        assert is_in(packet, answer, "opened") == (actions == [Action.DENY, Action.PERMIT])
        assert is_in(packet, answer, "closed") == (actions == [Action.PERMIT, Action.DENY])
        assert not is_in(packet, answer, "uncertain")


def is_in(packet: object, answer: ListComparison, kind: str) -> bool:
    return any(packet in item.region.box for item in getattr(answer, kind))


def test_lists_of_two_families_do_not_compare() -> None:
    import pytest
    from model_builders import access_list, device, line

    from pathcheck.queries.list_comparison import compare_named
    from pathcheck.queries.named_list import FoundLists

    four, six = access_list("A", line("permit")), access_list("B", line("permit", version=6), family="ipv6")
    quay = device("quay-a", four, six)
    with pytest.raises(UsageError, match="IPv6"):
        compare_named(FoundLists(quay, (four,)), FoundLists(quay, (six,)))
    with pytest.raises(ValueError, match="ipv6"):
        list_difference(ListSide(quay, four), ListSide(quay, six))


def test_the_difference_is_a_value() -> None:
    empty = packet_space(4).empty
    assert Difference(empty, empty, empty).is_empty
