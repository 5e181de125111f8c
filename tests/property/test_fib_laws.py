"""The forwarding table against a second resolver that knows nothing but rounds, and against itself."""

from __future__ import annotations

import itertools

from hypothesis import given, settings
from hypothesis import strategies as st
from model_builders import device, interface, route

from pathcheck.dataplane.fib import Fib, build_fib
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.model.static_route import StaticRoute
from pathcheck.model.unmodelled import RouteScope, Unmodelled
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix

HOPS = ["10.1.0.2", "10.1.0.1", "10.2.0.2", "10.3.0.1", "10.3.1.1", "10.4.0.1", "10.5.0.1", "192.0.2.1"]
PREFIXES = [
    "0.0.0.0/0",
    "10.0.0.0/8",
    "10.3.0.0/16",
    "10.3.1.0/24",
    "10.3.1.1/32",
    "10.4.0.0/16",
    "10.4.0.0/24",
    "10.5.0.0/16",
    "10.1.0.2/32",
    "192.0.2.0/24",
]


@st.composite
def static_routes(draw: st.DrawFn) -> StaticRoute:
    prefix = draw(st.sampled_from(PREFIXES))
    distance = draw(st.sampled_from([1, 1, 1, 5, 255]))
    kind = draw(st.integers(0, 9))
    if kind == 0:
        return route(prefix, discard=True, distance=distance)
    if kind == 1:
        return route(prefix, interface=draw(st.sampled_from(["Ethernet1", "Ethernet2"])), distance=distance)
    return route(prefix, draw(st.sampled_from(HOPS)), distance=distance)


@st.composite
def devices(draw: st.DrawFn) -> Device:
    return device(
        "core-1",
        interface("Ethernet1", "10.1.0.1/24"),
        interface("Ethernet2", "10.2.0.1/24", shutdown=draw(st.booleans())),
        *draw(st.lists(static_routes(), max_size=8)),
        routing=True,
        assume=Assumptions(recursion=draw(st.sampled_from(["any-but-default", "any", "connected"]))),
    )


def naive_table(one: Device) -> tuple[dict[Prefix, frozenset[tuple[str, str]]], bool]:
    """Where each prefix leads, and whether the rounds came to rest; ways are interface and neighbour.

    Each round starts from all candidates and keeps those whose next hop the
    last round's table resolves, until two rounds are alike.
    """
    ports = [port for port in one.interfaces.values() if not port.shutdown]
    own = {item.address for port in ports for item in port.addresses}
    connected = {item.prefix: port.name for port in ports for item in port.addresses}

    def longest(table: dict[Prefix, object], hop: Address, skip: Prefix) -> Prefix | None:
        mode = one.assume.recursion
        found = [prefix for prefix in table if hop in prefix and prefix != skip]
        if mode == "connected":
            found = [prefix for prefix in found if prefix in connected]
        if mode == "any-but-default":
            found = [prefix for prefix in found if prefix.length]
        return max(found, key=lambda prefix: prefix.length, default=None)

    table: dict[Prefix, frozenset[tuple[str, str]]] = {}
    for _ in range(40):
        ways: dict[Prefix, dict[int, set[tuple[str, str]]]] = {}
        for prefix, name in connected.items():
            ways.setdefault(prefix, {}).setdefault(0, set()).add((name, ""))
        for address in own:
            name = next(port.name for port in ports if any(item.address == address for item in port.addresses))
            ways.setdefault(Prefix(4, address.value, 32), {}).setdefault(0, set()).add((name, ""))
        for item in one.static_routes:
            mine: set[tuple[str, str]] = set()
            if item.distance == 255:
                continue
            if item.discard:
                mine = {("discard", "")}
            elif item.interface is not None:
                mine = {(item.interface, "")} if item.interface in {port.name for port in ports} else set()
            elif item.next_hop not in own:
                through = longest(table, item.next_hop, item.prefix)
                hops = table[through] if through is not None else frozenset()
                mine = {(name, hop or ("" if name == "discard" else str(item.next_hop))) for name, hop in hops}
            if mine:
                ways.setdefault(item.prefix, {}).setdefault(item.distance, set()).update(mine)
        following = {prefix: frozenset(found[min(found)]) for prefix, found in ways.items()}
        if following == table:
            return table, True
        table = following
    return table, False


def as_naive(fib: Fib) -> dict[Prefix, frozenset[tuple[str, str]]]:
    return {
        entry.prefix: frozenset(
            {(hop.interface, str(hop.next_hop or "")) for hop in entry.hops}
            | ({("discard", "")} if entry.discard else set())
        )
        for entry in fib.entries
    }


@given(devices())
@settings(max_examples=400, deadline=None)
def test_a_naive_resolver_finds_the_same_table(one: Device) -> None:
    fib = build_fib(one, None, 4)
    naive, rests = naive_table(one)
    circular = [
        entry for entry in fib.entries if any("through the route itself" in doubt.why for doubt in entry.doubts)
    ]
    if not rests:
        assert circular, "the naive rounds never end, and the table has no doubt"
        return
    if circular:
        return
    assert as_naive(fib) == naive


@given(devices(), st.sampled_from(PREFIXES), st.lists(st.sampled_from([None, *PREFIXES]), max_size=3))
@settings(max_examples=200, deadline=None)
def test_pieces_are_exact(one: Device, text: str, scopes: list[str | None]) -> None:
    unmodelled = tuple(
        Unmodelled(
            "a routing protocol",
            RouteScope(None, None, Prefix.parse(within) if within else None, 20),
            span=one.interfaces["Ethernet1"].span,
        )
        for within in scopes
    )
    one = device(
        "core-1", *one.interfaces.values(), *one.static_routes, routing=True, assume=one.assume, unmodelled=unmodelled
    )
    fib = build_fib(one, None, 4)
    whole = Prefix.parse(text)
    pieces = fib.pieces(whole)
    ordered = sorted(prefix for piece in pieces for prefix in piece.prefixes)
    assert sum(prefix.size for prefix in ordered) == whole.size
    assert all(not a.overlaps(b) for a, b in itertools.pairwise(ordered))
    assert all(whole.covers(prefix) for prefix in ordered)
    for piece in pieces:
        for prefix in piece.prefixes:
            for address in (prefix.first, prefix.last):
                alone = fib.piece(address)
                assert (alone.entry, alone.doubts, alone.readings) == (piece.entry, piece.doubts, piece.readings)
                assert fib.lookup(address) == piece.entry
    assert [(piece.entry, list(piece.prefixes)) for piece in pieces] == fib.split(whole)
