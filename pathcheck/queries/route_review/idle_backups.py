"""PC207: floating routes that can never take over from the route that they back up."""

from __future__ import annotations

from collections.abc import Iterator

from pathcheck.dataplane.fib import FibEntry, StandbyRoute
from pathcheck.model.static_route import StaticRoute
from pathcheck.queries.route_review.reviewed_table import ReviewedTable
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding

__all__ = ["idle_backups"]


def idle_backups(table: ReviewedTable) -> Iterator[Finding]:
    """Yield each waiting route that is in the table only while the one before it is, too.

    Notes
    -----
    A static route leaves the table when the last interface that its next hop is
    reached by goes down. A backup that needs one of the same interfaces is gone by then, whatever
    its next hop. A route that follows the state of an object, or that something not modelled can take out, is
    left alone.
    """
    for route, standby in table.standby:
        entry = table.entries[route.prefix]
        lines = [table.by_line[span] for span in entry.spans if span in table.by_line]
        if entry.doubts or any(line.permanent or line.tracked is not None for line in lines):
            continue
        why = _why_never(entry, route, standby)
        if why:
            yield finding(
                "PC207",
                f"this backup can never take over: {why}",
                span=route.span,
                device=table.device.name,
                because=entry.spans,
                help="send the backup by another interface, or let the first route follow the state of its next hop",
            )


def _why_never(entry: FibEntry, route: StaticRoute, standby: StandbyRoute) -> str:
    """Say why, empty where it can take over."""
    first = f"{entry.source} route"
    if entry.discard:
        return f"the {first} before it is a discard route, which is never out of the table"
    if standby.discard or not standby.hops or not entry.hops:
        return ""
    mine = {hop.interface for hop in standby.hops}
    if not mine <= {hop.interface for hop in entry.hops}:
        return ""
    named = ", ".join(f"`{name}`" for name in sorted(mine))
    if {hop.next_hop for hop in standby.hops} <= {hop.next_hop for hop in entry.hops}:
        hop = f" `{route.next_hop}`" if route.next_hop is not None else ""
        return f"it has the same next hop{hop} as the {first} before it, so both are in the table or both are out"
    return f"it leaves by {named} as the {first} before it does, so it is out of the table whenever that is"
