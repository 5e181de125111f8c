"""What a change of a fleet opens and closes, exactly: from end to end, at lists, in tables."""

from pathcheck.queries.fleet_comparison.comparison import MOST, ROWS, compare_fleets

__all__ = ["MOST", "ROWS", "compare_fleets"]
