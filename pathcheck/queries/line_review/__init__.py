"""Findings on the lines of access lists: what never acts, what can go, what crosses, and what looks wrong.

PC101, PC102, PC105 and PC106 are exact: no packet of the full header decides
otherwise, and each line that is not reported has a packet that only it decides so.
"""

from pathcheck.queries.line_review.review import review_fleet, review_list, without_covered

__all__ = ["review_fleet", "review_list", "without_covered"]
