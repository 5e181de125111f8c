"""Which variable of a diagram stands for which bit of a packet, and how criteria become diagrams.

Bits. A field is written with its highest bit first. Layer 4 has two words of
16 bits: the first is the source port, the second the destination port or, in
ICMP, `type * 256 + code`; no packet has both. A field that a packet does not
have is zero, as in :class:`pathcheck.packet.packet.Packet`, so each packet is
one assignment of the variables. The assignments that are no packet are left
out of every set (`Encoding.universe`); therefore equal sets are equal diagrams.

Order. Source, destination, protocol, fragment, first word, second word, flags,
DSCP, each from its highest bit. Measured on published filter sets
(docs/engine.md): a first-match pass over 7,624 lines creates 7.0 million nodes
with the addresses on top, 9.4 million with the protocol above them and more
than 15 million with the ports above them too. Beneath the addresses stand the few
different functions of layer 4 that a list has, shared by all addresses.
Interleaving source and destination changes little in either direction.

Small layouts. A layout names the bits of each field that vary; all others are
zero. A layout of few bits is the set of those real packets, so a test can list
each of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.protocol import ICMP, ICMPV6, PORT_PROTOCOLS, TCP
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.bdd import CACHE, NODES, Diagrams, Node

__all__ = ["FIELDS", "Encoding", "Field", "Layout", "own_icmp"]

Field = Literal["source", "destination", "protocol", "fragment", "first", "second", "flags", "dscp"]

FIELDS: tuple[Field, ...] = ("source", "destination", "protocol", "fragment", "first", "second", "flags", "dscp")
"""The fields in the order of their variables, from the top."""

LAYER4: tuple[Field, ...] = ("protocol", "fragment", "first", "second", "flags")

_WIDTH: dict[Field, int] = {"protocol": 8, "fragment": 1, "first": 16, "second": 16, "flags": 8, "dscp": 6}
_CACHED = 100_000
"""Pieces of criteria that are kept; more than the lists of a fleet have, and few enough to hold."""


def own_icmp(version: IPVersion) -> int:
    """Return the number of the ICMP of an IP version."""
    return ICMP if version == 4 else ICMPV6


def _all_bits(width: int) -> tuple[int, ...]:
    return tuple(range(width - 1, -1, -1))


@dataclass(frozen=True, slots=True)
class Layout:
    """The bits of each field that vary; bit 0 is the lowest.

    Parameters
    ----------
    version
        4 or 6.
    address, protocol, fragment, word, flags, dscp
        Bit positions, highest first. Source and destination vary in the same
        bits, and so do the two words of layer 4.

    Raises
    ------
    ValueError
        Positions are not in falling order or outside the field.
    """

    version: IPVersion
    address: tuple[int, ...]
    protocol: tuple[int, ...] = _all_bits(8)
    fragment: tuple[int, ...] = (0,)
    word: tuple[int, ...] = _all_bits(16)
    flags: tuple[int, ...] = _all_bits(8)
    dscp: tuple[int, ...] = _all_bits(6)

    def __post_init__(self) -> None:
        for field in FIELDS:
            bits = self.bits(field)
            if list(bits) != sorted(set(bits), reverse=True) or any(
                not 0 <= bit < _width(self.version, field) for bit in bits
            ):
                raise ValueError(f"the bits of {field} must fall from {_width(self.version, field) - 1} to 0 at most")

    @classmethod
    def of_version(cls, version: IPVersion) -> Layout:
        """Return the layout of all packets of one IP version."""
        return cls(version, _all_bits(WIDTH[version]))

    def bits(self, field: Field) -> tuple[int, ...]:
        """Return the bits of a field that vary, highest first."""
        if field in ("source", "destination"):
            return self.address
        if field in ("first", "second"):
            return self.word
        bits: tuple[int, ...] = getattr(self, field)
        return bits


@lru_cache(maxsize=64)
def _width(version: IPVersion, field: Field) -> int:
    """Return the bits that a field has in a packet."""
    return _WIDTH.get(field, WIDTH[version])


class Encoding:
    """Criteria as diagrams, and assignments as packets, for one layout.

    Parameters
    ----------
    layout
        The bits that vary.
    nodes, cache
        See :class:`pathcheck.packetset.bdd.Diagrams`.
    """

    def __init__(self, layout: Layout, nodes: int = NODES, cache: int = CACHE) -> None:
        self.layout = layout
        self.version = layout.version
        self.variables: dict[Field, dict[int, int]] = {}
        """Field to bit to variable; the bits in falling order."""
        number = 0
        for field in FIELDS:
            self.variables[field] = {bit: number + place for place, bit in enumerate(layout.bits(field))}
            number += len(self.variables[field])
        self.count = number
        self.diagrams = Diagrams(number, nodes, cache)
        self._addresses: dict[tuple[Field, int, int], Node] = {}
        self._criteria: dict[object, Node] = {}
        self._cubes: dict[tuple[Field, ...], Node] = {}
        self.whole = self._zero("fragment")
        """Packets that are no non-initial fragments."""
        self.universe = self._universe()

    def forget(self) -> None:
        """Drop the pieces that are only kept for speed."""
        self._addresses.clear()
        self._criteria.clear()

    def _zero(self, field: Field) -> Node:
        return self.ternary(field, 0, -1)

    def _universe(self) -> Node:
        """Return the assignments that are packets: what a packet does not have is zero."""
        d = self.diagrams
        ports = self.numbers("protocol", Ranges.of(*((number, number) for number in PORT_PROTOCOLS)))
        types = self.numbers("protocol", Ranges.of((ICMP, ICMP), (ICMPV6, ICMPV6)))
        tcp = self.numbers("protocol", Ranges.single(TCP))
        first = self._zero("first") | (self.whole & ports)
        second = self._zero("second") | (self.whole & (ports | types))
        flags = self._zero("flags") | (self.whole & tcp)
        return d.true & first & second & flags

    def ternary(self, field: Field, value: int, care: int) -> Node:
        """Return where a field agrees with a value on the bits under a care mask."""
        variables = self.variables[field]
        fixed = 0
        literals = []
        for bit, variable in variables.items():
            fixed |= 1 << bit
            if care >> bit & 1:
                literals.append((variable, value >> bit & 1))
        if value & care & ~fixed:
            return self.diagrams.false
        return self.diagrams.conjunction(literals)

    def numbers(self, field: Field, ranges: Ranges) -> Node:
        """Return where a field's number is in the ranges."""
        return self.remembered((field, ranges), lambda: self._numbers(field, ranges))

    def _numbers(self, field: Field, ranges: Ranges) -> Node:
        node = self.diagrams.false
        for low, high in ranges.spans:
            node |= self._compared(field, low, True) & self._compared(field, high, False)
        return node

    def remembered(self, key: object, make: Callable[[], Node]) -> Node:
        """Return what was made for the key before, or make it."""
        node = self._criteria.get(key)
        if node is None:
            if len(self._criteria) > _CACHED:
                self._criteria.clear()
            node = self._criteria[key] = make()
        return node

    def _compared(self, field: Field, bound: int, at_least: bool) -> Node:
        """Return where a field's number is at least, or else at most, the bound."""
        d, variables = self.diagrams, self.variables[field]
        node = d.true
        for bit in range(max(bound.bit_length(), _width(self.version, field))):
            variable = variables.get(bit)
            wanted = bound >> bit & 1
            if variable is None:
                # This bit of the number is always 0.
                if wanted:
                    node = d.false if at_least else d.true
            elif at_least:
                node = d.literal(variable, 1) & node if wanted else d.literal(variable, 1) | node
            else:
                node = d.literal(variable, 0) | node if wanted else d.literal(variable, 0) & node
        return node

    def address(self, field: Field, match: AddressMatch) -> Node:
        """Return where an address matches."""
        key = (field, match.value, match.care)
        node = self._addresses.get(key)
        if node is None:
            if len(self._addresses) > _CACHED:
                self._addresses.clear()
            node = self._addresses[key] = self.ternary(field, match.value, match.care)
        return node

    def box(self, box: Box) -> Node:
        """Return the packets of a box, each of them in the universe.

        Raises
        ------
        ValueError
            The box is of the other IP version.
        """
        if box.source.version != self.version:
            raise ValueError(f"a box of IPv{box.version} is given where IPv{self.version} is expected")
        key = (box.protocols, box.source_ports, box.destination_ports, box.icmp, box.flags, box.fragment, box.dscp)
        node = self.remembered(key, lambda: self._upper(box))
        if box.destination.care:
            node = self.address("destination", box.destination) & node
        if box.source.care:
            node = self.address("source", box.source) & node
        return node

    def _upper(self, box: Box) -> Node:
        """Return the packets that agree with all of a box but its addresses."""
        node = self.universe
        if box.protocols is not None or box.names_layer4:
            node &= self.numbers("protocol", box.effective_protocols())
        if box.names_layer4:
            node &= self.whole
        if box.fragment is not None:
            node &= self.ternary("fragment", box.fragment, 1)
        if box.source_ports is not None:
            node &= self.numbers("first", box.source_ports)
        if box.destination_ports is not None:
            node &= self.numbers("second", box.destination_ports)
        if box.icmp is not None:
            node &= self.numbers("second", box.icmp)
        if box.flags is not None:
            alternatives = self.diagrams.false
            for care, value in box.flags.cubes:
                alternatives |= self.ternary("flags", value, care)
            node &= alternatives
        if box.dscp is not None:
            node &= self.numbers("dscp", box.dscp)
        return node

    def cube(self, *fields: Field) -> Node:
        """Return the variables of fields in the form in which quantifiers want them."""
        node = self._cubes.get(fields)
        if node is None:
            node = self._cubes[fields] = self.diagrams.cube(
                variable for field in fields for variable in self.variables[field].values()
            )
        return node

    def all_but(self, *fields: Field) -> Node:
        """Return the variables of all other fields, as `cube` does."""
        return self.cube(*(field for field in FIELDS if field not in fields))

    def project(self, node: Node, field: Field) -> Node:
        """Return the values that a field has in some packet of a set."""
        return node.exists(self.all_but(field))

    def values(self, packet: Packet) -> dict[Field, int]:
        """Return the number in each field of a packet.

        Raises
        ------
        ValueError
            The packet is of the other IP version.
        """
        if packet.version != self.version:
            raise ValueError(f"a packet of IPv{packet.version} is given where IPv{self.version} is expected")
        return {
            "source": packet.source.value,
            "destination": packet.destination.value,
            "protocol": packet.protocol,
            "fragment": int(packet.fragment),
            "first": packet.source_port,
            "second": packet.destination_port or packet.icmp_type << 8 | packet.icmp_code,
            "flags": packet.flags,
            "dscp": packet.dscp,
        }

    def point(self, values: dict[Field, int]) -> Node:
        """Return where each given field has its value."""
        literals = []
        for field, value in values.items():
            rest = value
            for bit, variable in self.variables[field].items():
                literals.append((variable, value >> bit & 1))
                rest &= ~(1 << bit)
            if rest:
                return self.diagrams.false
        return self.diagrams.conjunction(literals)

    def holds(self, node: Node, values: dict[Field, int]) -> bool:
        """Whether the assignment of all fields is in a set."""
        assignment = []
        for field, value in values.items():
            rest = value
            for bit, variable in self.variables[field].items():
                assignment.append((variable, bool(value >> bit & 1)))
                rest &= ~(1 << bit)
            if rest:
                return False
        return node.eval(assignment)

    def packet(self, values: dict[Field, int]) -> Packet:
        """Return the packet of an assignment that is in the universe."""
        protocol, second = values["protocol"], values["second"]
        ports = protocol in PORT_PROTOCOLS
        return Packet(
            Address(self.version, values["source"]),
            Address(self.version, values["destination"]),
            protocol,
            source_port=values["first"],
            destination_port=second if ports else 0,
            icmp_type=0 if ports else second >> 8,
            icmp_code=0 if ports else second & 255,
            flags=values["flags"],
            dscp=values["dscp"],
            fragment=bool(values["fragment"]),
        )

    def prefixes_over(self, node: Node, field: Field, most: int) -> list[tuple[int, int]]:
        """Return at most so many prefixes, as value and length, that hold all numbers of a function of one field.

        They are exactly these numbers where so many suffice.
        """
        bits = list(self.variables[field].items())
        done: list[tuple[int, int]] = []
        level = [(node, 0)] if node != self.diagrams.false else []
        for place, (bit, variable) in enumerate(bits):
            below: list[tuple[Node, int]] = []
            for here, value in level:
                if here == self.diagrams.true:
                    done.append((value, place))
                    continue
                for side, half in enumerate(self.split(here, variable)):
                    if half != self.diagrams.false:
                        below.append((half, value | side << bit))
            if len(done) + len(below) > most:
                held = [(value, place) for here, value in level if here != self.diagrams.true]
                return sorted(done + held)
            level = below
        return sorted(done + [(value, len(bits)) for _, value in level])

    def spans(self, node: Node, field: Field) -> Ranges:
        """Return the numbers of a field, given a function of that field alone."""
        return Ranges.of(*self._spans(node, list(self.variables[field].items()), 0, {}))

    def _spans(
        self, node: Node, bits: list[tuple[int, int]], place: int, known: dict[tuple[Node, int], list[tuple[int, int]]]
    ) -> list[tuple[int, int]]:
        """Return the numbers that the bits from a place on can make, in order, neighbours joined."""
        if node == self.diagrams.false:
            return []
        if place == len(bits):
            return [(0, 0)]
        if node == self.diagrams.true and len(bits) - place == bits[place][0] + 1:
            return [(0, (2 << bits[place][0]) - 1)]
        found = known.get((node, place))
        if found is None:
            bit, variable = bits[place]
            low, high = self.split(node, variable)
            found = self._spans(low, bits, place + 1, known).copy()
            for start, end in self._spans(high, bits, place + 1, known):
                start, end = start + (1 << bit), end + (1 << bit)
                if found and found[-1][1] + 1 == start:
                    found[-1] = (found[-1][0], end)
                else:
                    found.append((start, end))
            known[node, place] = found
        return found

    def split(self, node: Node, variable: int) -> tuple[Node, Node]:
        """Return a function of variables from one on downwards, where the variable is 0 and where it is 1."""
        if node.node_level() != variable:
            return node, node
        cofactors = node.cofactors()
        assert cofactors is not None  # a node with a level is no terminal
        return cofactors[1], cofactors[0]

    def lowest(self, node: Node, field: Field) -> Iterator[tuple[int, int]]:
        """Walk a function of one field that is not empty to its lowest number: yield each bit and its value."""
        for bit, variable in self.variables[field].items():
            low, high = self.split(node, variable)
            value = int(low == self.diagrams.false)
            node = high if value else low
            yield bit, value
