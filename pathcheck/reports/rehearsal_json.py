"""A rehearsal as a JSON document; its shape is part of the contract."""

from __future__ import annotations

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.json_report import Document, line_words, sample_words
from pathcheck.results.rehearsal import Fate, Rehearsal, RehearsedGroup

__all__ = ["rehearsal_document"]

_ANSWERS = {True: "agree", False: "disagree", None: "uncertain"}


def rehearsal_document(rehearsal: Rehearsal) -> Document:
    """Return the document of a rehearsal."""
    reply = rehearsal.reply_verdict
    return {
        "schema": "pathcheck/rehearse/1",
        "flow": rehearsal.flow,
        "answer": _ANSWERS[rehearsal.agrees],
        "obstacle": rehearsal.obstacle,
        "verdict": rehearsal.verdict,
        "reason": rehearsal.reason,
        "reply": None if reply is None else {"verdict": reply, "reason": rehearsal.reply_reason},
        "packets": {standing.value: count for standing, count in rehearsal.counts.items()},
        "groups": [_group(group) for group in rehearsal.groups],
        "devices": list(rehearsal.devices),
        "namespaces": rehearsal.namespaces,
        "kernel": rehearsal.kernel,
        "notes": list(rehearsal.notes),
        "caution": CAUTION,
    }


def _group(group: RehearsedGroup) -> Document:
    return {
        "direction": "reply" if group.reply else "flow",
        "device": group.at.device,
        "interface": group.at.interface,
        "standing": group.standing,
        "packets": group.packets,
        "model": [_fate(fate) for fate in group.model],
        "kernel": _fate(group.kernel),
        "difference": group.difference,
        "sample": sample_words(group.sample),
    }


def _fate(fate: Fate) -> Document:
    return {
        "verdict": None if fate.reason is None else fate.reason.verdict,
        "reason": fate.reason,
        "hops": [{"device": hop.device, "in": hop.into, "out": hop.out} for hop in fate.hops],
        "line": line_words(fate.line),
        "why": fate.why,
    }
