"""What the lines of a device mean, piece by piece, so that spelling, order and numbers do not count.

A piece has a slot that one value fills. A slot that is empty after has lost its line; one with another
value has been given a new one. Where several may stand side by side, the value is part of the slot.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterator
from dataclasses import dataclass, replace

from pathcheck.model.access_list import AccessList, Line, Remark
from pathcheck.model.device import Device
from pathcheck.model.interface import Interface
from pathcheck.packet.address import Address
from pathcheck.packet.ranges import Ranges
from pathcheck.results.removals import Reach
from pathcheck.source import Span

__all__ = ["Piece", "all_vlans", "pieces_of", "sections_of"]

all_vlans = Ranges.of((1, 4094))


@dataclass(frozen=True, slots=True)
class Piece:
    """One thing that a line means.

    Parameters
    ----------
    slot
        What it is the value of.
    value
        Numbers are compared as sets: what is missing after is lost.
    span
        The line.
    """

    slot: tuple[Hashable, ...]
    value: Hashable
    reach: Reach
    what: str
    span: Span


def pieces_of(device: Device, management: Address | None) -> Iterator[Piece]:
    """Yield the pieces of a device; what leads to its management address reaches farthest."""
    ends = {
        interface.name
        for interface in device.interfaces.values()
        if any(address.address == management for address in interface.addresses)
    }
    vlans = {device.interfaces[name].vlan for name in ends} - {None}
    for number, vlan in device.vlans.items():
        reach = Reach.MANAGEMENT if number in vlans else Reach.TRUNKS
        yield Piece(("vlan", number), "", reach, f"VLAN {number}", vlan.span)
    for interface in device.interfaces.values():
        yield from _of_interface(interface, management, interface.name in ends)
    for name, span in device.vrfs.items():
        yield Piece(("vrf", name), "", Reach.ROUTES, f"VRF {name}", span)
    for gateway in device.gateways:
        what = f"the default gateway {gateway.address}"
        yield Piece(("gateway", gateway.vrf), gateway.address, Reach.MANAGEMENT, what, gateway.span)
    for route in device.static_routes:
        reach = Reach.MANAGEMENT if route.prefix.length == 0 else Reach.ROUTES
        way = replace(route, distance=1, name="", tag=None)
        to = route.next_hop or route.interface or "discard"
        yield Piece(("route", way), route.distance, reach, f"the route to {route.prefix} by {to}", route.span)
    for access_list in device.access_lists.values():
        yield from _of_list(access_list)
    for group in device.groups.values():
        named = ("group", group.kind, group.name)
        yield Piece(named, "", Reach.LISTS, f"the group {group.name}", group.span)
        for member in group.members:
            yield Piece((*named, member.value), "", Reach.LISTS, f"a member of the group {group.name}", member.span)
    for lines in device.terminal_lines:
        key = ("terminal", lines.first, lines.last)
        where = f"terminal lines {lines.first} to {lines.last}"
        yield Piece(key, lines.accepts_sessions, Reach.MANAGEMENT, where, lines.span)
        for binding in lines.bindings:
            what = f"the list {binding.list_name} on {where}"
            applied = (*key, binding.family, binding.direction)
            yield Piece(applied, binding.list_name, Reach.MANAGEMENT, what, binding.span)
    for binding in device.control_plane:
        what = f"the list {binding.list_name} on the control plane"
        yield Piece(("control-plane", binding.family), binding.list_name, Reach.MANAGEMENT, what, binding.span)
    for server in device.servers:
        reach = Reach.MANAGEMENT if server.kind in ("radius", "tacacs") else Reach.REST
        what = f"the {server.kind} server {server.address}"
        yield Piece(("server", server.kind, server.address, server.vrf), server.port, reach, what, server.span)
    for relay in device.relays:
        what = f"the relay of requests for addresses on {relay.interface} to {relay.server}"
        yield Piece(("relay", relay.interface, relay.server), relay.vrf, Reach.REST, what, relay.span)


def _of_interface(interface: Interface, management: Address | None, is_management: bool) -> Iterator[Piece]:
    """The pieces of an interface."""
    name, port = interface.name, interface.switch_port
    is_trunk = port is not None and (port.mode == "trunk" or port.allowed is not None or port.native is not None)
    reach = Reach.REST
    if is_management:
        reach = Reach.MANAGEMENT
    elif is_trunk or interface.kind == "port-channel":
        reach = Reach.TRUNKS
    elif interface.addresses:
        reach = Reach.ROUTES
    yield Piece(("interface", name), "", reach, f"the interface {name}", interface.span)
    for address in interface.addresses:
        shown = f"{address.address}/{address.length}"
        slot: tuple[Hashable, ...] = ("address", name, address.role, address.address.version)
        if address.role != "primary" or address.address.version == 6:
            slot = (*slot, address.address)
        far = Reach.MANAGEMENT if address.address == management else Reach.ROUTES
        yield Piece(slot, (address.address, address.length), far, f"the address {shown} of {name}", address.span)
    if interface.unknown_address is not None:
        what = f"the address of {name} by lease"
        yield Piece(("leased", name), "", Reach.MANAGEMENT, what, interface.unknown_address)
    if port is not None:
        spans = dict(port.spans)
        far = Reach.TRUNKS if is_trunk else Reach.REST
        values: dict[str, tuple[Hashable, str]] = {
            "mode": (port.mode, f"the mode {port.mode} of {name}"),
            "access": (port.access_vlan, f"the access VLAN {port.access_vlan} of {name}"),
            "native": (port.native, f"the native VLAN {port.native} of {name}"),
            "allowed": (port.allowed, f"VLANs on the trunk {name}"),
        }
        for key, (value, what) in values.items():
            if value is not None and key in spans:
                yield Piece((key, name), value, far, what, spans[key])
    for binding in interface.bindings:
        what = f"the list {binding.list_name} ({binding.direction}) on {name}"
        key_ = ("binding", name, binding.family, binding.direction, binding.port)
        yield Piece(key_, binding.list_name, Reach.LISTS, what, binding.span)


def _of_list(access_list: AccessList) -> Iterator[Piece]:
    """The list, and its entries without their numbers; an entry that stands twice is two."""
    key = ("list", access_list.family, access_list.name)
    yield Piece(key, "", Reach.LISTS, f"the list {access_list.name}", access_list.span)
    times: Counter[Hashable] = Counter()
    for entry in access_list.entries:
        if isinstance(entry, Remark):
            said: Hashable = ("remark", entry.text)
            reach, what = Reach.REST, f"a remark of the list {access_list.name}"
        else:
            said = replace(entry, sequence=0)
            verb = entry.action if isinstance(entry, Line) else "unread"
            reach, what = Reach.LISTS, f"a {verb} line of the list {access_list.name}"
        times[said] += 1
        yield Piece((*key, said, times[said]), "", reach, what, entry.span)


def sections_of(device: Device) -> Iterator[tuple[str, tuple[Span, ...]]]:
    """Yield the sections of a device that hold something, each with the lines of its parts."""
    interfaces = device.interfaces.values()
    yield "VLANs", tuple(vlan.span for vlan in device.vlans.values())
    yield "trunks", tuple(it.span for it in interfaces if it.switch_port is not None and it.switch_port.mode == "trunk")
    yield "addresses of interfaces", tuple(address.span for it in interfaces for address in it.addresses)
    yield "default gateways", tuple(gateway.span for gateway in device.gateways)
    yield "static routes", tuple(route.span for route in device.static_routes)
    yield "access lists", tuple(access_list.span for access_list in device.access_lists.values())
    yield "lists on interfaces", tuple(binding.span for it in interfaces for binding in it.bindings)
    guards = [binding for lines in device.terminal_lines for binding in lines.bindings]
    yield "lists that guard the device", tuple(it.span for it in (*guards, *device.control_plane))
    yield "groups", tuple(group.span for group in device.groups.values())
    yield "VRFs", tuple(device.vrfs.values())
    for kind in dict.fromkeys(server.kind for server in device.servers):
        yield f"{kind} servers", tuple(server.span for server in device.servers if server.kind == kind)
    yield "relays of requests for addresses", tuple(relay.span for relay in device.relays)
    for access_list in device.access_lists.values():
        yield f"lines of the list {access_list.name}", tuple(line.span for line in access_list.lines)
