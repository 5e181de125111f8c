"""What fares otherwise from end to end as few rows to read: regions with one cause together, addresses with names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pathcheck.packet.prefix import Prefix
from pathcheck.reports.region_words import box_words, row_words
from pathcheck.results.fleet_comparison import EndChange, FleetComparison
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
_Words = tuple[tuple[str, str | bool], ...]


@dataclass(frozen=True, slots=True)
class ChangeGroup:
    """Regions whose examples are decided by the same lines in both states.

    Parameters
    ----------
    members
        In the order of the comparison; the first is the example.
    rows
        All of them, the largest first, with names.
    size
        How many packets they are.
    """

    members: tuple[EndChange, ...]
    rows: tuple[str, ...]
    size: int

    @property
    def first(self) -> EndChange:
        """The example."""
        return self.members[0]

    @property
    def note(self) -> str:
        """What the kind alone does not tell: where packets enter, and what becomes of them in each state."""
        first = self.first
        entry = f", from outside at {first.at}" if first.at else ""
        unclear = Verdict.PARTLY in (first.before, first.after) or Verdict.UNCERTAIN in (first.before, first.after)
        return entry + (f" ({first.before} before, {first.after} now)" if unclear else "")


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
        found: dict[object, list[EndChange]] = {}
        for item in getattr(self.change, kind):
            causes = tuple((cause.why, cause.span) for cause in (item.before_cause, item.after_cause))
            found.setdefault((causes, item.before, item.after, item.at), []).append(item)
        groups = [
            ChangeGroup(
                tuple(members),
                tuple(self.rows([item.region for item in members])),
                sum(item.region.size or 0 for item in members),
            )
            for members in found.values()
        ]
        return sorted(groups, key=lambda group: -group.size)

    def is_cut(self, kind: str) -> bool:
        """Whether there are more packets of a kind than those of the regions."""
        told: int = sum(item.region.size or 0 for item in getattr(self.change, kind))
        size: int = getattr(self.change, f"{kind}_size")
        return told < size

    def rows(self, regions: Sequence[Region]) -> list[str]:
        """Return regions in rows, the largest first; those that differ in one end alone are one row."""
        rows = [
            (box_words(region.box), region.size or 0)
            for region in sorted(regions, key=lambda region: -(region.size or 0))
        ]
        for key in ("protocol", "destination", "source"):
            joined: dict[_Words, tuple[list[str], list[int]]] = {}
            for words, size in rows:
                rest = tuple((name, value) for name, value in words.items() if name != key)
                texts, sizes = joined.setdefault(rest, ([], []))
                texts.append(str(words[key]))
                sizes.append(size)
            rows = [
                ({**dict(rest), key: ",".join(texts) if key == "protocol" else self.several(texts)}, sum(sizes))
                for rest, (texts, sizes) in joined.items()
            ]
        order = ("protocol", "source", "source_port", "destination", "destination_port")
        rows.sort(key=lambda row: -row[1])
        return [row_words({**{key: words[key] for key in order}, **words}) for words, _ in rows]

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
        if not places and (but := self._all_but(texts)):
            return but
        shown = [*places, *map(self.name, left)]
        if not self.named:
            return ", ".join(shown)
        return ", ".join(shown[:_ENDS]) + (f" and {len(shown) - _ENDS} more" if len(shown) > _ENDS else "")

    def _all_but(self, texts: Sequence[str]) -> str:
        """Return prefixes as one that holds them all and the few that are left out; empty where that is not shorter."""
        prefixes = [prefix for text in texts if (prefix := _prefix(text)) is not None]
        if len(texts) <= _ENDS or len(prefixes) < len(texts):
            return ""
        around = Prefix.spanning(prefixes)
        missing = around.without(prefixes)
        if len(missing) > min(_ENDS, len(texts) // 2):
            return ""
        whole = "any" if around.length == 0 else self.name(str(around))
        return f"{whole} but {', '.join(self.name(str(prefix)) for prefix in missing)}" if missing else whole

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


def bare_prefix(prefix: Prefix) -> str:
    """Return a prefix; one of full length is an address."""
    return str(prefix).removesuffix(_FULL[prefix.version])


def _prefix(text: str) -> Prefix | None:
    """A prefix as a region names it; None for `any`, for a wildcard mask, and for several."""
    if text == "any" or " " in text:
        return None
    return Prefix.parse(text)
