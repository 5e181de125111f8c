"""The longest match of one address on one device, and its rivals."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from pathcheck.dataplane.fib import Fib, FibEntry
from pathcheck.dataplane.routing import routing_state
from pathcheck.errors import UnknownNameError, nearest
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.static_route import DefaultGateway, StaticRoute
from pathcheck.network.reachability import Network
from pathcheck.packet.address import Address
from pathcheck.results.path import Doubt
from pathcheck.results.route_lookup import Lost, RouteLookup, RouteRow
from pathcheck.results.verdict import Reason
from pathcheck.source import Span

__all__ = ["look_up_route"]


def look_up_route(config: FleetConfig, device: str, address: Address, *, vrf: str | None = None) -> RouteLookup:
    """Return which route of a table wins an address, and why each other one that holds it does not.

    Parameters
    ----------
    vrf
        None for the global table.

    Returns
    -------
    RouteLookup
        Rivals stand in the order in which they would follow: longer prefixes first, then lower distances.

    Raises
    ------
    UnknownNameError
        No device, or no VRF of it, has that name.

    References
    ----------
    RFC 1812 sections 5.2.4.3 and 5.2.4.4.
    """
    found = config.devices.get(device)
    if found is None:
        near = nearest(device, config.devices)
        raise UnknownNameError(f"no device `{device}` in the fleet", help=f"did you mean `{near}`?" if near else None)
    fib = Network(config).fib(device, vrf, address.version)
    piece = fib.piece(address)
    rows = list(_acting(found, fib, address))
    entry = piece.entry
    winner = next((row for row in rows if row.lost is None), None)
    rivals = [row for row in rows if row is not winner]
    rivals += _waiting(fib, address) + _out(fib, address)
    rivals.sort(key=lambda row: (-row.prefix.length, row.distance, row.lost is Lost.INACTIVE))
    unknown = [Doubt(line.what, line.span) for line in found.unmodelled if _touches_all(line.scope)]
    doubts = tuple(dict.fromkeys((*piece.doubts, *unknown)))
    return RouteLookup(
        device,
        vrf,
        address,
        _reason(entry, doubts, bool(piece.stranded)),
        winner,
        tuple(_judged(row, winner) for row in rivals),
        doubts,
        piece.readings,
        tuple(_notes(found, address)),
    )


def _touches_all(scope: object) -> bool:
    """Whether an unmodelled line touches every packet of its device."""
    from pathcheck.model.unmodelled import DeviceScope

    return isinstance(scope, DeviceScope)


def _reason(entry: FibEntry | None, doubts: tuple[Doubt, ...], stranded: bool) -> Reason | None:
    """Why packets go nowhere, None where they go on for certain."""
    if doubts:
        return Reason.UNMODELLED
    if entry is None:
        return Reason.STRANDED if stranded else Reason.UNROUTED
    return Reason.DISCARDED if entry.discard and not entry.hops else None


def _acting(device: Device, fib: Fib, address: Address) -> Iterator[RouteRow]:
    """Yield the routes of each entry that holds the address, longest first: the first of all wins."""
    lines: dict[Span, StaticRoute | DefaultGateway] = {route.span: route for route in device.static_routes}
    lines.update((gateway.span, gateway) for gateway in device.gateways)
    for place, entry in enumerate(fib.matches(address)):
        for number, span in enumerate(entry.spans):
            given = lines.get(span)
            hops = [hop for hop in entry.hops if hop.span == span] if len(entry.spans) > 1 else list(entry.hops)
            lost = Lost.SHORTER if place else (Lost.EQUAL_COST if number else None)
            yield RouteRow(
                entry.prefix,
                entry.source,
                entry.distance,
                _next_hop(given),
                given.interface if isinstance(given, StaticRoute) else hops[0].interface if hops else None,
                tuple((hop.interface, hop.next_hop) for hop in hops),
                entry.discard and not hops,
                span,
                lost,
            )


def _waiting(fib: Fib, address: Address) -> list[RouteRow]:
    """Return the routes that stand behind a better one of their own prefix."""
    return [
        RouteRow(
            item.prefix,
            _source(item.route),
            item.distance,
            _next_hop(item.route),
            item.route.interface if isinstance(item.route, StaticRoute) else None,
            tuple((hop.interface, hop.next_hop) for hop in item.hops),
            item.discard and not item.hops,
            item.route.span,
            Lost.HIGHER_DISTANCE,
        )
        for item in fib.standby
        if address in item.prefix
    ]


def _out(fib: Fib, address: Address) -> list[RouteRow]:
    """Return the configured routes that are not in the table."""
    return [
        RouteRow(
            item.prefix,
            _source(item.route),
            item.route.distance if isinstance(item.route, StaticRoute) else 253,
            _next_hop(item.route),
            item.route.interface if isinstance(item.route, StaticRoute) else None,
            (),
            isinstance(item.route, StaticRoute) and item.route.discard,
            item.route.span,
            Lost.INACTIVE,
            item.why,
        )
        for item in fib.inactive
        if address in item.prefix
    ]


def _source(route: StaticRoute | DefaultGateway) -> str:
    return "static" if isinstance(route, StaticRoute) else "gateway"


def _next_hop(route: StaticRoute | DefaultGateway | None) -> Address | None:
    if route is None:
        return None
    return route.next_hop if isinstance(route, StaticRoute) else route.address


def _judged(row: RouteRow, winner: RouteRow | None) -> RouteRow:
    """Return a rival with the first reason why it lost, in the order in which routes are chosen."""
    if row.lost is Lost.INACTIVE or winner is None:
        return row
    if row.prefix.length < winner.prefix.length:
        why = f"shorter: /{row.prefix.length}, the winner has /{winner.prefix.length}"
        return replace(row, lost=Lost.SHORTER, why=why)
    if row.lost is Lost.EQUAL_COST:
        return replace(row, why="the same prefix and distance: it carries a share of the packets")
    return replace(row, why=f"higher distance: {row.distance}, the winner has {winner.distance}")


def _notes(device: Device, address: Address) -> Iterator[str]:
    """What the table does not say."""
    routing = routing_state(device, address.version)
    if not routing.on:
        yield f"{device.name} does not route IPv{address.version}: only its own packets use the table ({routing.why})"
