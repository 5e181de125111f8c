"""What a change opens and closes as findings, for the formats that know findings only.

From end to end all regions with one cause are one, of two lists each region is; it stands at the line that decides
now. The line that decided before is told in words, because its place is one of another state.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence

from pathcheck.reports.change_rows import KINDS, ChangeGroup, ChangeRows
from pathcheck.reports.region_words import box_words, row_words
from pathcheck.reports.requirement_report import first_line
from pathcheck.results.catalogue import Rule
from pathcheck.results.comparison import ListComparison, ListDifference
from pathcheck.results.finding import Finding, Severity
from pathcheck.results.finding_report import FindingReport, ReportedFinding
from pathcheck.results.fleet_comparison import (
    BindingChange,
    FleetComparison,
    ListChange,
    RequirementChange,
    UnreadFile,
)
from pathcheck.results.path import LineUse
from pathcheck.results.region import Region
from pathcheck.results.requirement import Requirement, Standing
from pathcheck.source import Span

__all__ = ["CHANGE_RULES", "change_report", "list_change_report"]

CHANGE_RULES: dict[str, Rule] = {
    name: Rule(name, name, severity, summary)
    for name, severity, summary in (
        ("required-flow-lost", Severity.ERROR, "a required flow that held does not hold any more, or not for certain"),
        ("file-not-read", Severity.ERROR, "a file that is refused and not the same in both states"),
        ("opened", Severity.WARNING, "packets pass that did not pass before"),
        ("closed", Severity.WARNING, "packets do not pass that passed before"),
        ("uncertain", Severity.WARNING, "packets that may fare otherwise than before"),
        ("required-flow-changed", Severity.NOTE, "a required flow stands otherwise than before"),
        ("list-changed", Severity.NOTE, "a list, or what is bound at a place, decides otherwise than before"),
        ("route-changed", Severity.NOTE, "a table sends destinations another way than before"),
    )
}
"""What a comparison finds, in the order of a report. These are no codes of the catalogue."""


def change_report(change: FleetComparison, *, folder: str = "") -> FindingReport:
    """Return the effect of a change of a fleet as findings: lost required flows, openings, closings, the rest.

    Parameters
    ----------
    folder
        Path of the later state's folder from the working folder.
    """
    named, plain = ChangeRows(change), ChangeRows(change, named=False)
    found = [
        *map(_unread, change.not_known),
        *(_requirement(item) for item in change.requirements),
        *(
            _end(kind, group, bare)
            for kind in KINDS
            for group, bare in zip(named.groups(kind), plain.groups(kind), strict=True)
        ),
        *(_list(item) for item in change.lists if item.has_effect),
        *(_binding(item) for item in change.bindings if item.has_effect),
        *_routes(change),
    ]
    return _report(found, folder, CHANGE_RULES)


def list_change_report(comparisons: Sequence[ListComparison], *, folder: str = "") -> FindingReport:
    """Return what two lists decide differently as findings, openings first; parameters as :func:`change_report`."""
    found = [
        _difference(kind, item, one)
        for kind in ("opened", "closed", "uncertain")
        for one in comparisons
        for item in getattr(one, kind)
    ]
    return _report(found, folder, ("opened", "closed", "uncertain"))


def _report(found: Iterable[tuple[Finding, str]], folder: str, looked_for: Iterable[str]) -> FindingReport:
    """Number what is alike, and put lost flows first, then openings."""
    order = list(CHANGE_RULES)
    seen: dict[str, int] = {}
    items = []
    for item, about in sorted(found, key=lambda pair: order.index(pair[0].code)):
        key = "\0".join((item.code, item.device or "", item.acl or "", about))
        seen[key] = seen.get(key, 0) + 1
        text = f"{key}\0{seen[key]}".encode("utf-8", "surrogatepass")
        items.append(ReportedFinding(item, hashlib.sha256(text).hexdigest()[:32]))
    return FindingReport(
        "compare", tuple(items), folder=folder, looked_for=frozenset(looked_for), rules=CHANGE_RULES
    )  # fmt: skip


def _finding(
    kind: str,
    message: str,
    about: str,
    *,
    span: Span | None = None,
    device: str | None = None,
    acl: str | None = None,
    region: Region | None = None,
) -> tuple[Finding, str]:
    """A finding, and what it is about."""
    rule = CHANGE_RULES[kind]
    sample = region.sample if region is not None else None
    return Finding(rule.code, rule.name, rule.severity, message, span, device, acl, sample=sample), about


_ROWS = 3
"""Rows of one cause that a message tells."""
_FARES = {"opened": "passes, and did not before", "closed": "does not pass, and did before", "uncertain": "may change"}


def _unread(item: UnreadFile) -> tuple[Finding, str]:
    """A file that is refused."""
    why = "; ".join(
        f"{when}: {reason}" for when, reason in (("before", item.before), ("now", item.after)) if reason is not None
    )
    span = Span(item.file, 1, "") if item.after is not None else None
    return _finding("file-not-read", f"{item.file} is not the same and is not read ({why})", item.file, span=span)


def _end(kind: str, group: ChangeGroup, bare: ChangeGroup) -> tuple[Finding, str]:
    """Packets that fare otherwise from end to end, for one cause."""
    item = group.first
    entry = f", entering at {item.at}" if item.at else ""
    more = len(group.rows) - _ROWS
    rows = "; ".join(group.rows[:_ROWS]) + (f"; and {more} more row{'' if more == 1 else 's'}" if more > 0 else "")
    before, after = item.before_cause, item.after_cause
    message = f"{rows}{entry}: {_FARES[kind]} ({group.size:,} packets); before: {before.why}; now: {after.why}"
    if item.doubts and item.doubts[0].why not in after.why:
        message += f"; uncertain: {item.doubts[0].why}"
    span = after.span if after.span is not None else item.doubts[0].span if item.doubts else None
    return _finding(
        kind, message, "; ".join(bare.rows) + entry, span=span, device=after.device,
        acl=after.line.acl if after.line else None, region=item.region,
    )  # fmt: skip


def _difference(kind: str, item: ListDifference, one: ListComparison) -> tuple[Finding, str]:
    """Packets that two lists decide differently."""
    row = row_words(box_words(item.region.box))
    message = f"{row} {_FARES[kind]}; before: {_line(item.before)}; now: {_line(item.after)}"
    if item.doubts:
        message += f"; uncertain: {item.doubts[0].why}"
    return _finding(
        kind, message, row, span=item.after.span, device=one.after.device, acl=one.after.acl, region=item.region
    )  # fmt: skip


def _line(use: LineUse) -> str:
    """A deciding line with its place."""
    return f"`{use.text.strip()}` of {use.acl}" + (f" ({use.span})" if use.span else "")


def _list(item: ListChange) -> tuple[Finding, str]:
    """A list that decides otherwise."""
    one = item.comparison
    numbers = _numbers(one.opened, one.closed, one.uncertain) if one is not None else ""
    where = f"; it is bound at {', '.join(item.bound_at)}" if item.bound_at else "; it is bound nowhere"
    message = f"the list {item.acl} decides otherwise than before: {numbers}{where}"
    return _finding("list-changed", message, item.family, span=item.span, device=item.device, acl=item.acl)


def _binding(item: BindingChange) -> tuple[Finding, str]:
    """Other lists at a place."""
    before, after = (", ".join(names) or "no list" for names in (item.before, item.after))
    numbers = _numbers(item.opened, item.closed, item.uncertain)
    message = f"{item.place} has {after} instead of {before}: {numbers}"
    return _finding("list-changed", message, f"{item.place} {item.family}", span=item.span, device=item.device)


def _numbers(*kinds: Sequence[object]) -> str:
    """How many rows are opened, closed and uncertain."""
    words = ("opened", "closed", "uncertain")
    return ", ".join(f"{len(rows)} {word}" for rows, word in zip(kinds, words, strict=True) if rows)


def _routes(change: FleetComparison) -> Iterator[tuple[Finding, str]]:
    """Destinations that go another way."""
    for item in change.routes:
        prefixes = ", ".join(map(str, item.prefixes[:4])) + (" and more" if len(item.prefixes) > 4 else "")
        table = f" in {item.vrf}" if item.vrf else ""
        may = "may go" if item.is_uncertain else "goes"
        message = f"{prefixes}{table} {may} another way than before: {item.before.kind} before, {item.after.kind} now"
        span = item.after.spans[0] if item.after.spans else None
        about = f"{item.vrf or ''} {' '.join(map(str, item.prefixes))}"
        yield _finding("route-changed", message, about, span=span, device=item.device)


def _requirement(item: RequirementChange) -> tuple[Finding, str]:
    """A required flow that stands otherwise."""
    before, after = item.before, item.after
    lost = after is not None and not after.holds and (before is None or before.holds)
    grave = after is not None and after.standing is Standing.BROKEN and before is not None and not before.holds
    kind = "required-flow-lost" if lost or grave else "required-flow-changed"
    message = f"`{item.name}`: {_standing(before)} before, {_standing(after)} now"
    device = None
    if after is not None and not after.holds:
        message += f"; {first_line(after)}"
        device = after.gravest.evidence.device if after.gravest.evidence else None
    span = after.flow.span if after is not None else None
    return _finding(kind, message, item.name, span=span, device=device)


def _standing(item: Requirement | None) -> str:
    """How a required flow stands."""
    return "not required" if item is None else item.standing.value
