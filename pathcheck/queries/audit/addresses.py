"""Addresses that are on two interfaces, and addresses that no single station can have.

References
----------
Virtual addresses, and the router that owns one as its own: RFC 9568 sections 1.6 and 6.1 (from
memory). Network and broadcast address: RFC 1812 section 4.2.2.11; /31: RFC 3021.
The routers' anycast address: RFC 4291 section 2.6.1; /127: RFC 6164.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from pathcheck.model.fleet_config import LinkEnd
from pathcheck.network.topology import Attachment
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.audit.fleet_view import FleetView, in_order, is_host_address, listed
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding

__all__ = ["duplicate_addresses", "duplicates", "reserved_addresses", "stray_virtual_addresses"]


def duplicates(view: FleetView) -> list[tuple[Attachment, ...]]:
    """Return the interfaces that share an address which only one of them can have, a group for each address.

    The members of a redundant gateway share its virtual address, and one of them may
    have it as its own. One address in VRFs of different names is no duplicate, unless the
    cables join them.
    """
    by_address: dict[Address, list[Attachment]] = defaultdict(list)
    for item in view.attachments:
        if item.address.role != "link-local":
            by_address[item.address.address].append(item)
    found = []
    for owners in by_address.values():
        if len(owners) > 1:
            for group in _by_table(view, owners):
                rivals = _rivals(view, group)
                if len(rivals) > 1:
                    found.append(rivals)
    return found + _link_local_duplicates(view)


def duplicate_addresses(view: FleetView, groups: Iterable[Sequence[Attachment]]) -> Iterator[Finding]:
    """Return PC301 for each group of :func:`duplicates`."""
    for group in groups:
        first, this, *_ = group
        others = [str(item.end) for item in group if item is not this]
        shared = any(item.address.role == "virtual" for item in group)
        message = f"`{this.address.address}` is the address of {this.end} and of {listed(others)}"
        message = (
            message.replace(" and of", ", its own and no virtual one, and the virtual one of") if shared else message
        )
        joined = first.device != this.device and view.joined(first.end, this.end)
        message += ", on one segment" if joined else ""
        yield finding(
            "PC301",
            message + ": which of them a packet reaches is left to chance",
            span=this.address.span,
            device=this.device,
            because=in_order(item.address.span for item in group if item is not this),
            help="give each interface an address of its own; share one only as the virtual address of a gateway",
        )


def reserved_addresses(view: FleetView) -> Iterator[Finding]:
    """Return PC304 for virtual addresses and for IPv6; reading finds the others."""
    for item in view.attachments:
        address, prefix = item.address.address, item.prefix
        if item.address.role == "link-local" or is_host_address(item):
            continue
        if address in prefix.reserved_addresses():
            which = "network" if address == prefix.first else "broadcast"
            what = f"the {which} address of its subnet, which no station can have"
        elif address.version == 6 and prefix.length < 127 and address == prefix.first and not _is_anycast(item):
            what = "the anycast address of all routers of its subnet, not one interface's own (RFC 4291 section 2.6.1)"
        else:
            continue
        yield finding(
            "PC304",
            f"`{address}` is {what}",
            span=item.address.span,
            device=item.device,
            help=f"take an address inside `{prefix}`, such as `{Address(address.version, prefix.value + 1)}`",
        )


def stray_virtual_addresses(view: FleetView) -> Iterator[Finding]:
    """Return PC309: a virtual address outside of the subnets that its interface has."""
    for item in view.attachments:
        if item.address.role != "virtual" or item.address.address in _LINK_LOCAL:
            continue
        interface = view.interface(item)
        own = [
            other
            for other in interface.addresses
            if other.role in ("primary", "secondary") and other.address.version == item.address.address.version
        ]
        if not own or interface.unknown_address or any(item.address.address in other.prefix for other in own):
            continue
        yield finding(
            "PC309",
            f"the virtual address `{item.address.address}` is on no subnet of {item.end}: "
            f"stations that have it as gateway are on {listed(other.prefix for other in own)} and do not reach it",
            span=item.address.span,
            device=item.device,
            because=in_order(other.span for other in own),
            help="take an address of the interface's subnet, or give the interface the subnet as a second one",
        )


_LINK_LOCAL = Prefix.parse("fe80::/10")


def _is_anycast(item: Attachment) -> bool:
    """Whether the line says that the address is an anycast one."""
    return "anycast" in item.address.span.words.lower().split()


def _by_table(view: FleetView, owners: Sequence[Attachment]) -> list[list[Attachment]]:
    """Split the owners of an address into those that can meet."""
    groups: dict[str | None, list[Attachment]] = defaultdict(list)
    for owner in owners:
        groups[view.interface(owner).vrf].append(owner)
    merged: list[list[Attachment]] = []
    for members in groups.values():
        into = next((group for group in merged if view.may_meet(group[0], members[0])), None)
        if into is None:
            merged.append(members)
        else:
            into += members
    return merged


def _rivals(view: FleetView, group: Sequence[Attachment]) -> tuple[Attachment, ...]:
    """Return those of one address that cannot all have it, one for each interface."""
    own: dict[LinkEnd, Attachment] = {}
    virtual: dict[LinkEnd, Attachment] = {}
    for item in group:
        (virtual if item.address.role == "virtual" else own).setdefault(item.end, item)
    if not own:
        return ()
    tables = {(item.device, view.interface(item).vrf) for item in own.values()}
    if len(own) > 1 and (len({device for device, _ in tables}) > 1 or len(tables) < len(own)):
        return tuple(own.values())
    ((end, item),) = list(own.items())[:1]
    strangers = [other for other in virtual.values() if other.device != item.device]
    return (strangers[0], item, *strangers[1:]) if strangers and end not in virtual else ()


def _link_local_duplicates(view: FleetView) -> list[tuple[Attachment, ...]]:
    """Return interfaces of one IPv6 subnet with one link-local address; elsewhere equal ones do not matter."""
    local: dict[LinkEnd, list[Attachment]] = defaultdict(list)
    for item in view.attachments:
        if item.address.role == "link-local":
            local[item.end].append(item)
    if not local:
        return []
    groups: dict[tuple[Prefix, str | None, Address], dict[LinkEnd, Attachment]] = defaultdict(dict)
    for item in view.attachments:
        if item.prefix.version == 6 and item.address.role != "link-local" and not is_host_address(item):
            for mine in local.get(item.end, ()):
                groups[item.prefix, view.interface(item).vrf, mine.address.address][mine.end] = mine
    found: dict[tuple[LinkEnd, ...], tuple[Attachment, ...]] = {}
    for ends in groups.values():
        members = tuple(ends.values())
        first = members[0]
        together = [item for item in members[1:] if view.layer2.between(first.end, item.end).carried]
        if together:
            found.setdefault((first.end, *(item.end for item in together)), (first, *together))
    return list(found.values())
