"""Scores of the rooms from the results, with what a sample leaves open."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from equivalent import Equivalents
from mutants import Mutant

__all__ = ["Score", "Tried"]


@dataclass(frozen=True)
class Tried:
    """One mutant, the line after the change, and what came of it: `killed`, `hangs`, `survived`, `unreached`."""

    mutant: Mutant
    after: str
    outcome: str
    test: str


@dataclass
class Score:
    """One room, or all.

    Parameters
    ----------
    of
        Number of mutants that the sample was drawn from.
    """

    room: str
    of: int
    tried: list[Tried] = field(default_factory=list)
    equivalent: list[tuple[Tried, str]] = field(default_factory=list)
    killed: list[Tried] = field(default_factory=list)
    survivors: list[Tried] = field(default_factory=list)

    def add(self, tried: Tried, equivalents: Equivalents) -> None:
        """Count one mutant. What a test kills is not equivalent, whatever the file says."""
        self.tried.append(tried)
        if tried.outcome in ("killed", "hangs"):
            self.killed.append(tried)
        elif why := equivalents.why(tried.mutant.file, tried.mutant.text, tried.after):
            self.equivalent.append((tried, why))
        else:
            self.survivors.append(tried)

    @property
    def hanging(self) -> int:
        """How many of the killed hang."""
        return sum(each.outcome == "hangs" for each in self.killed)

    @property
    def counted(self) -> int:
        """Mutants that change an answer, or may."""
        return len(self.killed) + len(self.survivors)

    @property
    def value(self) -> float:
        """Killed of those that count, 0..1."""
        return len(self.killed) / self.counted if self.counted else 1.0

    @property
    def interval(self) -> tuple[float, float]:
        """The score of all mutants with 95 % confidence, 0..1.

        Wilson's score interval; the part of the room that was tried makes it narrower (finite population), to nothing
        where all were tried.
        """
        number, share = self.counted, self.value
        if not number:
            return 0.0, 1.0
        left = max(self.of - len(self.tried), 0) / max(self.of - 1, 1)
        z2 = 1.96**2 * left
        middle = (share + z2 / (2 * number)) / (1 + z2 / number)
        half = math.sqrt(z2 * (share * (1 - share) / number + z2 / (4 * number**2))) / (1 + z2 / number)
        return middle - half, middle + half
