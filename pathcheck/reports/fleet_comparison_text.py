"""What a change of a fleet opens and closes, as text: required flows, openings, closings, then where it comes from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.change_rows import TITLES, ChangeGroup, ChangeRows
from pathcheck.reports.comparison import doubt_text
from pathcheck.reports.diagnostic import quote_line
from pathcheck.reports.region_words import packet_words
from pathcheck.reports.requirement_report import first_line
from pathcheck.reports.terminal import Paint
from pathcheck.results.comparison import ListDifference
from pathcheck.results.fleet_comparison import (
    BindingChange,
    Cause,
    FleetComparison,
    ListChange,
    ListStatus,
    RequirementChange,
    RouteChange,
    UnreadFile,
    Way,
)
from pathcheck.results.path import LineUse
from pathcheck.results.requirement import Requirement
from pathcheck.results.verdict import Verdict
from pathcheck.source import Span

__all__ = ["ComparisonText", "render_fleet_comparison"]

GROUPS = 10
"""Causes of each kind that are shown."""
ROWS = 4
PLACES = 30
_COLOURS = {"opened": Verdict.PERMITTED, "closed": Verdict.DENIED, "uncertain": Verdict.UNCERTAIN}


def render_fleet_comparison(change: FleetComparison, paint: Paint) -> str:
    """Return the effect of a change as text."""
    writer = ComparisonText(change, paint, ChangeRows(change))
    out = [*writer.headline(), *writer.requirements()]
    for kind, size in (
        ("opened", change.opened_size),
        ("closed", change.closed_size),
        ("uncertain", change.uncertain_size),
    ):
        out += writer.ends(kind, size)
    out += [*writer.lists(), *writer.bindings(), *writer.routes(), *writer.tail()]
    return "\n".join([*out, "", CAUTION])


@dataclass(slots=True)
class ComparisonText:
    """The text of one comparison."""

    change: FleetComparison
    paint: Paint
    lines: ChangeRows

    # ---- the top ----------------------------------------------------------------------------

    @property
    def said(self) -> str:
        """What came of it, in one line."""
        change = self.change
        if change.has_certain_effect:
            kinds = [word for word in ("opened", "closed", "uncertain") if getattr(change, f"{word}_size")]
            return f"from end to end something is {_and(kinds)}" if kinds else "nothing is opened or closed end to end"
        if change.has_uncertain_effect:
            return "something may fare otherwise than before"
        if change.requirements:
            return "each packet fares as before; other flows are required"
        return "each packet fares as before"

    def headline(self) -> list[str]:
        """What came of it, and which devices differ."""
        change = self.change
        if change.has_certain_effect:
            word = self.paint("CHANGED", Verdict.DENIED)
        elif change.has_uncertain_effect:
            word = self.paint("UNCERTAIN", Verdict.UNCERTAIN)
        else:
            word = self.paint("NO EFFECT", Verdict.PERMITTED)
        out = [f"{word}  {self.said}", f"  {change.before}  ->  {change.after}"]
        out += [f"  {line}" for line in self.devices()]
        if change.not_known:
            out += ["", "not read, so that what it changes is not known", *(f"  {line}" for line in self.unread())]
        return out

    def devices(self) -> list[str]:
        """Which devices differ, and why nothing comes of it where that is so."""
        change = self.change
        out = [
            f"{what}: {_few(names, 8)}"
            for names, what in ((change.added, "added"), (change.removed, "removed"), (change.edited, "edited"))
            if names
        ]
        if change.recabled:
            out.append("the cabling differs")
        if change.not_known:
            return out
        if not out:
            return ["the configuration of each device is the same"]
        return out if change.has_certain_effect or change.has_uncertain_effect else [*out, self._proof()]

    def unread(self) -> list[str]:
        """The files that are refused and not the same."""
        return [_unread(item) for item in self.change.not_known]

    def _proof(self) -> str:
        """Say why there is no effect."""
        lists = [one for one in self.change.lists if one.status is ListStatus.CHANGED]
        decide = "decides" if len(lists) == 1 else "decide"
        alike = f"{_number(len(lists), 'edited list')} {decide} each packet as before; " if lists else ""
        if not self.change.asked:
            return f"{alike}all that was edited treats each packet alike at each device, so nothing can fare otherwise"
        known = ", as far as their ways are known" if self.change.left_open else ""
        return f"{alike}the packets that the edits can touch were followed through both states and end alike{known}"

    def requirements(self) -> list[str]:
        """The required flows that stand otherwise."""
        if not self.change.requirements:
            return []
        out = ["", "required flows that stand otherwise"]
        for item in self.change.requirements:
            line, why = self._requirement(item)
            out += [f"  {line}", *([f"    {why}"] if why else [])]
        return out

    def flows(self) -> list[str]:
        """The same, each in one line."""
        return [": ".join(filter(None, self._requirement(item))) for item in self.change.requirements]

    def _requirement(self, item: RequirementChange) -> tuple[str, str]:
        """One required flow, and why it does not hold now."""
        before, after = _standing(item.before), _standing(item.after)
        what = Verdict.PERMITTED if item.after is not None and item.after.holds else Verdict.DENIED
        line = f"{self.paint(after, what)}  {item.name} (before: {before})"
        if item.after is None:
            return line, "it is not required any more"
        return line, "" if item.after.holds else first_line(item.after)

    # ---- end to end -------------------------------------------------------------------------

    def ends(self, kind: str, size: int) -> list[str]:
        """The regions of one kind, those with the same causes together."""
        groups = self.lines.groups(kind)
        if not groups:
            return []
        out = ["", f"{TITLES[kind]} ({size:,} packets)"]
        for group in groups[:GROUPS]:
            out += self._group(kind, group)
        left, cut = groups[GROUPS:], self.lines.is_cut(kind)
        if left or cut:
            more = f"{_number(sum(len(group.rows) for group in left), 'more row')} by other lines" if left else "more"
            out += ["", f"  and {more}; --json shows {'more' if cut else 'all'}"]
        return out

    def _group(self, kind: str, group: ChangeGroup) -> list[str]:
        """Rows with one cause, an example, and what decides it in both states."""
        word = self.paint(kind, _COLOURS[kind])
        first = group.first
        out = ["", *(f"  {word} {row}{group.note}" for row in group.rows[:ROWS])]
        if len(group.rows) > ROWS:
            out.append(f"    and {_number(len(group.rows) - ROWS, 'more row')} for the same reason")
        if first.region.sample is not None:
            out.append(f"    for example {packet_words(first.region.sample)}")
        out += _cause("before", first.before_cause) + _cause("now", first.after_cause)
        return out

    # ---- where it comes from ----------------------------------------------------------------

    def lists(self) -> list[str]:
        """The lists that were edited."""
        out: list[str] = []
        for item in self.change.lists[:PLACES]:
            out += self._list(item)
        out += _rest(self.change.lists)
        return ["", "access lists", *out] if out else []

    def _list(self, item: ListChange) -> list[str]:
        """One list: what it decides otherwise by itself."""
        where = f", {_few(item.bound_at, 3)}" if item.bound_at else ", bound nowhere"
        place = f", {item.span}" if item.span else ""
        if item.comparison is None:
            return [f"  {item.device} {item.acl}{where}{place}: {item.status}"]
        if not item.has_effect:
            edits = f" ({_and(item.edits)} edited)" if item.edits else ""
            return [f"  {item.device} {item.acl}{where}{place}: decides each packet as before{edits}"]
        one = item.comparison
        out = [f"  {item.device} {item.acl}{where}{place}"]
        for kind in ("opened", "closed", "uncertain"):
            out += self._differences(kind, getattr(one, kind), one.cut)
        if one.doubts:
            out.append(
                f"    {_number(len(one.doubts), 'line')} that may match or not stand in both and count as the same"
            )
        return out

    def bindings(self) -> list[str]:
        """The places with other lists."""
        out: list[str] = []
        for item in self.change.bindings[:PLACES]:
            out += self._binding(item)
        out += _rest(self.change.bindings)
        return ["", "where lists are bound", *out] if out else []

    def _binding(self, item: BindingChange) -> list[str]:
        """One place."""
        before, after = (", ".join(names) or "no list" for names in (item.before, item.after))
        family = "" if item.family == "ipv4" else " (IPv6)"
        out = [f"  {item.device} {item.place}{family}: {before}  ->  {after}" + (f", {item.span}" if item.span else "")]
        if not item.has_effect:
            return [f"{out[0]}: decides each packet as before"]
        for kind in ("opened", "closed", "uncertain"):
            out += self._differences(kind, getattr(item, kind), item.cut)
        return out

    def _differences(self, kind: str, items: Sequence[ListDifference], cut: bool) -> list[str]:
        """What lists decide otherwise by themselves: a few rows, with the lines of the first."""
        if not items:
            return []
        rows = self.lines.rows([item.region for item in items])
        word = self.paint(kind, _COLOURS[kind])
        out = [f"    {word} {row}" for row in rows[:2]]
        if cut:
            out.append("      and many more rows; --json shows more")
        elif len(rows) > 2:
            out.append(
                f"      and {_number(len(rows) - 2, 'more row')}; --json shows {'it' if len(rows) == 3 else 'them'}"
            )
        first = items[0]
        decided = f"{_line(first.before)} before, {_line(first.after)} now"
        out.append(f"      {'by' if len(rows) == 1 else 'the first by'} {decided}")
        out += [f"      uncertain: {doubt_text(doubt)}" for doubt in first.doubts[:2]]
        return out

    def routes(self) -> list[str]:
        """The tables that send destinations another way."""
        out: list[str] = []
        for item in self.change.routes[:PLACES]:
            out += self._route(item)
        out += _rest(self.change.routes)
        return ["", "routes: destinations that go another way", *out] if out else []

    def _route(self, item: RouteChange) -> list[str]:
        """Destinations of one table."""
        table = f" (VRF {item.vrf})" if item.vrf else ""
        texts = [str(prefix) for prefix in item.prefixes]
        out = [f"  {item.device}{table}: {self.lines.several(texts)}"]
        for when, way in (("before", item.before), ("now", item.after)):
            out.append(f"    {when}: {_way(way)}")
            out += [f"      uncertain: {doubt_text(doubt)}" for doubt in way.doubts[:2]]
        return out

    # ---- the end ----------------------------------------------------------------------------

    def tail(self) -> list[str]:
        """What the answer rests on."""
        change = self.change
        out: list[str] = []
        if change.left_open:
            out += ["", "not known in either state, and the same as far as it is known: packets behind"]
            out += [f"  {doubt_text(doubt)}" for doubt in change.left_open[:4]]
            if len(change.left_open) > 4:
                out.append(f"  and {len(change.left_open) - 4} more lines")
        same = [one for one in change.unread if one.is_same]
        if same:
            names = _few([one.file for one in same], 4)
            out += ["", f"refused in both states, with the same content: {names}"]
        if change.readings:
            out.append("")
            out += [f"assumed: {one.key} = {one.value} ({one.about})" for one in change.readings[:6]]
            if len(change.readings) > 6:
                out.append(f"and {len(change.readings) - 6} more assumptions; --json shows all")
        return out


def _unread(item: UnreadFile) -> str:
    """A file that is refused."""
    if item.before is not None and item.after is not None:
        return f"{item.file}: {item.after}"
    when, why = ("before", item.before) if item.before is not None else ("now", item.after)
    return f"{item.file} {when}: {why}"


def _standing(item: Requirement | None) -> str:
    """How a required flow stands."""
    return "not required" if item is None else item.standing.value


def _cause(when: str, cause: Cause) -> list[str]:
    """What decides on one side, its line quoted."""
    if cause.span is None:
        return [f"    {when}: {cause.why}"]
    return [f"    {when}: {cause.why}, {cause.span}", quote_line(cause.span, indent="      ")]


def _line(use: LineUse) -> str:
    """A deciding line in a few words."""
    if not use.acl:
        return use.text
    return f"`{use.text.strip()}` of {use.acl}" + (f" ({use.span})" if use.span else "")


def _way(way: Way) -> str:
    """What a table does with destinations."""
    lines = f" ({_few([str(span) for span in _once(way.spans)], 2)})" if way.spans else ""
    if way.kind in ("next-hop", "connected"):
        hops = [
            f"{interface}" + (f" to {address}" if address is not None else "") for interface, address in way.hops
        ]  # fmt: skip
        hops += ["a discard route"] if way.discards else []
        by = f"by {way.prefix} " if way.prefix is not None and way.kind == "next-hop" else ""
        return f"{by}{'out of' if by else 'connected to'} {_few(hops, 4)}{lines}"
    words = {
        "none": "no route matches",
        "stranded": "no route, a written one has a next hop that cannot be reached",
        "own": "an address of the device itself",
        "discard": "a discard route",
    }
    return f"{words[way.kind]}{lines}"


def _once(spans: Iterable[Span]) -> list[Span]:
    """Lines, each once."""
    return list(dict.fromkeys(spans))


def _rest(items: Sequence[object]) -> list[str]:
    """Say how many are not shown."""
    return [f"  and {len(items) - PLACES} more; --json shows all"] if len(items) > PLACES else []


def _few(words: Sequence[str], most: int) -> str:
    """The first few of some words."""
    return ", ".join(words[:most]) + (f" and {len(words) - most} more" if len(words) > most else "")


def _and(words: Sequence[str]) -> str:
    """Words joined as in a sentence."""
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1]))) if words else ""


def _number(number: int, noun: str) -> str:
    """A number of things."""
    return f"{number} {noun}" + ("" if number == 1 else "s")
