"""What a line that is not modelled rests on: the lines below its header, and what it names elsewhere in the text.

A header such as `router ospf 1`, or a policy on an interface, reads the same before and after
a change that is made below it or in a route map that it names. So two such lines count as
the same only if all of that is the same too: what they name, what this names in turn, and so on. A
name is any word of a definition's header, so that too much may count, and never too little.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from pathcheck.fleet_source import FleetState
from pathcheck.model.access_list import Line, UnreadLine
from pathcheck.model.device import Device
from pathcheck.model.unmodelled import NoScope
from pathcheck.results.account import LineRecord
from pathcheck.source import Span

__all__ = ["UnmodelledText"]

_HEADERS = (
    "route-map", "route-policy", "policy-map", "class-map", "class-group", "prefix-set", "community-set", "as-path-set",
    "rd-set", "extcommunity-set", "as-set", "parameter-map", "policy-options", "object-list", "peer-filter",
    "prefix-list", "track", "key", "community-list", "extcommunity-list", "large-community-list", "as-path",
    "explicit-path", "sla", "local", "reflexive-list", "crypto", "zone", "zone-pair", "time-range",
)  # fmt: skip
_SHORTEST = 4
"""Letters of a word that is cut short, at least."""


def _cut_short(word: str) -> str:
    """Return a pattern of a word and of its beginnings."""
    rest = ""
    for letter in reversed(word[_SHORTEST:]):
        rest = f"(?:{re.escape(letter)}{rest})?"
    return re.escape(word[:_SHORTEST]) + rest


_BELOW = (
    r"match|set|continue|if|else|elseif|endif|apply|pass|drop|done|periodic|absolute|class|police|seq|permit|deny|action|"
    r"frequency|icmp-echo|udp-echo|tcp-connect|object|delay"
)
_ANY_HEADER = "|".join((*map(_cut_short, _HEADERS), r"vlan access-m\w*", "vlan filter"))
_DEFINITION = re.compile(
    rf"^([ \t]*)(?:- )?[\"']?(?:no )?((?:(?:ip|ipv6) )?(?:{_ANY_HEADER})\b[^\n]*"
    rf"(?:\n\1(?:[ \t]+|- [\"'][ \t]+|(?:- )?[\"']?(?:{_BELOW})\b)[^\n]*)*)",
    re.MULTILINE | re.IGNORECASE,
)
"""In a text without indentation the lines below a header stand at the margin; in YAML each may be an item of a list."""
_GRAMMAR = frozenset(
    {
        "ip", "ipv6", "permit", "deny", "seq", "any", "match-any", "match-all",
        "route-map", "prefix-list", "class-map", "policy-map",
    }
)  # fmt: skip
"""Words of headers that are no names."""
_NAME = re.compile(
    r"(?:route-map|route-policy|policy-map|(?:ip(?:v6)? )?prefix-list|(?:prefix|community|as-path|rd|as)-set) (\S+)",
    re.IGNORECASE,
)
"""Headers in which a name stands behind the first words; in the others any word counts as one."""
_ROUTING_LINE = re.compile(
    r"(?:- )?[\"']?(?:no )?(?:(?:ip(?:v6)? )?(?:router )?(ospf|ospfv3|eigrp|isis|rip|ripng)\b"
    r"|(?:ip(?:v6)? )?(?:bandwidth|bandwidth-percent|max-reserved-bandwidth|delay|bfd)\b)",
    re.IGNORECASE,
)
"""Lines outside of a protocol's block, mostly of interfaces, by which its routes come out otherwise."""
_PROTOCOLS = frozenset({"ospf", "ospfv3", "eigrp", "isis", "rip", "ripng", "bgp"})
Words = tuple[object, ...]
_NOTHING: Words = ()


@dataclass(frozen=True, slots=True)
class _Definition:
    """What has a name, and what it says."""

    names: frozenset[str]
    said: Words
    words: frozenset[str]


@dataclass(slots=True)
class UnmodelledText:
    """What the unmodelled lines of some devices of one state rest on.

    Parameters
    ----------
    devices
        Only their lines are asked about; all others rest on nothing here.
    """

    state: FleetState
    devices: Sequence[Device]
    _texts: dict[str, _Text] = field(init=False)
    _found: dict[tuple[str, int, str], Words] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._texts = {}
        for device in self.devices:
            text = next((self._texts[name] for name in device.files if name in self._texts), None) or _Text(self.state)
            text.devices.append(device)
            self._texts.update(dict.fromkeys(device.files, text))

    def behind(self, span: Span | None) -> Words:
        """Return what a line rests on, in a form that can be compared."""
        if span is None or span.file not in self._texts:
            return _NOTHING
        key = (span.file, span.line, span.words)
        if key not in self._found:
            self._found[key] = tuple(self._texts[span.file].behind(span))
        return self._found[key]


@dataclass(slots=True)
class _Text:
    """The text of a device, or of several that share a file."""

    state: FleetState
    devices: list[Device] = field(default_factory=list)
    _bodies: dict[tuple[str, int], tuple[str, ...]] = field(default_factory=dict)
    _definitions: list[_Definition] | None = None
    _unread: list[object] = field(default_factory=list)

    def behind(self, span: Span) -> Iterator[object]:
        """Yield the lines below a header, then each definition that they name, or that these name."""
        if self._definitions is None:
            self._definitions = list(self._defined())
        yield from self._unread
        body = self._bodies.get((span.file, span.line), ())
        yield from body
        named = set(_words((span.words, *body)))
        reached = [False] * len(self._definitions)
        grew = True
        while grew:
            grew = False
            for place, one in enumerate(self._definitions):
                if not reached[place] and not named.isdisjoint(one.names):
                    reached[place] = grew = True
                    named |= one.words
        yield from (one.said for one, is_reached in zip(self._definitions, reached, strict=True) if is_reached)

    def _defined(self) -> Iterator[_Definition]:
        """Yield all that has a name, in the order of the text."""
        files = list(dict.fromkeys(name for device in self.devices for name in device.files))
        for name in files:
            try:
                text = self.state.read(name).replace(b"\r\n", b"\n").decode("utf-8", "replace")
            except (OSError, KeyError):
                self._unread.append((id(self), name))  # nobody knows what it says, so that it equals nothing
                continue
            for found in _DEFINITION.finditer(text):
                lines = tuple(" ".join(line.split()) for line in found[2].split("\n"))
                yield _definition(lines[0], lines)
            yield from _routing_lines(text)
        scoped = {
            (line.span.file, line.span.line)
            for device in self.devices
            for line in device.unmodelled
            if not isinstance(line.scope, NoScope)
        }
        for account in self.state.loaded.report.files:
            for header, below in _blocks(account.records if account.file in files else ()):
                place = (header.span.file, header.span.line)
                self._bodies[place] = tuple(one.span.words for one in below)
                if place not in scoped:
                    yield _definition(header.span.words, (header.span.words, *self._bodies[place]))
        for device in self.devices:
            for (_, list_name), one in device.access_lists.items():
                yield _Definition(frozenset({list_name.lower()}), tuple(map(_bare, one.lines)), frozenset())


def _routing_lines(text: str) -> Iterator[_Definition]:
    """Yield the lines of interfaces that routing protocols go by, each with its interface."""
    interface = ""
    for line in text.split("\n"):
        words = " ".join(line.split())
        if words.lower().startswith("interface "):
            interface = words
        found = _ROUTING_LINE.match(words)
        if found is not None:
            named = found[1]
            names = frozenset({named.lower()}) if named else _PROTOCOLS
            yield _Definition(names, (interface, words), frozenset())


def _bare(line: Line | UnreadLine) -> object:
    """Return a line of a list without its number."""
    return replace(line, sequence=0, log=None) if isinstance(line, Line) else line.span.words


def _blocks(records: Iterable[LineRecord]) -> Iterator[tuple[LineRecord, list[LineRecord]]]:
    """Yield each line that stands by itself, with those below it."""
    header: LineRecord | None = None
    below: list[LineRecord] = []
    for record in records:
        if header is not None and record.why.startswith(("part of `", "below a line")):
            below.append(record)
            continue
        if header is not None:
            yield header, below
        header, below = record, []
    if header is not None:
        yield header, below


def _definition(header: str, said: tuple[str, ...]) -> _Definition:
    """Return what a header and the lines below it define."""
    named = _NAME.match(header)
    names = frozenset(_words((named[1],))) if named else frozenset(_words((header,))) - _GRAMMAR
    return _Definition(names, said, frozenset(_words(said)))


def _words(texts: Iterable[str]) -> Iterator[str]:
    """Yield the words of some lines, in one spelling."""
    for text in texts:
        yield from text.lower().replace('"', " ").replace("'", " ").split()
