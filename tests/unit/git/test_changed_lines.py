"""Changed lines of a real repository: branches, renames, deleted and new files, a submodule, a detached head."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from pathcheck.errors import InputError, UsageError
from pathcheck.git.changed_lines import changed_since
from pathcheck.results.changed_lines import ChangedLines
from pathcheck.source import Span

pytestmark = pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")

LINES = [f"line {number}\n" for number in range(1, 21)]


def git(folder: Path, *words: str) -> None:
    settings = ("-c", "user.name=ferry", "-c", "user.email=ferry@example.net", "-c", "protocol.file.allow=always")
    environment = {key: value for key, value in os.environ.items() if not key.startswith("GIT_")}
    environment |= {"GIT_CONFIG_GLOBAL": os.devnull, "GIT_CONFIG_SYSTEM": os.devnull}
    subprocess.run(["git", *settings, *words], cwd=folder, check=True, capture_output=True, env=environment)


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    """A repository whose fleet is in a folder below its top."""
    folder = tmp_path / "site" / "fleet"
    folder.mkdir(parents=True)
    (folder / "quay-a.cfg").write_text("".join(LINES))
    (folder / "quay-b.cfg").write_text("".join(reversed(LINES)))
    (tmp_path / "notes.txt").write_text("outside\n")
    git(tmp_path, "init", "-q", "-b", "main")
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-q", "-m", "start")
    return folder


def edited(*changes: tuple[int, str | None]) -> str:
    """The text with lines replaced, or removed where there is no new one."""
    new = dict(changes)
    return "".join(text for number, line in enumerate(LINES, 1) if (text := new.get(number, line)) is not None)


def touched(changed: ChangedLines, file: str, most: int = 25) -> list[int]:
    return [number for number in range(1, most) if changed.touch(Span(file, number, "text"))]


def test_edits_in_the_work_tree_and_in_commits(fleet: Path) -> None:
    (fleet / "quay-a.cfg").write_text(edited((3, "new\n"), (10, "a\nb\nc\n")))
    assert touched(changed_since(fleet, "main"), "quay-a.cfg") == [3, 10, 11, 12]
    git(fleet, "commit", "-aqm", "edit")
    assert touched(changed_since(fleet, "HEAD~1"), "quay-a.cfg") == [3, 10, 11, 12]
    assert changed_since(fleet, "HEAD").lines == {}
    assert touched(changed_since(fleet, "HEAD~1"), "quay-b.cfg") == []


def test_lines_beside_removed_ones_stand_for_them(fleet: Path) -> None:
    (fleet / "quay-a.cfg").write_text(edited((1, None), (10, None), (11, None)))
    assert touched(changed_since(fleet, "main"), "quay-a.cfg") == [1, 8, 9]


def test_a_branch_is_compared_with_where_it_parted(fleet: Path) -> None:
    git(fleet, "switch", "-qc", "work")
    (fleet / "quay-a.cfg").write_text(edited((3, "ours\n")))
    git(fleet, "commit", "-aqm", "ours")
    git(fleet, "switch", "-q", "main")
    (fleet / "quay-b.cfg").write_text("theirs\n")
    git(fleet, "commit", "-aqm", "theirs")
    git(fleet, "switch", "-q", "--detach", "work")
    changed = changed_since(fleet, "main")
    assert (touched(changed, "quay-a.cfg"), touched(changed, "quay-b.cfg")) == ([3], [])
    git(fleet, "tag", "release")
    assert changed_since(fleet, "release").lines == {}


def test_renamed_new_and_deleted_files(fleet: Path) -> None:
    git(fleet, "mv", "quay-a.cfg", "pier-a.cfg")
    (fleet / "pier-a.cfg").write_text(edited((5, "new\n")))
    git(fleet, "rm", "-q", "quay-b.cfg")
    (fleet / "new.cfg").write_text("a\nb\n")
    odd = 'odd "näme"\t.cfg'
    (fleet / odd).write_text("a\nb\n")
    git(fleet, "add", odd)
    changed = changed_since(fleet, "main")
    assert touched(changed, "pier-a.cfg") == [5], "of a renamed file only what was edited"
    assert touched(changed, "new.cfg", 3) == [1, 2], "a file that is not added yet"
    assert touched(changed, odd) == [1, 2]
    assert set(changed.lines) == {"pier-a.cfg", odd}
    assert changed.touch(Span("pier-a.cfg", 1, "")), "what is about the whole file"
    assert not changed.touch(Span("other.cfg", 1, ""))


def test_text_that_looks_like_a_patch(fleet: Path) -> None:
    (fleet / "quay-a.cfg").write_text(edited((2, "++ b/quay-b.cfg\n"), (4, "-- x\n@@ -1 +9 @@\n")))
    changed = changed_since(fleet, "main")
    assert touched(changed, "quay-a.cfg") == [2, 4, 5]
    assert touched(changed, "quay-b.cfg") == []


def test_a_submodule_counts_as_a_whole_and_is_a_repository_of_its_own(fleet: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    git(other, "init", "-q", "-b", "main")
    (other / "pier.cfg").write_text("a\nb\n")
    git(other, "add", ".")
    git(other, "commit", "-qm", "start")
    git(fleet, "submodule", "--quiet", "add", str(other), "pier")
    git(fleet, "commit", "-qm", "pier")
    assert touched(changed_since(fleet, "HEAD"), "pier/pier.cfg", 3) == []
    (fleet / "pier" / "pier.cfg").write_text("a\nc\n")
    git(fleet / "pier", "commit", "-aqm", "edit")
    assert touched(changed_since(fleet, "HEAD"), "pier/pier.cfg", 3) == [1, 2]
    assert touched(changed_since(fleet / "pier", "HEAD~1"), "pier.cfg", 3) == [2]


@pytest.mark.parametrize("revision", ["--output=x", "-h", "", " ", "a\nb", "a\0b"])
def test_what_looks_like_an_option_is_refused(fleet: Path, revision: str) -> None:
    with pytest.raises(UsageError, match="is no revision"):
        changed_since(fleet, revision)
    assert not (fleet / "x").exists()


@pytest.mark.parametrize("revision", ["nowhere", "main..HEAD", "HEAD~99", "HEAD:quay-a.cfg", "main main"])
def test_what_names_no_commit_is_refused(fleet: Path, revision: str) -> None:
    with pytest.raises(UsageError, match="no commit"):
        changed_since(fleet, revision)


def test_no_repository(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path.parent))
    with pytest.raises(InputError, match="is in no git repository"):
        changed_since(tmp_path, "main")


def test_settings_and_surroundings_do_not_mislead(
    fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    for key, value in (("diff.noprefix", "true"), ("diff.external", "false"), ("color.diff", "always"),
                       ("core.quotePath", "true"), ("diff.renames", "false")):  # fmt: skip
        git(fleet, "config", key, value)
    # What a hook's surroundings say is about the repository that it was called for.
    monkeypatch.setenv("GIT_DIR", str(tmp_path / "nowhere"))
    monkeypatch.setenv("GIT_INDEX_FILE", str(tmp_path / "none"))
    git(fleet, "mv", "quay-a.cfg", "pïer.cfg")
    (fleet / "pïer.cfg").write_text(edited((5, "new\n")))
    assert touched(changed_since(fleet, "main"), "pïer.cfg") == [5]


def test_without_a_common_ancestor(fleet: Path) -> None:
    git(fleet, "switch", "-q", "--orphan", "apart")
    fleet.mkdir(exist_ok=True)
    (fleet / "quay-a.cfg").write_text(edited((3, "ours\n")))
    git(fleet, "add", ".")
    git(fleet, "commit", "-qm", "apart")
    assert touched(changed_since(fleet, "main"), "quay-a.cfg") == [3]
