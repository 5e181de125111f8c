"""Configuration that can change an answer and is not modelled, with what it can touch.

The scope decides whether an answer is `uncertain`: only what the line can
touch is. Each scope says on which device, and there which packets.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from pathcheck.model.access_list import Direction, Family
from pathcheck.packet.prefix import Prefix
from pathcheck.source import Span

__all__ = [
    "LATE_VRF",
    "DeviceScope",
    "InterfaceScope",
    "LayerTwoScope",
    "ListScope",
    "NoScope",
    "OwnScope",
    "RouteScope",
    "Scope",
    "TranslationScope",
    "Unmodelled",
]


LATE_VRF = "VRF line behind an address"
"""What a line is called that gives an interface another VRF when it has its addresses already."""


@dataclass(frozen=True, slots=True)
class NoScope:
    """No unicast flow that is modelled: multicast, or frames of single hosts. Noted once."""


@dataclass(frozen=True, slots=True)
class DeviceScope:
    """Each packet that enters, leaves or crosses the device. The scope of a line that nobody knows."""


@dataclass(frozen=True, slots=True)
class OwnScope:
    """Packets to the device's own addresses (control-plane policies, services)."""


@dataclass(frozen=True, slots=True)
class InterfaceScope:
    """Routed packets through one interface.

    `directions` are those in which the line acts. `may_only_drop` tells that
    the line can drop packets but not send them elsewhere nor change them.
    """

    interface: str
    directions: tuple[Direction, ...] = ("in", "out")
    may_only_drop: bool = False


@dataclass(frozen=True, slots=True)
class TranslationScope:
    """Packets that cross between interfaces of the two sides of an address translation."""

    interface: str
    side: Literal["inside", "outside"]


@dataclass(frozen=True, slots=True)
class RouteScope:
    """Routes of one VRF that the text does not show.

    Parameters
    ----------
    vrf
        None for the global table.
    family
        None for both.
    within
        Only destinations inside this prefix; None for all.
    distance
        The lowest administrative distance with which such a route can come: it
        cannot displace a route of the same prefix with a lower one. Connected
        routes stay; 0 is a connected route that the text does not show.
    exact
        Whether such a route is for exactly `within`, so that longer prefixes win over it.
    """

    vrf: str | None = None
    family: Family | None = None
    within: Prefix | None = None
    distance: int = 1
    exact: bool = False


@dataclass(frozen=True, slots=True)
class LayerTwoScope:
    """How VLANs are carried between ports: one VLAN, or each where None."""

    vlan: int | None = None


@dataclass(frozen=True, slots=True)
class ListScope:
    """The decisions of one list, whole."""

    name: str
    family: Family


Scope = NoScope | DeviceScope | OwnScope | InterfaceScope | TranslationScope | RouteScope | LayerTwoScope | ListScope


@dataclass(frozen=True, slots=True)
class Unmodelled:
    """One line with what it can touch.

    Parameters
    ----------
    what
        The kind in the trade's words, as `policy routing`; `unknown line` or
        `line that could not be read` for the others.
    """

    what: str
    scope: Scope
    span: Span = field(compare=False, kw_only=True)
