from __future__ import annotations

from dataclasses import replace

import pytest

from pathcheck.packet.address import Address
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, SYN
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import packet_space


def host(text: str) -> Box:
    return replace(Box.everything(4), source=AddressMatch.host(Address.parse(text)))


@pytest.mark.parametrize(
    ("hosts", "chosen"),
    [
        # Common practice, no source: the first and the last address of a /24 are hardly those of stations.
        (("10.1.20.0", "10.1.20.9"), "10.1.20.9"),
        (("10.1.20.255", "10.1.21.9"), "10.1.21.9"),
        (("10.1.20.1", "10.1.20.9"), "10.1.20.1"),
        (("10.1.20.254", "10.1.21.9"), "10.1.20.254"),
        (("10.1.20.0", "10.1.20.255"), "10.1.20.0"),
    ],
)
def test_a_station_is_chosen_that_looks_like_one(hosts: tuple[str, ...], chosen: str) -> None:
    sample = packet_space(4).of_boxes([host(text) for text in hosts]).sample()
    assert sample is not None and str(sample.source) == chosen


def prefix(text: str) -> AddressMatch:
    return AddressMatch.prefix(Prefix.parse(text))


QUAYS = Box(prefix("10.1.20.0/24"), prefix("10.1.99.0/24"))


def sample(box: Box) -> Packet:
    found = packet_space(box.version).of(box).sample()
    assert found is not None
    return found


def test_empty_set_has_none() -> None:
    assert packet_space(4).empty.sample() is None


def test_new_connection_from_a_host() -> None:
    assert sample(QUAYS) == Packet(Address.parse("10.1.20.1"), Address.parse("10.1.99.1"), 6, 49152, 1, flags=SYN)


@pytest.mark.parametrize(
    ("limits", "expected"),
    [
        ({"destination_ports": Ranges.of((443, 443), (80, 80))}, {"protocol": 6, "destination_port": 80}),
        ({"source_ports": Ranges.of((50000, 60000))}, {"source_port": 50000}),
        ({"source_ports": Ranges.of((20, 21))}, {"source_port": 20}),
        ({"flags": ESTABLISHED}, {"flags": ACK}),
        ({"protocols": Ranges.of((17, 255))}, {"protocol": 17}),
        ({"protocols": Ranges.of((1, 5))}, {"protocol": 1, "icmp_type": 8, "icmp_code": 0}),
        ({"icmp": Ranges.of((3 << 8 | 4, 3 << 8 | 13))}, {"protocol": 1, "icmp_type": 3, "icmp_code": 4}),
        ({"protocols": Ranges.of((50, 51))}, {"protocol": 50, "source_port": 0}),
        ({"dscp": Ranges.of((46, 48))}, {"dscp": 46}),
        ({"fragment": True}, {"protocol": 6, "fragment": True, "flags": 0, "destination_port": 0}),
    ],
)
def test_natural_values(limits: dict[str, object], expected: dict[str, int]) -> None:
    found = sample(replace(QUAYS, **limits))  # type: ignore[arg-type]
    assert {name: getattr(found, name) for name in expected} == expected


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("10.1.2.0/24", "10.1.2.1"),
        ("10.1.2.128/25", "10.1.2.129"),
        ("10.1.2.4/30", "10.1.2.5"),
        ("10.1.2.2/31", "10.1.2.2"),
        ("10.1.2.0/32", "10.1.2.0"),
        ("0.0.0.0/0", "1.0.0.1"),
        ("127.0.0.0/8", "127.0.0.1"),
        ("224.0.0.0/4", "224.0.0.1"),
        ("::/0", "2000::1"),
        ("2001:db8::/64", "2001:db8::1"),
        ("ff02::1/128", "ff02::1"),
    ],
)
def test_address_of_a_host(source: str, expected: str) -> None:
    match = prefix(source)
    found = sample(Box(match, AddressMatch.any(match.version)))
    assert str(found.source) == expected
    assert found.destination != found.source


def test_wildcard_mask_leaves_out_what_looks_like_a_network() -> None:
    even = AddressMatch.wildcard(Address.parse("10.1.2.0"), Address.parse("0.0.0.254"))
    assert str(sample(Box(even, even)).source) == "10.1.2.2"


def test_wishes_come_first_and_in_order() -> None:
    space = packet_space(4)
    quays = space.of(QUAYS)
    far = space.of(Box(prefix("192.0.2.0/24"), AddressMatch.any(4)))
    late = space.of(Box(prefix("10.1.20.64/26"), AddressMatch.any(4)))
    later = space.of(Box(prefix("10.1.20.192/26"), AddressMatch.any(4)))
    fragments = space.of(replace(QUAYS, fragment=True))
    found = quays.sample([far, late, later, fragments])
    assert found is not None
    assert (str(found.source), found.fragment) == ("10.1.20.65", True)
