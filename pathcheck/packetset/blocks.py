"""A set of packets as few blocks: each has any set of sources, any set of destinations, and a box of the rest.

Boxes have one prefix at each end, because that is what documents and lists can
say; one whose packets go from nine subnets to forty takes hundreds of them. A
reader wants the one row. So blocks grow as boxes do (see `cubes.py`), but take at each end all addresses at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from pathcheck.packet.box import Box
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.bdd import Node
from pathcheck.packetset.cubes import ORDERS, BoxSearch
from pathcheck.packetset.encoding import LAYER4, Encoding, Field

__all__ = ["Block", "found_blocks"]

_MOST = 256
"""Prefixes of one end; a set of more is told prefix by prefix."""


@dataclass(frozen=True, slots=True)
class Block:
    """All packets from some sources to some destinations that a box holds.

    Parameters
    ----------
    box
        Its own addresses are `any`.
    """

    sources: tuple[Prefix, ...]
    destinations: tuple[Prefix, ...]
    box: Box


def found_blocks(encoding: Encoding, node: Node, limit: int | None, free: Node | None) -> Iterator[tuple[Block, Node]]:
    """Yield blocks whose union is a set, or the first of them, each with its packets.

    Parameters
    ----------
    free
        Packets that blocks may hold or not, whichever makes them few.
    """
    search = _BlockSearch(encoding, node if free is None else node | free)
    left, number = node, 0
    while left != encoding.diagrams.false and (limit is None or number < limit):
        block, held = search.best_block(left)
        left = encoding.diagrams.difference(left, held)
        number += 1
        yield block, held


class _BlockSearch(BoxSearch):
    """The search for blocks of one set."""

    def best_block(self, left: Node) -> tuple[Block, Node]:
        """Return the block around the lowest packet left that takes most of what is left."""
        e = self.encoding
        point = self._point(left)
        fixed = e.point({field: value for field, value in point.items() if field != "dscp"})
        dscp = self._spans(e.diagrams.some(self.whole_set, fixed, e.all_but("dscp")), "dscp")
        whole = dscp.size >= 1 << len(e.variables["dscp"])
        start = self.any if whole else replace(self.any, dscp=dscp)
        inside = e.diagrams.each(self.whole_set, e.numbers("dscp", dscp), e.cube("dscp"))
        best: tuple[int, Node, Node, Box, Node] | None = None
        for order in ORDERS:
            for box, source, destination in self._block(
                start, inside, point, order, (e.diagrams.true, e.diagrams.true)
            ):
                node = e.box(box) & source & destination
                taken = (node & left).sat_count(e.count)
                if best is None or taken > best[0]:
                    best = taken, source, destination, box, node
        assert best is not None  # each order yields a block
        _, source, destination, box, node = best
        wanted = node & left
        return Block(
            self._prefixes(source, wanted, "source"), self._prefixes(destination, wanted, "destination"), box
        ), node

    def _block(
        self, box: Box, inside: Node, point: dict[Field, int], order: tuple[str, ...], ends: tuple[Node, Node]
    ) -> Iterator[tuple[Box, Node, Node]]:
        """Yield blocks that grew by the order, as boxes do."""
        e = self.encoding
        if not order:
            yield (box, *ends)
            return
        later: list[Field] = []
        for name in order[1:]:
            later += LAYER4 if name == "layer4" else (name,)  # type: ignore[arg-type]
        room = e.diagrams.some(inside, e.point({f: point[f] for f in later}), e.cube(*later)) if later else inside
        if order[0] == "layer4":
            for part in self._layer4(room, point):
                rest = e.diagrams.each(inside, part.node, e.cube(*LAYER4))
                yield from self._block(replace(part.box, dscp=box.dscp), rest, point, order[1:], ends)
            return
        field: Field = "source" if order[0] == "source" else "destination"
        taken = room
        if len(e.prefixes_over(room, field, _MOST + 1)) > _MOST:
            taken = e.address(field, self.addresses[field].around(room, point[field]))
        rest = e.diagrams.each(inside, taken, e.cube(field))
        grown = (taken, ends[1]) if field == "source" else (ends[0], taken)
        yield from self._block(box, rest, point, order[1:], grown)

    def _prefixes(self, ends: Node, wanted: Node, field: Field) -> tuple[Prefix, ...]:
        """Return the addresses of one end, without prefixes of which no packet is wanted."""
        e, version = self.encoding, self.encoding.version
        needed = e.project(wanted, field)
        found = (Prefix(version, *each) for each in e.prefixes_over(ends, field, _MOST + 1))
        return tuple(
            prefix for prefix in found if (e.address(field, AddressMatch.prefix(prefix)) & needed) != e.diagrams.false
        )
