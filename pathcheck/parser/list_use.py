"""Uses of a list that filter no forwarded packet: a route map, address translation, a service.

Such a list is not "unapplied", and its lines permit and deny something else than packets.
"""

from __future__ import annotations

from pathcheck.model.access_list import Family
from pathcheck.model.device import ListUse
from pathcheck.model.unmodelled import Scope
from pathcheck.parser.commands import Command, CommandLine, Context, Result, modelled
from pathcheck.results.account import LineClass

__all__ = ["looks", "note_lists", "uses", "with_list"]

_NO_NAMES = frozenset({"prefix-list", "prefix", "route-map", "gateway", "route-policy", "level"})
"""Words in the place of a name that tell that no list follows."""

_FILLERS = frozenset({"name", "access-list", "access-group", "ipv4", "ipv6", "list", "ip"})
"""Words that may stand in front of a name."""


def note_lists(context: Context, line: CommandLine, what: str, *, at: int = 0, most: int = 1) -> None:
    """Note the lists that a line names.

    Parameters
    ----------
    what
        The use, in the trade's words.
    at
        Where the first name stands, counted from the word behind the head.
    most
        How many names may follow each other.
    """
    if line.negated:
        return
    family: Family = "ipv6" if any(word.lower() == "ipv6" for word in line.words[:4]) else "ipv4"
    names = line.tail[at:]
    while names and names[0].lower() in _FILLERS:
        names = names[1:]
    if not names or names[0].lower() in _NO_NAMES:
        return
    for name in names[:most]:
        context.list_uses.append(ListUse(name, family, what, span=line.span))


def uses(head: str, what: str, *, at: int = 0, most: int = 1) -> Command:
    """Return the row of a command that is ignored but for the lists that it names."""

    def handler(context: Context, line: CommandLine) -> Result:
        note_lists(context, line, what, at=at, most=most)
        return LineClass.IGNORED

    return modelled(head, handler)


def looks(head: str, what: str, *, at: int = 0, most: int = 1) -> Command:
    """Return the row of a line in a block that is taken whole, looked at for the lists that it names."""

    def handler(context: Context, line: CommandLine) -> Result:
        note_lists(context, line, what, at=at, most=most)
        return None

    return modelled(head, handler)


class with_list:  # noqa: N801 - reads as a word of the tables
    """What an unmodelled line touches, where it also names a list.

    Parameters
    ----------
    scope
        What the line can touch.
    at
        Where the list's name stands, counted from the word behind the head.
    """

    def __init__(self, what: str, scope: Scope, *, at: int = 0) -> None:
        self._what, self._scope, self._at = what, scope, at

    def __call__(self, context: Context, line: CommandLine) -> Scope:
        """Note the list and return the scope."""
        note_lists(context, line, self._what, at=self._at)
        return self._scope
