"""What two access lists decide differently."""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.results.path import Doubt, LineUse, Reading
from pathcheck.results.region import Region

__all__ = ["ComparedList", "ListComparison", "ListDifference"]


@dataclass(frozen=True, slots=True)
class ComparedList:
    """One of the two lists.

    Parameters
    ----------
    place
        The file or folder it was read from, where it is not of the fleet; else empty.
    family
        `ipv4` or `ipv6`.
    lines
        How many lines it has, remarks not counted.
    """

    device: str
    acl: str
    family: str
    lines: int
    place: str = ""


@dataclass(frozen=True, slots=True)
class ListDifference:
    """Packets that two lists decide differently, with one of them and what decides it in both.

    Parameters
    ----------
    region
        Its sample was decided by the evaluator, too.
    before, after
        The lines that decide the sample; other packets of the region may meet other lines.
    doubts
        Not empty exactly where the difference is uncertain: the lines it rests on.
    """

    region: Region
    before: LineUse
    after: LineUse
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class ListComparison:
    """Where two lists of one family differ.

    Parameters
    ----------
    opened
        What the second permits and the first denies. The union of the regions is exact unless `cut`.
    closed
        What the second denies and the first permits.
    uncertain
        What they may decide differently, by lines that may match or not.
    doubts
        Lines in both lists that may match or not. They are the same text of one device, so they are
        taken to match the same packets in both, and nothing rests on them.
    cut
        Whether there are more regions than were asked for.
    """

    before: ComparedList
    after: ComparedList
    opened: tuple[ListDifference, ...]
    closed: tuple[ListDifference, ...]
    uncertain: tuple[ListDifference, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()
    cut: bool = False

    @property
    def is_equal(self) -> bool:
        """Whether the lists decide each packet alike, for certain."""
        return not (self.opened or self.closed or self.uncertain)
