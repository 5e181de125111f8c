"""Who has which address and which cable, written down once for a fleet so that no packet searches all of it."""

from __future__ import annotations

from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.model.interface import InterfaceAddress
from pathcheck.packet.address import Address

__all__ = ["FleetIndex", "index_of"]


class FleetIndex:
    """A fleet by address and by cable.

    Attributes
    ----------
    owners
        Address to each device and interface that has it, up or down, with the address as written.
    cables
        Device to its cables, each as its own end and the far end.
    """

    def __init__(self, config: FleetConfig) -> None:
        self.config = config
        self.owners: dict[Address, list[tuple[tuple[str, str], InterfaceAddress]]] = {}
        self.cables: dict[str, list[tuple[LinkEnd, LinkEnd]]] = {}
        for device in config.devices.values():
            for interface in device.interfaces.values():
                for item in interface.addresses:
                    self.owners.setdefault(item.address, []).append(((device.name, interface.name), item))
        for link in config.links:
            for near, far in ((link.a, link.b), (link.b, link.a)):
                self.cables.setdefault(near.device, []).append((near, far))


_last: list[FleetIndex] = []
"""That of the fleet asked last."""


def index_of(config: FleetConfig) -> FleetIndex:
    """Return the index of a fleet; the same one as long as the same fleet is asked."""
    if not _last or _last[0].config is not config:
        _last[:] = [FleetIndex(config)]
    return _last[0]
