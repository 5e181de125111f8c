"""What another set of static routes would change: the proof that a route can go, or that several can be one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from pathcheck.dataplane.fib import Fib, Piece
from pathcheck.dataplane.rib import build_rib
from pathcheck.model.device import Device
from pathcheck.model.static_route import StaticRoute
from pathcheck.packet.address import IPVersion
from pathcheck.source import Span

__all__ = ["Change", "harmless_changes"]

Change = tuple[frozenset[Span], tuple[StaticRoute, ...]]
"""The lines of static routes that go, and the routes that come in their place."""


def harmless_changes(device: Device, version: IPVersion, changes: Sequence[Change]) -> list[Change]:
    """Return those changes that can be made together without any destination faring otherwise.

    Each table of the device is worked out anew and compared over the whole
    address space, doubts included. All changes are tried at once; where that changes
    something, one after the other.
    """
    if not changes:
        return []
    before = _behaviour(device, version)
    if _behaviour(_changed(device, changes), version) == before:
        return list(changes)
    kept: list[Change] = []
    for change in changes:
        if _behaviour(_changed(device, [*kept, change]), version) == before:
            kept.append(change)
    return kept


def _changed(device: Device, changes: Iterable[Change]) -> Device:
    """Return the device with other static routes."""
    gone = {span for lines, _ in changes for span in lines}
    left = [route for route in device.static_routes if route.span not in gone]
    return replace(device, static_routes=(*left, *(route for _, new in changes for route in new)))


def _behaviour(device: Device, version: IPVersion) -> object:
    """Return what becomes of every destination in every table, in a form that can be compared."""
    rib = build_rib(device, version)
    found = {}
    for vrf, table in rib.tables.items():
        runs: list[tuple[int, object]] = []
        for low, _, piece in Fib(version, rib.routing, table).runs():
            doing = _doing(piece)
            if not runs or runs[-1][1] != doing:
                runs.append((low, doing))
        found[vrf] = runs
    return found


def _doing(piece: Piece) -> object:
    """Return what becomes of destinations, whichever prefix wins them."""
    entry = piece.entry
    doubts = frozenset(doubt.span for doubt in piece.doubts)
    if entry is None:
        return bool(piece.stranded), doubts
    connected = entry.source in ("local", "connected")
    hops = frozenset((hop.interface, hop.next_hop) for hop in entry.hops)
    return hops, entry.discard, entry.source if connected else "", doubts
