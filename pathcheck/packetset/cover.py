"""Whether rows together hold each packet of a row, with the packet that they miss.

Four steps, the cheap ones first. A usual point of the row that no other row holds
is a witness; one row that holds all settles it; then more points are tried. What is
left is proved, and there too a witness leads: the next packet that nothing subtracted so
far holds is looked up among the rows, and the largest row that holds it is subtracted,
so only the rows that are needed are ever looked at. A few rows are subtracted as they
are, part by part; where that leaves many parts, diagrams take over.

The random numbers are a fixed sequence: the same input gives the same witness.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet
from pathcheck.packet.protocol import ICMP, ICMPV6, TCP, UDP
from pathcheck.packet.tcp_flags import SYN
from pathcheck.packetset.box_table import BoxTable, Points, Row, box_of, difference, intersection, points_of

__all__ = ["CoverSearch", "Covered"]

Array = NDArray[Any]

_SINGLE = 4
"""Points tried one by one: one of them is a witness for most lines."""
_TRIES = (32, 256)
"""Points tried together before a proof, in rounds."""
_MOST_PARTS = 256
"""Parts of a row that are held one by one before diagrams take over."""
_WORD = (1 << 64) - 1
_USUAL_ICMP: tuple[tuple[int, ...], ...] = ((), (), (), (0,))
_USUAL: tuple[tuple[int, ...], ...] = ((TCP, UDP), (49152,), (443, 80), (0,))
"""What a field of ordinary traffic looks like, by interval of a row: protocol, two words of layer 4, DSCP."""


@dataclass(frozen=True, slots=True)
class Covered:
    """The row has no packet outside; `rows` are enough to hold all of it (not always the fewest)."""

    rows: tuple[int, ...]


class CoverSearch:
    """Asks whether rows of one table cover a row.

    Parameters
    ----------
    table
        Rows of one IP version.
    """

    def __init__(self, table: BoxTable) -> None:
        self._table = table
        self._numbers = np.random.default_rng(20260101).integers(0, 1 << 63, size=1 << 15, dtype=np.uint64)
        self._next = 0
        self.proofs = 0

    def search(self, row: Row, among: Array, world: int, *, tried: bool = False) -> Packet | Covered:
        """Return a packet of the row and the world that no row `among` holds, or the proof that there is none.

        Parameters
        ----------
        row
            Need not be of the table; must have packets in the world.
        among
            Indices of rows that overlap it in the world, in order (others do no harm).
        world
            WHOLE or FRAGMENT.
        tried
            Single points of the row were tried before: the row is likely to be covered.
        """
        table = self._table
        if not tried or not len(among):
            usual = self.usual_point(row)
            if not len(among) or not table.holds_any(usual, 0, among, world):
                return usual.packet(0, table.version, world)
        holders = table.covering(row, among, world)
        if len(holders):
            return Covered((int(holders[0]),))
        if not tried:
            points = self.points(row, _SINGLE)
            for index in range(_SINGLE):
                if not table.holds_any(points, index, among, world):
                    return points.packet(index, table.version, world)
        for tries in _TRIES:
            points = self.points(row, tries)
            free = np.flatnonzero(~table.holding(points, among, world).any(axis=1))
            if len(free):
                return points.packet(int(free[0]), table.version, world)
        found = self._taken_apart(row, among, world)
        return self._prove(row, among, world) if found is None else found

    def usual_point(self, row: Row) -> Points:
        """Return one point of the row, as much like real traffic as the row allows."""
        wide = self._table.version == 6
        words: list[Array] = []
        for value, care in row.addresses:
            address = _usual_address(wide, value, care)
            if wide:
                words += [np.array([address >> 64], dtype=np.uint64), np.array([address & _WORD], dtype=np.uint64)]
            else:
                words.append(np.array([address], dtype=np.uint32))
        icmp = row.intervals[0] in ((ICMP, ICMP), (ICMPV6, ICMPV6))
        numbers = [
            next((number for number in usual if low <= number <= high), low)
            for (low, high), usual in zip(row.intervals, _USUAL_ICMP if icmp else _USUAL, strict=True)
        ]
        protocol, first, second, dscp = (np.array([number], dtype=np.int32) for number in numbers)
        care, value = row.flags
        flags = np.array([value | (SYN & ~care if not value else 0)], dtype=np.uint8)
        return Points(tuple(words), (protocol, first, second, dscp), flags)

    def points(self, row: Row, count: int) -> Points:
        """Return `count` points of the row: random ones, the last its far corner."""
        words: list[Array] = []
        wide = self._table.version == 6
        for value, care in row.addresses:
            for shift in (64, 0) if wide else (0,):
                mask = _WORD if wide else (1 << 32) - 1
                fixed, free = value >> shift & mask, ~(care >> shift) & mask
                numbers = self._random(count)
                column: Array = numbers << np.uint64(1) if wide else numbers >> np.uint64(31)
                column = (column & np.uint64(free)) | np.uint64(fixed)
                column[-1] = fixed | free
                words.append(column if wide else column.astype(np.uint32))
        intervals: list[Array] = []
        for low, high in row.intervals:
            if low == high:
                intervals.append(np.full(count, low, dtype=np.int32))
                continue
            span = (self._random(count) % np.uint64(high - low + 1)).astype(np.int32) + np.int32(low)
            span[-1] = high
            intervals.append(span)
        care, value = row.flags
        flags = (self._random(count).astype(np.uint8) & np.uint8(~care & 255)) | np.uint8(value)
        return Points(tuple(words), (intervals[0], intervals[1], intervals[2], intervals[3]), flags)

    def _random(self, count: int) -> Array:
        """The next numbers of the fixed sequence, from its start again when it ends."""
        if self._next + count > len(self._numbers):
            self._next = 0
        self._next += count
        return self._numbers[self._next - count : self._next].copy()

    def _taken_apart(self, row: Row, among: Array, world: int) -> Packet | Covered | None:
        """Take rows away from the row until nothing or a witness is left; None where that leaves too many parts."""
        table = self._table
        sizes = table.shares(row, among)
        parts, used = [row], []
        while parts:
            point = self.usual_point(parts[-1])
            candidates = np.flatnonzero(table.holding(point, among, world)[0])
            if not len(candidates):
                return point.packet(0, table.version, world)
            best = int(among[candidates[np.argmax(sizes[candidates])]])
            parts = [left for part in parts for left in difference(part, table.rows[best], world)]
            used.append(best)
            if len(parts) > _MOST_PARTS:
                return None
        return Covered(tuple(sorted(used)))

    def _prove(self, row: Row, among: Array, world: int) -> Packet | Covered:
        """Subtract the rows that are needed, one witness at a time, until nothing or a true witness is left."""
        from pathcheck.packetset.algebra import packet_space  # what needs no proof needs no diagrams

        self.proofs += 1
        table = self._table
        space = packet_space(table.version)
        rest = space.of(box_of(row, table.version, world))
        sizes = table.shares(row, among)
        used: list[int] = []
        while (witness := rest.sample()) is not None:
            holders = table.holding(points_of([witness], table.version), among, world)[0]
            candidates = np.flatnonzero(holders)
            if not len(candidates):
                return witness
            best = int(among[candidates[np.argmax(sizes[candidates])]])
            part = intersection(table.rows[best], row)
            if part is None:  # the witness lies in both, so they share it
                raise AssertionError("a row that holds the witness does not meet the row it was sought in")
            rest -= space.of(box_of(part, table.version, world))
            used.append(best)
        return Covered(tuple(sorted(used)))


def _usual_address(wide: bool, value: int, care: int) -> int:
    """An address of a row: a documentation address where all are free, else the one after the lowest."""
    if care == 0:
        return _DOCUMENTATION[wide]
    free = ~care & ((1 << 128) - 1 if wide else (1 << 32) - 1)
    return value | (free & -free)


_DOCUMENTATION = (Address.parse("198.51.100.1").value, Address.parse("2001:db8::1").value)
"""RFC 5737 section 3 and RFC 3849 section 2: addresses that name no real station."""
