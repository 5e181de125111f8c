"""The packets that answer, as the fleet's questions mean them."""

from __future__ import annotations

from dataclasses import replace

from pathcheck.packet.box import Box
from pathcheck.packet.protocol import ICMP, ICMPV6
from pathcheck.packet.ranges import Ranges
from pathcheck.packetset.algebra import PacketSet

__all__ = ["replies_to"]


def replies_to(packets: PacketSet) -> PacketSet:
    """Return the packets that answer; the ICMP of the other IP version is ICMP too and answered by nothing."""
    foreign = Ranges.single(ICMPV6 if packets.version == 4 else ICMP)
    everything = Box.everything(packets.version)
    return (packets - packets.space.of(replace(everything, protocols=foreign))).reply()
