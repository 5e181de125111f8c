"""The full output of each format on a small fleet; `python tests/snapshots/test_formats.py` writes it anew."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from pathcheck.cli.output import FINDING_FORMATS, finding_renderers
from pathcheck.fleet import load_fleet
from pathcheck.queries.check import full_check
from pathcheck.reports.terminal import Paint

HERE = Path(__file__).parent
ENDINGS = {"json": "json", "junit": "xml", "sarif": "sarif", "markdown": "md"}


def expected(kind: str) -> Path:
    return HERE / "expected" / f"check.{ENDINGS.get(kind, kind)}"


def printed(kind: str) -> str:
    report = full_check(load_fleet(HERE / "fleet"), today=date(2026, 6, 1))
    return finding_renderers(report)[kind](Paint()) + "\n"


@pytest.mark.parametrize("kind", FINDING_FORMATS)
def test_output_is_as_it_was(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(HERE)
    assert printed(kind) == expected(kind).read_text("utf-8")


def rewrite() -> None:
    import os

    os.chdir(HERE)
    for kind in FINDING_FORMATS:
        expected(kind).write_text(printed(kind), "utf-8")


if __name__ == "__main__":
    rewrite()
