"""Sets of packets as values.

A set belongs to a space: the packets of one IP version. All sets of a space
are subsets of its `full`, and a complement is taken within it. Sets of two
spaces never mix: every operation on both raises.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

from pathcheck.packet.address import IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packetset.bdd import CACHE, NODES, Node, out_of_nodes, spends_nodes
from pathcheck.packetset.encoding import Encoding, Layout

if TYPE_CHECKING:
    from pathcheck.packetset.blocks import Block

__all__ = ["PacketSet", "PacketSpace", "packet_space"]


class PacketSpace:
    """The packets of one layout, and the maker of their sets.

    Sets are made here and by operations on sets. Use :func:`packet_space`;
    a space of its own is for tests and for work that needs its own bounds.

    Parameters
    ----------
    layout
        The bits of a packet that vary.
    nodes
        Bound on the nodes of all sets together.
    cache
        Number of results of operations that are kept; more makes work on very
        long lists faster and the start slower.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from pathcheck.packet.ranges import Ranges
    >>> space = packet_space(4)
    >>> tcp = space.of(replace(Box.everything(4), protocols=Ranges.single(6)))
    >>> tcp <= space.full, (tcp & ~tcp).is_empty
    (True, True)
    """

    def __init__(self, layout: Layout, *, nodes: int = NODES, cache: int = CACHE) -> None:
        with out_of_nodes(nodes):
            self.encoding = Encoding(layout, nodes, cache)
        self.empty = PacketSet(self, self.encoding.diagrams.false)
        """No packet."""
        self.full = PacketSet(self, self.encoding.universe)
        """Each packet that can exist."""

    @property
    def layout(self) -> Layout:
        """The bits of a packet that vary."""
        return self.encoding.layout

    @property
    def version(self) -> IPVersion:
        """4 or 6."""
        return self.encoding.version

    def make_room(self) -> int:
        """Drop what is kept for speed and what no set needs; return the bound on nodes."""
        self.encoding.forget()
        self.encoding.diagrams.collect()
        return self.encoding.diagrams.nodes

    @spends_nodes
    def of(self, box: Box) -> PacketSet:
        """Return the packets of a box.

        Raises
        ------
        ValueError
            The box is of the other IP version.
        """
        return PacketSet(self, self.encoding.box(box))

    @spends_nodes
    def of_boxes(self, boxes: Iterable[Box]) -> PacketSet:
        """Return the packets that are in one of the boxes at least."""
        return PacketSet(self, self._united([self.encoding.box(box) for box in boxes]))

    def union(self, sets: Iterable[PacketSet]) -> PacketSet:
        """Return the packets that are in one of the sets at least."""
        return self._union([self.empty.same_space(other) for other in sets])

    @spends_nodes
    def _union(self, nodes: list[Node]) -> PacketSet:
        return PacketSet(self, self._united(nodes))

    def _united(self, nodes: list[Node]) -> Node:
        """Unite pairs of neighbours first: the operands stay small, which one growing union does not allow."""
        while len(nodes) > 1:
            paired = [first | second for first, second in zip(nodes[::2], nodes[1::2], strict=False)]
            nodes = paired + nodes[len(paired) * 2 :]
        return nodes[0] if nodes else self.encoding.diagrams.false

    @spends_nodes
    def of_packet(self, packet: Packet) -> PacketSet:
        """Return the set of one packet.

        Raises
        ------
        ValueError
            The packet is of the other IP version.
        """
        return PacketSet(self, self.encoding.point(self.encoding.values(packet)) & self.encoding.universe)

    def __repr__(self) -> str:
        return f"<PacketSpace of IPv{self.version}, {self.encoding.count} bits>"


class PacketSet:
    """An exact set of packets of one IP version; immutable, equal exactly if the members are.

    Made by a :class:`PacketSpace` and by the operators `&`, `|`, `-`, `~`,
    never directly. `<=` and `<` compare by inclusion. Sets of two spaces are
    never equal; every other operation on them raises.
    """

    __slots__ = ("_node", "_space")

    def __init__(self, space: PacketSpace, node: Node) -> None:
        self._space = space
        self._node = node

    @property
    def space(self) -> PacketSpace:
        """The space whose packets it holds."""
        return self._space

    @property
    def version(self) -> IPVersion:
        """4 or 6."""
        return self._space.encoding.version

    def make_room(self) -> int:
        """See :meth:`PacketSpace.make_room`."""
        return self._space.make_room()

    def same_space(self, other: PacketSet) -> Node:
        """Return the other set's diagram.

        Raises
        ------
        TypeError
            It is no set of packets.
        ValueError
            It is a set of another space.
        """
        if not isinstance(other, PacketSet):
            raise TypeError(f"expected a set of packets, found `{other!r}`")
        if other._space is not self._space:
            raise ValueError(f"a set of IPv{self.version} packets meets one of IPv{other.version} or of another layout")
        return other._node

    @spends_nodes
    def __and__(self, other: PacketSet) -> PacketSet:
        return PacketSet(self._space, self._node & self.same_space(other))

    @spends_nodes
    def __or__(self, other: PacketSet) -> PacketSet:
        return PacketSet(self._space, self._node | self.same_space(other))

    @spends_nodes
    def __sub__(self, other: PacketSet) -> PacketSet:
        return PacketSet(self._space, self._space.encoding.diagrams.difference(self._node, self.same_space(other)))

    @spends_nodes
    def __xor__(self, other: PacketSet) -> PacketSet:
        return PacketSet(self._space, self._node ^ self.same_space(other))

    @spends_nodes
    def __invert__(self) -> PacketSet:
        encoding = self._space.encoding
        return PacketSet(self._space, encoding.diagrams.difference(encoding.universe, self._node))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, PacketSet):
            return NotImplemented
        return other._space is self._space and other._node == self._node

    def __hash__(self) -> int:
        return hash(self._node)

    def __le__(self, other: PacketSet) -> bool:
        return (self - other).is_empty

    def __lt__(self, other: PacketSet) -> bool:
        return self <= other and self._node != other._node

    def __ge__(self, other: PacketSet) -> bool:
        return (other - self).is_empty

    def __gt__(self, other: PacketSet) -> bool:
        return self >= other and self._node != other._node

    def issubset(self, other: PacketSet) -> bool:
        """Whether each packet is in the other set too; the same as `<=`."""
        return self <= other

    def isdisjoint(self, other: PacketSet) -> bool:
        """Whether no packet is in both sets."""
        return (self & other).is_empty

    def __contains__(self, packet: Packet) -> bool:
        encoding = self._space.encoding
        return encoding.holds(self._node, encoding.values(packet))

    def __bool__(self) -> bool:
        """Whether there is a packet in the set."""
        return not self.is_empty

    @property
    def is_empty(self) -> bool:
        """Whether no packet is in the set."""
        return self._node == self._space.encoding.diagrams.false

    def count(self) -> int:
        """Return how many packets are in the set, exactly."""
        return self._node.sat_count(self._space.encoding.count)

    @spends_nodes
    def sample(self, prefer: Sequence[PacketSet] = ()) -> Packet | None:
        """Return a packet of the set, None of an empty one; equal sets give equal samples.

        Parameters
        ----------
        prefer
            The set is narrowed by each of these in turn that leaves something of it.

        See Also
        --------
        pathcheck.packetset.sample : which packet is taken.
        """
        from pathcheck.packetset.sample import natural_packet

        return natural_packet(self._space.encoding, self._node, [self.same_space(wish) for wish in prefer])

    @spends_nodes
    def boxes(self, limit: int | None = None, *, free: PacketSet | None = None) -> list[Box]:
        """Return few boxes whose union is exactly the set; boxes may overlap.

        Parameters
        ----------
        limit
            Stop after that many boxes; they are then only a part of the set.
        free
            Packets that the boxes may hold or not, whichever makes them few: the union is then
            the set and some of these.

        Raises
        ------
        ValueError
            Types of the other IP version's ICMP are told apart, which no box
            can do. No set that was made from boxes does.

        See Also
        --------
        pathcheck.packetset.cubes : how they are found.
        """
        from pathcheck.packetset.cubes import cover

        return cover(self._space.encoding, self._node, limit, None if free is None else self.same_space(free))

    def blocks(self, limit: int | None = None, *, free: PacketSet | None = None) -> list[tuple[Block, PacketSet]]:
        """Return few blocks whose union is exactly the set, each with its packets; parameters as :meth:`boxes`.

        See Also
        --------
        pathcheck.packetset.blocks : what a block is, and how they are found.
        """
        return [(block, PacketSet(self._space, node)) for block, node in self._blocks(limit, free)]

    @spends_nodes
    def _blocks(self, limit: int | None, free: PacketSet | None) -> list[tuple[Block, Node]]:
        from pathcheck.packetset.blocks import found_blocks

        within = None if free is None else self.same_space(free)
        return list(found_blocks(self._space.encoding, self._node, limit, within))

    @spends_nodes
    def reply(self) -> PacketSet:
        """Return the packets that answer those of the set.

        See Also
        --------
        pathcheck.packetset.reply : what answers what.
        """
        from pathcheck.packetset.reply import answers

        return PacketSet(self._space, answers(self._space.encoding, self._node))

    @spends_nodes
    def sources(self) -> Ranges:
        """Return the source addresses of the packets of the set, as numbers."""
        encoding = self._space.encoding
        return encoding.spans(encoding.project(self._node, "source"), "source")

    @spends_nodes
    def destinations_within(self, most: int) -> tuple[Prefix, ...]:
        """Return at most so many prefixes that hold the destinations of all packets of the set, in order.

        They hold no others where so many suffice.
        """
        encoding = self._space.encoding
        node = encoding.project(self._node, "destination")
        return tuple(
            Prefix(self.version, value, length)
            for value, length in encoding.prefixes_over(node, "destination", most)
        )  # fmt: skip

    def __repr__(self) -> str:
        return f"<PacketSet of IPv{self.version}, {self.count()} packets>"


@lru_cache(maxsize=2)
def packet_space(version: IPVersion) -> PacketSpace:
    """Return the space of all packets of an IP version; the same one each time."""
    return PacketSpace(Layout.of_version(version))
