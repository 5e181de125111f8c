"""What a change of a fleet opens and closes: end to end, list by list, where lists are bound, and in the tables."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pathcheck.model.fleet_config import Place
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.results.comparison import ListComparison, ListDifference
from pathcheck.results.path import Doubt, LineUse, Reading
from pathcheck.results.region import Region
from pathcheck.results.requirement import Requirement
from pathcheck.results.verdict import Verdict
from pathcheck.source import Span

__all__ = [
    "BindingChange",
    "Cause",
    "ChangeRow",
    "EndChange",
    "FleetComparison",
    "ListChange",
    "ListStatus",
    "RequirementChange",
    "RouteChange",
    "UnreadFile",
    "Way",
]


@dataclass(frozen=True, slots=True)
class Cause:
    """What decides a packet on one side.

    Parameters
    ----------
    why
        What becomes of the packet, where and by what.
    line
        The line of a list that decides, None where something else does.
    span
        What decides, in its file; None for an implicit end, or where no line says it.
    device
        Where it is decided.
    """

    why: str
    line: LineUse | None = None
    span: Span | None = None
    device: str | None = None


@dataclass(frozen=True, slots=True)
class EndChange:
    """Packets that fare otherwise from end to end.

    Parameters
    ----------
    region
        A prefix as source stands for the stations on it: not the fleet's devices, network and broadcast
        addresses. `size` counts those of its packets that no earlier region of the same kind holds. The
        sample was followed by the evaluator in both states.
    before, after
        What becomes of the packets.
    at
        `DEVICE:INTERFACE` for packets from outside of the fleet, which enter there; None for those of
        stations and devices of the fleet.
    before_cause, after_cause
        What decides the sample in both states; other packets of the region may be decided by other lines.
    doubts
        What makes it uncertain.
    """

    region: Region
    before: Verdict
    after: Verdict
    before_cause: Cause
    after_cause: Cause
    at: str | None = None
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """Packets that fare otherwise from end to end, as one row to read: addresses of any number at both ends.

    Parameters
    ----------
    sources, destinations
        Each stands for the stations on it, as in :class:`EndChange`.
    example
        Its region holds the rest of the row, with `any` at both ends, and as `size` the packets of the row that no
        earlier one of the same kind holds; its sample is one of them, and its causes are those of the sample.
    """

    sources: tuple[Prefix, ...]
    destinations: tuple[Prefix, ...]
    example: EndChange


class ListStatus(StrEnum):
    """How a list of the one state stands to that of the other."""

    CHANGED = "changed"
    ADDED = "added"
    REMOVED = "removed"


@dataclass(frozen=True, slots=True)
class ListChange:
    """A list that was edited.

    Parameters
    ----------
    status
        `added` and `removed` are lists that no line binds in the state that lacks them.
    comparison
        What it decides otherwise; a list that is bound and not defined decides by `undefined_list`. None
        for lists that were added or removed.
    bound_at
        Where the list is bound afterwards, else where it was: `Vlan20 in`.
    edits
        What kinds of edits make the two texts differ: `lines`, `numbers`, `remarks`, `order`, `spelling`, `groups`.
    """

    device: str
    acl: str
    family: str
    status: ListStatus
    comparison: ListComparison | None = None
    bound_at: tuple[str, ...] = ()
    edits: tuple[str, ...] = ()
    span: Span | None = None

    @property
    def has_effect(self) -> bool:
        """Whether the list decides some packet otherwise, or may."""
        return self.comparison is not None and not self.comparison.is_equal


@dataclass(frozen=True, slots=True)
class BindingChange:
    """Other lists at one place.

    Parameters
    ----------
    place
        `Vlan20 in`, `Ethernet3 in (port)`, `control plane in`, `terminal lines 0-4 in`.
    before, after
        Names of the lists there, in the order in which packets meet them; empty for none.
    opened, closed, uncertain
        What packets that pass there meet otherwise. A place that has no list permits all.
    cut
        Whether there are more regions than were asked for.
    """

    device: str
    place: str
    family: str
    before: tuple[str, ...]
    after: tuple[str, ...]
    opened: tuple[ListDifference, ...] = ()
    closed: tuple[ListDifference, ...] = ()
    uncertain: tuple[ListDifference, ...] = ()
    cut: bool = False
    span: Span | None = None

    @property
    def has_effect(self) -> bool:
        """Whether packets there meet something else, or may."""
        return bool(self.opened or self.closed or self.uncertain)


@dataclass(frozen=True, slots=True)
class Way:
    """What a table does with some destinations.

    Parameters
    ----------
    kind
        `none`, `stranded`, `own`, `connected`, `discard`, or `next-hop`.
    hops
        Interface and next hop of each equal-cost way.
    discards
        Whether one of several equal-cost ways is a discard route.
    prefix
        The route that wins; None without one.
    spans
        The lines of the routes.
    doubts
        What could change it.
    """

    kind: str
    hops: tuple[tuple[str, Address | None], ...] = ()
    discards: bool = False
    prefix: Prefix | None = None
    spans: tuple[Span, ...] = ()
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class RouteChange:
    """Destinations that a table sends another way.

    Parameters
    ----------
    prefixes
        As few as hold exactly these destinations.
    """

    device: str
    vrf: str | None
    version: IPVersion
    prefixes: tuple[Prefix, ...]
    before: Way
    after: Way

    @property
    def is_uncertain(self) -> bool:
        """Whether lines that are not modelled leave it open in either state."""
        return bool(self.before.doubts or self.after.doubts)


@dataclass(frozen=True, slots=True)
class RequirementChange:
    """A required flow that stands otherwise; None where a state does not require it."""

    before: Requirement | None
    after: Requirement | None

    @property
    def name(self) -> str:
        """Of the flow."""
        held = self.after or self.before
        assert held is not None
        return held.flow.name


@dataclass(frozen=True, slots=True)
class UnreadFile:
    """A file that is refused whole in a state.

    Parameters
    ----------
    before, after
        Why; None where it is read, or is not there.
    is_same
        Whether both states refuse it, with the same content: then it changes nothing, whatever it says.
    """

    file: str
    before: str | None
    after: str | None
    is_same: bool


@dataclass(frozen=True, slots=True)
class FleetComparison:
    """The effect of a change of a fleet.

    Parameters
    ----------
    before, after
        The two states as the user named them.
    requirements
        Required flows that change how they stand, those that no longer hold first.
    opened, closed
        What passes afterwards and did not before, and the other way round, from end to end.
    uncertain
        What may fare otherwise.
    opened_rows, closed_rows, uncertain_rows
        The same in few rows to read.
    opened_size, closed_size, uncertain_size
        How many packets these are, exactly, also where `cut` tells that regions are left out, or where none were
        asked for.
    lists, bindings, routes
        Device by device; lists without effect are there too.
    added, removed
        Devices.
    edited
        Devices whose text or settings differ.
    left_open
        Lines that are in both states and behind which nobody knows what becomes of some packets. As far
        as their ways are known, these meet nothing that differs, so that the answer about them is the same.
    unread
        Files that are refused in either state.
    recabled
        Whether the two states have other cables.
    places
        The places of the later state, for naming.
    addresses
        Names of the devices that own an address.
    asked
        Whether anything had to be asked end to end: false where nothing that was edited can touch a packet.
    cut
        Whether there are more regions than were asked for.
    """

    before: str
    after: str
    requirements: tuple[RequirementChange, ...] = ()
    opened: tuple[EndChange, ...] = ()
    closed: tuple[EndChange, ...] = ()
    uncertain: tuple[EndChange, ...] = ()
    opened_rows: tuple[ChangeRow, ...] = ()
    closed_rows: tuple[ChangeRow, ...] = ()
    uncertain_rows: tuple[ChangeRow, ...] = ()
    opened_size: int = 0
    closed_size: int = 0
    uncertain_size: int = 0
    lists: tuple[ListChange, ...] = ()
    bindings: tuple[BindingChange, ...] = ()
    routes: tuple[RouteChange, ...] = ()
    added: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    edited: tuple[str, ...] = ()
    readings: tuple[Reading, ...] = ()
    left_open: tuple[Doubt, ...] = ()
    unread: tuple[UnreadFile, ...] = ()
    recabled: bool = False
    places: tuple[Place, ...] = ()
    addresses: tuple[tuple[Address, str], ...] = ()
    asked: bool = False
    cut: bool = False

    @property
    def has_certain_effect(self) -> bool:
        """Whether something fares otherwise for certain: from end to end, at a list, or in a table."""
        return bool(
            self.opened_size
            or self.closed_size
            or any(one.comparison and (one.comparison.opened or one.comparison.closed) for one in self.lists)
            or any(one.opened or one.closed for one in self.bindings)
            or any(not one.is_uncertain for one in self.routes)
            or any(one.before and one.after for one in self.requirements)
        )

    @property
    def has_uncertain_effect(self) -> bool:
        """Whether something may fare otherwise."""
        return bool(
            self.uncertain_size
            or self.not_known
            or any(one.comparison and one.comparison.uncertain for one in self.lists)
            or any(one.uncertain for one in self.bindings)
            or any(one.is_uncertain for one in self.routes)
        )

    @property
    def not_known(self) -> tuple[UnreadFile, ...]:
        """The refused files that are not the same in both states: what they change is not known."""
        return tuple(one for one in self.unread if not one.is_same)
