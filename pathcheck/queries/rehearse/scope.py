"""Which devices a flow can touch, and so have to be there."""

from __future__ import annotations

from collections.abc import Iterable

from pathcheck.model.fleet_config import FleetConfig
from pathcheck.network.reachability import End
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix

__all__ = ["namespaces_needed", "touched_devices"]


def touched_devices(config: FleetConfig, ends: Iterable[End], most: int) -> tuple[list[str], bool]:
    """Return the devices on the ways of a flow and then, as far as there is room, those beside them.

    Parameters
    ----------
    most
        Namespaces at most.

    Returns
    -------
    list, bool
        Names, those on the ways first; and whether some that are beside were left out.

    Notes
    -----
    The neighbours are there so that the kernel can go another way than the model
    says. Where it would go to one that is not there, it is said so.
    """
    on_way = sorted({hop.device for end in ends for hop in end.hops})
    chosen = list(on_way)
    room = most - 1 - sum(namespaces_needed(config, name) for name in chosen)
    beside = [name for name in _beside(config, on_way) if name not in on_way]
    for name in beside:
        needed = namespaces_needed(config, name)
        if needed <= room:
            chosen.append(name)
            room -= needed
    return chosen, len(chosen) < len(on_way) + len(beside)


def namespaces_needed(config: FleetConfig, name: str) -> int:
    """Return how many tables a device has: the global one, and one for each VRF."""
    device = config.devices[name]
    return len({None, *device.vrfs, *(interface.vrf for interface in device.interfaces.values())})


def _beside(config: FleetConfig, names: Iterable[str]) -> list[str]:
    """Return the devices with an address on a subnet of some devices, in the order of their names."""
    subnets = {
        item.prefix
        for name in names
        for interface in config.devices[name].interfaces.values()
        for item in interface.addresses
    }
    lengths = {(subnet.version, subnet.length) for subnet in subnets}

    def is_near(address: Address) -> bool:
        return any(
            version == address.version and Prefix.containing(address, length) in subnets for version, length in lengths
        )

    return sorted(
        device.name
        for device in config.devices.values()
        if any(is_near(item.address) for interface in device.interfaces.values() for item in interface.addresses)
    )
