"""Lines whose meaning is not modelled, by their words and the block that they stand in."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from pathcheck.model.interface import canonical_name
from pathcheck.parser.lines import LineKind, split_lines
from pathcheck.results.removals import Reach
from pathcheck.source import Span

__all__ = ["WordLine", "word_lines"]

_DATA_ENDINGS = (".yaml", ".yml", ".json")
_NOTHING = frozenset({"exit", "end", "quit", "exit-address-family", "exit-vrf"})
_DEFAULTS = frozenset({"no shutdown", "no ip address", "no switchport access vlan", "no description"})
"""Lines that say what a device does without them (common practice, no source)."""
_MANAGEMENT = (
    "aaa", "username", "enable", "line", "login", "transport", "ip ssh", "ssh", "crypto key", "tacacs", "tacacs-server",
    "radius", "radius-server", "access-class", "management", "ip tacacs", "ip radius", "netconf", "restconf",
)  # fmt: skip
_TRUNKS = ("switchport", "channel-group", "spanning-tree", "vtp", "lacp")
_ROUTES = ("router", "ip routing", "ipv6 unicast-routing", "network", "neighbor", "redistribute", "route-map", "vrf")
_LISTS = ("ip prefix-list", "time-range", "class-map", "policy-map", "service-policy")


@dataclass(frozen=True, slots=True)
class WordLine:
    """A command line.

    Parameters
    ----------
    key
        The headers of its blocks and its words, blanks made one; a word that stands twice counts twice.
    section
        Its first words, where it stands outside of blocks.
    """

    key: tuple[str, ...]
    section: str | None
    reach: Reach
    span: Span


def word_lines(files: Iterable[str], read: Callable[[str], bytes]) -> Iterator[WordLine]:
    """Yield the command lines of a device's texts; files of data have none."""
    times: Counter[tuple[str, ...]] = Counter()
    for file in files:
        if file.lower().endswith(_DATA_ENDINGS):
            continue
        lines, _ = split_lines(file, read(file))
        commands = [line for line in lines if line.kind is LineKind.COMMAND]
        indented = sum(1 for line in commands if line.indent) * 10 > len(commands)
        stack: list[tuple[int, str]] = []
        for line in commands:
            words = line.text.split()
            if not words or words[0].lower() in _NOTHING:
                continue
            said = _said(words)
            if said.lower() in _DEFAULTS:
                continue
            while stack and (not indented or stack[-1][0] >= line.indent):
                stack.pop()
            outer = tuple(header for _, header in stack)
            stack.append((line.indent, said))
            base = (*outer, said)
            times[base] += 1
            yield WordLine((*base, str(times[base])), None if outer else _section(words), _reach(base), line.span)


def _said(words: list[str]) -> str:
    """The words of a line with one blank between; an interface by its whole name."""
    head = words[0].lower()
    if len(head) > 2 and "interface".startswith(head) and len(words) > 1 and words[1].lower() != "range":
        return f"interface {canonical_name(' '.join(words[1:]))}"
    return " ".join(words)


def _section(words: list[str]) -> str:
    """The first word of a line, or two where the first says little."""
    lower = [word.lower() for word in words]
    return " ".join(lower[:2]) if lower[0] in ("ip", "ipv6", "no") and len(lower) > 1 else lower[0]


def _reach(path: tuple[str, ...]) -> Reach:
    """How far a line reaches, by its own first words or those of its outermost block."""
    for said in (path[-1], path[0]):
        lower = said.lower().removeprefix("no ")
        for reach, heads in (
            (Reach.MANAGEMENT, _MANAGEMENT),
            (Reach.TRUNKS, _TRUNKS),
            (Reach.ROUTES, _ROUTES),
            (Reach.LISTS, _LISTS),
        ):
            if any(lower == head or lower.startswith(f"{head} ") for head in heads):
                return reach
    return Reach.REST
