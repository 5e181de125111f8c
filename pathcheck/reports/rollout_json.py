"""In which orders jobs can run without losing a device, as a JSON document; its shape is part of the contract."""

from __future__ import annotations

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.json_report import Document, sample_words
from pathcheck.results.rollout import Held, LostState, Rewrite, Rollout, Step

__all__ = ["rollout_document"]


def rollout_document(rollout: Rollout) -> Document:
    """Return the document `pathcheck/rollout/1`.

    `plan` is empty where no order is known to be safe, `lost` null where no state is lost. A step with `acl` or
    `detail` is a part of its job: lists that are entered line by line.
    """
    document: Document = {
        "schema": "pathcheck/rollout/1",
        "before": rollout.before,
        "after": rollout.after,
        "answer": rollout.answer,
        "plan": [_step(step) for step in rollout.plan],
        "precedences": [
            {
                "first": [_step(step) for step in one.first],
                "then": [_step(step) for step in one.then],
                "lost": list(one.lost),
            }
            for one in rollout.precedences
        ],
        "lost": _lost(rollout.lost),
        "unavoidable": _lost(rollout.unavoidable),
        "open": _lost(rollout.open),
        "already": [_lost(one) for one in rollout.already],
        "states": {
            "total": rollout.states.total,
            "judged": rollout.states.judged,
            "judgements": rollout.states.judgements,
            "complete": rollout.states.complete,
        },
        "jobs": [_step(step) for step in rollout.jobs],
        "idle": [_step(step) for step in rollout.idle],
        "groups": list(rollout.groups),
        "judged": {"sessions": rollout.sessions, "required_flows": rollout.flows},
        "not_judged": [{"what": what, "why": why} for what, why in rollout.not_judged],
        "by_line": rollout.by_line,
        "rewrite": _rewrite(rollout.rewrite),
    }
    if rollout.only_open:
        document["any"] = "uncertain"
    if rollout.notes:
        document["notes"] = list(rollout.notes)
    document["caution"] = CAUTION
    return document


def _step(step: Step) -> Document:
    """A job, or a step of it."""
    document: Document = {"device": step.device, "job": step.job}
    if step.acl is not None:
        document |= {"acl": step.acl, "entered": step.entered, "of": step.of}
    if step.detail is not None:
        document["detail"] = step.detail
    return document


def _lost(lost: LostState | None) -> Document | None:
    """A state in which something does not hold."""
    if lost is None:
        return None
    span = lost.span
    return {
        "device": lost.device,
        "applied": [_step(step) for step in lost.applied],
        "flow": lost.held.flow,
        "required": lost.held.name,
        "why": lost.why,
        "file": span.file if span else None,
        "line": span.line if span else None,
        "text": span.words if span else None,
        "side": lost.side,
        "sample": sample_words(lost.sample),
        "others": [_held(held) for held in lost.others],
    }


def _held(held: Held) -> Document:
    """Something that must hold."""
    return {"device": held.device, "required": held.name, "flow": held.flow}


def _rewrite(rewrite: Rewrite | None) -> Document | None:
    """A proposal."""
    if rewrite is None:
        return None
    return {
        "answer": rewrite.answer,
        "harmless": rewrite.is_harmless,
        "lists": [
            {"device": device, "acl": old, "new": new, "bound_at": list(places)}
            for device, old, new, places in rewrite.lists
        ],
        "plan": [_step(step) for step in rewrite.plan],
    }
