"""A VLAN of a device's database."""

from __future__ import annotations

from dataclasses import dataclass, field

from pathcheck.source import Span

__all__ = ["ALWAYS_PRESENT", "SHARED_DATABASE", "Vlan"]

ALWAYS_PRESENT = frozenset({1, *range(1002, 1006)})
"""VLANs that exist without being defined (common practice, no source)."""

SHARED_DATABASE = "a VLAN database that is kept in common with other switches"
"""What an unmodelled line is called that may define VLANs which the text does not show."""


@dataclass(frozen=True, slots=True)
class Vlan:
    """A VLAN, 1..4094, that the text defines."""

    number: int
    name: str = ""
    shutdown: bool = False
    trunk_groups: tuple[str, ...] = ()
    span: Span = field(compare=False, kw_only=True)
