"""What was done to each line of a list, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pathcheck.model.access_list import AccessList, Line, Remark, UnreadLine
from pathcheck.queries.tidy.parts import Part
from pathcheck.queries.tidy.removal import Removable
from pathcheck.results.tidy import TidyChange

__all__ = ["changes_of"]


def changes_of(
    access_list: AccessList,
    removed: Mapping[int, tuple[Removable, tuple[int, ...]]],
    parts: Sequence[Part],
    texts: Mapping[int, str | None],
) -> tuple[TidyChange, ...]:
    """Return the changes in the order of the list.

    Parameters
    ----------
    removed
        By place among the lines, 0-based.
    parts
        The lines that stay.
    texts
        New text by place among the entries.
    """
    lines = access_list.lines
    entry_of = [place for place, entry in enumerate(access_list.entries) if not isinstance(entry, Remark)]
    changes: dict[int, TidyChange] = {}
    for place, (found, because) in removed.items():
        spans = tuple(lines[cause].span for cause in because)
        changes[place] = TidyChange(
            "removed",
            lines[place].span,
            _why(lines[place], found),
            found.found.code,
            spans,
            logging=_logging(lines[place], [lines[cause] for cause in because]) if found.acts else "",
        )
    for part in parts:
        text = texts.get(entry_of[part.origin])
        if not part.taken or text is None:
            continue
        for place in (part.origin, *part.taken):
            changes[place] = TidyChange(
                "merged", lines[place].span, "neighbours that differ in one field are one line", into=text.strip()
            )
    return tuple(changes[place] for place in sorted(changes))


def _why(line: Line | UnreadLine, found: Removable) -> str:
    """Why a line could go."""
    action = line.action.value if line.action is not None else "decide"
    if found.found.code == "PC106":
        return "no packet can match it"
    if found.found.code == "PC105":
        return "the same action and criteria stand earlier in the list"
    if found.found.code == "PC101":
        return "lines before it decide each of its packets, some by the other action"
    if found.acts:
        return f"other lines {action} each of its packets as well"
    return f"lines before it {action} each of its packets already"


def _logging(line: Line | UnreadLine, takers: Sequence[Line | UnreadLine]) -> str:
    """What changes in what is logged when a line that acts goes and others take its packets."""
    own = line.log if isinstance(line, Line) else None
    others = {taker.log if isinstance(taker, Line) else None for taker in takers}
    if own and None in others:
        return "its packets are not logged any more, or not all of them"
    if own and others - {own}:
        return "its packets are logged in another form"
    if not own and others - {None}:
        return "its packets are logged now, or some of them"
    return ""
