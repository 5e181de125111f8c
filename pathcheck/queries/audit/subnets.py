"""Subnets that share addresses: on one device, on one segment with other masks, and on the two ends of a link."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Sequence

from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.interface import Interface, InterfaceAddress
from pathcheck.network.layer2 import Segment
from pathcheck.network.topology import Attachment
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.audit.fleet_view import FleetView, in_order, is_host_address, listed
from pathcheck.queries.audit.overlap_sweep import overlapping_pairs
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding

__all__ = ["different_masks", "links_without_common_subnet", "overlapping_subnets", "overlaps"]

_OFF_SEGMENTS = frozenset({"loopback", "tunnel", "discard"})
"""Kinds of interfaces that are on no segment which others share."""


def overlaps(view: FleetView) -> Iterator[tuple[Attachment, Attachment]]:
    """Return each pair of addresses of one device and one table, on two interfaces, whose subnets share addresses.

    Link-local addresses are known by their link and left out; so is a virtual address
    without a subnet of its own.
    """
    tables: dict[tuple[str, str | None], list[Attachment]] = defaultdict(list)
    for item in view.attachments:
        alone = item.address.role == "virtual" and is_host_address(item)
        if item.address.role != "link-local" and not alone:
            tables[item.device, view.interface(item).vrf].append(item)
    for items in tables.values():
        for outer, inner in overlapping_pairs(items, lambda item: item.prefix):
            if outer.interface != inner.interface:
                yield outer, inner


def overlapping_subnets(view: FleetView) -> Iterator[Finding]:
    """Return PC302, one for each interface that shares addresses with others before it in the text.

    Two interfaces with one address are left to PC301.
    """
    places = {item.end: place for place, item in enumerate(view.attachments)}
    pairs: dict[LinkEnd, list[tuple[Attachment, Attachment]]] = defaultdict(list)
    for a, b in overlaps(view):
        if a.address.address != b.address.address:
            earlier, later = (a, b) if places[a.end] < places[b.end] else (b, a)
            pairs[later.end].append((later, earlier))
    for found in pairs.values():
        this = found[0][0]
        others = list(dict.fromkeys(f"`{other.interface}` ({other.prefix})" for _, other in found))
        yield finding(
            "PC302",
            f"the subnet {this.prefix} of `{this.interface}` shares addresses with {listed(others)} in the same table: "
            "many devices refuse the second",
            span=this.address.span,
            device=this.device,
            because=in_order(other.address.span for _, other in found[:4]),
            help="correct the address or the mask, or put one of the interfaces into another VRF",
        )


def different_masks(view: FleetView) -> Iterator[Finding]:
    """Return PC303: interfaces of different devices whose subnets share addresses and have different lengths.

    Such subnets are one segment with two masks, or two segments that overlap, and either is
    a fault. Of the interfaces that overlap, those are reported whose length is not the most frequent one.
    """
    on_prefix: dict[Prefix, list[Attachment]] = defaultdict(list)
    for item in view.attachments:
        on_segment = view.interface(item).kind not in _OFF_SEGMENTS and not is_host_address(item)
        if on_segment and item.address.role != "link-local":
            on_prefix[item.prefix].append(item)
    meeting: dict[Attachment, list[Attachment]] = defaultdict(list)
    for outer, inner in overlapping_pairs(on_prefix, lambda prefix: prefix):
        for a in on_prefix[outer]:
            for b in on_prefix[inner]:
                if a.device != b.device and view.may_meet(a, b):
                    meeting[a].append(b)
                    meeting[b].append(a)
    for group in _connected(meeting):
        lengths = Counter(item.prefix.length for item in group)
        routed = {item.prefix.length for item in group if view.routing(item.device, item.prefix.version).on}
        usual = max(lengths, key=lambda length: (lengths[length], length in routed, -length))
        for item in group:
            if item.prefix.length != usual:
                yield _mask_finding(view, item, meeting[item])


def _mask_finding(view: FleetView, item: Attachment, others: Sequence[Attachment]) -> Finding:
    """A finding on one interface whose mask is not that of the others."""
    version = item.prefix.version
    other = min(others, key=lambda one: (not view.routing(one.device, version).on, one.device, one.interface))
    carriage = view.layer2.between(item.end, other.end)
    if not carriage.carried:
        relation = "the cables do not join them, so two segments share addresses"
    elif carriage.assumed or carriage.doubts:
        relation = "they are one segment with two masks, or two segments that share addresses"
    else:
        relation = "the cables join them, so stations of one segment disagree on who is on it"
    more = f" and {len(others) - 1} more" if len(others) > 1 else ""
    return finding(
        "PC303",
        f"{item.end} is on {item.prefix}, {other.end}{more} on {other.prefix}: {relation}",
        span=item.address.span,
        device=item.device,
        because=(other.address.span,),
        help=f"give all interfaces of a segment one mask, such as /{other.prefix.length}",
    )


def _connected(meeting: dict[Attachment, list[Attachment]]) -> Iterator[list[Attachment]]:
    """Return the groups of those that meet, directly or by others, in their first order."""
    seen: set[Attachment] = set()
    for start in meeting:
        if start in seen:
            continue
        group, border = [], [start]
        seen.add(start)
        while border:
            item = border.pop()
            group.append(item)
            for other in meeting[item]:
                if other not in seen:
                    seen.add(other)
                    border.append(other)
        yield sorted(group, key=lambda item: (item.device, item.interface))


def links_without_common_subnet(view: FleetView, left_out: Collection[LinkEnd]) -> Iterator[Finding]:
    """Return PC308: two routed ports that the cables join, alone, and that share no subnet.

    Parameters
    ----------
    left_out
        Ends whose address is a finding already.
    """
    seen: set[frozenset[LinkEnd]] = set()
    for device in view.devices:
        if not view.topology.is_cabled(device.name):
            continue
        for interface in device.interfaces.values():
            near = LinkEnd(device.name, interface.name)
            far = _other_end(view, near, interface)
            if far is None or far in left_out or near in left_out or frozenset((near, far)) in seen:
                continue
            seen.add(frozenset((near, far)))
            for version in (4, 6):
                mine = _numbered(interface, version)
                others = _numbered(view.interface(far), version)
                apart = not any(a.prefix.overlaps(b.prefix) for a in mine for b in others)
                if mine and others and apart and view.joined(near, far):
                    yield finding(
                        "PC308",
                        f"a cable joins {near} and {far}, but {near} is on {listed(a.prefix for a in mine)} and "
                        f"{far} on {listed(b.prefix for b in others)}",
                        span=mine[0].span,
                        device=device.name,
                        because=(others[0].span,),
                        help="give both ends addresses of one subnet, or correct the link in `fleet.yaml`",
                    )


def _other_end(view: FleetView, near: LinkEnd, interface: Interface) -> LinkEnd | None:
    """Return the routed port with an address at the other end of a routed port, where there is exactly one."""
    addressed = interface.addresses and not interface.shutdown and interface.channel_group is None
    if not addressed or interface.kind not in ("physical", "subinterface", "port-channel"):
        return None
    start = view.layer2.segment(near)
    if start is None or start.port is None:
        return None
    others: list[Segment] = [segment for segment in view.layer2.island(start) if segment != start]
    if len(others) != 1 or others[0].port is None:
        return None
    far = LinkEnd(others[0].device, others[0].port)
    found = view.topology.interface(far)
    return far if found is not None and found.addresses and not found.shutdown else None


def _numbered(interface: Interface, version: int) -> list[InterfaceAddress]:
    """Return the addresses of an interface with a subnet; none where some are not known."""
    if interface.unknown_address is not None or interface.borrowed is not None:
        return []
    return [item for item in interface.addresses if item.address.version == version and item.role != "link-local"]
