"""Findings as lines for a log that is read by a machine, in the form that compilers have in common.

`file:line:column: severity: message [CODE name]` is what editors and the log readers of
CI take apart without being told (common practice, no source). It is no single product's
form; where one wants its own, these lines are easily rewritten.

At most ten lines of each severity are written, because readers of logs keep no more than
about that (a limit from memory); what is cut is counted.
"""

from __future__ import annotations

from pathcheck.reports.region_words import packet_words
from pathcheck.results.finding import Severity
from pathcheck.results.finding_report import FindingReport, ReportedFinding

__all__ = ["MOST_OF_A_LEVEL", "render_annotations"]

MOST_OF_A_LEVEL = 10
_MOST_CHARACTERS = 500


def render_annotations(report: FindingReport) -> str:
    """Return a line for each finding that is neither known nor waived: on changed lines first, then the graver."""
    out: list[str] = []
    order = list(Severity)
    kept: list[ReportedFinding] = []
    notes: list[str] = []
    for severity in order:
        items = [item for item in report.open if item.finding.severity is severity]
        kept += items[:MOST_OF_A_LEVEL]
        if len(items) > MOST_OF_A_LEVEL:
            notes.append(f"{len(items) - MOST_OF_A_LEVEL} of {len(items)} {severity.value}s")
    kept.sort(key=lambda item: (not item.changed, order.index(item.finding.severity)))
    out += [_line(item, report) for item in kept]
    if notes:
        out.append(f"pathcheck: note: {' and '.join(notes)} are not shown here; another format shows all")
    if not report.open:
        out.append("pathcheck: note: no findings")
    return "\n".join(out)


def _line(item: ReportedFinding, report: FindingReport) -> str:
    """One finding in one line."""
    finding, span = item.finding, item.finding.span
    place = "pathcheck"
    if span is not None:
        place = f"{_clean(report.path(span.file))}:{max(span.line, 1)}:{max(span.column, 1)}"
    where = " ".join(filter(None, [finding.device, f"list {finding.acl}" if finding.acl else ""]))
    text = finding.message
    if finding.sample is not None:
        text += f"; for example {packet_words(finding.sample)}"
    text = _clean(f"{where}: {text}" if where else text)
    if len(text) > _MOST_CHARACTERS:
        text = f"{text[: _MOST_CHARACTERS - 3]}..."
    return f"{place}: {finding.severity.value}: {text} [{finding.title}]"


def _clean(text: str) -> str:
    """Text in one line, without characters that a terminal or a log acts on."""
    return "".join(character if character.isprintable() else " " for character in text)
