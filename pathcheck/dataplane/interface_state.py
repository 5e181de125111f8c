"""Whether an interface is up, as far as the text can tell.

Common practice, no source, unless a line says otherwise. Cables and the far
end are not known here: a physical interface counts as up unless it is shut down.
"""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.model.device import Device
from pathcheck.model.interface import Interface
from pathcheck.model.unmodelled import InterfaceScope, LayerTwoScope
from pathcheck.model.vlan import ALWAYS_PRESENT
from pathcheck.results.path import Doubt, Reading
from pathcheck.source import Span

__all__ = ["InterfaceState", "channel_members", "channel_number", "interface_state", "svi_vlan"]


@dataclass(frozen=True, slots=True)
class InterfaceState:
    """Up or down, and what that rests on.

    Parameters
    ----------
    up
        The answer; with `doubts` it is the likelier of two.
    why
        One clause without a final stop, as `shut down`.
    span
        The line that it rests on, None where no single line says it.
    readings
        Assumptions without which the answer could be another.
    doubts
        Lines that could make the answer another.
    member_of
        The port channel that a port is a member of. Such a port is up as a
        cable, but carries no packets of its own and no address.
    """

    up: bool
    why: str
    span: Span | None = None
    readings: tuple[Reading, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    member_of: str | None = None


def interface_state(device: Device, interface: Interface) -> InterfaceState:
    """Tell whether an interface of a device is up.

    Parameters
    ----------
    device
        The device that the interface belongs to.
    interface
        One of its interfaces.

    Returns
    -------
    InterfaceState
        An SVI is up if its VLAN exists and a port that is up carries it; a
        sub-interface follows its parent; a port channel needs a member that is
        up; a loopback needs nothing.
    """
    if interface.shutdown:
        return InterfaceState(False, "shut down", interface.shutdown_span or interface.span)
    match interface.kind:
        case "svi":
            return _svi_state(device, interface)
        case "subinterface":
            return _subinterface_state(device, interface)
        case "port-channel":
            return _channel_state(device, interface)
        case "tunnel":
            doubt = Doubt("whether a tunnel is up depends on its far end", interface.span)
            return InterfaceState(True, "not shut down", interface.span, doubts=(doubt,))
        case "loopback" | "discard":
            return InterfaceState(True, "always up", interface.span)
        case _:
            return _port_state(device, interface)


def svi_vlan(interface: Interface) -> int | None:
    """Return the VLAN of an SVI: the one that its model names, else the number in a name like `Vlan20`."""
    if interface.vlan is not None:
        return interface.vlan
    number = interface.name[4:].strip()
    return int(number) if interface.name.lower().startswith("vlan") and number.isdecimal() else None


def channel_number(interface: Interface) -> int | None:
    """Return the number of a port channel, None where its name ends in none."""
    digits = interface.name[len(interface.name.rstrip("0123456789")) :]
    return int(digits) if digits else None


def channel_members(device: Device, channel: Interface) -> tuple[Interface, ...]:
    """Return the ports that name a port channel as theirs."""
    number = channel_number(channel)
    return tuple(
        port for port in device.interfaces.values() if port.channel_group is not None and port.channel_group == number
    )


def _port_state(device: Device, port: Interface) -> InterfaceState:
    """Return the state of a physical interface, or of one whose kind says nothing more."""
    member_of = None
    if port.channel_group is not None:
        member_of = next(
            (
                channel.name
                for channel in device.interfaces.values()
                if channel.kind == "port-channel" and channel_number(channel) == port.channel_group
            ),
            f"port channel {port.channel_group}",
        )
    return InterfaceState(True, "not shut down", port.span, member_of=member_of)


def _subinterface_state(device: Device, interface: Interface) -> InterfaceState:
    """Return the state of a sub-interface: its parent's."""
    parent = device.interfaces.get(interface.parent or "")
    if parent is None:
        return InterfaceState(True, "not shut down, its parent is not in the text", interface.span)
    state = interface_state(device, parent)
    if state.up and state.member_of is None:
        doubts = (*state.doubts, *_unread_at(device, parent))
        return InterfaceState(True, f"`{parent.name}` is up", interface.span, state.readings, doubts)
    why = state.why if not state.up else f"a member of {state.member_of}"
    return InterfaceState(False, f"`{parent.name}` is {why}", state.span, state.readings, state.doubts)


def _channel_state(device: Device, channel: Interface) -> InterfaceState:
    """Return the state of a port channel: up if a member is."""
    if channel_number(channel) is None:
        return InterfaceState(True, "not shut down", channel.span)
    members = channel_members(device, channel)
    open_ones = [member for member in members if not member.shutdown]
    for member in sorted(open_ones, key=lambda member: bool(_unread_at(device, member))):
        return InterfaceState(True, f"its member `{member.name}` is up", member.span, doubts=_unread_at(device, member))
    if not members:
        return InterfaceState(False, "no port is a member of it", channel.span)
    return InterfaceState(
        False, "each port that is a member of it is shut down", members[0].shutdown_span or members[0].span
    )


def _svi_state(device: Device, svi: Interface) -> InterfaceState:
    """Return the state of an SVI: its VLAN must exist and a port that is up must carry it."""
    number = svi_vlan(svi)
    if number is None:
        doubt = Doubt("which ports an interface of this kind stands on is not modelled", svi.span)
        return InterfaceState(True, "not shut down", svi.span, doubts=(doubt,))
    vlan = device.vlans.get(number)
    elsewhere = _elsewhere(device, number)
    if device.has_vlan_section and vlan is None and number not in ALWAYS_PRESENT:
        return InterfaceState(False, f"VLAN {number} is not defined", svi.span, doubts=elsewhere)
    if vlan is not None and vlan.shutdown:
        return InterfaceState(False, f"VLAN {number} is shut down", vlan.span)

    maybe: list[Doubt] = []
    unsure: list[InterfaceState] = []
    ports = False
    for port in device.interfaces.values():
        if not _may_be_switch_port(device, port):
            continue
        ports = ports or port.switch_port is not None
        carries = _carries(device, port, number)
        if carries is True:
            doubts = (*interface_state(device, port).doubts, *_unread_at(device, port))
            state = InterfaceState(True, f"`{port.name}` is up in VLAN {number}", port.span, doubts=doubts)
            if not doubts:
                return state
            unsure.append(state)
        if isinstance(carries, Doubt):
            maybe.append(carries)
    assumed = device.assume.svi_without_port
    what = "has no port that is up in its VLAN" if ports else "stands on a device whose text has no switch port"
    reading = Reading("svi_without_port", assumed, f"`{svi.name}` {what}")
    if assumed == "up":
        return InterfaceState(True, "an SVI is taken as up without a port", svi.span, (reading,))
    if unsure:
        return unsure[0]
    why = f"no port that is up carries VLAN {number}" if ports else f"the text has no switch port for VLAN {number}"
    return InterfaceState(False, why, svi.span, (reading,), (*maybe, *elsewhere))


def _unread_at(device: Device, port: Interface) -> tuple[Doubt, ...]:
    """Return the lines of a port that were not read, or may do anything, so that what stands on it may lose it."""
    return tuple(
        Doubt(f"{line.what} at `{port.name}`", line.span)
        for line in device.unmodelled
        if isinstance(line.scope, InterfaceScope)
        and line.scope.interface == port.name
        and line.scope.directions == ("in", "out")
        and not line.scope.may_only_drop
    )


def _elsewhere(device: Device, vlan: int) -> tuple[Doubt, ...]:
    """Return the lines that could define a VLAN, or carry it, in a way that is not modelled."""
    return tuple(
        Doubt(item.what, item.span)
        for item in device.unmodelled
        if isinstance(item.scope, LayerTwoScope) and item.scope.vlan in (None, vlan)
    )


def _may_be_switch_port(device: Device, port: Interface) -> bool:
    """Whether frames of VLANs can pass a port: it is one that switches, is up and is no member of a port channel."""
    if port.kind not in ("physical", "port-channel") or port.routed or port.channel_group is not None:
        return False
    return interface_state(device, port).up


def _carries(device: Device, port: Interface, vlan: int) -> bool | Doubt:
    """Tell whether a port carries a VLAN; a doubt where the text leaves it open."""
    switching = port.switch_port
    if switching is None:
        if vlan != 1 or not _is_blank(device, port):
            return False
        return Doubt(f"`{port.name}` has no line on switching; many switches take it for a port of VLAN 1", port.span)
    access = vlan == (switching.access_vlan or 1) or vlan == switching.voice_vlan
    trunk = switching.allowed is None or vlan in switching.allowed
    if switching.mode == "access":
        return access
    definition = device.vlans.get(vlan)
    limited = definition is not None and bool(definition.trunk_groups)
    if switching.mode == "trunk":
        if trunk and definition is not None and limited:
            return Doubt(f"VLAN {vlan} is carried by the trunks of its trunk group only", definition.span)
        return trunk
    if access and trunk and not limited:
        return True
    # Without a mode and without a line on trunks, the port is an access port; otherwise it may become either.
    if switching.mode is None and switching.allowed is None and switching.native is None:
        return access
    if access or trunk:
        return Doubt(f"whether `{port.name}` becomes a trunk depends on its far end", port.span)
    return False


def _is_blank(device: Device, port: Interface) -> bool:
    """Whether the text says nothing of a physical port that would make it a routed one."""
    return (
        port.kind == "physical"
        and not port.addresses
        and port.unknown_address is None
        and port.borrowed is None
        and port.vrf is None
        and not port.ipv6_enabled
        and not any(other.parent == port.name for other in device.interfaces.values())
    )
