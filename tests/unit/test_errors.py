"""The known word that an error offers."""

from __future__ import annotations

import pytest

from pathcheck.errors import nearest


@pytest.mark.parametrize(
    ("word", "known", "offered"),
    [
        ("tpc", ["xtp", "tcp", "udp"], "tcp"),  # as like by its order of letters as `xtp`, but with the same letters
        ("htps", ["http", "https"], "https"),
        ("frob", ["tcp", "udp"], None),
    ],
)
def test_nearest(word: str, known: list[str], offered: str | None) -> None:
    assert nearest(word, known) == offered
