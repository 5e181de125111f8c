"""Pytest plugin: property tests run the same few examples each time, and each test's duration is written down.

Used for the coverage run and for the mutants, so that both see the same examples.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import hypothesis
import pytest

__all__ = ["EXAMPLES"]

EXAMPLES = int(os.environ.get("MUTATION_EXAMPLES", "25"))
"""Most examples of one property; the suite itself runs up to 150."""

_durations: dict[str, float] = {}
_failed: set[str] = set()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        test: Any = getattr(item, "obj", None)
        if not hypothesis.is_hypothesis_test(test):
            continue
        inner = getattr(test, "__func__", test)
        own = inner._hypothesis_internal_use_settings or hypothesis.settings.default
        inner._hypothesis_internal_use_settings = hypothesis.settings(
            parent=own,
            max_examples=min(own.max_examples, EXAMPLES),
            derandomize=True,
            database=None,
            deadline=None,
            phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate),  # a failure need not be made small
        )


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    _durations[report.nodeid] = _durations.get(report.nodeid, 0.0) + report.duration
    if report.failed:
        _failed.add(report.nodeid)


def pytest_sessionfinish() -> None:
    if target := os.environ.get("MUTATION_DURATIONS"):
        path = Path(target)
        known = json.loads(path.read_text()) if path.exists() else {}
        sound = {name: seconds for name, seconds in (known | _durations).items() if name not in _failed}
        path.write_text(json.dumps(sound, indent=0))
