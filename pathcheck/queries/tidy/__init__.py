"""An equivalent list, as short as it can be made: lines that can go are gone, neighbours are one line.

What is removed is what the review reports (PC101, PC102, PC105, PC106), but for
shadowed lines that fragments still pass. Nothing is given out before the sets of
permitted packets were found equal.
"""

from pathcheck.queries.tidy.rewriting import rewritten_files
from pathcheck.queries.tidy.tidying import tidy_list, tidy_named

__all__ = ["rewritten_files", "tidy_list", "tidy_named"]
