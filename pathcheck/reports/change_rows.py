"""What fares otherwise from end to end as few rows to read: regions with one cause together, addresses with names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pathcheck.packet.prefix import Prefix
from pathcheck.reports.region_words import box_words, row_words
from pathcheck.results.fleet_comparison import ChangeRow, EndChange, FleetComparison
from pathcheck.results.region import Region
from pathcheck.results.verdict import Verdict

__all__ = ["KINDS", "TITLES", "ChangeGroup", "ChangeRows", "bare_prefix"]

KINDS = ("opened", "closed", "uncertain")
TITLES = {
    "opened": "opened from end to end: passes now, and did not before",
    "closed": "closed from end to end: passed before, and does not now",
    "uncertain": "uncertain: may fare otherwise than before",
}
_ENDS = 4
"""Addresses of one end of a row."""
_FULL = {4: "/32", 6: "/128"}


@dataclass(frozen=True, slots=True)
class ChangeGroup:
    """Regions whose examples are decided by the same lines in both states.

    Parameters
    ----------
    first
        The example.
    rows
        All of them, the largest first, with names.
    size
        How many packets they are.
    """

    first: EndChange
    rows: tuple[str, ...]
    size: int

    @property
    def note(self) -> str:
        """What the kind alone does not tell: where packets enter, and what becomes of them in each state."""
        first = self.first
        entry = f", from outside at {first.at}" if first.at else ""
        unclear = Verdict.PARTLY in (first.before, first.after) or Verdict.UNCERTAIN in (first.before, first.after)
        return entry + (f" ({first.before} before, {first.after} now)" if unclear else "")


@dataclass(frozen=True, slots=True)
class _Row:
    """One row before it is text: the addresses of both ends, and the words of the rest."""

    sources: tuple[str, ...]
    destinations: tuple[str, ...]
    words: dict[str, str | bool]
    size: int

    def rest(self, key: str) -> object:
        """Return all but one thing."""
        words = frozenset((name, value) for name, value in self.words.items() if name != key)
        return words, self.sources if key != "source" else None, self.destinations if key != "destination" else None

    def with_all(self, key: str, members: Sequence[_Row]) -> _Row:
        """Return the row that holds all of some that differ in one thing alone."""
        size = sum(row.size for row in members)
        if key == "source":
            return replace(self, sources=tuple(dict.fromkeys(one for row in members for one in row.sources)), size=size)
        if key == "destination":
            ends = tuple(dict.fromkeys(one for row in members for one in row.destinations))
            return replace(self, destinations=ends, size=size)
        protocols = ",".join(dict.fromkeys(str(row.words[key]) for row in members))
        return replace(self, words={**self.words, key: protocols}, size=size)


def _region_words(region: Region) -> _Row:
    """A region as a row."""
    words = box_words(region.box)
    return _Row(
        (str(words["source"]),),
        (str(words["destination"]),),
        words | {"source": "", "destination": ""},
        region.size or 0,
    )


def _row_words(row: ChangeRow) -> _Row:
    """A row of a comparison."""
    words = box_words(row.example.region.box) | {"source": "", "destination": ""}
    sources, destinations = (tuple(map(_prefix_words, each)) for each in (row.sources, row.destinations))
    return _Row(sources, destinations, words, row.example.region.size or 0)


def _prefix_words(prefix: Prefix) -> str:
    return "any" if prefix.length == 0 else str(prefix)


@dataclass(frozen=True, slots=True)
class ChangeRows:
    """The regions of a comparison as rows.

    Parameters
    ----------
    change
        Whose places and devices name addresses.
    named
        Whether they do.
    """

    change: FleetComparison
    named: bool = True

    def groups(self, kind: str) -> list[ChangeGroup]:
        """Return the regions of one kind by cause, the largest first; kinds are :data:`KINDS`."""
        found: dict[object, list[ChangeRow]] = {}
        for row in self._rows(kind):
            item = row.example
            causes = tuple((cause.why, cause.span) for cause in (item.before_cause, item.after_cause))
            found.setdefault((causes, item.before, item.after, item.at), []).append(row)
        groups = [
            ChangeGroup(
                members[0].example,
                tuple(self._joined([_row_words(row) for row in members])),
                sum(row.example.region.size or 0 for row in members),
            )
            for members in found.values()
        ]
        return sorted(groups, key=lambda group: -group.size)

    def _rows(self, kind: str) -> tuple[ChangeRow, ...]:
        rows: tuple[ChangeRow, ...] = getattr(self.change, f"{kind}_rows")
        return rows

    def is_cut(self, kind: str) -> bool:
        """Whether there are more packets of a kind than those of the rows."""
        size: int = getattr(self.change, f"{kind}_size")
        return sum(row.example.region.size or 0 for row in self._rows(kind)) < size

    def rows(self, regions: Sequence[Region]) -> list[str]:
        """Return regions in rows, the largest first; those that differ in one end alone are one row."""
        return self._joined([_region_words(region) for region in regions])

    def _joined(self, rows: Sequence[_Row]) -> list[str]:
        """Return rows as text; those that differ in one thing alone are one."""
        rows = sorted(rows, key=lambda row: -row.size)
        for key in ("protocol", "destination", "source"):
            joined: dict[object, list[_Row]] = {}
            for row in rows:
                joined.setdefault(row.rest(key), []).append(row)
            rows = [members[0].with_all(key, members) for members in joined.values()]
        rows.sort(key=lambda row: -row.size)
        return [
            row_words({**row.words, "source": self.several(row.sources), "destination": self.several(row.destinations)})
            for row in rows
        ]

    def several(self, texts: Sequence[str]) -> str:
        """Return addresses joined by commas: a whole place by its name, many prefixes by what they leave out."""
        texts = list(dict.fromkeys(texts))
        if len(texts) == 1:
            return self.name(texts[0])
        left = dict.fromkeys(texts)
        places = []
        for place in self.change.places if self.named else ():
            parts = [str(prefix) for prefix in place.prefixes]
            if len(parts) > 1 and all(part in left for part in parts):
                places.append(place.name)
                for part in parts:
                    del left[part]
        prefixes = [prefix for text in left if (prefix := _prefix(text)) is not None]
        others = [text for text in left if _prefix(text) is None]
        shown = [*places, *map(self._name_of, _terms(prefixes)), *others]
        if not self.named:
            return ", ".join(shown)
        return ", ".join(shown[:_ENDS]) + (f" and {len(shown) - _ENDS} more" if len(shown) > _ENDS else "")

    def _name_of(self, term: _Term) -> str:
        """Return one term of a list of addresses."""
        prefix, missing = term
        but = f" but {' and '.join(self.name(str(one)) for one in missing)}" if missing else ""
        return ("any" if prefix.length == 0 else self.name(str(prefix))) + but

    def name(self, text: str) -> str:
        """Return a prefix with the name of the device, or of the smallest place, that it is or is part of."""
        prefix = _prefix(text)
        if prefix is None or prefix.length == 0:
            return text
        bare = bare_prefix(prefix)
        if not self.named:
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


_Term = tuple[Prefix, tuple[Prefix, ...]]
"""A prefix, and what of it is left out."""


def _terms(prefixes: Sequence[Prefix]) -> list[_Term]:
    """Return addresses as few terms, those that hold most first."""
    if not prefixes:
        return []
    terms, _ = _split(Prefix.spanning(prefixes), prefixes)
    return sorted(terms, key=lambda term: -term[0].size)


def _split(around: Prefix, prefixes: Sequence[Prefix]) -> tuple[list[_Term], list[Prefix]]:
    """Return the addresses in a prefix as terms, and what of the prefix is left out."""
    inside = [prefix for prefix in prefixes if prefix.overlaps(around)]
    if not inside:
        return [], [around]
    if any(prefix.covers(around) for prefix in inside):
        return [(around, ())], []
    halves = [_split(half, inside) for half in around.halves()]
    terms = halves[0][0] + halves[1][0]
    missing = halves[0][1] + halves[1][1]
    if len(missing) <= _ENDS and 1 + len(missing) < sum(1 + len(each) for _, each in terms):
        return [(around, tuple(missing))], missing
    return terms, missing


def bare_prefix(prefix: Prefix) -> str:
    """Return a prefix; one of full length is an address."""
    return str(prefix).removesuffix(_FULL[prefix.version])


def _prefix(text: str) -> Prefix | None:
    """A prefix as a region names it; None for `any`, for a wildcard mask, and for several."""
    if text == "any" or " " in text:
        return None
    return Prefix.parse(text)
