"""Whether devices can be managed, as a JSON document."""

from __future__ import annotations

from typing import Any

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.json_report import sample_words
from pathcheck.results.manageability import ChainLink, ManageabilityReport, ManagementAnswer
from pathcheck.results.own_traffic import ServerAnswer
from pathcheck.source import Span

__all__ = ["manageability_document"]

Document = dict[str, Any]


def manageability_document(report: ManageabilityReport) -> Document:
    """Return the document of all devices that were asked about."""
    answers = report.answers
    unjudged = sum(it.why_not_judged is not None for it in answers)
    return {
        "schema": "pathcheck/manageable/1",
        "controller": report.controller,
        "session": report.session,
        "devices": [_device(answer) for answer in answers],
        "counts": {
            "manageable": sum(it.holds is True for it in answers),
            "not": sum(it.holds is False for it in answers),
            "uncertain": sum(it.holds is None for it in answers) - unjudged,
            "unjudged": unjudged,
        },
        "why_not_judged": report.why_not_judged,
        "help": report.help,
        "caution": CAUTION,
    }


def _device(answer: ManagementAnswer) -> Document:
    """One device: whether it holds, the chain, and the servers."""
    return {
        "device": answer.device,
        "address": None if answer.address is None else str(answer.address),
        "manageable": answer.holds,
        "why_not_judged": answer.why_not_judged,
        "broken": None if answer.broken is None else _link(answer.broken),
        "uncertain": None if answer.uncertain is None else _link(answer.uncertain),
        "sample": sample_words(answer.sample),
        "verdict": None if answer.flow is None else answer.flow.verdict,
        "reply_verdict": None if answer.flow is None or answer.flow.reply is None else answer.flow.reply.verdict,
        "chain": [_link(link) for link in answer.links],
        "servers": [_server(server) for server in answer.servers],
        "readings": [{"key": it.key, "value": it.value, "about": it.about} for it in answer.readings],
    }


def _link(link: ChainLink) -> Document:
    """One link with the line that it rests on."""
    return {
        "link": link.kind,
        "state": link.state,
        "message": link.message,
        "device": link.device,
        "acl": link.acl,
        **_place(link.span),
        "because": [_place(span) for span in link.because],
        "help": link.help,
    }


def _server(answer: ServerAnswer) -> Document:
    """One server that a line names."""
    need = answer.need
    return {
        "kind": answer.kind,
        "server": str(answer.server),
        "port": answer.port,
        "source": None if answer.source is None else str(answer.source),
        **_place(answer.span),
        "reached": need.holds,
        "message": need.message,
        "device": need.device,
        "acl": need.acl,
        "decided_by": None if need.span is None else _place(need.span),
        "sample": sample_words(need.sample),
        "help": need.help,
    }


def _place(span: Span | None) -> Document:
    """File, line and text of a line; each null where there is none."""
    if span is None:
        return {"file": None, "line": None, "text": None}
    return {"file": span.file, "line": span.line, "text": span.words}
