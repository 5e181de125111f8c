"""What a change of a fleet opens and closes, as a comment on a merge request: short, openings first, details folded."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.change_rows import KINDS, ChangeGroup, ChangeRows
from pathcheck.reports.fleet_comparison_text import ComparisonText
from pathcheck.reports.markdown import MOST_CHARACTERS, code_span, folded, plain
from pathcheck.reports.terminal import Paint
from pathcheck.results.fleet_comparison import Cause, FleetComparison
from pathcheck.source import Span

__all__ = ["render_comparison_markdown"]

_MOST = 5
"""Causes of each kind, and required flows, that stand outside of the folds."""
_ROWS = 3
_TITLES = {
    "opened": "Opened: passes now, and did not before",
    "closed": "Closed: passed before, and does not now",
    "uncertain": "Uncertain: may fare otherwise than before",
}


def render_comparison_markdown(change: FleetComparison, *, folder: str = "") -> str:
    """Return the comment.

    Parameters
    ----------
    folder
        Path of the later state's folder from the working folder, for the places of its lines.
    """
    text = ComparisonText(change, Paint(), ChangeRows(change))
    out = [f"### pathcheck compare: {plain(text.said)}", "", f"{code_span(change.before)} → {code_span(change.after)}"]
    out += [f"- {plain(line.strip())}" for line in text.devices()]
    for title, lines in (("Required flows that stand otherwise", text.flows()), ("Not read", text.unread())):
        if lines:
            out += ["", f"**{title}**", "", *(f"- {plain(line)}" for line in lines[:_MOST])]
            out += [f"- and {len(lines) - _MOST} more"] if len(lines) > _MOST else []
    for kind in KINDS:
        groups = text.lines.groups(kind)
        if groups:
            out += ["", f"**{_TITLES[kind]}**", ""]
            for group in groups[:_MOST]:
                out += _bullet(group, folder)
            more = sum(len(group.rows) for group in groups[_MOST:])
            if more or text.lines.is_cut(kind):
                out.append(f"- and {more or 'many'} more, see below")
    end = ["", f"<sub>{plain(CAUTION)}</sub>"]
    room = MOST_CHARACTERS - sum(len(line) + 1 for line in (*out, *end)) - 300
    for title, details in _details(text):
        part = folded(title, "\n".join(details).strip("\n"))
        if len(part) > room:
            out += ["", f"{plain(title)}: left out, as this comment would be too long; `--format text` has it"]
            continue
        room -= len(part)
        out += ["", part]
    return "\n".join([*out, *end])


def _bullet(group: ChangeGroup, folder: str) -> Iterator[str]:
    """One cause: its rows, and the lines that decide."""
    rows = [*group.rows[:_ROWS]]
    more = len(group.rows) - len(rows)
    said = "; ".join(rows) + (f"; and {more} more row{'' if more == 1 else 's'}" if more else "") + group.note
    yield f"- {plain(said)}  "
    before, after = group.first.before_cause, group.first.after_cause
    yield f"  now: {_cause(after, folder)}  "
    yield f"  before: {_cause(before, '')}"


def _cause(cause: Cause, folder: str) -> str:
    """What decides on one side."""
    why = plain(cause.why)
    if cause.span is None:
        return why
    return f"{why}, {code_span(_place(cause.span, folder))} {code_span(cause.span.words)}"


def _place(span: Span, folder: str) -> str:
    return f"{folder}/{span}" if folder else str(span)


def _details(text: ComparisonText) -> Iterator[tuple[str, Sequence[str]]]:
    """Yield the folded parts that are not empty."""
    change = text.change
    ends = [
        line
        for kind in KINDS
        for line in text.ends(kind, getattr(change, f"{kind}_size"))
    ]  # fmt: skip
    parts = (
        ("From end to end, with example packets", ends),
        ("Access lists", [*text.lists(), *text.bindings()]),
        ("Routes", text.routes()),
        ("What this rests on", text.tail()),
    )
    yield from ((title, lines) for title, lines in parts if lines)
