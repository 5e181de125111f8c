"""What a full replacement takes from devices: lines that are there before and mean nothing any more after."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from pathcheck.source import Span

__all__ = ["Alarm", "DeviceRemovals", "Reach", "Removal", "Removals"]


class Reach(IntEnum):
    """How far a removal reaches, the farthest first."""

    MANAGEMENT = 0
    TRUNKS = 1
    ROUTES = 2
    LISTS = 3
    REST = 4

    @property
    def words(self) -> str:
        """What reports call it."""
        return _WORDS[self]


_WORDS = {
    Reach.MANAGEMENT: "management",
    Reach.TRUNKS: "trunks and VLANs",
    Reach.ROUTES: "routes and addresses",
    Reach.LISTS: "lists",
    Reach.REST: "the rest",
}


@dataclass(frozen=True, slots=True)
class Removal:
    """A line whose meaning is gone, wholly or in part.

    Parameters
    ----------
    what
        What goes, one clause.
    span
        The line, before.
    by
        Where another value stands in its place; None where nothing does.
    modelled
        Whether it was told by what the line means; otherwise by its words.
    """

    device: str
    reach: Reach
    what: str
    span: Span
    by: Span | None = None
    modelled: bool = True


@dataclass(frozen=True, slots=True)
class Alarm:
    """A whole section, list or device of which nothing is left.

    Parameters
    ----------
    had
        How many parts it had.
    """

    device: str
    section: str
    message: str
    had: int
    span: Span | None = None


@dataclass(frozen=True, slots=True)
class DeviceRemovals:
    """One device; `kept` counts its lines, before, that mean the same after."""

    device: str
    removed: tuple[Removal, ...]
    replaced: tuple[Removal, ...]
    kept: int


@dataclass(frozen=True, slots=True)
class Removals:
    """The answer.

    Parameters
    ----------
    before, after
        The words for the two states.
    most
        How many removals are allowed; None for any number.
    notes
        What was not compared.
    """

    before: str
    after: str
    devices: tuple[DeviceRemovals, ...]
    alarms: tuple[Alarm, ...]
    most: int | None = None
    notes: tuple[str, ...] = ()

    @property
    def removed(self) -> tuple[Removal, ...]:
        """All removals, the farthest reach first, then by device and line."""
        every = [item for device in self.devices for item in device.removed]
        return tuple(sorted(every, key=lambda item: (item.reach, item.device, item.span.file, item.span.line)))

    @property
    def replaced(self) -> tuple[Removal, ...]:
        """All lines in whose place another value stands, in the same order."""
        every = [item for device in self.devices for item in device.replaced]
        return tuple(sorted(every, key=lambda item: (item.reach, item.device, item.span.file, item.span.line)))

    @property
    def is_over(self) -> bool:
        """Whether there are more removals than are allowed."""
        return self.most is not None and len(self.removed) > self.most
