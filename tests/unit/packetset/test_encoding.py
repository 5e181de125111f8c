"""Bits and variables: what stands for what, and the bounds of what is kept."""

from __future__ import annotations

from dataclasses import replace
from ipaddress import collapse_addresses, ip_network

import pytest

from pathcheck.packet.address import Address
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset import encoding as encoding_module
from pathcheck.packetset.algebra import PacketSpace, packet_space
from pathcheck.packetset.encoding import FIELDS, Layout, own_icmp

EVERYTHING = Box.everything(4)
SMALL = Layout(4, address=(3, 1, 0), protocol=(2, 1), fragment=(0,), word=(0,), flags=(1,), dscp=(0,))


def to(*prefixes: str) -> list[Box]:
    return [replace(EVERYTHING, destination=AddressMatch.prefix(Prefix.parse(text))) for text in prefixes]


def small() -> PacketSpace:
    return PacketSpace(SMALL, nodes=1 << 12, cache=1 << 8)


def test_each_bit_of_each_field_has_a_variable_of_its_own_in_the_order_of_the_page() -> None:
    # docs/engine.md: addresses on top, beneath them protocol, fragment, the words of layer 4, flags and DSCP.
    space = packet_space(4)
    variables = space.encoding.variables
    assert tuple(variables) == FIELDS
    assert [len(variables[field]) for field in FIELDS] == [32, 32, 8, 1, 16, 16, 8, 6]
    assert [number for field in FIELDS for number in variables[field].values()] == list(range(119))
    assert [next(iter(variables[field])) for field in FIELDS] == [31, 31, 7, 0, 15, 15, 7, 5]
    assert [list(variables[field])[-1] for field in FIELDS] == [0] * 8
    assert space.layout == Layout.of_version(4)
    assert packet_space(6).encoding.count == 119 + 2 * 96
    assert (own_icmp(4), own_icmp(6)) == (1, 58)


@pytest.mark.parametrize(
    ("field", "highest"),
    [("protocol", 7), ("fragment", 0), ("word", 15), ("flags", 7), ("dscp", 5), ("address", 31)],
)
def test_a_layout_holds_the_bits_that_the_field_has(field: str, highest: int) -> None:
    given = {"address": (0,)} | {field: (highest,)}
    assert getattr(Layout(4, **given), field) == (highest,)
    with pytest.raises(ValueError, match=f"must fall from {highest} to 0 at most"):
        Layout(4, **(given | {field: (highest + 1,)}))
    assert Layout(6, address=(127,)).bits("destination") == (127,)
    with pytest.raises(ValueError, match="must fall from 127 to 0 at most"):
        Layout(6, address=(128,))


def test_what_the_layout_cannot_tell_apart_is_in_no_set() -> None:
    space = small()
    held = Packet(Address(4, 0b1011), Address(4, 0), 6, 1, 0, flags=2, dscp=1)
    assert held in space.full and space.of_packet(held).count() == 1
    for other in (
        replace(held, source=Address(4, 0b100)),
        replace(held, protocol=17, flags=0),
        replace(held, source_port=2),
        replace(held, destination_port=3),
        replace(held, flags=1),
        replace(held, dscp=2),
    ):
        assert other not in space.full
        assert space.of_packet(other).is_empty
    assert space.of(replace(EVERYTHING, source=AddressMatch.host(Address(4, 4)))).is_empty


def test_a_set_is_equal_to_nothing_else() -> None:
    full = packet_space(4).full
    assert full.__eq__(1) is NotImplemented
    assert full != 1 and full != "full" and full == packet_space(4).full
    assert len({full, packet_space(4).full, packet_space(4).empty}) == 2


@pytest.mark.parametrize(
    ("prefixes", "most", "expected"),
    [
        ([], 4, []),
        (["0.0.0.0/0"], 1, ["0.0.0.0/0"]),
        (["10.1.0.0/16", "10.3.0.0/16"], 2, ["10.1.0.0/16", "10.3.0.0/16"]),
        (["10.1.0.0/16", "10.3.0.0/16"], 1, ["10.0.0.0/14"]),
        (["10.0.0.0/16", "10.1.0.0/16"], 2, ["10.0.0.0/15"]),
        (["10.1.20.7/32", "10.1.20.8/32", "192.0.2.0/24"], 3, ["10.1.20.7/32", "10.1.20.8/32", "192.0.2.0/24"]),
        (["10.1.20.7/32", "10.1.20.8/32", "192.0.2.0/24"], 2, ["10.1.20.0/28", "192.0.2.0/24"]),
        # What is whole already is not widened with the rest.
        (["0.0.0.0/1", "128.0.0.0/4", "192.0.0.0/4"], 2, ["0.0.0.0/1", "128.0.0.0/1"]),
        (["0.0.0.0/32", "255.255.255.255/32"], 1, ["0.0.0.0/0"]),
    ],
)
def test_destinations_are_held_by_few_prefixes(prefixes: list[str], most: int, expected: list[str]) -> None:
    found = packet_space(4).of_boxes(to(*prefixes)).destinations_within(most)
    assert [str(prefix) for prefix in found] == expected
    # Exactly these where so many suffice, and never less.
    fewest = list(collapse_addresses(ip_network(text) for text in prefixes))
    if len(fewest) <= most:
        assert [str(net) for net in fewest] == expected
    holding = packet_space(4).of_boxes(to(*expected))
    assert packet_space(4).of_boxes(to(*prefixes)) <= holding


def test_sources_are_told_as_numbers() -> None:
    space = packet_space(4)
    some = [
        replace(EVERYTHING, source=AddressMatch.prefix(Prefix.parse(text))) for text in ("10.0.0.0/31", "10.0.0.2/32")
    ]
    base = Address.parse("10.0.0.0").value
    assert space.of_boxes(some).sources() == Ranges.of((base, base + 2))
    assert space.empty.sources() == Ranges.of()
    assert space.full.sources() == Ranges.of((0, (1 << 32) - 1))
    even = AddressMatch.wildcard(Address.parse("10.0.0.0"), Address.parse("0.0.0.6"))
    assert space.of(replace(EVERYTHING, source=even)).sources() == Ranges.of(
        *((base + n, base + n) for n in (0, 2, 4, 6))
    )


def test_numbers_of_a_small_field_are_those_of_its_bits() -> None:
    e = small().encoding
    for low in range(20):
        for high in range(low, 20):
            # The bits 3, 1 and 0 make these numbers.
            expected = [number for number in (0, 1, 2, 3, 8, 9, 10, 11) if low <= number <= high]
            spans = e.spans(e.numbers("source", Ranges.of((low, high))), "source")
            assert spans == Ranges.of(*((number, number) for number in expected))


@pytest.mark.parametrize("bits", [(4, 1, 0), (2, 1), (5,), (3, 2, 1, 0), (7, 6, 1)])
def test_gaps_between_the_bits_of_a_field_are_gaps_between_its_numbers(bits: tuple[int, ...]) -> None:
    space = PacketSpace(Layout(4, address=bits), nodes=1 << 12, cache=1 << 8)
    numbers = sorted(
        sum(1 << bit for place, bit in enumerate(bits) if chosen >> place & 1) for chosen in range(1 << len(bits))
    )
    assert space.full.sources() == Ranges.of(*((number, number) for number in numbers))


def test_what_is_kept_for_speed_is_bounded_and_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(encoding_module, "_CACHED", 3)
    space = PacketSpace(Layout.of_version(4), nodes=1 << 16, cache=1 << 10)
    hosts = [replace(EVERYTHING, source=AddressMatch.host(Address(4, number)), destination_ports=Ranges.single(number))
             for number in range(1, 12)]  # fmt: skip
    first = [space.of(box) for box in hosts]
    assert [space.of(box) for box in hosts] == first
    assert len(space.encoding._addresses) <= 4 and len(space.encoding._criteria) <= 4
    made = []
    space.encoding.remembered("one", lambda: made.append(1) or space.encoding.whole)
    space.encoding.remembered("one", lambda: made.append(1) or space.encoding.whole)
    assert made == [1]
    space.make_room()
    assert not space.encoding._addresses and not space.encoding._criteria
    assert space.full.make_room() == 1 << 16
    assert [space.of(box) for box in hosts] == first
