"""Dead members of groups against the definition, by sets of packets."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st
from model_builders import access_list, line, match, ports, span

from pathcheck.dataplane.list_space import line_boxes
from pathcheck.model.access_list import Line
from pathcheck.model.device import Device
from pathcheck.model.object_group import GroupMember, GroupReference, ObjectGroup
from pathcheck.packet.box import Box
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.queries.line_review.dead_lines import find_dead_lines
from pathcheck.queries.line_review.group_members import dead_members
from pathcheck.queries.line_review.reviewed_list import ReviewedList

PIERS = GroupReference("PIERS", "address")
WEB = GroupReference("WEB", "port")
ADDRESSES = ["10.1.20.0/31", "10.1.20.2", "10.1.20.3", "10.1.20.0/30", "10.1.20.0 0.0.0.2"]
NUMBERS = ["80", "443", "80-90", "8080"]


def _group(reference: GroupReference, values: list[object]) -> ObjectGroup:
    members = tuple(GroupMember(value, span=span(str(value), place + 1)) for place, value in enumerate(values))
    return ObjectGroup(reference.name, reference.kind, members, span=span(reference.name))


@st.composite
def reviewed_lists(draw: st.DrawFn) -> ReviewedList:
    entries = []
    for number in range(draw(st.integers(1, 6))):
        fields = {"destination_ports": draw(st.sampled_from([None, WEB, *NUMBERS]))}
        source = draw(st.sampled_from(["any", PIERS, PIERS, *ADDRESSES]))
        action = draw(st.sampled_from(["permit", "deny"]))
        entries.append(line(action, "tcp", source, "any", sequence=100 + number, **fields))
    addresses = draw(st.lists(st.sampled_from(ADDRESSES), min_size=1, max_size=3, unique=True))
    numbers = draw(st.lists(st.sampled_from(NUMBERS), min_size=1, max_size=3, unique=True))
    groups = {
        ("address", "PIERS"): _group(PIERS, [match(text) for text in addresses]),
        ("port", "WEB"): _group(WEB, [ports(text) for text in numbers]),
    }
    found = access_list("QUAY", *entries)
    return ReviewedList(Device("core", access_lists={("ipv4", "QUAY"): found}, groups=groups), found)


def _held(device: Device, entry: Line) -> PacketSet:
    return packet_space(4).of_boxes(line_boxes(device, entry, "ipv4"))


@settings(deadline=None)
@given(reviewed_lists())
def test_dead_members_are_those_of_the_definition(reviewed: ReviewedList) -> None:
    dead = find_dead_lines(reviewed, lambda _: None)
    found = {
        (item.because[0].line, item.message.split("`")[3], item.span.line): item
        for item in dead_members(reviewed, dead)
        if item.span
    }
    space = packet_space(4)
    whole = space.of(replace(Box.everything(4), fragment=False))
    before = {"permit": space.empty, "deny": space.empty}
    expected = set()
    for index, entry in enumerate(reviewed.lines):
        assert isinstance(entry, Line)
        union = before["permit"] | before["deny"]
        other = before["deny" if entry.action == "permit" else "permit"]
        for part, reference in (("source", PIERS), ("destination_ports", WEB)):
            members = reviewed.device.groups[reference.kind, reference.name].members
            if getattr(entry, part) != reference or index not in dead.witnesses or len(members) < 2:
                continue
            for member in members:
                held = _held(reviewed.device, replace(entry, **{part: member.value}))
                judged = held & whole if entry.names_layer4 else held
                if held <= union or (judged <= union and not (judged & other).is_empty):
                    expected.add((entry.span.line, reference.name, member.span.line))
        held = _held(reviewed.device, entry)
        before[entry.action] |= held - union
    assert set(found) == expected
    for item in found.values():
        assert item.sample is None or any(
            reviewed.lines[index].span == cause
            and reviewed.lines[index].action != _action(reviewed, item.because[0].line)
            for cause in item.because[1:]
            for index in range(len(reviewed.lines))
        )


def _action(reviewed: ReviewedList, number: int) -> str:
    return next(str(entry.action) for entry in reviewed.lines if entry.span.line == number)
