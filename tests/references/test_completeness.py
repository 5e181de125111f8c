"""Each published case is decided by a test or left out with a reason, and the page of the documentation says so."""

from __future__ import annotations

import pytest
from references import page
from references.published import all_cases, left_out, sources


@pytest.mark.parametrize("source", sources())
def test_each_case_is_decided_or_left_out(source: str) -> None:
    ids = {case.id for case in all_cases(source)}
    decided = {case.id for case in page.decided() if case.source == source}
    reasons = {case_id for name, case_id in left_out() if name == source}
    assert ids == decided | reasons
    assert not decided & reasons


def test_reasons_belong_to_cases() -> None:
    known = {(source, case.id) for source in sources() for case in all_cases(source)}
    assert set(left_out()) <= known
    assert all(reason.strip() for reason in left_out().values())


def test_the_page_is_current() -> None:
    # `python tests/references/page.py` writes it.
    assert page.PAGE.read_text("utf-8") == page.text()
