"""One list in the form in which it is reviewed: rows of bounds, by line and by action."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from pathcheck.dataplane.list_space import LineSpace, line_space
from pathcheck.evaluator.lines_by_address import LinesByAddress
from pathcheck.model.access_list import AccessList, Action, Line, UnreadLine
from pathcheck.model.device import Device
from pathcheck.packet.address import IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, BoxTable, Product, Row
from pathcheck.packetset.columns import columns_of
from pathcheck.packetset.cover import Covered, CoverSearch
from pathcheck.packetset.row_bits import RowBits, set_bits

__all__ = ["ReviewedList"]

Array = NDArray[Any]

PERMITS, DENIES, UNKNOWN = 0, 1, 2
"""What a row does with its packets; UNKNOWN for the rows of a line that may or may not match."""


_LONG = 48
"""Rows from which a look at all of them at once is faster than one by one."""
_MOST_AHEAD = 128
"""Rows that are looked at ahead together, at most."""
_MOST_KEPT = 8_000_000
"""Numbers of rows that are kept between passes, 8 bytes each."""
_ENTRY = 48
"""What keeping an answer takes beside its numbers, counted as such."""


class ReviewedList:
    """A list with its lines as rows.

    Lines are meant by their index, 0-based, in the order in which they act. A line that may match less
    than it says has rows too, but they count neither as deciding nor as judged.

    Parameters
    ----------
    device
        The device that defines the list.
    access_list
        One with at least one line.
    """

    def __init__(self, device: Device, access_list: AccessList) -> None:
        self.device = device
        self.access_list = access_list
        self.lines: tuple[Line | UnreadLine, ...] = access_list.lines
        self.version: IPVersion = 4 if access_list.family == "ipv4" else 6
        self.spaces: Sequence[LineSpace] = _Spaces(device, access_list)
        self.certain: list[bool] = []
        self._names_layer4: list[bool] = []
        self.table = BoxTable(self.version, self._products(), f"list `{access_list.name}` of `{device.name}`")
        self.searching = CoverSearch(self.table)
        self.is_long = len(self.table) >= _LONG
        """Whether all rows are looked at together first."""

        self._kept: dict[tuple[int, int, int], tuple[Row, Array]] = {}
        self._room = _MOST_KEPT
        self._ahead: dict[tuple[int, int, int], Array] = {}
        owners = self.table.owners
        edges = np.searchsorted(owners, np.arange(len(self.lines) + 1))
        self.first_row: list[int] = edges[:-1].tolist()
        self.end_row: list[int] = edges[1:].tolist()
        does = [
            UNKNOWN if not certain else PERMITS if line.action is Action.PERMIT else DENIES
            for line, certain in zip(self.lines, self.certain, strict=True)
        ]
        self.does: Array = np.array(does, dtype=np.int8)[owners] if len(owners) else np.zeros(0, dtype=np.int8)
        self.decides: Array = self.does != UNKNOWN
        """Rows of lines that match exactly what they say."""

        self.row_names_layer4: Array = np.array(self._names_layer4, dtype=bool)[owners]
        self.row_count: Array = edges[1:] - edges[:-1]
        """How many rows each line has."""

    def _products(self) -> Iterator[Product]:
        """Yield the rows of each line as factors, and note what is asked of lines later: the rest is not kept."""
        for index, (line, space) in enumerate(zip(self.lines, self.spaces, strict=True)):
            self.certain.append(not space.doubts)
            self._names_layer4.append(
                isinstance(line, Line)
                and (line.names_layer4 or any(service.names_layer4 for service in space.may.services))
            )
            yield index, space.may.sources, space.may.destinations, space.may.services

    @cached_property
    def bits(self) -> RowBits:
        """How its rows relate to others, all at once."""
        return RowBits(self.table)

    @cached_property
    def by_address(self) -> LinesByAddress:
        """Its lines, for the evaluator."""
        return LinesByAddress(self.lines)

    def names_layer4(self, line: int) -> bool:
        """Whether the line, its groups expanded, limits ports, flags or ICMP type and code."""
        return self._names_layer4[line]

    def parts(self, line: int, worlds: int = WHOLE | FRAGMENT) -> Iterator[tuple[Row, int]]:
        """Yield each row of the line with each world that it has packets in, non-fragments first."""
        for world in (WHOLE, FRAGMENT):
            if worlds & world:
                for index in range(self.first_row[line], self.end_row[line]):
                    row = self.table.rows[index]
                    if row.worlds & world:
                        yield row, world

    def before(self, line: int, row: Row, world: int, active: Array) -> Array:
        """Return the active rows of earlier lines that share packets with a row of the line."""
        found = self._overlapping(row, 0, self.first_row[line], world)
        return found[active[found]]

    def after(self, line: int, row: Row, world: int, active: Array) -> Array:
        """Return the active rows of later lines that share packets with a row of the line."""
        found = self._overlapping(row, self.end_row[line], len(self.table), world)
        return found[active[found]]

    def look_ahead(self, lines: list[int], *, after: bool) -> None:
        """Find for all rows of some lines at once which rows overlap them; the answers are kept until the next call.

        Parameters
        ----------
        lines
            A few that are looked at next.
        after
            Whether the rows of later lines are wanted too.
        """
        rows = self.rows_of(lines)
        found: dict[tuple[int, int, int], list[Array]] = {}
        none = np.zeros(0, dtype=np.int64)
        self._ahead = {}
        if not 0 < len(rows) <= _MOST_AHEAD:
            return
        asked = np.arange(len(rows))
        edges = [(self.first_row[line], self.end_row[line]) for line in self.table.owners[rows].tolist()]
        for tile in self.bits.tiles(columns_of(self.table).take(rows)):
            if not after and tile.start >= rows[-1]:
                break
            for world, strings in zip((WHOLE, FRAGMENT), tile.both("overlaps", asked), strict=True):
                for place, index in enumerate(rows.tolist()):
                    row = self.table.rows[index]
                    if row.worlds & world:
                        met = tile.start + set_bits(strings[place])
                        before, behind = np.searchsorted(met, edges[place])
                        found.setdefault((id(row), 0, world), [none]).append(met[:before])
                        if after:
                            found.setdefault((id(row), edges[place][1], world), [none]).append(met[behind:])
        self._ahead = {key: np.concatenate(parts) for key, parts in found.items()}

    def _overlapping(self, row: Row, start: int, stop: int, world: int) -> Array:
        """Ask the table, and keep the answer while there is room: several passes ask the same."""
        key = (id(row), start, world)
        ahead = self._ahead.get(key)
        if ahead is not None:
            return ahead
        kept = self._kept.get(key)
        if kept is not None:
            return kept[1]
        found = self.table.overlapping(row, start, stop, world)
        self._room -= len(found) + _ENTRY
        if self._room > 0:
            self._kept[key] = row, found  # with the row, so that no other row can get its identity
        return found

    def shares(self, line: int, rows: Array) -> Array:
        """Return how much of a line each of some rows can hold, as logarithms: for ranking, not for counting."""
        return self.table.shares(self.table.rows[self.first_row[line]], rows)

    def lines_of(self, rows: Array | tuple[int, ...]) -> list[int]:
        """Return the lines that rows belong to, each once, in order."""
        return sorted(set(self.table.owners[np.asarray(rows, dtype=np.int64)].tolist()))

    def rows_of(self, lines: list[int]) -> Array:
        """Return the rows of lines, in order."""
        if not lines:
            return np.zeros(0, dtype=np.int64)
        return np.concatenate([np.arange(self.first_row[line], self.end_row[line]) for line in sorted(lines)])

    def search(self, row: Row, among: Array, world: int, *, tried: bool = False) -> Packet | Covered:
        """Ask whether rows cover a row; see :meth:`pathcheck.packetset.cover.CoverSearch.search`."""
        return self.searching.search(row, among, world, tried=tried)


class _Spaces(Sequence[LineSpace]):
    """What the lines of a list match, worked out when it is asked for: in a long list it takes more than its rows."""

    def __init__(self, device: Device, access_list: AccessList) -> None:
        self._device, self._list = device, access_list
        self._last: tuple[int, LineSpace] | None = None

    def __len__(self) -> int:
        return len(self._list.lines)

    @overload
    def __getitem__(self, index: int) -> LineSpace: ...

    @overload
    def __getitem__(self, index: slice) -> list[LineSpace]: ...

    def __getitem__(self, index: int | slice) -> LineSpace | list[LineSpace]:
        if isinstance(index, slice):
            return [self[place] for place in range(*index.indices(len(self)))]
        # The members of one line's groups are asked about one after the other.
        if self._last is None or self._last[0] != index:
            self._last = index, line_space(self._device, self._list.lines[index], self._list.family)
        return self._last[1]
