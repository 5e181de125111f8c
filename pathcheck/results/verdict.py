"""What becomes of a flow, and why."""

from __future__ import annotations

from enum import StrEnum

__all__ = ["Reason", "Verdict"]


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
