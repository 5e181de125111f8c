"""The review of lists against the definitions, computed a second way: one set of packets per line, no arrays."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from pathcheck.dataplane.list_space import line_boxes
from pathcheck.model.access_list import AccessList, Action, Line
from pathcheck.model.device import Device
from pathcheck.packet.address import Address
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ESTABLISHED, FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.packetset.box_table import FRAGMENT, WHOLE
from pathcheck.queries.line_review.crossing_lines import find_crossing_lines, find_exceptions
from pathcheck.queries.line_review.dead_lines import find_dead_lines
from pathcheck.queries.line_review.redundant_lines import find_redundant_lines
from pathcheck.queries.line_review.reviewed_list import ReviewedList
from pathcheck.source import Span

# Few values that overlap in many ways, so that short lists shadow, cross and repeat.
ENDS = [
    AddressMatch.any(4),
    *(AddressMatch.wildcard(Address.parse("10.0.0.0"), Address.parse(mask)) for mask in
      ("0.0.0.0", "0.0.0.1", "0.0.0.3", "0.0.0.2", "0.0.0.254")),
    AddressMatch.host(Address.parse("10.0.0.1")),
    AddressMatch.host(Address.parse("10.0.0.2")),
]  # fmt: skip
PORTS = [
    None,
    Ranges.single(80),
    Ranges.of((80, 90)),
    Ranges.of((0, 79), (81, 65535)),
    Ranges.of((85, 100)),
    Ranges(()),
]


@st.composite
def lines(draw: st.DrawFn, number: int) -> Line:
    protocol = draw(st.sampled_from([None, 6, 6, 17, 1]))
    ports = protocol in (6, 17)
    fragments = draw(st.integers(0, 9)) == 0
    return Line(
        number,
        draw(st.sampled_from(list(Action))),
        protocol,
        draw(st.sampled_from(ENDS)),
        draw(st.sampled_from(ENDS)),
        draw(st.sampled_from([None, None, *PORTS])) if ports else None,
        draw(st.sampled_from(PORTS)) if ports else None,
        flags=draw(st.sampled_from([None, None, ESTABLISHED, FlagMatch.of((2, 2))])) if protocol == 6 else None,
        dscp=draw(st.sampled_from([None, None, None, Ranges.single(0)])),
        fragments=fragments,
        span=Span("list", number, f"line {number}"),
    )


@st.composite
def reviewed_lists(draw: st.DrawFn) -> ReviewedList:
    count = draw(st.integers(1, 9))
    entries = tuple(draw(lines(10 * place + 10)) for place in range(count))
    span = Span("list", 1, "")
    access_list = AccessList("quay", "ipv4", False, entries, span=span)
    reviewed = ReviewedList(Device("core", access_lists={("ipv4", "quay"): access_list}), access_list)
    reviewed.is_long = draw(st.booleans())  # long lists are looked at all at once first, which must change nothing
    return reviewed


def spaces(reviewed: ReviewedList) -> list[PacketSet]:
    space = packet_space(4)
    return [space.of_boxes(line_boxes(reviewed.device, line, "ipv4")) for line in reviewed.lines]


def decisions(reviewed: ReviewedList, without: set[int]) -> tuple[PacketSet, PacketSet]:
    """What written lines permit and what they deny."""
    space = packet_space(4)
    rest, result = space.full, {Action.PERMIT: space.empty, Action.DENY: space.empty}
    for index, (line, held) in enumerate(zip(reviewed.lines, spaces(reviewed), strict=True)):
        if index not in without:
            result[line.action] |= held & rest
            rest -= held
    return result[Action.PERMIT], result[Action.DENY]


def whole_packets() -> PacketSet:
    from dataclasses import replace

    from pathcheck.packet.box import Box

    return packet_space(4).of(replace(Box.everything(4), fragment=False))


@settings(deadline=None)
@given(reviewed_lists())
def test_dead_lines_are_those_of_the_definition(reviewed: ReviewedList) -> None:
    dead = find_dead_lines(reviewed, lambda _: None)
    held = spaces(reviewed)
    space = packet_space(4)
    before = space.empty
    other_first: dict[int, PacketSet] = {}
    for index, line in enumerate(reviewed.lines):
        permitted, denied = decisions(reviewed, set(range(index, len(reviewed.lines))))
        other_first[index] = held[index] & (permitted if line.action is Action.DENY else denied)
        judged = held[index] & whole_packets() if reviewed.names_layer4(index) else held[index]
        same_earlier = any(
            held[other] == held[index] and reviewed.lines[other].action is line.action for other in range(index)
        )
        found = dead.found.get(index)
        if held[index].is_empty:
            assert found is not None and found.code == "PC106"
        elif found is not None and found.code == "PC105":
            assert same_earlier
        elif judged <= before and not (other_first[index] & judged).is_empty:
            assert found is not None and found.code == "PC101"
            assert found.fragments_pass == (not held[index] <= before)
            assert found.sample in judged and found.sample in other_first[index]
        elif held[index] <= before:
            assert found is not None and found.code == "PC102"
        else:
            assert found is None
            witness = dead.witnesses[index]
            assert witness in held[index] and witness not in before
        before |= held[index]


@settings(deadline=None)
@given(reviewed_lists())
def test_all_reported_lines_can_be_removed_together_and_none_is_missed(reviewed: ReviewedList) -> None:
    dead = find_dead_lines(reviewed, lambda _: None)
    redundant = find_redundant_lines(reviewed, dead, lambda _: None)
    removed = {*dead.found, *redundant}
    aside = packet_space(4).empty
    for index, found in dead.found.items():
        if found.fragments_pass:
            aside |= spaces(reviewed)[index] - whole_packets()
    full = decisions(reviewed, set())
    assert [part - aside for part in decisions(reviewed, removed)] == [part - aside for part in full]
    for index in range(len(reviewed.lines)):
        alone = decisions(reviewed, {index}) == full
        if index in redundant:
            assert alone
        elif index not in dead.found and alone:
            # It could go by itself, but not together with the others that were found.
            left = [part - aside for part in decisions(reviewed, removed | {index})]
            assert left != [part - aside for part in full]


@settings(deadline=None)
@given(reviewed_lists())
def test_each_cause_is_smallest(reviewed: ReviewedList) -> None:
    dead = find_dead_lines(reviewed, lambda _: None)
    held = spaces(reviewed)
    for index, found in dead.found.items():
        judged = held[index] & whole_packets() if found.fragments_pass else held[index]
        if reviewed.names_layer4(index) and found.code == "PC101":
            judged = held[index] & whole_packets()

        def explains(causes: set[int], index: int = index, judged: PacketSet = judged, code: str = found.code) -> bool:
            without = set(range(len(held))) - causes
            permitted, denied = decisions(reviewed, without)
            own = permitted if reviewed.lines[index].action is Action.PERMIT else denied
            return judged <= permitted | denied and (code != "PC101" or not judged <= own)

        if found.code in ("PC101", "PC102"):
            causes = set(found.because)
            assert explains(causes)
            assert not any(explains(causes - {one}) for one in causes)


@settings(deadline=None)
@given(reviewed_lists())
def test_crossing_lines_and_exceptions_are_those_of_the_definition(reviewed: ReviewedList) -> None:
    dead = find_dead_lines(reviewed, lambda _: None)
    crossing = find_crossing_lines(reviewed, dead, lambda _: None)
    exceptions = find_exceptions(reviewed, dead)
    held = spaces(reviewed)

    def judged(one: int, other: int) -> tuple[PacketSet, PacketSet]:
        if reviewed.names_layer4(one) and reviewed.names_layer4(other):
            return held[one] & whole_packets(), held[other] & whole_packets()
        return held[one], held[other]

    for index in dead.witnesses:
        pairs = 0
        deciding = False
        for earlier in (other for other in dead.witnesses if other < index):
            if reviewed.lines[earlier].action is not reviewed.lines[index].action:
                mine, theirs = judged(index, earlier)
                if not (mine & theirs).is_empty and not mine <= theirs and not theirs <= mine:
                    pairs += 1
                    first = mine & theirs
                    for still in range(earlier):
                        first -= held[still]
                    deciding |= not first.is_empty
        found = crossing.shown.get(index)
        assert (found is not None) == deciding
        if found is not None:
            assert found.pairs == pairs and found.sample in held[index] & held[found.earlier]
        later = [
            other
            for other in dead.witnesses
            if other > index and reviewed.lines[other].action is not reviewed.lines[index].action
        ]
        wider = [other for other in later if judged(index, other)[0] <= judged(index, other)[1]]
        assert exceptions.get(index) == (min(wider) if wider else None)


def test_worlds_are_marks_of_their_own() -> None:
    assert WHOLE & FRAGMENT == 0
