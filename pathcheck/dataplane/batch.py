"""Many concrete packets against one list at once, with arrays of bits.

Each field of a packet selects, from a small table, the lines that the field
allows, as one bit a line; the bits of all fields combined are the lines that
match, and the lowest bit is the first match. Addresses are looked up byte by
byte, so that any wildcard mask fits.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pathcheck.dataplane.compiled_list import CompiledList, compiled_list, list_doubts
from pathcheck.dataplane.first_match import NEIGHBOUR_DISCOVERY
from pathcheck.model.access_list import Action, Family
from pathcheck.model.device import Device
from pathcheck.packet.address import WIDTH
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.ranges import Ranges
from pathcheck.results.path import Doubt, LineUse, Reading

__all__ = ["Decision", "decide_batch"]

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Decision:
    """What a list decides about one packet.

    Parameters
    ----------
    action
        None where it is uncertain.
    use
        The first line that matches for certain, or the end of the list.
    index
        That line's place among the lines of the list, from 0; None for the end.
    doubts
        The lines that may match and would decide otherwise; not empty exactly where `action` is None.
    readings
        The assumptions that the decision rests on.
    """

    action: Action | None
    use: LineUse
    index: int | None
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()


def decide_batch(device: Device, family: Family, list_name: str, packets: Sequence[Packet]) -> list[Decision]:
    """Decide each of many packets by one list.

    Parameters
    ----------
    device
        Holds the list, its groups and the assumptions.
    family
        `ipv4` or `ipv6`; the packets are of that IP version.
    list_name
        The list may be undefined.

    Returns
    -------
    list
        One decision a packet, in their order. Decisions that are alike are one object.

    Raises
    ------
    ValueError
        A packet is of the other IP version.
    """
    compiled = compiled_list(device, family, list_name)
    for packet in packets:
        if packet.source.version != compiled.version:
            raise ValueError(f"an IPv{packet.version} packet meets no `{family}` list")
    if not packets:
        return []
    return _rows(device, compiled).decide(packets)


_kept: deque[tuple[Device, CompiledList, _Rows]] = deque(maxlen=8)
"""The tables of the last lists that were asked, for callers that ask in small batches."""


def _rows(device: Device, compiled: CompiledList) -> _Rows:
    """Return the tables of a list, made once while they are kept."""
    for kept_device, kept_list, rows in _kept:
        if kept_device is device and kept_list is compiled:
            return rows
    made = _Rows(device, compiled)
    _kept.append((device, compiled, made))
    return made


_BLOCK_BYTES = 1 << 20
"""Size of the bits that are worked on at a time: within the reach of a processor's cache."""


class _Rows:
    """The boxes of all lines, each a bit, with the tables that tell which bits a field's value leaves."""

    def __init__(self, device: Device, compiled: CompiledList) -> None:
        self.device = device
        self.compiled = compiled
        boxes: list[Box] = []
        # Per bit: the line, and what the bit means for it.
        lines: list[int] = []
        certain: list[bool] = []
        contested: list[bool] = []
        for index in range(len(compiled.lines)):
            space = compiled.line(index)
            kinds = [(space.must, True, False)]
            if space.may is not space.must:
                kinds.append((space.may, False, False))
            if space.contested is not None:
                kinds.append((space.contested, False, True))
            # What is passed over stands before what decides, so that the lowest certain bit has all of it before it.
            for criteria, is_certain, is_contested in reversed(kinds):
                for box in criteria:
                    boxes.append(box)
                    lines.append(index)
                    certain.append(is_certain)
                    contested.append(is_contested)
        if compiled.version == 6 and compiled.lines:
            boxes.append(NEIGHBOUR_DISCOVERY)
            lines.append(len(compiled.lines))
            certain.append(True)
            contested.append(False)
        self.lines = lines
        self.contested = contested
        self.words = max(1, -(-len(boxes) // 64))
        self.certain_bits = _bits(np.array(certain, dtype=bool), self.words)
        self.all_certain = all(certain)
        self.fields = _fields(boxes, compiled.version, self.words)
        self.scope_doubts = list_doubts(device, compiled.family, compiled.name)
        self._known: dict[tuple[int, tuple[int, ...]], Decision] = {}

    def decide(self, packets: Sequence[Packet]) -> list[Decision]:
        """Decide packets, a block at a time."""
        columns = [field.column(packets) for field in self.fields]
        size = max(64, _BLOCK_BYTES // (8 * self.words))
        decisions: list[Decision] = []
        for start in range(0, len(packets), size):
            decisions.extend(self._block([column[start : start + size] for column in columns], start, packets))
        return decisions

    def _block(self, columns: list[Array], start: int, packets: Sequence[Packet]) -> list[Decision]:
        """Decide the packets of one block."""
        count = min(len(columns[0]), len(packets) - start)
        hits = np.empty((count, self.words), dtype=np.uint64)
        some = np.empty_like(hits)
        self.fields[0].table.take(columns[0], axis=0, out=hits)
        for field, column in zip(self.fields[1:], columns[1:], strict=True):
            field.table.take(column, axis=0, out=some)
            np.bitwise_and(hits, some, out=hits)
        first = _lowest(hits if self.all_certain else hits & self.certain_bits)
        if self.all_certain:
            return [self._decision(bit, ()) for bit in first.tolist()]
        decided = []
        before = hits & ~self.certain_bits & _below(first, self.words)
        passed: list[bool] = np.any(before, axis=1).tolist()
        for row, (bit, has_passed) in enumerate(zip(first.tolist(), passed, strict=True)):
            decided.append(self._decision(bit, _set_bits(before[row]) if has_passed else ()))
        return decided

    def _decision(self, bit: int, passed: tuple[int, ...]) -> Decision:
        """Return the decision of a bit, -1 for the end, with the bits of what was passed over before it."""
        found = self._known.get((bit, passed))
        if found is None:
            found = self._known[bit, passed] = self._make(bit, passed)
        return found

    def _make(self, bit: int, passed: tuple[int, ...]) -> Decision:
        """Work out one kind of decision."""
        compiled, assume = self.compiled, self.device.assume
        index = self.lines[bit] if bit >= 0 else None
        readings: list[Reading] = []
        possible: list[tuple[Action | None, tuple[Doubt, ...]]] = [(None, self.scope_doubts)]
        for other in passed:
            space, line = compiled.line(self.lines[other]), compiled.lines[self.lines[other]]
            if self.contested[other]:
                readings.extend(space.readings)
            else:
                possible.append((line.action, space.doubts))
        if index is not None and index < len(compiled.lines):
            line = compiled.lines[index]
            assert line.action is not None
            action = line.action
            use = LineUse(compiled.name, action.value, line.span.words, line.span)
        else:
            discovery, index = index is not None, None
            if not compiled.lines:
                permits = assume.undefined_list == "permits-all"
                state = "undefined" if compiled.access_list is None else "empty"
                readings.append(Reading("undefined_list", assume.undefined_list, f"{state} list `{compiled.name}`"))
            else:
                permits = discovery and assume.ipv6_end == "neighbour-discovery"
                if discovery:
                    readings.append(Reading("ipv6_end", assume.ipv6_end, f"list `{compiled.name}`"))
                if assume.undefined_list == "permits-all":
                    # A device that refuses each of the lines has an empty list, and that permits.
                    possible.append((Action.PERMIT, compiled.refusals()))
            action = Action.PERMIT if permits else Action.DENY
            use = LineUse(compiled.name, action.value, f"implicit {action.value}")
        doubts = tuple(dict.fromkeys(doubt for other, found in possible if other is not action for doubt in found))
        return Decision(None if doubts else action, use, index, doubts, tuple(dict.fromkeys(readings)))


@dataclass(frozen=True, slots=True)
class _Field:
    """A field of a packet: how its column is got, and a row of bits for each value.

    `table` has one row a value and one column a word of 64 lines.
    """

    column: Callable[[Sequence[Packet]], Array]
    table: Array


def _fields(boxes: list[Box], version: int, words: int) -> list[_Field]:
    """Return the fields that tell the boxes apart, with their tables."""
    fields = [_kind_field(boxes, words)]
    columns = _AddressColumns(version)
    for end in ("source", "destination"):
        matches = [getattr(box, end) for box in boxes]
        for place in range(WIDTH[version] // 8):
            shift = WIDTH[version] - 8 - 8 * place
            care = np.array([match.care >> shift & 255 for match in matches], dtype=np.uint8)
            if care.any():
                value = np.array([match.value >> shift & 255 for match in matches], dtype=np.uint8)
                each = np.arange(256, dtype=np.uint8)[:, None]
                fields.append(_Field(columns.byte(end, place), _bits((each & care) == value, words)))
    for limits, get in (
        ([box.source_ports for box in boxes], lambda packet: packet.source_port),
        ([box.destination_ports for box in boxes], lambda packet: packet.destination_port),
        ([box.icmp for box in boxes], lambda packet: packet.icmp_type << 8 | packet.icmp_code),
        ([box.dscp for box in boxes], lambda packet: packet.dscp),
    ):
        if any(limit is not None for limit in limits):
            fields.append(_number_field(limits, get, words))
    if any(box.flags is not None for box in boxes):
        allowed = np.ones((256, len(boxes)), dtype=bool)
        octets = np.arange(256)
        for bit, box in enumerate(boxes):
            if box.flags is not None:
                matched = [(octets & care) == value for care, value in box.flags.cubes]
                allowed[:, bit] = np.logical_or.reduce(matched) if matched else False
        fields.append(_Field(lambda packets: np.array([packet.flags for packet in packets]), _bits(allowed, words)))
    return fields


def _kind_field(boxes: list[Box], words: int) -> _Field:
    """Return the field of protocol and fragment together: `protocol * 2 + fragment`."""
    allowed = np.zeros((256, 2, len(boxes)), dtype=bool)
    for bit, box in enumerate(boxes):
        whole, fragment = box.fragment is not True, box.fragment is not False and not box.names_layer4
        for low, high in box.effective_protocols().spans:
            allowed[low : high + 1, 0, bit] = whole
            allowed[low : high + 1, 1, bit] = fragment
    return _Field(
        lambda packets: np.array([packet.protocol << 1 | packet.fragment for packet in packets]),
        _bits(allowed.reshape(512, len(boxes)), words),
    )


def _number_field(limits: list[Ranges | None], get: Callable[[Packet], int], words: int) -> _Field:
    """Return the field of a number: values between the edges of all limits share a row."""
    edges = sorted({0, *(edge for limit in limits if limit for low, high in limit.spans for edge in (low, high + 1))})
    row = {edge: place for place, edge in enumerate(edges)}
    allowed = np.zeros((len(edges), len(limits)), dtype=bool)
    for bit, limit in enumerate(limits):
        if limit is None:
            allowed[:, bit] = True
            continue
        for low, high in limit.spans:
            allowed[row[low] : row[high + 1], bit] = True
    bounds = np.array(edges)

    def column(packets: Sequence[Packet]) -> Array:
        """Return the row of each packet's number."""
        numbers = np.array([get(packet) for packet in packets])
        return np.searchsorted(bounds, numbers, side="right") - 1

    return _Field(column, _bits(allowed, words))


class _AddressColumns:
    """The bytes of both ends of packets, taken out once for all that ask."""

    def __init__(self, version: int) -> None:
        self._octets = WIDTH[version] // 8
        self._of: Sequence[Packet] | None = None
        self._bytes: dict[str, Array] = {}

    def byte(self, end: str, place: int) -> Callable[[Sequence[Packet]], Array]:
        """Return what takes one byte of one end; byte 0 is the first of the address as written."""

        def column(packets: Sequence[Packet]) -> Array:
            if self._of is not packets:
                self._of, self._bytes = packets, {}
            if end not in self._bytes:
                self._bytes[end] = self._take(packets, end)
            return self._bytes[end][:, place]

        return column

    def _take(self, packets: Sequence[Packet], end: str) -> Array:
        """Return an array of one row a packet and one column a byte."""
        if end == "source":
            values = [packet.source.value for packet in packets]
        else:
            values = [packet.destination.value for packet in packets]
        if self._octets == 4:
            return np.array(values, dtype=">u4").view(np.uint8).reshape(-1, 4)
        halves = np.array([(value >> 64, value & 0xFFFFFFFFFFFFFFFF) for value in values], dtype=">u8")
        return halves.view(np.uint8).reshape(-1, 16)


def _bits(allowed: Array, words: int) -> Array:
    """Pack truth values along the last axis into words of 64; the first one is the lowest bit of the first word."""
    packed = np.packbits(allowed, axis=-1, bitorder="little")
    padded = np.zeros((*packed.shape[:-1], words * 8), dtype=np.uint8)
    padded[..., : packed.shape[-1]] = packed
    return padded.view("<u8").astype(np.uint64, copy=False)


def _lowest(hits: Array) -> Array:
    """Return the place of the lowest bit of each row, -1 where none is set."""
    filled = hits != 0
    word = filled.argmax(axis=1)
    value = hits[np.arange(len(hits)), word]
    place = np.bitwise_count((value & (~value + np.uint64(1))) - np.uint64(1)).astype(np.int64)
    return np.where(value != 0, word * 64 + place, -1)


def _below(first: Array, words: int) -> Array:
    """Return for each row all bits below a place, all bits for -1."""
    edge = np.where(first < 0, words * 64, first)[:, None] - np.arange(words) * 64
    clipped = np.clip(edge, 0, 64).astype(np.uint64)
    partial = (np.uint64(1) << np.minimum(clipped, np.uint64(63))) - np.uint64(1)
    return np.where(clipped >= 64, ~np.uint64(0), partial)


def _set_bits(row: Array) -> tuple[int, ...]:
    """Return the places of the bits of one row."""
    places = []
    for word, value in enumerate(row.tolist()):
        while value:
            low = value & -value
            places.append(word * 64 + low.bit_length() - 1)
            value ^= low
    return tuple(places)
