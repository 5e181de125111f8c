"""The second opinion: one concrete packet, decided by plain Python that knows no sets.

It shares no code with the engine, so that the two can only agree by both
being right. Each printed sample is run through it first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pathcheck.evaluator.access_list import ListDecision, evaluate_list

if TYPE_CHECKING:
    from pathcheck.evaluator.fleet import Outcome, Trail, evaluate_packet

__all__ = ["ListDecision", "Outcome", "Trail", "evaluate_list", "evaluate_packet"]


def __getattr__(name: str) -> object:
    """Import what judges whole fleets where it is asked for: a review of lists has no use for it."""
    if name in ("Outcome", "Trail", "evaluate_packet"):
        from pathcheck.evaluator import fleet

        return getattr(fleet, name)
    raise AttributeError(f"module `{__name__}` has no `{name}`")
