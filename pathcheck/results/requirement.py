"""Whether required flows hold, and what shows that one does not."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from enum import StrEnum

from pathcheck.model.required_flow import RequiredFlow
from pathcheck.packet.packet import Packet
from pathcheck.results.path import FlowAnswer, LineUse, ListAnswer, Path
from pathcheck.results.verdict import Reason, Verdict
from pathcheck.source import Span

__all__ = ["Evidence", "Requirement", "RequirementPart", "RequirementReport", "Standing"]


class Standing(StrEnum):
    """How a required flow stands; the gravest first.

    `unanswered` is a flow whose words cannot be asked of this fleet, such as one
    that names a device that the fleet does not have.
    """

    UNANSWERED = "unanswered"
    BROKEN = "broken"
    UNCERTAIN = "uncertain"
    HOLDS = "holds"


@dataclass(frozen=True, slots=True)
class Evidence:
    """Why a required flow does not hold, or may not: one packet, its way, and what decides.

    Parameters
    ----------
    direction
        `flow`, `reply`, or `list` where one list alone was asked.
    why
        What becomes of the packet, where, and by what; a phrase that follows the packet.
    sample
        The packet; the evaluator has confirmed what becomes of it.
    path
        Its way; None for a list alone.
    line
        The line of a list that decides, None where something else does.
    span
        What decides, in the file where it stands; None for an implicit end.
    device
        Where it is decided; None within one subnet.
    """

    direction: str
    why: str
    sample: Packet | None = None
    path: Path | None = None
    line: LineUse | None = None
    span: Span | None = None
    device: str | None = None


@dataclass(frozen=True, slots=True)
class RequirementPart:
    """One flow of a required flow.

    Parameters
    ----------
    words
        As written, with its options.
    answer
        None exactly where it is `unanswered`.
    evidence
        None exactly where it holds or is unanswered.
    fault, help
        Why it is unanswered, and what to do.
    """

    words: str
    span: Span = field(compare=False)
    standing: Standing
    answer: FlowAnswer | ListAnswer | None = None
    evidence: Evidence | None = None
    fault: str | None = None
    help: str | None = None


@dataclass(frozen=True, slots=True)
class Requirement:
    """A required flow and how it stands: as the gravest of its parts."""

    flow: RequiredFlow
    parts: tuple[RequirementPart, ...]

    @property
    def gravest(self) -> RequirementPart:
        """The part that decides how it stands; the first of several."""
        return min(self.parts, key=lambda part: list(Standing).index(part.standing))

    @property
    def standing(self) -> Standing:
        """How it stands."""
        return self.gravest.standing

    @property
    def holds(self) -> bool:
        """Whether it holds for certain."""
        return self.standing is Standing.HOLDS

    @property
    def verdict(self) -> Verdict | None:
        """The verdict of all its parts; None where one is unanswered."""
        verdicts = {part.answer.verdict for part in self.parts if part.answer is not None}
        if any(part.answer is None for part in self.parts):
            return None
        if Verdict.PARTLY in verdicts or {Verdict.PERMITTED, Verdict.DENIED} <= verdicts:
            return Verdict.PARTLY
        return Verdict.UNCERTAIN if Verdict.UNCERTAIN in verdicts else next(iter(verdicts))

    @property
    def reason(self) -> Reason | None:
        """The reason of all its parts where they agree, else None."""
        reasons = {part.answer.reason if part.answer is not None else None for part in self.parts}
        return next(iter(reasons)) if len(reasons) == 1 else None


@dataclass(frozen=True, slots=True)
class RequirementReport:
    """All required flows of one file, in its order."""

    file: str
    requirements: tuple[Requirement, ...] = field(default=())

    @property
    def counts(self) -> dict[Standing, int]:
        """How many stand how, each standing present."""
        found = Counter(item.standing for item in self.requirements)
        return {standing: found[standing] for standing in Standing}
