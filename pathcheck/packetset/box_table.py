"""Many boxes as arrays of bounds, compared all at once.

Diagrams are the proof; arrays are asked first, because one comparison over
columns settles most questions about a long list. Everything here is exact: a
row is a product of one interval or one masked value per field, so overlap,
containment and membership are decided field by field.

Rows live in two worlds that never meet: packets that are no non-initial
fragments, and non-initial fragments. In the second the fields of layer 4 do not
exist, so a row that speaks of both is one row with two marks, not two rows.

A packet that lacks a field has 0 there. Rows that limit layer 4 fix a protocol
that has the field, so no row can tell a packet with a field that does not exist
from the real one; the arrays may therefore treat each field as free.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pathcheck.errors import CapacityError
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.protocol import ICMP, ICMPV6, PORT_PROTOCOLS, TCP, has_ports
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import FlagMatch
from pathcheck.packet.wildcard import AddressMatch

__all__ = [
    "FRAGMENT",
    "MOST_ROWS",
    "WHOLE",
    "BoxTable",
    "Points",
    "Product",
    "Row",
    "box_of",
    "difference",
    "intersection",
    "points_of",
    "row_covers",
    "rows_of",
]

Array = NDArray[Any]

MOST_ROWS = 2_000_000
"""Rows of one table: with what is kept beside them, they take about 2 GiB in the review of a list."""

Product = tuple[int, Sequence[AddressMatch], Sequence[AddressMatch], tuple[Box, ...]]

WHOLE, FRAGMENT = 1, 2
"""Marks of the two worlds: packets that are no non-initial fragments, and those that are."""

_PORT_PROTOCOLS = tuple(Ranges.single(number) for number in PORT_PROTOCOLS)
_WORD = (1 << 64) - 1
_FEW = 12
"""Up to as many rows are looked at one by one: calls on arrays cost more than that."""
_INTERVALS = ("protocol", "first", "second", "dscp")
_HIGHEST = {"protocol": 255, "first": 65535, "second": 65535, "dscp": 63}


@dataclass(frozen=True, slots=True)
class Row:
    """One product of fields: `first` and `second` are the two 16-bit words of layer 4.

    The words are source and destination port, or in ICMP 0 and `type * 256 + code`.

    Parameters
    ----------
    addresses
        Pairs of value and care bits, source then destination.
    intervals
        Inclusive bounds of protocol, first word, second word and DSCP.
    flags
        Care and value of the TCP control bits.
    worlds
        WHOLE, FRAGMENT or both.
    """

    addresses: tuple[tuple[int, int], tuple[int, int]]
    intervals: tuple[tuple[int, int], tuple[int, int], tuple[int, int], tuple[int, int]]
    flags: tuple[int, int]
    worlds: int


@dataclass(frozen=True, slots=True)
class Points:
    """Packets as columns: source and destination as lists of 64-bit (IPv6) or 32-bit words, and the other fields."""

    words: tuple[Array, ...]
    intervals: tuple[Array, Array, Array, Array]
    flags: Array

    def ends(self, index: int) -> tuple[int, int]:
        """Return source and destination of one of them as numbers."""
        half = len(self.words) // 2
        source, destination = (_joined([int(word[index]) for word in self.words[k : k + half]]) for k in (0, half))
        return source, destination

    def row(self, index: int) -> Row:
        """Return one of them as a row of both worlds that holds nothing else."""
        full = -1  # each bit is compared, of either IP version
        source, destination = self.ends(index)
        protocol, first, second, dscp = (int(column[index]) for column in self.intervals)
        return Row(
            ((source, full), (destination, full)),
            ((protocol, protocol), (first, first), (second, second), (dscp, dscp)),
            (full, int(self.flags[index])),
            WHOLE | FRAGMENT,
        )

    def packet(self, index: int, version: IPVersion, world: int) -> Packet:
        """Return one of them as a packet; what it cannot have is 0."""
        source, destination = self.ends(index)
        protocol, first, second, dscp = (int(column[index]) for column in self.intervals)
        whole = world == WHOLE
        ports = whole and has_ports(protocol)
        icmp = whole and protocol in (ICMP, ICMPV6)
        return Packet(
            Address(version, source),
            Address(version, destination),
            protocol,
            source_port=first if ports else 0,
            destination_port=second if ports else 0,
            icmp_type=second >> 8 if icmp else 0,
            icmp_code=second & 255 if icmp else 0,
            flags=int(self.flags[index]) if whole and protocol == TCP else 0,
            dscp=dscp,
            fragment=not whole,
        )


class BoxTable:
    """Rows of boxes of one IP version, in order, each with the number of its owner.

    Parameters
    ----------
    version
        4 or 6.
    products
        Tuples of an owner (a line's index, 0 or more, not decreasing), sources, destinations and services: boxes
        with free addresses. Each combination of the three is meant, as long lists repeat few services.
    what
        Named in the error.
    most
        Rows that there is room for.

    Attributes
    ----------
    owners
        The owner of each row.

    Raises
    ------
    CapacityError
        There would be too many rows; said before they are made.
    """

    def __init__(
        self, version: IPVersion, products: Iterable[Product], what: str = "the list", *, most: int = MOST_ROWS
    ) -> None:
        self.version = version
        self.rows: list[Row] = []
        owners: list[int] = []
        templates: dict[tuple[Box, ...], list[Row]] = {}
        for owner, sources, destinations, services in products:
            rows = templates.get(services)
            if rows is None:
                rows = templates[services] = _joined_worlds([row for box in services for row in rows_of(box)])
            count = len(sources) * len(destinations) * len(rows)
            if len(self.rows) + count > most:
                raise CapacityError(
                    f"{what} is too long: up to its line {owner + 1} it stands for {len(self.rows) + count:,} "
                    f"combinations of source, destination and service, and there is room for {most:,}",
                    help="split the list, or name fewer addresses in its groups: a line stands for each combination "
                    "of their members",
                )
            for source, destination in product(sources, destinations):
                addresses = ((source.value, source.care), (destination.value, destination.care))
                self.rows += [Row(addresses, row.intervals, row.flags, row.worlds) for row in rows]
                owners += [owner] * len(rows)
        self.owners: Array = np.array(owners, dtype=np.int64)
        self._words = 1 if version == 4 else 2
        kind = np.uint32 if version == 4 else np.uint64
        count = len(self.rows)
        # Source words, then destination words, highest first: each with its value and its care bits.
        self.values: list[Array] = []
        self.cares: list[Array] = []
        for end in range(2):
            for word in range(self._words):
                shift = 64 * (self._words - 1 - word)
                for into, part in ((self.values, 0), (self.cares, 1)):
                    numbers = (row.addresses[end][part] >> shift & _WORD for row in self.rows)
                    into.append(np.fromiter(numbers, dtype=kind, count=count))
        bounds = np.array([row.intervals for row in self.rows], dtype=np.int32).reshape(count, 4, 2)
        self.lows: list[Array] = [np.ascontiguousarray(bounds[:, field, 0]) for field in range(4)]
        self.highs: list[Array] = [np.ascontiguousarray(bounds[:, field, 1]) for field in range(4)]
        self.flag_cares: Array = np.fromiter((row.flags[0] for row in self.rows), dtype=np.uint8, count=count)
        self.flag_values: Array = np.fromiter((row.flags[1] for row in self.rows), dtype=np.uint8, count=count)
        # The address word that tells most rows apart is compared first, and leaves few rows for the others.
        self._order = sorted(
            range(len(self.cares)), key=lambda column: -float(np.bitwise_count(self.cares[column]).sum())
        )
        self.worlds: Array = np.fromiter((row.worlds for row in self.rows), dtype=np.uint8, count=count)

    def __len__(self) -> int:
        return len(self.rows)

    def overlapping(self, row: Row, start: int, stop: int, world: int) -> Array:
        """Return the rows from start to stop (exclusive) that share a packet of the world with the row, in order."""
        words = self._split(row)
        # The addresses first: they leave few rows, and what follows then costs next to nothing.
        first, *others = self._order
        value, care = words[first]
        found = np.flatnonzero(
            ((self.values[first][start:stop] ^ value) & (self.cares[first][start:stop] & care)) == 0
        )  # fmt: skip
        found += start
        for column in others:
            if not len(found):
                return found
            value, care = words[column]
            found = found[((self.values[column][found] ^ value) & (self.cares[column][found] & care)) == 0]
        for field in _fields(world):
            low, high = row.intervals[field]
            if (low, high) != (0, _HIGHEST[_INTERVALS[field]]) and len(found):
                found = found[(self.lows[field][found] <= high) & (self.highs[field][found] >= low)]
        if not len(found):
            return found
        keep = (self.worlds[found] & world) != 0
        if world == WHOLE and row.flags[0]:
            care, value = row.flags
            keep &= ((self.flag_values[found] ^ np.uint8(value)) & (self.flag_cares[found] & np.uint8(care))) == 0
        kept: Array = found[keep]
        return kept

    def covering(self, row: Row, among: Array, world: int) -> Array:
        """Return those of the rows `among` that hold each packet of the row in the world, in order."""
        if len(among) <= _FEW:
            kept: Array = among[self.are_covering(row, among, world)]
            return kept
        # Each field leaves few rows for the next: most do not hold even one address of the row.
        words = self._split(row)
        for column in self._order:
            value, care = words[column]
            cares = self.cares[column][among]
            among = among[((cares & ~care) | ((self.values[column][among] ^ value) & cares)) == 0]
        for field in _fields(world):
            low, high = row.intervals[field]
            among = among[(self.lows[field][among] <= low) & (self.highs[field][among] >= high)]
        keep = (self.worlds[among] & world) != 0
        if world == WHOLE:
            care, value = row.flags
            cares = self.flag_cares[among]
            keep &= ((cares & np.uint8(~care & 255)) | ((self.flag_values[among] ^ np.uint8(value)) & cares)) == 0
        held: Array = among[keep]
        return held

    def are_covering(self, row: Row, among: Array, world: int) -> Array:
        """Return, for each of the rows `among`, whether it holds each packet of the row in the world."""
        if len(among) <= _FEW:
            return np.array([row_covers(self.rows[index], row, world) for index in among.tolist()], dtype=bool)
        keep: Array = (self.worlds[among] & world) != 0
        for column, (value, care) in enumerate(self._split(row)):
            cares = self.cares[column][among]
            keep &= ((cares & ~care) == 0) & (((self.values[column][among] ^ value) & cares) == 0)
        for field in _fields(world):
            low, high = row.intervals[field]
            keep &= (self.lows[field][among] <= low) & (self.highs[field][among] >= high)
        if world == WHOLE:
            care, value = row.flags
            cares = self.flag_cares[among]
            keep &= ((cares & np.uint8(~care & 255)) == 0) & (
                ((self.flag_values[among] ^ np.uint8(value)) & cares) == 0
            )
        return keep

    def are_covered(self, row: Row, among: Array, world: int) -> Array:
        """Return, for each of the rows `among`, whether its packets of the world all lie in the row.

        The row has packets in the world.
        """
        if len(among) <= _FEW:
            return np.array([row_covers(row, self.rows[index], world) for index in among.tolist()], dtype=bool)
        keep: Array = np.ones(len(among), dtype=bool)
        for column, (value, care) in enumerate(self._split(row)):
            if care:
                keep &= ((care & ~self.cares[column][among]) == 0) & (
                    ((self.values[column][among] ^ value) & care) == 0
                )
        for field in _fields(world):
            low, high = row.intervals[field]
            if (low, high) != (0, _HIGHEST[_INTERVALS[field]]):
                keep &= (self.lows[field][among] >= low) & (self.highs[field][among] <= high)
        if world == WHOLE and row.flags[0]:
            care, value = row.flags
            keep &= (np.uint8(care) & ~self.flag_cares[among]) == 0
            keep &= ((self.flag_values[among] ^ np.uint8(value)) & np.uint8(care)) == 0
        return keep

    def holding(self, points: Points, among: Array, world: int) -> Array:
        """Return a matrix of points by rows `among`: whether the row holds the point."""
        inside: Array = np.ones((len(points.flags), len(among)), dtype=bool)
        for column, word in enumerate(points.words):
            inside &= ((self.values[column][among][None, :] ^ word[:, None]) & self.cares[column][among][None, :]) == 0
        met = np.flatnonzero(inside.any(axis=0))
        if 2 * len(met) < len(among):
            # Few rows have an address of a point at all: the other fields are compared for these only.
            rest = self._inside_numbers(points, inside[:, met], among[met], world)
            inside[:, met] = rest
            return inside
        return self._inside_numbers(points, inside, among, world)

    def _inside_numbers(self, points: Points, inside: Array, among: Array, world: int) -> Array:
        """Leave of what holds by its addresses that which holds by the other fields too."""
        for field in _fields(world):
            column_of_points = points.intervals[field][:, None]
            inside &= self.lows[field][among][None, :] <= column_of_points
            inside &= self.highs[field][among][None, :] >= column_of_points
        if world == WHOLE:
            flags = (self.flag_values[among][None, :] ^ points.flags[:, None]) & self.flag_cares[among][None, :]
            inside &= flags == 0
        return inside

    def first_holding(self, points: Points, index: int, start: int, stop: int, world: int) -> int:
        """Return the first row from start to stop (exclusive) that holds one point, -1 if none does."""
        first, *others = self._order
        found = np.flatnonzero(
            ((self.values[first][start:stop] ^ points.words[first][index]) & self.cares[first][start:stop]) == 0
        )  # fmt: skip
        found += start
        found = self._holding_one(points, index, found, world, others)
        return int(found[0]) if len(found) else -1

    def first_of(self, points: Points, index: int, among: Array, world: int) -> int:
        """Return the first of the rows `among` that holds one point, -1 if none does."""
        found = self._holding_one(points, index, among, world, self._order)
        return int(found[0]) if len(found) else -1

    def holds_any(self, points: Points, index: int, among: Array, world: int) -> bool:
        """Whether one of the rows `among` holds one point."""
        if len(among) <= _FEW:
            point = points.row(index)
            return any(row_covers(self.rows[number], point, world) for number in among.tolist())
        return len(self._holding_one(points, index, among, world, self._order)) > 0

    def _holding_one(self, points: Points, index: int, found: Array, world: int, columns: list[int]) -> Array:
        """Return those of the rows that hold one point; only these of the address words are looked at."""
        for column in columns:
            word = points.words[column][index]
            found = found[((self.values[column][found] ^ word) & self.cares[column][found]) == 0]
        for field in _fields(world):
            number = points.intervals[field][index]
            found = found[(self.lows[field][found] <= number) & (self.highs[field][found] >= number)]
        keep = (self.worlds[found] & world) != 0
        if world == WHOLE:
            keep &= ((self.flag_values[found] ^ points.flags[index]) & self.flag_cares[found]) == 0
        kept: Array = found[keep]
        return kept

    def shares(self, row: Row, among: Array) -> Array:
        """Return how much of the row each of the rows `among` can hold, as base-2 logarithms: for ranking only."""
        free: Array = np.zeros(len(among))
        for column, (_, care) in enumerate(self._split(row)):
            free -= np.bitwise_count(self.cares[column][among] | care)
        for field, (low, high) in enumerate(row.intervals):
            span = np.minimum(self.highs[field][among], high) - np.maximum(self.lows[field][among], low) + 1
            free += np.log2(np.maximum(span, 1))
        free -= np.bitwise_count(self.flag_cares[among] | np.uint8(row.flags[0]))
        return free

    def sizes(self, among: Array) -> Array:
        """Return the size of each of the rows `among` on the same scale: no row can share more with it."""
        free: Array = np.zeros(len(among))
        for care in self.cares:
            free -= np.bitwise_count(care[among])
        for low, high in zip(self.lows, self.highs, strict=True):
            free += np.log2(np.maximum(high[among] - low[among] + 1, 1))
        free -= np.bitwise_count(self.flag_cares[among])
        return free

    def _split(self, row: Row) -> list[tuple[Any, Any]]:
        """The address words of a row as numbers of the columns' type."""
        kind = np.uint32 if self.version == 4 else np.uint64
        return [
            (kind(value >> shift & _WORD), kind(care >> shift & _WORD))
            for value, care in row.addresses
            for shift in range(64 * (self._words - 1), -1, -64)
        ]


def rows_of(box: Box) -> list[Row]:
    """Return the rows of a box: one for each combination of its ranges and flag alternatives."""
    addresses = ((box.source.value, box.source.care), (box.destination.value, box.destination.care))
    if not box.names_layer4:
        protocols = ((0, 255),) if box.protocols is None else box.protocols.spans
    elif box.icmp is None and box.flags is None and box.protocols in _PORT_PROTOCOLS:
        protocols = box.protocols.spans  # by far the most common: one protocol that has ports
    else:
        protocols = box.effective_protocols().spans
    first = _spans(box.source_ports)
    second = _spans(box.destination_ports if box.icmp is None else box.icmp)
    dscp = box.dscp.spans if box.dscp is not None else ((0, 63),)
    flags = box.flags.cubes if box.flags is not None else ((0, 0),)
    worlds = {None: WHOLE | FRAGMENT, False: WHOLE, True: FRAGMENT}[box.fragment]
    if box.names_layer4:
        worlds &= WHOLE
    if not worlds:
        return []
    return [
        Row(addresses, (protocol, one, two, code), cube, worlds)
        for protocol, one, two, code, cube in product(protocols, first, second, dscp, flags)
    ]


def row_covers(outer: Row, inner: Row, world: int) -> bool:
    """Whether the outer row holds each packet that the inner one has in the world."""
    if not outer.worlds & world:
        return False
    for (value, care), (inner_value, inner_care) in zip(outer.addresses, inner.addresses, strict=True):
        if care & ~inner_care or (value ^ inner_value) & care:
            return False
    for field in _fields(world):
        (low, high), (inner_low, inner_high) = outer.intervals[field], inner.intervals[field]
        if low > inner_low or high < inner_high:
            return False
    if world == FRAGMENT:
        return True
    (care, value), (inner_care, inner_value) = outer.flags, inner.flags
    return not (care & ~inner_care or (value ^ inner_value) & care)


def intersection(a: Row, b: Row) -> Row | None:
    """Return the packets of both rows as a row, None if there are none in either world."""
    worlds = a.worlds & b.worlds
    ends = []
    for (value, care), (other_value, other_care) in zip(a.addresses, b.addresses, strict=True):
        if (value ^ other_value) & care & other_care:
            return None
        ends.append((value | other_value, care | other_care))
    spans = [(max(a_low, b_low), min(a_high, b_high)) for (a_low, a_high), (b_low, b_high) in
             zip(a.intervals, b.intervals, strict=True)]  # fmt: skip
    if spans[0][0] > spans[0][1] or spans[3][0] > spans[3][1]:
        return None
    (care, value), (other_care, other_value) = a.flags, b.flags
    if spans[1][0] > spans[1][1] or spans[2][0] > spans[2][1] or (value ^ other_value) & care & other_care:
        worlds &= FRAGMENT
        spans[1] = spans[2] = (0, 65535)
        care = value = other_care = other_value = 0
    if not worlds:
        return None
    return Row(
        (ends[0], ends[1]), (spans[0], spans[1], spans[2], spans[3]), (care | other_care, value | other_value), worlds
    )


def difference(row: Row, other: Row, world: int) -> list[Row]:
    """Return rows that together are the packets of one row in the world that another one does not hold.

    No two of them share a packet. There are as many as the other row names bits and ends of intervals that the row
    leaves free.
    """
    fields = _fields(world)
    shared = intersection(row, other)
    if shared is None or not shared.worlds & world:
        return [Row(row.addresses, row.intervals, row.flags, world)]
    parts: list[Row] = []
    # What is left to be taken apart agrees with the other row in all fields that were looked at.
    ends, spans, flags = list(row.addresses), list(row.intervals), row.flags
    for end, (value, care) in enumerate(other.addresses):
        mine, known = ends[end]
        for bit in _bits(care & ~known):
            ends[end] = (mine | (bit & ~value), known | bit)
            parts.append(Row((ends[0], ends[1]), (spans[0], spans[1], spans[2], spans[3]), flags, world))
            mine, known = mine | (bit & value), known | bit
        ends[end] = (mine, known)
    for field in fields:
        (low, high), (other_low, other_high) = spans[field], other.intervals[field]
        for outside in ((low, other_low - 1), (other_high + 1, high)):
            if outside[0] <= outside[1]:
                spans[field] = outside
                parts.append(Row((ends[0], ends[1]), (spans[0], spans[1], spans[2], spans[3]), flags, world))
        spans[field] = (max(low, other_low), min(high, other_high))
    if world == WHOLE:
        care, value = other.flags
        known, mine = flags
        for bit in _bits(care & ~known):
            flags = (known | bit, mine | (bit & ~value))
            parts.append(Row((ends[0], ends[1]), (spans[0], spans[1], spans[2], spans[3]), flags, world))
            known, mine = known | bit, mine | (bit & value)
    return parts


def box_of(row: Row, version: IPVersion, world: int) -> Box:
    """Return the packets of a row that are of the world, as a box."""
    source, destination = (AddressMatch(version, value, care) for value, care in row.addresses)
    protocol, first, second, dscp = row.intervals
    protocols = None if protocol == (0, 255) else Ranges.of(protocol)
    dscps = None if dscp == (0, 63) else Ranges.of(dscp)
    if world == FRAGMENT:
        return Box(source, destination, protocols, dscp=dscps, fragment=True)
    is_icmp = protocol in ((ICMP, ICMP), (ICMPV6, ICMPV6))
    second_ranges = None if second == (0, 65535) else Ranges.of(second)
    return Box(
        source,
        destination,
        protocols,
        source_ports=None if first == (0, 65535) or is_icmp else Ranges.of(first),
        destination_ports=None if is_icmp else second_ranges,
        icmp=second_ranges if is_icmp else None,
        flags=FlagMatch.of(row.flags) if row.flags[0] else None,
        dscp=dscps,
        fragment=False,
    )


def points_of(packets: Sequence[Packet], version: IPVersion) -> Points:
    """Return packets of one IP version as columns."""
    kind, shifts = (np.uint32, (0,)) if version == 4 else (np.uint64, (64, 0))
    count = len(packets)
    words = [
        np.fromiter((address.value >> shift & _WORD for address in ends), dtype=kind, count=count)
        for ends in ([p.source for p in packets], [p.destination for p in packets])
        for shift in shifts
    ]
    fields = (
        [p.protocol for p in packets],
        [p.source_port for p in packets],
        [p.destination_port or p.icmp_type << 8 | p.icmp_code for p in packets],
        [p.dscp for p in packets],
    )
    protocol, first, second, dscp = (np.array(numbers, dtype=np.int32) for numbers in fields)
    flags = np.array([p.flags for p in packets], dtype=np.uint8)
    return Points(tuple(words), (protocol, first, second, dscp), flags)


def _joined_worlds(rows: Sequence[Row]) -> list[Row]:
    """Join a row of fragments into its neighbour that says the same of all that fragments have."""
    joined: list[Row] = []
    for row in rows:
        last = joined[-1] if joined else None
        if (
            last is not None
            and {last.worlds, row.worlds} == {WHOLE, FRAGMENT}
            and last.addresses == row.addresses
            and last.intervals[0] == row.intervals[0]
            and last.intervals[3] == row.intervals[3]
        ):
            whole = last if last.worlds == WHOLE else row
            joined[-1] = Row(whole.addresses, whole.intervals, whole.flags, WHOLE | FRAGMENT)
        else:
            joined.append(row)
    return joined


def _fields(world: int) -> tuple[int, ...]:
    """The interval fields that packets of a world have: no layer 4 in non-initial fragments."""
    return (0, 1, 2, 3) if world == WHOLE else (0, 3)


def _spans(ranges: Any) -> tuple[tuple[int, int], ...]:
    """Ranges of a layer-4 word, the whole word where nothing limits it."""
    return ((0, 65535),) if ranges is None else tuple(ranges.spans)


def _bits(number: int) -> Iterator[int]:
    """The bits of a number one by one, the highest first."""
    while number:
        bit = 1 << number.bit_length() - 1
        yield bit
        number ^= bit


def _joined(words: list[int]) -> int:
    """One number of its 64-bit words, the highest first."""
    number = 0
    for word in words:
        number = number << 64 | word
    return number
