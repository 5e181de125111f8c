"""The two ends of each cable: native VLANs, modes, allowed lists and port channels that do not fit each other.

References
----------
Untagged frames and the VLAN that a port puts them into: IEEE 802.1Q (from memory). Bundles:
IEEE 802.1AX (from memory). What modes are: common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from pathcheck.model.device import Device
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.interface import Interface, SwitchPort
from pathcheck.model.vlan import ALWAYS_PRESENT
from pathcheck.queries.audit.fleet_view import FleetView, in_order, listed
from pathcheck.queries.audit.vlan_database import written_out
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["CableMismatch", "cable_mismatches", "uneven_trunks"]

_DEFAULT_VLAN = 1


@dataclass(frozen=True, slots=True)
class CableMismatch:
    """A finding on a cable, with its two ends; port channels stand for their members."""

    ends: tuple[LinkEnd, LinkEnd]
    found: Finding


@dataclass(frozen=True, slots=True)
class _End:
    """One switch port at the end of a cable."""

    at: LinkEnd
    device: Device
    interface: Interface
    port: SwitchPort

    def span(self, *subjects: str) -> Span:
        """Return the line of the first of some settings, else of the interface."""
        spans = dict(self.port.spans)
        return next((spans[subject] for subject in subjects if subject in spans), self.interface.span)

    @property
    def native(self) -> int:
        return self.port.native or _DEFAULT_VLAN

    @property
    def access(self) -> int:
        return self.port.access_vlan or _DEFAULT_VLAN

    def allows(self, vlan: int) -> bool:
        """Whether the port as a trunk allows a VLAN."""
        return self.port.allowed is None or vlan in self.port.allowed


def cable_mismatches(view: FleetView) -> list[CableMismatch]:
    """Return PC322, PC323 and PC325."""
    found = list(_channel_mismatches(view))
    unbundled = {end for item in found for end in item.ends}
    for near, far in _switch_cables(view):
        if near.at in unbundled or far.at in unbundled:
            continue
        modes = (near.port.mode, far.port.mode)
        if modes == ("trunk", "trunk"):
            mismatch = _native_mismatch(near, far)
        elif set(modes) == {"access", "trunk"}:
            trunk, access = (near, far) if modes[0] == "trunk" else (far, near)
            mismatch = _mode_mismatch(trunk, access)
        elif modes == ("access", "access") and near.access != far.access:
            mismatch = finding(
                "PC323",
                f"{near.at} is an access port in VLAN {near.access}, {far.at} in VLAN {far.access}: untagged frames "
                "change from one VLAN to the other",
                span=far.span("access", "mode"),
                device=far.device.name,
                because=in_order([near.span("access", "mode")]),
                help="put both ends into one VLAN",
            )
        else:
            mismatch = None
        if mismatch is not None:
            found.append(CableMismatch((near.at, far.at), mismatch))
    return found


def uneven_trunks(view: FleetView, told: Collection[tuple[LinkEnd, int]]) -> Iterator[Finding]:
    """Return PC324: VLANs that both devices have and only one end of a trunk allows, both ends having a list.

    Parameters
    ----------
    told
        Ports and VLANs of which another finding says that they are missing there.
    """
    for near, far in _switch_cables(view):
        if near.port.mode != "trunk" or far.port.mode != "trunk":
            continue
        if near.port.allowed is None or far.port.allowed is None:
            continue
        for wide, narrow in ((near, far), (far, near)):
            assert wide.port.allowed is not None
            missing = [
                vlan
                for vlan in written_out(wide.port.allowed.spans, wide.device.vlans)
                if not narrow.allows(vlan)
                and _has(wide.device, vlan)
                and _has(narrow.device, vlan)
                and (narrow.at, vlan) not in told
            ]
            if missing:
                which = f"VLAN {missing[0]}" if len(missing) == 1 else f"VLANs {listed(missing, most=8)}"
                yield finding(
                    "PC324",
                    f"{wide.at} allows {which}, {narrow.at} at the other end of the cable does not",
                    span=narrow.span("allowed"),
                    device=narrow.device.name,
                    because=in_order([wide.span("allowed")]),
                    help="make the two lists one",
                )


def _switch_cables(view: FleetView) -> Iterator[tuple[_End, _End]]:
    """Return the cables between two switch ports that are up, each port channel once."""
    seen: set[frozenset[LinkEnd]] = set()
    for link in view.config.links:
        ends = []
        for written in (link.a, link.b):
            at = view.topology.logical(written)
            interface, member = view.topology.interface(at), view.topology.interface(written)
            if interface is None or interface.switch_port is None or interface.shutdown or (member and member.shutdown):
                break
            ends.append(_End(at, view.config.devices[at.device], interface, interface.switch_port))
        if len(ends) == 2 and frozenset(end.at for end in ends) not in seen:
            seen.add(frozenset(end.at for end in ends))
            yield ends[0], ends[1]


def _native_mismatch(near: _End, far: _End) -> Finding | None:
    """Two trunks with different native VLANs."""
    if near.native == far.native or any(_tags_all(end.device) for end in (near, far)):
        return None
    # The end that names another VLAN than the default is the one that somebody changed.
    this, other = (near, far) if far.native == _DEFAULT_VLAN else (far, near)
    message = f"the native VLAN of {this.at} is {this.native}, that of {other.at} is {other.native}: "
    if this.allows(this.native) and other.allows(other.native):
        message += f"untagged frames change from VLAN {this.native} to VLAN {other.native} and back"
    elif this.allows(this.native) or other.allows(other.native):
        sender, receiver = (this, other) if this.allows(this.native) else (other, this)
        message += f"frames of VLAN {sender.native} leave {sender.at} untagged, and {receiver.at} drops them"
    else:
        message += "no untagged frames pass, because neither end allows its native VLAN"
    return finding(
        "PC322",
        message,
        span=this.span("native", "mode"),
        device=this.device.name,
        because=in_order([other.span("native", "mode")]),
        help="give both ends one native VLAN",
    )


def _mode_mismatch(trunk: _End, access: _End) -> Finding | None:
    """A trunk against an access port; a trunk that carries the access VLAN alone, untagged, is as good as one."""
    allowed = trunk.port.allowed
    if allowed is not None and allowed.size == 1 and trunk.allows(trunk.native) and trunk.native == access.access:
        return None
    message = f"{trunk.at} is a trunk, {access.at} at the other end is an access port in VLAN {access.access}: "
    if trunk.native != access.access and trunk.allows(trunk.native):
        message += (
            f"untagged frames change from VLAN {trunk.native} to VLAN {access.access}, and tagged ones are dropped"
        )
    else:
        message += "tagged frames are dropped"
    return finding(
        "PC323",
        message,
        span=access.span("mode", "access"),
        device=access.device.name,
        because=in_order([trunk.span("mode", "allowed")]),
        help="make both ends trunks, or both access ports of one VLAN",
    )


def _channel_mismatches(view: FleetView) -> Iterator[CableMismatch]:
    """Return PC325: a bundle at one end only, and members of one bundle that end in several bundles of a device."""
    partners: dict[tuple[LinkEnd, str], dict[LinkEnd, tuple[LinkEnd, LinkEnd]]] = defaultdict(dict)
    for link in view.config.links:
        ports = [view.topology.interface(end) for end in (link.a, link.b)]
        if any(port is None or port.shutdown for port in ports):
            continue
        groups = [port.channel_group if port else None for port in ports]
        for near, far, group in ((link.a, link.b, groups[0]), (link.b, link.a, groups[1])):
            if group is not None and None not in groups:
                partners[view.topology.logical(near), far.device].setdefault(view.topology.logical(far), (near, far))
        if (groups[0] is None) != (groups[1] is None):
            bundled, single = (link.a, link.b) if groups[1] is None else (link.b, link.a)
            yield CableMismatch(
                (link.a, link.b),
                finding(
                    "PC325",
                    f"{bundled} is a member of a port channel, {single} at the other end of the cable is not: "
                    "the bundle does not form over it",
                    span=_interface(view, single).span,
                    device=single.device,
                    because=in_order([_interface(view, bundled).span]),
                    help="make both ends members of a port channel, or neither",
                ),
            )
    for (channel, _), others in partners.items():
        if len(others) > 1:
            (near, first), (_, second) = list(others.values())[:2]
            yield CableMismatch(
                (near, second),
                finding(
                    "PC325",
                    f"the members of {channel} end in {listed(others)}: "
                    "one bundle cannot have two partners on one device",
                    span=_interface(view, second).span,
                    device=second.device,
                    because=in_order([_interface(view, near).span, _interface(view, first).span]),
                    help="put the ports at the other end into one port channel",
                ),
            )


def _interface(view: FleetView, end: LinkEnd) -> Interface:
    """Return the interface of an end that exists."""
    return view.config.devices[end.device].interfaces[end.interface]


def _has(device: Device, vlan: int) -> bool:
    """Whether a device has a VLAN, as far as its text tells."""
    return vlan in device.vlans or vlan in ALWAYS_PRESENT or not device.has_vlan_section


def _tags_all(device: Device) -> bool:
    """Whether a line says that native VLANs are tagged as others are."""
    return any(item.what == "tagged native VLAN" for item in device.unmodelled)
