"""What a human reads of a set. Exactness is proved in tests/property."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pathcheck.packet.address import Address
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import packet_space

ANY = AddressMatch.any(4)
EVERYTHING = Box.everything(4)
TCP, UDP = Ranges.single(6), Ranges.single(17)


def prefix(text: str) -> AddressMatch:
    return AddressMatch.prefix(Prefix.parse(text))


def wildcard(address: str, mask: str) -> AddressMatch:
    return AddressMatch.wildcard(Address.parse(address), Address.parse(mask))


@pytest.mark.parametrize(
    "box",
    [
        EVERYTHING,
        replace(EVERYTHING, protocols=TCP),
        replace(EVERYTHING, protocols=Ranges.of((6, 6), (17, 17), (50, 51))),
        replace(EVERYTHING, protocols=TCP, destination_ports=Ranges.of((443, 443), (8000, 8080))),
        replace(EVERYTHING, protocols=Ranges.of((6, 6), (17, 17)), destination_ports=Ranges.single(53)),
        replace(EVERYTHING, protocols=UDP, source_ports=Ranges.of((0, 1023)), destination_ports=Ranges.single(123)),
        replace(EVERYTHING, protocols=TCP, flags=ESTABLISHED),
        replace(EVERYTHING, protocols=TCP, destination_ports=Ranges.single(22), flags=FlagMatch.of((ACK, 0))),
        replace(EVERYTHING, protocols=Ranges.single(1), icmp=Ranges.of((0, 255), (2048, 2303))),
        replace(EVERYTHING, dscp=Ranges.of((46, 48))),
        replace(EVERYTHING, fragment=True),
        replace(EVERYTHING, protocols=TCP, fragment=False),
        replace(EVERYTHING, source=prefix("10.1.0.0/16"), destination=prefix("10.2.3.4/32")),
        replace(EVERYTHING, source=wildcard("10.0.0.1", "0.255.255.0")),
        replace(EVERYTHING, destination=wildcard("10.1.2.0", "0.0.0.254")),
        Box(AddressMatch.prefix(Prefix.parse("2001:db8::/32")), AddressMatch.any(6), protocols=Ranges.single(58)),
    ],
    ids=str,
)
def test_one_box_is_shown_as_it_is(box: Box) -> None:
    assert packet_space(box.version).of(box).boxes() == [box]


def test_nothing_needs_no_box() -> None:
    assert packet_space(4).empty.boxes() == []


def test_lines_that_differ_in_one_field_become_one_box() -> None:
    web = replace(EVERYTHING, destination=prefix("10.1.99.10/32"), protocols=TCP)
    ports = [Ranges.single(80), Ranges.of((8000, 8040)), Ranges.of((8041, 8080))]
    halves = [
        replace(web, source=half, destination_ports=some)
        for half in (prefix("10.1.20.0/25"), prefix("10.1.20.128/25"))
        for some in ports
    ]
    whole = replace(web, source=prefix("10.1.20.0/24"), destination_ports=Ranges.of((80, 80), (8000, 8080)))
    assert packet_space(4).of_boxes(halves).boxes() == [whole]


def test_boxes_that_cross_stay_two() -> None:
    one = replace(EVERYTHING, source=prefix("10.0.0.0/8"), protocols=TCP)
    other = replace(EVERYTHING, destination=prefix("10.0.0.0/8"), protocols=TCP)
    assert set(packet_space(4).of_boxes([one, other]).boxes()) == {one, other}


def test_all_but_one_port() -> None:
    space = packet_space(4)
    ssh = replace(EVERYTHING, protocols=TCP, destination_ports=Ranges.single(22))
    assert (space.full - space.of(ssh)).boxes() == [
        replace(EVERYTHING, protocols=Ranges.of((0, 5), (7, 255))),
        replace(EVERYTHING, protocols=TCP, destination_ports=Ranges.of((0, 21), (23, 65535))),
        replace(EVERYTHING, protocols=TCP, fragment=True),
    ]


def test_all_but_a_prefix_is_shown_as_prefixes() -> None:
    space = packet_space(4)
    rest = (space.full - space.of(replace(EVERYTHING, source=prefix("10.1.0.0/16")))).boxes()
    assert len(rest) == 16
    assert all(box.source.as_prefix() is not None and box == replace(EVERYTHING, source=box.source) for box in rest)


def test_two_prefixes_are_no_wildcard_mask() -> None:
    space = packet_space(4)
    two = [replace(EVERYTHING, source=prefix(text)) for text in ("10.0.0.0/24", "10.0.2.0/24")]
    assert space.of_boxes(two).boxes() == two


def test_wildcard_mask_beside_a_prefix() -> None:
    sources = [wildcard("10.0.0.0", "0.0.0.254"), prefix("10.0.0.0/28"), prefix("172.16.0.0/12")]
    boxes = [replace(EVERYTHING, source=source) for source in sources]
    assert set(packet_space(4).of_boxes(boxes).boxes()) == set(boxes)


def test_limit_stops_early() -> None:
    space = packet_space(4)
    rest = space.full - space.of(replace(EVERYTHING, source=prefix("10.1.2.3/32")))
    some = rest.boxes(limit=3)
    assert len(some) == 3
    assert space.of_boxes(some) < rest
    assert rest.boxes(limit=0) == []


def test_foreign_icmp_types_are_refused_rather_than_shown_wrong() -> None:
    space = packet_space(4)
    odd = space.of_packet(Packet(Address(4, 1), Address(4, 2), 58, icmp_type=128))
    with pytest.raises(ValueError, match="packets of protocol 58 are told apart by ICMP types, which no box of IPv4"):
        odd.boxes()


def test_packets_that_may_be_held_or_not_make_boxes_few() -> None:
    space = packet_space(4)
    subnet = space.of(replace(EVERYTHING, source=prefix("10.1.20.0/24"), protocols=TCP))
    gateway = space.of(replace(EVERYTHING, source=prefix("10.1.20.1/32")))
    stations = subnet - gateway
    assert len(stations.boxes()) == 8
    assert stations.boxes(free=gateway) == [replace(EVERYTHING, source=prefix("10.1.20.0/24"), protocols=TCP)]
    boxes = stations.boxes(free=space.of(replace(EVERYTHING, source=prefix("192.0.2.0/24"))))
    assert space.of_boxes(boxes) == stations  # what is of no use is not held
