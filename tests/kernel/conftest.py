"""How many fleets and lists are drawn, and what came of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kernel.judging import TALLY

if TYPE_CHECKING:
    import pytest

LIST_PACKETS, FLEET_PACKETS = 2_000, 2_000
"""Packets of one device with lists, and of one random fleet; replies come on top."""


def counts(config: pytest.Config) -> dict[str, int]:
    """Return how many devices with lists and how many fleets are drawn, about half of the packets each."""
    wanted = config.getoption("--kernel-packets", default=110_000)
    return {"list_seed": max(1, wanted // 2 // LIST_PACKETS), "fleet_seed": max(1, wanted // 2 // FLEET_PACKETS)}


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    for name, count in counts(metafunc.config).items():
        if name in metafunc.fixturenames:
            metafunc.parametrize(name, range(count))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if TALLY.total:
        terminalreporter.write_sep("-", "packets through the kernel")
        for line in TALLY.words():
            terminalreporter.write_line(line)
