"""Permits for packets that cannot come where their list is applied (PC109), and lists full of them (PC110).

A list applied `in` sees packets whose sources are behind the interface, one applied
`out` packets whose destinations are. What is behind an interface is what the device's
own routing table says:

in
    Each prefix with a way through the interface counts, the best one or not, so a
    default route through it makes every source possible: that is the feasible-path
    check of RFC 3704 section 2.3 made by hand. If another device of the fleet that
    routes stands on the same subnet, whatever it has routes for elsewhere counts too,
    because its packets may come this way although the answers go another.
out
    Destinations whose best route leaves by the interface, and those of a standby route.

The unspecified address and link-local addresses may come from anywhere, multicast and
broadcast destinations go anywhere. Only permits are judged: a deny of sources that
cannot arrive is what RFC 2827 asks for. Where something that is not modelled could
bring other packets (a routing protocol, address translation, policy routing), where
the interface is not up or its address is not in the text, and where the list has a
second use, nothing is said. A list on several interfaces is judged by all of them
together.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from pathcheck.model.access_list import Direction, Line
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.interface import Interface
from pathcheck.model.object_group import GroupReference
from pathcheck.model.unmodelled import DeviceScope, InterfaceScope, TranslationScope
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.queries.line_review.dead_lines import DeadLines
from pathcheck.queries.line_review.list_binding import BoundInterface, guards_device, interfaces_of, is_used_otherwise
from pathcheck.queries.line_review.reviewed_list import PERMITS, Array, ReviewedList
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding

if TYPE_CHECKING:  # only lists that are applied to interfaces need tables
    from pathcheck.dataplane.rib import Rib
    from pathcheck.dataplane.route import FibEntry, StandbyRoute

__all__ = ["Surroundings", "arrival_findings"]

_ANYWHERE: dict[tuple[IPVersion, Direction], tuple[Prefix, ...]] = {
    # RFC 1122 section 3.2.1.3 (this host), RFC 3927 (link-local), RFC 4291 sections 2.5.2 and 2.5.6.
    (4, "in"): (Prefix.parse("0.0.0.0/32"), Prefix.parse("169.254.0.0/16")),
    (6, "in"): (Prefix.parse("::/128"), Prefix.parse("fe80::/10")),
    # RFC 919 section 7, RFC 1112 section 4, RFC 4291 section 2.7.
    (4, "out"): (Prefix.parse("169.254.0.0/16"), Prefix.parse("224.0.0.0/4"), Prefix.parse("255.255.255.255/32")),
    (6, "out"): (Prefix.parse("fe80::/10"), Prefix.parse("ff00::/8")),
}
_OTHER: dict[Direction, Direction] = {"in": "out", "out": "in"}
_MOST_SHOWN = 3


@dataclass(frozen=True)
class _Routes:
    """The tables of one device for one IP version, and what they are worth."""

    device: Device
    version: IPVersion

    @cached_property
    def rib(self) -> Rib:
        """All tables."""
        from pathcheck.dataplane.rib import build_rib

        return build_rib(self.device, self.version)

    @cached_property
    def is_silent(self) -> bool:
        """Whether the text says too little: the device does not route, or unmodelled lines touch all its packets."""
        from pathcheck.dataplane.routing import routing_state

        return not routing_state(self.device, self.version).on or any(
            isinstance(item.scope, DeviceScope | TranslationScope) for item in self.device.unmodelled
        )

    def through(self, interfaces: set[str], *, elsewhere: bool = False) -> set[Prefix] | None:
        """Return each prefix with a way through one of the interfaces; None where hidden routes could give any.

        `elsewhere` turns it round: with a way through another interface than these.
        """
        found: set[Prefix] = set()
        for table in self.rib.tables.values():
            if any(hidden.within is None for hidden in table.hidden):
                return None
            found.update(hidden.within for hidden in table.hidden if hidden.within is not None)
            found.update(possible.prefix for possible in table.possible)
            found.update(inactive.prefix for inactive in table.inactive)
            routes: list[FibEntry | StandbyRoute] = [*table.entries.values(), *table.standby]
            for route in routes:
                if any((hop.interface in interfaces) is not elsewhere for hop in route.hops):
                    found.add(route.prefix)
        return found


class Surroundings:
    """What is behind the interfaces of a fleet's devices; worked out once for each.

    Parameters
    ----------
    config
        The fleet; a device alone is a fleet of one.
    """

    def __init__(self, config: FleetConfig) -> None:
        self._config = config
        self._routes: dict[tuple[str, IPVersion], _Routes] = {}
        self._behind: dict[tuple[str, str, IPVersion, Direction], tuple[Prefix, ...] | None] = {}

    @cached_property
    def _on_subnet(self) -> dict[Prefix, list[tuple[Device, Interface]]]:
        """The interfaces with an address in each subnet."""
        found: dict[Prefix, list[tuple[Device, Interface]]] = {}
        for device in self._config.devices.values():
            for interface in device.interfaces.values():
                for subnet in {item.prefix for item in interface.addresses if item.role != "link-local"}:
                    found.setdefault(subnet, []).append((device, interface))
        return found

    def behind(
        self, device: Device, interface: Interface, version: IPVersion, direction: Direction
    ) -> tuple[Prefix, ...] | None:
        """Return the addresses behind an interface as the module says; None where the text cannot tell."""
        key = (device.name, interface.name, version, direction)
        if key not in self._behind:
            found = None
            if not _is_unclear(device, interface, version):
                find = self._sources if direction == "in" else self._destinations
                found = find(device, interface, version)
            self._behind[key] = Prefix.merged(found | set(_ANYWHERE[version, direction])) if found else None
        return self._behind[key]

    def _table(self, device: Device, version: IPVersion) -> _Routes:
        return self._routes.setdefault((device.name, version), _Routes(device, version))

    def _sources(self, device: Device, interface: Interface, version: IPVersion) -> set[Prefix] | None:
        """The prefixes that packets which come in by an interface can have as sources."""
        from pathcheck.dataplane.routing import routing_state

        routes = self._table(device, version)
        found = None if routes.is_silent else routes.through({interface.name})
        if not found:
            return None
        subnets = {item.prefix for item in interface.addresses if item.address.version == version}
        neighbours: dict[str, tuple[Device, set[str]]] = {}
        for subnet in subnets:
            for other, port in self._on_subnet.get(subnet, ()):
                if other is not device:
                    neighbours.setdefault(other.name, (other, set()))[1].add(port.name)
        for other, ports in neighbours.values():
            theirs = self._table(other, version)
            if not routing_state(other, version).on:
                continue
            more = None if theirs.is_silent else theirs.through(ports, elsewhere=True)
            if more is None:
                return None
            found |= more
        return found

    def _destinations(self, device: Device, interface: Interface, version: IPVersion) -> set[Prefix] | None:
        """The destinations that leave by an interface."""
        from pathcheck.dataplane.fib import build_fib

        routes = self._table(device, version)
        if routes.is_silent or any(
            isinstance(item.scope, InterfaceScope) and not item.scope.may_only_drop for item in device.unmodelled
        ):
            return None
        found: set[Prefix] = set()
        for vrf in routes.rib.tables:
            fib = build_fib(device, vrf, version)
            for piece in fib.pieces(Prefix.everything(version)):
                hops = piece.entry.hops if piece.entry is not None else ()
                if piece.doubts or piece.stranded or any(hop.interface == interface.name for hop in hops):
                    found.update(piece.prefixes)
            for route in fib.standby:
                if any(hop.interface == interface.name for hop in route.hops):
                    found.add(route.prefix)
        return found

    def way_to(self, device: Device, interface: Interface, match: AddressMatch) -> str:
        """Say where the device's table sends an address of a match."""
        from pathcheck.dataplane.fib import build_fib

        entry = build_fib(device, interface.vrf, match.version).lookup(Address(match.version, match.value))
        if entry is None:
            return "the device has no route to it"
        if not entry.hops:
            return "the device discards what goes there"
        names = list(dict.fromkeys(f"`{hop.interface}`" for hop in entry.hops))
        return f"the device's route to it leads through {' and '.join(names[:_MOST_SHOWN])}"


def arrival_findings(reviewed: ReviewedList, dead: DeadLines, around: Surroundings) -> list[Finding]:
    """Return a finding for each permit that no packet can meet, or one for a list most of whose permits are so."""
    device, access_list = reviewed.device, reviewed.access_list
    places = list(interfaces_of(device, access_list))
    if not places or guards_device(device, access_list) or is_used_otherwise(device, access_list):
        return []
    if any(place.binding.port for place in places):
        return []
    permits = [line for line in dead.witnesses if reviewed.lines[line].action == "permit"]
    rows = np.flatnonzero((reviewed.does == PERMITS) & dead.alive)
    fitting = _fitting(reviewed, rows, around, [(place, place.binding.direction) for place in places])
    if fitting is None:
        return []
    fits = set(reviewed.lines_of(fitting))
    misplaced = [line for line in permits if line not in fits]
    if len(misplaced) > 1 and 2 * len(misplaced) > len(permits):
        # A line that names no address at its other end would act in the other direction too, but tells nothing.
        telling = rows[_names_end(reviewed, rows, _OTHER[places[0].binding.direction])]
        turned = _fitting(reviewed, telling, around, [(place, _OTHER[place.binding.direction]) for place in places])
        return [_list_finding(reviewed, places, permits, misplaced, turned)]
    return [_line_finding(reviewed, places, line, around) for line in misplaced]


def _fitting(
    reviewed: ReviewedList, rows: Array, around: Surroundings, places: Sequence[tuple[BoundInterface, Direction]]
) -> Array | None:
    """Return those of some rows whose packets can meet the list at one of the places, None where none can tell."""
    left = rows
    for place, direction in places:
        prefixes = around.behind(reviewed.device, place.interface, reviewed.version, direction)
        if prefixes is None:
            return None
        left = left[~_meet(reviewed, left, prefixes, direction)]
    kept: Array = np.setdiff1d(rows, left)
    return kept


def _meet(reviewed: ReviewedList, rows: Array, prefixes: Iterable[Prefix], direction: Direction) -> Array:
    """Whether the source (`in`) or the destination (`out`) of each row shares an address with a prefix."""
    table = reviewed.table
    words = len(table.values) // 2
    columns = range(words) if direction == "in" else range(words, 2 * words)
    met: Array = np.zeros(len(rows), dtype=bool)
    for prefix in prefixes:
        hit: Array = np.ones(len(rows), dtype=bool)
        for place, column in enumerate(columns):
            kind = table.values[column].dtype.type
            shift = 64 * (words - 1 - place)
            mask = (1 << 64) - 1
            value, care = kind(prefix.value >> shift & mask), kind(prefix.netmask >> shift & mask)
            hit &= ((table.values[column][rows] ^ value) & table.cares[column][rows] & care) == 0
        met |= hit
    return met


def _names_end(reviewed: ReviewedList, rows: Array, direction: Direction) -> Array:
    """Whether each row limits the addresses that a list looks at in a direction."""
    end = 0 if direction == "in" else 1
    return np.array([reviewed.table.rows[int(row)].addresses[end][1] != 0 for row in rows], dtype=bool)


def _is_unclear(device: Device, interface: Interface, version: IPVersion) -> bool:
    """Whether the text does not say what stands on an interface."""
    from pathcheck.dataplane.interface_state import interface_state

    state = interface_state(device, interface)
    return (
        not state.up
        or bool(state.doubts)
        or state.member_of is not None
        or interface.kind == "tunnel"
        or interface.switch_port is not None
        or interface.borrowed is not None
        or interface.unknown_address is not None
        or any(other.borrowed == interface.name for other in device.interfaces.values())
        or not any(item.address.version == version and item.role != "link-local" for item in interface.addresses)
        or any(
            isinstance(item.scope, InterfaceScope)
            and item.scope.interface == interface.name
            and not item.scope.may_only_drop
            for item in device.unmodelled
        )
    )


def _line_finding(reviewed: ReviewedList, places: list[BoundInterface], line: int, around: Surroundings) -> Finding:
    """The finding on one permit."""
    said = reviewed.lines[line]
    place = places[0]
    direction = place.binding.direction
    row = reviewed.table.rows[reviewed.first_row[line]]
    match = AddressMatch(reviewed.version, *row.addresses[0 if direction == "in" else 1])
    end, verb = ("source", "arrives at") if direction == "in" else ("destination", "leaves by")
    assert isinstance(said, Line)
    written = said.source if direction == "in" else said.destination
    named = f"group `{written.name}`" if isinstance(written, GroupReference) else f"`{match}`"
    message = (
        f"by the device's routing table no packet that it is meant to permit {verb} {_names(places)}: "
        f"its {end}, {named}, is not behind "
        f"{'that interface' if len(places) == 1 else 'those interfaces'}, "
        f"{around.way_to(reviewed.device, place.interface, match)}"
    )
    return finding(
        "PC109",
        message,
        span=said.span,
        device=reviewed.device.name,
        acl=reviewed.access_list.name,
        because=tuple(each.binding.span for each in places),
        help=f"correct the {end}, or put the line into the list of the interface that it belongs to",
    )


def _list_finding(
    reviewed: ReviewedList,
    places: list[BoundInterface],
    permits: list[int],
    misplaced: list[int],
    turned: Array | None,
) -> Finding:
    """The finding on a list most of whose permits no packet can meet."""
    binding = places[0].binding
    end, verb = ("source", "arrive at") if binding.direction == "in" else ("destination", "leave by")
    count = f"all {len(permits)}" if len(misplaced) == len(permits) else f"{len(misplaced)} of {len(permits)}"
    message = (
        f"{count} permits of list `{reviewed.access_list.name}` are for packets that by the device's routing table "
        f"never {verb} {_names(places)}, because their {end}s are not behind {'it' if len(places) == 1 else 'them'}, "
        "so what they are meant to let through is blocked"
    )
    other = _OTHER[binding.direction]
    if turned is not None and set(misplaced) <= set(reviewed.lines_of(turned)):
        message += f"; applied `{other}` they would act: the direction looks wrong"
        help_text = f"apply the list `{other}`"
    else:
        help_text = "apply the list to the interface that its lines speak of"
    return finding(
        "PC110",
        message,
        span=binding.span,
        device=reviewed.device.name,
        acl=reviewed.access_list.name,
        because=tuple(reviewed.lines[line].span for line in misplaced[:_MOST_SHOWN]),
        help=help_text,
    )


def _names(places: list[BoundInterface]) -> str:
    """The interfaces by name."""
    names = [f"`{place.interface.name}`" for place in places]
    if len(names) > _MOST_SHOWN + 1:  # never "or 1 others"
        return f"{', '.join(names[:_MOST_SHOWN])} or {len(names) - _MOST_SHOWN} others"
    return " or ".join(names)
