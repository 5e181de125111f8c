"""What a device has to reach for itself: servers, relays and neighbours that its lines name.

None of these lines changes where a packet goes, so they are no part of forwarding. They say
which flows have to pass for the device to be run.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from pathcheck.packet.address import Address
from pathcheck.source import Span

__all__ = ["DhcpRelay", "ManagementServer", "RoutingPeer", "ServerKind"]

ServerKind = Literal["dns", "ntp", "syslog", "snmp-trap", "radius", "radius-accounting", "tacacs"]


@dataclass(frozen=True, slots=True)
class ManagementServer:
    """A server that the device sends to or asks.

    Parameters
    ----------
    address
        As written; servers that are named by a host name are not kept.
    port
        As written, None where the text names none.
    tcp
        Whether the text asks for TCP where UDP is usual (system log).
    vrf
        The table in which it is looked up; None for the global one.
    source_interface
        Canonical name of the interface whose address the device's packets have, where a line says so.
    """

    kind: ServerKind
    address: Address
    port: int | None = None
    tcp: bool = False
    vrf: str | None = None
    source_interface: str | None = None
    span: Span = field(compare=False, kw_only=True)


@dataclass(frozen=True, slots=True)
class DhcpRelay:
    """A server to which an interface hands on the requests for addresses that it hears.

    Parameters
    ----------
    vrf
        The table in which the server is looked up: None for the interface's own, the empty text for the global one.
    """

    interface: str
    server: Address
    vrf: str | None = None
    span: Span = field(compare=False, kw_only=True)


@dataclass(frozen=True, slots=True)
class RoutingPeer:
    """A session or an exchange of messages of a routing protocol; what it brings is not modelled.

    Parameters
    ----------
    neighbour
        Of `bgp`: the address that the session is opened to, or that opens it.
    interface
        Of the others: the interface on which the messages are sent.
    source_interface
        Of `bgp`: where a line says which address the session has.
    """

    protocol: Literal["bgp", "ospf", "rip", "eigrp"]
    neighbour: Address | None = None
    interface: str | None = None
    vrf: str | None = None
    source_interface: str | None = None
    span: Span = field(compare=False, kw_only=True)
