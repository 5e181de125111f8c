"""Packets as bytes: the fields where the standards have them, and checksums that add up."""

from __future__ import annotations

import struct

import pytest
from model_builders import packet

from pathcheck.packet.packet import Packet
from pathcheck.rehearsal.frame import frame_bytes, packet_bytes, unsendable


def ones_complement_sum(data: bytes) -> int:
    """The sum that is all ones where a checksum is right (RFC 1071 section 1)."""
    words = struct.unpack(f"!{(len(data) + 1) // 2}H", data + b"\0" * (len(data) % 2))
    total = sum(words)
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total


def test_the_ipv4_header() -> None:
    """RFC 791 section 3.1."""
    data = packet_bytes(packet("10.1.1.7", "10.1.2.9", "tcp", 49152, 443, dscp=46), 0x1234, 20)
    assert data[0] == 0x45 and data[1] == 46 << 2
    assert struct.unpack("!HHH", data[2:8]) == (len(data), 0x1234, 0)
    assert data[8:10] == bytes([20, 6]) and data[12:20] == bytes([10, 1, 1, 7, 10, 1, 2, 9])
    assert ones_complement_sum(data[:20]) == 0xFFFF


@pytest.mark.parametrize(
    "one", [packet("10.1.1.7", "10.1.2.9", "tcp", 1, 2), packet("10.1.1.7", "10.1.2.9", "udp", 1, 2)]
)
def test_checksums_over_the_pseudo_header(one: Packet) -> None:
    """RFC 9293 section 3.1, RFC 768."""
    data = packet_bytes(one, 7, 20)
    body = data[20:]
    pseudo = data[12:20] + struct.pack("!BBH", 0, one.protocol, len(body))
    assert ones_complement_sum(pseudo + body) == 0xFFFF


def test_the_ipv6_header_and_its_fragment_header() -> None:
    """RFC 8200 sections 3 and 4.5."""
    whole = packet_bytes(packet("2001:db8::1", "2001:db8::2", "udp", 1, 53, dscp=10), 0xABCD, 9)
    assert struct.unpack("!I", whole[:4])[0] == 6 << 28 | 10 << 22 | 0xABCD
    assert whole[6:8] == bytes([17, 9]) and struct.unpack("!H", whole[4:6])[0] == len(whole) - 40
    pseudo = whole[8:40] + struct.pack("!II", len(whole) - 40, 17)
    assert ones_complement_sum(pseudo + whole[40:]) == 0xFFFF
    later = packet_bytes(packet("2001:db8::1", "2001:db8::2", "tcp", fragment=True), 1, 9)
    assert later[6] == 44 and later[40] == 6 and struct.unpack("!H", later[42:44])[0] >> 3 > 0


def test_a_later_fragment_has_an_offset_and_misleading_bytes() -> None:
    data = packet_bytes(packet("10.1.1.7", "10.1.2.9", "tcp", fragment=True), 1, 20)
    assert struct.unpack("!H", data[6:8])[0] & 0x1FFF > 0
    assert struct.unpack("!HH", data[20:24]) == (80, 80) and data[33] == 0x10


def test_a_frame_goes_to_its_hardware_address() -> None:
    data = frame_bytes(packet("10.1.1.7", "10.1.2.9"), 1, 20, bytes.fromhex("020000000003"))
    assert data[:6].hex() == "020000000003" and data[12:14] == b"\x08\x00"


def test_what_means_something_else_on_the_wire() -> None:
    assert "extension header" in unsendable(packet("2001:db8::1", "2001:db8::2", 60))
    assert (
        unsendable(packet("10.1.1.7", "10.1.2.9", 60)) == unsendable(packet("2001:db8::1", "2001:db8::2", "tcp")) == ""
    )
