"""PC213, PC214: subnets of the fleet that some of its devices have no route to, and those that lose replies by it."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from operator import attrgetter

from pathcheck.network.forwarding_graph import TablePlace
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.black_holes import Failure, FleetForwarding, FleetSubnet
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.results.prefix_words import prefix_words
from pathcheck.results.verdict import Reason
from pathcheck.source import Span

__all__ = ["lost_subnets"]

_MOST_ENTRIES = 4


@dataclass(slots=True)
class _Place:
    """What is lost in one table for one reason."""

    subnets: dict[FleetSubnet, int] = field(default_factory=dict)
    partly: bool = True
    spans: dict[Span, None] = field(default_factory=dict)
    ends: set[int] = field(default_factory=set)


def lost_subnets(forwarding: FleetForwarding, device: str | None = None) -> Iterator[Finding]:
    """Yield one finding for each table in which packets to subnets of the fleet are unrouted or discarded.

    Notes
    -----
    Asked about are subnets and loopbacks of the same VRF name in the part of the fleet
    that hangs together with the table; links between two routers, where no station is, are left
    out. What a route explains that is out of its table (PC201) is said there.
    """
    subnets = [subnet for subnet in forwarding.subnets if not subnet.is_link]
    places: dict[tuple[TablePlace, Reason], _Place] = defaultdict(_Place)
    parts: dict[TablePlace, int] | None = None
    starts = [subnet.prefix.value for subnet in subnets]
    longest = max((subnet.prefix.size for subnet in subnets), default=0)
    numbers = {id(end): number for number, end in enumerate(forwarding.graph.ends)}
    for failure in forwarding.failures:
        fate = failure.fate
        if fate.reason not in (Reason.UNROUTED, Reason.DISCARDED) or failure.causes or fate.at is None:
            continue
        if device not in (None, fate.at.device) or not _routes(forwarding, fate.at):
            continue
        touched = _touched(failure, subnets, starts, longest)
        if not touched:
            continue
        if parts is None:
            parts = forwarding.graph.connected_tables(subnet.places for subnet in forwarding.subnets)
        for subnet, mask in touched.items():
            owners = [place for place in subnet.places if place.vrf == fate.at.vrf]
            if any(parts.get(owner) == parts.get(fate.at) for owner in owners):
                here = places[fate.at, fate.reason]
                here.subnets[subnet] = here.subnets.get(subnet, 0) | mask
                here.partly = here.partly and failure.partly
                here.spans.update(dict.fromkeys(fate.spans))
                here.ends.add(numbers[id(fate)])
    for (place, reason), here in places.items():
        yield _finding(forwarding, place, reason, here)


def _routes(forwarding: FleetForwarding, place: TablePlace) -> bool:
    """Whether the device routes; a switch that does not is no place where a route is missing."""
    return forwarding.network.routing(place.device, forwarding.version).on


def _touched(failure: Failure, subnets: list[FleetSubnet], starts: list[int], longest: int) -> dict[FleetSubnet, int]:
    """Return the subnets of which some address is lost, with the entry points; both are in order.

    `starts` are the first addresses of the subnets, `longest` is the size of the widest.
    """
    found: dict[FleetSubnet, int] = {}
    for mask, intervals in failure.parts:
        for low, high in intervals:
            index = bisect_left(starts, low - longest + 1)
            while index < len(subnets) and starts[index] < high:
                if starts[index] + subnets[index].prefix.size > low:
                    found[subnets[index]] = found.get(subnets[index], 0) | mask
                index += 1
    return found


def _finding(forwarding: FleetForwarding, place: TablePlace, reason: Reason, here: _Place) -> Finding:
    """Return what is lost in one table, and whether replies are among it."""
    named = prefix_words(Prefix.merged(subnet.prefix for subnet in here.subnets))
    owners = sorted({owner.device for subnet in here.subnets for owner in subnet.places})
    mask = 0
    for entries in here.subnets.values():
        mask |= entries
    verb = "has no route to" if reason is Reason.UNROUTED else "discards packets to"
    belongs = f"of the fleet ({_some(owners)})"
    way = " on one of several equal ways" if here.partly else ""
    message = f"{place} {verb} {named} {belongs}, so packets from {_some(forwarding.labels(mask))} are lost{way}"
    replies = _replies(forwarding, here)
    code = "PC213"
    if replies:
        code = "PC214"
        message += f"; replies to {replies[0]} are among them, though its packets arrive at {replies[1]}"
    span = next(iter(here.spans), None) or _last_line(forwarding, place)
    return finding(
        code,
        message,
        span=span,
        device=place.device,
        because=tuple(here.spans)[1:],
        help="add a route to them, if they are meant to be reached from there",
    )


def _replies(forwarding: FleetForwarding, here: _Place) -> tuple[str, str] | None:
    """Return the subnets whose replies end here, and those that answer."""
    sources: set[Prefix] = set()
    destinations: set[Prefix] = set()
    for pair in forwarding.unanswered:
        if pair.source in here.subnets and any(end in here.ends for end, _ in pair.lost):
            sources.add(pair.source.prefix)
            destinations.update(subnet.prefix for subnet in pair.destinations)
    return (prefix_words(Prefix.merged(sources)), prefix_words(Prefix.merged(destinations))) if sources else None


def _last_line(forwarding: FleetForwarding, place: TablePlace) -> Span | None:
    """Return the line behind which a route is missing: the table's last one, else its first interface."""
    device = forwarding.network.topology.device(place.device)
    routes = [
        route
        for route in device.static_routes
        if route.vrf == place.table and route.prefix.version == forwarding.version
    ]
    if routes:
        return max((route.span for route in routes), key=attrgetter("file", "line"))
    interfaces = [one for one in device.interfaces.values() if one.vrf == place.table and one.addresses]
    return interfaces[0].span if interfaces else None


def _some(names: list[str] | tuple[str, ...]) -> str:
    """A few names, and how many more there are."""
    if len(names) > _MOST_ENTRIES:
        return f"{', '.join(names[:_MOST_ENTRIES])} and {len(names) - _MOST_ENTRIES} more"
    return ", ".join(names)
