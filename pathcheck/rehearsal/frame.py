"""Packets as bytes, told apart by a number that routers leave alone.

The number is in the identification field of IPv4 (RFC 791 section 3.1) and in the
flow label of IPv6 (RFC 8200 section 3): both stand in each packet, later
fragments too, and no router changes them.
"""

from __future__ import annotations

import struct

from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet

__all__ = ["MOST_NUMBERS", "frame_bytes", "packet_bytes", "unsendable"]

MOST_NUMBERS = 0xFFFF
"""Numbers are 1 to this; 0 is what the kernel's own packets have."""

_EXTENSIONS = (0, 43, 44, 51, 60, 135, 139, 140)
"""Protocol numbers that are IPv6 extension headers (registry of IPv6 extension header types, from memory)."""

_ETHERTYPE = {4: 0x0800, 6: 0x86DD}
_SENDER = bytes.fromhex("02000000feed")
_OFFSET = 100
"""Where later fragments continue, in units of 8 bytes."""


def unsendable(packet: Packet) -> str:
    """Say why a packet means something else on the wire than in a list; the empty text where it does not."""
    if packet.version == 6 and packet.protocol in _EXTENSIONS:
        return f"protocol {packet.protocol} is an extension header of IPv6, behind which the kernel looks on"
    return ""


def packet_bytes(packet: Packet, number: int, lifetime: int) -> bytes:
    """Return a packet from its IP header on.

    Parameters
    ----------
    number
        1 to :data:`MOST_NUMBERS`.
    lifetime
        Time to live, or hop limit: 1..255.
    """
    body = _layer4(packet)
    if packet.version == 4:
        offset = _OFFSET if packet.fragment else 0
        head = struct.pack(
            "!BBHHHBBH", 0x45, packet.dscp << 2, 20 + len(body), number, offset, lifetime, packet.protocol, 0
        )
        head += _packed(packet.source) + _packed(packet.destination)
        return head[:10] + struct.pack("!H", _checksum(head)) + head[12:] + body
    following = packet.protocol
    if packet.fragment:
        body = struct.pack("!BBHI", packet.protocol, 0, _OFFSET << 3, number) + body
        following = 44  # the fragment header, RFC 8200 section 4.5
    head = struct.pack("!IHBB", 6 << 28 | packet.dscp << 22 | number, len(body), following, lifetime)
    return head + _packed(packet.source) + _packed(packet.destination) + body


def frame_bytes(packet: Packet, number: int, lifetime: int, hardware: bytes) -> bytes:
    """Return a packet as a frame to a hardware address of 6 bytes."""
    return hardware + _SENDER + struct.pack("!H", _ETHERTYPE[packet.version]) + packet_bytes(packet, number, lifetime)


def _layer4(packet: Packet) -> bytes:
    """What stands behind the IP header (RFC 9293, RFC 768, RFC 792, RFC 4443)."""
    ends = struct.pack("!HH", packet.source_port, packet.destination_port)
    payload = b"rehearsal   "
    if packet.fragment:
        # What a careless reader would take for the ports of a permitted session.
        return struct.pack("!HH", 80, 80) + bytes(8) + b"\x50\x10" + bytes(6) + payload
    if packet.protocol == 6:
        head, at = ends + struct.pack("!IIBBHHH", 1, 0, 0x50, packet.flags, 1024, 0, 0), 16
    elif packet.protocol == 17:
        head, at = ends + struct.pack("!HH", 8 + len(payload), 0), 6
    elif packet.protocol in (1, 58):
        head, at = struct.pack("!BBHI", packet.icmp_type, packet.icmp_code, 0, 0), 2
    else:
        return ends + bytes(8) + payload
    pseudo = _packed(packet.source) + _packed(packet.destination)
    pseudo += struct.pack("!II", len(head) + len(payload), packet.protocol)
    total = _checksum((b"" if packet.protocol == 1 else pseudo) + head + payload)
    return head[:at] + struct.pack("!H", total) + head[at + 2 :] + payload


def _checksum(data: bytes) -> int:
    """The Internet checksum (RFC 1071)."""
    if len(data) % 2:
        data += b"\0"
    total: int = sum(struct.unpack(f"!{len(data) // 2}H", data))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total ^ 0xFFFF


def _packed(address: Address) -> bytes:
    return address.value.to_bytes(4 if address.version == 4 else 16, "big")
