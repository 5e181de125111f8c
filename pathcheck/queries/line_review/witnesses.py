"""A packet for each line that acts, kept as columns: most of them are only compared, never shown."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from pathcheck.packet.address import IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, Points, points_of
from pathcheck.packetset.columns import Columns, points_as_columns
from pathcheck.queries.line_review.reviewed_list import Array

__all__ = ["Witnesses"]


class Witnesses(Mapping[int, Packet]):
    """By line, a packet that reaches the line and is decided by it.

    Parameters
    ----------
    lines
        How many lines the list has.
    version
        The IP version of the list.
    """

    def __init__(self, lines: int, version: IPVersion) -> None:
        self._version = version
        kind, words = (np.uint32, 2) if version == 4 else (np.uint64, 4)
        self._words = tuple(np.zeros(lines, dtype=kind) for _ in range(words))
        self._intervals = tuple(np.zeros(lines, dtype=np.int32) for _ in range(4))
        self._flags: Array = np.zeros(lines, dtype=np.uint8)
        self._worlds: Array = np.zeros(lines, dtype=np.uint8)

    def __getitem__(self, line: int) -> Packet:
        if not 0 <= line < len(self._worlds) or not self._worlds[line]:
            raise KeyError(line)
        return self._points().packet(line, self._version, int(self._worlds[line]))

    def __contains__(self, line: object) -> bool:
        return isinstance(line, int) and 0 <= line < len(self._worlds) and bool(self._worlds[line])

    def __iter__(self) -> Iterator[int]:
        return iter(np.flatnonzero(self._worlds).tolist())

    def __len__(self) -> int:
        return int(np.count_nonzero(self._worlds))

    def lines(self, world: int) -> Array:
        """Return the lines whose packet is of a world, in order."""
        return np.flatnonzero(self._worlds == world)

    def columns(self, lines: Array) -> Columns:
        """Return the packets of some lines, each as a row of its own."""
        return points_as_columns(self._points()).take(lines)

    def add(self, line: int, packet: Packet) -> None:
        """Note the packet of one line."""
        world = FRAGMENT if packet.fragment else WHOLE
        self._put(np.array([line]), points_of([packet], self._version), np.array([0]), world)

    def add_points(self, lines: Array, points: Points, which: Array) -> None:
        """Note packets that are no non-initial fragments, one for each of some lines."""
        self._put(lines, points, which, WHOLE)

    def _put(self, lines: Array, points: Points, which: Array, world: int) -> None:
        for mine, theirs in zip(
            (*self._words, *self._intervals, self._flags),
            (*points.words, *points.intervals, points.flags),
            strict=True,
        ):
            mine[lines] = theirs[which]
        self._worlds[lines] = world

    def _points(self) -> Points:
        protocol, first, second, dscp = self._intervals
        return Points(self._words, (protocol, first, second, dscp), self._flags)
