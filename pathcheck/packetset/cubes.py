"""A set of packets as few boxes that a human can read.

Boxes are taken one after the other until nothing of the set is left. Each is
grown around a packet that is still left, field by field, as far as it stays
inside the whole set; so boxes may overlap, as lines of an access list do. In
which field a box grows first decides its shape (a wide box of few ports, or a
narrow one of many): several orders are tried and the box that takes most of
what is left is kept. At last boxes are dropped that the others contain. The
union is the set, exactly; that no smaller number of boxes would do is not
promised.

Addresses are prefixes. A wildcard mask that is no prefix is used only where it
stands for more than three prefixes.

The recursion of `_TernaryCover._between` is the textbook one for prime and
irredundant covers of a function between two bounds (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import accumulate

from pathcheck.packet.box import Box
from pathcheck.packet.protocol import PORT_PROTOCOLS, TCP
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.bdd import Node
from pathcheck.packetset.encoding import LAYER4, Encoding, Field, own_icmp

__all__ = ["ORDERS", "BoxSearch", "Layer4", "cover"]

ORDERS = (
    ("layer4", "source", "destination"),
    ("layer4", "destination", "source"),
    ("source", "destination", "layer4"),
    ("destination", "source", "layer4"),
)
_LAYER4_ORDERS: tuple[tuple[Field, ...], ...] = (
    ("flags", "protocol", "first", "second"),
    ("first", "second", "flags", "protocol"),
    ("second", "first", "flags", "protocol"),
)
_WILDCARD_COST = 3
"""A wildcard mask is as hard to read as that many prefixes."""
_LARGE = 400
"""Nodes of a set of addresses above which wildcard masks are not looked for: it would take too long."""


def cover(encoding: Encoding, node: Node, limit: int | None = None, free: Node | None = None) -> list[Box]:
    """Return boxes whose union is the set, or the first of them.

    Parameters
    ----------
    free
        Packets that boxes may hold or not, whichever makes them few.

    Raises
    ------
    ValueError
        Types of the other IP version's ICMP are told apart, which no box can do.
    """
    search = BoxSearch(encoding, node if free is None else node | free)
    found = [(box, encoding.box(box) & node) for box in search.boxes(limit, node)]
    return [box for box, _ in _needed(encoding, found)]


def _needed(encoding: Encoding, found: list[tuple[Box, Node]]) -> list[tuple[Box, Node]]:
    """Leave out each box that the others contain, the latest first."""
    before = [encoding.diagrams.false]
    for _, node in found:
        before.append(before[-1] | node)
    kept: list[tuple[Box, Node]] = []
    after = encoding.diagrams.false
    for (box, node), earlier in zip(reversed(found), reversed(before[:-1]), strict=True):
        # The latest box is always needed: it was grown around a packet that no earlier box has.
        if encoding.diagrams.difference(node, earlier | after) != encoding.diagrams.false:
            kept.append((box, node))
            after |= node
    return kept[::-1]


_Masked = tuple[int, int]
"""A value and the mask of the bits that count."""


@dataclass(frozen=True, slots=True)
class Layer4:
    """The part of a box that is not addresses and DSCP, with its packets."""

    box: Box
    node: Node


class BoxSearch:
    """The search for boxes of one set."""

    def __init__(self, encoding: Encoding, node: Node) -> None:
        self.encoding = encoding
        self.whole_set = node
        self.any = Box.everything(encoding.version)
        self.addresses = {field: _TernaryCover(encoding, field) for field in ("source", "destination")}
        # The same few functions of layer 4 come back at many addresses.
        self._numbers: dict[tuple[Node, Field], Ranges] = {}
        self._parts: dict[tuple[Node, tuple[int, ...]], list[Layer4]] = {}

    def boxes(self, limit: int | None, wanted: Node) -> Iterator[Box]:
        """Yield boxes inside the whole set until nothing of what is wanted is left or there are enough."""
        d = self.encoding.diagrams
        left, number = wanted, 0
        while left != d.false and (limit is None or number < limit):
            box, node = self._best(left)
            left = d.difference(left, node)
            number += 1
            yield box

    def _best(self, left: Node) -> tuple[Box, Node]:
        """Return the box around the lowest packet left that takes most of what is left."""
        point = self._point(left)
        best: tuple[int, Box, Node] | None = None
        tried = set()
        for box in self._grown(point):
            if box in tried:
                continue
            tried.add(box)
            node = self.encoding.box(box)
            taken = (node & left).sat_count(self.encoding.count)
            if best is None or taken > best[0]:
                best = taken, box, node
        assert best is not None  # each order yields a box
        return best[1], best[2]

    def _point(self, left: Node) -> dict[Field, int]:
        """Return the packet left that a walk along the diagram meets first, low values first."""
        values: dict[Field, int] = {}
        for field, variables in self.encoding.variables.items():
            number = 0
            for bit, variable in variables.items():
                low, high = self.encoding.split(left, variable)
                if low == self.encoding.diagrams.false:
                    number |= 1 << bit
                    left = high
                else:
                    left = low
            values[field] = number
        return values

    def _grown(self, point: dict[Field, int]) -> Iterator[Box]:
        """Yield a box around the point for each order in which its fields can grow."""
        e = self.encoding
        fixed = e.point({field: value for field, value in point.items() if field != "dscp"})
        dscp = self._spans(e.diagrams.some(self.whole_set, fixed, e.all_but("dscp")), "dscp")
        start = self.any if _is_full(e, "dscp", dscp) else replace(self.any, dscp=dscp)
        inside = e.diagrams.each(self.whole_set, e.numbers("dscp", dscp), e.cube("dscp"))
        for order in ORDERS:
            yield from self._grow(start, inside, point, order)

    def _grow(self, box: Box, inside: Node, point: dict[Field, int], order: tuple[str, ...]) -> Iterator[Box]:
        """Yield boxes that grew by the order; `inside` is what may be taken given what the box has already."""
        e = self.encoding
        if not order:
            yield box
            return
        later: list[Field] = []
        for name in order[1:]:
            later += LAYER4 if name == "layer4" else (name,)  # type: ignore[arg-type]
        around = e.point({field: point[field] for field in later})
        # What this part can take while the later parts stay at the point.
        room = e.diagrams.some(inside, around, e.cube(*later)) if later else inside
        if order[0] == "layer4":
            key = room, tuple(point[field] for field in LAYER4)
            parts = self._parts.get(key)
            if parts is None:
                parts = self._parts[key] = self._layer4(room, point)
            for part in parts:
                rest = e.diagrams.each(inside, part.node, e.cube(*LAYER4))
                grown = replace(part.box, source=box.source, destination=box.destination, dscp=box.dscp)
                yield from self._grow(grown, rest, point, order[1:])
            return
        field: Field = "source" if order[0] == "source" else "destination"
        match = self.addresses[field].around(room, point[field])
        grown = replace(box, source=match) if field == "source" else replace(box, destination=match)
        rest = e.diagrams.each(inside, e.address(field, match), e.cube(field))
        yield from self._grow(grown, rest, point, order[1:])

    def _spans(self, node: Node, field: Field) -> Ranges:
        numbers = self._numbers.get((node, field))
        if numbers is None:
            numbers = self._numbers[node, field] = self.encoding.spans(node, field)
        return numbers

    def _part(self, box: Box) -> Layer4:
        return Layer4(box, self.encoding.box(box).exists(self.encoding.cube("source", "destination", "dscp")))

    def _layer4(self, room: Node, point: dict[Field, int]) -> list[Layer4]:
        """Return what a box can be in layer 4 around the point, given a function of layer 4."""
        e = self.encoding
        protocol, fragment = point["protocol"], bool(point["fragment"])
        everything = self._protocols(room, e.diagrams.true)
        if protocol in everything:
            return [self._part(replace(self.any, protocols=self._limit(everything)))]
        alike = self._protocols(room, e.ternary("fragment", fragment, 1))
        if protocol in alike:
            # Protocols that need no such limit are left to a box without it, unless that box would take less.
            narrow = alike & everything.complement(255)
            choices = dict.fromkeys((self._limit(narrow), self._limit(alike)))
            return [self._part(replace(self.any, protocols=numbers, fragment=fragment)) for numbers in choices]
        if protocol == own_icmp(e.version):
            here = e.point({"protocol": protocol, "fragment": 0, "first": 0, "flags": 0})
            types = self._spans(e.diagrams.some(room, here, e.cube("protocol", "fragment", "first", "flags")), "second")
            return [self._part(replace(self.any, protocols=Ranges.single(protocol), icmp=types))]
        if protocol not in PORT_PROTOCOLS:
            raise ValueError(
                f"packets of protocol {protocol} are told apart by ICMP types, which no box of IPv{e.version} does"
            )
        boxes = []
        for order in _LAYER4_ORDERS:
            box = self._ports(room, point, order)
            assert box.protocols is not None
            narrow = box.protocols & everything.complement(255)
            boxes += [replace(box, protocols=narrow), box]
        return [self._part(box) for box in dict.fromkeys(boxes)]

    def _limit(self, protocols: Ranges) -> Ranges | None:
        return None if _is_full(self.encoding, "protocol", protocols) else protocols

    def _protocols(self, room: Node, among: Node) -> Ranges:
        """Return the protocols of which each packet of a kind may be taken."""
        e = self.encoding
        rest: tuple[Field, ...] = ("fragment", "first", "second", "flags")
        some = (e.universe & among).exists(e.all_but("protocol"))
        return self._spans(e.diagrams.each(room, e.universe & among, e.cube(*rest)) & some, "protocol")

    def _ports(self, room: Node, point: dict[Field, int], order: tuple[Field, ...]) -> Box:
        """Return a box of packets with ports around the point, grown by the order."""
        e = self.encoding
        room = e.diagrams.some(room, e.whole, e.cube("fragment"))
        # Flags are zero but in TCP: for the other protocols they are free and limit nothing.
        tcp = e.numbers("protocol", Ranges.single(TCP))
        room = (room & tcp) | e.diagrams.difference(room, tcp).exists(e.cube("flags"))
        room = room & e.numbers("protocol", Ranges.of(*((number, number) for number in PORT_PROTOCOLS)))
        box = self.any
        for place, field in enumerate(order):
            later = order[place + 1 :]
            around = e.point({name: point[name] for name in later})
            values = e.diagrams.some(room, around, e.cube(*later)) if later else room
            if field == "flags":
                taken = values
                if values != e.diagrams.true and point["protocol"] == TCP:
                    box = replace(box, flags=_flag_match(e, values))
            else:
                numbers = self._spans(values, field)
                taken = e.numbers(field, numbers)
                if field == "protocol":
                    box = replace(box, protocols=numbers)
                elif not _is_full(e, field, numbers):
                    box = (
                        replace(box, source_ports=numbers)
                        if field == "first"
                        else replace(box, destination_ports=numbers)
                    )
            room = e.diagrams.each(room, taken, e.cube(field))
        if box.flags is not None:
            # The limit of flags is one to TCP already; other protocols that fit are no part of this box.
            box = replace(box, protocols=Ranges.single(TCP))
        return box


def _is_full(encoding: Encoding, field: Field, numbers: Ranges) -> bool:
    """Whether the numbers are all that the field can have."""
    return numbers.size >= 1 << len(encoding.variables[field])


def _flag_match(encoding: Encoding, node: Node) -> FlagMatch:
    """Return a function of the flags alone as alternatives of bits."""
    return FlagMatch.of(*((care, value) for value, care in _TernaryCover(encoding, "flags").crossing(node)))


class _TernaryCover:
    """Functions of one field alone as prefixes, and as values under a mask where that is much shorter."""

    def __init__(self, encoding: Encoding, field: Field) -> None:
        self.encoding = encoding
        self.bits = list(encoding.variables[field].items())
        self.bit_of = {variable: bit for bit, variable in self.bits}
        # By place: the masks in which the bits from there on count without a gap.
        self._prefixes = [
            set(accumulate((1 << bit for bit, _ in self.bits[place:]), initial=0)) for place in range(len(self.bits))
        ]
        self._costs: dict[tuple[Node, int], int] = {}
        self._crossings: dict[tuple[Node, Node], tuple[tuple[_Masked, ...], Node]] = {}

    def around(self, node: Node, value: int) -> AddressMatch:
        """Return a wide match that holds the value and lies in the function."""
        d = self.encoding.diagrams
        small = node.node_count() <= _LARGE
        care = 0
        for place, (bit, variable) in enumerate(self.bits):
            if node == d.true:
                break
            if small and self._crossing_pays(node, place):
                masks = (mask for masked, mask in self.crossing(node) if value & mask == masked)
                care |= min(masks, key=lambda mask: (mask.bit_count(), mask))
                break
            care |= 1 << bit
            node = self.encoding.split(node, variable)[value >> bit & 1]
        return AddressMatch(self.encoding.version, value & care, care)

    def _crossing_pays(self, node: Node, place: int) -> bool:
        """Whether masks are a shorter form of a function of the bits from a place on than prefixes."""
        sides = self.encoding.split(node, self.bits[place][1])
        return self._may_cross(sides) and self._crossing_cost(node, place) < self._sides_cost(sides, place)

    def _may_cross(self, sides: tuple[Node, Node]) -> bool:
        """Whether some mask could leave the bit free and save anything: both sides have values in common, not all."""
        d = self.encoding.diagrams
        return d.true not in sides and d.false not in sides and sides[0] & sides[1] != d.false

    def _sides_cost(self, sides: tuple[Node, Node], place: int) -> int:
        return sum(self._cost(side, place + 1) for side in sides)

    def _crossing_cost(self, node: Node, place: int) -> int:
        return sum(1 if mask in self._prefixes[place] else _WILDCARD_COST for _, mask in self.crossing(node))

    def _cost(self, node: Node, place: int) -> int:
        """Return how hard to read a function of the bits from a place on is."""
        d = self.encoding.diagrams
        if node in (d.true, d.false):
            return int(node == d.true)
        cost = self._costs.get((node, place))
        if cost is None:
            sides = self.encoding.split(node, self.bits[place][1])
            cost = self._sides_cost(sides, place)
            if cost > _WILDCARD_COST and self._may_cross(sides):
                cost = min(cost, self._crossing_cost(node, place))
            self._costs[node, place] = cost
        return cost

    def crossing(self, node: Node) -> tuple[_Masked, ...]:
        """Return a function of the field as values under masks, none of which could do with fewer care bits."""
        return self._between(node, node)[0]

    def _between(self, lower: Node, upper: Node) -> tuple[tuple[_Masked, ...], Node]:
        """Return masked values, and their union, that hold the lower function and lie in the upper one."""
        e, d = self.encoding, self.encoding.diagrams
        if lower == d.false:
            return (), d.false
        if upper == d.true:
            return ((0, 0),), d.true
        found = self._crossings.get((lower, upper))
        if found is not None:
            return found
        variable = min(level for level in (lower.node_level(), upper.node_level()) if level is not None)
        bit = 1 << self.bit_of[variable]
        lower0, lower1 = e.split(lower, variable)
        upper0, upper1 = e.split(upper, variable)
        zeros, union0 = self._between(d.difference(lower0, upper1), upper0)
        ones, union1 = self._between(d.difference(lower1, upper0), upper1)
        rest = d.difference(lower0, union0) | d.difference(lower1, union1)
        both, union = self._between(rest, upper0 & upper1)
        masked = (
            *((value, care | bit) for value, care in zeros),
            *((value | bit, care | bit) for value, care in ones),
            *both,
        )
        union |= (d.literal(variable, 0) & union0) | (d.literal(variable, 1) & union1)
        self._crossings[lower, upper] = masked, union
        return masked, union
