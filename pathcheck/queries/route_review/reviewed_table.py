"""One table of one device as the findings on routes see it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from pathcheck.dataplane.fib import Fib, FibEntry, InactiveRoute, ResolvedHop, StandbyRoute
from pathcheck.model.device import Device
from pathcheck.model.static_route import StaticRoute
from pathcheck.network.reachability import Network
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.results.path import Doubt
from pathcheck.source import Span

__all__ = ["ReviewedTable", "Signature", "signature", "tables_of"]

Signature = tuple[frozenset[tuple[str, Address | None]], bool]
"""What a route does: the interfaces and neighbours that it sends to, and whether it discards."""


@dataclass(frozen=True, slots=True)
class ReviewedTable:
    """One VRF of one device for one IP version, with its static routes by what became of them.

    Parameters
    ----------
    vrf
        None for the global table.
    routes
        The static routes of the table, in the order of the text.
    best
        The entry that each route acts in, by the route's line; without those that do not act.
    """

    network: Network
    device: Device
    vrf: str | None
    version: IPVersion
    fib: Fib
    routes: tuple[StaticRoute, ...]
    best: dict[Span, FibEntry] = field(default_factory=dict)
    entries: dict[Prefix, FibEntry] = field(default_factory=dict)
    by_line: dict[Span, StaticRoute] = field(default_factory=dict)

    @property
    def inactive(self) -> list[tuple[StaticRoute, InactiveRoute]]:
        """The static routes that are out of the table."""
        return [(item.route, item) for item in self.fib.inactive if isinstance(item.route, StaticRoute)]

    @property
    def standby(self) -> list[tuple[StaticRoute, StandbyRoute]]:
        """The static routes that wait behind a better one of the same prefix."""
        return [(item.route, item) for item in self.fib.standby if isinstance(item.route, StaticRoute)]

    @property
    def unknown(self) -> tuple[Doubt, ...]:
        """The lines of the device that nobody knows, and that could be anything."""
        return self.network.doubtful(self.device.name).on_device()

    def is_certain(self, entry: FibEntry) -> bool:
        """Whether nothing that is not modelled could carry the destinations of an entry in its place or without it."""
        return not entry.doubts and not self.fib.prefix_doubts(entry.prefix)

    def hops(self, route: StaticRoute) -> tuple[ResolvedHop, ...]:
        """Return where a route that acts or waits sends packets; nothing for one that is out."""
        entry = self.best.get(route.span)
        if entry is not None:
            return tuple(hop for hop in entry.hops if hop.span == route.span)
        return next((standby.hops for waiting, standby in self.standby if waiting is route), ())

    def covering(self, prefix: Prefix) -> Iterator[FibEntry]:
        """Yield the entries that hold a prefix and are shorter, longest first."""
        for entry in self.fib.matches(prefix.first):
            if entry.prefix.length < prefix.length:
                yield entry


def signature(entry: FibEntry) -> Signature:
    """Return what an entry does."""
    return frozenset((hop.interface, hop.next_hop) for hop in entry.hops), entry.discard


def tables_of(network: Network, device: Device) -> Iterator[ReviewedTable]:
    """Yield each table of a device that has a static route, IPv4 before IPv6."""
    versions: tuple[IPVersion, IPVersion] = (4, 6)
    for version in versions:
        mine = [route for route in device.static_routes if route.prefix.version == version]
        for vrf in dict.fromkeys(route.vrf for route in mine):
            fib = network.fib(device.name, vrf, version)
            routes = tuple(route for route in mine if route.vrf == vrf)
            found = ReviewedTable(network, device, vrf, version, fib, routes)
            for entry in fib.entries:
                found.entries[entry.prefix] = entry
                found.best.update((span, entry) for span in entry.spans)
            found.by_line.update((route.span, route) for route in routes)
            yield found
