"""Options of the test run."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--kernel-packets",
        type=int,
        default=110_000,
        metavar="N",
        help="About how many packets the kernel tests send: 110,000 take two processor minutes.",
    )
