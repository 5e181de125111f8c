"""A VLAN of a device's database."""

from __future__ import annotations

from dataclasses import dataclass, field

from pathcheck.source import Span

__all__ = ["ALWAYS_PRESENT", "Vlan"]

ALWAYS_PRESENT = frozenset({1, *range(1002, 1006)})
"""VLANs that exist without being defined (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Vlan:
    """A VLAN, 1..4094, that the text defines."""

    number: int
    name: str = ""
    shutdown: bool = False
    trunk_groups: tuple[str, ...] = ()
    span: Span = field(compare=False, kw_only=True)
