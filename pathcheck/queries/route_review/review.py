"""The review of all static routes of a fleet, as findings in the order of the files."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property

from pathcheck.errors import UnknownNameError, nearest
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.network.reachability import Network
from pathcheck.packet.address import IPVersion
from pathcheck.queries.black_holes import FleetForwarding, routing_report
from pathcheck.queries.route_review.covered_routes import covered_routes
from pathcheck.queries.route_review.equal_cost import accidental_equal_cost
from pathcheck.queries.route_review.idle_backups import idle_backups
from pathcheck.queries.route_review.inactive_routes import inactive_routes
from pathcheck.queries.route_review.interface_routes import interface_only_routes
from pathcheck.queries.route_review.loops import loops
from pathcheck.queries.route_review.lost_subnets import lost_subnets
from pathcheck.queries.route_review.mergeable_routes import mergeable_routes
from pathcheck.queries.route_review.next_hops import dead_next_hops
from pathcheck.queries.route_review.reviewed_table import ReviewedTable, tables_of
from pathcheck.results.black_hole import RoutingReport
from pathcheck.results.finding import Finding

__all__ = ["RouteReview", "review_routes"]

_VERSIONS: tuple[IPVersion, ...] = (4, 6)


@dataclass(frozen=True)
class RouteReview:
    """The routes of a fleet, looked at once.

    Parameters
    ----------
    config
        The fleet.
    device
        Only findings on this device, and only what ends on it or goes round through it.
    advance
        Hears how many devices are done.

    Raises
    ------
    UnknownNameError
        The fleet has no such device.
    """

    config: FleetConfig
    device: str | None = None
    advance: Callable[[int], None] = lambda _: None

    def __post_init__(self) -> None:
        if self.device is not None and self.device not in self.config.devices:
            near = nearest(self.device, self.config.devices)
            raise UnknownNameError(
                f"no device `{self.device}` in the fleet", help=f"did you mean `{near}`?" if near else None
            )

    @cached_property
    def _network(self) -> Network:
        return Network(self.config)

    @cached_property
    def _forwarding(self) -> dict[IPVersion, FleetForwarding]:
        return {version: FleetForwarding(self._network, version) for version in _VERSIONS}

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """All findings, in the order of file, line and code."""
        found = list(self._found())
        return tuple(sorted(dict.fromkeys(found), key=_order))

    @property
    def report(self) -> RoutingReport:
        """Loops and black holes as data."""
        return routing_report(self._forwarding.values(), device=self.device)

    def _found(self) -> Iterator[Finding]:
        for name, device in self.config.devices.items():
            if self.device in (None, name):
                for table in tables_of(self._network, device):
                    yield from _of_table(table, self._forwarding[table.version])
            self.advance(1)
        for forwarding in self._forwarding.values():
            yield from loops(forwarding, self.device)
            yield from lost_subnets(forwarding, self.device)


def review_routes(
    config: FleetConfig, *, device: str | None = None, advance: Callable[[int], None] = lambda _: None
) -> tuple[Finding, ...]:
    """Return the findings on the routes of a fleet; parameters, order and errors are those of :class:`RouteReview`."""
    return RouteReview(config, device, advance).findings


def _of_table(table: ReviewedTable, forwarding: FleetForwarding) -> Iterable[Finding]:
    """Return the findings on one table; a route that does not act gets one finding only.

    Where nobody knows a line of the device, which could be a route as well, it is said
    with what is out or dead, and nothing is said on what could go.
    """
    found = [*inactive_routes(table, forwarding), *dead_next_hops(table)]
    if table.unknown:
        where = ", ".join(str(doubt.span) for doubt in table.unknown[:2])
        more = f" and {len(table.unknown) - 2} more" if len(table.unknown) > 2 else ""
        remark = f" (as far as the lines tell that are known; {where}{more} is not)"
        return [replace(item, message=item.message + remark) for item in found]
    dead = {item.span for item in found}
    covered = list(covered_routes(table))
    lines = frozenset(item.span for item in covered if item.span is not None)
    rest = (
        *covered,
        *idle_backups(table),
        *accidental_equal_cost(table),
        *interface_only_routes(table),
        *mergeable_routes(table, lines),
    )
    return [*found, *(item for item in rest if item.span not in dead)]


def _order(item: Finding) -> tuple[str, int, str, str]:
    """File, line, code, message; findings without a place stand first."""
    return (item.span.file, item.span.line, item.code, item.message) if item.span else ("", 0, item.code, item.message)
