"""Who reaches whom: the matrix of a fleet's subnets and places for one service, and the sources of a destination."""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.packet.address import IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.results.path import Doubt, Reading
from pathcheck.results.region import Region
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["EntrySources", "ReachAnswer", "ReachCell", "ReachEnd", "SourcesAnswer"]


@dataclass(frozen=True, slots=True)
class ReachEnd:
    """One end of the matrix: a row or a column.

    Parameters
    ----------
    name
        The prefix of a subnet, or the name of a place or device.
    kind
        `subnet`, `place`, `device`, or `addresses` for a prefix that is no subnet of the fleet.
    prefixes
        Its addresses.
    interfaces
        For a subnet: `DEVICE:INTERFACE` of each interface on it.
    """

    name: str
    kind: str
    prefixes: tuple[Prefix, ...]
    interfaces: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ReachCell:
    """What becomes of the service from one end to another.

    Parameters
    ----------
    source, destination
        Names of the ends.
    verdict
        Of the way there, and back where that was asked; None where the question has no answer.
    there
        Of the way there alone.
    reply
        Of the way back; None where it was not asked or nothing is answered.
    reasons
        How packets end on the way there, and back, in the order of `Reason`.
    why
        Why there is no answer.
    part, reply_part
        Where only a part passes: which, in a few rows. Empty where nobody asked for rows.
    doubts
        What makes the verdict uncertain, a few lines.
    """

    source: str
    destination: str
    version: IPVersion
    verdict: Verdict | None
    there: Verdict | None = None
    reply: Verdict | None = None
    reasons: tuple[Reason, ...] = ()
    reply_reasons: tuple[Reason, ...] = ()
    why: str | None = None
    part: tuple[Region, ...] = ()
    reply_part: tuple[Region, ...] = ()
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class ReachAnswer:
    """The matrix.

    Parameters
    ----------
    service
        As the user wrote it.
    with_reply
        Whether the reply must come back.
    sources, destinations
        Rows and columns, in order.
    cells
        Row by row, IPv4 first; one for each IP version that both ends have.
    readings
        The assumptions that some cell rests on.
    notes
        What was left out or assumed, whole sentences without a final stop.
    """

    service: str
    with_reply: bool
    sources: tuple[ReachEnd, ...]
    destinations: tuple[ReachEnd, ...]
    cells: tuple[ReachCell, ...]
    readings: tuple[Reading, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class EntrySources:
    """The source addresses from which packets that enter at one place reach the destination.

    Parameters
    ----------
    entry
        `DEVICE:INTERFACE`.
    subnets
        The subnets of the interface: its stations have addresses of these.
    open, partly, uncertain
        Sources from which all packets, only some, or perhaps some packets of the service get
        there; as few prefixes as hold these and no other source that was asked about. They may
        hold network and broadcast addresses, those of devices, and what no router forwards.
    others_open, others_partly, others_uncertain
        The same for sources outside of the subnets: forged, or of networks behind a router there
        that is no device of the fleet.
    doubts
        The lines that make it uncertain.
    """

    entry: str
    version: IPVersion
    subnets: tuple[Prefix, ...]
    open: tuple[Prefix, ...] = ()
    partly: tuple[Prefix, ...] = ()
    uncertain: tuple[Prefix, ...] = ()
    others_open: tuple[Prefix, ...] = ()
    others_partly: tuple[Prefix, ...] = ()
    others_uncertain: tuple[Prefix, ...] = ()
    doubts: tuple[Doubt, ...] = ()

    @property
    def is_closed(self) -> bool:
        """Whether nothing that enters here reaches the destination, for certain."""
        return not any(
            (
                self.open, self.partly, self.uncertain,
                self.others_open, self.others_partly, self.others_uncertain,
            )
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class SourcesAnswer:
    """From where a destination is reached.

    Parameters
    ----------
    service, destination
        As the user wrote them.
    prefixes
        What the destination stands for.
    entries
        Each entry point of the fleet, closed ones too, by device and interface.
    """

    service: str
    destination: str
    prefixes: tuple[Prefix, ...]
    entries: tuple[EntrySources, ...]
    readings: tuple[Reading, ...] = ()
    notes: tuple[str, ...] = ()
