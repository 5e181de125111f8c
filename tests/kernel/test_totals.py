"""What all kernel tests of this run have shown together; the file comes last by its name."""

from __future__ import annotations

import pytest
from kernel.conftest import counts
from kernel.judging import TALLY
from kernel.lab import require_lab

from pathcheck.results.verdict import Reason


def test_enough_was_compared(request: pytest.FixtureRequest) -> None:
    require_lab()
    wanted = counts(request.config)
    if TALLY.drawn["lists"] < wanted["list_seed"] or TALLY.drawn["fleets"] < wanted["fleet_seed"]:
        pytest.skip("only a part of the kernel tests was run")
    total = TALLY.agreed.total()
    assert total >= 0.9 * request.config.getoption("--kernel-packets")
    # What cannot be compared stays the exception, and nothing counts as left out without its reason.
    assert TALLY.left_out.total() <= total // 20
    assert "" not in TALLY.left_out
    assert TALLY.drawn["replies"] >= total // 20
    for reason in Reason:
        if reason is not Reason.UNMODELLED:
            assert TALLY.agreed[str(reason)] >= total // 200, reason
    by_lines = TALLY.agreed["permit by a line"], TALLY.agreed["deny by a line"]
    assert min(by_lines) >= sum(by_lines) // 4
