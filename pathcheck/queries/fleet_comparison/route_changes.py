"""What a table does with each destination, in two states: the destinations that go another way."""

from __future__ import annotations

from collections.abc import Iterator
from heapq import merge

from pathcheck.dataplane.fib import Fib, Piece
from pathcheck.errors import UnknownNameError
from pathcheck.model.device import Device
from pathcheck.network.reachability import Network
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.fleet_comparison.states import Pair, States
from pathcheck.results.fleet_comparison import RouteChange, Way

__all__ = ["Run", "common_runs", "doing", "prefixes_of", "route_changes", "tables_of"]

Run = tuple[int, int, Piece, Piece]
"""First address, the first behind, and what the tables of the two states do with the addresses."""


def tables_of(network: Network, device: Device, version: IPVersion) -> dict[str | None, Fib]:
    """Return the tables of a device by VRF."""
    names: dict[str | None, None] = dict.fromkeys(
        (None, *device.vrfs, *(interface.vrf for interface in device.interfaces.values()),
         *(route.vrf for route in device.static_routes), *(gateway.vrf for gateway in device.gateways))
    )  # fmt: skip
    found = {}
    for name in names:
        try:
            found[name] = network.fib(device.name, name, version)
        except UnknownNameError:
            continue
    return found


def common_runs(before: Fib | None, after: Fib | None, version: IPVersion) -> Iterator[Run]:
    """Yield all addresses in order, as runs in which neither table changes what it does; no table has no routes."""
    end = 1 << (32 if version == 4 else 128)
    nothing = Piece(None, ())
    sides: list[list[tuple[int, int, Piece]]] = [
        [(0, end, nothing)] if fib is None else list(fib.runs()) for fib in (before, after)
    ]
    starts = merge(*([(low, side, piece) for low, _, piece in runs] for side, runs in enumerate(sides)), key=_low)
    now = [nothing, nothing]
    at = 0
    for low, side, piece in starts:
        if low > at:
            yield at, low, now[0], now[1]
            at = low
        now[side] = piece
    if at < end:
        yield at, end, now[0], now[1]


def _low(start: tuple[int, int, Piece]) -> int:
    return start[0]


def doing(states: States, side: int, piece: Piece) -> tuple[object, ...]:
    """Return what becomes of destinations, whichever route wins them, in a form that can be compared."""
    way = _way(piece)
    return way.kind, frozenset(way.hops), way.discards, states.doubt_words(side, way.doubts)


def _way(piece: Piece) -> Way:
    """Return what a table does with a piece."""
    entry = piece.entry
    if entry is None:
        spans = tuple(route.route.span for route in piece.stranded)
        return Way("stranded" if piece.stranded else "none", spans=spans, doubts=piece.doubts)
    hops: tuple[tuple[str, Address | None], ...] = tuple((hop.interface, hop.next_hop) for hop in entry.hops)
    if entry.source == "local":
        return Way("own", prefix=entry.prefix, spans=entry.spans, doubts=piece.doubts)
    kind = "connected" if entry.source == "connected" else "next-hop" if hops else "discard"
    return Way(kind, hops, entry.discard and bool(hops), entry.prefix, entry.spans, piece.doubts)


def route_changes(pair: Pair, version: IPVersion) -> Iterator[RouteChange]:
    """Yield the destinations that each table of a device sends another way, those that fare alike together."""
    networks = pair.states.networks
    before, after = (
        tables_of(network, device, version)
        for network, device in zip(networks, (pair.before, pair.after), strict=True)
    )  # fmt: skip
    for vrf in sorted(before.keys() | after.keys(), key=lambda name: name or ""):
        changed: dict[tuple[object, ...], tuple[list[tuple[int, int]], Way, Way]] = {}
        for low, high, old, new in common_runs(before.get(vrf), after.get(vrf), version):
            if old is new:
                continue
            done = doing(pair.states, 0, old), doing(pair.states, 1, new)
            if done[0] == done[1]:
                continue
            ways = _way(old), _way(new)
            key = (*done, ways[0].prefix, ways[1].prefix)
            changed.setdefault(key, ([], *ways))[0].append((low, high))
        for spans, *found in changed.values():
            yield RouteChange(pair.name, vrf, version, prefixes_of(spans, version), found[0], found[1])


def prefixes_of(spans: list[tuple[int, int]], version: IPVersion) -> tuple[Prefix, ...]:
    """Return the fewest prefixes that hold exactly the addresses of some runs."""
    joined: list[tuple[int, int]] = []
    for low, high in sorted(spans):
        if joined and joined[-1][1] >= low:
            joined[-1] = (joined[-1][0], max(high, joined[-1][1]))
        else:
            joined.append((low, high))
    return tuple(
        prefix
        for low, high in joined
        for prefix in Prefix.covering_range(Address(version, low), Address(version, high - 1))
    )
