"""IPv6 lists whose written denies take neighbour discovery away (PC111).

An IPv6 list permits neighbour solicitation and advertisement before its implicit deny,
and a written deny of everything stands in front of that. Then stations and router do
not find each other's link addresses, and no other packet of the link is delivered. RFC
4890 section 4.4.1 counts types 135 and 136 among those that must not be dropped on
their way to the device itself; section 4.3.3 says that in transit they are dropped
anyway, since they never leave their link.

Judged are lists applied `in` to an interface, where the messages of the link arrive; a
device's own messages meet no `out` list unless `assume.own_packets` says so. Four
exchanges are asked for, by type and by source, link-local or of the interface's subnet
(RFC 4861 section 7.2.2 uses either): the solicitation goes to a solicited-node multicast
address, the advertisement to a link-local address, one of the interface or all nodes. An
exchange is taken away if the list denies each of its packets by a written line. A deny of
single stations takes none away.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pathcheck.errors import InternalFault
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import Action
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import ICMPV6
from pathcheck.packetset.box_table import WHOLE, Row, intersection
from pathcheck.queries.line_review.list_binding import BoundInterface, interfaces_of
from pathcheck.queries.line_review.reviewed_list import DENIES, ReviewedList
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding

__all__ = ["denied_neighbour_discovery"]

_LINK_LOCAL = Prefix.parse("fe80::/10")
_SOLICITED_NODE = Prefix.parse("ff02::1:ff00:0/104")
"""RFC 4291 section 2.7.1."""
_ALL_NODES = Prefix.parse("ff02::1/128")
_TYPES = ((135, "solicitations"), (136, "advertisements"))
"""RFC 4861 sections 4.3 and 4.4; both have code 0."""


def denied_neighbour_discovery(reviewed: ReviewedList) -> list[Finding]:
    """Return a finding for each binding of an IPv6 list that takes an exchange of neighbour discovery away."""
    if reviewed.version == 4:
        return []
    found = []
    for place in interfaces_of(reviewed.device, reviewed.access_list):
        if place.binding.direction == "out" and not _meets_out(reviewed, place):
            continue
        lost: dict[str, Packet] = {}
        for what, rows in _exchanges(place):
            packet = _denied(reviewed, rows)
            if packet is not None:
                lost[what] = packet
        if lost:
            found.append(_finding(reviewed, place, lost))
    return found


def _meets_out(reviewed: ReviewedList, place: BoundInterface) -> bool:
    """Whether messages of neighbour discovery meet an `out` list: the device's own do, or those that a port bridges."""
    return place.binding.port or reviewed.device.assume.own_packets == "meet-out"


def _exchanges(place: BoundInterface) -> Iterator[tuple[str, list[Row]]]:
    """Each exchange in words, with its packets."""
    own = [item for item in place.interface.addresses if item.address.version == 6 and item.role != "link-local"]
    subnets = list(dict.fromkeys(item.prefix for item in own if item.length < 128))
    own_addresses = [Prefix(6, item.address.value, 128) for item in own]
    for number, what in _TYPES:
        destinations = [_SOLICITED_NODE] if number == 135 else [_LINK_LOCAL, _ALL_NODES, *own_addresses]
        for source in (_LINK_LOCAL, *subnets):
            rows = [
                Row(
                    ((source.value, source.netmask), (destination.value, destination.netmask)),
                    ((ICMPV6, ICMPV6), (0, 65535), (number << 8, number << 8), (0, 63)),
                    (0, 0),
                    WHOLE,
                )
                for destination in destinations
            ]
            yield f"{what} from {source}", rows


def _denied(reviewed: ReviewedList, rows: list[Row]) -> Packet | None:
    """Return a packet of the rows if written lines deny all of them, else None."""
    table = reviewed.table
    for row in rows:
        met = table.overlapping(row, 0, len(table), WHOLE)
        denying = met[reviewed.does[met] == DENIES]
        # What passes all denies is permitted by a line or by the end, or at least not denied for certain.
        if isinstance(reviewed.search(row, denying, WHOLE), Packet):
            return None
        for place in np.flatnonzero(reviewed.does[met] != DENIES):
            shared = intersection(row, table.rows[met[place]])
            before = met[:place][reviewed.does[met[:place]] == DENIES]
            if shared is not None and isinstance(reviewed.search(shared, before, WHOLE), Packet):
                return None
    return reviewed.searching.usual_point(rows[0]).packet(0, 6, WHOLE)


def _finding(reviewed: ReviewedList, place: BoundInterface, lost: dict[str, Packet]) -> Finding:
    """The finding on one binding, at the line that denies the first lost exchange."""
    sample = next(iter(lost.values()))
    decision = evaluate_list(reviewed.device, "ipv6", reviewed.access_list.name, sample)
    if decision.action is not Action.DENY or decision.use.span is None:
        raise InternalFault(f"the review says that `{sample}` is denied by a written line, the evaluator does not")
    every = {what for what, _ in _exchanges(place)}
    what = "solicitations and advertisements" if set(lost) == every else _listed(list(lost))
    end = "" if reviewed.device.assume.ipv6_end == "deny" else " before the implicit permit at the end of the list"
    message = (
        f"it takes neighbour discovery away on `{place.interface.name}`: {what} are denied{end}, so stations and "
        "device do not learn each other's link addresses and no IPv6 packet between them is delivered"
    )
    return finding(
        "PC111",
        message,
        span=decision.use.span,
        device=reviewed.device.name,
        acl=reviewed.access_list.name,
        because=(place.binding.span,),
        sample=sample,
        help="write `permit icmp any any nd-ns` and `permit icmp any any nd-na` in front of it",
    )


def _listed(words: list[str]) -> str:
    """Words with commas and an `and`."""
    return " and ".join((", ".join(words[:-1]), words[-1])) if len(words) > 1 else words[0]
