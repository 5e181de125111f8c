"""One concrete packet header."""

from __future__ import annotations

from dataclasses import dataclass, replace

from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.protocol import ICMP, ICMPV6, TCP, has_ports

__all__ = ["Packet"]


@dataclass(frozen=True, slots=True, order=True)
class Packet:
    """The fields of one packet that an access list or a route can see.

    A field that the packet does not have is 0: ports other than of TCP, UDP
    and SCTP, flags other than of TCP, type and code other than of ICMP, all of
    these in a non-initial fragment.

    Parameters
    ----------
    source, destination
        Addresses of one IP version.
    protocol
        Number of the protocol, 0..255 (the last header of an IPv6 packet).
    source_port, destination_port
        0..65535.
    icmp_type, icmp_code
        0..255.
    flags
        TCP control bits, see :mod:`pathcheck.packet.tcp_flags`.
    dscp
        0..63.
    fragment
        Whether it is a non-initial fragment.

    Raises
    ------
    ValueError
        The addresses are of two IP versions, a number is out of its range, or a
        field is set that the packet does not have.
    """

    source: Address
    destination: Address
    protocol: int
    source_port: int = 0
    destination_port: int = 0
    icmp_type: int = 0
    icmp_code: int = 0
    flags: int = 0
    dscp: int = 0
    fragment: bool = False

    def __post_init__(self) -> None:
        if self.source.version != self.destination.version:
            raise ValueError(f"`{self.source}` and `{self.destination}` are of two IP versions")
        for name, highest in _HIGHEST.items():
            if not 0 <= getattr(self, name) <= highest:
                raise ValueError(f"{name} `{getattr(self, name)}` is not within 0 and {highest}")
        if (self.source_port or self.destination_port) and (self.fragment or not has_ports(self.protocol)):
            raise ValueError("only TCP, UDP and SCTP packets that are no later fragments have ports")
        if (self.icmp_type or self.icmp_code) and (self.fragment or self.protocol not in (ICMP, ICMPV6)):
            raise ValueError("only ICMP packets that are no later fragments have a type and a code")
        if self.flags and (self.fragment or self.protocol != TCP):
            raise ValueError("only TCP packets that are no later fragments have flags")

    @property
    def version(self) -> IPVersion:
        """4 or 6."""
        return self.source.version

    def swapped(self) -> Packet:
        """Return the packet with its ends swapped, everything else kept."""
        return replace(
            self,
            source=self.destination,
            destination=self.source,
            source_port=self.destination_port,
            destination_port=self.source_port,
        )


_HIGHEST = {
    "protocol": 255, "source_port": 65535, "destination_port": 65535, "icmp_type": 255, "icmp_code": 255,
    "flags": 255, "dscp": 63,
}  # fmt: skip
