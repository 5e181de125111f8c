"""`pathcheck demo` writes to a new folder, or says why it cannot."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.errors import UsageError


def test_it_ends_with_0_whatever_it_found(tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["demo", str(tmp_path / "ferries")], standalone_mode=False)
    assert done.return_value == 0
    assert (tmp_path / "ferries" / "fleet.yaml").is_file()
    assert f"pathcheck flow --fleet {tmp_path / 'ferries'} tcp controller quay-c:22" in done.stdout


@pytest.mark.parametrize(
    ("folder", "told"), [(".", "exists already"), ("file/ferries", "cannot be written"), ("a" * 300, "too long")]
)
def test_a_folder_that_cannot_be_made(folder: str, told: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    done = CliRunner().invoke(app, ["demo", str(tmp_path / folder)], standalone_mode=False)
    assert isinstance(done.exception, UsageError)
    assert told in done.exception.message
