"""An access list: its entries in the order in which they act."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from pathcheck.model.object_group import GroupReference
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.source import Span

__all__ = [
    "AccessList",
    "Action",
    "Direction",
    "Entry",
    "Family",
    "IcmpMatch",
    "Line",
    "ListBinding",
    "Remark",
    "UnreadLine",
]

Family = Literal["ipv4", "ipv6"]
Direction = Literal["in", "out"]


class Action(StrEnum):
    """What a line does with a packet that it matches."""

    PERMIT = "permit"
    DENY = "deny"


@dataclass(frozen=True, slots=True, order=True)
class IcmpMatch:
    """An ICMP type, and a code or None for each code."""

    type: int
    code: int | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One line that permits or denies.

    Lines compare by what they say; where they stand does not count.

    Parameters
    ----------
    sequence
        The number that orders the lines, 1 or more.
    action
        Permit or deny.
    protocol
        A number, None for each protocol, or a group of services or protocols.
        A service group says the protocol and the ports; the port fields are
        then None.
    source, destination
        Addresses, or a group of addresses. A standard line has `any` as destination.
    source_ports, destination_ports
        Ports, a group of ports, or None where the line names none. An empty
        set (`gt 65535`) matches nothing.
    icmp
        ICMP type and code, or a group of them.
    flags
        What the line asks of TCP flags, `established` included.
    dscp
        Values of DSCP, 0..63 (`precedence` is the top three bits).
    fragments
        The word `fragments`: non-initial fragments only.
    log
        The logging word as written, None where there is none.
    doubt
        Why the line may match less than its criteria say (a time range, a
        field that is not modelled); None where it matches exactly them.
    options
        The words behind `doubt`, as written, so that the line can be written back.
    span
        Where the line stands.
    """

    sequence: int
    action: Action
    protocol: int | GroupReference | None
    source: AddressMatch | GroupReference
    destination: AddressMatch | GroupReference
    source_ports: Ranges | GroupReference | None = None
    destination_ports: Ranges | GroupReference | None = None
    icmp: IcmpMatch | GroupReference | None = None
    flags: FlagMatch | None = None
    dscp: Ranges | None = None
    fragments: bool = False
    log: str | None = None
    doubt: str | None = None
    options: str = ""
    span: Span = field(compare=False, kw_only=True)

    @property
    def names_layer4(self) -> bool:
        """Whether the line names ports, flags or ICMP type and code; a service group is looked into elsewhere."""
        return not (
            self.source_ports is None and self.destination_ports is None and self.icmp is None and self.flags is None
        )


@dataclass(frozen=True, slots=True)
class Remark:
    """Free text inside a list, kept at its place. `sequence` is None where none is written."""

    text: str
    sequence: int | None = None
    span: Span = field(compare=False, kw_only=True)


@dataclass(frozen=True, slots=True)
class UnreadLine:
    """A line of the list that could not be read: it may match any packet or none.

    Parameters
    ----------
    sequence
        Its place in the order; the place in the file where no number could be read.
    action
        Permit or deny where that much could be read, else None.
    why
        What was expected, one sentence.
    """

    sequence: int
    action: Action | None
    text: str
    why: str = field(compare=False)
    span: Span = field(compare=False, kw_only=True)


Entry = Line | Remark | UnreadLine


@dataclass(frozen=True, slots=True)
class AccessList:
    """A list with its entries in the order of their sequence numbers.

    Parameters
    ----------
    name
        As written; a number is a name of digits.
    family
        `ipv4` or `ipv6`.
    standard
        Whether its lines match the source only.
    entries
        In the order in which they act, remarks at their places.
    """

    name: str
    family: Family
    standard: bool
    entries: tuple[Entry, ...]
    lines: tuple[Line | UnreadLine, ...] = field(init=False, compare=False, repr=False)
    """The entries that can act."""
    span: Span = field(compare=False, kw_only=True)

    def __post_init__(self) -> None:
        # Asked for at each decision, so it is not put together anew each time.
        lines = tuple(entry for entry in self.entries if not isinstance(entry, Remark))
        object.__setattr__(self, "lines", lines)

    @property
    def is_empty(self) -> bool:
        """Whether no line can act; remarks do not count."""
        return not self.lines


@dataclass(frozen=True, slots=True)
class ListBinding:
    """A list applied somewhere, by name; the list may be undefined.

    Parameters
    ----------
    port
        Whether it acts on the frames of a switch port (before routing, also on
        bridged traffic) instead of on routed packets.
    """

    list_name: str
    family: Family
    direction: Direction
    port: bool = False
    span: Span = field(compare=False, kw_only=True)
