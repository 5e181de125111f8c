"""The second opinion: one concrete packet, decided by plain Python that knows no sets.

It shares no code with the engine, so that the two can only agree by both
being right. Each printed sample is run through it first.
"""

from pathcheck.evaluator.access_list import ListDecision, evaluate_list

__all__ = ["ListDecision", "evaluate_list"]
