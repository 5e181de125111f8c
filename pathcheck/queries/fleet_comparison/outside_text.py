"""What lines of a list mean that name something outside of it which is not modelled: time ranges and sessions.

Such a line may match or not. In two states of a device it matches the same packets
if the device's text says the same about what the line names.
"""

from __future__ import annotations

import re

from pathcheck.fleet_source import FleetState
from pathcheck.model.access_list import AccessList, UnreadLine
from pathcheck.model.device import Device

__all__ = ["is_same_outside", "names_outside"]

_TIME_RANGE = re.compile(
    # In a text without indentation the lines below the header stand at the margin; in YAML each may be an item.
    rb"^([ \t]*)(?:- )?[\"']?time-r(?:a(?:n(?:g(?:e)?)?)?)?\b[^\n]*"
    rb"(?:\n\1(?:[ \t]+|- [\"'][ \t]+|(?:- )?[\"']?(?:periodic|absolute|no)\b)[^\n]*)*",
    re.MULTILINE | re.IGNORECASE,
)
_REFLECT = re.compile(rb"^[^\n]*\breflect\b[^\n]*", re.MULTILINE | re.IGNORECASE)
_WORDS = frozenset({"time-range", "reflect", "tracked", "evaluate"})


def names_outside(access_list: AccessList) -> bool:
    """Whether a line of a list names a time range or a table of sessions."""
    return any(
        not _WORDS.isdisjoint((line.text if isinstance(line, UnreadLine) else line.options).lower().split())
        for line in access_list.lines
    )


def is_same_outside(before: FleetState, after: FleetState, devices: tuple[Device, Device]) -> bool:
    """Whether the text of a device says the same about time ranges and sessions in two states."""
    return _said(before, devices[0]) == _said(after, devices[1])


def _said(state: FleetState, device: Device) -> tuple[bytes, ...] | None:
    """Return the blocks and lines that define them; None, which equals nothing, where a file cannot be read."""
    found: list[bytes] = []
    for name in device.files:
        try:
            data = state.read(name).replace(b"\r\n", b"\n")
        except (OSError, KeyError):
            return (name.encode(), state.word.encode())
        for pattern in (_TIME_RANGE, _REFLECT):
            found += [b" ".join(match[0].split()) for match in pattern.finditer(data)]
    return tuple(sorted(found))
