"""A report of findings as text: each with its line, those on changed lines first, and what became of the rest."""

from __future__ import annotations

from collections import Counter

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.terminal import Paint, count_words, finding_lines
from pathcheck.results.catalogue import CATALOGUE
from pathcheck.results.finding import Severity
from pathcheck.results.finding_report import FindingReport, ReportedFinding

__all__ = ["render_finding_report", "summary_words"]

_MOST_NOTES = 10
"""Notes that are shown beside what fails."""
_MOST_WAIVED = 20
"""Waived findings that are named one by one; more are only counted."""


def render_finding_report(report: FindingReport, paint: Paint) -> str:
    """Return the report on all findings: those on changed lines first, and in each part what fails, then the graver.

    Where something fails, of the notes only the first are shown, so that they do not bury it.
    """
    out: list[str] = []
    changed = [item for item in report.open if item.changed]
    others = [item for item in report.open if not item.changed]
    most = _MOST_NOTES if any(map(report.fails, report.open)) else len(report.open)
    for items, heading in ((changed, "on lines changed"), (others, "elsewhere")):
        if report.revision is not None and items:
            since = f" since {report.revision}" if items is changed else ""
            out += [f"== {heading}{since}: {count_words(_counts(items))}", ""]
        notes = [item for item in items if _is_mild(item, report)]
        left = notes[most:]
        cut = set(map(id, left))
        most = max(0, most - len(notes))
        for item in sorted(items, key=lambda item: _rank(item, report)):
            if id(item) not in cut:
                out += [*finding_lines(item.finding, paint), ""]
        if left:
            kinds = Counter(item.finding.title for item in left)
            named = ", ".join(f"{number} {title}" for title, number in kinds.most_common())
            out += [f"and {_count(len(left), 'more note')}: {named}; --json shows all", ""]
    waived = report.waived
    for item in waived[:_MOST_WAIVED]:
        waiver, span = item.waiver, item.finding.span
        if waiver is not None:
            place = f"  {span}" if span else ""
            out.append(
                f"waived {item.finding.title}{place}: {waiver.reason} (owner {waiver.owner}, until {waiver.until})"
            )
    if len(waived) > _MOST_WAIVED:
        out.append(f"and {len(waived) - _MOST_WAIVED} more are waived; --json shows all")
    out += [""] if waived else []
    return "\n".join([*out, summary_words(report), "", CAUTION])


def _rank(item: ReportedFinding, report: FindingReport) -> tuple[bool, int]:
    """What fails, then the graver."""
    return (not report.fails(item), list(Severity).index(item.finding.severity))


def _is_mild(item: ReportedFinding, report: FindingReport) -> bool:
    """Whether it is a note that does not fail."""
    return item.finding.severity is Severity.NOTE and not report.fails(item)


def summary_words(report: FindingReport) -> str:
    """Return in one line how many findings there are, and how many are known or waived."""
    parts = [count_words(report.counts) if report.rules is CATALOGUE else _by_kind(report)]
    if not report.items and (unjudged := _unjudged(report)):
        parts.append(unjudged)
    if report.revision is not None:
        changed = _counts([item for item in report.open if item.changed])
        parts.append(f"on lines changed since {report.revision}: {count_words(changed)}")
    if report.baseline is not None:
        gone = f", {report.gone} of it gone" if report.gone else ""
        parts.append(f"{len(report.known)} known from the baseline{gone}")
    if report.waived:
        parts.append(f"{len(report.waived)} waived")
    return "; ".join(parts)


def _unjudged(report: FindingReport) -> str:
    """What was not judged, where nothing was found: that says nothing about lines that nobody could read."""
    kinds = [
        _count(number, what)
        for number, what in ((report.unread, "unread line"), (report.unmodelled, "unmodelled line"))
        if number
    ]
    return f"what {' and '.join(kinds)} can touch is not judged, see `pathcheck parse`" if kinds else ""


def _by_kind(report: FindingReport) -> str:
    """How many there are of each kind, where the kinds are few."""
    numbers = Counter(item.finding.code for item in report.open)
    return ", ".join(f"{numbers[kind]} {kind}" for kind in report.rules if numbers[kind]) or "no effect"


def _counts(items: list[ReportedFinding]) -> dict[Severity, int]:
    """How many there are of each severity."""
    return {each: sum(item.finding.severity is each for item in items) for each in Severity}


def _count(number: int, noun: str) -> str:
    """A number of things."""
    return f"{number} {noun}" + ("" if number == 1 else "s")
