"""Names of lists, groups and VRFs: used and not defined, empty, or not used; and terminal lines without a list.

That a list which is applied and not defined permits everything on most devices and
nothing on some, and that its first line ends that: common practice, no source.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from itertools import pairwise

from pathcheck.errors import nearest
from pathcheck.model.access_list import AccessList, Family, Line, ListBinding
from pathcheck.model.device import Device, ListUse, TerminalLines
from pathcheck.model.object_group import GroupReference
from pathcheck.queries.audit.fleet_view import FleetView, in_order, listed
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["applied_lists", "group_names", "open_terminal_lines", "unapplied_lists", "vrf_names"]

_SURE_USES = frozenset({"address translation", "a route map", "a filter inside a VLAN", "IPsec"})
"""Uses in whose lines nothing but a list's name can stand where one is read."""

_BUILT_IN_VRFS = frozenset({"mgmt", "management", "mgmt-vrf", "mgmt-intf", "default", "global"})
"""VRFs that devices have without a definition (common practice, no source)."""


# --- lists that are applied ------------------------------------------------------------------------------------------


def applied_lists(view: FleetView) -> Iterator[Finding]:
    """Return PC331, PC332 and PC333: lists that are applied or used, and not defined or empty."""
    for device in view.whole_devices:
        lost = _lost_lists(device)
        for (family, name), uses in _bindings(device).items():
            access_list = device.access_list(family, name)
            if access_list is None:
                yield _undefined(device, family, name, uses, lost.get((family, name)))
            elif access_list.is_empty:
                yield _empty(device, access_list, uses)
        yield from _undefined_in_policy(device)


def _bindings(device: Device) -> dict[tuple[Family, str], list[tuple[str, ListBinding]]]:
    """Return each list that a device applies, with the places in words."""
    found: dict[tuple[Family, str], list[tuple[str, ListBinding]]] = defaultdict(list)
    for interface in device.interfaces.values():
        for binding in interface.bindings:
            found[binding.family, binding.list_name].append((f"`{interface.name}` {binding.direction}", binding))
    for block in device.terminal_lines:
        for binding in block.bindings:
            found[binding.family, binding.list_name].append((_block_words(block), binding))
    for binding in device.control_plane:
        found[binding.family, binding.list_name].append(("the control plane", binding))
    return found


def _undefined(
    device: Device, family: Family, name: str, uses: list[tuple[str, ListBinding]], meant: AccessList | None
) -> Finding:
    """A list that is applied and not defined; `meant` is one that nothing refers to instead."""
    span = uses[0][1].span
    other: Family = "ipv6" if family == "ipv4" else "ipv4"
    near = meant.name if meant else nearest(name, [known for kind, known in device.access_lists if kind == family])
    cure = f"did you mean `{near}`?" if near else "define it before anything applies it"
    if meant is not None:
        cure = f"did you mean `{near}`, which nothing refers to?"
    elif device.access_list(other, name) is not None:
        cure = f"a list of that name is defined for {'IPv6' if other == 'ipv6' else 'IPv4'} only"
    return finding(
        "PC331",
        f"the list `{name}` is applied to {listed(dict.fromkeys(where for where, _ in uses))} and not defined: "
        f"{_both_readings(device, uses)}",
        span=span,
        device=device.name,
        acl=name,
        because=in_order([*(binding.span for _, binding in uses[1:5]), meant.span if meant else None]),
        help=cure,
    )


def _empty(device: Device, access_list: AccessList, uses: list[tuple[str, ListBinding]]) -> Finding:
    """A list that is applied and has no line."""
    return finding(
        "PC332",
        f"the list `{access_list.name}` is applied to {listed(dict.fromkeys(where for where, _ in uses))} "
        f"and has no line: {_both_readings(device, uses)}",
        span=access_list.span,
        device=device.name,
        acl=access_list.name,
        because=in_order(binding.span for _, binding in uses[:4]),
        help="write its lines, or take it off where it is applied",
    )


def _both_readings(device: Device, uses: Iterable[tuple[str, ListBinding]]) -> str:
    """Say what devices make of such a list, and what its first line does."""
    terminal = any(where.startswith("terminal lines") for where, _ in uses)
    everything = "lets sessions from everywhere in" if terminal else "permits everything"
    nothing = "lets none in" if terminal else "denies everything"
    return (
        f"most devices then {_plural(everything)}, some {_plural(nothing)} "
        f"(read here as `undefined_list: {device.assume.undefined_list}`); on the former its first line, once entered, "
        "turns it into one that denies all else"
    )


def _plural(words: str) -> str:
    """`permits everything` as several do it."""
    verb, _, rest = words.partition(" ")
    return f"{verb.removesuffix('s') if verb != 'denies' else 'deny'} {rest}"


def _undefined_in_policy(device: Device) -> Iterator[Finding]:
    """A list that address translation, a route map or the like uses and nothing defines."""
    names = {name for _, name in device.access_lists}
    missing: dict[str, list[ListUse]] = defaultdict(list)
    for use in _undefined_uses(device):
        missing[use.list_name].append(use)
    for name, uses in missing.items():
        near = nearest(name, names)
        yield finding(
            "PC333",
            f"{listed(dict.fromkeys(use.what for use in uses))} uses the list `{name}`, which is not defined: "
            "whether it then chooses everything or nothing differs from device to device",
            span=uses[0].span,
            device=device.name,
            acl=name,
            because=in_order(use.span for use in uses[1:5]),
            help=f"did you mean `{near}`?" if near else "define it",
        )


def _undefined_uses(device: Device) -> list[ListUse]:
    """Return the uses of lists that are not defined, where nothing but a list can be meant."""
    names = {name for _, name in device.access_lists}
    return [use for use in device.list_uses if use.what in _SURE_USES and use.list_name not in names]


# --- lists that are not applied --------------------------------------------------------------------------------------


def unapplied_lists(view: FleetView) -> Iterator[Finding]:
    """Return PC336 and PC337: lists that filter nothing, without any use or with another one.

    A text without interfaces and terminal lines is a collection of lists, of which this says nothing. Where lists
    are applied and not defined, and no more than these are not referred to, PC331 tells of both.
    """
    for device in view.whole_devices:
        if not (device.interfaces or device.terminal_lines or device.control_plane):
            continue
        applied = _bindings(device)
        lost = _lost_lists(device)
        for access_list in device.access_lists.values():
            name = access_list.name
            places = _other_uses(device, name)
            if any(bound == name for _, bound in applied):
                continue
            if places:
                yield finding(
                    "PC337",
                    f"the list `{name}` filters no packets: "
                    f"it serves {listed(dict.fromkeys(what for what, _ in places))}",
                    span=access_list.span,
                    device=device.name,
                    acl=name,
                    because=in_order(span for _, span in places)[:4],
                    help="nothing is to do if that is what it is for; to filter packets it must be applied",
                )
            elif access_list not in lost.values():
                yield finding(
                    "PC336",
                    f"no line of `{device.name}` that is known refers to the list `{name}`, so it filters nothing",
                    span=access_list.span,
                    device=device.name,
                    acl=name,
                    help="apply it, or remove it",
                )


def _lost_lists(device: Device) -> dict[tuple[Family, str], AccessList]:
    """Return, for lists that are applied and not defined, the one that is probably meant: nothing else refers to it."""
    applied = _bindings(device)
    undefined = [key for key in applied if key not in device.access_lists]
    undefined += dict.fromkeys((use.family, use.list_name) for use in _undefined_uses(device))
    unbound = [
        item
        for item in device.access_lists.values()
        if not any(name == item.name for _, name in applied) and not _other_uses(device, item.name)
    ]
    found: dict[tuple[Family, str], AccessList] = {}
    for family, name in undefined:
        same = [item for item in unbound if item.family == family and item not in found.values()]
        near = nearest(name, [item.name for item in same])
        if near is not None:
            found[family, name] = next(item for item in same if item.name == near)
    for family in {family for family, _ in undefined}:
        names = [key for key in undefined if key[0] == family and key not in found]
        rest = [item for item in unbound if item.family == family and item not in found.values()]
        if len(rest) <= len(names):
            found.update(zip(names, rest, strict=False))
    return found


def _other_uses(device: Device, name: str) -> list[tuple[str, Span]]:
    """Return the uses of a list that filter nothing, with their lines; a line that is not modelled may be one."""
    uses = [(use.what, use.span) for use in device.list_uses if use.list_name == name]
    return uses or [(item.what, item.span) for item in device.unmodelled if _names(item.span, name)]


def _names(span: Span, name: str) -> bool:
    """Whether a line that is not modelled names a list; a number counts only behind a word that asks for a list."""
    words = [word.strip("\"',") for word in span.words.split()]
    if not name.isdecimal():
        return name in words
    asked = re.compile(r"(ip|ipv6)?-?(list|access-list|access-group|access-class|address|acl)", re.IGNORECASE)
    return any(word == name and asked.fullmatch(before) for before, word in pairwise(words))


# --- groups and VRFs -------------------------------------------------------------------------------------------------


def group_names(view: FleetView) -> Iterator[Finding]:
    """Return PC338: groups that no line of a list and no other group refers to."""
    for device in view.whole_devices:
        if not device.groups:
            continue
        used = {
            value.name
            for access_list in device.access_lists.values()
            for line in access_list.lines
            if isinstance(line, Line)
            for value in (
                line.protocol,
                line.source,
                line.destination,
                line.source_ports,
                line.destination_ports,
                line.icmp,
            )
            if isinstance(value, GroupReference)
        }
        nested = {
            member.value.name
            for group in device.groups.values()
            for member in group.members
            if isinstance(member.value, GroupReference)
        }
        elsewhere = {word.strip("\"',") for item in device.unmodelled for word in item.span.words.split()}
        defined = {group.name for group in device.groups.values()}
        unused = [group for group in device.groups.values() if group.name not in used | nested | elsewhere]
        # A group that is referred to and not defined (PC411) is probably one of those that nothing refers to.
        lost = _probably_meant((used | nested) - defined, [group.name for group in unused])
        for group in unused:
            if group.name not in lost:
                yield finding(
                    "PC338",
                    f"no line of a list refers to the group `{group.name}`",
                    span=group.span,
                    device=device.name,
                    help="remove it, or name it in the line that it is meant for",
                )


def vrf_names(view: FleetView) -> Iterator[Finding]:
    """Return PC334 and PC339: VRFs that are used and not defined, or defined and hold nothing."""
    for device in view.whole_devices:
        uses = _vrf_uses(device)
        undefined = [name for name in uses if name not in device.vrfs and name.lower() not in _BUILT_IN_VRFS]
        for name in undefined:
            places = uses[name]
            near = nearest(name, device.vrfs)
            yield finding(
                "PC334",
                f"the VRF `{name}` is used by {listed(dict.fromkeys(what for what, _ in places))} and not defined: "
                "devices refuse such lines, or leave the interface without a table",
                span=places[0][1],
                device=device.name,
                because=in_order(span for _, span in places[1:5]),
                help=f"did you mean `{near}`?" if near else "define it",
            )
        lost = _probably_meant(undefined, [name for name in device.vrfs if name not in uses])
        for name, span in device.vrfs.items():
            if name not in uses and name not in lost and name.lower() not in _BUILT_IN_VRFS:
                yield finding(
                    "PC339",
                    f"no interface and no route is in the VRF `{name}`",
                    span=span,
                    device=device.name,
                    help="remove it, or put the interface into it that is meant",
                )


def _probably_meant(undefined: Collection[str], unused: Sequence[str]) -> set[str]:
    """Return the names that are defined and not used, and probably meant where a name is used and not defined."""
    if len(unused) <= len(undefined):
        return set(unused)
    return {near for name in undefined if (near := nearest(name, unused)) is not None}


def _vrf_uses(device: Device) -> dict[str, list[tuple[str, Span]]]:
    """Return the VRFs that interfaces, routes and gateways of a device are in."""
    uses: dict[str, list[tuple[str, Span]]] = defaultdict(list)
    for interface in device.interfaces.values():
        if interface.vrf is not None:
            uses[interface.vrf].append((f"`{interface.name}`", interface.span))
    for route in device.static_routes:
        for vrf in {route.vrf, route.next_hop_vrf} - {None, ""}:
            uses[str(vrf)].append((f"the route to {route.prefix}", route.span))
    for gateway in device.gateways:
        if gateway.vrf is not None:
            uses[gateway.vrf].append(("a default gateway", gateway.span))
    return uses


# --- terminal lines --------------------------------------------------------------------------------------------------


def open_terminal_lines(view: FleetView) -> Iterator[Finding]:
    """Return PC335: blocks of terminal lines without a list, beside blocks that have one for the same IP version."""
    families: tuple[Family, Family] = ("ipv4", "ipv6")
    for device in view.whole_devices:
        blocks = device.terminal_lines
        for family in families:
            guarded = [block for block in blocks if any(_guards(binding, family) for binding in block.bindings)]
            bare = [block for block in blocks if block not in guarded and block.accepts_sessions]
            if guarded and bare:
                version = "IPv4" if family == "ipv4" else "IPv6"
                list_name = next(one.list_name for one in guarded[0].bindings if _guards(one, family))
                yield finding(
                    "PC335",
                    f"{listed(_block_words(block) for block in bare)} of `{device.name}` have no list for {version}, "
                    f"while others are guarded by `{list_name}`: sessions from everywhere end on the lines without one",
                    span=bare[0].span,
                    device=device.name,
                    because=in_order(one.span for one in guarded[0].bindings if _guards(one, family)),
                    help=f"guard them by `{list_name}`, too",
                )


def _guards(binding: ListBinding, family: Family) -> bool:
    """Whether a list guards sessions to the device."""
    return binding.family == family and binding.direction == "in"


def _block_words(block: TerminalLines) -> str:
    """A block of terminal lines by its numbers."""
    return f"terminal lines {block.first}-{block.last}" if block.first != block.last else f"terminal line {block.first}"
