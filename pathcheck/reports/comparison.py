"""What two lists decide differently: as text, openings first, and as the JSON document."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.change_rows import ChangeRows
from pathcheck.reports.diagnostic import quote_line
from pathcheck.reports.json_report import region_words
from pathcheck.reports.region_words import packet_words
from pathcheck.reports.terminal import Paint
from pathcheck.results.comparison import ComparedList, ListComparison, ListDifference
from pathcheck.results.fleet_comparison import FleetComparison
from pathcheck.results.path import Doubt, LineUse
from pathcheck.results.verdict import Verdict

__all__ = [
    "ASKED",
    "comparison_document",
    "difference_words",
    "doubt_text",
    "doubt_words",
    "list_words",
    "render_comparison",
]

SHOWN = 8
"""Pairs of deciding lines of each kind that the text shows."""
ASKED = 100
"""Regions of each kind that the text is made of, at most."""
_ROWS = 5
_NAMELESS = ChangeRows(FleetComparison("", ""))
"""Two lists have no places that could name their addresses."""


def render_comparison(comparisons: Sequence[ListComparison], paint: Paint) -> str:
    """Return comparisons of two lists, one for each IP version, as text."""
    out: list[str] = []
    for one in comparisons:
        out += [_headline(one, paint), f"  {_name(one.before)}  ->  {_name(one.after)}"]
        out += _kind(one.opened, "opened", Verdict.PERMITTED, paint, one.cut)
        out += _kind(one.closed, "closed", Verdict.DENIED, paint, one.cut)
        out += _kind(one.uncertain, "uncertain", Verdict.UNCERTAIN, paint, one.cut)
        if one.doubts:
            out += ["", "  lines that may match or not stand in both lists and are taken to match the same packets:"]
            out += [f"    {doubt_text(doubt)}" for doubt in one.doubts[:SHOWN]]
        out += [f"  assumed: {item.key} = {item.value} ({item.about})" for item in one.readings]
        out.append("")
    return "\n".join([*out, CAUTION])


def comparison_document(comparisons: Sequence[ListComparison]) -> dict[str, Any]:
    """Return the document `pathcheck/compare/1` of two lists.

    Beside what the schema always has, each region names the lines that decide its sample in both lists
    (`before`, `after`), and what is uncertain stands under `uncertain` with its `doubts`.
    """
    document: dict[str, Any] = {"schema": "pathcheck/compare/1"}
    for kind in ("opened", "closed", "uncertain"):
        document[kind] = [difference_words(item) for one in comparisons for item in getattr(one, kind)]
    document["acls"] = [
        {
            "device": one.after.device,
            "acl": one.after.acl,
            "family": one.after.family,
            "before": list_words(one.before),
            "after": list_words(one.after),
            "opened": [difference_words(item) for item in one.opened],
            "closed": [difference_words(item) for item in one.closed],
            "uncertain": [difference_words(item) for item in one.uncertain],
            "shared_doubts": [doubt_words(doubt) for doubt in one.doubts],
        }
        for one in comparisons
    ]
    document["routes"] = []
    readings = dict.fromkeys(item for one in comparisons for item in one.readings)
    if readings:
        document["assumed"] = [{"key": item.key, "value": item.value, "about": item.about} for item in readings]
    document["caution"] = CAUTION
    return document


def _headline(one: ListComparison, paint: Paint) -> str:
    """What came of it, in one line."""
    family = "" if one.before.family == "ipv4" else " (IPv6)"
    if one.is_equal:
        return f"{paint('EQUAL', Verdict.PERMITTED)}{family}  the two lists decide each packet alike"
    kinds = ((one.opened, "opened"), (one.closed, "closed"), (one.uncertain, "uncertain"))
    said = " and ".join(f"something is {word}" for items, word in kinds if items)
    certain = one.opened or one.closed
    word = paint("DIFFERENT", Verdict.DENIED) if certain else paint("UNCERTAIN", Verdict.UNCERTAIN)
    return f"{word}{family}  {said}"


def _kind(items: tuple[ListDifference, ...], word: str, what: Verdict, paint: Paint, cut: bool) -> list[str]:
    """The regions of one kind, those that the same lines decide together."""
    groups: dict[tuple[LineUse, LineUse, tuple[Doubt, ...]], list[ListDifference]] = {}
    for item in items:
        groups.setdefault((item.before, item.after, item.doubts), []).append(item)
    out: list[str] = []
    for (before, after, doubts), members in list(groups.items())[:SHOWN]:
        out.append("")
        rows = _NAMELESS.rows([item.region for item in members])
        out += [f"  {paint(word, what)} {row}" for row in rows[:_ROWS]]
        if len(rows) > _ROWS:
            more = len(rows) - _ROWS
            out.append(f"  and {more} more row{'' if more == 1 else 's'} that the same lines decide; --json shows all")
        if members[0].region.sample is not None:
            out.append(f"    for example {packet_words(members[0].region.sample)}")
        out += _decided("before", before) + _decided("after", after)
        out += [f"    uncertain: {doubt_text(doubt)}" for doubt in doubts]
    if len(groups) > SHOWN or (cut and len(items) >= ASKED):
        out += ["", f"  and more is {word}; --json shows all"]
    return out


def _decided(when: str, use: LineUse) -> list[str]:
    """The line that decides in one of the lists, quoted."""
    if use.span is None:
        return [f"    {when}: {use.text} of {use.acl}"]
    return [
        f"    {when}: {use.action} by {use.acl}, {use.span.file}:{use.span.line}",
        quote_line(use.span, indent="      "),
    ]


def _name(one: ComparedList) -> str:
    """A list with its place."""
    return f"{one.acl} of {one.device}" + (f" in {one.place}" if one.place else "")


def list_words(one: ComparedList) -> dict[str, Any]:
    """A list with its place, as a document."""
    return {"device": one.device, "acl": one.acl, "file": one.place or None, "lines": one.lines}


def difference_words(item: ListDifference) -> dict[str, Any]:
    """One region with the lines that decide its sample."""
    document = {**region_words(item.region), "before": _use(item.before), "after": _use(item.after)}
    if item.doubts:
        document["doubts"] = [doubt_words(doubt) for doubt in item.doubts]
    return document


def _use(use: LineUse) -> dict[str, Any]:
    """A deciding line; the implicit end has no file and no line."""
    return {
        "acl": use.acl,
        "file": use.span.file if use.span else None,
        "line": use.span.line if use.span else None,
        "text": use.text,
        "action": use.action,
    }


def doubt_text(doubt: Doubt) -> str:
    """A doubt with its line."""
    return doubt.why + (f", {doubt.span.file}:{doubt.span.line}: {doubt.span.words}" if doubt.span else "")


def doubt_words(doubt: Doubt) -> dict[str, Any]:
    """A doubt as a document."""
    span = doubt.span
    return {
        "why": doubt.why,
        "file": span.file if span else None,
        "line": span.line if span else None,
        "text": span.words if span else None,
    }
