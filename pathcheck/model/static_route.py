"""A static route, and the default gateway of a device that does not route."""

from __future__ import annotations

from dataclasses import dataclass, field

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.source import Span

__all__ = ["AdministrativeDistance", "DefaultGateway", "StaticRoute"]

AdministrativeDistance = int
"""1..255, the lower wins; 255 is never used (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class StaticRoute:
    """One static route; exactly one of next hop, interface or discard, or next hop and interface.

    Parameters
    ----------
    vrf
        The table it stands in, None for the global one.
    next_hop_vrf
        The table in which the next hop is looked up, where it is another:
        a VRF's name, or the empty text for the global table.
    tracked
        Why the route may be absent although it is configured (it follows the
        state of an object), None otherwise.
    permanent
        Whether it stays when its interface goes down.
    """

    prefix: Prefix
    next_hop: Address | None = None
    interface: str | None = None
    discard: bool = False
    vrf: str | None = None
    next_hop_vrf: str | None = None
    distance: AdministrativeDistance = 1
    name: str = ""
    tag: int | None = None
    tracked: str | None = None
    permanent: bool = False
    span: Span = field(compare=False, kw_only=True)


@dataclass(frozen=True, slots=True)
class DefaultGateway:
    """The router that a device which does not route sends everything else to."""

    address: Address
    vrf: str | None = None
    span: Span = field(compare=False, kw_only=True)
