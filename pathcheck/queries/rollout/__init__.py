"""In which orders the jobs of a push can run without losing a device."""

from pathcheck.queries.rollout.rollout import MOST_JUDGEMENTS, roll_out

__all__ = ["MOST_JUDGEMENTS", "roll_out"]
