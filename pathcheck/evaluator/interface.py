"""Whether an interface is up, and whether frames get from one to another, by plain search."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pathcheck.evaluator.access_list import MAYBE, NO, YES, Answer
from pathcheck.evaluator.index import index_of
from pathcheck.model.access_list import Direction
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.interface import Interface, SwitchPort
from pathcheck.model.unmodelled import DeviceScope, InterfaceScope, LayerTwoScope
from pathcheck.model.vlan import ALWAYS_PRESENT

__all__ = ["Carriage", "End", "PortList", "cable_reach", "carried", "is_up"]

End = tuple[str, str]
"""A device's name and an interface's."""

Place = tuple[str, str, int]
"""A device, the empty text, and a VLAN; or a device, a routed interface, and the tag of its frames (0 is untagged)."""

PortList = tuple[str, str, Direction]
"""A switch port whose list frames meet, and the direction."""

_BOTH: tuple[Direction, ...] = ("in", "out")


@dataclass(frozen=True, slots=True)
class Carriage:
    """Whether frames get from one routed interface to another.

    Parameters
    ----------
    answer
        With why not, or why that is not known.
    lists
        The switch ports with lists that they pass for certain, in order.
    maybe_lists
        Those that they may pass.
    """

    answer: Answer
    lists: tuple[PortList, ...] = ()
    maybe_lists: tuple[PortList, ...] = ()


def is_up(device: Device, interface: Interface) -> Answer:
    """Whether an interface carries routed packets, as far as the text tells."""
    if interface.shutdown:
        return NO, "it is shut down"
    if interface.channel_group is not None:
        return NO, "it is a member of a port channel"
    parent = device.interfaces.get(interface.parent or "")
    if parent is not None:
        return min(is_up(device, parent), _as_read(device, parent), key=lambda answer: answer[0])
    if interface.kind == "tunnel":
        return MAYBE, "whether a tunnel is up depends on its far end"
    if interface.kind == "port-channel":
        ports = [port for port in device.interfaces.values() if port is not interface and not port.shutdown]
        found = [_as_read(device, port) for port in ports if channel_of(device, port) is interface]
        return max(found, key=lambda answer: answer[0], default=(NO, "no member port of it is up"))
    if interface.kind == "svi":
        return _svi_is_up(device, _vlan_number(interface))
    return YES, ""


def channel_of(device: Device, port: Interface) -> Interface:
    """Return the port channel that a port is a member of, else the port itself."""
    if port.channel_group is None:
        return port
    for other in device.interfaces.values():
        digits = other.name[len(other.name.rstrip("0123456789")) :]
        if other.kind == "port-channel" and digits and port.channel_group == int(digits):
            return other
    return port


def _vlan_number(svi: Interface) -> int:
    """Return the VLAN of an SVI, by its number or its name; 0 where it has none."""
    digits = svi.name[4:].strip()
    return svi.vlan or (int(digits) if svi.name.lower().startswith("vlan") and digits.isdecimal() else 0)


def _svi_is_up(device: Device, vlan: int) -> Answer:
    """Whether the VLAN exists on the device and has a port that is up."""
    if not vlan:
        return MAYBE, "what an interface of this kind stands on is not modelled"
    hidden = any(isinstance(u.scope, LayerTwoScope) and u.scope.vlan in (None, vlan) for u in device.unmodelled)
    if vlan in device.vlans and device.vlans[vlan].shutdown:
        return NO, f"VLAN {vlan} is shut down"
    if not _exists(device, vlan):
        return (MAYBE if hidden else NO), f"VLAN {vlan} is not defined"
    best = NO
    for port in device.interfaces.values():
        if best != YES and port.kind in ("physical", "port-channel"):
            best = max(best, min(is_up(device, port)[0], _as_read(device, port)[0], _in_vlan(device, port, vlan)))
    if best != YES and device.assume.svi_without_port == "up":
        return YES, ""
    return (MAYBE if hidden and best == NO else best), f"no port in VLAN {vlan} is up for certain"


def _as_read(device: Device, port: Interface) -> Answer:
    """Whether a port does for what stands on it what the text says: a line that could not be read leaves it open."""
    anything = InterfaceScope(port.name, ("in", "out"))
    for line in device.unmodelled:
        if line.scope == anything:
            return MAYBE, line.what
    return YES, ""


def _exists(device: Device, vlan: int) -> bool:
    """Whether the device has the VLAN; a text without a VLAN section leaves that to the device."""
    if vlan in device.vlans:
        return not device.vlans[vlan].shutdown
    return vlan in ALWAYS_PRESENT or not device.has_vlan_section


def _in_vlan(device: Device, port: Interface, vlan: int) -> int:
    """Whether a port carries a VLAN at all, as far as the port itself is concerned."""
    if port.routed:
        return NO
    if port.switch_port is None:
        # Many switches take a port about which the text says nothing for a port of VLAN 1.
        return MAYBE if vlan == 1 and port.kind == "physical" and _is_blank(device, port) else NO
    grouped = vlan in device.vlans and bool(device.vlans[vlan].trunk_groups)
    trunk = NO if _tag(port.switch_port, "trunk", vlan) is None else MAYBE if grouped else YES
    access = NO if _tag(port.switch_port, "access", vlan) is None else YES
    if port.switch_port.mode in ("access", "trunk"):
        return trunk if port.switch_port.mode == "trunk" else access
    if not _asks_for_trunk(port):
        return access
    return access if access == trunk else MAYBE


def _is_blank(device: Device, port: Interface) -> bool:
    """Whether the text says nothing that tells a switch port from a routed one."""
    says = port.routed or port.addresses or port.unknown_address or port.borrowed or port.vrf or port.ipv6_enabled
    says = says or port.kind not in ("physical", "port-channel")  # a management port switches nothing
    return not says and all(other.parent != port.name for other in device.interfaces.values())


def _asks_for_trunk(port: Interface | None) -> bool:
    """Whether a port has a line that only a trunk needs, or a mode that can end as one."""
    setting = port.switch_port if port is not None else None
    return setting is not None and (
        setting.mode in ("trunk", "dynamic")
        or (setting.mode is None and (setting.allowed is not None or setting.native is not None))
    )


def _tag(setting: SwitchPort, mode: str, vlan: int) -> int | None:
    """Return the tag of a VLAN's frames on a port in a mode, 0 for untagged, None where they do not pass."""
    if mode == "access":
        return 0 if vlan == (setting.access_vlan or 1) else vlan if vlan == setting.voice_vlan else None
    if setting.allowed is not None and vlan not in setting.allowed:
        return None
    return 0 if vlan == (setting.native or 1) else vlan


def carried(config: FleetConfig, start: End, goal: End) -> Carriage:
    """Whether frames that leave one routed interface reach the other over the cables.

    Notes
    -----
    A flood. The cabling counts as given for a device that some link names, but
    for a management port only if a link names the port; where it is not given
    on both sides, the subnet is assumed to be carried.
    """
    for name, interface in (start, goal):
        links = [near for near, _ in index_of(config).cables.get(name, ())]
        device = config.devices[name]
        apart = device.interfaces[interface].kind == "management"
        if not links or (apart and all(end.interface != interface for end in links)):
            return Carriage((YES, "assumed"))
    first, last = _place(config, start), _place(config, goal)
    if first is None or last is None:
        return Carriage((MAYBE, "the text does not tell which VLAN an interface is in"))
    ways, certain, cables = _flood(config, first)
    if last not in ways:
        # Frames would have to leave what they reach, and get into what the other end is reached from.
        hidden = all(any(_is_hidden(config, place) for place in reach) for reach in (ways, _flood(config, last)[0]))
        why = f"no VLAN leads from {start[0]}:{start[1]} to {goal[0]}:{goal[1]}"
        return Carriage((MAYBE if hidden else NO, why))
    # With as many crossings as places but one the way is the only one; else frames may pass any of the cables.
    only = len(cables) == len(ways) - 1
    listed = [(*end, way) for _, cable in cables for end in cable for way in _BOTH if _has_list(config, (*end, way))]
    on_way = tuple(passed for passed in ways[last] if _has_list(config, passed))
    answer = YES if last in certain else MAYBE
    return Carriage(
        (answer, "how frames are carried depends on what the text leaves open"),
        on_way if only else (),
        () if only else tuple(sorted(set(listed))),
    )


def cable_reach(config: FleetConfig, start: End) -> list[End]:
    """Return the routed interfaces to which frames that leave one may get over the cables, the own device's too."""
    first = _place(config, start)
    ways = _flood(config, first)[0] if first is not None else {}
    return [
        (device.name, interface.name)
        for device in config.devices.values()
        for interface in device.interfaces.values()
        if interface.switch_port is None and interface.channel_group is None
        if _place(config, (device.name, interface.name)) in ways
    ]


def _flood(
    config: FleetConfig, first: Place
) -> tuple[dict[Place, tuple[PortList, ...]], set[Place], set[tuple[frozenset[Place], frozenset[End]]]]:
    """Return each place that frames may reach with the ports on a way there, the certain places, and the cables."""
    ways: dict[Place, tuple[PortList, ...]] = {first: ()}
    certain, cables, todo = {first}, set(), [first]
    while todo:
        place = todo.pop(0)
        for then, sure, out, into in _over_cables(config, place) if place == first or not place[1] else ():
            cables.add((frozenset((place, then)), frozenset((out, into))))
            is_certain = sure and place in certain
            if then not in ways:
                ways[then] = (*ways[place], (*out, "out"), (*into, "in"))
            elif not is_certain or then in certain:
                continue
            if is_certain:
                certain.add(then)
            todo.append(then)
    return ways, certain, cables


def _place(config: FleetConfig, end: End) -> Place | None:
    """Where a routed interface is; None where the text does not tell."""
    interface = config.devices[end[0]].interfaces[end[1]]
    if interface.kind == "svi":
        vlan = _vlan_number(interface)
        return (end[0], "", vlan) if vlan else None
    if interface.kind == "subinterface" and not interface.untagged:
        return (*end, interface.vlan) if interface.vlan else None
    return (*end, 0)


def _over_cables(config: FleetConfig, place: Place) -> Iterator[tuple[Place, bool, End, End]]:
    """Yield where frames get from a place over one cable, whether that is certain, and the two ports."""
    for ends in index_of(config).cables.get(place[0], ()):
        if not all(end.device in config.devices for end in ends):
            continue
        near, far = (_cable_end(config.devices[end.device], end.interface) for end in ends)
        if near is None or far is None:
            continue
        found = [_cross(place, near, near_mode, far, far_mode) for near_mode, far_mode in _mode_pairs(near, far)]
        for then in dict.fromkeys(reached for reached in found if reached is not None):
            sure = all(reached == then for reached in found)
            sure = sure and not _is_hidden(config, place) and not _is_hidden(config, then)
            # A change of the VLAN's number works on some switches and is blocked by others.
            sure = sure and (bool(place[1]) or bool(then[1]) or place[2] == then[2])
            yield then, sure, (near.device.name, near.name), (far.device.name, far.name)
        if not any(found) and _may_pass(config, place, near, far):
            there = (far.device.name, "", place[2])
            yield there, False, (near.device.name, near.name), (far.device.name, far.name)


def _may_pass(config: FleetConfig, place: Place, near: _CableEnd, far: _CableEnd) -> bool:
    """Whether lines that are not modelled could let a VLAN over a cable that does not carry it by the text.

    Each switch that keeps it off must have such a line; where both let it on and
    only do not fit each other, one of the two.
    """
    if place[1] or _modes(near) == ["routed"] or _modes(far) == ["routed"]:
        return False
    ends = [(end, _is_hidden(config, (end.device.name, "", place[2]))) for end in (near, far)]
    closed = [hidden for end, hidden in ends if not _lets_on(end, place[2])]
    return all(closed) if closed else any(hidden for _, hidden in ends)


def _lets_on(end: _CableEnd, vlan: int) -> bool:
    """Whether a port carries a VLAN in some way in which it may act."""
    switched = [mode for mode in _modes(end) if mode != "routed"]
    return _exists(end.device, vlan) and any(_tag(end.setting, mode, vlan) is not None for mode in switched)


@dataclass(frozen=True, slots=True)
class _CableEnd:
    """A port that frames pass, or the port channel that it is a member of; `port` is None where the text is silent."""

    device: Device
    name: str
    port: Interface | None

    @property
    def setting(self) -> SwitchPort:
        found = self.port.switch_port if self.port is not None else None
        return found or SwitchPort()


def _cable_end(device: Device, name: str) -> _CableEnd | None:
    """Return what a cable is plugged into, None where no frame passes."""
    port = device.interfaces.get(name)
    if port is None:
        return _CableEnd(device, name, None)
    channel = channel_of(device, port)
    if port.shutdown or channel.shutdown:
        return None
    return _CableEnd(device, channel.name, channel)


def _mode_pairs(near: _CableEnd, far: _CableEnd) -> list[tuple[str, str]]:
    """Return how the two ends of a cable may act together: `access`, `trunk` or `routed` each.

    Common practice, no source: a port whose mode is open becomes a trunk only
    if the other end is or becomes one too, and one of the two asks for it.
    """
    choices = [_modes(near), _modes(far)]
    asked = _asks_for_trunk(near.port) or _asks_for_trunk(far.port)
    return [
        (one, other)
        for one in choices[0]
        for other in choices[1]
        if not (one == "trunk" and len(choices[0]) > 1 and not (other == "trunk" and asked))
        and not (other == "trunk" and len(choices[1]) > 1 and not (one == "trunk" and asked))
    ]


def _modes(end: _CableEnd) -> list[str]:
    """Return what a port may act as by its own text."""
    if end.port is None or (end.port.switch_port is None and _is_blank(end.device, end.port)):
        ports = end.device.interfaces.values()
        switches = end.device.has_vlan_section or any(it.switch_port or it.kind == "svi" for it in ports)
        return ["access", "trunk", "routed"] if switches else ["routed"]
    if end.port.switch_port is None:
        return ["routed"]
    return [end.setting.mode] if end.setting.mode in ("access", "trunk") else ["access", "trunk"]


def _cross(place: Place, near: _CableEnd, near_mode: str, far: _CableEnd, far_mode: str) -> Place | None:
    """Return where frames get over a cable if their answers get back, else None."""
    tag = _sent_tag(near, near_mode, place)
    then = None if tag is None else _received(far, far_mode, tag)
    back = None if then is None else _sent_tag(far, far_mode, then)
    return then if back is not None and _received(near, near_mode, back) == place else None


def _sent_tag(end: _CableEnd, mode: str, place: Place) -> int | None:
    """Return the tag that frames of a place have on a cable, None where they are not sent."""
    if mode == "routed":
        below = end.device.interfaces.get(place[1])
        on_port = place[1] == end.name or (below is not None and below.parent == end.name)
        return place[2] if on_port else None
    return _tag(end.setting, mode, place[2]) if not place[1] and _exists(end.device, place[2]) else None


def _received(end: _CableEnd, mode: str, tag: int) -> Place | None:
    """Return the place that a frame gets to, None where it is dropped."""
    if mode == "routed":
        for below in end.device.interfaces.values():
            if below.parent == end.name and (0 if below.untagged else below.vlan) == tag:
                return None if below.shutdown else (end.device.name, below.name, tag)
        return None if tag else (end.device.name, end.name, 0)
    vlan = tag or (end.setting.native if mode == "trunk" else end.setting.access_vlan) or 1
    if not _exists(end.device, vlan) or _tag(end.setting, mode, vlan) is None:
        return None
    # A trunk takes its native VLAN with a tag too; an access port takes a tag of its voice VLAN only.
    return (end.device.name, "", vlan) if mode == "trunk" or tag in (0, end.setting.voice_vlan) else None


def _is_hidden(config: FleetConfig, place: Place) -> bool:
    """Whether a line that is not modelled could change how frames of a place are carried."""
    device, vlan = config.devices[place[0]], None if place[1] else place[2]
    grouped = vlan in device.vlans and vlan is not None and bool(device.vlans[vlan].trunk_groups)
    return grouped or any(
        isinstance(item.scope, DeviceScope)
        or (isinstance(item.scope, LayerTwoScope) and vlan is not None and item.scope.vlan in (None, vlan))
        for item in device.unmodelled
    )


def _has_list(config: FleetConfig, passed: PortList) -> bool:
    """Whether a switch port has a list in a direction."""
    port = config.devices[passed[0]].interfaces.get(passed[1])
    return port is not None and any(it.port and it.direction == passed[2] for it in port.bindings)
