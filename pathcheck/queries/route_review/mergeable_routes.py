"""PC210: routes that one route could stand for, without any destination faring otherwise."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace

from pathcheck.dataplane.fib import FibEntry
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.route_review.changed_tables import Change, harmless_changes
from pathcheck.queries.route_review.reviewed_table import ReviewedTable, signature
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["mergeable_routes"]


def mergeable_routes(table: ReviewedTable, covered: frozenset[Span]) -> Iterator[Finding]:
    """Yield sets of routes that together are exactly one prefix and send it the same way.

    Parameters
    ----------
    covered
        Lines of routes that can go altogether; they take no part.

    References
    ----------
    RFC 4632 section 5.1 (aggregation). That no destination changes is proved by
    working the tables out again, so a third route in between, a floating route, and a next hop
    that is looked up through one of them are all seen.
    """
    waiting = {route.prefix for route, _ in table.standby}
    alike: dict[object, list[FibEntry]] = defaultdict(list)
    for entry in table.entries.values():
        lines = [table.by_line[span] for span in entry.spans if span in table.by_line]
        plain = all(line.tracked is None and not line.permanent for line in lines)
        if (
            entry.source == "static"
            and len(lines) == len(entry.spans)
            and plain
            and not entry.doubts
            and entry.prefix not in waiting
            and not covered & set(entry.spans)
        ):
            alike[signature(entry), entry.distance, _named_hops(table, entry)].append(entry)
    changes: dict[Change, tuple[Prefix, list[FibEntry]]] = {}
    for entries in alike.values():
        known = {entry.prefix for entry in entries}
        for merged in Prefix.merged(known) if len(known) > 1 else ():
            members = [entry for entry in entries if merged.covers(entry.prefix) and table.is_certain(entry)]
            if merged in known or merged.length == 0 or merged in table.entries or len(members) < 2:
                continue
            gone = frozenset(span for entry in members for span in entry.spans)
            new = tuple(replace(table.by_line[span], prefix=merged) for span in members[0].spans)
            changes[gone, new] = (merged, members)
    for change in harmless_changes(table.device, table.version, list(changes)):
        merged, members = changes[change]
        first, *others = [span for entry in members for span in entry.spans]
        yield finding(
            "PC210",
            f"{len(members)} prefixes that go the same way are exactly {merged}: one route for it would send every "
            "destination as before",
            span=first,
            device=table.device.name,
            because=tuple(others),
            help=f"write one route for {merged} in their place",
        )


def _named_hops(table: ReviewedTable, entry: FibEntry) -> frozenset[object]:
    """Return the next hops as they are written, so that only routes of one form are merged."""
    routes = [table.by_line[span] for span in entry.spans]
    return frozenset((route.next_hop, route.interface, route.discard, route.next_hop_vrf) for route in routes)
