"""Routes as text for a terminal: one lookup with its rivals, and where packets of a fleet are lost."""

from __future__ import annotations

from collections.abc import Iterable

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.diagnostic import quote_line
from pathcheck.reports.terminal import Paint
from pathcheck.results.black_hole import BlackHole, OneWay, RoutingReport
from pathcheck.results.prefix_words import prefix_words
from pathcheck.results.route_lookup import RouteLookup, RouteRow
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["render_lookup", "render_routing"]

_MOST_ROWS = 12
_MOST_ENTRIES = 4
_WORDS = {
    None: "a route carries it",
    Reason.UNROUTED: "no route matches",
    Reason.STRANDED: "no route that matches has a next hop that can be reached",
    Reason.DISCARDED: "a discard route matches",
    Reason.UNMODELLED: "configuration that is not modelled could change the answer",
}


def render_lookup(lookup: RouteLookup, paint: Paint) -> str:
    """Return the winner, each rival and why it lost, and what the answer rests on."""
    verdict = Verdict.PERMITTED if lookup.reason is None else lookup.reason.verdict
    word = "ROUTED" if lookup.reason is None else lookup.reason.value.upper()
    table = "" if lookup.vrf is None else f", VRF {lookup.vrf}"
    out = [f"{paint(word, verdict)}  {_WORDS[lookup.reason]}", f"  {lookup.address} on {lookup.device}{table}", ""]
    if lookup.winner is not None:
        out.append(f"  wins  {_row_words(lookup.winner)}")
        if lookup.winner.span is not None:
            out.append(quote_line(lookup.winner.span, indent="    "))
    else:
        out.append("  no route of the table matches")
    for row in lookup.rivals:
        verb = "shares" if row.lost == "equal-cost" else "loses"
        out += ["", f"  {verb}  {_row_words(row)}", f"    {row.why}"]
        if row.span is not None:
            out.append(quote_line(row.span, indent="    "))
    for doubt in lookup.doubts:
        out += ["", f"  uncertain: {doubt.why}" + (f", {doubt.span}" if doubt.span else "")]
        if doubt.span is not None:
            out.append(quote_line(doubt.span, indent="    "))
    out += [f"  assumed: {item.key} = {item.value} ({item.about})" for item in lookup.readings]
    out += [f"  note: {note}" for note in lookup.notes]
    return "\n".join([*out, "", CAUTION])


def render_routing(report: RoutingReport) -> str:
    """Return where packets are lost by routing alone, a row for each place; empty text where nothing is."""
    certain = [hole for hole in report.black_holes if hole.reason is not Reason.UNMODELLED]
    uncertain = [hole for hole in report.black_holes if hole.reason is Reason.UNMODELLED]
    out: list[str] = []
    if certain:
        out += ["destinations that do not arrive, by routing alone (lists are not asked)", ""]
        out += _short(map(_hole_words, certain), "rows")
    if report.one_way:
        out += ["", "subnets whose packets arrive while replies to them do not", ""]
        out += _short(map(_one_way_words, report.one_way), "rows")
    if uncertain:
        out += ["", "destinations of which nobody can say", ""]
        out += _short(map(_hole_words, uncertain), "rows")
    return "\n".join(out)


def _row_words(row: RouteRow) -> str:
    """A route in one line."""
    to = "discard" if row.discard else ", ".join(f"{hop or 'directly'} by {name}" for name, hop in row.ways)
    if not to:
        to = " ".join(filter(None, [row.interface, str(row.next_hop or "")]))
    place = f"  ({row.span})" if row.span else ""
    return f"{row.prefix} {row.source}, distance {row.distance}: {to}{place}"


def _hole_words(hole: BlackHole) -> str:
    """One place in one line."""
    where = " > ".join((*hole.cycle, hole.cycle[0])) if hole.cycle else f"on {hole.device}"
    if hole.vrf is not None and not hole.cycle:
        where += f" (VRF {hole.vrf})"
    part = " (one of several equal ways)" if hole.partly else ""
    why = f": {hole.why}" if hole.why else ""
    lost = prefix_words(hole.destinations)
    return f"  {hole.reason.value} {where}{part}, from {_names(hole.entries)}{why}\n      {lost}"


def _one_way_words(row: OneWay) -> str:
    return (
        f"  {prefix_words(row.sources)} to {prefix_words(row.destinations)}\n"
        f"      replies are {row.reason.value} on {row.device}"
    )


def _names(names: tuple[str, ...]) -> str:
    if len(names) > _MOST_ENTRIES:
        return f"{', '.join(names[:_MOST_ENTRIES])} and {len(names) - _MOST_ENTRIES} more"
    return ", ".join(names)


def _short(rows: Iterable[str], what: str) -> list[str]:
    """Not more rows than a reader wants to see."""
    shown = list(rows)
    rest = len(shown) - _MOST_ROWS
    return shown if rest <= 0 else [*shown[:_MOST_ROWS], f"  and {rest} more {what}; --json shows all"]
