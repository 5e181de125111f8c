"""How many rows relate to many others, as bits: 64 rows in one machine word.

A row is a product of fields, so it overlaps another one, or holds it, exactly if each
of its fields does. A list repeats few values in a field. For each value that is asked
for, the rows that relate to it by this one field are a string of bits; the rows that
relate to a whole row are the "and" of its fields' strings.

The table is gone through in tiles, so that the strings stay short however long the list is.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from pathcheck.packetset.address_pairs import Distinct, Kind, distinct, has_gaps, related
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, BoxTable
from pathcheck.packetset.columns import Columns, columns_of
from pathcheck.packetset.row_pairs import RowPairs

__all__ = ["CHUNK", "RowBits", "Tile", "blocks", "first_bits", "set_bits"]

Array = NDArray[Any]

_TILE = 8192
CHUNK = 1024
"""How many are best asked for at once."""
_MOST = 1 << 22
"""Numbers that one step may make, 8 bytes each."""
_BLOCK = 1 << 14
_FEW = 4
"""Up to as many strings are looked at to see whether they tell anything apart."""
_COMPARED = 160
"""Up to as many addresses are compared with each row, which is faster than to look them up."""
_INTERVALS = ("protocol", "first", "second", "dscp")
_NUMBERS = {WHOLE: (*_INTERVALS, "flags"), FRAGMENT: ("protocol", "dscp")}


class RowBits:
    """Asks how the rows of a table relate to others.

    Parameters
    ----------
    table
        Rows of one IP version.
    tile
        Rows of the table that are looked at together.
    pairs
        What is asked first about rows that relate to few others, by default only in a long table.
    """

    def __init__(self, table: BoxTable, *, tile: int = _TILE, pairs: RowPairs | None = None) -> None:
        self._table = table
        self._tile = tile
        self._columns = columns_of(table)
        self.pairs = RowPairs(table) if pairs is None else pairs
        """The same of rows that relate to few others by an address."""

        words = len(table.values) // 2
        self._ends = [
            distinct(
                tuple(table.values[words * end : words * (end + 1)]),
                tuple(table.cares[words * end : words * (end + 1)]),
            )
            for end in (0, 1)
        ]

    def tiles(self, asked: Columns, first: int = 0) -> Iterator[Tile]:
        """Yield the table in parts, in order, each to be asked about some rows or points of the same IP version.

        The strings of one part take memory for each different value that is asked for: ask for some thousands at once.

        Parameters
        ----------
        first
            The row to begin at, one with which a part begins.
        """
        words = len(asked.values) // 2
        ends = [
            _AddressField(
                *self._ends[end],
                *distinct(asked.values[words * end : words * (end + 1)], asked.cares[words * end : words * (end + 1)]),
            )
            for end in (0, 1)
        ]
        own = self._columns
        intervals = [
            _IntervalField(*bounds) for bounds in zip(own.lows, own.highs, asked.lows, asked.highs, strict=True)
        ]
        flags = _FlagField(own.flag_cares, own.flag_values, asked.flag_cares, asked.flag_values)
        fields: dict[str, _Field] = dict(
            zip(("source", "destination", *_INTERVALS, "flags"), (*ends, *intervals, flags), strict=True)
        )
        for start in range(first, len(self._table), self._tile):
            yield Tile(fields, self._table, start, min(start + self._tile, len(self._table)))

    def first(self, kind: Kind, asked: Columns, world: int, begins: Array, stops: Array, among: Array) -> Array:
        """Return for each row that is asked for the first row that relates to it, the table's length if none does.

        Parameters
        ----------
        kind, world
            How, and in which world. Rows that have no packets in the world relate to nothing.
        asked
            Rows or points, best in the order of `begins`.
        begins, stops
            The first row that counts and the first behind that does not, for each that is asked for.
        among
            Which rows of the table count at all.
        """
        none = len(self._table)
        found = np.full(len(asked), none, dtype=np.int64)
        rare = np.zeros(len(asked), dtype=bool)
        for places, rows in self.pairs.pairs(kind, asked, rare):
            keep = np.flatnonzero(among[rows] & (rows >= begins[places]) & (rows < stops[places]))
            places, rows = places[keep], rows[keep]
            keep = np.flatnonzero(self.pairs.relate(kind, world, asked, places, rows))
            np.minimum.at(found, places[keep], rows[keep])
        left = np.flatnonzero(~rare)
        for block in blocks(len(left)):
            which, at = left[block], 0
            while len(which) and at < none:
                which, at = self._first_in_tiles(kind, asked, world, begins, stops, among, which, at, found)
        return found

    def _first_in_tiles(
        self, kind: Kind, asked: Columns, world: int, begins: Array, stops: Array, among: Array, which: Array,
        at: int, found: Array,
    ) -> tuple[Array, int]:  # fmt: skip
        """Go through tiles from a row on until half of what is asked for is settled: the other half is asked anew.

        Returns what is left, and the row to go on from.
        """
        none = len(self._table)
        begin, stop, result = begins[which], stops[which], found[which]
        for tile in self.tiles(asked.take(which), at):
            waiting = np.flatnonzero((result == none) & (begin < tile.stop) & (stop > tile.start))
            counted = tile.bits_of(among)
            for start in range(0, len(waiting), CHUNK):
                chunk = waiting[start : start + CHUNK]
                bits = tile.related(kind, world, chunk)
                bits &= counted
                bits &= tile.before(stop[chunk])
                bits &= ~tile.before(begin[chunk])
                place = first_bits(bits)
                hit = place >= 0
                result[chunk[hit]] = tile.start + place[hit]
            at = tile.stop
            left = (result == none) & (stop > at)
            if 2 * np.count_nonzero(left) <= len(which):
                break
        found[which] = result
        return which[left], at


def blocks(count: int) -> Iterator[slice]:
    """Yield parts of so many rows, each small enough to be asked for at once."""
    for start in range(0, count, _BLOCK):
        yield slice(start, start + _BLOCK)


class Tile:
    """Neighbouring rows of the table, each a bit of the strings that are returned: 64-bit words, the lowest bit first.

    Attributes
    ----------
    start, stop
        Which rows; `stop` is the first behind.
    """

    def __init__(self, fields: dict[str, _Field], table: BoxTable, start: int, stop: int) -> None:
        self.start, self.stop = start, stop
        self.words = (stop - start + 63) // 64
        self._fields = fields
        self._strings: dict[tuple[str, Kind], Array | None] = {}
        self._worlds = {world: self.bits_of((table.worlds & world) != 0) for world in (WHOLE, FRAGMENT)}

    def bits_of(self, marks: Array) -> Array:
        """Return marks of all rows of the table as a string of bits of this tile."""
        string: Array = _packed(marks[None, self.start : self.stop], self.words)[0]
        return string

    def of_world(self, world: int) -> Array:
        """Return the rows that have packets in a world."""
        return self._worlds[world]

    def before(self, rows: Array) -> Array:
        """Return for each of some rows of the table those in front of it."""
        taken: Array = _below(self.words)[np.clip(rows - self.start, 0, self.stop - self.start)]
        return taken

    def related(self, kind: Kind, world: int, which: Array) -> Array:
        """Return for some of what is asked for the rows that relate to it in a world."""
        bits = self._meeting(("source", "destination", *_NUMBERS[world]), kind, which)
        bits &= self._worlds[world]
        return bits

    def both(self, kind: Kind, which: Array) -> tuple[Array, Array]:
        """Return what :meth:`related` does, for non-fragments and for fragments."""
        bits = self._meeting(("source", "destination", *_NUMBERS[FRAGMENT]), kind, which)
        fragments = bits & self._worlds[FRAGMENT]
        bits &= self._meeting(("first", "second", "flags"), kind, which)
        bits &= self._worlds[WHOLE]
        return bits, fragments

    def _meeting(self, names: tuple[str, ...], kind: Kind, which: Array) -> Array:
        """The rows that relate by each of some fields."""
        bits: Array | None = None
        for name in names:
            strings = self._of_field(name, kind)
            if strings is not None:
                taken = strings[self._fields[name].index[which]]
                bits = taken if bits is None else np.bitwise_and(bits, taken, out=bits)
        if bits is None:
            bits = np.full((len(which), self.words), 0xFFFFFFFFFFFFFFFF, dtype=np.uint64)
        return bits

    def _of_field(self, name: str, kind: Kind) -> Array | None:
        """The strings of one field for each value that is asked for, None where all rows relate to all of them."""
        key = (name, kind)
        if key not in self._strings:
            strings = self._fields[name].strings(kind, self.start, self.stop, self.words)
            full = _below(self.words)[self.stop - self.start]
            self._strings[key] = None if len(strings) <= _FEW and bool((strings == full).all()) else strings
        return self._strings[key]


class _Field(Protocol):
    """One field of all rows: which values occur, and how those that are asked for relate to them."""

    index: Array
    """Which of the different values each row that is asked for has."""

    def strings(self, kind: Kind, start: int, stop: int, words: int) -> Array:
        """Return for each value that is asked for the rows of a tile that relate to it."""


class _AddressField:
    """One address of all rows."""

    def __init__(self, known: Distinct, of_row: Array, asked: Distinct, index: Array) -> None:
        self._known, self._of_row = known, of_row
        self._asked, self.index = asked, index
        self._related: dict[Kind, tuple[Array, Array]] = {}
        self._are_prefixes = not has_gaps(known)

    def strings(self, kind: Kind, start: int, stop: int, words: int) -> Array:
        """Return for each value that is asked for the rows of a tile that relate to it."""
        if len(self._asked) <= _COMPARED and self._known.width <= 32:
            return self._compared(kind, self._of_row[start:stop], words)
        asked, known = self._pairs(kind)
        present, local = np.unique(self._of_row[start:stop], return_inverse=True)
        leaves = np.zeros((len(present), words), dtype=np.uint64)
        places = np.arange(stop - start)
        bits = np.left_shift(np.uint64(1), (places & 63).astype(np.uint64))
        np.add.at(leaves.reshape(-1), local.reshape(-1) * words + (places >> 6), bits)
        leaf_of = np.full(len(self._known), -1, dtype=np.int64)
        leaf_of[present] = np.arange(len(present))
        leaf = leaf_of[known]
        kept = leaf >= 0
        asked, known, leaf = asked[kept], known[kept], leaf[kept]
        found = np.zeros((len(self._asked), words), dtype=np.uint64)
        if kind == "holds" and self._are_prefixes and len(asked):
            # Prefixes that hold the same are nested, so those with the same longest one have all of them in common.
            starts = np.flatnonzero(np.concatenate([[True], asked[1:] != asked[:-1]]))
            stops = np.append(starts[1:], len(asked))
            _, chosen, alike = np.unique(np.maximum.reduceat(known, starts), return_index=True, return_inverse=True)
            counts = stops[chosen] - starts[chosen]
            group = np.repeat(np.arange(len(chosen)), counts)
            at = np.arange(len(group)) + np.repeat(starts[chosen] - np.cumsum(counts) + counts, counts)
            united = np.zeros((len(chosen), words), dtype=np.uint64)
            _unite(united, group, leaves, leaf[at])
            found[asked[starts]] = united[alike.reshape(-1)]
        else:
            _unite(found, asked, leaves, leaf)
        return found

    def _compared(self, kind: Kind, of_row: Array, words: int) -> Array:
        """The same for few values that are asked for, each compared with each row."""
        values, cares = (column[of_row].astype(np.uint32) for column in (self._known.values, self._known.cares))
        value, care = (column.astype(np.uint32)[:, None] for column in (self._asked.values, self._asked.cares))
        met = ((values ^ value) & (cares & care)) == 0
        if kind == "holds":
            met &= (cares & ~care) == 0
        elif kind == "lies in":
            met &= (care & ~cares) == 0
        return _packed(met, words)

    def _pairs(self, kind: Kind) -> tuple[Array, Array]:
        """Which value that is asked for relates to which known one, in the order of the first."""
        if kind not in self._related:
            self._related[kind] = related(kind, self._asked, self._known)
        return self._related[kind]


class _IntervalField:
    """One number of all rows, from a lowest to a highest."""

    def __init__(self, lows: Array, highs: Array, asked_lows: Array, asked_highs: Array) -> None:
        self._lows, self._highs = lows, highs
        keys = asked_lows.astype(np.int64) << 32 | asked_highs
        found, index = np.unique(keys, return_inverse=True)
        self.index: Array = index.reshape(-1)
        self._asked = (found >> 32).astype(lows.dtype), (found & 0xFFFFFFFF).astype(lows.dtype)

    def strings(self, kind: Kind, start: int, stop: int, words: int) -> Array:
        """Return for each interval that is asked for the rows of a tile that relate to it."""
        lows, highs = self._lows[start:stop], self._highs[start:stop]
        found = np.zeros((len(self._asked[0]), words), dtype=np.uint64)
        step = max(1, _MOST // (stop - start))
        for begin in range(0, len(found), step):
            low, high = (column[begin : begin + step, None] for column in self._asked)
            if kind == "overlaps":
                met = (lows <= high) & (highs >= low)
            elif kind == "holds":
                met = (lows <= low) & (highs >= high)
            else:
                met = (lows >= low) & (highs <= high)
            found[begin : begin + step] = _packed(met, words)
        return found


class _FlagField:
    """The TCP control bits of all rows."""

    def __init__(self, cares: Array, values: Array, asked_cares: Array, asked_values: Array) -> None:
        self._cares, self._values = cares, values
        found, index = np.unique(asked_cares.astype(np.int64) << 8 | asked_values, return_inverse=True)
        self.index: Array = index.reshape(-1)
        self._asked = (found >> 8).astype(np.uint8), (found & 255).astype(np.uint8)

    def strings(self, kind: Kind, start: int, stop: int, words: int) -> Array:
        """Return for each pattern that is asked for the rows of a tile that relate to it."""
        cares, values = self._cares[start:stop], self._values[start:stop]
        care, value = (column[:, None] for column in self._asked)
        met = ((values ^ value) & cares & care) == 0
        if kind == "holds":
            met &= (cares & ~care) == 0
        elif kind == "lies in":
            met &= (care & ~cares) == 0
        return _packed(met, words)


def _unite(into: Array, places: Array, strings: Array, which: Array) -> None:
    """Add strings to others: to the one at each place, places in order, the string beside it."""
    step = max(1, _MOST // strings.shape[1])
    for begin in range(0, len(places), step):
        some = places[begin : begin + step]
        starts = np.flatnonzero(np.concatenate([[True], some[1:] != some[:-1]]))
        into[some[starts]] |= np.bitwise_or.reduceat(strings[which[begin : begin + step]], starts, axis=0)


@lru_cache(maxsize=4)
def _below(words: int) -> Array:
    """Strings of so many words: in line k the k lowest bits are set."""
    places = np.arange(64 * words + 1)
    found = np.zeros((len(places), words), dtype=np.uint64)
    partial = np.left_shift(np.uint64(1), (places & 63).astype(np.uint64)) - np.uint64(1)
    inside = places < 64 * words
    found[places[inside], places[inside] >> 6] = partial[inside]
    found[(places >> 6)[:, None] > np.arange(words)] = 0xFFFFFFFFFFFFFFFF
    return found


def set_bits(string: Array) -> Array:
    """Return the places of the bits of one string, in order."""
    return np.flatnonzero(np.unpackbits(string.view(np.uint8), bitorder="little"))


def first_bits(strings: Array) -> Array:
    """Return the place of the lowest bit of each string, -1 where none is set."""
    words = (strings != 0).argmax(axis=1)
    word = strings[np.arange(len(strings)), words]
    lowest = word & (~word + np.uint64(1))
    place = 64 * words + np.bitwise_count(lowest - np.uint64(1))
    found: Array = np.where(word != 0, place, -1)
    return found


def _packed(marks: Array, words: int) -> Array:
    """Lines of marks as strings of bits."""
    octets = np.packbits(marks, axis=1, bitorder="little")
    if octets.shape[1] != 8 * words:
        wider = np.zeros((len(octets), 8 * words), dtype=np.uint8)
        wider[:, : octets.shape[1]] = octets
        octets = wider
    found: Array = np.ascontiguousarray(octets).view(np.uint64)
    return found
