"""The way of packets through the fleet, hop by hop, with the lines that decide."""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.results.region import Region
from pathcheck.results.verdict import Reason, Verdict
from pathcheck.source import Span

__all__ = ["Doubt", "FlowAnswer", "Hop", "LineUse", "ListAnswer", "Path", "Reading", "RouteUse"]


@dataclass(frozen=True, slots=True)
class Reading:
    """An assumption that an answer rested on: the key of `assume`, its value, and what it was about."""

    key: str
    value: str
    about: str


@dataclass(frozen=True, slots=True)
class Doubt:
    """A line that could change the answer, and why. `span` is None where no line says it."""

    why: str
    span: Span | None


@dataclass(frozen=True, slots=True)
class LineUse:
    """The line of a list that decided.

    Parameters
    ----------
    acl
        The list's name.
    action
        `permit` or `deny`.
    span
        The line; None for the implicit end, an undefined or an empty list.
    text
        The line as written, or `implicit deny`, `implicit permit`.
    """

    acl: str
    action: str
    text: str
    span: Span | None = None


@dataclass(frozen=True, slots=True)
class RouteUse:
    """The route that was followed.

    Parameters
    ----------
    source
        `connected`, `local`, `static`, `gateway`.
    next_hop
        The address it is sent to; None where the destination is on the subnet.
    interface
        The interface it leaves by; None for a discard route.
    span
        The line it comes from.
    """

    prefix: Prefix
    source: str
    next_hop: Address | None = None
    interface: str | None = None
    span: Span | None = None


@dataclass(frozen=True, slots=True)
class Hop:
    """One device on the way.

    Parameters
    ----------
    device
        Its name.
    into
        The interface where the packets arrive; None where they start on the device.
    out
        The interface where they leave; None where they end here.
    in_line, out_line
        The deciding lines; None where no list is applied.
    route
        None where no route was asked (filtered on arrival, or the device's own address).
    port_line
        The line of a list on a switch port or terminal line, None where there is none.
    notes
        What the reader should know about this hop, whole sentences without a final stop.
    faults
        What keeps packets from going on, with the line that says so; noted as well.
    """

    device: str
    into: str | None = None
    out: str | None = None
    in_line: LineUse | None = None
    route: RouteUse | None = None
    out_line: LineUse | None = None
    port_line: LineUse | None = None
    notes: tuple[str, ...] = ()
    faults: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class Path:
    """One way with one end.

    Parameters
    ----------
    share
        `all` where every packet asked about takes this path, else `part`;
        `equal-cost` where the same packets may take another path as well.
    sample
        One packet that takes it; the evaluator has confirmed it.
    regions
        The packets that take it, as few rows as were wanted.
    doubts
        The lines that could change it; not empty exactly where the verdict is `uncertain`.
    cycle
        For `looping`: the hops, as `device:interface`, that repeat.
    """

    reason: Reason
    hops: tuple[Hop, ...]
    share: str
    sample: Packet | None
    regions: tuple[Region, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()
    cycle: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """The verdict of the path's end."""
        return self.reason.verdict


@dataclass(frozen=True, slots=True)
class FlowAnswer:
    """What becomes of a flow over all its paths.

    Parameters
    ----------
    flow
        The flow as words, by field: protocol, source, source_port, destination, destination_port
        and, where they narrow it, icmp, flags, dscp, fragment.
    verdict, reason
        Of all paths; the reason is None where they do not agree.
    paths
        Gravest first.
    reply
        The answer for the way back; None where there is none to ask about.
    notes
        What was left out or assumed for the flow as a whole.
    """

    flow: dict[str, str]
    verdict: Verdict
    reason: Reason | None
    paths: tuple[Path, ...]
    reply: FlowAnswer | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ListAnswer:
    """What one list alone decides about a flow.

    Parameters
    ----------
    line
        The deciding line, None where several lines decide parts.
    lines
        Each deciding line with the packets it decides, in the order of the list.
    line_verdicts
        What each of `lines` makes of its packets; a permit or deny is `uncertain` where an earlier line
        that may match or not would decide otherwise.
    """

    flow: dict[str, str]
    acl: str
    device: str
    verdict: Verdict
    reason: Reason | None
    line: LineUse | None
    lines: tuple[tuple[LineUse, tuple[Region, ...]], ...]
    sample: Packet | None = None
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()
    notes: tuple[str, ...] = ()
    line_verdicts: tuple[Verdict, ...] = ()
