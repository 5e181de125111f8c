"""Lists that let what no line permits go without a trace (PC112)."""

from __future__ import annotations

import numpy as np

from pathcheck.model.access_list import Action, Line
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, Row
from pathcheck.queries.line_review.list_binding import filters
from pathcheck.queries.line_review.reviewed_list import ReviewedList
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding

__all__ = ["unlogged_end"]

_EVERYTHING = Row(((0, 0), (0, 0)), ((0, 255), (0, 65535), (0, 65535), (0, 63)), (0, 0), WHOLE | FRAGMENT)


def unlogged_end(reviewed: ReviewedList) -> Finding | None:
    """Return a note if the list ends without a deny that logs; None if it has one, or a line that permits the rest.

    The first line that holds each packet is the end of a list, whatever stands behind
    it; without such a line the end is the implicit deny, which never logs. Only lists
    that filter are judged; where the text applies no list at all, each of them is.
    """
    if not filters(reviewed.device, reviewed.access_list):
        return None
    line = _last(reviewed)
    if line is None:
        span = reviewed.lines[-1].span
        message = "what no line permits is dropped by the implicit deny, which leaves no trace"
        help_text = f"end the list with {_deny_all(reviewed)}"
    elif line.action is Action.DENY and line.log is None:
        span = line.span
        message = "what no line permits is dropped here without a trace"
        help_text = f"write {_deny_all(reviewed)}"
    else:
        return None
    return finding(
        "PC112",
        message,
        span=span,
        device=reviewed.device.name,
        acl=reviewed.access_list.name,
        help=help_text,
    )


def _last(reviewed: ReviewedList) -> Line | None:
    """The first line that holds each packet for certain, None where none does."""
    rows = reviewed.table.covering(_EVERYTHING, np.flatnonzero(reviewed.decides), WHOLE)
    for row in rows:
        line = reviewed.lines[int(reviewed.table.owners[row])]
        if reviewed.table.worlds[row] & FRAGMENT and isinstance(line, Line):
            return line
    return None


def _deny_all(reviewed: ReviewedList) -> str:
    """The line that denies and logs everything, in the form of the list."""
    if reviewed.access_list.standard:
        return "`deny any log`"
    if reviewed.version == 4:
        return "`deny ip any any log`"
    # A written deny stands in front of the permits that the implicit end has.
    return "`permit icmp any any nd-ns`, `permit icmp any any nd-na` and `deny ipv6 any any log`"
