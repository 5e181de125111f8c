"""A flow in the model and in the kernel of this machine, side by side."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum

from pathcheck.model.flow import EntryPoint
from pathcheck.packet.packet import Packet
from pathcheck.results.path import LineUse
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["Fate", "Rehearsal", "RehearsedGroup", "RehearsedHop", "Standing"]


class Standing(StrEnum):
    """How the kernel stands to the model."""

    AGREE = "agree"
    """It did what the model says, or one of the equal ways that the model knows."""
    DISAGREE = "disagree"
    OPEN = "open"
    """The model itself is uncertain about these packets."""
    UNTOLD = "untold"
    """The kernel cannot be the judge of these packets, and it is said why."""


@dataclass(frozen=True, slots=True)
class RehearsedHop:
    """One device on a way; None where packets start, or end, on the device."""

    device: str
    into: str | None
    out: str | None


@dataclass(frozen=True, slots=True)
class Fate:
    """What becomes of a packet, as one of the two tells it.

    Parameters
    ----------
    reason
        None where the kernel cannot tell.
    hops
        The devices on the way.
    line
        The line that dropped it, or the last one that let it through; None where no list was met.
    why
        What else is to be said, a sentence without a final stop.
    """

    reason: Reason | None
    hops: tuple[RehearsedHop, ...]
    line: LineUse | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class RehearsedGroup:
    """Packets that fared alike.

    Parameters
    ----------
    reply
        Whether they answer packets that had arrived.
    at
        Where they entered.
    model
        What the model says: several fates where there are equal ways.
    kernel
        What the kernel did.
    packets
        How many.
    sample
        One of them.
    difference
        In what the two differ, for packets on which they disagree.
    """

    reply: bool
    at: EntryPoint
    model: tuple[Fate, ...]
    kernel: Fate
    standing: Standing
    packets: int
    sample: Packet
    difference: str | None = None


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """The whole rehearsal.

    Parameters
    ----------
    flow
        The flow as words, by field.
    verdict, reason
        The model's, for all packets of the flow.
    reply_verdict, reply_reason
        Those of the reply; None where there is none to ask about.
    groups
        Disagreements first.
    devices
        What was loaded.
    namespaces
        How many.
    kernel
        Its version.
    obstacle
        Why nothing could be rehearsed; None where it was.
    notes
        What was left out or assumed, whole sentences.
    """

    flow: dict[str, str]
    verdict: Verdict
    reason: Reason | None
    reply_verdict: Verdict | None
    reply_reason: Reason | None
    groups: tuple[RehearsedGroup, ...] = ()
    devices: tuple[str, ...] = ()
    namespaces: int = 0
    kernel: str = ""
    obstacle: str | None = None
    notes: tuple[str, ...] = ()

    @property
    def counts(self) -> dict[Standing, int]:
        """How many packets stand how."""
        found: Counter[Standing] = Counter()
        for group in self.groups:
            found[group.standing] += group.packets
        return {standing: found[standing] for standing in Standing}

    @property
    def agrees(self) -> bool | None:
        """Whether the kernel did what the model says with each packet; None where some of it stays open."""
        counts = self.counts
        if counts[Standing.DISAGREE]:
            return False
        if Verdict.UNCERTAIN in (self.verdict, self.reply_verdict):
            return None  # even where none of the packets that were sent is an open one
        return None if self.obstacle or not counts[Standing.AGREE] or len(+Counter(counts)) > 1 else True
