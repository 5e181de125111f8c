"""A device: everything that its text says, names resolved only where they are used."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pathcheck.model.access_list import AccessList, Family, ListBinding
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.interface import Interface
from pathcheck.model.object_group import GroupKind, ObjectGroup
from pathcheck.model.own_traffic import DhcpRelay, ManagementServer, RoutingPeer
from pathcheck.model.static_route import DefaultGateway, StaticRoute
from pathcheck.model.unmodelled import Unmodelled
from pathcheck.model.vlan import Vlan
from pathcheck.packet.address import Address
from pathcheck.source import Span

__all__ = ["Device", "ListUse", "TerminalLines"]


@dataclass(frozen=True, slots=True)
class TerminalLines:
    """A block of terminal lines that sessions to the device end on, and the lists that guard it.

    `accepts_sessions` is False where the text closes the lines to sessions of each protocol.
    """

    first: int
    last: int
    bindings: tuple[ListBinding, ...] = ()
    accepts_sessions: bool = True
    span: Span = field(compare=False, kw_only=True)


@dataclass(frozen=True, slots=True)
class ListUse:
    """A use of a list that filters no forwarded packet: address translation, a route map, and the like."""

    list_name: str
    family: Family
    what: str
    span: Span = field(compare=False, kw_only=True)


@dataclass(frozen=True, slots=True)
class Device:
    """One device's intended configuration.

    Parameters
    ----------
    name
        From the `hostname` line, else from the file or folder.
    files
        The files it was read from, in order.
    access_lists
        By family and name.
    groups
        By kind and name.
    interfaces
        By canonical name, in the order of the text.
    vlans
        By number.
    has_vlan_section
        Whether the text defines VLANs at all; without it "not defined" says nothing.
    vrfs
        Names with the place of their definition.
    routing, ipv6_routing
        What the text says, None where it says nothing.
    routing_span, ipv6_routing_span
        Where it says so.
    control_plane
        Lists that guard packets to the device's own addresses as a whole.
    servers, relays
        What the device itself sends to and asks, and where it hands requests for addresses on.
    routing_peers
        Neighbours and interfaces of routing protocols, which are `unmodelled` themselves.
    management, serial
        From `fleet.yaml`.
    management_span, serial_span
        Where `fleet.yaml` says the management address and the serial number.
    """

    name: str
    files: tuple[str, ...] = field(default=(), compare=False)
    access_lists: Mapping[tuple[Family, str], AccessList] = field(default_factory=dict)
    groups: Mapping[tuple[GroupKind, str], ObjectGroup] = field(default_factory=dict)
    interfaces: Mapping[str, Interface] = field(default_factory=dict)
    vlans: Mapping[int, Vlan] = field(default_factory=dict)
    has_vlan_section: bool = False
    vrfs: Mapping[str, Span] = field(default_factory=dict, compare=False)
    static_routes: tuple[StaticRoute, ...] = ()
    gateways: tuple[DefaultGateway, ...] = ()
    routing: bool | None = None
    ipv6_routing: bool | None = None
    routing_span: Span | None = field(default=None, compare=False)
    ipv6_routing_span: Span | None = field(default=None, compare=False)
    terminal_lines: tuple[TerminalLines, ...] = ()
    control_plane: tuple[ListBinding, ...] = ()
    list_uses: tuple[ListUse, ...] = field(default=(), compare=False)
    servers: tuple[ManagementServer, ...] = ()
    relays: tuple[DhcpRelay, ...] = ()
    routing_peers: tuple[RoutingPeer, ...] = field(default=(), compare=False)
    unmodelled: tuple[Unmodelled, ...] = field(default=(), compare=False)
    assume: Assumptions = field(default_factory=Assumptions)
    management: Address | None = None
    serial: str | None = None
    management_span: Span | None = field(default=None, compare=False)
    serial_span: Span | None = field(default=None, compare=False)

    def access_list(self, family: Family, name: str) -> AccessList | None:
        """Return the list of that name, None where it is not defined."""
        return self.access_lists.get((family, name))
