"""PC205, PC206: routes that a less specific one covers with the same next hops; those that can go, and the trap."""

from __future__ import annotations

from collections.abc import Iterator

from pathcheck.dataplane.fib import FibEntry
from pathcheck.queries.route_review.changed_tables import Change, harmless_changes
from pathcheck.queries.route_review.reviewed_table import ReviewedTable, signature
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["covered_routes"]


def covered_routes(table: ReviewedTable) -> Iterator[Finding]:
    """Yield the routes that could go, all of them together, and those that only look as if they could.

    References
    ----------
    RFC 4632 section 6.2: the longer prefix of one provider keeps another
    provider's route from taking the destinations.
    """
    covers: dict[Span, FibEntry] = {}
    traps: list[tuple[FibEntry, FibEntry, Span | None, str]] = []
    waiting = {route.prefix: route for route, _ in table.standby}
    for entry in table.entries.values():
        if entry.source != "static" or not all(span in table.by_line for span in entry.spans):
            continue
        wider = list(table.covering(entry.prefix))
        cover = next((other for other in wider if signature(other) == signature(entry)), None)
        if cover is None or cover.source not in ("static", "gateway") or not table.is_certain(entry):
            continue
        standby = waiting.get(entry.prefix)
        if standby is not None:
            traps.append((entry, cover, standby.span, f"the waiting route at {standby.span}"))
        elif wider[0] is cover:
            covers.update((span, cover) for span in entry.spans)
        elif not wider[0].discard:
            # A discard route between the two is written for that very purpose, so it is no trap.
            span = wider[0].spans[0] if wider[0].spans else None
            traps.append((entry, cover, span, f"the {wider[0].source} route for {wider[0].prefix}"))
    yield from _can_go(table, covers)
    yield from _copies(table)
    for entry, cover, span, winner in traps:
        yield _trap(table, entry, cover, span, winner)


def _can_go(table: ReviewedTable, covers: dict[Span, FibEntry]) -> Iterator[Finding]:
    """Yield the routes that are not needed, proved by the tables without them."""
    changes: list[Change] = []
    seen: set[FibEntry] = set()
    for span in covers:
        entry = table.best[span]
        if entry not in seen:
            seen.add(entry)
            changes.append((frozenset(entry.spans), ()))
    for lines, _ in harmless_changes(table.device, table.version, changes):
        for span in sorted(lines, key=lambda line: (line.file, line.line)):
            cover = covers[span]
            yield finding(
                "PC205",
                f"not needed: the route for {cover.prefix} sends its packets the same way, "
                "and no other route would win any of them without it",
                span=span,
                device=table.device.name,
                because=cover.spans,
                help="remove it, or leave it as it is: no packet goes another way",
            )


def _copies(table: ReviewedTable) -> Iterator[Finding]:
    """Yield routes that stand in the text twice."""
    first: dict[object, Span] = {}
    for route in table.routes:
        key = (route.prefix, route.next_hop, route.interface, route.discard, route.distance, route.next_hop_vrf,
               route.tracked, route.permanent)  # fmt: skip
        if key in first:
            yield finding(
                "PC205",
                "not needed: the same route stands before it",
                span=route.span,
                device=table.device.name,
                because=(first[key],),
                help="remove it; if another next hop was meant, this is where it is missing",
            )
        else:
            first[key] = route.span


def _trap(table: ReviewedTable, entry: FibEntry, cover: FibEntry, span: Span | None, winner: str) -> Finding:
    """Return that a route must stay although a less specific one has its next hops."""
    lines = cover.spans if span is None else (*cover.spans, span)
    return finding(
        "PC206",
        f"looks covered by the route for {cover.prefix}, which has the same next hops, but must stay: "
        f"without it {winner} would win its packets",
        span=entry.spans[0],
        device=table.device.name,
        because=tuple(dict.fromkeys(lines)),
        help="leave it; a word in its name or in a comment keeps the next reader from removing it",
    )
