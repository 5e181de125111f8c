"""The routes of one device: which are in the table, which are not, and where each leads.

Connected and local routes come from the addresses of interfaces that are up;
static routes join them once their next hop is resolved. All tables (VRFs) of
a device are worked out together, because a next hop may be looked up in
another table than its route.

References
----------
RFC 1812 section 5.2.4.3 (longest match). Administrative distance, the rules on
which route may resolve a next hop, and the default gateway: common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from pathcheck.dataplane.interface_state import InterfaceState, interface_state
from pathcheck.dataplane.route import (
    FibEntry,
    HiddenRoutes,
    InactiveReason,
    InactiveRoute,
    PossibleRoute,
    ResolvedHop,
    RouteStep,
    StandbyRoute,
    Table,
)
from pathcheck.dataplane.routing import RoutingState, routing_state
from pathcheck.model.device import Device
from pathcheck.model.interface import Interface, interface_kind
from pathcheck.model.static_route import DefaultGateway, StaticRoute
from pathcheck.model.unmodelled import RouteScope
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.results.path import Doubt, Reading
from pathcheck.source import Span

__all__ = ["Rib", "build_rib"]

GATEWAY_DISTANCE = 253
"""Of a default gateway that acts while routing is on (`gateway_while_routing`)."""

_LINK_LOCAL = Prefix.parse("fe80::/10")
"""RFC 4291 section 2.5.6."""


@dataclass(frozen=True, slots=True)
class Rib:
    """All tables of one device for one IP version; None is the global table."""

    routing: RoutingState
    tables: dict[str | None, Table]


Key = tuple[str | None, Prefix]
"""A table and a prefix in it."""


@dataclass(slots=True)
class _Route:
    """A candidate while the tables are worked out."""

    vrf: str | None
    prefix: Prefix
    source: str
    distance: int
    span: Span
    given: StaticRoute | DefaultGateway | None = None
    interface: str | None = None
    next_hop: Address | None = None
    discard: bool = False
    lookup_vrf: str | None = None
    connected_only: bool = False
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()
    place: int = 0
    """Its place in the text, so that equal-cost ways come in the order in which they are written."""

    @property
    def key(self) -> Key:
        return self.vrf, self.prefix

    @property
    def recursive(self) -> bool:
        """Whether its next hop has to be looked up."""
        return not self.discard and self.interface is None


def build_rib(device: Device, version: IPVersion) -> Rib:
    """Work out all tables of a device for one IP version."""
    return _Builder(device, version).build()


class _Builder:
    """The steps from configured lines to tables, with what they share."""

    def __init__(self, device: Device, version: IPVersion) -> None:
        self.device = device
        self.version: IPVersion = version
        self.width = WIDTH[version]
        self.routing = routing_state(device, version)
        self.tables: dict[str | None, Table] = defaultdict(Table)
        self.states: dict[str, InterfaceState] = {
            name: interface_state(device, interface) for name, interface in device.interfaces.items()
        }
        self.routes: dict[Key, list[_Route]] = defaultdict(list)
        # The prefixes of each table by length, for the longest match while routes are still joining.
        self.lengths: dict[str | None, dict[int, set[int]]] = defaultdict(lambda: defaultdict(set))
        self.waiting: list[_Route] = []
        self.borrowers: dict[str, list[Interface]] = defaultdict(list)
        for interface in device.interfaces.values():
            if interface.borrowed is not None and self.may_be_up(interface):
                self.borrowers[interface.borrowed].append(interface)

    def build(self) -> Rib:
        """Do all steps in order."""
        for vrf in (None, *self.device.vrfs, *(interface.vrf for interface in self.device.interfaces.values())):
            self.tables[vrf]
        self.add_hidden()
        for interface in self.device.interfaces.values():
            self.add_interface(interface)
        self.doubt_shared_subnets()
        for place, route in enumerate(self.device.static_routes, 1):
            if route.prefix.version == self.version:
                self.add_static(route, place)
        self.add_gateways()
        self.join_resolved()
        self.explain_unresolved()
        self.choose_best()
        return Rib(self.routing, dict(self.tables))

    # What the text does not show

    def add_hidden(self) -> None:
        """Note routing protocols, and addresses that come from elsewhere.

        A protocol needs a device that routes; a connected route that the text does not show (distance 0) does not.
        """
        runs = self.routing.on or bool(self.routing.readings)
        for item in self.device.unmodelled:
            scope = item.scope
            if not isinstance(scope, RouteScope) or scope.family not in (None, f"ipv{self.version}"):
                continue
            if runs or scope.distance == 0:
                if scope.within is not None and scope.within.version != self.version:
                    continue
                doubt, connected = Doubt(item.what, item.span), scope.distance == 0
                table = self.tables[scope.vrf]
                if scope.exact and scope.within is not None:
                    table.possible.append(PossibleRoute(scope.within, scope.distance, connected, (doubt,)))
                else:
                    table.hidden.append(HiddenRoutes(scope.within, scope.distance, doubt, connected))
        for interface in self.device.interfaces.values():
            if interface.unknown_address is not None and self.may_be_up(interface) and self.is_unknown(interface):
                doubt = Doubt(f"the address of `{interface.name}` is not in the text", interface.unknown_address)
                # It may come with a subnet and with a default route.
                self.tables[interface.vrf].hidden.append(HiddenRoutes(None, 0, doubt, connected=True))
        if self.version == 6 and not self.routing.on:
            doubt = Doubt("a device that does not route IPv6 may learn a default route", self.routing.span)
            for table in self.tables.values():
                table.hidden.append(HiddenRoutes(None, 1, doubt))

    def may_be_up(self, interface: Interface) -> bool:
        """Whether an interface is up, or could be."""
        state = self.states[interface.name]
        return state.member_of is None and (state.up or bool(state.doubts) or bool(state.readings))

    def is_unknown(self, interface: Interface) -> bool:
        """Whether the line that leaves an address open speaks of this IP version."""
        if any(address.address.version == self.version for address in interface.addresses):
            return False
        line = interface.unknown_address
        says_ipv6 = line is not None and line.words.lower().startswith("ipv6")
        return (says_ipv6 or interface.ipv6_enabled) if self.version == 6 else not says_ipv6

    # Connected and local routes

    def add_interface(self, interface: Interface) -> None:
        """Add the routes of an interface's addresses, or note that they could be there."""
        state = self.states[interface.name]
        if state.member_of is not None:
            return
        addresses = [
            item for item in interface.addresses if item.address.version == self.version and item.role != "link-local"
        ]
        if not state.up:
            if state.doubts or state.readings:
                own_prefixes = [Prefix(self.version, item.address.value, self.width) for item in addresses]
                for prefix in dict.fromkeys((*(item.prefix for item in addresses), *own_prefixes)):
                    connected = prefix not in own_prefixes
                    self.tables[interface.vrf].possible.append(
                        PossibleRoute(prefix, 0, connected, state.doubts, state.readings)
                    )
            return
        borrowed = tuple(
            Doubt(
                f"stations of `{interface.name}` may stand behind `{other.name}`, which borrows its address", other.span
            )
            for other in self.borrowers[interface.name]
        )
        for item in addresses:
            own = Prefix(self.version, item.address.value, self.width)
            self.add(
                _Route(
                    interface.vrf, own, "local", 0, item.span, None, interface.name,
                    doubts=state.doubts, readings=state.readings,
                )
            )  # fmt: skip
            known = any(
                route.interface == interface.name for route in self.routes.get((interface.vrf, item.prefix), ())
            )
            if item.length < self.width and not known:
                self.add(
                    _Route(
                        interface.vrf, item.prefix, "connected", 0, item.span, None, interface.name,
                        doubts=(*state.doubts, *borrowed), readings=state.readings,
                    )
                )  # fmt: skip

    def doubt_shared_subnets(self) -> None:
        """Put a doubt on subnets of one table that overlap on two interfaces: many devices refuse the second."""
        by_table: dict[str | None, list[_Route]] = defaultdict(list)
        for found in self.routes.values():
            for route in found:
                if route.source == "connected" or (route.source == "local" and self.is_alone(route)):
                    by_table[route.vrf].append(route)
        for routes in by_table.values():
            routes.sort(key=lambda route: route.prefix)
            open_routes: list[_Route] = []
            for route in routes:
                while open_routes and not open_routes[-1].prefix.covers(route.prefix):
                    open_routes.pop()
                for other in open_routes:
                    if other.interface != route.interface:
                        self.doubt_overlap(route, other)
                        self.doubt_overlap(other, route)
                open_routes.append(route)

    def is_alone(self, route: _Route) -> bool:
        """Whether a local route's address has a subnet of full length, and so no connected route beside it."""
        interface = self.device.interfaces[route.interface or ""]
        return any(
            item.length == self.width and item.address == route.prefix.first and item.role != "virtual"
            for item in interface.addresses
        )

    def doubt_overlap(self, route: _Route, other: _Route) -> None:
        """Put a doubt on all routes of one address because of another."""
        why = f"`{route.interface}` and `{other.interface}` share addresses, and many devices refuse the second"
        doubt = Doubt(why, other.span)
        for found in self.routes.values():
            for mine in found:
                same = mine.interface == route.interface and mine.vrf == route.vrf
                if same and route.prefix.covers(mine.prefix) and doubt not in mine.doubts:
                    mine.doubts += (doubt,)

    # Static routes and gateways

    def add_static(self, given: StaticRoute, place: int) -> None:
        """Add a static route, set it aside until its next hop is resolved, or say why it cannot act."""
        lookup_vrf = given.vrf if given.next_hop_vrf is None else given.next_hop_vrf or None
        self.tables[lookup_vrf]
        interface = given.interface
        discard = given.discard or (interface is not None and interface_kind(interface) == "discard")
        route = _Route(
            given.vrf,
            given.prefix,
            "static",
            given.distance,
            given.span,
            given,
            None if discard else interface,
            None if discard else given.next_hop,
            discard,
            lookup_vrf,
            doubts=(Doubt(given.tracked, given.span),) if given.tracked is not None else (),
            place=place,
        )
        if given.distance == 255:
            self.refuse(route, InactiveReason.NEVER_USED, "a route of distance 255 is never used")
        elif not self.routing.on:
            related = () if self.routing.span is None else (self.routing.span,)
            self.refuse(
                route, InactiveReason.ROUTING_OFF, "the device does not route", related, readings=self.routing.readings
            )
        elif discard:
            self.add(route)
        elif interface is not None:
            self.add_by_interface(route, given, interface)
        elif given.next_hop is not None and given.next_hop in _LINK_LOCAL:
            self.refuse(route, InactiveReason.LINK_LOCAL, "a link-local next hop needs an interface")
        else:
            self.waiting.append(route)

    def add_by_interface(self, route: _Route, given: StaticRoute, name: str) -> None:
        """Add a static route that names its interface, if that can carry packets."""
        interface = self.device.interfaces.get(name)
        if interface is None:
            self.refuse(route, InactiveReason.NO_INTERFACE, f"there is no interface `{name}`")
            return
        own = [item for item in interface.addresses if item.address.version == self.version]
        link_local = [item for item in own if item.role == "link-local" and item.address == given.next_hop]
        local = self.local_route(interface.vrf, given.next_hop)
        if link_local or local is not None:
            span = local.span if local is not None else link_local[0].span
            doubts = local.doubts if local is not None else ()
            why = f"`{given.next_hop}` is the device's own address"
            self.refuse(route, InactiveReason.OWN_ADDRESS, why, (span,), doubts)
            return
        state = self.states[name]
        if not state.up or state.member_of is not None:
            why = f"a member of {state.member_of}" if state.member_of else state.why
            related = (state.span or interface.span,)
            doubts = state.doubts
            if given.permanent:
                doubts += (Doubt("a permanent route may stay although its interface is down", given.span),)
            self.refuse(
                route, InactiveReason.INTERFACE_DOWN, f"`{name}` is down: {why}", related, doubts, state.readings
            )
            return
        speaks = bool(own) or interface.borrowed is not None or interface.unknown_address is not None
        if not speaks and not (self.version == 6 and interface.ipv6_enabled):
            why = f"`{name}` has no IPv{self.version} address"
            doubt = Doubt(f"{why}; some devices use a route through it all the same", interface.span)
            self.refuse(route, InactiveReason.NO_ADDRESS, why, (interface.span,), (doubt,))
            return
        if interface.vrf != route.lookup_vrf:
            here, there = route.lookup_vrf or "the global table", interface.vrf or "the global table"
            route.doubts += (Doubt(f"a route of {here} through an interface of {there}", given.span),)
        route.doubts += state.doubts
        route.readings += state.readings
        self.add(route)

    def add_gateways(self) -> None:
        """Add the default gateways: the way out of a device that does not route."""
        last = {item.vrf: item for item in self.device.gateways if item.address.version == self.version}
        for vrf, gateway in last.items():
            route = _Route(vrf, Prefix.everything(self.version), "gateway", 1, gateway.span, gateway)
            route.next_hop, route.lookup_vrf = gateway.address, vrf
            if not self.routing.on:
                route.connected_only = True
                route.readings = self.routing.readings
            else:
                assumed = self.device.assume.gateway_while_routing
                reading = Reading("gateway_while_routing", assumed, f"the default gateway `{gateway.address}`")
                route.distance, route.readings = GATEWAY_DISTANCE, (*self.routing.readings, reading)
                if assumed == "idle":
                    why = "a default gateway is not used while routing is on"
                    related = () if self.routing.span is None else (self.routing.span,)
                    self.refuse(route, InactiveReason.IDLE_GATEWAY, why, related, readings=route.readings)
                    continue
            self.waiting.append(route)

    # Next hops

    def join_resolved(self) -> None:
        """Add each waiting route whose next hop is resolved by a route that is in, until none joins any more.

        Which routes join does not depend on the order: a route joins if some
        prefix that may resolve its next hop is in, and prefixes only join.
        """
        still = []
        for route in self.waiting:
            local = self.local_route(route.lookup_vrf, route.next_hop)
            if local is not None:
                why = f"`{route.next_hop}` is the device's own address"
                self.refuse(route, InactiveReason.OWN_ADDRESS, why, (local.span,), local.doubts, local.readings)
            else:
                still.append(route)
        order = {id(route): place for place, route in enumerate(still)}
        joined = True
        while joined:
            # To and fro, so that a long chain is followed in one pass whichever way it is written.
            joined, waiting, still = False, still[::-1], []
            for route in waiting:
                if next(self.resolvers(route), None) is None:
                    still.append(route)
                else:
                    self.add(route)
                    joined = True
        self.waiting = sorted(still, key=lambda route: order[id(route)])

    def local_route(self, vrf: str | None, address: Address | None) -> _Route | None:
        """Return the local route of an address, None where it is not the device's own."""
        if address is None:
            return None
        found = self.routes.get((vrf, Prefix(address.version, address.value, WIDTH[address.version])), ())
        return next((route for route in found if route.source == "local"), None)

    def covering(self, vrf: str | None, address: Address) -> Iterator[Prefix]:
        """Yield the prefixes of a table that hold an address, longest first."""
        if address.version != self.version:
            return
        lengths = self.lengths[vrf]
        for length in sorted(lengths, reverse=True):
            value = address.value >> self.width - length << self.width - length
            if value in lengths[length]:
                yield Prefix(self.version, value, length)

    def mode(self, route: _Route) -> str:
        """Return which routes may resolve a route's next hop."""
        return "connected" if route.connected_only else self.device.assume.recursion

    def resolvers(self, route: _Route, *, with_itself: bool = False) -> Iterator[Prefix]:
        """Yield the prefixes that may resolve a route's next hop, longest first; its own only if asked."""
        assert route.next_hop is not None
        mode = self.mode(route)
        for prefix in self.covering(route.lookup_vrf, route.next_hop):
            if (route.lookup_vrf, prefix) == route.key and not with_itself:
                continue
            if mode == "connected" and not self.is_connected((route.lookup_vrf, prefix)):
                continue
            if prefix.length == 0 and mode == "any-but-default":
                continue
            yield prefix

    def is_connected(self, key: Key) -> bool:
        """Whether a prefix is that of an interface."""
        return any(route.source == "connected" for route in self.routes[key])

    def explain_unresolved(self) -> None:
        """Say of each route that did not join why, and what could still resolve its next hop."""
        pending: list[tuple[_Route, InactiveRoute]] = []
        for route in self.waiting:
            assert route.next_hop is not None
            assert route.given is not None
            covering = list(self.covering(route.lookup_vrf, route.next_hop))
            related = tuple(found.span for prefix in covering[:1] for found in self.routes[route.lookup_vrf, prefix])
            readings: tuple[Reading, ...] = ()
            recursion = self.device.assume.recursion
            others = [prefix for prefix in covering if (route.lookup_vrf, prefix) != route.key]
            if route.connected_only or (others and recursion == "connected"):
                reason = InactiveReason.NOT_CONNECTED
                why = f"next hop `{route.next_hop}` is on no connected subnet"
            elif others:
                reason = InactiveReason.ONLY_BY_DEFAULT
                why = f"next hop `{route.next_hop}` is reached by the default route only"
            elif (
                route.prefix.version == route.next_hop.version
                and route.next_hop in route.prefix
                and route.prefix.length
            ):
                reason = InactiveReason.THROUGH_ITSELF
                why = f"next hop `{route.next_hop}` is reached by the route itself only"
            else:
                reason, why = InactiveReason.UNRESOLVED, f"no route leads to next hop `{route.next_hop}`"
            if others and not route.connected_only:
                readings = (Reading("recursion", recursion, f"next hop `{route.next_hop}`"),)
            if not related:
                related = self.down_subnets(route)
            pending.append((route, InactiveRoute(route.given, route.prefix, reason, why, related, (), readings)))
        self.spread_possibility(pending)

    def down_subnets(self, route: _Route) -> tuple[Span, ...]:
        """Return the lines of addresses on interfaces that are down, on whose subnet the next hop is."""
        return tuple(
            item.span
            for interface in self.device.interfaces.values()
            if interface.vrf == route.lookup_vrf
            for item in interface.addresses
            if route.next_hop is not None and item.role != "link-local" and route.next_hop in item.prefix
        )

    def spread_possibility(self, pending: list[tuple[_Route, InactiveRoute]]) -> None:
        """Note which unresolved routes could act: one possible route may resolve the next hop of another."""
        found = {id(route): inactive for route, inactive in pending}
        order = [(route.vrf, id(route)) for route, _ in pending]
        again = True
        while again:
            again, still = False, []
            for route, inactive in pending:
                doubts, more = self.could_resolve(route)
                if doubts or more or inactive.readings:
                    doubts = tuple(dict.fromkeys((*doubts, *(route.doubts if doubts else ()))))
                    readings = tuple(dict.fromkeys((*inactive.readings, *more)))
                    self.tables[route.vrf].possible.append(
                        PossibleRoute(route.prefix, route.distance, False, doubts, readings)
                    )
                    found[id(route)] = replace(inactive, doubts=doubts, readings=readings)
                    again = True
                else:
                    still.append((route, inactive))
            pending = still
        for vrf, key in order:
            self.tables[vrf].inactive.append(found[key])

    def could_resolve(self, route: _Route) -> tuple[tuple[Doubt, ...], tuple[Reading, ...]]:
        """Return the doubts and readings under which something could resolve an unresolved next hop."""
        assert route.next_hop is not None
        if route.next_hop.version != self.version:
            return (Doubt("a next hop of the other IP version is not modelled", route.span),), ()
        mode = self.mode(route)
        table = self.tables[route.lookup_vrf]
        target = Prefix(self.version, route.next_hop.value, self.width)
        doubts: list[Doubt] = []
        readings: list[Reading] = []
        if isinstance(route.given, StaticRoute) and route.given.permanent and self.down_subnets(route):
            doubts.append(Doubt("a permanent route may stay although the subnet of its next hop is down", route.span))
        if mode != "connected" and route.key in self.routes and next(self.resolvers(route, with_itself=True), None):
            # Another route of its own prefix would resolve it; whether a device lets it is not known.
            doubts.append(_circle(route))
        doubts.extend(
            hidden.doubt
            for hidden in table.hidden
            if (hidden.within is None or hidden.within.covers(target)) and (mode != "connected" or hidden.connected)
        )
        for possible in table.possible:
            fits = possible.prefix.covers(target) and (mode != "connected" or possible.connected)
            if fits and not (possible.prefix.length == 0 and mode == "any-but-default"):
                doubts.extend(possible.doubts)
                readings.extend(possible.readings)
        return tuple(doubts), tuple(readings)

    # The tables

    def add(self, route: _Route) -> None:
        """Put a route into its table."""
        self.routes[route.key].append(route)
        self.lengths[route.vrf][route.prefix.length].add(route.prefix.value)
        self.tables[route.vrf]

    def refuse(
        self,
        route: _Route,
        reason: InactiveReason,
        why: str,
        related: tuple[Span, ...] = (),
        doubts: tuple[Doubt, ...] = (),
        readings: tuple[Reading, ...] = (),
    ) -> None:
        """Keep a route out of its table; with doubts or readings it could be in."""
        assert route.given is not None
        table = self.tables[route.vrf]
        table.inactive.append(InactiveRoute(route.given, route.prefix, reason, why, related, doubts, readings))
        if doubts or readings:
            table.possible.append(PossibleRoute(route.prefix, route.distance, False, doubts, readings))

    def choose_best(self) -> None:
        """Make the entries: the routes of lowest distance of each prefix, next hops resolved down to interfaces."""
        best: dict[Key, list[_Route]] = {}
        behind: dict[Key, list[_Route]] = {}
        for key, routes in self.routes.items():
            if not routes:
                continue
            routes.sort(key=lambda route: route.place)
            distance = min(route.distance for route in routes)
            first = [route for route in routes if route.distance == distance]
            local = [route for route in first if route.source == "local"]
            best[key] = local or first
            behind[key] = [route for route in routes if route.distance > distance]
        needs = {key: self.needed(routes) for key, routes in best.items()}
        for key in _in_order(needs):
            self.tables[key[0]].entries[key[1]] = self.entry(key, best[key])
        for key, routes in best.items():
            if key[1] not in self.tables[key[0]].entries:
                self.tables[key[0]].entries[key[1]] = self.circular_entry(routes)
        waiting = (route for routes in behind.values() for route in routes)
        for route in sorted(waiting, key=lambda route: (route.prefix, route.distance, route.place)):
            assert route.given is not None
            hops, discard, _, _ = self.resolve(route)
            standby = StandbyRoute(route.given, route.prefix, route.distance, hops, discard)
            self.tables[route.vrf].standby.append(standby)

    def needed(self, routes: Iterable[_Route]) -> set[Key]:
        """Return the entries by which the next hops of routes are resolved; their own where that is the longest."""
        return {
            (route.lookup_vrf, prefix)
            for route in routes
            if route.recursive
            for prefix in [next(self.resolvers(route, with_itself=True))]
        }

    def entry(self, key: Key, routes: list[_Route]) -> FibEntry:
        """Make an entry of its best routes; the entries that it needs are there."""
        hops: list[ResolvedHop] = []
        discard = False
        doubts: list[Doubt] = []
        readings: list[Reading] = []
        for route in routes:
            ways, lost, more_doubts, more_readings = self.resolve(route)
            known = {(hop.interface, hop.next_hop) for hop in hops}
            hops.extend(hop for hop in ways if (hop.interface, hop.next_hop) not in known)
            discard = discard or lost
            doubts.extend(more_doubts)
            readings.extend(more_readings)
        return FibEntry(
            key[1],
            routes[0].source,
            routes[0].distance,
            tuple(hops),
            discard,
            tuple(dict.fromkeys(route.span for route in routes)),
            tuple(dict.fromkeys(doubts)),
            tuple(dict.fromkeys(readings)),
        )

    def resolve(self, route: _Route) -> tuple[tuple[ResolvedHop, ...], bool, tuple[Doubt, ...], tuple[Reading, ...]]:
        """Return hops, whether a way discards, doubts and readings of one route."""
        if route.discard:
            return (), True, route.doubts, route.readings
        if route.interface is not None:
            hop = ResolvedHop(route.interface, route.next_hop, route.span, route.next_hop)
            return (hop,), False, route.doubts, route.readings
        assert route.next_hop is not None
        prefix = next(self.resolvers(route, with_itself=True))
        table = self.tables[route.lookup_vrf]
        through = table.entries.get(prefix)
        if through is None or (route.lookup_vrf, prefix) == route.key:
            return (), False, (*route.doubts, _circle(route)), route.readings
        target = Prefix(self.version, route.next_hop.value, self.width)
        doubts = [*route.doubts, *through.doubts]
        readings = [*route.readings, *through.readings]
        if prefix.length == 0 and not route.connected_only:
            readings.append(Reading("recursion", self.device.assume.recursion, f"next hop `{route.next_hop}`"))
        for rival in table.touching(through, target):
            if self.mode(route) == "connected" and not rival.connected:
                continue
            doubts.extend((rival.doubt,) if isinstance(rival, HiddenRoutes) else rival.doubts)
            readings.extend(() if isinstance(rival, HiddenRoutes) else rival.readings)
        hops = tuple(
            replace(
                hop,
                next_hop=hop.next_hop if hop.next_hop is not None else route.next_hop,
                span=route.span,
                named=route.next_hop,
                chain=(RouteStep(prefix, through.source, hop.named, hop.span), *hop.chain),
            )
            for hop in through.hops
        )
        return hops, through.discard, tuple(doubts), tuple(readings)

    def circular_entry(self, routes: list[_Route]) -> FibEntry:
        """Make the entry of routes that are resolved in a circle, or through one: what they do is left open."""
        doubts = [*(doubt for route in routes for doubt in route.doubts)]
        doubts.extend(_circle(route) for route in routes if route.recursive)
        first = routes[0]
        spans = tuple(route.span for route in routes)
        return FibEntry(first.prefix, first.source, first.distance, (), False, spans, tuple(doubts))


def _circle(route: _Route) -> Doubt:
    """Return the doubt on a route whose own prefix takes part in resolving its next hop."""
    return Doubt(f"next hop `{route.next_hop}` is resolved through the route itself", route.span)


def _in_order(needs: dict[Key, set[Key]]) -> Iterator[Key]:
    """Yield keys after all that they need; those in a circle, or behind one, are left out."""
    waits = {key: len(needed) for key, needed in needs.items()}
    needed_by: dict[Key, list[Key]] = defaultdict(list)
    for key, needed in needs.items():
        for other in needed:
            needed_by[other].append(key)
    ready = [key for key, count in waits.items() if count == 0]
    while ready:
        key = ready.pop()
        yield key
        for other in needed_by[key]:
            waits[other] -= 1
            if waits[other] == 0:
                ready.append(other)
