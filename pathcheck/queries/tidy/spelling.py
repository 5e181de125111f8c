"""A merged line in the spelling of the line whose place it takes: only the words that change are new."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

from pathcheck.model.access_list import AccessList, Line
from pathcheck.model.device import Device
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.port import PORT_NAMES
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.writer import write_entry

__all__ = ["respelled", "splits_prefixes"]

_WORD = re.compile(r"\S+")
_GROUP_WORDS = frozenset({"object-group", "addrgroup", "net-group", "service-group"})
_PORT_WORDS = frozenset({name for names in PORT_NAMES.values() for name in names})
_ADDRESS = re.compile(r"\d+\.\d+\.\d+\.\d+$")


def splits_prefixes(access_list: AccessList) -> bool:
    """Whether a list writes prefixes with a slash."""
    if access_list.span.words.lower().startswith(("access-list ip ", "access-list ipv6 ")):
        return True  # in this form an address alone is a host, and a mask stands behind a slash
    slashes = masks = 0
    for line in access_list.lines:
        words = line.span.words.split()
        slashes += any("/" in word for word in words)
        masks += any(_ADDRESS.match(one) and _ADDRESS.match(two) for one, two in pairwise(words))
    return slashes > masks


def respelled(device: Device, access_list: AccessList, line: Line, old: Line, *, slash: bool) -> str:
    """Write a line that grew out of another one.

    Parameters
    ----------
    line
        As it is to be.
    old
        The line whose place it takes; its span is the text that is kept as far as it can be.
    slash
        Whether prefixes are written with a slash.
    """
    text = old.span.text
    words = list(_WORD.finditer(text))
    head = next((place for place, word in enumerate(words) if _is_action(word[0])), None)
    if head is None:
        return text
    places = _fields(words, head + 1, standard=access_list.standard)
    for name, (start, end) in sorted(places.items(), key=lambda item: -item[1][0]):
        value = getattr(line, name)
        if value != getattr(old, name):
            old_words = [word[0] for word in words[start:end]]
            new = _spelled(value, old_words, device.assume.dotted_mask, slash=slash) if old_words else None
            if new is None:
                break
            text = text[: words[start].start()] + new + text[words[end - 1].end() :]
    else:
        return text
    version: IPVersion = 4 if access_list.family == "ipv4" else 6
    try:
        plain = write_entry(line, version=version, standard=access_list.standard, masks=device.assume.dotted_mask)
    except ValueError:  # a model that came from no text; whoever wants its text is told so
        return old.span.text
    return old.span.text[: words[head].start()] + plain.partition(" ")[2]


def _is_action(word: str) -> bool:
    """Whether a word is the action of a line; it may be cut short."""
    lower = word.lower()
    return "permit".startswith(lower) or "deny".startswith(lower)


@dataclass(slots=True)
class _Reader:
    """Walks over the words of a line."""

    words: list[re.Match[str]]
    place: int

    def word(self, ahead: int = 0) -> str:
        """The word that is next, in lower case; empty behind the last."""
        index = self.place + ahead
        return self.words[index][0].lower() if index < len(self.words) else ""

    def address(self) -> tuple[int, int]:
        """One end of a line."""
        start, word = self.place, self.word()
        if word == "host" or word in _GROUP_WORDS:
            length = 2
        elif word.endswith(","):
            length = 4
        else:
            length = 2 if _ADDRESS.match(word) and _ADDRESS.match(self.word(1)) else 1
        self.place += length
        return start, min(self.place, len(self.words))

    def ports(self) -> tuple[int, int]:
        """Ports, if there are any."""
        start, word = self.place, self.word()
        if word in ("eq", "neq"):
            self.place += 1
            while self.word().isdigit() or self.word() in _PORT_WORDS:
                self.place += 1
        elif word in ("lt", "gt", "portgroup"):
            self.place += 2
        elif word == "range":
            self.place += 3
        return start, min(self.place, len(self.words))


def _fields(words: list[re.Match[str]], place: int, *, standard: bool) -> dict[str, tuple[int, int]]:
    """Where the words of each field stand."""
    reader = _Reader(words, place)
    if standard:
        return {"source": reader.address()}
    reader.place += 2 if reader.word() in _GROUP_WORDS else 1
    found = {"source": reader.address()}
    found["source_ports"] = reader.ports()
    found["destination"] = reader.address()
    found["destination_ports"] = reader.ports()
    return found


def _spelled(value: object, old: list[str], masks: str, *, slash: bool) -> str | None:
    """Write the value of one field; None where this form cannot say it."""
    if isinstance(value, Ranges):
        if len(value.spans) != 1:
            return None
        low, high = value.spans[0]
        return f"eq {low}" if low == high else f"range {low} {high}"
    if not isinstance(value, AddressMatch):
        return None
    if value.is_any:
        return "any"
    prefix = value.as_prefix()
    if prefix is not None and prefix.length == WIDTH[value.version]:
        return f"host {prefix.first}"
    masked = len(old) == 2 and old[0].lower() != "host"
    if value.version == 6 or any("/" in word for word in old) or (slash and not masked):
        return None if prefix is None else str(prefix)
    if old[0].endswith(","):
        return f"{Address(4, value.value)}, wildcard bits {Address(4, value.free)}"
    if masks == "netmask":
        return None if prefix is None else f"{prefix.first} {Address(4, prefix.netmask)}"
    return f"{Address(4, value.value)} {Address(4, value.free)}"
