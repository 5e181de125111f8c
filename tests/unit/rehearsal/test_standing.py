"""Whether a rehearsal as a whole agrees: one disagreement is enough, and nothing open counts as agreement."""

from __future__ import annotations

import pytest
from model_builders import packet

from pathcheck.model.flow import EntryPoint
from pathcheck.results.rehearsal import Fate, Rehearsal, RehearsedGroup, Standing
from pathcheck.results.verdict import Reason, Verdict


def rehearsal(*standings: Standing, verdict: Verdict = Verdict.PERMITTED, obstacle: str | None = None) -> Rehearsal:
    fate = Fate(Reason.ARRIVED, ())
    groups = tuple(
        RehearsedGroup(False, EntryPoint("quay-a"), (fate,), fate, it, 3, packet("10.1.1.7", "10.1.2.9"))
        for it in standings
    )
    return Rehearsal({}, verdict, None, None, None, groups, obstacle=obstacle)


@pytest.mark.parametrize(
    ("made", "agrees"),
    [
        (rehearsal(Standing.AGREE), True),
        (rehearsal(Standing.AGREE, Standing.AGREE), True),
        (rehearsal(Standing.AGREE, Standing.OPEN), None),
        (rehearsal(Standing.AGREE, Standing.UNTOLD), None),
        (rehearsal(Standing.AGREE, Standing.DISAGREE, Standing.OPEN), False),
        (rehearsal(), None),
        (rehearsal(obstacle="too many devices"), None),
        # None of the open packets was among those that were sent.
        (rehearsal(Standing.AGREE, verdict=Verdict.UNCERTAIN), None),
    ],
)
def test_whether_it_agrees(made: Rehearsal, agrees: bool | None) -> None:
    assert made.agrees is agrees


def test_packets_are_counted_by_standing() -> None:
    assert rehearsal(Standing.AGREE, Standing.AGREE, Standing.OPEN).counts == {
        Standing.AGREE: 6, Standing.DISAGREE: 0, Standing.OPEN: 3, Standing.UNTOLD: 0,
    }  # fmt: skip
