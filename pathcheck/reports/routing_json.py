"""Routes as JSON documents; their shapes are part of the contract."""

from __future__ import annotations

from typing import Any

from pathcheck.reports.caution import CAUTION
from pathcheck.results.black_hole import BlackHole, OneWay, RoutingReport
from pathcheck.results.path import Doubt, Reading
from pathcheck.results.route_lookup import RouteLookup, RouteRow
from pathcheck.source import Span

__all__ = ["lookup_document", "routing_parts"]

Document = dict[str, Any]


def lookup_document(lookup: RouteLookup) -> Document:
    """Return one lookup (schema `pathcheck/lookup/1`)."""
    return {
        "schema": "pathcheck/lookup/1",
        "device": lookup.device,
        "vrf": lookup.vrf,
        "address": str(lookup.address),
        "verdict": "routed" if lookup.reason is None else lookup.reason.verdict.value,
        "reason": None if lookup.reason is None else lookup.reason.value,
        "winner": None if lookup.winner is None else _row(lookup.winner),
        "rivals": [_row(row) | {"lost": row.lost.value if row.lost else None, "why": row.why} for row in lookup.rivals],
        "doubts": [_doubt(doubt) for doubt in lookup.doubts],
        "assumed": [_reading(reading) for reading in lookup.readings],
        "notes": list(lookup.notes),
        "caution": CAUTION,
    }


def routing_parts(report: RoutingReport) -> Document:
    """Return what a document of findings on routes has beside the findings: the exact destinations that are lost."""
    return {
        "black_holes": [_hole(hole) for hole in report.black_holes],
        "one_way": [_one_way(row) for row in report.one_way],
    }


def _row(row: RouteRow) -> Document:
    return {
        "prefix": str(row.prefix),
        "source": row.source,
        "distance": row.distance,
        "next_hop": None if row.next_hop is None else str(row.next_hop),
        "interface": row.interface,
        "discard": row.discard,
        "ways": [{"interface": name, "next_hop": None if hop is None else str(hop)} for name, hop in row.ways],
    } | _place(row.span)


def _hole(hole: BlackHole) -> Document:
    return {
        "reason": hole.reason.value,
        "device": hole.device,
        "vrf": hole.vrf,
        "from": list(hole.entries),
        "destinations": [str(prefix) for prefix in hole.destinations],
        "share": "equal-cost" if hole.partly else "all",
        "cycle": list(hole.cycle),
        "why": hole.why,
        "because": [_place(span) for span in hole.because],
    }


def _one_way(row: OneWay) -> Document:
    return {
        "source": [str(prefix) for prefix in row.sources],
        "destination": [str(prefix) for prefix in row.destinations],
        "reply": {"reason": row.reason.value, "device": row.device, "vrf": row.vrf},
    }


def _place(span: Span | None) -> Document:
    if span is None:
        return {"file": None, "line": None, "text": None}
    return {"file": span.file, "line": span.line, "text": span.words}


def _doubt(doubt: Doubt) -> Document:
    return {"why": doubt.why} | _place(doubt.span)


def _reading(reading: Reading) -> Document:
    return {"key": reading.key, "value": reading.value, "about": reading.about}
