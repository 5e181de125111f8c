"""IP protocol names and numbers."""

from __future__ import annotations

__all__ = ["ICMP", "ICMPV6", "PORT_PROTOCOLS", "SCTP", "TCP", "UDP", "has_ports"]

ICMP, TCP, UDP, ICMPV6, SCTP = 1, 6, 17, 58, 132
PORT_PROTOCOLS = (TCP, UDP, SCTP)
"""Protocols whose ports an access list can name."""


def has_ports(protocol: int) -> bool:
    """Whether packets of the protocol carry ports that a list can see."""
    return protocol in PORT_PROTOCOLS
