"""Packet spaces so small that a test can list each packet, and boxes that tell their packets apart."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from itertools import product

from hypothesis import strategies as st

from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ESTABLISHED, FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSpace
from pathcheck.packetset.encoding import Field, Layout

LAYOUTS: dict[IPVersion, Layout] = {
    # Protocols with the bits 128, 16, 4, 2, 1: among them ICMP 1, TCP 6, UDP 17, SCTP 132. Ports and ICMP type and
    # code of the bits 2048 and 1: echo 8/0 and 8/1, echo reply 0/0 and 0/1. Flags ACK and RST.
    4: Layout(4, address=(1, 0), protocol=(7, 4, 2, 1, 0), word=(11, 0), flags=(4, 2), dscp=(5,)),
    # Protocols with the bits 32, 16, 8, 4, 2: among them TCP 6 and ICMPv6 58. Words of the bits 32768, 256 and 1:
    # echo 128/0, echo reply 129/1. Flags ACK and SYN.
    6: Layout(6, address=(64,), protocol=(5, 4, 3, 2, 1), word=(15, 8, 0), flags=(4, 1), dscp=(0,)),
}


@cache
def small_space(version: IPVersion) -> PacketSpace:
    return PacketSpace(LAYOUTS[version], nodes=1 << 20, cache=1 << 14)


@cache
def every_packet(version: IPVersion) -> tuple[Packet, ...]:
    """Each packet whose fields have no bits but those of the layout; what a packet may have is said by Packet."""
    return tuple(_packets(LAYOUTS[version]))


def _numbers(layout: Layout, field: Field) -> list[int]:
    return [sum(parts) for parts in product(*((0, 1 << bit) for bit in layout.bits(field)))]


def _packets(layout: Layout) -> Iterator[Packet]:
    addresses = [Address(layout.version, value) for value in _numbers(layout, "source")]
    words, flags = _numbers(layout, "first"), _numbers(layout, "flags")
    for source, destination, protocol, dscp in product(
        addresses, addresses, _numbers(layout, "protocol"), _numbers(layout, "dscp")
    ):
        yield Packet(source, destination, protocol, dscp=dscp, fragment=True)
        if protocol in (1, 58):
            for word in words:
                kind, code = divmod(word, 256)
                yield Packet(source, destination, protocol, icmp_type=kind, icmp_code=code, dscp=dscp)
        elif protocol in (6, 17, 132):
            for first, second, bits in product(words, words, flags if protocol == 6 else [0]):
                yield Packet(source, destination, protocol, first, second, flags=bits, dscp=dscp)
        else:
            yield Packet(source, destination, protocol, dscp=dscp)


def small_boxes(version: IPVersion) -> st.SearchStrategy[Box]:
    """Boxes whose limits fall between the packets of the small layout, and sometimes outside of it."""
    layout = LAYOUTS[version]
    addresses = st.tuples(*(st.sampled_from((None, 0, 1)) for _ in layout.address)).map(
        lambda bits: AddressMatch(
            version,
            sum(1 << bit for bit, value in zip(layout.address, bits, strict=True) if value),
            sum(1 << bit for bit, value in zip(layout.address, bits, strict=True) if value is not None),
        )
    ) | st.sampled_from(
        [
            AddressMatch.host(Address(version, 1 << layout.address[-1])),
            AddressMatch.host(Address(version, 8)),
            AddressMatch(version, 0, 1 << (WIDTH[version] - 1)),
        ]
    )
    flags = st.lists(
        st.tuples(*(st.sampled_from((0, 1 << bit)) for bit in (*layout.flags, 0) for _ in "cv")), max_size=2
    ).map(lambda cubes: FlagMatch.of(*((sum(cube[::2]), sum(cube[1::2])) for cube in cubes)))
    return st.builds(
        Box,
        addresses,
        addresses,
        protocols=st.none() | _ranges(_numbers(layout, "protocol"), 255),
        source_ports=st.none() | st.none() | _ranges(_numbers(layout, "first"), 65535),
        destination_ports=st.none() | _ranges(_numbers(layout, "second"), 65535),
        icmp=st.none() | st.none() | st.none() | _ranges(_numbers(layout, "second"), 65535),
        flags=st.none() | st.none() | flags | st.just(ESTABLISHED),
        dscp=st.none() | st.none() | _ranges(_numbers(layout, "dscp"), 63),
        fragment=st.none() | st.none() | st.booleans(),
    )


def _ranges(numbers: list[int], highest: int) -> st.SearchStrategy[Ranges]:
    """One or two ranges that begin and end at, or one beside, a number of the layout."""
    ends = sorted({min(highest, max(0, number + by)) for number in numbers for by in (-1, 0, 1)} | {highest})
    pairs = st.tuples(st.sampled_from(ends), st.sampled_from(ends)).map(lambda pair: (min(pair), max(pair)))
    return st.lists(pairs, min_size=0, max_size=2).map(lambda spans: Ranges.of(*spans))
