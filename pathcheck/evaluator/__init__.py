"""The second opinion: one concrete packet, decided by plain Python that knows no sets.

It shares no code with the engine, so that the two can only agree by both
being right. Each printed sample is run through it first.
"""

from pathcheck.evaluator.access_list import ListDecision, evaluate_list
from pathcheck.evaluator.fleet import Outcome, Trail, evaluate_packet

__all__ = ["ListDecision", "Outcome", "Trail", "evaluate_list", "evaluate_packet"]
