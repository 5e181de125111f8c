"""The forwarding table: what the best routes of one table do with a destination, or with a whole prefix."""

from __future__ import annotations

from collections import OrderedDict, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace

from pathcheck.dataplane.longest_prefix_match import PrefixTable
from pathcheck.dataplane.rib import Rib, build_rib
from pathcheck.dataplane.route import (
    FibEntry,
    HiddenRoutes,
    InactiveRoute,
    PossibleRoute,
    ResolvedHop,
    RouteStep,
    StandbyRoute,
    Table,
    may_displace,
)
from pathcheck.dataplane.routing import RoutingState
from pathcheck.errors import UnknownNameError
from pathcheck.model.device import Device
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.results.path import Doubt, Reading

__all__ = ["Fib", "FibEntry", "InactiveRoute", "Piece", "ResolvedHop", "RouteStep", "StandbyRoute", "build_fib"]


@dataclass(frozen=True, slots=True)
class Piece:
    """Destinations that fare alike.

    Parameters
    ----------
    entry
        The entry that wins them, its doubts and readings being those of exactly
        these destinations; None where no route matches.
    prefixes
        The destinations, disjoint and in order.
    stranded
        Without an entry: configured routes that would carry these destinations
        if their next hop were resolved, longest prefix first. Where there are
        some, the destinations are stranded, otherwise unrouted.
    doubts, readings
        Those of the entry; for destinations without one, what could give them one.
    """

    entry: FibEntry | None
    prefixes: tuple[Prefix, ...]
    stranded: tuple[InactiveRoute, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()


class Fib:
    """One VRF's forwarding table of one IP version; not changed once it is made.

    Parameters
    ----------
    version
        4 or 6.
    routing
        Whether the device forwards other devices' packets of that version.
    table
        The routes.
    """

    def __init__(self, version: IPVersion, routing: RoutingState, table: Table) -> None:
        self.version: IPVersion = version
        self.routing = routing
        self.inactive: tuple[InactiveRoute, ...] = tuple(table.inactive)
        self.standby: tuple[StandbyRoute, ...] = tuple(table.standby)
        self._entries = PrefixTable(version, table.entries)
        # What can change an entry's part of the destinations, by the prefix inside which it can.
        rivals: dict[Prefix, list[HiddenRoutes | PossibleRoute]] = defaultdict(list)
        for hidden in table.hidden:
            rivals[hidden.within or Prefix.everything(version)].append(hidden)
        for possible in table.possible:
            rivals[possible.prefix].append(possible)
        stranded: dict[Prefix, list[InactiveRoute]] = defaultdict(list)
        for route in table.inactive:
            if route.reason.strands:
                stranded[route.prefix].append(route)
        self._rivals = PrefixTable(version, dict(rivals))
        self._stranded = PrefixTable(version, dict(stranded))
        borders = dict.fromkeys((*table.entries, *rivals, *stranded))
        self._borders: PrefixTable[None] = PrefixTable(version, borders)

    @property
    def entries(self) -> tuple[FibEntry, ...]:
        """All entries in the order of their prefixes, with the doubts that stand on them as a whole."""
        return tuple(self._entries[prefix] for prefix in self._entries)

    def lookup(self, address: Address) -> FibEntry | None:
        """Return the entry that wins an address, with the doubts of this very address; None without a route."""
        return self.piece(address).entry

    def piece(self, address: Address) -> Piece:
        """Return what becomes of one address; `prefixes` is the address alone."""
        whole = Prefix(address.version, address.value, WIDTH[address.version])
        self._check(whole)
        return self._piece(whole, (whole,))

    def matches(self, address: Address) -> tuple[FibEntry, ...]:
        """Return each entry whose prefix holds an address, longest first."""
        return tuple(
            entry for _, entry in self._entries.covering(Prefix(address.version, address.value, WIDTH[address.version]))
        )

    def prefix_doubts(self, prefix: Prefix) -> tuple[Doubt, ...]:
        """Return what could change where some destination of a prefix goes."""
        return tuple(dict.fromkeys(doubt for piece in self.pieces(prefix) for doubt in piece.doubts))

    def split(self, prefix: Prefix) -> list[tuple[FibEntry | None, list[Prefix]]]:
        """Cut destinations by the entry that wins them.

        Returns
        -------
        list
            Entry, None where no route matches, and the destinations that it
            wins, as disjoint prefixes in order. Together they are exactly
            `prefix`. An entry comes several times if its destinations do not
            share the same doubts. :meth:`pieces` tells also what could give a
            route to destinations that have none.

        Raises
        ------
        ValueError
            The prefix is of the other IP version.
        """
        return [(piece.entry, list(piece.prefixes)) for piece in self.pieces(prefix)]

    def pieces(self, prefix: Prefix) -> list[Piece]:
        """Cut destinations into parts that fare alike, in the order of the entries; those without a route last."""
        self._check(prefix)
        alike: dict[Piece, list[Prefix]] = {}
        for border, prefixes in self._borders.split(prefix):
            # Inside a border and outside of the borders within it all destinations fare as the border's own prefix.
            probe = prefix if border is None else border
            alike.setdefault(self._piece(probe, (), none=border is None), []).extend(prefixes)
        found = [replace(piece, prefixes=tuple(sorted(prefixes))) for piece, prefixes in alike.items()]
        return sorted(found, key=_order)

    def runs(self) -> Iterator[tuple[int, int, Piece]]:
        """Yield all addresses in order, as runs that fare alike.

        Yields
        ------
        tuple
            The first address of the run and the first behind it, as numbers,
            and the piece, its `prefixes` left empty.
        """
        made: dict[Prefix | None, Piece] = {}
        everything = Prefix.everything(self.version)
        for low, high, border in self._borders.runs(everything):
            if border not in made:
                made[border] = self._piece(border or everything, (), none=border is None)
            yield low, high, made[border]

    def _piece(self, probe: Prefix, prefixes: tuple[Prefix, ...], *, none: bool = False) -> Piece:
        """Return the piece of destinations that lie in all that covers the probe; `none`: in nothing at all."""
        if none:
            return Piece(None, prefixes)
        found = next(self._entries.covering(probe), None)
        entry = found[1] if found is not None else None
        doubts = list(entry.doubts) if entry is not None else []
        readings = list(entry.readings) if entry is not None else []
        for _, rivals in self._rivals.covering(probe):
            for rival in rivals:
                if may_displace(rival, entry):
                    doubts.extend((rival.doubt,) if isinstance(rival, HiddenRoutes) else rival.doubts)
                    readings.extend(() if isinstance(rival, HiddenRoutes) else rival.readings)
        doubted, read = tuple(dict.fromkeys(doubts)), tuple(dict.fromkeys(readings))
        if entry is not None:
            if doubted != entry.doubts or read != entry.readings:
                entry = replace(entry, doubts=doubted, readings=read)
            return Piece(entry, prefixes, (), doubted, read)
        stranded = tuple(route for _, routes in self._stranded.covering(probe) for route in routes)
        return Piece(None, prefixes, stranded, doubted, read)

    def _check(self, prefix: Prefix) -> None:
        """Refuse destinations of the other IP version."""
        if prefix.version != self.version:
            raise ValueError(f"`{prefix}` is of another IP version than the table")


def _order(piece: Piece) -> tuple[bool, Prefix, Prefix]:
    """Order pieces by their entry, those without one last."""
    first = piece.prefixes[0]
    return piece.entry is None, piece.entry.prefix if piece.entry is not None else first, first


def build_fib(device: Device, vrf: str | None, version: IPVersion) -> Fib:
    """Return the forwarding table of one VRF of a device.

    Parameters
    ----------
    vrf
        Its name, None for the global table.
    version
        4 or 6.

    Raises
    ------
    UnknownNameError
        The device has no such VRF.
    """
    tables = _tables(device, version)
    if vrf not in tables:
        known = ", ".join(f"`{name}`" for name in tables if name is not None) or "none"
        raise UnknownNameError(f"`{device.name}` has no VRF `{vrf}`; it has {known}")
    return tables[vrf]


_KEPT = 4096
_kept: OrderedDict[tuple[int, int], tuple[Device, dict[str | None, Fib]]] = OrderedDict()
"""Tables by the identity of the device, which is kept alive so that its identity stays its own."""


def _tables(device: Device, version: IPVersion) -> dict[str | None, Fib]:
    """Return all tables of a device for one IP version; worked out once for each device object."""
    key = (id(device), version)
    found = _kept.get(key)
    if found is not None and found[0] is device:
        _kept.move_to_end(key)
        return found[1]
    rib: Rib = build_rib(device, version)
    tables = {vrf: Fib(version, rib.routing, table) for vrf, table in rib.tables.items()}
    _kept[key] = (device, tables)
    while len(_kept) > _KEPT:
        _kept.popitem(last=False)
    return tables
