"""The lines of a list while it is made shorter."""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.model.access_list import AccessList, Line, UnreadLine
from pathcheck.model.device import Device
from pathcheck.queries.line_review.reviewed_list import ReviewedList

__all__ = ["Part", "reviewed_parts"]


@dataclass(frozen=True, slots=True)
class Part:
    """A line that stays.

    Parameters
    ----------
    line
        As it is now.
    origin
        The place, 0-based, of the line of the list as written whose place it has.
    taken
        Places of further lines as written that it took in.
    """

    line: Line | UnreadLine
    origin: int
    taken: tuple[int, ...] = ()


def reviewed_parts(device: Device, access_list: AccessList, parts: list[Part]) -> ReviewedList:
    """Return lines in the form in which they are compared with each other."""
    entries = tuple(part.line for part in parts)
    shortened = AccessList(
        access_list.name, access_list.family, access_list.standard, entries, span=access_list.span
    )  # fmt: skip
    return ReviewedList(device, shortened)
