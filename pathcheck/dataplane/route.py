"""The routes of a device as data: what is in a table, what is not, and what could be."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum

from pathcheck.model.static_route import DefaultGateway, StaticRoute
from pathcheck.packet.address import WIDTH, Address
from pathcheck.packet.prefix import Prefix
from pathcheck.results.path import Doubt, Reading
from pathcheck.source import Span

__all__ = [
    "FibEntry",
    "HiddenRoutes",
    "InactiveReason",
    "InactiveRoute",
    "PossibleRoute",
    "ResolvedHop",
    "RouteStep",
    "StandbyRoute",
    "Table",
    "may_displace",
]


class InactiveReason(StrEnum):
    """Why a configured route is not in the table."""

    NEVER_USED = "distance-255"
    ROUTING_OFF = "routing-off"
    IDLE_GATEWAY = "gateway-while-routing"
    NO_INTERFACE = "no-such-interface"
    INTERFACE_DOWN = "interface-down"
    NO_ADDRESS = "interface-without-address"
    LINK_LOCAL = "link-local-without-interface"
    OWN_ADDRESS = "own-address"
    THROUGH_ITSELF = "through-itself"
    ONLY_BY_DEFAULT = "only-by-default-route"
    NOT_CONNECTED = "not-on-a-connected-subnet"
    UNRESOLVED = "unresolved"

    @property
    def strands(self) -> bool:
        """Whether it is a next hop that cannot be reached; the others take the route out on purpose."""
        return self not in (self.NEVER_USED, self.ROUTING_OFF, self.IDLE_GATEWAY)


@dataclass(frozen=True, slots=True)
class RouteStep:
    """A route that a next hop was resolved by."""

    prefix: Prefix
    source: str
    next_hop: Address | None
    span: Span


@dataclass(frozen=True, slots=True)
class ResolvedHop:
    """Where a route sends packets in the end.

    Parameters
    ----------
    interface
        The interface that packets leave by.
    next_hop
        The neighbour's address there; None where it is the destination itself.
    span
        The line of the route that was looked up.
    named
        The next hop that this line names, None where it names none.
    chain
        The routes that `named` was resolved by, in order.
    """

    interface: str
    next_hop: Address | None
    span: Span
    named: Address | None = None
    chain: tuple[RouteStep, ...] = ()


@dataclass(frozen=True, slots=True)
class FibEntry:
    """The best routes of one prefix.

    Parameters
    ----------
    prefix
        The destinations.
    source
        `local` (the device's own address), `connected`, `static` or `gateway`.
    distance
        Administrative distance; 0 for local and connected.
    hops
        All equal-cost ways.
    discard
        Whether one of the equal-cost ways is a discard route; without `hops` it is the only one.
    spans
        The lines of the best routes.
    doubts
        Lines that could change what becomes of these destinations.
    readings
        The assumptions that the entry rests on.
    """

    prefix: Prefix
    source: str
    distance: int
    hops: tuple[ResolvedHop, ...]
    discard: bool
    spans: tuple[Span, ...]
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()


@dataclass(frozen=True, slots=True)
class InactiveRoute:
    """A configured route that is not in the table.

    Parameters
    ----------
    route
        The static route or the default gateway.
    prefix
        What it would carry.
    reason, why
        For machines, and one clause for people.
    related
        The lines that explain it.
    doubts
        What could put it into the table all the same; it is out for certain where there are none.
    readings
        The assumptions under which it is out.
    """

    route: StaticRoute | DefaultGateway
    prefix: Prefix
    reason: InactiveReason
    why: str
    related: tuple[Span, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()


@dataclass(frozen=True, slots=True)
class StandbyRoute:
    """A usable route that stands behind a better one of the same prefix."""

    route: StaticRoute | DefaultGateway
    prefix: Prefix
    distance: int
    hops: tuple[ResolvedHop, ...]
    discard: bool


@dataclass(frozen=True, slots=True)
class HiddenRoutes:
    """Routes of unknown prefixes that the text does not show, as those of a routing protocol.

    They may be longer than any written one, but never take a destination
    from a connected or local route.

    Parameters
    ----------
    within
        Only destinations inside this prefix; None for all.
    distance
        The lowest with which they come.
    connected
        Whether they are connected routes, so that a next hop on them counts as connected.
    """

    within: Prefix | None
    distance: int
    doubt: Doubt
    connected: bool = False


@dataclass(frozen=True, slots=True)
class PossibleRoute:
    """A route that is not in the table, but would be under another reading, or if a doubtful line acts."""

    prefix: Prefix
    distance: int
    connected: bool = False
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """One VRF's routes of one IP version.

    Parameters
    ----------
    entries
        The best routes by prefix.
    inactive, standby
        Configured routes that do not act.
    hidden, possible
        What could act without being in `entries`.
    """

    entries: dict[Prefix, FibEntry] = field(default_factory=dict)
    inactive: list[InactiveRoute] = field(default_factory=list)
    standby: list[StandbyRoute] = field(default_factory=list)
    hidden: list[HiddenRoutes] = field(default_factory=list)
    possible: list[PossibleRoute] = field(default_factory=list)

    def touching(self, entry: FibEntry | None, destination: Prefix) -> Iterator[HiddenRoutes | PossibleRoute]:
        """Yield what could carry a destination in place of the entry that wins it.

        `destination` lies wholly inside or outside of each hidden and possible prefix.
        """
        for hidden in self.hidden:
            if (hidden.within is None or hidden.within.covers(destination)) and may_displace(hidden, entry):
                yield hidden
        for possible in self.possible:
            if possible.prefix.covers(destination) and may_displace(possible, entry):
                yield possible


def may_displace(rival: HiddenRoutes | PossibleRoute, entry: FibEntry | None) -> bool:
    """Whether a rival that covers a destination could carry it in place of an entry, or beside it at equal cost."""
    if entry is None:
        return True
    if isinstance(rival, HiddenRoutes):
        if entry.source in ("local", "connected"):
            return False
        # A prefix of full length leaves no room for a longer one: only the distance decides.
        return entry.prefix.length < WIDTH[entry.prefix.version] or entry.distance >= rival.distance
    if rival.prefix.length != entry.prefix.length:
        return rival.prefix.length > entry.prefix.length
    return entry.distance >= rival.distance
