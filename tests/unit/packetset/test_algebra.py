from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import pytest

from pathcheck.errors import CapacityError
from pathcheck.packet.address import Address
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSpace, packet_space
from pathcheck.packetset.encoding import Layout

EVERYTHING = Box.everything(4)


def test_space_is_shared_by_version() -> None:
    assert packet_space(4) is packet_space(4)
    assert packet_space(4).version == 4
    assert packet_space(6).version == 6


@pytest.mark.parametrize(("version", "address_bits"), [(4, 32), (6, 128)])
def test_count_of_all_packets(version: int, address_bits: int) -> None:
    # Counted from what Packet says: 251 protocols without fields of layer 4, two with type and code, three with ports,
    # one of these with flags; and as many fragments as protocols.
    upper = 251 + 2 * 2**16 + 2 * 2**32 + 2**32 * 2**8 + 256
    assert packet_space(version).full.count() == 2 ** (2 * address_bits) * 2**6 * upper


def test_count_is_exact_where_floating_point_is_not() -> None:
    space = packet_space(6)
    one = space.of_packet(Packet(Address(6, 5), Address(6, 7), 50))
    assert space.full.count() - (space.full - one).count() == 1


def test_operands_of_two_spaces_never_mix() -> None:
    four, six, small = packet_space(4), packet_space(6), PacketSpace(Layout(4, address=(0,)), nodes=1 << 12)
    for one, other in [(four.full, six.full), (six.empty, four.empty), (four.full, small.full)]:
        for operation in ("__and__", "__or__", "__sub__", "__xor__", "__le__", "__lt__", "__ge__", "__gt__"):
            with pytest.raises(ValueError, match="meets one of"):
                getattr(one, operation)(other)
        with pytest.raises(ValueError, match="meets one of"):
            one.isdisjoint(other)
        with pytest.raises(ValueError, match="meets one of"):
            one.sample([other])
        assert one != other
    with pytest.raises(ValueError, match="a box of IPv6 is given where IPv4 is expected"):
        four.of(Box.everything(6))
    with pytest.raises(ValueError, match="a packet of IPv4 is given where IPv6 is expected"):
        six.of_packet(Packet(Address(4, 1), Address(4, 2), 6))
    with pytest.raises(TypeError, match="expected a set of packets, found `3`"):
        four.full & 3  # type: ignore[operator]


@pytest.mark.parametrize("bits", [(0, 1), (32,), (3, 3), (-1,)])
def test_layout_refuses_bits_out_of_place(bits: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="the bits of source must fall from 31 to 0 at most"):
        Layout(4, address=bits)


def scattered(count: int) -> list[Box]:
    """Hosts and ports without any order, which share few nodes."""
    return [
        replace(
            EVERYTHING,
            source=AddressMatch.host(Address(4, number * 2654435761 % 2**32)),
            destination=AddressMatch.host(Address(4, number * 40503 * 65537 % 2**32)),
            source_ports=Ranges.single(number * 31 % 65536),
        )
        for number in range(1, count)
    ]


def test_out_of_nodes_says_what_to_do() -> None:
    space = PacketSpace(Layout.of_version(4), nodes=10_000, cache=1 << 8)
    with pytest.raises(CapacityError, match=r"more than the 10,000 nodes.*ask about fewer packets"):
        space.of_boxes(scattered(1000))
    # The space can still be used: nothing of the attempt is left behind.
    assert space.of_boxes(scattered(5)).count() == 4 * 2**6 * 2**16 * (2**8 + 2)
    with pytest.raises(CapacityError, match="more than the 100 nodes"):
        PacketSpace(Layout.of_version(4), nodes=100, cache=1 << 8)


def test_nodes_that_no_set_needs_are_used_again() -> None:
    space = PacketSpace(Layout.of_version(4), nodes=10_000, cache=1 << 8)
    for box in scattered(500):
        assert not space.of(box).is_empty


@pytest.mark.parametrize("module", ["numpy", "networkx", "netaddr"])
def test_import_is_light(module: str) -> None:
    code = (
        "import sys; from pathcheck.packetset.algebra import packet_space as space; "
        "full = space(4).full; full.sample(), full.boxes(), full.reply(); sys.exit(sys.argv[1] in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code, module], check=False).returncode == 0


def test_layer4_limits_imply_packets_that_have_it() -> None:
    space = packet_space(4)
    ports = space.of(replace(EVERYTHING, destination_ports=Ranges.of((0, 65535))))
    with_ports = Ranges.of((6, 6), (17, 17), (132, 132))
    assert ports == space.of(replace(EVERYTHING, protocols=with_ports, fragment=False))
    icmp = space.of(replace(EVERYTHING, icmp=Ranges.of((0, 65535))))
    assert icmp == space.of(replace(EVERYTHING, protocols=Ranges.single(1), fragment=False))
    assert ports.isdisjoint(icmp)


def test_representation_counts() -> None:
    space = packet_space(4)
    assert repr(space.of_packet(Packet(Address(4, 1), Address(4, 2), 6))) == "<PacketSet of IPv4, 1 packets>"
    assert repr(space) == "<PacketSpace of IPv4, 119 bits>"


def test_boxes_name_a_field_only_where_it_is_limited():
    space = packet_space(4)
    for some in (space.full, space.of(Box(AddressMatch.any(4), AddressMatch.any(4), Ranges.single(17)))):
        assert {box.dscp for box in some.boxes()} == {None}
    marked = Box(AddressMatch.any(4), AddressMatch.any(4), dscp=Ranges.of((0, 62)))
    assert {box.dscp for box in space.of(marked).boxes()} == {Ranges.of((0, 62))}
