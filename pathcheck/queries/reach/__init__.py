"""Who reaches whom: every subnet against every other, and from where one destination is reached."""

from pathcheck.queries.reach.matrix import ask_reach, matrix_size
from pathcheck.queries.reach.sources import ask_sources

__all__ = ["ask_reach", "ask_sources", "matrix_size"]
