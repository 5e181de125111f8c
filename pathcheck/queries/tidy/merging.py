"""Neighbouring prefixes and port ranges of two lines made one line.

Two lines become one if they say the same of everything but one field, and both
values of that field together are one value: two halves of a prefix, two ranges of
ports without a gap. One of the two moves to the other's place, so it may not cross
a line that shares packets with it and decides or logs them in another way.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from typing import Any

from pathcheck.dataplane.list_space import line_space
from pathcheck.model.access_list import Line, UnreadLine
from pathcheck.model.object_group import GroupReference
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.box_table import Row, intersection, rows_of
from pathcheck.queries.line_review.reviewed_list import Array, ReviewedList
from pathcheck.queries.tidy.parts import Part

__all__ = ["FIELDS", "merge_neighbours"]

FIELDS = ("source_ports", "destination_ports", "source", "destination")


def merge_neighbours(reviewed: ReviewedList, parts: list[Part]) -> list[Part]:
    """Return the lines with neighbours merged, as far as one pass finds them.

    Parameters
    ----------
    reviewed
        The lines of `parts`.
    """
    merging = _Merging(reviewed, parts)
    for field in FIELDS:
        merging.merge_by(field)
    return [part for index, part in enumerate(merging.parts) if index not in merging.gone]


class _Merging:
    """One pass over the lines."""

    def __init__(self, reviewed: ReviewedList, parts: list[Part]) -> None:
        self.reviewed = reviewed
        self.parts = list(parts)
        self.gone: set[int] = set()
        # Lines that have grown in this pass, in order, with their rows as they are now.
        self.grown: list[int] = []
        self.rows: dict[int, list[Row]] = {}

    def merge_by(self, field: str) -> None:
        """Merge lines that differ in one field alone."""
        alike: defaultdict[object, list[int]] = defaultdict(list)
        for index, part in enumerate(self.parts):
            if index not in self.gone and self.reviewed.certain[index] and _is_plain(part.line):
                assert isinstance(part.line, Line)
                alike[_everything_but(part.line, field)].append(index)
        for members in alike.values():
            if len(members) > 1:
                pairs = _neighbouring_ports if field.endswith("ports") else _halves
                changed = True
                while changed:
                    changed = False
                    for first, second in pairs(self._values(members, field)):
                        if first not in self.gone and second not in self.gone and self._merge(first, second, field):
                            changed = True

    def _values(self, members: list[int], field: str) -> list[tuple[int, object]]:
        """The value of a field in each line that is left."""
        return [(index, getattr(self.parts[index].line, field)) for index in members if index not in self.gone]

    def _merge(self, one: int, other: int, field: str) -> bool:
        """Merge two lines if one of them may move to the place of the other."""
        first, second = sorted((one, other))
        line, later = self.parts[first].line, self.parts[second].line
        assert isinstance(line, Line)
        assert isinstance(later, Line)
        merged = _union(getattr(line, field), getattr(later, field))
        if merged is None:
            return False
        if self._may_cross(second, first, second):
            place, moved = first, second
        elif self._may_cross(first, first, second):
            place, moved = second, first
        else:
            return False
        base, taken = self.parts[place], self.parts[moved]
        assert isinstance(base.line, Line)
        value: dict[str, Any] = {field: merged}
        grown = replace(base.line, **value)
        self.parts[place] = Part(grown, base.origin, (*base.taken, taken.origin, *taken.taken))
        self.gone.add(moved)
        self.rows[place] = [
            row
            for box in line_space(self.reviewed.device, grown, self.reviewed.access_list.family).boxes
            for row in rows_of(box)
        ]
        if place not in self.grown:
            insort(self.grown, place)
        return True

    def _may_cross(self, moving: int, first: int, last: int) -> bool:
        """Whether a line may be moved from one place to another, past the lines between the two."""
        if last - first < 2:
            return True
        line = self.parts[moving].line
        assert isinstance(line, Line)
        for row in self._rows_of(moving):
            for world in (1, 2):
                if row.worlds & world:
                    start, stop = self.reviewed.end_row[first], self.reviewed.first_row[last]
                    found = self.reviewed.table.overlapping(row, start, stop, world)
                    if any(self._differs(line, index) for index in self._owners(found)):
                        return False
        for index in self.grown[bisect_right(self.grown, first) :]:
            if index >= last:
                break
            if index not in self.gone and self._differs(line, index):
                pairs = product(self._rows_of(moving), self.rows[index])
                if any(intersection(row, other) is not None for row, other in pairs):
                    return False
        return True

    def _owners(self, rows: Array) -> set[int]:
        """The lines of rows that have neither gone nor grown."""
        return {int(self.reviewed.table.owners[row]) for row in rows} - self.gone - self.rows.keys()

    def _differs(self, line: Line, index: int) -> bool:
        """Whether another line decides or logs packets in another way, or may do so."""
        other = self.parts[index].line
        if not isinstance(other, Line) or not self.reviewed.certain[index]:
            return True
        return other.action is not line.action or other.log != line.log

    def _rows_of(self, index: int) -> list[Row]:
        """The rows of a line as it is now."""
        if index in self.rows:
            return self.rows[index]
        return self.reviewed.table.rows[self.reviewed.first_row[index] : self.reviewed.end_row[index]]


def _is_plain(line: Line | UnreadLine) -> bool:
    """Whether a line names no group: one that does is kept as it is written."""
    if isinstance(line, UnreadLine):
        return False
    named = (line.protocol, line.source, line.destination, line.source_ports, line.destination_ports, line.icmp)
    return not any(isinstance(part, GroupReference) for part in named)


def _everything_but(line: Line, field: str) -> object:
    """What two lines must have alike to differ in one field alone."""
    said = [
        line.action, line.protocol, line.source, line.destination, line.source_ports, line.destination_ports,
        line.icmp, line.flags, line.dscp, line.fragments, line.log, line.options,
    ]  # fmt: skip
    value = getattr(line, field)
    said[("", "", "source", "destination", "source_ports", "destination_ports").index(field)] = None
    kind = value.care if isinstance(value, AddressMatch) else type(value)
    return field, *said, None if isinstance(value, AddressMatch) else kind


def _halves(values: list[tuple[int, object]]) -> Iterator[tuple[int, int]]:
    """Yield pairs of lines whose addresses differ in the lowest bit that counts."""
    places: defaultdict[AddressMatch, list[int]] = defaultdict(list)
    for index, match in values:
        if isinstance(match, AddressMatch):
            places[match].append(index)
    for match, indices in places.items():
        bit = match.care & -match.care
        if bit and match.value & bit:
            partners = places.get(AddressMatch(match.version, match.value ^ bit, match.care), ())
            yield from ((one, other) for one in indices for other in partners)


def _neighbouring_ports(values: list[tuple[int, object]]) -> Iterator[tuple[int, int]]:
    """Yield pairs of lines whose ports are ranges without a gap between them."""
    spans = sorted(
        (*ports.spans[0], index) for index, ports in values if isinstance(ports, Ranges) and len(ports.spans) == 1
    )
    for place, (_, high, index) in enumerate(spans):
        for low, _, other in spans[place + 1 :]:
            if low > high + 1:
                break
            yield index, other


def _union(one: object, other: object) -> AddressMatch | Ranges | None:
    """Both values as one, None where a line cannot say it."""
    if isinstance(one, AddressMatch) and isinstance(other, AddressMatch):
        bit = one.value ^ other.value
        if one.care != other.care or not bit or bit & (bit - 1):
            return None
        merged = AddressMatch(one.version, one.value & ~bit, one.care & ~bit)
        # What is not contiguous can be said with a dotted mask only, and is merged only if it was so before.
        if merged.as_prefix() is None and (one.version == 6 or one.as_prefix() is not None):
            return None
        return merged
    if isinstance(one, Ranges) and isinstance(other, Ranges):
        ports = one | other
        return ports if len(ports.spans) == 1 else None
    return None
