"""The stages of blank switches as a JSON document; its shape is part of the contract."""

from __future__ import annotations

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.json_report import Document, sample_words
from pathcheck.results.bootstrap import BootstrapAnswer, BootstrapReport, Stage, StageFlow
from pathcheck.source import Span

__all__ = ["bootstrap_document"]


def bootstrap_document(report: BootstrapReport) -> Document:
    """Return the document `pathcheck/bootstrap/1`."""
    return {
        "schema": "pathcheck/bootstrap/1",
        "switches": [_answer(answer) for answer in report.answers],
        "counts": report.counts(),
        "caution": CAUTION,
    }


def _answer(answer: BootstrapAnswer) -> Document:
    """One switch; `stopped_at` is the first stage that fails."""
    return {
        "entry": answer.entry,
        "device": answer.device,
        "port": answer.port,
        "state": answer.state,
        "stopped_at": answer.broken.kind if answer.broken is not None else None,
        "stages": [_stage(stage) for stage in answer.stages],
    }


def _stage(stage: Stage) -> Document:
    """One stage."""
    return {"stage": stage.kind, "state": stage.state, "flows": [_flow(flow) for flow in stage.flows]}


def _flow(flow: StageFlow) -> Document:
    """One thing that has to work; keys without a value are left out."""
    document: Document = {"what": flow.what, "state": flow.state}
    words = {"packets": flow.packets, "why": flow.message, "note": flow.note, "device": flow.device, "acl": flow.acl}
    document |= {key: value for key, value in words.items() if value}
    if flow.span is not None:
        document |= _place(flow.span)
    if flow.because:
        document["because"] = [_place(span) for span in flow.because]
    if flow.sample is not None:
        document["sample"] = sample_words(flow.sample)
    if flow.help:
        document["help"] = flow.help
    return document


def _place(span: Span) -> Document:
    """A line."""
    return {"file": span.file, "line": span.line, "text": span.words}
