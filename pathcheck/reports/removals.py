"""What a full replacement takes from devices, as text, Markdown and JSON: alarms first, then what reaches farthest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.json_report import Document
from pathcheck.reports.markdown import code_span, folded, plain
from pathcheck.reports.terminal import Paint
from pathcheck.results.finding import Severity
from pathcheck.results.removals import Alarm, Reach, Removal, Removals
from pathcheck.source import Span

__all__ = ["removals_document", "render_removals", "render_removals_markdown"]

_SHOWN = 20
"""Rows of one reach that text shows; `--format json` has all."""


def render_removals(found: Removals, paint: Paint) -> str:
    """Return the preview as text."""
    out = [_headline(found, paint), f"  {found.before}  ->  {found.after}"]
    if found.alarms:
        out += ["", "alarms"]
        out += [f"  {paint('ALARM', Severity.ERROR)}  {alarm.message}{_at(alarm.span)}" for alarm in found.alarms]
    out += _groups("removed", found.removed)
    out += _groups("given another value", found.replaced)
    out += ["", *(f"note: {note}" for note in found.notes)] if found.notes else []
    return "\n".join([*out, "", CAUTION])


def _headline(found: Removals, paint: Paint) -> str:
    """How much goes, and whether that is too much."""
    removed, replaced = len(found.removed), len(found.replaced)
    words = f"{_count(removed, 'line')} removed, {_count(replaced, 'line')} given another value"
    fails = bool(found.alarms) or found.is_over
    head = paint("ALARM", Severity.ERROR) if found.alarms else paint("REMOVES", Severity.WARNING)
    if found.is_over:
        head, words = paint("TOO MANY", Severity.ERROR), f"{words}; at most {found.most} may be removed"
    if not fails and not removed:
        return f"NOTHING  no line is removed, {_count(replaced, 'line')} given another value"
    devices = sum(bool(device.removed) for device in found.devices)
    return f"{head}  {words}, on {_count(devices, 'device')}"


def _groups(title: str, items: Sequence[Removal]) -> Iterator[str]:
    """Removals by reach."""
    for reach, group in groupby(items, key=lambda item: item.reach):
        rows = list(group)
        yield ""
        yield f"{title}: {reach.words} ({len(rows)})"
        for item in rows[:_SHOWN]:
            yield f"  {item.device}: {item.what}"
            yield f"    {item.span.file}:{item.span.line} | {item.span.words}"
            if item.by is not None:
                yield f"    now {item.by.file}:{item.by.line} | {item.by.words}"
        if len(rows) > _SHOWN:
            yield f"  and {len(rows) - _SHOWN} more"


def render_removals_markdown(found: Removals) -> str:
    """Return the preview as a comment on a merge request."""
    removed, replaced = len(found.removed), len(found.replaced)
    verdict = "fails" if found.alarms or found.is_over else "passes"
    limit = f", at most {found.most} may be" if found.most is not None else ""
    words = f"{_count(removed, 'line')} removed{limit}, {_count(replaced, 'line')} given another value"
    out = [f"### pathcheck removals {verdict}: {plain(words)}", ""]
    out += [f"- **alarm**: {plain(alarm.message)}{plain(_at(alarm.span))}" for alarm in found.alarms]
    shown = [item for item in found.removed if item.reach is not Reach.REST]
    out += [_bullet(item) for item in shown[:_SHOWN]]
    if len(shown) > _SHOWN:
        out.append(f"- and {len(shown) - _SHOWN} more")
    rest = [item for item in found.removed if item.reach is Reach.REST]
    for title, items in ((f"{len(rest)} of the rest", rest), (f"{replaced} given another value", found.replaced)):
        if items:
            text = "\n".join(f"{item.span.file}:{item.span.line} | {item.span.words}" for item in items[:200])
            out += ["", folded(title, text)]
    return "\n".join([*out, "", f"<sub>{plain(CAUTION)}</sub>"])


def _bullet(item: Removal) -> str:
    """One removal."""
    return (
        f"- {plain(item.reach.words)}: {plain(item.device)} loses {plain(item.what)} "
        f"({plain(str(item.span))}): {code_span(item.span.words)}"
    )


def removals_document(found: Removals) -> Document:
    """Return the document `pathcheck/removals/1`."""
    return {
        "schema": "pathcheck/removals/1",
        "before": found.before,
        "after": found.after,
        "alarms": [_alarm(alarm) for alarm in found.alarms],
        "removed": [_removal(item) for item in found.removed],
        "replaced": [_removal(item) for item in found.replaced],
        "devices": [
            {
                "device": device.device,
                "removed": len(device.removed),
                "replaced": len(device.replaced),
                "kept": device.kept,
            }
            for device in found.devices
        ],
        "counts": {
            "alarms": len(found.alarms),
            "removed": len(found.removed),
            "replaced": len(found.replaced),
            "by_reach": {reach.name.lower(): _number(found.removed, reach) for reach in Reach},
        },
        "max_deletions": found.most,
        "too_many": found.is_over,
        "notes": list(found.notes),
        "caution": CAUTION,
    }


def _alarm(alarm: Alarm) -> Document:
    """An alarm."""
    return {
        "device": alarm.device,
        "section": alarm.section,
        "message": alarm.message,
        "had": alarm.had,
        **(_place(alarm.span) if alarm.span is not None else {}),
    }


def _removal(item: Removal) -> Document:
    """A removal."""
    return {
        "device": item.device,
        "reach": item.reach.name.lower(),
        "what": item.what,
        **_place(item.span),
        "modelled": item.modelled,
        "by": None if item.by is None else _place(item.by),
    }


def _place(span: Span) -> Document:
    """A line."""
    return {"file": span.file, "line": span.line, "text": span.words}


def _number(items: Iterable[Removal], reach: Reach) -> int:
    """How many reach so far."""
    return sum(item.reach is reach for item in items)


def _at(span: Span | None) -> str:
    """Where something stands, in brackets."""
    return "" if span is None else f" ({span.file}:{span.line})"


def _count(number: int, what: str) -> str:
    """A number of things."""
    return f"{number} {what}" + ("" if number == 1 else "s")
