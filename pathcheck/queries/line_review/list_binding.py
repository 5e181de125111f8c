"""Where a list is applied, and whether it filters packets at all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pathcheck.model.access_list import AccessList, ListBinding
from pathcheck.model.device import Device
from pathcheck.model.interface import Interface

__all__ = ["BoundInterface", "filters", "guards_device", "interfaces_of", "is_applied", "is_used_otherwise"]


@dataclass(frozen=True, slots=True)
class BoundInterface:
    """An interface with one list that is applied to it."""

    interface: Interface
    binding: ListBinding


def interfaces_of(device: Device, access_list: AccessList) -> Iterator[BoundInterface]:
    """Yield the interfaces of a device to which a list is applied, in the order of the text."""
    for interface in device.interfaces.values():
        for binding in interface.bindings:
            if _is(binding, access_list):
                yield BoundInterface(interface, binding)


def guards_device(device: Device, access_list: AccessList) -> bool:
    """Whether a list guards the device's own addresses or its terminal lines."""
    bindings = (*device.control_plane, *(each for lines in device.terminal_lines for each in lines.bindings))
    return any(_is(binding, access_list) for binding in bindings)


def is_used_otherwise(device: Device, access_list: AccessList) -> bool:
    """Whether a list chooses packets for something else than to drop them: address translation, a route map."""
    return any(use.list_name == access_list.name and use.family == access_list.family for use in device.list_uses)


def is_applied(device: Device, access_list: AccessList) -> bool:
    """Whether a list filters packets somewhere on the device."""
    return next(interfaces_of(device, access_list), None) is not None or guards_device(device, access_list)


def filters(device: Device, access_list: AccessList) -> bool:
    """Whether packets are dropped by a list, as far as the text tells.

    A text that applies no list to anything is taken for a part of a
    configuration; each of its lists is then taken to filter somewhere.
    """
    if is_applied(device, access_list):
        return True
    return not (
        device.list_uses
        or device.control_plane
        or any(lines.bindings for lines in device.terminal_lines)
        or any(interface.bindings for interface in device.interfaces.values())
    )


def _is(binding: ListBinding, access_list: AccessList) -> bool:
    """Whether a binding names a list."""
    return binding.list_name == access_list.name and binding.family == access_list.family
