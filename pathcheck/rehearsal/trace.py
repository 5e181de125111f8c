"""The way of one packet as the kernel showed it, in the words of an answer."""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.packet.address import Address
from pathcheck.results.verdict import Reason
from pathcheck.source import Span

__all__ = ["Decision", "Step", "Trace"]


@dataclass(frozen=True, slots=True)
class Decision:
    """A line of a list that decided.

    Parameters
    ----------
    acl
        The list's name.
    action
        `permit` or `deny`.
    span
        The line; None for the end of the list, or a list that is undefined or empty.
    """

    acl: str
    action: str
    span: Span | None


@dataclass(frozen=True, slots=True)
class Step:
    """One device on the way.

    Parameters
    ----------
    into, out
        Interfaces; None where the packet starts, or ends, on the device.
    in_lines, out_lines, own_lines
        What lists decided: in, out, and those that guard the device itself.
    next_hop
        The address it was sent to; None where it was not sent.
    """

    device: str
    into: str | None
    out: str | None = None
    in_lines: tuple[Decision, ...] = ()
    out_lines: tuple[Decision, ...] = ()
    own_lines: tuple[Decision, ...] = ()
    next_hop: Address | None = None

    @property
    def lines(self) -> tuple[Decision, ...]:
        """All lines that decided, in order."""
        return (*self.in_lines, *self.out_lines, *self.own_lines)


@dataclass(frozen=True, slots=True)
class Trace:
    """What became of one packet.

    Parameters
    ----------
    reason
        None where the laboratory cannot tell; then `why` says why.
    lost
        Whether the packet was seen nowhere at its last step, although nothing there ends packets in silence.
    """

    steps: tuple[Step, ...]
    reason: Reason | None
    why: str = ""
    lost: bool = False
