"""Permits that are broad in effect: what they really let through, after the lines before them (PC108).

The measure is a share of new conversations: TCP segments with SYN and nothing else, and
UDP datagrams, each by itself, counted over all sources, destinations, ports and DSCP
values. A permit is broad if it decides more than a quarter of one of them: as if it
let more than half of all sources reach more than half of all destinations on each
port. In IPv6 the addresses are those of 2000::/3, from which global unicast addresses
are given out (RFC 4291 section 2.4 and the registry of the address space, the second
from memory), because the rest of the space is empty.

The count is exact or a lower bound, never an estimate: the largest of the lines before
are taken away as sets, what the others could take at most is subtracted as if no two of
them overlapped. A permit is reported only if the lower bound is above the quarter, so
none is reported wrongly; where hundreds of large lines stand before it, one that is
broad can stay unreported. Since each packet is decided once, a list has at most three
broad permits for each of the two.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from pathcheck.model.access_list import Line
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.protocol import TCP, UDP
from pathcheck.packet.tcp_flags import SYN
from pathcheck.packetset.box_table import WHOLE, Row, box_of, intersection
from pathcheck.queries.line_review.dead_lines import DeadLines
from pathcheck.queries.line_review.list_binding import is_applied, is_used_otherwise
from pathcheck.queries.line_review.reviewed_list import PERMITS, Array, ReviewedList
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding

__all__ = ["BROAD", "broad_permits", "decided_share"]

BROAD = 0.25
"""Half of all sources times half of all destinations."""
_LARGEST = (4, 16, 64)
"""How many earlier rows are taken away as sets, in rounds; the rest is bounded."""
_GLOBAL_UNICAST = (Address.parse("2000::").value, 7 << 125)
_KINDS = (("TCP connections", TCP, (255, SYN)), ("UDP datagrams", UDP, (0, 0)))


def broad_permits(reviewed: ReviewedList, dead: DeadLines) -> list[Finding]:
    """Return a finding for each permit of a list that is broad in effect.

    A list that only chooses packets, for address translation or a route map, lets none through and is left alone.
    """
    if is_used_otherwise(reviewed.device, reviewed.access_list) and not is_applied(
        reviewed.device, reviewed.access_list
    ):
        return []
    found = []
    for index in _candidates(reviewed, dead):
        line = reviewed.lines[index]
        shares = [(what, *decided_share(reviewed, index, row)) for what, row in _conversations(reviewed)]
        broad = [(what, share, exact) for what, share, exact in shares if share > BROAD]
        if not broad or not isinstance(line, Line):
            continue
        said = " and ".join(f"{_percent(share, exact)} of all new {what}" for what, share, exact in broad)
        message = f"it lets {said} through, after what the lines before it decide"
        found.append(
            finding(
                "PC108",
                message,
                span=line.span,
                device=reviewed.device.name,
                acl=reviewed.access_list.name,
                help="name the sources, destinations and ports that are meant; if everything is, say so in a remark",
            )
        )
    return found


def decided_share(reviewed: ReviewedList, index: int, kind: Row) -> tuple[float, bool]:
    """Return which share of the packets of a row, at least, a line decides itself, and whether that is exact.

    A line before it that may match less than it says is taken to match all of it.
    """
    table, version = reviewed.table, reviewed.version
    own = _within(reviewed, range(reviewed.first_row[index], reviewed.end_row[index]), kind)
    whole = _volume(kind, version)
    if sum(_volume(part, version) for part in own) <= BROAD * whole:
        return 0.0, False
    from pathcheck.packetset.algebra import packet_space  # most lists have no line that comes so far

    left = packet_space(version).of_boxes([box_of(part, version, WHOLE) for part in own])
    # What each earlier row takes from each part of the line, the largest first, as base-2 logarithms of shares.
    met = [table.overlapping(part, 0, reviewed.first_row[index], WHOLE) for part in own]
    sizes = np.concatenate([table.shares(part, rows) for part, rows in zip(own, met, strict=True)]) - _log_volume(kind)
    pairs = [(part, int(row)) for part, rows in zip(own, met, strict=True) for row in rows]
    order = np.argsort(-sizes, kind="stable")
    done = 0
    for count in _LARGEST[-1:] if len(order) <= _LARGEST[-1] else _LARGEST:
        shared = (intersection(pairs[place][0], table.rows[pairs[place][1]]) for place in order[done:count])
        taken = [box_of(part, version, WHOLE) for part in shared if part is not None and part.worlds & WHOLE]
        left -= packet_space(version).of_boxes(taken)
        done = count
        share = left.count() / whole
        most = float(np.exp2(sizes[order[count:]]).sum()) * (1 + 1e-9)
        if not most or share <= BROAD or share - most > BROAD:
            return share - most, not most
    return 0.0, False


def _within(reviewed: ReviewedList, rows: Iterable[int], kind: Row) -> list[Row]:
    """What some rows hold of a kind of conversation."""
    met = (intersection(reviewed.table.rows[int(row)], kind) for row in rows)
    return [part for part in met if part is not None and part.worlds & WHOLE]


def _candidates(reviewed: ReviewedList, dead: DeadLines) -> list[int]:
    """The acting permits whose own criteria leave room for so much."""
    table = reviewed.table
    # A line of several rows may reach the limit by all of them together.
    limit = np.log2(BROAD) - np.log2(np.maximum(reviewed.row_count[table.owners], 1)) - 1e-9
    roomy: Array = np.zeros(len(table), dtype=bool)
    for _, kind in _conversations(reviewed):
        roomy |= table.shares(kind, np.arange(len(table))) - _log_volume(kind) >= limit
    rows = np.flatnonzero(roomy & (reviewed.does == PERMITS))
    return [line for line in reviewed.lines_of(rows) if line in dead.witnesses]


def _conversations(reviewed: ReviewedList) -> list[tuple[str, Row]]:
    """The two kinds of new conversations of the list's IP version, as rows."""
    addresses = (0, 0) if reviewed.version == 4 else _GLOBAL_UNICAST
    full = (0, 65535)
    return [
        (what, Row((addresses, addresses), ((protocol, protocol), full, full, (0, 63)), flags, WHOLE))
        for what, protocol, flags in _KINDS
    ]


def _volume(row: Row, version: IPVersion) -> int:
    """How many packets a part of one kind of conversation holds; its flags are fixed or do not exist."""
    free = sum(WIDTH[version] - care.bit_count() for _, care in row.addresses)
    return math.prod(high - low + 1 for low, high in row.intervals) << free


def _log_volume(row: Row) -> float:
    """The size of a row on the scale of :meth:`pathcheck.packetset.box_table.BoxTable.shares`."""
    fixed = sum(care.bit_count() for _, care in row.addresses) + row.flags[0].bit_count()
    return sum(math.log2(high - low + 1) for low, high in row.intervals) - fixed


def _percent(share: float, exact: bool) -> str:
    """A share as a whole percentage that is never more than the truth."""
    whole = int(share * 100)
    return f"{whole} %" if exact and whole == share * 100 else f"at least {whole} %"
