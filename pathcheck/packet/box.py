"""A box: a set of packets given field by field.

Boxes are the common tongue between what reads criteria and what computes
with sets: each criterion of a list line, each flow and each printed region is
a union of boxes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from pathcheck.packet.address import IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packet.protocol import ICMP, ICMPV6, PORT_PROTOCOLS, TCP
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import FlagMatch
from pathcheck.packet.wildcard import AddressMatch

__all__ = ["Box"]


@dataclass(frozen=True, slots=True)
class Box:
    """All packets whose fields each lie in the field's set; None leaves a field free.

    A constraint on a field that not every packet has holds only for packets
    that have it: `destination_ports` limits the box to TCP, UDP and SCTP,
    `flags` to TCP, `icmp` to the ICMP of the IP version, and each of these to
    packets that are no non-initial fragments.

    Parameters
    ----------
    source, destination
        Of one IP version.
    protocols
        Protocol numbers, 0..255.
    source_ports, destination_ports
        0..65535.
    icmp
        Numbers `type * 256 + code`, 0..65535.
    flags
        TCP control bits.
    dscp
        0..63.
    fragment
        True for non-initial fragments only, False for all other packets only.
    """

    source: AddressMatch
    destination: AddressMatch
    protocols: Ranges | None = None
    source_ports: Ranges | None = None
    destination_ports: Ranges | None = None
    icmp: Ranges | None = None
    flags: FlagMatch | None = None
    dscp: Ranges | None = None
    fragment: bool | None = None

    def __post_init__(self) -> None:
        if self.source.version != self.destination.version:
            raise ValueError("source and destination of a box are of two IP versions")

    @classmethod
    def everything(cls, version: IPVersion) -> Box:
        """Return the box of each packet of one IP version."""
        return cls(AddressMatch.any(version), AddressMatch.any(version))

    @property
    def version(self) -> IPVersion:
        """4 or 6."""
        return self.source.version

    @property
    def names_layer4(self) -> bool:
        """Whether ports, flags or ICMP type and code are limited."""
        return not (
            self.source_ports is None and self.destination_ports is None and self.icmp is None and self.flags is None
        )

    def effective_protocols(self) -> Ranges:
        """Return the protocols that a packet of the box can have, the limits of layer 4 included."""
        has_ports = self.source_ports is not None or self.destination_ports is not None
        icmp = None if self.icmp is None else ICMP if self.version == 4 else ICMPV6
        return _effective(self.protocols, has_ports, self.flags is not None, icmp)

    def __contains__(self, packet: Packet) -> bool:
        if packet.source not in self.source or packet.destination not in self.destination:
            return False
        if packet.protocol not in self.effective_protocols():
            return False
        if self.names_layer4 and packet.fragment:
            return False
        return (
            (self.source_ports is None or packet.source_port in self.source_ports)
            and (self.destination_ports is None or packet.destination_port in self.destination_ports)
            and (self.icmp is None or packet.icmp_type << 8 | packet.icmp_code in self.icmp)
            and (self.flags is None or self.flags.matches(packet.flags))
            and (self.dscp is None or packet.dscp in self.dscp)
            and (self.fragment is None or packet.fragment == self.fragment)
        )


@lru_cache(maxsize=4096)
def _effective(protocols: Ranges | None, has_ports: bool, has_flags: bool, icmp: int | None) -> Ranges:
    """The protocols that are left by what is asked of layer 4; lists repeat few combinations."""
    left = protocols if protocols is not None else _EACH_PROTOCOL
    if has_ports:
        left &= _WITH_PORTS
    if has_flags:
        left &= Ranges.single(TCP)
    if icmp is not None:
        left &= Ranges.single(icmp)
    return left


_EACH_PROTOCOL = Ranges.of((0, 255))
_WITH_PORTS = Ranges.of(*((number, number) for number in PORT_PROTOCOLS))
