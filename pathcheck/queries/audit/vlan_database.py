"""VLANs against the device's own database, SVIs and port channels against their ports, and settings that do nothing.

What a port does with a VLAN, and that VLAN 1 and 1002 to 1005 always exist: common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator

from pathcheck.dataplane.interface_state import svi_vlan
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.interface import Interface, SwitchPort
from pathcheck.model.vlan import ALWAYS_PRESENT, SHARED_DATABASE, Vlan
from pathcheck.network.layer2 import Segment
from pathcheck.queries.audit.fleet_view import FleetView, in_order, layer2_is_open, listed
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = [
    "idle_settings",
    "interfaces_without_port",
    "undefined_vlans",
    "unused_vlans",
    "vlans_used",
    "written_out",
]

_SHORT = 3
"""VLANs that stand together in a list and are still taken as written one by one."""


def written_out(allowed: tuple[tuple[int, int], ...], exists: Collection[int]) -> Iterator[int]:
    """Yield the VLANs that an allowed list means by number.

    A longer range of which most numbers are not defined is taken for "everything from
    here to there", as lists are often written, and gives only the VLANs that exist.
    """
    for low, high in allowed:
        numbers = range(low, high + 1)
        known = sum(number in exists for number in numbers) if len(numbers) <= 4096 else 0
        if len(numbers) <= _SHORT or 2 * known >= len(numbers):
            yield from numbers
        else:
            yield from (number for number in numbers if number in exists)


def vlans_used(device: Device) -> dict[int, list[tuple[str, Span]]]:
    """Return the VLANs that lines of a device name for a use, by number, each with the uses and their lines.

    Ports and SVIs that are shut down use nothing.
    """
    found: dict[int, list[tuple[str, Span]]] = defaultdict(list)
    for interface in device.interfaces.values():
        if interface.shutdown:
            continue
        if interface.kind == "svi":
            number = svi_vlan(interface)
            if number is not None:
                found[number].append((f"`{interface.name}`", interface.span))
        port = interface.switch_port
        if port is None:
            continue
        spans = dict(port.spans)
        if port.mode != "trunk" and port.access_vlan is not None:
            found[port.access_vlan].append((f"the access port `{interface.name}`", spans.get("access", interface.span)))
        if port.mode != "trunk" and port.voice_vlan is not None:
            found[port.voice_vlan].append((f"the voice VLAN of `{interface.name}`", spans.get("voice", interface.span)))
        if port.mode == "trunk" and port.native is not None and (port.allowed is None or port.native in port.allowed):
            found[port.native].append((f"the native VLAN of `{interface.name}`", spans.get("native", interface.span)))
        if port.mode == "trunk" and port.allowed is not None:
            for number in written_out(port.allowed.spans, device.vlans):
                found[number].append((f"the trunk `{interface.name}`", spans.get("allowed", interface.span)))
    return found


def undefined_vlans(view: FleetView) -> dict[tuple[str, int], Finding]:
    """Return PC311 by device and VLAN: used, and not defined although the text has a VLAN section."""
    found = {}
    for device in view.whole_devices:
        if not device.has_vlan_section or any(item.what == SHARED_DATABASE for item in device.unmodelled):
            continue
        for number, uses in sorted(vlans_used(device).items()):
            if number in device.vlans or number in ALWAYS_PRESENT:
                continue
            spans = list(dict.fromkeys(span for _, span in uses))
            found[device.name, number] = finding(
                "PC311",
                f"VLAN {number} is used by {listed(dict.fromkeys(what for what, _ in uses))} and not defined on "
                f"`{device.name}`: its frames are dropped there",
                span=spans[0],
                device=device.name,
                because=in_order(spans[1:5]),
                help=f"define it with `vlan {number}`, or correct the number",
            )
    return found


def unused_vlans(view: FleetView) -> Iterator[Finding]:
    """Return PC312, one for each line that defines VLANs which nothing on the device uses."""
    for device in view.whole_devices:
        ports = [interface for interface in device.interfaces.values() if interface.switch_port is not None]
        if not ports:
            continue
        by_line: dict[tuple[Span, bool], list[int]] = defaultdict(list)
        for vlan in device.vlans.values():
            if vlan.number in ALWAYS_PRESENT or layer2_is_open(device, vlan.number):
                continue
            carrying = [port for port in ports if _may_carry(port, vlan)]
            routed = any(_routes_vlan(interface, vlan.number) for interface in device.interfaces.values())
            if not routed and all(port.shutdown for port in carrying):
                by_line[vlan.span, bool(carrying)].append(vlan.number)
        for (span, shut), numbers in by_line.items():
            which = f"VLAN {numbers[0]} is" if len(numbers) == 1 else f"VLANs {listed(numbers)} are"
            each = "each of its ports is" if len(numbers) == 1 else "each of their ports is"
            why = f"carried by no port that is up: {each} shut down" if shut else "defined and used nowhere"
            yield finding(
                "PC312",
                f"{which} {why} on `{device.name}`, which has no SVI for it either",
                span=span,
                device=device.name,
                help="remove it, or allow it on the trunk or port where it is missing",
            )


def interfaces_without_port(
    view: FleetView, undefined: Collection[tuple[str, int]], cut: Collection[Segment]
) -> Iterator[Finding]:
    """Return PC313: an SVI or port channel with an address that is down because no port is up for it.

    A device whose text has no port at all gets one finding.

    Parameters
    ----------
    undefined
        Devices and VLANs that PC311 tells of.
    cut
        VLANs and ports of devices that a fault on the cables keeps apart, which is told there.
    """
    for device in view.whole_devices:
        bare: list[Interface] = []
        ports = any(interface.switch_port is not None for interface in device.interfaces.values())
        for interface in device.interfaces.values():
            if interface.shutdown or not interface.addresses or interface.kind not in ("svi", "port-channel"):
                continue
            state = view.topology.state(device.name, interface.name)
            number = svi_vlan(interface)
            if state.up or state.doubts or (number is not None and (device.name, number) in undefined):
                continue
            if number is not None and number in device.vlans and device.vlans[number].shutdown:
                continue
            if view.layer2.segment(LinkEnd(device.name, interface.name)) in cut:
                continue
            if interface.kind == "svi" and not ports:
                bare.append(interface)
            else:
                yield _without_port(device, [interface], state.why)
        if bare:
            yield _without_port(device, bare, "the text has no switch port")


def _without_port(device: Device, interfaces: list[Interface], why: str) -> Finding:
    """A finding on interfaces that are down for one reason."""
    first = interfaces[0]
    subnets = listed(item.prefix for one in interfaces for item in one.addresses if item.role == "primary")
    reading = " (`svi_without_port`)" if first.kind == "svi" else ""
    are = "is" if len(interfaces) == 1 else "are"
    gone = f", and {subnets} with {'it' if len(interfaces) == 1 else 'them'}" if subnets else ""
    return finding(
        "PC313",
        f"{listed(f'`{one.name}`' for one in interfaces)} {are} down{reading}{gone}: {why}",
        span=first.span,
        device=device.name,
        because=in_order(one.span for one in interfaces[1:5]),
        help="add a port to it, allow its VLAN on a trunk, or remove the interface",
    )


def idle_settings(view: FleetView, left_out: Collection[LinkEnd]) -> Iterator[Finding]:
    """Return PC314: an allowed list on a port that is no trunk, an access VLAN on a trunk.

    Parameters
    ----------
    left_out
        Ports whose mode is a finding already.
    """
    for device in view.whole_devices:
        for interface in device.interfaces.values():
            port = interface.switch_port
            if port is None or interface.shutdown or LinkEnd(device.name, interface.name) in left_out:
                continue
            spans = dict(port.spans)
            mode = spans.get("mode")
            if port.mode == "access" and port.allowed is not None:
                what, why = "allowed", "the allowed list has no effect, because the port is an access port: it carries "
                why += f"VLAN {port.access_vlan or 1} alone"
            elif port.mode is None and port.allowed is not None:
                what, why = (
                    "allowed",
                    "the allowed list has no effect unless the port becomes a trunk, and no line says so",
                )
            elif port.mode == "trunk" and port.access_vlan not in (None, 1):
                what, why = "access", f"access VLAN {port.access_vlan} has no effect, because the port is a trunk: "
                why += f"untagged frames are in VLAN {port.native or 1}"
            else:
                continue
            yield finding(
                "PC314",
                f"`{interface.name}`: {why}",
                span=spans.get(what, interface.span),
                device=device.name,
                because=in_order([mode]),
                help="correct the mode, or remove the line",
            )


def _may_carry(interface: Interface, vlan: Vlan) -> bool:
    """Whether a switch port may carry a VLAN, whatever it becomes."""
    port: SwitchPort | None = interface.switch_port
    if port is None:
        return False
    number = vlan.number
    if port.mode == "access":
        return number in (port.access_vlan or 1, port.voice_vlan)
    trunk = number == port.native or port.allowed is None or number in port.allowed
    if port.mode == "trunk":
        return trunk
    says_trunk = port.mode == "dynamic" or port.allowed is not None or port.native is not None
    return number in (port.access_vlan or 1, port.voice_vlan) or (says_trunk and trunk)


def _routes_vlan(interface: Interface, number: int) -> bool:
    """Whether an interface is the SVI of a VLAN, or a sub-interface for it."""
    if interface.kind == "svi":
        return svi_vlan(interface) == number
    return interface.kind == "subinterface" and interface.vlan == number
