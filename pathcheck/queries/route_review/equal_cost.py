"""PC208: several ways for one prefix that look as if they were not meant to share its packets."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from pathcheck.dataplane.fib import FibEntry, ResolvedHop
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.network.neighbours import Onward
from pathcheck.network.reachability import Network
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.route_review.reviewed_table import ReviewedTable, signature
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding

__all__ = ["accidental_equal_cost"]

_MOST_DEVICES = 32
_LOST = -1


def accidental_equal_cost(table: ReviewedTable) -> Iterator[Finding]:
    """Yield prefixes with several static routes of the same distance that nothing shows to be meant.

    Notes
    -----
    They count as meant if none of them discards and one of these holds: the
    prefix is the default route; another prefix of the table has the same set of ways;
    each way passes the same number of the fleet's devices up to the destination. What is
    left is most often a floating route that has lost its distance.
    """
    entries = [entry for entry in table.entries.values() if entry.source == "static"]
    shared = Counter(signature(entry) for entry in entries)
    for entry in entries:
        ways = len(entry.hops) + entry.discard
        if ways < 2 or len(entry.spans) < 2 or entry.doubts:
            continue
        lines = [span for span in entry.spans if span in table.by_line]
        if not entry.discard:
            if entry.prefix.length == 0 or shared[signature(entry)] > 1:
                continue
            lengths = [_length(table, hop, entry.prefix) for hop in entry.hops]
            # Where packets are lost on one of the ways, that is what is wrong, and it is told elsewhere.
            if _LOST in lengths or (None not in lengths and len(set(lengths)) == 1):
                continue
        what = "one of them discards, so a part of the packets is lost" if entry.discard else _ways(table, entry)
        yield finding(
            "PC208",
            f"{len(lines)} routes for {entry.prefix} have distance {entry.distance}, so packets are shared among them: "
            f"{what}",
            span=lines[-1],
            device=table.device.name,
            because=tuple(lines[:-1]),
            help="give a route that is meant as a backup a higher distance; leave them if sharing is meant",
        )


def _ways(table: ReviewedTable, entry: FibEntry) -> str:
    """The ways in words, with the number of devices on each where it is known."""
    found = []
    for hop in entry.hops:
        length = _length(table, hop, entry.prefix)
        devices = "" if length in (None, _LOST) else f" ({length} more device{'' if length == 1 else 's'} on the way)"
        found.append(
            f"`{hop.next_hop}` by `{hop.interface}`{devices}" if hop.next_hop else f"`{hop.interface}`{devices}"
        )
    return ", ".join(found)


def _length(table: ReviewedTable, hop: ResolvedHop, prefix: Prefix) -> int | None:
    """Return how many devices packets pass at least behind this one before they arrive.

    None where they leave the fleet, `_LOST` where they end in it.
    """
    network = table.network
    target = _probe(network, prefix)
    known = True
    here: set[tuple[str, str | None]] = set()
    ways = [(LinkEnd(table.device.name, hop.interface), hop)]
    seen: set[tuple[str, str | None]] = set()
    for count in range(_MOST_DEVICES):
        onwards = [_onward(network, out, way, target) for out, way in ways]
        known = known and not any(onward.outside or onward.unknown for onward in onwards)
        here = {
            (neighbour.end.device, _vrf(network, neighbour.end))
            for onward in onwards
            for neighbour in onward.neighbours
        } - seen
        seen |= here
        ways = []
        for device, vrf in sorted(here, key=str):
            piece = network.fib(device, vrf, table.version).piece(target)
            entry = piece.entry
            if piece.doubts:
                known = False
            elif entry is not None:
                # Where the block ends is as far as packets to it get, whether the address tried is in use or not.
                if entry.source in ("local", "connected") or (entry.discard and not entry.hops):
                    return count + 1
                ways += [(LinkEnd(device, way.interface), way) for way in entry.hops]
        if not ways:
            break
    return _LOST if known else None


def _onward(network: Network, out: LinkEnd, hop: ResolvedHop, target: Address) -> Onward:
    """Return who takes what leaves by a hop."""
    if hop.next_hop is not None:
        return network.neighbours.owning(out, hop.next_hop)
    return network.neighbours.behind(out, target.version)


def _vrf(network: Network, end: LinkEnd) -> str | None:
    return network.topology.device(end.device).interfaces[end.interface].vrf


def _probe(network: Network, prefix: Prefix) -> Address:
    """Return an address of a prefix to try: one of the fleet where there is one."""
    owned = network.topology.owned_within(prefix)
    return owned[0].address.address if owned else prefix.first
