"""Findings as Markdown for a comment on a merge request: short, what is open first, details folded.

The form is CommonMark with the folding elements of HTML, which hosts of code allow. Text
of the fleet is never taken for markup, and names no one: what stands in backticks in a message
becomes code, the rest is escaped.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from pathcheck.model.required_flow import Expectation
from pathcheck.reports.caution import CAUTION
from pathcheck.reports.findings_text import summary_words
from pathcheck.reports.terminal import Paint, finding_lines
from pathcheck.results.catalogue import CATALOGUE
from pathcheck.results.finding import Severity
from pathcheck.results.finding_report import FindingReport, ReportedFinding

__all__ = ["MOST_CHARACTERS", "code_span", "fenced", "folded", "plain", "render_markdown"]

MOST_CHARACTERS = 60_000
"""Characters of the whole; hosts take comments of about 65,000 (a limit from memory)."""
_MOST_SHOWN = 10
_MOST_WORDS = 300
_MARKS = re.compile(r"([\\`*_\[\]<>#|~$])")


def render_markdown(report: FindingReport) -> str:
    """Return the comment.

    What passes and must not comes first, then what must pass and does not, then findings on changed lines, then
    the graver ones. Those that do not fail, such as notes, are only in the folded details.
    """
    verdict = ""
    if report.rules is CATALOGUE:
        fails = any(report.fails(item) for item in report.items)
        verdict = " fails" if fails else " is uncertain" if report.is_uncertain else " passes"
    out = [f"### pathcheck {report.command}{verdict}: {plain(summary_words(report))}", ""]
    ordered = sorted(report.open, key=lambda item: _rank(item, report))
    shown = [item for item in ordered if report.fails(item)]
    out += [_bullet(item, report) for item in shown[:_MOST_SHOWN]]
    if len(shown) > _MOST_SHOWN:
        out.append(f"- and {len(shown) - _MOST_SHOWN} more, see below")
    out += [""] if shown else []
    end = ["", f"<sub>{plain(CAUTION)}</sub>"]
    room = MOST_CHARACTERS - sum(len(line) + 1 for line in (*out, *end)) - 200
    for title, items in _folds(report, ordered):
        blocks = ["\n".join(finding_lines(item.finding, Paint())) + _waiver_line(item) for item in items]
        part, kept = _fold_that_fits(title, blocks, room)
        room -= len(part)
        out += [part] if part else []
        if kept < len(blocks):
            out.append(f"\n{len(blocks) - kept} of {title} were left out, as this comment would be too long.")
    return "\n".join([*out, *end])


def _rank(item: ReportedFinding, report: FindingReport) -> tuple[int, bool, int]:
    """What is open and must be closed, what is closed and must be open, changed lines, severity."""
    kind = 2
    if item.finding.code == "PC381":
        kind = 0 if item.finding.span in _forbidden(report) else 1
    return (kind, not item.changed, list(Severity).index(item.finding.severity))


def _forbidden(report: FindingReport) -> Iterable[object]:
    """The places of the flows that must be closed."""
    asked = report.requirements.requirements if report.requirements is not None else ()
    return {item.flow.span for item in asked if item.flow.expect is Expectation.CLOSED}


def _bullet(item: ReportedFinding, report: FindingReport) -> str:
    """One finding in one line."""
    finding = item.finding
    place = f" {code_span(f'{report.path(finding.span.file)}:{finding.span.line}')}" if finding.span else ""
    where = ", ".join(filter(None, [finding.device, f"list {finding.acl}" if finding.acl else ""]))
    message = finding.message
    if len(message) > _MOST_WORDS:
        cut = message[: _MOST_WORDS - 3].rpartition(" ")[0]
        message = cut + ("`" if cut.count("`") % 2 else "") + "..."
    kind = f"**{finding.severity}** {finding.title}" if report.rules is CATALOGUE else f"**{finding.title}**"
    lead = f"- {kind}{place}"
    return lead + (f" ({plain(where)})" if where else "") + f": {plain(message)}"


def _folds(
    report: FindingReport, ordered: Sequence[ReportedFinding]
) -> Iterable[tuple[str, list[ReportedFinding]]]:  # fmt: skip
    """The folded parts with their titles, the empty ones left out."""
    if report.rules is not CATALOGUE:
        for code in report.rules:
            items = [item for item in ordered if item.finding.code == code]
            if items:
                yield f"{len(items)} {code}", items
        return
    for severity in Severity:
        items = [item for item in ordered if item.finding.severity is severity]
        if items:
            yield f"{len(items)} {severity}{'' if len(items) == 1 else 's'}", items
    if report.waived:
        yield f"{len(report.waived)} waived", list(report.waived)


def _waiver_line(item: ReportedFinding) -> str:
    """What waives a finding."""
    waiver = item.waiver
    return f"\n  waived: {waiver.reason} (owner {waiver.owner}, until {waiver.until})" if waiver is not None else ""


def _fold_that_fits(title: str, blocks: Sequence[str], room: int) -> tuple[str, int]:
    """Return a folded part of as many blocks as there is room for, and their number."""
    kept: list[str] = []
    for block in blocks:
        room -= len(block) + 2
        if room < len(title) + 100:
            break
        kept.append(block)
    return (folded(title, "\n\n".join(kept)) if kept else "", len(kept))


def folded(title: str, text: str) -> str:
    """Return text that is shown as it stands when its title is opened."""
    return f"<details><summary>{plain(title)}</summary>\n\n{fenced(text)}\n\n</details>"


def fenced(text: str) -> str:
    """Return a block of text as it stands; its fence is longer than any in it."""
    longest = max((len(run) for run in re.findall("`+", text)), default=0)
    fence = "`" * max(3, longest + 1)
    clean = "".join(sign if sign.isprintable() or sign == "\n" else " " for sign in text)
    return f"{fence}text\n{clean}\n{fence}"


def code_span(text: str) -> str:
    """Return text as code within a line, whatever stands in it (CommonMark section 6.1)."""
    clean = "".join(sign if sign.isprintable() else " " for sign in text)
    longest = max((len(run) for run in re.findall("`+", clean)), default=0)
    marks = "`" * (longest + 1)
    pad = " " if clean.startswith("`") or clean.endswith("`") or not clean.strip() else ""
    return f"{marks}{pad}{clean}{pad}{marks}"


def plain(text: str) -> str:
    """Return a message as Markdown: what stands in backticks as code, the rest without any markup."""
    pieces = text.split("`")
    out = []
    for number, piece in enumerate(pieces):
        if number % 2 and number < len(pieces) - 1:
            out.append(code_span(piece) if piece else "\\`\\`")
        else:
            out.append(("\\`" if number % 2 else "") + _escaped(piece))
    return "".join(out)


def _escaped(text: str) -> str:
    """Text without markup, links and mentions of people."""
    clean = "".join(sign if sign.isprintable() else " " for sign in text)
    clean = _MARKS.sub(r"\\\1", clean.replace("&", "&amp;"))
    # An invisible sign behind it keeps `@name` from calling somebody, and `://` from becoming a link.
    return clean.replace("@", "@\u2060").replace("://", ":\u2060//")
