"""Static routes as routes of the kernel, which then chooses among them.

The kernel looks up no next hop through another route, as network devices do, so
each next hop is looked up in the table as it stands, by the kernel's own longest
match, and the route is put in with what was found. That is repeated until
nothing changes any more. What is not found is in no table.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from pathcheck.errors import LaboratoryError
from pathcheck.evaluator.access_list import YES
from pathcheck.evaluator.route import own_interfaces, routes_packets
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.static_route import StaticRoute
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.rehearsal.namespace import Namespace
from pathcheck.rehearsal.plan import DISCARDED, UNROUTED, Plan, Table

__all__ = ["NOBODY", "Installed", "install_routes"]

_METRIC = 1000
"""Added to each distance: the kernel's own connected IPv6 routes have the metric 256."""

_LAST_METRIC = 4_000_000_000
NOBODY = {4: Address.parse("192.0.0.8"), 6: Address.parse("fe80::a11a:0:dead")}
"""Stands for the next hop of a route that names none, so that it can be told who answers on the link.

The IPv4 one is the dummy address of RFC 7600, which no interface has.
"""

_FIRST_ALIAS = Address.parse("fe80::a11a:0:0")
_ROUNDS = 12
_LINK_LOCAL = Prefix.parse("fe80::/10")

Way = tuple[str, str | None, bool]
"""An interface of the namespace, the next hop as text or None, and whether it is one off the link's subnets."""


@dataclass(slots=True)
class Installed:
    """What became of the routes of one table.

    Attributes
    ----------
    refused
        Prefixes of routes whose next hop is not reached, so that they are in no table.
    open
        Prefixes of routes of which it is not known whether they act, with the reason; none is put in.
    beyond
        Prefixes of routes that act in the model and cannot be put in, with the reason: packets for these are
        not judged, unless a longer prefix takes them.
    present
        Prefixes of the routes that are there, and whether they are connected ones, which win over others.
    """

    refused: list[Prefix] = field(default_factory=list)
    open: list[tuple[Prefix, str]] = field(default_factory=list)
    beyond: list[tuple[Prefix, str]] = field(default_factory=list)
    present: dict[Prefix, bool] = field(default_factory=dict)
    _aliases: dict[Address, Address] = field(default_factory=dict)

    def alias(self, hop: Address) -> Address:
        """Return what the kernel is told for an IPv6 next hop.

        It takes a link-local next hop at its word, and refuses others while routes are only half
        there; each has an alias on the link.
        """
        if hop.version == 4 or hop in _LINK_LOCAL:
            return hop
        taken = len(self._aliases)
        return next((alias for alias, named in self._aliases.items() if named == hop), None) or self._alias(taken, hop)

    def _alias(self, number: int, hop: Address) -> Address:
        alias = Address(6, _FIRST_ALIAS.value + number)
        self._aliases[alias] = hop
        return alias

    def why_not(self, destination: Address) -> str | None:
        """Say why packets to a destination are not judged; None where they are."""
        there = [(prefix.length, connected) for prefix, connected in self.present.items() if destination in prefix]
        best = max(there, default=(-1, False))
        found = (why for prefix, why in self.beyond if destination in prefix and (prefix.length, False) >= best)
        return next(found, None)

    def named(self, hop: Address) -> Address:
        """Return the next hop that the kernel knows by an alias."""
        return self._aliases.get(hop, hop)


@dataclass(frozen=True, slots=True)
class _Found:
    """What the kernel finds for an address: the prefix of the route and its ways."""

    prefix: Prefix
    connected: bool
    local: bool
    ways: frozenset[Way]


def install_routes(plan: Plan, table: Table, namespace: Namespace) -> Installed:
    """Put the routes of a table into its namespace, whose ports are up and have their addresses.

    Raises
    ------
    LaboratoryError
        The kernel takes a route for another reason than an unreachable next hop not.
    """
    return _Installing(plan, table, namespace).install()


class _Installing:
    """The work on one table."""

    def __init__(self, plan: Plan, table: Table, namespace: Namespace) -> None:
        self.plan = plan
        self.table = table
        self.device = table.device
        self.namespace = namespace
        self.result = Installed()
        self.in_force: dict[tuple[Prefix, int], frozenset[Way]] = {}

    def install(self) -> Installed:
        for version in (4, 6):
            self._version(version)
        self.result.present = {prefix: False for prefix, _ in self.in_force}
        for port in self.table.ports:
            if not self.plan.is_down(port):
                self.result.present |= {subnet: True for version in (4, 6) for subnet in port.subnets(version)}
        # What nothing else matches is seen there; put in last, so that no next hop is found by it.
        last = [f"route add default dev {UNROUTED} metric {_LAST_METRIC}"]
        self.namespace.run("ip", "-4", "-batch", "-", text="\n".join(last) + "\n")
        self.namespace.run("ip", "-6", "-batch", "-", text="\n".join(last) + "\n")
        return self.result

    def _version(self, version: IPVersion) -> None:
        """Install the routes of one IP version."""
        fixed: dict[tuple[Prefix, int], set[Way]] = defaultdict(set)
        by_hop: list[tuple[StaticRoute, Address, bool]] = []
        for route in self._routes(version):
            why = self._open(route)
            if route.next_hop_vrf is not None and (route.next_hop_vrf or None) != self.table.vrf:
                why = "a route leads to a next hop in another table, and tables are rehearsed apart"
                self.result.beyond.append((route.prefix, why))
            elif why:
                self.result.open.append((route.prefix, why))
            elif route.discard:
                fixed[route.prefix, route.distance].add((DISCARDED, None, False))
            elif route.interface is not None:
                way = self._by_interface(route)
                if way is None:
                    self.result.refused.append(route.prefix)
                else:
                    fixed[route.prefix, route.distance] |= way
            elif route.next_hop is not None and route.next_hop in _LINK_LOCAL:
                self.result.refused.append(route.prefix)
            elif route.next_hop is not None:
                by_hop.append((route, route.next_hop, self._only_connected(route)))
        # As long as only connected routes are there, a longer static route hides none of them.
        connected = self._look_up({hop for _, hop, _ in by_hop}, version)
        by_hop = self._within_reach(by_hop, connected)
        self._put({key: frozenset(ways) for key, ways in fixed.items()}, version)
        refused: list[Prefix] = []
        unsettled: list[tuple[Prefix, str]] = []
        for turn in range(_ROUNDS + 1):
            if not by_hop:
                break
            found = self._look_up({hop for _, hop, only in by_hop if not only}, version)
            wanted = {key: set(ways) for key, ways in fixed.items()}
            refused, unsettled = [], []
            for route, hop, only_connected in by_hop:
                ways = self._through(route, hop, connected.get(hop) if only_connected else found.get(hop))
                if isinstance(ways, str):
                    unsettled.append((route.prefix, ways))
                elif not ways:
                    refused.append(route.prefix)
                else:
                    wanted.setdefault((route.prefix, route.distance), set()).update(ways)
            settled = {key: frozenset(ways) for key, ways in wanted.items()}
            if settled == self.in_force_of(version):
                break
            if turn == _ROUNDS:
                now = self.in_force_of(version)
                moving = {key[0] for key in (*settled, *now) if settled.get(key) != now.get(key)}
                self.result.beyond += [(prefix, "next hops are looked up in a circle") for prefix in sorted(moving)]
                self._within_reach(by_hop, connected)
                break
            self._put(settled, version)
        self.result.refused += refused
        self.result.open += unsettled

    def _within_reach(
        self, by_hop: list[tuple[StaticRoute, Address, bool]], connected: dict[Address, _Found]
    ) -> list[tuple[StaticRoute, Address, bool]]:
        """Set apart the routes whose next hop may be looked up through one that cannot be put in."""
        rest = by_hop
        while True:
            apart = [
                (route, hop, only)
                for route, hop, only in rest
                if not only and hop not in connected and any(hop in prefix for prefix, _ in self.result.beyond)
            ]
            if not apart:
                return rest
            rest = [item for item in rest if item not in apart]
            why = "the next hop of a route may be looked up through a route that is not built"
            self.result.beyond += [(route.prefix, why) for route, _, _ in apart]

    def in_force_of(self, version: IPVersion) -> dict[tuple[Prefix, int], frozenset[Way]]:
        return {key: ways for key, ways in self.in_force.items() if key[0].version == version}

    def _routes(self, version: IPVersion) -> Iterable[StaticRoute]:
        """Yield the written routes of the table, gateways as default routes."""
        routing = routes_packets(self.device, version)
        for route in self.device.static_routes:
            if route.vrf == self.table.vrf and route.prefix.version == version and route.distance != 255 and routing:
                yield route
        gateways = [it for it in self.device.gateways if it.vrf == self.table.vrf and it.address.version == version]
        for gateway in gateways[-1:]:  # a later line replaces an earlier one
            everything = Prefix.everything(version)
            if not routing:
                yield StaticRoute(everything, gateway.address, vrf=self.table.vrf, span=gateway.span)
            elif self.device.assume.gateway_while_routing == "default-route":
                yield StaticRoute(everything, gateway.address, vrf=self.table.vrf, distance=253, span=gateway.span)

    def _only_connected(self, route: StaticRoute) -> bool:
        """Whether the next hop must be on a connected subnet."""
        idle = not routes_packets(self.device, route.prefix.version)
        return idle or self.device.assume.recursion == "connected"

    def _open(self, route: StaticRoute) -> str:
        """Why it is not known whether a route acts, or how; empty where it is."""
        if route.tracked is not None:
            return route.tracked
        if route.discard or route.interface is None:
            return ""
        port = self.plan.ports.get(LinkEnd(self.device.name, route.interface))
        if port is None:
            return ""
        if port.state != YES:
            return "its interface may be down" if port.state or route.permanent else ""
        if self.plan.table_of[port.end] is not self.table:
            return "its interface is in another table"
        if not port.subnets(route.prefix.version):
            return "its interface has no address"
        if route.next_hop is None:
            taker = self.plan.taker(port, route.prefix.version, None)
            return taker.why if taker.fate == "unknown" else ""
        return ""

    def _by_interface(self, route: StaticRoute) -> set[Way] | None:
        """Return the way of a route that names its interface; None where it is not in the table."""
        port = self.plan.ports.get(LinkEnd(self.device.name, route.interface or ""))
        if port is None or port.state != YES:
            return None
        if route.next_hop is not None:
            if own_interfaces(self.device, self.table.vrf, route.next_hop) or any(
                item.address == route.next_hop for item in port.interface.addresses
            ):
                return None
            return {(port.name, str(route.next_hop), True)}
        return {(port.name, None, False)}

    def _through(self, route: StaticRoute, hop: Address, found: _Found | None) -> frozenset[Way] | str:
        """Return the ways to a next hop: none where it is not reached, a text where that is not known."""
        if found is None or found.local:
            return frozenset()
        if found.connected:
            return frozenset((name, str(hop), False) for name, _, _ in found.ways)
        if found.prefix.length == 0 and self.device.assume.recursion == "any-but-default":
            return frozenset()
        if found.prefix == route.prefix:
            return "a next hop is looked up through its own prefix"
        return frozenset(
            (name, via if via is not None or name == DISCARDED else str(hop), True) for name, via, _ in found.ways
        )

    # ---- the kernel ---------------------------------------------------------------------------------------

    def _put(self, wanted: dict[tuple[Prefix, int], frozenset[Way]], version: IPVersion) -> None:
        """Make the kernel's table what is wanted."""
        current = self.in_force_of(version)
        lines = []
        for key, ways in current.items():
            if wanted.get(key) != ways:
                lines.append(f"route del {key[0]} metric {_METRIC + key[1]}")
                del self.in_force[key]
        for key, ways in sorted(wanted.items()):
            if current.get(key) != ways and ways:
                # One hop may be found both on its link and through another route; to the kernel that is one.
                apart = {(name, via): off_link for name, via, off_link in sorted(ways, key=str)}
                hops = " ".join(f"nexthop {self._hop_words((*hop, off), version)}" for hop, off in apart.items())
                lines.append(f"route add {key[0]} metric {_METRIC + key[1]} {hops}")
                self.in_force[key] = ways
        if lines:
            self.namespace.run("ip", f"-{version}", "-batch", "-", text="\n".join(lines) + "\n")

    def _hop_words(self, way: Way, version: IPVersion) -> str:
        """A way in the words of `ip route`."""
        name, via = way[:2]
        hop = NOBODY[version] if via is None else Address.parse(via)
        return f"via {self.result.alias(hop)} dev {name} onlink"

    def _look_up(self, addresses: set[Address], version: IPVersion) -> dict[Address, _Found]:
        """Ask the kernel for the route of each address; one that has none is left out."""
        asked = sorted(addresses)
        if not asked:
            return {}
        text = "".join(f"route get fibmatch {address}\n" for address in asked)
        done = self.namespace.run("ip", f"-{version}", "-json", "-force", "-batch", "-", text=text, may_fail=True)
        failed = {int(number) for number in re.findall(r"Command failed -:(\d+)", done.stderr)}
        answered = [address for number, address in enumerate(asked, 1) if number not in failed]
        documents = _documents(done.stdout)
        if len(documents) != len(answered):
            raise LaboratoryError("the answers of `ip route get` could not be told apart")
        return {address: self._found(one, version) for address, one in zip(answered, documents, strict=True)}

    def _found(self, document: dict[str, Any], version: IPVersion) -> _Found:
        """Read a route as the kernel tells it."""
        words = document["dst"]
        prefix = Prefix.everything(version) if words == "default" else Prefix.parse(words)
        ways = set()
        for hop in document.get("nexthops") or [document]:
            via = hop.get("gateway")
            if "dev" in hop:
                known = (
                    None if via is None or via == str(NOBODY[version]) else str(self.result.named(Address.parse(via)))
                )
                ways.add((hop["dev"], known, False))
        return _Found(prefix, document.get("protocol") == "kernel", document.get("type") == "local", frozenset(ways))


def _documents(text: str) -> list[dict[str, Any]]:
    """The JSON documents that stand one behind the other, each an array of one route."""
    decoder, found, at = json.JSONDecoder(), [], 0
    while at < len(text):
        if text[at].isspace():
            at += 1
            continue
        document, at = decoder.raw_decode(text, at)
        found += document
    return found
