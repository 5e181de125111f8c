"""Who reaches whom, as JSON documents; their shapes are part of the contract."""

from __future__ import annotations

from collections.abc import Sequence

from pathcheck.packet.prefix import Prefix
from pathcheck.reports.caution import CAUTION
from pathcheck.reports.json_report import Document, region_words
from pathcheck.reports.reach_words import passage, totals
from pathcheck.results.path import Doubt, Reading
from pathcheck.results.reach import EntrySources, ReachAnswer, ReachCell, ReachEnd, SourcesAnswer

__all__ = ["reach_document", "sources_document"]


def reach_document(answer: ReachAnswer) -> Document:
    """Return the matrix, complete: each cell once."""
    return {
        "schema": "pathcheck/reach/1",
        "service": answer.service,
        "reply": answer.with_reply,
        "sources": [_end(end) for end in answer.sources],
        "destinations": [_end(end) for end in answer.destinations],
        "cells": [_cell(cell, answer.with_reply) for cell in answer.cells],
        "counts": totals(answer.cells),
        **_remarks(answer.readings, answer.notes),
        "caution": CAUTION,
    }


def sources_document(answer: SourcesAnswer) -> Document:
    """Return from where a destination is reached: each entry point, closed ones too."""
    return {
        "schema": "pathcheck/reach-sources/1",
        "service": answer.service,
        "destination": answer.destination,
        "prefixes": _prefixes(answer.prefixes),
        "entries": [_entry(entry) for entry in answer.entries],
        **_remarks(answer.readings, answer.notes),
        "caution": CAUTION,
    }


def _end(end: ReachEnd) -> Document:
    document: Document = {"name": end.name, "kind": end.kind, "prefixes": _prefixes(end.prefixes)}
    if end.kind == "subnet":
        document["interfaces"] = list(end.interfaces)
    return document


def _cell(cell: ReachCell, with_reply: bool) -> Document:
    document: Document = {
        "source": cell.source,
        "destination": cell.destination,
        "version": cell.version,
        "passage": passage(cell.verdict),
        "verdict": cell.there,
        "reasons": list(cell.reasons),
    }
    if with_reply:
        document["reply"] = cell.reply
        document["reply_reasons"] = list(cell.reply_reasons)
    if cell.why is not None:
        document["why"] = cell.why
    if cell.part:
        document["part"] = [region_words(region) for region in cell.part]
    if cell.reply_part:
        document["reply_part"] = [region_words(region) for region in cell.reply_part]
    if cell.doubts:
        document["doubts"] = _doubts(cell.doubts)
    return document


def _entry(entry: EntrySources) -> Document:
    document: Document = {
        "entry": entry.entry,
        "version": entry.version,
        "subnets": _prefixes(entry.subnets),
        "stations": {
            "open": _prefixes(entry.open),
            "partly": _prefixes(entry.partly),
            "uncertain": _prefixes(entry.uncertain),
        },
        "others": {
            "open": _prefixes(entry.others_open),
            "partly": _prefixes(entry.others_partly),
            "uncertain": _prefixes(entry.others_uncertain),
        },
    }
    if entry.doubts:
        document["doubts"] = _doubts(entry.doubts)
    return document


def _prefixes(prefixes: Sequence[Prefix]) -> list[str]:
    return [str(prefix) for prefix in prefixes]


def _doubts(doubts: Sequence[Doubt]) -> list[Document]:
    return [
        {
            "why": doubt.why,
            "file": doubt.span.file if doubt.span else None,
            "line": doubt.span.line if doubt.span else None,
            "text": doubt.span.words if doubt.span else None,
        }
        for doubt in doubts
    ]


def _remarks(readings: Sequence[Reading], notes: Sequence[str]) -> Document:
    return {
        "assumed": [{"key": item.key, "value": item.value, "about": item.about} for item in readings],
        "notes": list(notes),
    }
