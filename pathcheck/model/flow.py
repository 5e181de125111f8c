"""A flow that somebody asks about: a set of packets, and where they enter."""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.packet.address import IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import ICMPV6
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import FlagMatch

__all__ = ["EntryPoint", "Flow"]


@dataclass(frozen=True, slots=True)
class EntryPoint:
    """Where packets enter; without an interface they start on the device itself."""

    device: str
    interface: str | None = None


@dataclass(frozen=True, slots=True)
class Flow:
    """A set of packets as the user's words describe it, names resolved.

    Parameters
    ----------
    protocol
        Number, or None for each protocol.
    source, destination
        Prefixes; any address of them. Both hold at least one prefix. Only pairs
        of one IP version are meant.
    source_named, destination_named
        The words as given, for the report (`any`, a place, a device).
    source_ports, destination_ports
        None for any port.
    icmp
        Numbers `type * 256 + code`, None for any.
    flags
        None for any flags. (A flow with no word about flags asks about a new
        connection: SYN without ACK; the reader of the words puts that in.)
    dscp
        None for any.
    fragment
        True asks about non-initial fragments only, False about all others only, None about both.
    vrf
        The table in which the packets start, where it is not the global one.
    at
        None: on each interface that is on the source's subnet.
    either_icmp
        Whether protocol 1 was asked for by the word `icmp` between ends of both
        IP versions: between IPv6 addresses it then is ICMPv6.
    """

    protocol: int | None
    source: tuple[Prefix, ...]
    destination: tuple[Prefix, ...]
    source_named: str = ""
    destination_named: str = ""
    source_ports: Ranges | None = None
    destination_ports: Ranges | None = None
    icmp: Ranges | None = None
    flags: FlagMatch | None = None
    dscp: Ranges | None = None
    fragment: bool | None = False
    vrf: str | None = None
    at: EntryPoint | None = None
    either_icmp: bool = False

    def protocol_in(self, version: IPVersion) -> int | None:
        """Return the protocol that is meant between addresses of one IP version."""
        return ICMPV6 if self.either_icmp and version == 6 else self.protocol
