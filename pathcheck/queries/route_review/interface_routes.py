"""PC209: routes that name only an interface on which more than one neighbour can be."""

from __future__ import annotations

from collections.abc import Iterator

from pathcheck.network.neighbours import is_point_to_point
from pathcheck.queries.route_review.reviewed_table import ReviewedTable
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding

__all__ = ["interface_only_routes"]


def interface_only_routes(table: ReviewedTable) -> Iterator[Finding]:
    """Yield each such route, acting or waiting.

    References
    ----------
    RFC 1027: a router answers for addresses behind it, if it is set to.
    """
    for route in table.routes:
        if route.next_hop is not None or route.interface is None or not table.hops(route):
            continue
        interface = table.device.interfaces[route.interface]
        addresses = [
            item
            for item in interface.addresses
            if item.address.version == table.version and item.role not in ("link-local", "virtual")
        ]
        if not addresses or is_point_to_point(interface, [item.prefix for item in addresses]):
            continue
        asks = "address resolution" if table.version == 4 else "neighbour discovery"
        yield finding(
            "PC209",
            f"names no next hop, and more than one neighbour can be on `{route.interface}` ({addresses[0].prefix}): "
            f"the device sends {asks} for each destination and rests on a neighbour that answers for foreign "
            "addresses (proxy ARP)",
            span=route.span,
            device=table.device.name,
            because=(addresses[0].span,),
            help="name the next hop's address as well",
        )
