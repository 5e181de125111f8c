"""PC202, PC203, PC204: next hops that nobody can be, that nobody gets to, or that nobody has."""

from __future__ import annotations

from collections.abc import Iterator

from pathcheck.dataplane.fib import ResolvedHop
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.static_route import StaticRoute
from pathcheck.network.closed_link import others_at_cable
from pathcheck.network.neighbours import Onward
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.route_review.reviewed_table import ReviewedTable
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["dead_next_hops"]


def dead_next_hops(table: ReviewedTable) -> Iterator[Finding]:
    """Yield a finding on each route, acting or waiting, whose own next hop cannot take its packets."""
    for route in table.routes:
        entry = table.best.get(route.span)
        if entry is not None and entry.doubts:
            continue
        for hop in table.hops(route):
            # A hop of a route that this one is looked up by is that route's own fault.
            if hop.next_hop == route.next_hop or route.next_hop is None:
                found = _judge(table, route, hop)
                if found is not None:
                    yield found
                    break


def _judge(table: ReviewedTable, route: StaticRoute, hop: ResolvedHop) -> Finding | None:
    """Return what is wrong with the neighbour that a route sends to."""
    network, name = table.network, table.device.name
    if hop.next_hop is not None:
        reserved = _reserved(table, hop.interface, hop.next_hop)
        if reserved is not None:
            what, subnet, span = reserved
            return finding(
                "PC202",
                f"next hop `{hop.next_hop}` is the {what} address of {subnet} on `{hop.interface}`: no station has it",
                span=route.span,
                device=name,
                because=(span,),
                help="name the neighbour's own address",
            )
    end = LinkEnd(name, hop.interface)
    if hop.next_hop is not None:
        onward = network.neighbours.owning(end, hop.next_hop)
    else:
        onward = network.neighbours.behind(end, table.version)
    if onward.stranded is not None:
        fault = onward.stranded
        return finding(
            "PC203",
            f"the route is in the table, but its packets are lost: {fault.why}",
            span=route.span,
            device=name,
            because=() if fault.span is None else (fault.span,),
            help="repair the way to the neighbour, or send the packets another way",
        )
    return _unowned(table, route, hop, onward)


def _reserved(table: ReviewedTable, interface: str, next_hop: Address) -> tuple[str, Prefix, Span] | None:
    """Return which address of which subnet a next hop is that no station has (RFC 1812 section 4.2.2.11)."""
    for item in table.device.interfaces[interface].addresses:
        if item.role != "link-local" and next_hop in item.prefix.reserved_addresses():
            return "network" if next_hop == item.prefix.first else "broadcast", item.prefix, item.span
    return None


def _unowned(table: ReviewedTable, route: StaticRoute, hop: ResolvedHop, onward: Onward) -> Finding | None:
    """Return that nobody has a next hop, where cables tell all that are on its subnet."""
    if hop.next_hop is None or not onward.outside:
        return None
    end = LinkEnd(table.device.name, hop.interface)
    stations = others_at_cable(table.network, end)
    if stations is None:
        return None
    named = ", ".join(map(str, stations))
    return finding(
        "PC204",
        f"nobody has next hop `{hop.next_hop}`: the cable of `{hop.interface}` leads to {named} and nowhere else",
        span=route.span,
        device=table.device.name,
        because=tuple(_addresses(table, stations, table.version)),
        help="name the address of the other end of the cable",
    )


def _addresses(table: ReviewedTable, ends: tuple[LinkEnd, ...], version: int) -> Iterator[Span]:
    """Yield the lines of the addresses at the other end."""
    for end in ends:
        for item in table.network.topology.device(end.device).interfaces[end.interface].addresses:
            if item.address.version == version:
                yield item.span
