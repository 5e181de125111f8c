"""The lines of a list as plain numbers, for the scripts that the program is compared with."""

from __future__ import annotations

from pathlib import Path
from typing import Any

__all__ = ["fields_of"]


def fields_of(path: Path) -> list[tuple[Any, ...]]:
    """The lines of the only list of a file: two addresses with masks, protocol or None, bounds of two ports."""
    from pathcheck.fleet import load_fleet
    from pathcheck.model.access_list import Line
    from pathcheck.packet.ranges import Ranges
    from pathcheck.packet.wildcard import AddressMatch

    (device,) = load_fleet(path).config.devices.values()
    (access_list,) = device.access_lists.values()
    fields = []
    for line in access_list.lines:
        assert isinstance(line, Line)
        assert isinstance(line.source, AddressMatch)
        assert isinstance(line.destination, AddressMatch)
        bounds = []
        for ports in (line.source_ports, line.destination_ports):
            bounds += [*(ports.spans[0] if isinstance(ports, Ranges) else (0, 65535))]
        fields.append(
            (line.source.value, line.source.care, line.destination.value, line.destination.care, line.protocol, *bounds)
        )
    return fields
