"""That two lists decide each packet alike, shown without any diagram.

The packets that could be decided differently are those of the lines that the lists
do not have in common. They are split along the bounds of the lines that they meet,
field by field, until in each cell the same line is the first one throughout in either
list, or all lines that it meets have one action, or are the same in both. What is
decided is compared, and the evaluator decides corners of the cell by both lists, as
long as it has not looked at lines too often. The splitting is exact; where it would
take too long it stops, and says so.

Of the sets this shares only the bounds of the lines (`line_space`), and the
evaluator reads the lines by itself: a wrong bound shows at a corner.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from pathcheck.dataplane.list_space import line_space
from pathcheck.errors import InternalFault
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import AccessList, Action, Line, UnreadLine
from pathcheck.model.device import Device
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packet.protocol import ICMP, ICMPV6, TCP, has_ports
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, Row, rows_of

__all__ = ["BOUND", "SecondProof", "prove_alike"]

MOST_CELLS = 20_000
MOST_LOOKS = 20_000_000
EVALUATED = 1_000_000
"""Lines that the evaluator looks at before it is asked only where it must."""
BOUND = f"{MOST_CELLS:,} cells, or {MOST_LOOKS:,} looks at a line"
"""When the method gives up, in words."""


@dataclass(frozen=True, slots=True)
class SecondProof:
    """What the splitting came to; `finished` is False where it stopped at its bound."""

    finished: bool
    cells: int
    packets: int


def prove_alike(
    device: Device,
    before: AccessList,
    after: AccessList,
    *,
    most_cells: int = MOST_CELLS,
    most_looks: int = MOST_LOOKS,
) -> SecondProof:
    """Show that two lists of one device, the second made from the first, decide each packet alike.

    Parameters
    ----------
    before, after
        Lines that stay are the same objects in both, in the same order.
    most_cells, most_looks
        The bound.

    Raises
    ------
    InternalFault
        They decide a packet differently.
    """
    return _Splitting(device, before, after, most_cells, most_looks).run()


_Held = tuple[Row, bool, "Line | UnreadLine"]
"""A row of a line, whether it is sure to decide its packets, and the line."""


class _Splitting:
    """The splitting of what two lists could decide differently."""

    def __init__(self, device: Device, before: AccessList, after: AccessList, most_cells: int, most_looks: int) -> None:
        self.lists = (before, after)
        self.devices = (
            replace(device, access_lists={**device.access_lists, (before.family, before.name): before}),
            replace(device, access_lists={**device.access_lists, (after.family, after.name): after}),
        )
        self.version: IPVersion = 4 if before.family == "ipv4" else 6
        self.most_cells, self.most_looks = most_cells, most_looks
        self.cells = self.packets = self.looks = self.evaluated = 0
        lines = (before.lines, after.lines)
        held = [{id(line) for line in each} for each in lines]
        self.changed = [line for side in (0, 1) for line in lines[side] if id(line) not in held[1 - side]]
        rows = {id(line): _rows(device, line, before) for each in lines for line in each} if self.changed else {}
        self.rows = rows
        self.tables = [[held for line in each for held in rows[id(line)]] for each in lines] if self.changed else []

    def run(self) -> SecondProof:
        """Split the packets of each changed line."""
        starts = dict.fromkeys(
            (replace(row, worlds=world), world)
            for line in self.changed
            for row, _, _ in self.rows[id(line)]
            for world in (WHOLE, FRAGMENT)
            if row.worlds & world
        )
        finished = all(self._split_region(region, world) for region, world in starts)
        return SecondProof(finished, self.cells, self.packets)

    def _split_region(self, region: Row, world: int) -> bool:
        """Split one region until each cell is decided; whether the bound allowed it."""
        stack = [(region, [self._meeting(table, region, world) for table in self.tables])]
        while stack:
            if self.looks > self.most_looks or self.cells >= self.most_cells:
                return False
            cell, sides = stack.pop()
            cutting = None
            if not _settled(sides, cell, world):
                crossing = [held[0] for side in sides for held in side if not _covers(held[0], cell, world)]
                cutting = min(crossing, key=lambda row: _cuts(row, cell, world), default=None)
            if cutting is None:
                self.cells += 1
                first, second = (_deciding(side) for side in sides)
                if first != second or self.evaluated < EVALUATED:
                    self._decide(cell, world)
                continue
            stack += [
                (piece, [self._meeting(side, piece, world) for side in sides]) for piece in _split(cell, cutting, world)
            ]
        return True

    def _meeting(self, rows: list[_Held], cell: Row, world: int) -> list[_Held]:
        """Return the rows that share packets with a cell, up to the first that is sure to decide all of it."""
        self.looks += len(rows)
        (value, care), (to_value, to_care) = cell.addresses
        found = []
        for held in rows:
            (row_value, row_care), (row_to_value, row_to_care) = held[0].addresses
            if (row_value ^ value) & row_care & care or (row_to_value ^ to_value) & row_to_care & to_care:
                continue
            if _meets(held[0], cell, world):
                found.append(held)
                if held[1] and _covers(held[0], cell, world):
                    break
        return found

    def _decide(self, cell: Row, world: int) -> None:
        """Let the evaluator decide corners of a cell by both lists."""
        for packet in _corners(cell, self.version, world):
            self.packets += 1
            self.evaluated += sum(len(each.entries) for each in self.lists)
            first, second = (
                evaluate_list(device, each.family, each.name, packet)
                for device, each in zip(self.devices, self.lists, strict=True)
            )
            if (first.action, first.doubts) != (second.action, second.doubts):
                raise InternalFault(
                    f"the shorter list decides `{packet}` otherwise: {first.action or 'uncertain'} by "
                    f"`{first.use.text}` before, {second.action or 'uncertain'} by `{second.use.text}` after"
                )


def _settled(sides: list[list[_Held]], cell: Row, world: int) -> bool:
    """Whether a cell needs no further cut: it meets the same rows in both lists, or lines of one action alone.

    In the second case the last of them is sure to decide what the others do not, so where they are cut is all one.
    """
    first, second = sides
    if [held[0] for held in first] == [held[0] for held in second]:
        return [id(held[2]) for held in first] == [id(held[2]) for held in second]
    if not all(side and side[-1][1] and _covers(side[-1][0], cell, world) for side in sides):
        return False
    return len({(line.action, decides) for side in sides for _, decides, line in side}) == 1


def _deciding(side: list[_Held]) -> tuple[Action | None, list[int]]:
    """Return what decides a cell, None for the end of the list, and the lines that may decide it otherwise."""
    last = next((line for _, decides, line in side if decides), None)
    action = None if last is None else last.action
    return action, [id(line) for _, decides, line in side if not decides and line.action is not action]


def _rows(device: Device, line: Line | UnreadLine, access_list: AccessList) -> list[_Held]:
    """Return the rows of a line; those that it may match and those that it does, where the two differ."""
    space = line_space(device, line, access_list.family, access_list.name)
    certain = not space.doubts
    found: list[_Held] = [(row, certain, line) for box in space.may for row in rows_of(box)]
    if not certain:
        found += [(row, True, line) for box in space.must for row in rows_of(box)]
    return found


def _fields(world: int) -> tuple[int, ...]:
    """The intervals that packets of a world have, the protocol first."""
    return (0, 1, 2, 3) if world == WHOLE else (0, 3)


def _meets(row: Row, cell: Row, world: int) -> bool:
    """Whether a row shares packets with a cell, addresses aside."""
    if not row.worlds & world:
        return False
    for field in _fields(world):
        if row.intervals[field][0] > cell.intervals[field][1] or row.intervals[field][1] < cell.intervals[field][0]:
            return False
    if world == WHOLE:
        care, value = row.flags
        return not (value ^ cell.flags[1]) & care & cell.flags[0]
    return True


def _covers(row: Row, cell: Row, world: int) -> bool:
    """Whether a row that meets a cell holds all of it."""
    if any(row.addresses[end][1] & ~cell.addresses[end][1] for end in (0, 1)):
        return False
    for field in _fields(world):
        if row.intervals[field][0] > cell.intervals[field][0] or row.intervals[field][1] < cell.intervals[field][1]:
            return False
    return world != WHOLE or not row.flags[0] & ~cell.flags[0]


def _cuts(row: Row, cell: Row, world: int) -> int:
    """How many cuts it takes until a cell lies within a row or without: the row with the fewest is taken first."""
    cuts = sum((row.addresses[end][1] & ~cell.addresses[end][1]).bit_count() for end in (0, 1))
    for field in _fields(world):
        cuts += row.intervals[field][0] > cell.intervals[field][0] or row.intervals[field][1] < cell.intervals[field][1]
    return cuts + (row.flags[0] & ~cell.flags[0]).bit_count() * (world == WHOLE)


def _split(cell: Row, row: Row, world: int) -> Iterator[Row]:
    """Yield the pieces of a cell along one bound of a row that cuts it."""
    for field in _fields(world):
        low, high = cell.intervals[field]
        first, last = max(low, row.intervals[field][0]), min(high, row.intervals[field][1])
        if (first, last) != (low, high):
            for start, end in ((low, first - 1), (first, last), (last + 1, high)):
                if start <= end:
                    one, two, three, four = (
                        (start, end) if index == field else bounds for index, bounds in enumerate(cell.intervals)
                    )
                    yield replace(cell, intervals=(one, two, three, four))
            return
    for end_of in (0, 1):
        value, care = cell.addresses[end_of]
        further = row.addresses[end_of][1] & ~care
        if further:
            bit = 1 << further.bit_length() - 1
            for choice in (0, bit):
                narrowed = (value | choice, care | bit)
                other = cell.addresses[1 - end_of]
                yield replace(cell, addresses=(narrowed, other) if end_of == 0 else (other, narrowed))
            return
    care, value = cell.flags
    bit = row.flags[0] & ~care
    bit &= -bit
    for choice in (0, bit):
        yield replace(cell, flags=(care | bit, value | choice))


def _corners(cell: Row, version: IPVersion, world: int) -> list[Packet]:
    """Return the lowest and the highest packet of a cell, and one of TCP where it holds several protocols."""
    low, high = cell.intervals[0]
    found = [_corner(cell, version, world, low, highest=False), _corner(cell, version, world, high, highest=True)]
    if low < TCP < high:
        found.append(_corner(cell, version, world, TCP, highest=True))
    return list(dict.fromkeys(found))


def _corner(cell: Row, version: IPVersion, world: int, protocol: int, *, highest: bool) -> Packet:
    """Return the packet with the lowest or the highest of everything."""
    everything = (1 << WIDTH[version]) - 1
    source, destination = (
        Address(version, value | (everything & ~care if highest else 0)) for value, care in cell.addresses
    )
    first, second, dscp = (interval[1 if highest else 0] for interval in cell.intervals[1:])
    whole = world == WHOLE
    ports = whole and has_ports(protocol)
    icmp = whole and protocol in (ICMP, ICMPV6)
    care, value = cell.flags
    return Packet(
        source,
        destination,
        protocol,
        source_port=first if ports else 0,
        destination_port=second if ports else 0,
        icmp_type=second >> 8 if icmp else 0,
        icmp_code=second & 255 if icmp else 0,
        flags=(value | (255 & ~care if highest else 0)) if whole and protocol == TCP else 0,
        dscp=dscp,
        fragment=not whole,
    )
