"""A set of packets in a form to read and to print: one row of fields."""

from __future__ import annotations

from dataclasses import dataclass, field

from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet

__all__ = ["Region"]


@dataclass(frozen=True, slots=True)
class Region:
    """A box with one packet of it; `size` counts its packets, None where nobody asked."""

    box: Box
    sample: Packet | None = field(default=None, compare=False)
    size: int | None = None
