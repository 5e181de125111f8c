"""Which interfaces a change of interfaces, VLANs or cables can matter to at all.

Who takes what leaves an interface depends on that interface, on the devices that own
the next hop, and on the devices that frames pass between them. So beside the devices
that differ themselves only those count that cables join to them, on through switch
ports as far as frames can get, up to the first routed port.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.model.unmodelled import ListScope, NoScope, OwnScope, RouteScope
from pathcheck.network.topology import Attachment
from pathcheck.packet.address import IPVersion
from pathcheck.queries.fleet_comparison.states import States

__all__ = ["Nearness"]

_VERSIONS: tuple[IPVersion, ...] = (4, 6)


@dataclass(slots=True)
class Nearness:
    """The devices that differ in more than lists and routes, and what is near them.

    Attributes
    ----------
    differing
        Devices whose interfaces, VLANs, routing or assumptions differ, that only one state has, or whose cables differ.
    is_recabled
        Whether some cables differ.
    """

    states: States
    differing: frozenset[str] = field(init=False)
    is_recabled: bool = field(init=False)
    _devices: frozenset[str] = field(init=False)
    _ports: frozenset[LinkEnd] = field(init=False)

    def __post_init__(self) -> None:
        states = self.states
        configs = (states.before.loaded.config, states.after.loaded.config)
        cables = [{frozenset((link.a, link.b)) for link in config.links} for config in configs]
        self.is_recabled = cables[0] != cables[1]
        found = {end.device for cable in cables[0] ^ cables[1] for end in cable}
        found.update(states.added, states.removed)
        for pair in states.pairs:
            if _structure(states, 0, pair.before) != _structure(states, 1, pair.after) or any(
                states.networks[0].routing(pair.name, version).on != states.networks[1].routing(pair.name, version).on
                for version in _VERSIONS
            ):
                found.add(pair.name)
        self.differing = frozenset(found)
        devices, ports = set(found), set[LinkEnd]()
        for config in configs:
            _spread(config, found, devices, ports)
        self._devices, self._ports = frozenset(devices), frozenset(ports)

    @property
    def is_nothing(self) -> bool:
        """Whether both states have the same interfaces, VLANs and cables, and route alike."""
        return not self.differing

    def holds(self, end: LinkEnd) -> bool:
        """Whether the change can matter to what leaves or enters an interface."""
        if end.device in self._devices:
            return True
        return LinkEnd(end.device, end.interface.partition(".")[0]) in self._ports

    def holds_any(self, attachments: Iterable[Attachment]) -> bool:
        """Whether one of some attachments is near."""
        return any(self.holds(item.end) for item in attachments)


def _spread(config: FleetConfig, origins: Iterable[str], devices: set[str], ports: set[LinkEnd]) -> None:
    """Follow the cables of one state from the devices that differ."""
    cables: dict[str, list[tuple[LinkEnd, LinkEnd]]] = {}
    for link in config.links:
        cables.setdefault(link.a.device, []).append((link.a, link.b))
        cables.setdefault(link.b.device, []).append((link.b, link.a))
    waiting = list(origins)
    seen = set(waiting)
    while waiting:
        name = waiting.pop()
        for near, far in cables.get(name, ()):
            if name not in origins and not _is_switched(config, near):
                continue
            if _is_switched(config, far):
                devices.add(far.device)
                if far.device not in seen:
                    seen.add(far.device)
                    waiting.append(far.device)
            else:
                ports.add(far)


def _is_switched(config: FleetConfig, end: LinkEnd) -> bool:
    """Whether frames may go on from a port to others of its device: it is no routed port, as far as the text tells."""
    device = config.devices.get(end.device)
    interface = device.interfaces.get(end.interface) if device else None
    if interface is None or interface.channel_group is not None:
        return True
    return interface.switch_port is not None or not (interface.addresses or interface.routed)


def _structure(states: States, side: int, device: Device) -> tuple[object, ...]:
    """Return what a device says about interfaces, VLANs and assumptions; its lists and routes aside."""
    interfaces = {
        name: replace(
            interface,
            description="",
            bindings=tuple(binding for binding in interface.bindings if binding.port),
        )
        for name, interface in device.interfaces.items()
    }
    vlans = {number: replace(vlan, name="") for number, vlan in device.vlans.items()}
    # These can change how frames are carried and which interfaces are up.
    layer2 = sorted(
        (
            (what, words, str(scope), behind)
            for what, scope, words, behind in states.line_words(side, device.unmodelled)
            if not isinstance(scope, (ListScope, NoScope, OwnScope, RouteScope))
        ),
        key=lambda each: each[:3],
    )
    unknown = {name for name, interface in device.interfaces.items() if interface.unknown_address is not None}
    return interfaces, vlans, device.has_vlan_section, device.assume, layer2, unknown
