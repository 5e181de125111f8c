"""Lines that can go together without changing what the list decides, fragments included."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pathcheck.queries.line_review.dead_lines import DeadLine, find_dead_lines
from pathcheck.queries.line_review.redundant_lines import find_redundant_lines
from pathcheck.queries.line_review.reviewed_list import ReviewedList

__all__ = ["Removable", "removable_lines"]


@dataclass(frozen=True, slots=True)
class Removable:
    """A line that can go; `acts` says that it decides packets that other lines will decide."""

    found: DeadLine
    acts: bool


def removable_lines(reviewed: ReviewedList, advance: Callable[[int], None] = lambda _: None) -> dict[int, Removable]:
    """Return the lines that can all go together, by index.

    A shadowed line that non-initial fragments still pass stays. So does one line where none would be left that
    a device is sure to accept: a list without lines is another thing.

    Parameters
    ----------
    advance
        Hears how many steps are done, two for each line.
    """
    dead = find_dead_lines(reviewed, advance)
    for index in [index for index, found in dead.found.items() if found.fragments_pass]:
        del dead.found[index]
        dead.alive[reviewed.first_row[index] : reviewed.end_row[index]] = True
    redundant = find_redundant_lines(reviewed, dead, advance)
    removable = {index: Removable(found, acts=False) for index, found in dead.found.items()}
    removable |= {index: Removable(found, acts=True) for index, found in redundant.items()}
    # A line that a device may refuse stays: whether a list has a line at all can depend on it.
    removable = {index: found for index, found in removable.items() if not reviewed.spaces[index].refusal}
    accepted = [index for index, space in enumerate(reviewed.spaces) if not space.refusal]
    if accepted and all(index in removable for index in accepted):
        # Lines that act are taken over by lines that stay, so all of these are dead and any of them may stay.
        del removable[accepted[0]]
    return removable
