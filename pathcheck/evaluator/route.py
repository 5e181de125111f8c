"""Where one device sends one destination: a scan over all its routes, next hops looked up by recursion."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass, field

from pathcheck.evaluator.access_list import MAYBE, NO, YES, Answer
from pathcheck.evaluator.interface import is_up
from pathcheck.model.device import Device
from pathcheck.model.interface import Interface
from pathcheck.model.static_route import StaticRoute
from pathcheck.model.unmodelled import RouteScope
from pathcheck.packet.address import WIDTH, Address
from pathcheck.packet.prefix import Prefix

__all__ = ["Choice", "Way", "best_ways", "own_interfaces", "routes_packets"]


@dataclass(frozen=True, slots=True)
class Way:
    """An interface to leave by and the neighbour's address there.

    No interface is a discard route. No next hop is a route that names none;
    with `connected` it is the subnet on which the destination itself is.
    """

    interface: str | None
    next_hop: Address | None = None
    connected: bool = False


@dataclass(frozen=True, slots=True)
class Choice:
    """What a device's table says about a destination.

    Parameters
    ----------
    ways
        All equal-cost ways.
    stranded
        Whether a route that matches is out of the table because its next hop cannot be reached.
    doubts
        What could change the choice, in words.
    """

    ways: frozenset[Way]
    stranded: bool = False
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Route:
    """A route that is or could be in a table."""

    vrf: str | None
    prefix: Prefix
    distance: int
    connected: bool = False
    interface: str | None = None
    next_hop: Address | None = None
    discard: bool = False
    lookup_vrf: str | None = None
    only_connected: bool = False
    permanent: bool = False
    state: Answer = field(default=(YES, ""))


def routes_packets(device: Device, version: int) -> bool:
    """Whether the device forwards packets that are not its own."""
    assumed = None if device.assume.routing == "by-text" else device.assume.routing == "on"
    if version == 6:
        written = device.ipv6_routing
        return written if written is not None else assumed is not False
    if assumed is not None:
        return assumed
    if device.routing is not None:
        return device.routing
    addressed = [
        interface
        for interface in device.interfaces.values()
        if interface.kind != "management"
        and (_speaks(interface, 4) or interface.borrowed is not None or interface.unknown_address is not None)
    ]
    gateway = any(gateway.address.version == 4 for gateway in device.gateways)
    static = any(route.prefix.version == 4 for route in device.static_routes)
    return not gateway or static or len(addressed) > 1


def _speaks(interface: Interface, version: int) -> bool:
    """Whether an interface has an address of the version."""
    return any(item.address.version == version for item in interface.addresses)


def own_interfaces(device: Device, vrf: str | None, address: Address) -> list[tuple[str, Answer]]:
    """Return the interfaces that have an address as their own in a table, and whether each is up."""
    found = []
    for interface in device.interfaces.values():
        for item in interface.addresses:
            if interface.vrf == vrf and item.address == address and item.role != "link-local":
                up, why = is_up(device, interface)
                shared = _shares_subnet(device, interface, address)
                found.append((interface.name, (min(up, MAYBE), shared) if shared else (up, why)))
    return [(name, answer) for name, answer in found if answer[0] != NO]


def best_ways(device: Device, vrf: str | None, destination: Address) -> Choice:
    """Choose the longest match, then the lowest distance, then all that are left."""
    routes = _routes_of(device, destination.version)
    ways, doubts = _choose(device, routes, vrf, destination, ())
    lost = any(
        route.vrf == vrf
        and destination in route.prefix
        and not route.connected
        and _in_table(device, routes, route)[0] == NO
        for route in routes
    )
    return Choice(ways, lost, doubts)


_KEPT = 5000
_kept: OrderedDict[tuple[int, int], tuple[Device, list[_Route]]] = OrderedDict()


def _routes_of(device: Device, version: int) -> list[_Route]:
    """Return all routes of a device, which never changes; those of the devices that were asked last are kept.

    What is kept holds its device, so the identity of a device is not given to another one.
    """
    key = (id(device), version)
    if key not in _kept:
        _kept[key] = device, list(_all_routes(device, version))
    _kept.move_to_end(key)
    while len(_kept) > _KEPT:
        _kept.popitem(last=False)
    return _kept[key][1]


def _all_routes(device: Device, version: int) -> Iterator[_Route]:
    """Yield each route of the device, those that may be there with the reason."""
    borrowing = [interface for interface in device.interfaces.values() if interface.borrowed is not None]
    for interface in device.interfaces.values():
        if not interface.addresses:
            continue
        up, why = is_up(device, interface)
        borrowers = [it for it in borrowing if it.borrowed == interface.name and is_up(device, it)[0]]
        for item in interface.addresses:
            if item.address.version != version or item.role == "link-local" or item.length == WIDTH[version]:
                continue
            state = up, why
            if up != NO and borrowers:
                state = MAYBE, f"stations may be behind {borrowers[0].name}, which borrows the address"
            elif up != NO and (shared := _shares_subnet(device, interface, item.address)):
                state = MAYBE, shared
            yield _Route(interface.vrf, item.prefix, 0, True, interface.name, state=state)
    routing = routes_packets(device, version)
    for static in device.static_routes:
        if static.prefix.version == version and static.distance != 255 and routing:
            yield _static_route(device, static)
    gateways = {gateway.vrf: gateway for gateway in device.gateways if gateway.address.version == version}
    for vrf, gateway in gateways.items():
        everything = Prefix.everything(gateway.address.version)
        if not routing:
            yield _Route(vrf, everything, 1, next_hop=gateway.address, lookup_vrf=vrf, only_connected=True)
        elif device.assume.gateway_while_routing == "default-route":
            yield _Route(vrf, everything, 253, next_hop=gateway.address, lookup_vrf=vrf)
    for line in device.unmodelled:
        scope = line.scope
        if isinstance(scope, RouteScope) and scope.exact and scope.within and _scope_acts(device, scope, version):
            hidden_connected = scope.distance == 0
            yield _Route(scope.vrf, scope.within, scope.distance, hidden_connected, state=(MAYBE, line.what))


def _static_route(device: Device, static: StaticRoute) -> _Route:
    """Make the route of a line; whether its own interface lets it act is in its state."""
    table = static.vrf if static.next_hop_vrf is None else static.next_hop_vrf or None
    state: Answer = (YES, "") if static.tracked is None else (MAYBE, static.tracked)
    if static.interface is not None and not static.discard:
        interface = device.interfaces.get(static.interface)
        by_interface: Answer = NO, "there is no such interface"
        if interface is not None:
            by_interface = is_up(device, interface)
            version = static.prefix.version
            speaks = _speaks(interface, version) or interface.borrowed or interface.unknown_address
            if by_interface[0] == NO and static.permanent:
                by_interface = MAYBE, "a permanent route may stay although its interface is down"
            elif by_interface[0] != NO and not (speaks or (version == 6 and interface.ipv6_enabled)):
                by_interface = MAYBE, f"{interface.name} has no IPv{version} address"
            elif interface.vrf != table and by_interface[0] != NO:
                by_interface = MAYBE, "the interface is in another table"
            own = own_interfaces(device, interface.vrf, static.next_hop) if static.next_hop is not None else []
            if any(item.address == static.next_hop for item in interface.addresses):
                by_interface = NO, "the next hop is the interface's own address"
            elif own:
                sure = any(up == YES for _, (up, _) in own)
                by_interface = NO if sure else min(by_interface[0], MAYBE), "the next hop is the device's own address"
        state = min(state, by_interface, key=lambda answer: answer[0])
    link_local = static.next_hop is not None and static.next_hop in Prefix.parse("fe80::/10")
    if link_local and static.interface is None:
        state = NO, "a link-local next hop needs an interface"
    return _Route(
        static.vrf, static.prefix, static.distance, False, static.interface, static.next_hop,
        static.discard, table, permanent=static.permanent, state=state,
    )  # fmt: skip


def _in_table(device: Device, routes: list[_Route], route: _Route, above: tuple[_Route, ...] = ()) -> Answer:
    """Whether a route is in its table: its next hop must be reached by another route that is."""
    if route.discard or route.interface is not None or route.next_hop is None or route.state[0] == NO:
        return route.state
    own = own_interfaces(device, route.lookup_vrf, route.next_hop)
    if own:
        return (NO if any(up == YES for _, (up, _) in own) else MAYBE), "the next hop is the device's own address"
    mode = "connected" if route.only_connected else device.assume.recursion
    answers = []
    for other in _resolvers(device, routes, route):
        sure, why = (NO, "") if other is route or other in above else _in_table(device, routes, other, (*above, route))
        if (other.vrf, other.prefix) == (route.vrf, route.prefix):
            # Whether a device resolves a next hop through another route of the same prefix is not known.
            sure, why = (
                (NO if mode == "connected" else min(sure, MAYBE)),
                "a next hop is looked up through its own prefix",
            )
        answers.append((sure, why))
    answers += [
        (MAYBE, why)
        for _, connected, why in _hidden(device, route.lookup_vrf, route.next_hop)
        if connected or mode != "connected"
    ]
    best = max(answers, key=lambda answer: answer[0], default=(NO, "no route leads to the next hop"))
    if best[0] == NO and route.permanent and _on_lost_subnet(device, route.lookup_vrf, route.next_hop):
        best = MAYBE, "a permanent route may stay although the subnet of its next hop is down"
    return min(route.state, best, key=lambda answer: answer[0])


def _on_lost_subnet(device: Device, vrf: str | None, address: Address) -> bool:
    """Whether an interface of the table has the address on a subnet of its own; for next hops that no route reaches."""
    return any(
        address in item.prefix and item.role != "link-local"
        for interface in device.interfaces.values()
        if interface.vrf == vrf
        for item in interface.addresses
    )


def _resolvers(device: Device, routes: list[_Route], route: _Route) -> list[_Route]:
    """Return the routes by which a next hop may be looked up."""
    mode = "connected" if route.only_connected else device.assume.recursion
    return [
        other
        for other in routes
        if other.vrf == route.lookup_vrf
        and route.next_hop is not None
        and route.next_hop in other.prefix
        and (mode != "connected" or other.connected)
        and (mode != "any-but-default" or other.prefix.length > 0)
    ]


def _choose(
    device: Device, routes: list[_Route], vrf: str | None, address: Address, chain: tuple[_Route, ...]
) -> tuple[frozenset[Way], tuple[str, ...]]:
    """Return the best ways to an address, and what could change them; `chain` holds the routes looked up before."""
    last = chain[-1] if chain else None
    matching = (
        _resolvers(device, routes, last) if last else [it for it in routes if it.vrf == vrf and address in it.prefix]
    )
    standing = [(route, _in_table(device, routes, route)) for route in matching]
    standing = [(route, answer) for route, answer in standing if answer[0] != NO]
    rank = max(((route.prefix.length, -route.distance) for route, _ in standing), default=None)
    best = [(route, answer) for route, answer in standing if (route.prefix.length, -route.distance) == rank]
    doubts = [why for _, (sure, why) in best if sure == MAYBE]
    only_connected = last is not None and (last.only_connected or device.assume.recursion == "connected")
    for distance, connected, why in _hidden(device, vrf, address):
        settled = any(route.connected for route, _ in best) or (
            rank is not None and rank[0] == WIDTH[address.version] and -rank[1] < distance
        )
        if not settled and (connected or not only_connected):
            doubts.append(why)
    ways: set[Way] = set()
    if any((route.vrf, route.prefix) == (it.vrf, it.prefix) for route, _ in best for it in chain):
        return frozenset(), (*doubts, "a next hop is looked up through its own route")
    for route, _ in best:
        if route.discard:
            ways.add(Way(None))
        elif route.interface is not None:
            ways.add(Way(route.interface, route.next_hop, route.connected))
        elif route.next_hop is not None:
            found, more = _choose(device, routes, route.lookup_vrf, route.next_hop, (*chain, route))
            ways |= {Way(way.interface, way.next_hop or (route.next_hop if way.interface else None)) for way in found}
            doubts += more
    return frozenset(ways), tuple(dict.fromkeys(doubts))


def _hidden(device: Device, vrf: str | None, address: Address) -> Iterator[tuple[int, bool, str]]:
    """Yield routes that the text does not show and that could carry an address: distance, whether connected, why."""
    for item in device.unmodelled:
        scope = item.scope
        if isinstance(scope, RouteScope) and not scope.exact and scope.vrf == vrf:
            within = scope.within is None or address in scope.within
            if within and _scope_acts(device, scope, address.version):
                yield scope.distance, scope.distance == 0, item.what
    for interface in device.interfaces.values():
        if interface.unknown_address is None or interface.vrf != vrf or _speaks(interface, address.version):
            continue
        says_ipv6 = interface.unknown_address.words.lower().startswith("ipv6")
        right_version = (says_ipv6 or interface.ipv6_enabled) if address.version == 6 else not says_ipv6
        if right_version and is_up(device, interface)[0] != NO:
            yield 0, True, f"the address of {interface.name} is not in the text"
    if address.version == 6 and not routes_packets(device, 6):
        yield 1, False, "a device that does not route IPv6 may learn a default route"


def _scope_acts(device: Device, scope: RouteScope, version: int) -> bool:
    """Whether hidden routes are of the IP version, and the device uses routes at all."""
    if scope.family not in (None, f"ipv{version}") or (scope.within and scope.within.version != version):
        return False
    silent = device.ipv6_routing is None if version == 6 else device.routing is None
    if scope.distance == 0:
        return True  # a connected route, which needs no routing
    return routes_packets(device, version) or silent or (version == 4 and device.assume.routing != "by-text")


def _shares_subnet(device: Device, interface: Interface, address: Address) -> str:
    """Name the other interface of the table whose subnet overlaps the one of an address; devices refuse that."""
    if interface.name not in _overlapping(device):
        return ""
    mine = [item.prefix for item in interface.addresses if address in item.prefix and item.role != "link-local"]
    for other in device.interfaces.values():
        theirs = [item.prefix for item in other.addresses if item.role != "link-local"]
        overlap = any(prefix.overlaps(their) for prefix in mine for their in theirs)
        same_table = other.name != interface.name and other.vrf == interface.vrf
        if overlap and same_table and is_up(device, other)[0] != NO:
            return f"{interface.name} and {other.name} share addresses"
    return ""


_overlaps_kept: OrderedDict[int, tuple[Device, frozenset[str]]] = OrderedDict()


def _overlapping(device: Device) -> frozenset[str]:
    """Name the interfaces that have an address in common with another one, of whatever table and state.

    Of two prefixes that overlap one holds the other. In the order of first address and length the one that
    holds comes first, and all between the two are inside it as well.
    """
    if id(device) not in _overlaps_kept:
        subnets = [
            (item.prefix, interface.name)
            for interface in device.interfaces.values()
            for item in interface.addresses
            if item.role != "link-local"
        ]
        subnets.sort(key=lambda each: (each[0].version, each[0].value, each[0].length))
        found: set[str] = set()
        around: list[tuple[Prefix, str]] = []
        for prefix, name in subnets:
            while around and not around[-1][0].covers(prefix):
                around.pop()
            for _, other in around:
                if other != name:
                    found |= {name, other}
            around.append((prefix, name))
        _overlaps_kept[id(device)] = device, frozenset(found)
        while len(_overlaps_kept) > _KEPT:
            _overlaps_kept.popitem(last=False)
    return _overlaps_kept[id(device)][1]
