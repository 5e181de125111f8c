"""Which remarks stay when lines are gone.

A remark speaks of the lines behind it, up to the next remark; remarks in a row
speak of the same lines. When all of these are gone, the remark goes too. Two kinds
stay longer: one that is set off by a rule of signs (`--- tills ---`, `=== end`)
heads a section, and stays while a line is left before the next such head; and one
that never had a line behind it stays.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from pathcheck.model.access_list import Entry, Remark

__all__ = ["idle_remarks"]

_HEAD = re.compile(r"\s*[-=*#+~_<>|.]{2,}|.*[-=*#+~_<>|]{2,}\s*$")


def idle_remarks(entries: Sequence[Entry], kept: set[int]) -> set[int]:
    """Return the places of remarks whose lines are all gone.

    Parameters
    ----------
    entries
        Of the list as written.
    kept
        Places, among the entries, of the lines that stay.
    """
    idle = set()
    for place, entry in enumerate(entries):
        if not isinstance(entry, Remark):
            continue
        end = _end_of_section(entries, place) if _is_head(entry) else _end_of_remark(entries, place)
        lines = {index for index in range(place + 1, end) if not isinstance(entries[index], Remark)}
        if lines and not lines & kept:
            idle.add(place)
    return idle


def _is_head(remark: Remark) -> bool:
    """Whether a remark is set off by a rule of signs."""
    return _HEAD.match(remark.text) is not None


def _end_of_section(entries: Sequence[Entry], place: int) -> int:
    """The place behind the lines that a head stands over; heads in a row stand over the same."""
    index = place + 1
    while index < len(entries) and isinstance(entries[index], Remark):
        index += 1
    while index < len(entries):
        entry = entries[index]
        if isinstance(entry, Remark) and _is_head(entry):
            break
        index += 1
    return index


def _end_of_remark(entries: Sequence[Entry], place: int) -> int:
    """The place behind the lines that a remark speaks of."""
    index = place + 1
    while index < len(entries) and isinstance(entries[index], Remark):
        index += 1
    while index < len(entries) and not isinstance(entries[index], Remark):
        index += 1
    return index
