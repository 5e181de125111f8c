"""What a change of a fleet opens and closes, as the JSON document."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.comparison import difference_words, doubt_words, list_words
from pathcheck.reports.json_report import region_words
from pathcheck.results.fleet_comparison import (
    BindingChange,
    Cause,
    EndChange,
    FleetComparison,
    ListChange,
    RequirementChange,
    RouteChange,
    Way,
)
from pathcheck.results.requirement import Requirement
from pathcheck.results.verdict import Verdict
from pathcheck.source import Span

__all__ = ["fleet_comparison_document"]

Document = dict[str, Any]


def fleet_comparison_document(change: FleetComparison) -> Document:
    """Return the document `pathcheck/compare/1` of two states of a fleet.

    Regions of `opened`, `closed` and `uncertain` are those from end to end; a prefix as source stands for the stations
    on it. One with `at` is of packets from outside, which enter there.
    """
    document: Document = {
        "schema": "pathcheck/compare/1",
        "before": change.before,
        "after": change.after,
        "opened": [_end(item) for item in change.opened],
        "closed": [_end(item) for item in change.closed],
        "uncertain": [_end(item) for item in change.uncertain],
        "sizes": {
            "opened": change.opened_size,
            "closed": change.closed_size,
            "uncertain": change.uncertain_size,
        },
        "required_flows": [_requirement(item) for item in change.requirements],
        "acls": [_list(item) for item in change.lists],
        "bindings": [_binding(item) for item in change.bindings],
        "routes": [_route(item) for item in change.routes],
        "devices": {
            "added": list(change.added),
            "removed": list(change.removed),
            "edited": list(change.edited),
        },
        "unread": [
            {"file": one.file, "before": one.before, "after": one.after, "same": one.is_same} for one in change.unread
        ],
        "recabled": change.recabled,
        "left_open": [doubt_words(doubt) for doubt in change.left_open],
    }
    if change.readings:
        document["assumed"] = [{"key": one.key, "value": one.value, "about": one.about} for one in change.readings]
    if change.cut:
        document["cut"] = True
    document["caution"] = CAUTION
    return document


def _end(item: EndChange) -> Document:
    """Packets that fare otherwise from end to end."""
    document: Document = region_words(item.region)
    if item.at is not None:
        document["at"] = item.at
    document["before"] = _cause(item.before, item.before_cause)
    document["after"] = _cause(item.after, item.after_cause)
    if item.doubts:
        document["doubts"] = [doubt_words(doubt) for doubt in item.doubts]
    return document


def _cause(verdict: Verdict, cause: Cause) -> Document:
    """What becomes of the packets on one side, and what decides the sample."""
    return {
        "verdict": verdict,
        "why": cause.why,
        "device": cause.device,
        "acl": cause.line.acl if cause.line else None,
        "action": cause.line.action if cause.line else None,
        **_place(cause.span),
    }


def _place(span: Span | None) -> Document:
    """A line of a file."""
    return {
        "file": span.file if span else None,
        "line": span.line if span else None,
        "text": span.words if span else None,
    }


def _requirement(item: RequirementChange) -> Document:
    """A required flow that stands otherwise."""
    return {"name": item.name, "before": _standing(item.before), "after": _standing(item.after)}


def _standing(item: Requirement | None) -> Document | None:
    """How a required flow stands; None where it is not required."""
    if item is None:
        return None
    part = item.gravest
    why = part.evidence.why if part.evidence is not None else part.fault
    return {
        "expect": item.flow.expect,
        "standing": item.standing,
        "verdict": item.verdict,
        "reason": item.reason,
        "why": why,
        "file": item.flow.span.file if item.flow.span else None,
        "line": item.flow.span.line if item.flow.span else None,
    }


def _list(item: ListChange) -> Document:
    """A list that was edited, added or removed."""
    document: Document = {
        "device": item.device,
        "acl": item.acl,
        "family": item.family,
        "status": item.status,
        "edits": list(item.edits),
        "bound_at": list(item.bound_at),
        "file": item.span.file if item.span else None,
        "line": item.span.line if item.span else None,
    }
    one = item.comparison
    if one is not None:
        document |= {"before": list_words(one.before), "after": list_words(one.after)}
    for kind in ("opened", "closed", "uncertain"):
        document[kind] = [difference_words(each) for each in (getattr(one, kind) if one is not None else ())]
    document["shared_doubts"] = [doubt_words(doubt) for doubt in (one.doubts if one is not None else ())]
    if one is not None and one.cut:
        document["cut"] = True
    return document


def _binding(item: BindingChange) -> Document:
    """Other lists at a place."""
    document: Document = {
        "device": item.device,
        "at": item.place,
        "family": item.family,
        "before": list(item.before),
        "after": list(item.after),
        "file": item.span.file if item.span else None,
        "line": item.span.line if item.span else None,
    }
    for kind in ("opened", "closed", "uncertain"):
        document[kind] = [difference_words(each) for each in getattr(item, kind)]
    if item.cut:
        document["cut"] = True
    return document


def _route(item: RouteChange) -> Document:
    """Destinations that a table sends another way."""
    return {
        "device": item.device,
        "vrf": item.vrf,
        "version": item.version,
        "prefixes": list(map(str, item.prefixes)),
        "before": _way(item.before),
        "after": _way(item.after),
    }


def _way(way: Way) -> Document:
    """What a table does with destinations."""
    return {
        "kind": way.kind,
        "prefix": None if way.prefix is None else str(way.prefix),
        "next_hops": [
            {"interface": interface, "next_hop": None if address is None else str(address)}
            for interface, address in way.hops
        ],
        "discards": way.discards,
        "lines": [_place(span) for span in _once(way.spans)],
        "doubts": [doubt_words(doubt) for doubt in way.doubts],
    }


def _once(spans: Iterable[Span]) -> list[Span]:
    """Lines, each once."""
    return list(dict.fromkeys(spans))
