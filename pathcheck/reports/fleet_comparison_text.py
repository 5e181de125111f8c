"""What a change of a fleet opens and closes, as text: required flows, openings, closings, then where it comes from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pathcheck.packet.prefix import Prefix
from pathcheck.reports.caution import CAUTION
from pathcheck.reports.comparison import doubt_text
from pathcheck.reports.diagnostic import quote_line
from pathcheck.reports.region_words import box_words, packet_words, row_words
from pathcheck.reports.requirement_report import first_line
from pathcheck.reports.terminal import Paint
from pathcheck.results.comparison import ListDifference
from pathcheck.results.fleet_comparison import (
    BindingChange,
    Cause,
    EndChange,
    FleetComparison,
    ListChange,
    ListStatus,
    RequirementChange,
    RouteChange,
    Way,
)
from pathcheck.results.path import LineUse
from pathcheck.results.region import Region
from pathcheck.results.requirement import Requirement
from pathcheck.results.verdict import Verdict
from pathcheck.source import Span

__all__ = ["SHOW", "render_fleet_comparison"]

SHOW = 100
"""Regions of each kind that the text is made of, at most."""
GROUPS = 10
"""Causes of each kind that are shown."""
ROWS = 4
ENDS = 4
PLACES = 30
_COLOURS = {"opened": Verdict.PERMITTED, "closed": Verdict.DENIED, "uncertain": Verdict.UNCERTAIN}
_TITLES = {
    "opened": "opened from end to end: passes now, and did not before",
    "closed": "closed from end to end: passed before, and does not now",
    "uncertain": "uncertain: may fare otherwise than before",
}


def render_fleet_comparison(change: FleetComparison, paint: Paint) -> str:
    """Return the effect of a change as text."""
    writer = _Writer(change, paint)
    out = [*writer.headline(), *writer.requirements()]
    for kind, size in (
        ("opened", change.opened_size),
        ("closed", change.closed_size),
        ("uncertain", change.uncertain_size),
    ):
        out += writer.ends(kind, getattr(change, kind), size)
    out += [*writer.lists(), *writer.bindings(), *writer.routes(), *writer.tail()]
    return "\n".join([*out, "", CAUTION])


@dataclass(slots=True)
class _Writer:
    """The text of one comparison."""

    change: FleetComparison
    paint: Paint

    # ---- the top ----------------------------------------------------------------------------

    def headline(self) -> list[str]:
        """What came of it in one line, and which devices differ."""
        change = self.change
        if change.has_certain_effect:
            kinds = [word for word in ("opened", "closed", "uncertain") if getattr(change, word)]
            said = f"from end to end something is {_and(kinds)}" if kinds else "nothing is opened or closed end to end"
            word = self.paint("CHANGED", Verdict.DENIED)
        elif change.has_uncertain_effect:
            said, word = "something may fare otherwise than before", self.paint("UNCERTAIN", Verdict.UNCERTAIN)
        else:
            said, word = "each packet fares as before", self.paint("NO EFFECT", Verdict.PERMITTED)
        out = [f"{word}  {said}", f"  {change.before}  ->  {change.after}"]
        for names, what in ((change.added, "added"), (change.removed, "removed"), (change.edited, "edited")):
            if names:
                out.append(f"  {what}: {_few(names, 8)}")
        if not (change.added or change.removed or change.edited):
            out.append("  the configuration of each device is the same")
        elif not change.has_certain_effect and not change.has_uncertain_effect:
            out.append(f"  {self._proof()}")
        return out

    def _proof(self) -> str:
        """Say why there is no effect."""
        lists = [one for one in self.change.lists if one.status is ListStatus.CHANGED]
        decide = "decides" if len(lists) == 1 else "decide"
        alike = f"{_number(len(lists), 'edited list')} {decide} each packet as before; " if lists else ""
        if not self.change.asked:
            return f"{alike}all that was edited treats each packet alike at each device, so nothing can fare otherwise"
        return f"{alike}the packets that the edits can touch were followed through both states and end alike"

    def requirements(self) -> list[str]:
        """The required flows that stand otherwise."""
        if not self.change.requirements:
            return []
        return ["", "required flows that stand otherwise", *map(self._requirement, self.change.requirements)]

    def _requirement(self, item: RequirementChange) -> str:
        """One required flow with why it does not hold now."""
        before, after = _standing(item.before), _standing(item.after)
        what = Verdict.PERMITTED if item.after is not None and item.after.holds else Verdict.DENIED
        line = f"  {self.paint(after, what)}  {item.name} (before: {before})"
        if item.after is not None and not item.after.holds:
            line += f"\n    {first_line(item.after)}"
        elif item.after is None:
            line += "\n    it is not required any more"
        return line

    # ---- end to end -------------------------------------------------------------------------

    def ends(self, kind: str, items: Sequence[EndChange], size: int) -> list[str]:
        """The regions of one kind, those with the same causes together."""
        if not items:
            return []
        groups: dict[object, list[EndChange]] = {}
        for item in items:
            causes = tuple((cause.why, cause.span) for cause in (item.before_cause, item.after_cause))
            groups.setdefault((causes, item.before, item.after, item.at), []).append(item)
        order = sorted(groups.values(), key=lambda each: -sum(item.region.size or 0 for item in each))
        out = ["", f"{_TITLES[kind]} ({size:,} packets)"]
        for members in order[:GROUPS]:
            out += self._group(kind, members)
        left = order[GROUPS:]
        if left or self.change.cut:
            more = f"{sum(map(len, left))} more rows by other lines" if left else "more"
            out += ["", f"  and {more}; --json shows {'more' if self.change.cut else 'all'}"]
        return out

    def _group(self, kind: str, members: Sequence[EndChange]) -> list[str]:
        """Rows with one cause, an example, and what decides it in both states."""
        first = members[0]
        word = self.paint(kind, _COLOURS[kind])
        entry = f", from outside at {first.at}" if first.at else ""
        partly = Verdict.PARTLY in (first.before, first.after)
        note = f" ({first.before} before, {first.after} now)" if partly or kind == "uncertain" else ""
        rows = self._rows([item.region for item in members])
        out = ["", *(f"  {word} {row}{entry}{note}" for row in rows[:ROWS])]
        if len(rows) > ROWS:
            out.append(f"    and {len(rows) - ROWS} more rows for the same reason")
        if first.region.sample is not None:
            out.append(f"    for example {packet_words(first.region.sample)}")
        out += _cause("before", first.before_cause) + _cause("now", first.after_cause)
        return out

    def _rows(self, regions: Sequence[Region]) -> list[str]:
        """Regions in rows, the largest first; those that differ in one end alone are one row."""
        rows = [
            (box_words(region.box), region.size or 0)
            for region in sorted(regions, key=lambda region: -(region.size or 0))
        ]
        for end in ("destination", "source"):
            joined: dict[tuple[tuple[str, str | bool], ...], tuple[list[str], list[int]]] = {}
            for words, size in rows:
                rest = tuple((key, value) for key, value in words.items() if key != end)
                texts, sizes = joined.setdefault(rest, ([], []))
                texts.append(str(words[end]))
                sizes.append(size)
            rows = [({**dict(rest), end: self._several(texts)}, sum(sizes)) for rest, (texts, sizes) in joined.items()]
        order = ("protocol", "source", "source_port", "destination", "destination_port")
        rows.sort(key=lambda row: -row[1])
        return [row_words({**{key: words[key] for key in order}, **words}) for words, _ in rows]

    # ---- names ------------------------------------------------------------------------------

    def _several(self, texts: Sequence[str]) -> str:
        """Addresses joined by commas: a whole place by its name, all but a few by what is left out."""
        if len(texts) == 1:
            return self._named(texts[0])
        left = dict.fromkeys(texts)
        named = []
        for place in self.change.places:
            parts = [str(prefix) for prefix in place.prefixes]
            if len(parts) > 1 and all(part in left for part in parts):
                named.append(place.name)
                for part in parts:
                    del left[part]
        if not named and not self.change.cut and (but := _all_but(texts)):
            return but
        shown = [*named, *map(self._named, left)]
        return ", ".join(shown[:ENDS]) + (f" and {len(shown) - ENDS} more" if len(shown) > ENDS else "")

    def _named(self, text: str) -> str:
        """A prefix with the name of the device, or of the smallest place, that it is or is part of."""
        bare = text.removesuffix("/128" if ":" in text else "/32")
        prefix = _prefix(text)
        if prefix is None or prefix.length == 0:
            return bare
        for address, device in self.change.addresses:
            if prefix.size == 1 and prefix.first == address:
                return f"{bare} ({device})"
        holding = [
            (part.size, part == prefix and len(place.prefixes) == 1, place.name)
            for place in self.change.places
            for part in place.prefixes
            if part.version == prefix.version and part.covers(prefix)
        ]
        if not holding:
            return bare
        _, whole, name = min(holding, key=lambda each: (each[0], not each[1], each[2]))
        return f"{bare} ({name})" if whole else f"{bare} (in {name})"

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
        rows = self._rows([item.region for item in items])
        word = self.paint(kind, _COLOURS[kind])
        out = [f"    {word} {row}" for row in rows[:2]]
        if len(rows) > 2 or cut:
            out.append(
                f"      and {'many' if cut else len(rows) - 2} more rows; --json shows {'more' if cut else 'them'}"
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
        out = [f"  {item.device}{table}: {self._several(texts)}"]
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
        if change.readings:
            out.append("")
            out += [f"assumed: {one.key} = {one.value} ({one.about})" for one in change.readings[:6]]
            if len(change.readings) > 6:
                out.append(f"and {len(change.readings) - 6} more assumptions; --json shows all")
        return out


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


def _all_but(texts: Sequence[str]) -> str:
    """Prefixes as one that holds them all and at most two that are left out; empty where that is not shorter."""
    prefixes = [_prefix(text) for text in texts]
    known = [prefix for prefix in prefixes if prefix is not None]
    if len(texts) < 4 or len(known) < len(texts):
        return ""
    around = Prefix.spanning(known)
    missing = around.without(known)
    if len(missing) > 2:
        return ""
    whole = "any" if around.length == 0 else str(around)
    return f"{whole} but {', '.join(_bare(prefix) for prefix in missing)}" if missing else whole


def _prefix(text: str) -> Prefix | None:
    """A prefix as a region names it; None for `any` and for a wildcard mask."""
    if text == "any" or " " in text:
        return None
    return Prefix.parse(text)


def _bare(prefix: Prefix) -> str:
    """A prefix of full length is one address."""
    return str(prefix.first) if prefix.size == 1 else str(prefix)


def _few(words: Sequence[str], most: int) -> str:
    """The first few of some words."""
    return ", ".join(words[:most]) + (f" and {len(words) - most} more" if len(words) > most else "")


def _and(words: Sequence[str]) -> str:
    """Words joined as in a sentence."""
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1]))) if words else ""


def _number(number: int, noun: str) -> str:
    """A number of things."""
    return f"{number} {noun}" + ("" if number == 1 else "s")
