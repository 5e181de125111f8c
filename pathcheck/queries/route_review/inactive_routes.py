"""PC201: static routes that are configured and not in the table, and why."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from pathcheck.dataplane.fib import InactiveRoute
from pathcheck.dataplane.route import InactiveReason
from pathcheck.model.static_route import StaticRoute
from pathcheck.queries.black_holes import Failure, FleetForwarding, joined
from pathcheck.queries.route_review.closest_miss import closest_miss
from pathcheck.queries.route_review.reviewed_table import ReviewedTable
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.results.prefix_words import prefix_words
from pathcheck.results.verdict import Reason
from pathcheck.source import Span

__all__ = ["inactive_routes"]

_OFF_SUBNET = (InactiveReason.NOT_CONNECTED, InactiveReason.UNRESOLVED, InactiveReason.ONLY_BY_DEFAULT,
               InactiveReason.THROUGH_ITSELF)  # fmt: skip
_CURES = {
    InactiveReason.NEVER_USED: "give it a distance below 255, or remove it",
    InactiveReason.ROUTING_OFF: "turn routing on, or remove the route; a device that does not route needs a "
    "default gateway",
    InactiveReason.NO_INTERFACE: "name an interface that the device has",
    InactiveReason.INTERFACE_DOWN: "bring the interface up, or remove the route",
    InactiveReason.NO_ADDRESS: "give the interface an address, or name a next hop",
    InactiveReason.LINK_LOCAL: "name the interface in front of the next hop",
    InactiveReason.OWN_ADDRESS: "name the neighbour's address, not the device's own",
    InactiveReason.THROUGH_ITSELF: "name a next hop on a connected subnet, or add a longer route to it",
    InactiveReason.ONLY_BY_DEFAULT: "name a next hop on a connected subnet, or add a route to it",
    InactiveReason.NOT_CONNECTED: "name a next hop on a connected subnet",
    InactiveReason.UNRESOLVED: "name a next hop on a connected subnet, or add a route to it",
}


def inactive_routes(table: ReviewedTable, forwarding: FleetForwarding | None) -> Iterator[Finding]:
    """Yield each static route that is out of the table for certain.

    Parameters
    ----------
    forwarding
        What becomes of the destinations; None leaves out what the route's absence leads to.
    """
    for route, inactive in table.inactive:
        if inactive.doubts:
            continue
        why, cure, because = _why(table, route, inactive)
        message = f"not in the table: {why}; {_instead(table, route)}"
        lost = _lost(forwarding, inactive) if forwarding is not None else ""
        if lost:
            message += f"; {lost}"
        if inactive.readings:
            read = ", ".join(f"{reading.key} = {reading.value}" for reading in inactive.readings)
            message += f" (on the reading {read})"
        yield finding("PC201", message, span=route.span, device=table.device.name, because=because, help=cure)


def _why(table: ReviewedTable, route: StaticRoute, inactive: InactiveRoute) -> tuple[str, str, tuple[Span, ...]]:
    """Why it is out, what to do, and the lines that explain it."""
    why, cure, because = inactive.why, _CURES[inactive.reason], inactive.related
    if inactive.reason in _OFF_SUBNET and route.next_hop is not None:
        lookup = route.vrf if route.next_hop_vrf is None else route.next_hop_vrf or None
        miss = closest_miss(table.network, table.device, lookup, route.next_hop)
        down = _down_subnet(table, lookup, route)
        if down is not None:
            why, cure = f"{why}; its subnet is on `{down}`, which is down", _CURES[InactiveReason.INTERFACE_DOWN]
        elif miss is not None:
            why = f"{why}; {miss.words}"
            if miss.octets == 1:
                cure = f"if `{miss.meant}` is meant, write that; otherwise {cure}"
                because = (*because, miss.span)
    return why, cure, tuple(dict.fromkeys(span for span in because if span != route.span))


def _down_subnet(table: ReviewedTable, vrf: str | None, route: StaticRoute) -> str | None:
    """Name an interface that is down and whose subnet holds the next hop."""
    for interface in table.device.interfaces.values():
        on_it = any(
            item.role != "link-local" and route.next_hop is not None and route.next_hop in item.prefix
            for item in interface.addresses
        )
        if interface.vrf == vrf and on_it and not table.network.topology.state(table.device.name, interface.name).up:
            return interface.name
    return None


def _instead(table: ReviewedTable, route: StaticRoute) -> str:
    """What carries its packets in its place."""
    same = table.entries.get(route.prefix)
    entry = same or next(table.covering(route.prefix), None)
    if entry is None:
        return f"no other route carries {route.prefix} as a whole"
    place = f" ({entry.spans[0]})" if entry.spans else ""
    kind = "discard route" if entry.discard and not entry.hops else f"{entry.source} route"
    return f"packets to {route.prefix} are left to the {kind} for {entry.prefix}{place}"


def _lost(forwarding: FleetForwarding, inactive: InactiveRoute) -> str:
    """What is lost because the route is out: loops first, then the rest, one clause each."""
    mine = [
        failure
        for failure in forwarding.failures
        if any(cause.route is inactive for cause in failure.causes) and failure.fate.reason is not Reason.UNMODELLED
    ]
    return "; ".join(_clause(forwarding, same) for same in _by_place(mine))


def _by_place(failures: Iterable[Failure]) -> list[list[Failure]]:
    """Group failures that end alike at one place."""
    found: dict[object, list[Failure]] = {}
    for failure in failures:
        fate = failure.fate
        key = (fate.reason, fate.at, fate.loop.cycle if fate.loop else None)
        found.setdefault(key, []).append(failure)
    return list(found.values())


def _clause(forwarding: FleetForwarding, failures: Sequence[Failure]) -> str:
    """One clause on destinations that are lost at one place."""
    fate = failures[0].fate
    intervals = joined(interval for failure in failures for interval in failure.intervals())
    words = prefix_words(forwarding.prefixes(intervals))
    if fate.loop is not None:
        cycle = " > ".join(str(place.whole) for place in (*fate.loop.cycle, fate.loop.cycle[0]))
        return f"{words} loops: {cycle}"
    return f"{words} is {fate.reason.value} on {fate.at}"
