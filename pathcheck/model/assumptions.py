"""The readings that differ between device families, as settings with defaults.

Each key is common practice, no source; the documentation page on assumptions says
what each value means.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Literal, get_args, get_type_hints

__all__ = ["Assumptions"]


@dataclass(frozen=True, slots=True)
class Assumptions:
    """One value per reading; the defaults are those of the documentation."""

    svi_without_port: Literal["down", "up"] = "down"
    undefined_list: Literal["permits-all", "denies-all"] = "permits-all"
    ipv6_end: Literal["neighbour-discovery", "deny"] = "neighbour-discovery"
    fragments: Literal["layer3", "never"] = "layer3"
    own_packets: Literal["skip-out", "meet-out"] = "skip-out"
    gateway_while_routing: Literal["idle", "default-route"] = "idle"
    recursion: Literal["any-but-default", "any", "connected"] = "any-but-default"
    dotted_mask: Literal["wildcard", "netmask", "decide"] = "wildcard"
    routing: Literal["by-text", "on", "off"] = "by-text"
    several_flags: Literal["uncertain", "any", "all"] = "uncertain"

    @classmethod
    def choices(cls) -> dict[str, tuple[str, ...]]:
        """Return the values that each key may have, the default first."""
        hints = get_type_hints(cls)
        return {item.name: get_args(hints[item.name]) for item in fields(cls)}

    def with_settings(self, settings: dict[str, str]) -> Assumptions:
        """Return a copy with some keys set; keys and values must be among the choices."""
        return replace(self, **settings)  # type: ignore[arg-type]
