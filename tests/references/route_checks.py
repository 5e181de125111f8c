"""Tables of routes as configurations of one device, read by the parser and asked by longest match."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any

from references.list_checks import device_of

from pathcheck.dataplane.fib import Fib, FibEntry, build_fib
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix

LINKS = "203.0.113.0/24"
"""Where the links to neighbours that a source only names get their addresses from."""


def table_text(routes: Iterable[Mapping[str, Any]]) -> tuple[str, dict[str, str]]:
    """Write a table as static routes; return the text and the name of each neighbour by its address.

    A next hop that is an address is reached over one wide link, one that is a
    name over a link of its own; `rank` 1 is a floating route.
    """
    routes = list(routes)
    text = ["hostname quay-a", "ip routing"]
    if any(route["next_hop"].startswith("192.0.2.") for route in routes):
        text += ["interface Ethernet1", " ip address 192.0.2.254 255.255.255.0"]
    names: dict[str, str] = {}
    lines = []
    for route in routes:
        hop = route["next_hop"]
        prefix = Prefix.parse(route["prefix"])
        words = f"ip route {prefix.first} {Address(4, prefix.netmask)}"
        distance = route.get("preference", route.get("metric", 200 if route.get("rank") else 1))
        if hop in ("discard", "Null0"):
            lines.append(f"{words} Null0 {distance}")
            continue
        if hop not in names.values():
            address = hop if hop[0].isdigit() else str(Address(4, Prefix.parse(LINKS).value + 4 * len(names) + 2))
            names[address] = hop
            if address != hop:
                own = Address(4, Address.parse(address).value - 1)
                text += [f"interface Ethernet{len(names) + 1}", f" ip address {own} 255.255.255.252"]
        neighbour = next(address for address, name in names.items() if name == hop)
        lines.append(f"{words} {neighbour} {distance}")
    return "\n".join([*text, "!", *lines, ""]), names


@cache
def fib_of(text: str, version: int = 4) -> Fib:
    """Read a device and build its table."""
    return build_fib(device_of(text), None, 4 if version == 4 else 6)


def lookup(text: str, destination: str) -> FibEntry | None:
    """Ask a table for one address; the answer has to be a certain one."""
    address = Address.parse(destination)
    entry = fib_of(text, address.version).lookup(address)
    assert entry is None or not entry.doubts
    return entry


def next_hops(entry: FibEntry, names: Mapping[str, str]) -> set[str]:
    """Return the neighbours that an entry sends to, or `discard`."""
    if entry.discard:
        return {"discard"}
    return {names.get(str(hop.next_hop), str(hop.next_hop)) for hop in entry.hops}


def check_longest_match(routes: Iterable[Mapping[str, Any]], destination: str, expected: Mapping[str, Any]) -> None:
    """One lookup against the expected prefix and next hop."""
    text, names = table_text(routes)
    entry = lookup(text, destination)
    if expected["matched_prefix"] is None:
        assert entry is None
        return
    assert entry is not None
    assert str(entry.prefix) == expected["matched_prefix"]
    assert next_hops(entry, names) == {expected["next_hop"]}
