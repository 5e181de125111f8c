"""Which packet is tried first for a line, and how the cheap steps settle what they can."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, RST, SYN, FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, BoxTable, Row, rows_of
from pathcheck.packetset.cover import Covered, CoverSearch


def prefix(text: str) -> AddressMatch:
    return AddressMatch.prefix(Prefix.parse(text))


def row(box: Box) -> Row:
    [found] = rows_of(box)
    return found


def search(version: IPVersion = 4, *boxes: Box) -> CoverSearch:
    return CoverSearch(BoxTable(version, [(n, [box.source], [box.destination], (box,)) for n, box in enumerate(boxes)]))


def usual(version: IPVersion = 4, world: int = WHOLE, **fields: object) -> Packet:
    box = replace(Box.everything(version), **fields)
    return search(version).usual_point(row(box)).packet(0, version, world)


# RFC 5737 section 3, RFC 3849 section 2: addresses for documentation. RFC 6335 section 6: dynamic ports.
HERE, HERE6 = Address.parse("198.51.100.1"), Address.parse("2001:db8::1")


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({}, Packet(HERE, HERE, 6, 49152, 443, flags=SYN)),
        ({"protocols": Ranges.of((7, 255))}, Packet(HERE, HERE, 17, 49152, 443)),
        ({"protocols": Ranges.of((18, 255))}, Packet(HERE, HERE, 18)),
        ({"dscp": Ranges.of((3, 63))}, Packet(HERE, HERE, 6, 49152, 443, flags=SYN, dscp=3)),
        ({"protocols": Ranges.single(1)}, Packet(HERE, HERE, 1)),
        (
            {"protocols": Ranges.single(1), "icmp": Ranges.of((2048, 2303))},
            Packet(HERE, HERE, 1, icmp_type=8, icmp_code=0),
        ),
        (
            {"protocols": Ranges.single(6), "destination_ports": Ranges.of((0, 442))},
            Packet(HERE, HERE, 6, 49152, 80, flags=SYN),
        ),
        (
            {"protocols": Ranges.single(6), "destination_ports": Ranges.of((81, 442))},
            Packet(HERE, HERE, 6, 49152, 81, flags=SYN),
        ),
        (
            {"protocols": Ranges.single(17), "source_ports": Ranges.of((0, 49151))},
            Packet(HERE, HERE, 17, 0, 443),
        ),
        (
            {"protocols": Ranges.single(6), "flags": FlagMatch.of((ACK, ACK))},
            Packet(HERE, HERE, 6, 49152, 443, flags=ACK),
        ),
        (
            {"protocols": Ranges.single(6), "flags": FlagMatch.of((ACK, 0))},
            Packet(HERE, HERE, 6, 49152, 443, flags=SYN),
        ),
        ({"protocols": Ranges.single(6), "flags": FlagMatch.of((SYN, 0))}, Packet(HERE, HERE, 6, 49152, 443)),
        # The address after the lowest; a host is itself.
        ({"source": prefix("10.1.20.0/24")}, Packet(Address.parse("10.1.20.1"), HERE, 6, 49152, 443, flags=SYN)),
        ({"destination": prefix("10.1.20.7/32")}, Packet(HERE, Address.parse("10.1.20.7"), 6, 49152, 443, flags=SYN)),
        (
            {"source": AddressMatch.wildcard(Address.parse("10.0.20.0"), Address.parse("0.255.0.0"))},
            Packet(Address.parse("10.1.20.0"), HERE, 6, 49152, 443, flags=SYN),
        ),
    ],
)
def test_a_line_is_first_tried_with_ordinary_traffic(fields: dict[str, object], expected: Packet) -> None:
    assert usual(**fields) == expected


def test_ipv6_is_tried_with_its_own_addresses_and_fragments_without_layer_four() -> None:
    assert usual(6) == Packet(HERE6, HERE6, 6, 49152, 443, flags=SYN)
    assert usual(6, protocols=Ranges.single(58)) == Packet(HERE6, HERE6, 58)
    assert usual(6, source=prefix("2001:db8:20::/48")).source == Address.parse("2001:db8:20::1")
    assert usual(6, source=prefix("::/1")).source == Address.parse("::1")
    assert usual(4, FRAGMENT, fragment=True) == Packet(HERE, HERE, 6, fragment=True)


@pytest.mark.parametrize(("version", "text"), [(4, "10.1.20.0/24"), (6, "2001:db8:20::/48")])
def test_points_lie_in_the_row_and_the_last_is_its_far_corner(version: IPVersion, text: str) -> None:
    box = replace(
        Box.everything(version), source=prefix(text), protocols=Ranges.single(6),
        destination_ports=Ranges.of((80, 443)), flags=FlagMatch.of((ACK, ACK)), dscp=Ranges.of((10, 20)),
    )  # fmt: skip
    points = search(version).points(row(box), 50)
    packets = [points.packet(index, version, WHOLE) for index in range(50)]
    assert all(packet in box for packet in packets)
    assert len({packet.source for packet in packets}) > 30 and len({packet.destination for packet in packets}) > 40
    assert len({packet.destination_port for packet in packets}) > 30
    assert len({packet.dscp for packet in packets}) == 11
    last = packets[-1]
    assert (last.source, last.destination) == (Prefix.parse(text).last, Prefix.everything(version).last)
    assert (last.source_port, last.destination_port, last.dscp) == (65535, 443, 20)
    # A fixed sequence: asked again from the start, the same points; asked on, others, also when it is used up.
    again = search(version)
    first = again.points(row(box), 50)
    assert [first.packet(index, version, WHOLE) for index in range(50)] == packets
    assert again.points(row(box), 50).packet(0, version, WHOLE) != packets[0]
    for _ in range(200):
        later = again.points(row(box), 50)
        assert all(later.packet(index, version, WHOLE) in box for index in (0, 49))


TCP = replace(Box.everything(4), protocols=Ranges.single(6))


def test_the_first_row_that_holds_all_is_enough() -> None:
    wide, wider = replace(TCP, source=prefix("10.0.0.0/8")), TCP
    one = search(4, replace(TCP, source=prefix("192.0.2.0/24")), wide, wider)
    asked = row(replace(TCP, source=prefix("10.1.0.0/16")))
    assert one.search(asked, np.arange(3), WHOLE) == Covered((1,))
    assert one.search(asked, np.array([2]), WHOLE) == Covered((2,))
    assert one.proofs == 0


def test_rows_that_hold_it_only_together_are_proved() -> None:
    halves = [replace(TCP, source=prefix(text)) for text in ("10.1.0.0/17", "192.0.2.0/24", "10.1.128.0/17")]
    one = search(4, *halves)
    asked = row(replace(TCP, source=prefix("10.1.0.0/16")))
    assert one.search(asked, np.arange(3), WHOLE) == Covered((0, 2))
    # The largest of those that hold a witness is taken, so few are needed.
    small = [replace(TCP, source=prefix(f"10.1.0.{4 * number}/30")) for number in range(8)]
    many = search(4, *small, *halves)
    assert many.search(asked, np.arange(11), WHOLE) == Covered((8, 10))


def test_a_packet_that_nobody_holds_is_found_wherever_it_is() -> None:
    # All but the far corner; all but one host, which only the proof finds.
    ports = replace(TCP, destination_ports=Ranges.of((0, 65534)))
    found = search(4, ports).search(row(TCP), np.arange(1), WHOLE)
    assert isinstance(found, Packet) and found.destination_port == 65535
    everything, hole = (1 << 32) - 1, Address.parse("10.1.20.7").value
    # Of each length the prefix beside the host's own: together all but the host.
    beside = [AddressMatch(4, (hole >> bit ^ 1) << bit, everything >> bit << bit) for bit in range(32)]
    around = [replace(TCP, source=match) for match in beside]
    one = search(4, *around)
    found = one.search(row(TCP), np.arange(32), WHOLE)
    assert isinstance(found, Packet) and found.source == Address.parse("10.1.20.7")
    assert isinstance(search(4).search(row(TCP), np.arange(0), WHOLE), Packet)


def test_established_traffic_is_no_new_connection() -> None:
    first, second = rows_of(replace(TCP, flags=ESTABLISHED))
    assert {first.flags, second.flags} == {(ACK, ACK), (RST, RST)}
    one = search(4, replace(TCP, flags=ESTABLISHED))
    answer = one.search(row(TCP), np.arange(2), WHOLE)
    assert isinstance(answer, Packet) and answer.flags == SYN
