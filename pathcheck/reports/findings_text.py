"""A report of findings as text: each with its line, those on changed lines first, and what became of the rest."""

from __future__ import annotations

from collections import Counter

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.terminal import Paint, count_words, finding_lines
from pathcheck.results.catalogue import CATALOGUE
from pathcheck.results.finding import Severity
from pathcheck.results.finding_report import FindingReport, ReportedFinding

__all__ = ["render_finding_report", "summary_words"]

_MOST_WAIVED = 20
"""Waived findings that are named one by one; more are only counted."""


def render_finding_report(report: FindingReport, paint: Paint) -> str:
    """Return the report on all findings."""
    out: list[str] = []
    changed = [item for item in report.open if item.changed]
    for items, heading in ((changed, "on lines changed"), ([it for it in report.open if not it.changed], "elsewhere")):
        if report.revision is not None and items:
            since = f" since {report.revision}" if items is changed else ""
            out += [f"== {heading}{since}: {count_words(_counts(items))}", ""]
        for item in items:
            out += [*finding_lines(item.finding, paint), ""]
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


def summary_words(report: FindingReport) -> str:
    """Return in one line how many findings there are, and how many are known or waived."""
    parts = [count_words(report.counts) if report.rules is CATALOGUE else _by_kind(report)]
    if report.revision is not None:
        changed = _counts([item for item in report.open if item.changed])
        parts.append(f"on lines changed since {report.revision}: {count_words(changed)}")
    if report.baseline is not None:
        gone = f", {report.gone} of it gone" if report.gone else ""
        parts.append(f"{len(report.known)} known from the baseline{gone}")
    if report.waived:
        parts.append(f"{len(report.waived)} waived")
    return "; ".join(parts)


def _by_kind(report: FindingReport) -> str:
    """How many there are of each kind, where the kinds are few."""
    numbers = Counter(item.finding.code for item in report.open)
    return ", ".join(f"{numbers[kind]} {kind}" for kind in report.rules if numbers[kind]) or "no effect"


def _counts(items: list[ReportedFinding]) -> dict[Severity, int]:
    """How many there are of each severity."""
    return {each: sum(item.finding.severity is each for item in items) for each in Severity}
