"""Which packets of a flow are sent: some of each of its ends, and some drawn from its words alone."""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Sequence

from pathcheck.errors import CapacityError
from pathcheck.model.flow import Flow
from pathcheck.network.reachability import End, Start
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import ICMP, ICMPV6, TCP, has_ports
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ALL_FLAGS, RST, SYN
from pathcheck.packet.wildcard import AddressMatch

__all__ = ["chosen_packets"]

_BOXES = 6
"""Rows of an end of which packets are taken."""

_EACH = 3
"""Packets of each row."""

_ADDRESSES = 200
"""So many different addresses a rehearsal has at each end: each is a neighbour in the kernel's table."""

_PROTOCOLS = (1, 6, 17, 47, 50, 58, 89, 132)
_PORTS = (0, 22, 23, 53, 80, 123, 161, 443, 1023, 1024, 8080, 49152, 65535)
_FLAGS = (SYN, ACK, SYN | ACK, RST, 0, ALL_FLAGS)
_TYPES = (0, 3, 8, 11, 128, 129, 135)


def chosen_packets(flow: Flow, ends: Sequence[End], most: int) -> list[tuple[Start, Packet]]:
    """Choose packets, each with where it enters.

    Parameters
    ----------
    ends
        The ends of the flow; those that no device took part in are left out.
    most
        How many at most, 1 or more. The same flow gives the same packets.
    """
    starts = list({id(end.start): end.start for end in ends if end.start is not None}.values())
    drawing = _Drawing(flow)
    found: dict[tuple[int, Packet], Start] = {}
    by_end = [_of_end(end, drawing) for end in ends if end.start is not None]
    # One of each end first, so that a small number still meets each of them.
    for turn in range(1 + _BOXES * _EACH):
        for start, packets in by_end:
            if turn < len(packets) and len(found) < most:
                found[id(start), packets[turn]] = start
    versions: list[IPVersion] = sorted({start.packets.version for start in starts})
    for _ in range(4 * most if versions else 0):
        if len(found) >= most:
            break
        packet = drawing.packet(drawing.chance.choice(versions))
        for start in starts:
            if packet is not None and start.packets.version == packet.version and packet in start.packets:
                found[id(start), packet] = start
    kept = _few_addresses(found)
    return [(start, packet) for (_, packet), start in kept][:most]


def _few_addresses(found: dict[tuple[int, Packet], Start]) -> Iterator[tuple[tuple[int, Packet], Start]]:
    """Leave out what has an address too many."""
    known: tuple[set[Address], set[Address]] = (set(), set())
    for key, start in found.items():
        ends = (key[1].source, key[1].destination)
        if all(end in seen or len(seen) < _ADDRESSES for end, seen in zip(ends, known, strict=True)):
            for end, seen in zip(ends, known, strict=True):
                seen.add(end)
            yield key, start


def _of_end(end: End, drawing: _Drawing) -> tuple[Start, list[Packet]]:
    """Packets that end so, from the rows of the end."""
    assert end.start is not None
    sample = end.shown.sample()
    packets = [sample] if sample is not None else []
    try:
        boxes = end.packets.boxes(_BOXES)
    except CapacityError:
        boxes = []
    for box in boxes:
        for _ in range(_EACH):
            packet = drawing.of_box(box)
            if packet is not None and packet in end.packets:
                packets.append(packet)
    return end.start, packets


class _Drawing:
    """Draws packets; always the same ones for the same flow."""

    def __init__(self, flow: Flow) -> None:
        self.flow = flow
        self.chance = random.Random(f"{flow.protocol} {flow.source} {flow.destination} {flow.destination_ports}")

    def packet(self, version: IPVersion) -> Packet | None:
        """Draw a packet from the words of the flow, None where the draw contradicts itself."""
        flow = self.flow
        sources = [prefix for prefix in flow.source if prefix.version == version]
        destinations = [prefix for prefix in flow.destination if prefix.version == version]
        protocol = flow.protocol_in(version)
        return self._made(
            self._in_prefix(self.chance.choice(sources)),
            self._in_prefix(self.chance.choice(destinations)),
            self.chance.choice(_PROTOCOLS) if protocol is None else protocol,
            (flow.source_ports, flow.destination_ports, flow.icmp, flow.dscp),
            None if flow.flags is None else flow.flags.cubes,
            bool(flow.fragment),
        )

    def of_box(self, box: Box) -> Packet | None:
        """Draw a packet of a box, None where the draw contradicts itself."""
        protocol = self._number(box.protocols, _PROTOCOLS)
        return self._made(
            self._matching(box.source),
            self._matching(box.destination),
            protocol,
            (box.source_ports, box.destination_ports, box.icmp, box.dscp),
            None if box.flags is None else box.flags.cubes,
            bool(box.fragment),
        )

    def _made(
        self,
        source: Address,
        destination: Address,
        protocol: int,
        numbers: Sequence[Ranges | None],
        cubes: Iterable[tuple[int, int]] | None,
        fragment: bool,
    ) -> Packet | None:
        fields: dict[str, int] = {}
        if not fragment and has_ports(protocol):
            # Equal ways are chosen by the ports, among others, so those of clients are many.
            fields["source_port"] = self._number(numbers[0], (1024, 65535, self.chance.randint(49152, 65535)))
            fields["destination_port"] = self._number(numbers[1], _PORTS)
        if not fragment and protocol in (ICMP, ICMPV6):
            icmp = self._number(numbers[2], tuple(kind << 8 for kind in _TYPES))
            fields |= {"icmp_type": icmp >> 8, "icmp_code": icmp & 255}
        if not fragment and protocol == TCP:
            fields["flags"] = self._flags(cubes)
        dscp = 0 if numbers[3] is None else self._number(numbers[3], (0,))
        try:
            return Packet(source, destination, protocol, dscp=dscp, fragment=fragment, **fields)
        except ValueError:
            return None

    def _flags(self, cubes: Iterable[tuple[int, int]] | None) -> int:
        if cubes is None:
            return self.chance.choice(_FLAGS)
        care, value = self.chance.choice(list(cubes) or [(0, 0)])
        return value | (self.chance.choice(_FLAGS) & ~care & ALL_FLAGS)

    def _number(self, ranges: Ranges | None, usual: Sequence[int]) -> int:
        """One of the numbers: at an edge of a range, or inside."""
        if ranges is None or not ranges.spans:
            return self.chance.choice(usual)
        low, high = self.chance.choice(ranges.spans)
        known = [number for number in usual if low <= number <= high]
        return self.chance.choice((low, high, self.chance.randint(low, high), *known[:3]))

    def _in_prefix(self, prefix: Prefix) -> Address:
        last = prefix.size - 1
        offsets = (min(1, last), max(0, last - 1), min(last, 7), self.chance.randint(0, last))
        return Address(prefix.version, prefix.value + self.chance.choice(offsets))

    def _matching(self, match: AddressMatch) -> Address:
        """An address of a match; the bits it leaves free are drawn."""
        free = self.chance.getrandbits(128) & match.free if self.chance.random() < 0.7 else match.free & 7
        return Address(match.version, match.value | free)
