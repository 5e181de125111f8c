"""What the subjects of the audit share: the fleet by address and cable, and how things are called."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property

from pathcheck.dataplane.routing import RoutingState, routing_state
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.model.interface import Interface
from pathcheck.model.unmodelled import DeviceScope, LayerTwoScope
from pathcheck.network.layer2 import LayerTwo
from pathcheck.network.topology import Attachment, Topology
from pathcheck.packet.address import WIDTH, IPVersion
from pathcheck.source import Span

__all__ = ["FleetView", "in_order", "is_host_address", "is_open", "layer2_is_open", "listed"]


class FleetView:
    """A fleet with its addresses and its layer 2, worked out once for the whole audit.

    Parameters
    ----------
    config
        The fleet.
    """

    def __init__(self, config: FleetConfig) -> None:
        self.config = config
        self.topology = Topology(config)
        self.layer2 = LayerTwo(self.topology)
        self._routing: dict[tuple[str, IPVersion], RoutingState] = {}

    @property
    def devices(self) -> Iterable[Device]:
        """All devices, in the order of their names."""
        return self.config.devices.values()

    @cached_property
    def whole_devices(self) -> tuple[Device, ...]:
        """The devices all of whose files were read: of others it is not known what is missing."""
        return tuple(
            device for device in self.devices if all(item.what != "refused file" for item in device.unmodelled)
        )

    @cached_property
    def attachments(self) -> tuple[Attachment, ...]:
        """The addresses that the audit judges.

        Left out are those of interfaces that are shut down or are members of a port
        channel, because they are not in use, and those whose line could not be read,
        because that is a finding of its own.
        """
        found: list[Attachment] = []
        for device in self.devices:
            unread = {item.span for item in device.unmodelled}
            for interface in device.interfaces.values():
                if interface.shutdown or interface.channel_group is not None:
                    continue
                found.extend(
                    Attachment(device.name, interface.name, address)
                    for address in interface.addresses
                    if address.span not in unread
                )
        return tuple(found)

    @cached_property
    def _used(self) -> frozenset[Attachment]:
        return frozenset(self.attachments)

    def is_used(self, item: Attachment) -> bool:
        """Whether an address is one of those that the audit judges."""
        return item in self._used

    def interface(self, at: Attachment | LinkEnd) -> Interface:
        """Return the interface of an attachment or end that exists."""
        return self.config.devices[at.device].interfaces[at.interface]

    def routing(self, device: str, version: IPVersion) -> RoutingState:
        """Return whether a device routes an IP version."""
        key = (device, version)
        if key not in self._routing:
            self._routing[key] = routing_state(self.config.devices[device], version)
        return self._routing[key]

    def may_meet(self, a: Attachment, b: Attachment) -> bool:
        """Whether two interfaces can be on one segment, by the names of their tables and by the cables.

        VRFs are local to a device, but a fleet gives those that belong together one
        name. The network of management ports is served from any table. Tables of
        other names meet only where the cables join them for certain.
        """
        mine, other = self.interface(a), self.interface(b)
        if mine.vrf == other.vrf:
            return True
        if a.device == b.device:
            return False
        if "management" in (mine.kind, other.kind) and a.prefix == b.prefix:
            return True
        return self.joined(a.end, b.end)

    def joined(self, a: LinkEnd, b: LinkEnd) -> bool:
        """Whether the cables join two interfaces for certain."""
        if not (self.topology.is_cabled(a.device) and self.topology.is_cabled(b.device)):
            return False
        carriage = self.layer2.between(a, b)
        return carriage.carried and not carriage.assumed and not carriage.doubts


def is_host_address(at: Attachment) -> bool:
    """Whether an address has a subnet of its own alone."""
    return at.address.length == WIDTH[at.address.address.version]


def is_open(device: Device) -> bool:
    """Whether lines of a device that nobody knows could say anything."""
    return any(isinstance(item.scope, DeviceScope) for item in device.unmodelled)


def layer2_is_open(device: Device, vlan: int) -> bool:
    """Whether lines that are not modelled could change how a device carries a VLAN."""
    return any(
        isinstance(item.scope, DeviceScope)
        or (isinstance(item.scope, LayerTwoScope) and item.scope.vlan in (None, vlan))
        for item in device.unmodelled
    )


def listed(words: Iterable[object], *, most: int = 4) -> str:
    """Return a few words joined as in a sentence, the rest counted.

    Examples
    --------
    >>> listed(["`A`", "`B`", "`C`"])
    '`A`, `B` and `C`'
    >>> listed(range(6), most=2)
    '0, 1 and 4 more'
    """
    given = [str(word) for word in words]
    if len(given) > most:
        given = [*given[:most], f"{len(given) - most} more"]
    return given[0] if len(given) == 1 else f"{', '.join(given[:-1])} and {given[-1]}" if given else ""


def in_order(spans: Iterable[Span | None]) -> tuple[Span, ...]:
    """Return spans once each, by file and line."""
    known = {(span.file, span.line): span for span in spans if span is not None}
    return tuple(known[key] for key in sorted(known))
