"""Required flows as text: what is broken first, each with a packet, its way and the line that decides."""

from __future__ import annotations

from pathcheck.model.required_flow import Expectation
from pathcheck.reports.caution import CAUTION
from pathcheck.reports.diagnostic import quote_line
from pathcheck.reports.region_words import packet_words
from pathcheck.reports.terminal import Paint
from pathcheck.results.path import Path
from pathcheck.results.requirement import Evidence, Requirement, RequirementPart, RequirementReport, Standing
from pathcheck.results.verdict import Verdict

__all__ = ["first_line", "render_requirements", "requirement_text"]

_COLOURS = {
    Standing.HOLDS: Verdict.PERMITTED,
    Standing.BROKEN: Verdict.DENIED,
    Standing.UNCERTAIN: Verdict.UNCERTAIN,
    Standing.UNANSWERED: Verdict.PARTLY,
}
_MOST_HOLDING = 20
"""Required flows that hold and are named one by one; more are only counted."""


def render_requirements(report: RequirementReport, paint: Paint) -> str:
    """Return the report on all required flows."""
    out: list[str] = []
    for standing in (Standing.BROKEN, Standing.UNCERTAIN, Standing.UNANSWERED):
        for item in report.requirements:
            if item.standing is standing:
                out += [f"{paint(standing.value.upper(), _COLOURS[standing])}  {_clean(item.flow.name)}"]
                out += [f"  {line}" for line in requirement_text(item, with_why=True)]
                out.append("")
    holding = [item for item in report.requirements if item.holds]
    if len(holding) <= _MOST_HOLDING:
        out += [f"{paint('holds', _COLOURS[Standing.HOLDS])}  {_clean(item.flow.name)}" for item in holding]
    out += [""] if holding and len(holding) <= _MOST_HOLDING else []
    counts = report.counts
    total = len(report.requirements)
    words = [f"{counts[standing]} {word}" for standing, word in _SUMMARY.items()]
    words[0] += "s" if counts[Standing.HOLDS] == 1 else ""
    if not counts[Standing.UNANSWERED]:
        words.pop()
    return "\n".join([*out, f"{total} required flow{'' if total == 1 else 's'}: {', '.join(words)}", "", CAUTION])


_SUMMARY = {
    Standing.HOLDS: "hold",
    Standing.BROKEN: "broken",
    Standing.UNCERTAIN: "uncertain",
    Standing.UNANSWERED: "unanswered",
}


def requirement_text(item: Requirement, *, with_why: bool = False) -> list[str]:
    """Return the lines on one required flow, one where it holds; with what :func:`first_line` says, if wanted."""
    part = item.gravest
    out = [_wanted(item, part)]
    if part.evidence is None:
        if part.fault is not None:
            out += [f"it cannot be asked: {part.fault}"] if with_why else []
            out.append(quote_line(part.span, mark=True))
            out += [f"help: {part.help}"] if part.help else []
    else:
        out += [_clean(part.evidence.why)] if with_why else []
        out += _evidence(part.evidence)
    others = [it for it in item.parts if it is not part and it.standing is not Standing.HOLDS]
    out += [f"also {it.standing.value}: {_clean(it.words)}" for it in others]
    out += [f"owner: {_clean(item.flow.owner)}"] if item.flow.owner else []
    out += [f"reason: {_clean(item.flow.reason)}"] if item.flow.reason else []
    return out


def first_line(item: Requirement) -> str:
    """Return in one line why a required flow does not hold, or may not: the packet, and what becomes of it."""
    part = item.gravest
    if part.evidence is None:
        return f"cannot be asked: {part.fault}" if part.fault else "holds"
    expected = "must pass" if item.flow.expect is Expectation.OPEN else "must not pass"
    return f"{_subject(part.evidence)} {expected}, and is {_clean(part.evidence.why)}"


def _subject(evidence: Evidence) -> str:
    """The packet that is told about."""
    sample = "a packet" if evidence.sample is None else packet_words(evidence.sample)
    return f"the reply {sample}" if evidence.direction == "reply" else sample


def _wanted(item: Requirement, part: RequirementPart) -> str:
    """What is required, and where that stands."""
    reply = ", and its reply comes back" if item.flow.reply else ""
    return f"required {item.flow.expect}{reply}: {_clean(part.words)}  ({part.span})"


def _evidence(evidence: Evidence) -> list[str]:
    """The line that decides, the packet, its way."""
    what = {"flow": "packet", "reply": "reply", "list": "packet"}[evidence.direction]
    out = [] if evidence.span is None else [quote_line(evidence.span)]
    if evidence.sample is not None:
        out.append(f"{what}: {packet_words(evidence.sample)}")
    if evidence.path is not None and evidence.path.hops:
        out.append(f"path: {_way(evidence.path)}")
    if evidence.path is not None:
        out += [f"assumed: {it.key} = {it.value} ({it.about})" for it in evidence.path.readings]
    return out


def _way(path: Path) -> str:
    """The devices with the interfaces of coming and going, in one line."""
    steps = []
    for hop in path.hops:
        ends = f"{hop.into or ''} > {hop.out}" if hop.out else hop.into or ""
        steps.append(f"{hop.device} ({ends.strip()})" if ends else hop.device)
    return ", ".join(steps)


def _clean(text: str) -> str:
    """Text in one line, without characters that a terminal acts on."""
    return "".join(character if character.isprintable() else " " for character in text)
