"""A finding: something that was understood, and is bad."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pathcheck.packet.packet import Packet
from pathcheck.source import Span

__all__ = ["Finding", "Severity"]


class Severity(StrEnum):
    """How grave a finding is; fixed for each code in the catalogue."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding; code, name and severity come from the catalogue.

    Parameters
    ----------
    because
        The other lines that explain it, a smallest set.
    help
        What to do about it.
    """

    code: str
    name: str
    severity: Severity
    message: str
    span: Span | None = None
    device: str | None = None
    acl: str | None = None
    because: tuple[Span, ...] = ()
    sample: Packet | None = None
    help: str | None = None

    @property
    def title(self) -> str:
        """Code and name, once where they are the same."""
        return self.code if self.code == self.name else f"{self.code} {self.name}"
