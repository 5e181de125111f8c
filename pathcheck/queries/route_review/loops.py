"""PC211, PC212: destinations that go round among devices, and the discard route that is missing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from pathcheck.network.forwarding_graph import Loop, TablePlace
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.black_holes import Failure, FleetForwarding, joined
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.results.prefix_words import prefix_words
from pathcheck.results.verdict import Reason
from pathcheck.source import Span

__all__ = ["loops"]

_MOST_ENTRIES = 4


def loops(forwarding: FleetForwarding, device: str | None = None) -> Iterator[Finding]:
    """Yield each loop of a fleet that no route which is out of its table explains.

    References
    ----------
    RFC 4632 section 5.1 rule 2: a router that has a block must discard what it
    promises and no one has, and not follow a less specific route for it.
    """
    missing: dict[tuple[TablePlace, Span, Prefix], list[Failure]] = defaultdict(list)
    others: dict[tuple[TablePlace, ...], list[Failure]] = defaultdict(list)
    for failure in forwarding.failures:
        loop = failure.fate.loop
        if failure.fate.reason is not Reason.LOOPING or failure.causes or loop is None:
            continue
        if device is not None and device not in {place.device for place, _ in loop.members}:
            continue
        block = _block(forwarding, loop)
        if block is not None:
            home, span, prefix = block
            missing[home, span, prefix].append(failure)
        else:
            others[tuple(place.whole for place, _ in loop.members)].append(failure)
    for (home, span, prefix), failures in missing.items():
        yield _missing_discard(forwarding, home, span, prefix, failures)
    for failures in others.values():
        yield _loop(forwarding, failures)


def _block(forwarding: FleetForwarding, loop: Loop) -> tuple[TablePlace, Span, Prefix] | None:
    """Return the table that sends a block back which it has a part of, the line by which it does, and the block."""
    home, entry = min(loop.members, key=lambda member: member[1].prefix.length)
    rest = [other for place, other in loop.members if place.whole != home.whole]
    if not rest or not entry.spans or any(other.prefix.length <= entry.prefix.length for other in rest):
        return None
    block = min((other.prefix for other in rest), key=lambda prefix: prefix.length)
    device = forwarding.network.topology.device(home.device)
    # What is down counts too: the part that has failed is what the discard route is for (RFC 4632 section 5.2).
    parts = [item.prefix for one in device.interfaces.values() if one.vrf == home.table for item in one.addresses]
    parts += [route.prefix for route in device.static_routes if route.vrf == home.table and not route.discard]
    has_part = any(block.covers(part) and part != block for part in parts)
    return (home.whole, entry.spans[0], block) if has_part else None


def _missing_discard(
    forwarding: FleetForwarding, home: TablePlace, span: Span, block: Prefix, failures: list[Failure]
) -> Finding:
    """Return that a block is sent back where it came from."""
    lines: dict[Span, None] = {}
    for failure in failures:
        assert failure.fate.loop is not None
        for place, entry in failure.fate.loop.members:
            if place.whole == home and entry.spans[0] == span:
                lines.update(dict.fromkeys(entry.spans[1:]))
        for place, entry in failure.fate.loop.members:
            if place.whole != home:
                lines.update(dict.fromkeys(entry.spans))
    table = "" if home.table is None else f" of VRF {home.table}"
    return finding(
        "PC212",
        f"{_destinations(forwarding, failures)} loops: {_cycle(failures[0])}; {home.device} is sent {block} and sends "
        f"what it has no more specific route for back by {_kind(forwarding, home, span)}{_from(forwarding, failures)}",
        span=span,
        device=home.device,
        because=tuple(lines),
        help=f"add a discard route (to `Null0`) for {block} to the table{table} on {home.device}; longer ones win",
    )


def _kind(forwarding: FleetForwarding, home: TablePlace, span: Span) -> str:
    """Name the route by which a block goes back."""
    fib = forwarding.network.fib(home.device, home.table, forwarding.version)
    entry = next(entry for entry in fib.entries if span in entry.spans)
    return "its default route" if entry.prefix.length == 0 else f"its route for {entry.prefix}"


def _loop(forwarding: FleetForwarding, failures: list[Failure]) -> Finding:
    """Return that some destinations go round among devices."""
    first = failures[0].fate.loop
    assert first is not None
    lines: dict[Span, None] = {}
    for failure in failures:
        assert failure.fate.loop is not None
        # The devices on the way round that is named first, so that the lines follow it.
        order = {place: number for number, place in enumerate(failure.fate.loop.cycle)}
        for _, entry in sorted(failure.fate.loop.members, key=lambda one: (order.get(one[0], len(order)), one[0])):
            lines.update(dict.fromkeys(entry.spans))
    spans = tuple(lines)
    more = len(first.members) - len(first.cycle)
    among = f", and {more} more table{'' if more == 1 else 's'} of the loop" if more else ""
    return finding(
        "PC211",
        f"{_destinations(forwarding, failures)} loops: {_cycle(failures[0])}{among}{_from(forwarding, failures)}",
        span=spans[0] if spans else None,
        device=first.cycle[0].device,
        because=spans[1:],
        help="send these destinations on at one of the devices to where they are, or discard them there",
    )


def _destinations(forwarding: FleetForwarding, failures: list[Failure]) -> str:
    """The destinations in few words, and whether only one of several ways loops."""
    intervals = joined(interval for failure in failures for interval in failure.intervals())
    part = " on one of several equal ways" if all(failure.partly for failure in failures) else ""
    return prefix_words(forwarding.prefixes(intervals)) + part


def _cycle(failure: Failure) -> str:
    """A way round in words."""
    assert failure.fate.loop is not None
    cycle = failure.fate.loop.cycle
    return " > ".join(str(place.whole) for place in (*cycle, cycle[0]))


def _from(forwarding: FleetForwarding, failures: list[Failure]) -> str:
    """The entry points from which packets get into the loop."""
    mask = 0
    for failure in failures:
        mask |= failure.entries
    labels = forwarding.labels(mask)
    if mask == (1 << forwarding.graph.entry_count) - 1:
        return ", from everywhere in the fleet"
    if len(labels) > _MOST_ENTRIES:
        return f", from {', '.join(labels[:_MOST_ENTRIES])} and {len(labels) - _MOST_ENTRIES} more"
    return f", from {', '.join(labels)}"
