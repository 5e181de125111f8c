"""What becomes of a flow, and why."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

__all__ = ["Reason", "Verdict", "joint_verdict"]


class Verdict(StrEnum):
    """The answer; `uncertain` wherever something that is not modelled could change it."""

    PERMITTED = "permitted"
    DENIED = "denied"
    PARTLY = "partly"
    UNCERTAIN = "uncertain"


class Reason(StrEnum):
    """Why, in the words of the documentation page on meaning."""

    ARRIVED = "arrived"
    HANDED_OVER = "handed-over"
    FILTERED = "filtered"
    UNROUTED = "unrouted"
    DISCARDED = "discarded"
    STRANDED = "stranded"
    LOOPING = "looping"
    UNMODELLED = "unmodelled"

    @property
    def verdict(self) -> Verdict:
        """The verdict that goes with the reason."""
        if self in (Reason.ARRIVED, Reason.HANDED_OVER):
            return Verdict.PERMITTED
        return Verdict.UNCERTAIN if self is Reason.UNMODELLED else Verdict.DENIED


def joint_verdict(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the verdict of several: what passes for certain and what does not make `partly`, whatever else is open."""
    found = set(verdicts)
    if Verdict.PARTLY in found or {Verdict.PERMITTED, Verdict.DENIED} <= found:
        return Verdict.PARTLY
    if Verdict.UNCERTAIN in found:
        return Verdict.UNCERTAIN
    return Verdict.DENIED if Verdict.DENIED in found else Verdict.PERMITTED
