"""The packets that answer, as the fleet's questions mean them."""

from __future__ import annotations

from pathcheck.packetset.algebra import PacketSet

__all__ = ["replies_to"]


def replies_to(packets: PacketSet) -> PacketSet:
    """Return the packets that answer; other ICMP than an echo request of the IP version is answered by nothing."""
    return packets.reply()
