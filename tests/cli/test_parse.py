"""`pathcheck parse` shows what its exit status rests on."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from pathcheck.cli.main import app

MASK = "hostname quay\nip access-list extended TILLS\n permit tcp 10.1.20.0 255.255.255.0 any\n"


def parse(folder: Path, text: bytes) -> tuple[int, str]:
    (folder / "quay.cfg").write_bytes(text)
    done = CliRunner().invoke(app, ["parse", "--fleet", str(folder)], standalone_mode=False)
    return done.return_value, done.stdout


@pytest.mark.parametrize(
    ("text", "status", "code", "counts"),
    [
        (MASK.encode(), 1, "PC407", "0 errors, 1 warning, 0 notes"),
        (b"", 1, "PC415", "0 errors, 1 warning, 0 notes"),
        (b"hostname caf\xe9\n", 0, "PC409", "0 errors, 0 warnings, 1 note"),
    ],
)
def test_a_finding_about_no_row_of_the_account_is_shown(
    tmp_path: Path, text: bytes, status: int, code: str, counts: str
) -> None:
    found, shown = parse(tmp_path, text)
    assert found == status
    assert code in shown
    assert shown.endswith(f"\n{counts}\n")


def test_a_line_in_the_account_is_not_told_twice(tmp_path: Path) -> None:
    _, shown = parse(tmp_path, b"hostname quay\nfrobnicate the quay\n")
    assert shown.count("quay.cfg:2") == 1
    assert shown.endswith("\n0 errors, 1 warning, 0 notes\n")


def test_nothing_found(tmp_path: Path) -> None:
    status, shown = parse(tmp_path, b"hostname quay\n")
    assert status == 0
    assert shown.endswith("\nno findings\n")


def test_an_empty_fleet_is_a_slip_and_not_this_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "quay.cfg").write_bytes(MASK.encode())
    monkeypatch.chdir(tmp_path)
    runner = CliRunner()
    done = runner.invoke(app, ["parse", "--fleet", ""])
    assert (done.exit_code, "it is empty; `.` is this folder" in done.output) == (2, True)
    assert runner.invoke(app, ["parse"], standalone_mode=False).return_value == 1
