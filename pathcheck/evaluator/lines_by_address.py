"""The lines of a long list that a packet's addresses leave, without going through all the others."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pathcheck.model.access_list import Line, UnreadLine
from pathcheck.packet.packet import Packet
from pathcheck.packet.wildcard import AddressMatch

__all__ = ["LinesByAddress"]

Bits = tuple[int, int]
"""A number for the source and one for the destination."""


class LinesByAddress:
    """The lines of one list, by the address bits that they compare and by what these bits must be.

    Lines repeat few masks: for each pair of them, one look-up says which lines a packet's addresses fit. Lines that
    name a group, or that could not be read, are always among those that are left.

    Parameters
    ----------
    lines
        In the order in which they act.
    """

    def __init__(self, lines: Sequence[Line | UnreadLine]) -> None:
        self._lines = lines
        self._other: list[int] = []
        self._by_care: dict[Bits, dict[Bits, list[int]]] = {}
        for place, line in enumerate(lines):
            if (
                isinstance(line, Line)
                and isinstance(line.source, AddressMatch)
                and isinstance(line.destination, AddressMatch)
            ):
                fitting = self._by_care.setdefault((line.source.care, line.destination.care), {})
                fitting.setdefault((line.source.value, line.destination.value), []).append(place)
            else:
                self._other.append(place)

    def fitting(self, packet: Packet) -> Iterator[Line | UnreadLine]:
        """Yield the lines whose addresses fit those of a packet, in the order in which they act."""
        source, destination = packet.source.value, packet.destination.value
        places = list(self._other)
        for (care, to_care), fitting in self._by_care.items():
            places += fitting.get((source & care, destination & to_care), ())
        return (self._lines[place] for place in sorted(places))
