"""The path of a fleet from the working folder, which code hosts look files up by."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pathcheck.results.finding_report import path_from_here

if TYPE_CHECKING:
    import pytest


def test_below_the_working_folder_and_elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "repository" / "fleet").mkdir(parents=True)
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "repository" / "linked").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "way").symlink_to(tmp_path / "repository")
    monkeypatch.chdir(tmp_path / "repository")
    assert path_from_here(Path()) == path_from_here(Path("../repository")) == ""
    assert path_from_here(Path("fleet")) == path_from_here(tmp_path / "repository" / "fleet") == "fleet"
    assert path_from_here(tmp_path / "way" / "fleet") == "fleet"
    assert path_from_here(Path("linked")) == "linked", "where the repository has it"
    assert path_from_here(Path("../elsewhere")) == (tmp_path / "elsewhere").as_posix()
