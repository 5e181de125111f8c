"""Members of groups that never act in a line whose other members do (PC113).

The line stands for one line per member. Such a line can be dead while the line as
written is not; the group then says more than the list does.
"""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from pathcheck.dataplane.list_space import Criteria, line_space
from pathcheck.errors import InternalFault
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import Line
from pathcheck.model.device import Device
from pathcheck.model.object_group import GroupKind, GroupMember, GroupReference, ObjectGroup
from pathcheck.packet.address import WIDTH, Address
from pathcheck.packet.packet import Packet
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, Row, intersection, points_of, rows_of
from pathcheck.queries.line_review.dead_lines import DeadLines, first_match
from pathcheck.queries.line_review.reviewed_list import DENIES, PERMITS, ReviewedList
from pathcheck.queries.line_review.smallest_cause import smallest
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding

__all__ = ["dead_members", "members_of"]

_PARTS = ("protocol", "source", "destination", "source_ports", "destination_ports", "icmp")


@dataclass(frozen=True, slots=True)
class _Verdict:
    """Why a member is dead: the lines that hold its packets, and one that the other action decides, if there is one."""

    because: tuple[int, ...]
    sample: Packet | None


def members_of(device: Device, reference: GroupReference) -> Iterator[GroupMember]:
    """Yield the plain members of a group and of the groups in it, each once, in order; nothing where there is none."""
    stack, seen = [reference], {(reference.kind, reference.name)}
    while stack:
        current = stack.pop()
        group = device.groups.get((current.kind, current.name))
        inner = []
        for member in group.members if group is not None else ():
            if isinstance(member.value, GroupReference):
                if (member.value.kind, member.value.name) not in seen:
                    seen.add((member.value.kind, member.value.name))
                    inner.append(member.value)
            elif member.value is not None:
                yield member
        stack.extend(reversed(inner))


def dead_members(reviewed: ReviewedList, dead: DeadLines) -> list[Finding]:
    """Return a finding for each member of a group that never acts in an acting line.

    A member whose packets are decided by an earlier line only in part is no finding, nor is one of a line that never
    acts as a whole, nor one of the other IP version.
    """
    found = []
    known = dict(reviewed.device.groups)
    for index in dead.witnesses:
        line = reviewed.lines[index]
        if not isinstance(line, Line):
            continue
        for part in _PARTS:
            reference = getattr(line, part)
            if not isinstance(reference, GroupReference):
                continue
            members = list(members_of(reviewed.device, reference))
            if len(members) < 2:
                continue
            for member in _without_witness(reviewed, index, part, members, dead):
                criteria = _criteria(reviewed, index, part, member, known)
                verdict = None if criteria is None else _judge(reviewed, index, criteria, dead)
                if verdict is not None:
                    found.append(_finding(reviewed, index, reference, member, verdict))
    return found


def _without_witness(
    reviewed: ReviewedList, index: int, part: str, members: list[GroupMember], dead: DeadLines
) -> list[GroupMember]:
    """Return the members for which the line's own witness, moved to the member, does not show that they act.

    A witness stays one of the line if one of its fields becomes another that the group holds.
    """
    witness = dead.witnesses[index]
    moved: list[Packet] = []
    left: list[GroupMember] = []
    tried: list[GroupMember] = []
    for member in members:
        value = member.value
        if part in ("source", "destination") and isinstance(value, AddressMatch) and value.version == reviewed.version:
            moved.append(replace(witness, **{part: Address(value.version, value.value)}))  # type: ignore[arg-type]
        elif part.endswith("_ports") and isinstance(value, Ranges) and value and not witness.fragment:
            moved.append(replace(witness, **{part.removesuffix("s"): value.spans[0][0]}))  # type: ignore[arg-type]
        else:
            left.append(member)
            continue
        tried.append(member)
    if not moved:
        return left
    world = FRAGMENT if witness.fragment else WHOLE
    rows = reviewed.table.overlapping(_freed(witness, part), 0, reviewed.first_row[index], world)
    holding = reviewed.table.holding(points_of(moved, reviewed.version), rows[dead.alive[rows]], world)
    return left + [tried[place] for place in np.flatnonzero(holding.any(axis=1))]


def _freed(packet: Packet, part: str) -> Row:
    """A packet as a row, but for one part that is left free."""
    full = (1 << WIDTH[packet.source.version]) - 1
    ends = [(0, 0) if part == name else (getattr(packet, name).value, full) for name in ("source", "destination")]
    numbers = (packet.protocol, packet.source_port, packet.destination_port or packet.icmp_type << 8 | packet.icmp_code)
    free = {"source_ports": 1, "destination_ports": 2}.get(part)
    protocol, first, second = (
        (0, 65535) if place == free else (number, number) for place, number in enumerate(numbers)
    )
    world = FRAGMENT if packet.fragment else WHOLE
    dscp = (packet.dscp, packet.dscp)
    return Row((ends[0], ends[1]), (protocol, first, second, dscp), (255, packet.flags), world)


def _criteria(
    reviewed: ReviewedList,
    index: int,
    part: str,
    member: GroupMember,
    known: dict[tuple[GroupKind, str], ObjectGroup],
) -> Criteria | None:
    """What a line matches with one member in the place of a group, None where that is not known exactly."""
    whole, value = reviewed.spaces[index].may, member.value
    if part in ("source", "destination"):
        if not isinstance(value, AddressMatch) or value.version != reviewed.version:
            return None
        one = (value,)
        return replace(whole, sources=one) if part == "source" else replace(whole, destinations=one)
    # The line is asked again with a group of this one member, its addresses free because they stay what they are.
    line = reviewed.lines[index]
    reference: GroupReference = getattr(line, part)
    single = GroupReference("one member\n", reference.kind)
    group = ObjectGroup(single.name, single.kind, (member,), span=member.span)
    anywhere = AddressMatch.any(reviewed.version)
    asked = replace(line, source=anywhere, destination=anywhere, **{part: single})  # type: ignore[arg-type]
    device = replace(reviewed.device, groups=ChainMap({(single.kind, single.name): group}, known))
    space = line_space(device, asked, reviewed.access_list.family)
    return None if space.doubts else replace(whole, services=space.may.services)


def _judge(reviewed: ReviewedList, index: int, criteria: Criteria, dead: DeadLines) -> _Verdict | None:
    """Say why a part of a line is decided before it, None where a packet of it gets that far or it has none."""
    rows = [row for box in criteria for row in rows_of(box)]
    if not rows:
        return None
    holders: set[int] = set()
    if not _is_held(reviewed, index, rows, WHOLE, dead, holders):
        return None
    worlds, sample = WHOLE, None
    if any(box.names_layer4 for box in criteria.services):
        # Judged without non-initial fragments, as a line that names layer 4 is.
        sample = _decided_otherwise(reviewed, index, rows, WHOLE, dead)
    if sample is None:
        worlds = WHOLE | FRAGMENT
        if not _is_held(reviewed, index, rows, FRAGMENT, dead, holders):
            return None
        sample = _decided_otherwise(reviewed, index, rows, worlds, dead)

    if sample is not None:
        holders.add(first_match(reviewed, index, sample, dead.alive))

    def explain(lines: list[int]) -> bool:
        among = reviewed.rows_of(lines)
        covered = not any(
            isinstance(reviewed.search(row, among[(reviewed.table.worlds[among] & world) != 0], world), Packet)
            for row, world in _parts(rows, worlds)
        )
        if not covered or sample is None:
            return covered
        return _decided_otherwise(reviewed, index, rows, worlds, dead, lines) is not None

    return _Verdict(tuple(smallest(sorted(holders), explain)), sample)


def _parts(rows: list[Row], worlds: int) -> Iterator[tuple[Row, int]]:
    """Each row with each of the worlds that it has packets in."""
    return ((row, world) for world in (WHOLE, FRAGMENT) if worlds & world for row in rows if row.worlds & world)


def _is_held(
    reviewed: ReviewedList, index: int, rows: list[Row], worlds: int, dead: DeadLines, holders: set[int]
) -> bool:
    """Whether acting earlier lines hold all of the rows; collects lines that do."""
    for row, world in _parts(rows, worlds):
        held = reviewed.search(row, reviewed.before(index, row, world, dead.alive), world)
        if isinstance(held, Packet):
            return False
        holders.update(reviewed.lines_of(held.rows))
    return True


def _decided_otherwise(
    reviewed: ReviewedList,
    index: int,
    rows: list[Row],
    worlds: int,
    dead: DeadLines,
    lines: list[int] | None = None,
) -> Packet | None:
    """Return a packet of the rows that an earlier line, or one of some, decides by the other action."""
    own = DENIES if reviewed.lines[index].action == "deny" else PERMITS
    for row, world in _parts(rows, worlds):
        among = reviewed.before(index, row, world, dead.alive)
        if lines is not None:
            among = among[np.isin(reviewed.table.owners[among], lines)]
        does = reviewed.does[among]
        for place in np.flatnonzero(does != own):
            shared = intersection(row, reviewed.table.rows[among[place]])
            if shared is None or not shared.worlds & world:
                continue
            packet = reviewed.search(shared, among[:place][does[:place] == own], world)
            if isinstance(packet, Packet):
                return packet
    return None


def _finding(
    reviewed: ReviewedList, index: int, reference: GroupReference, member: GroupMember, verdict: _Verdict
) -> Finding:
    """The finding on one member, at the member, with the line that it is dead in and the lines that decide before."""
    line = reviewed.lines[index]
    member_words = str(member.value) if isinstance(member.value, AddressMatch) else member.span.words
    message = (
        f"`{member_words}` of group `{reference.name}` never acts in the line at {line.span}, "
        "whose other members do: lines before it decide each packet"
    )
    if verdict.sample is None:
        verb = "permit" if line.action == "permit" else "deny"
        message += f", and {verb} it as this line would"
        help_text = "take the member out, if no other line needs it in the group"
    elif line.action == "permit":
        message += "; some that the line is meant to let through are blocked"
        help_text = "move the line in front of those that decide before it, or take the member out"
    else:
        message += "; some that the line is meant to stop get through"
        help_text = "move the line in front of those that decide before it, or take the member out"
    if verdict.sample is not None:
        list_name, family = reviewed.access_list.name, reviewed.access_list.family
        decision = evaluate_list(reviewed.device, family, list_name, verdict.sample)
        if decision.action is line.action:
            raise InternalFault(
                f"the review says that `{verdict.sample}` is decided before `{line.span.words}` by the other action, "
                f"the evaluator says {decision.use.action} by `{decision.use.text}`"
            )
    return finding(
        "PC113",
        message,
        span=member.span,
        device=reviewed.device.name,
        acl=reviewed.access_list.name,
        because=(line.span, *(reviewed.lines[other].span for other in verdict.because)),
        sample=verdict.sample,
        help=help_text,
    )
