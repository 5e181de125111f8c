"""Each command's help: one line for the overview, its exit statuses, and examples that work on the demo fleet."""

from __future__ import annotations

import shlex
import shutil
import subprocess
from pathlib import Path

import pytest
from bootstrap_fleets import bootstrap_fleet
from typer.testing import CliRunner

from pathcheck.cli.help_page import HELP_PAGES
from pathcheck.cli.main import app
from pathcheck.rehearsal import lacking

FLEET = Path(__file__).parents[2] / "corpora" / "ferry-operator" / "fleet"
EXAMPLES = [example for page in HELP_PAGES.values() for example in page.examples]


def shown(*words: str) -> str:
    return CliRunner().invoke(app, [*words, "--help"]).stdout


def test_each_command_has_a_page() -> None:
    assert set(HELP_PAGES) == {command.name for command in app.registered_commands}


@pytest.mark.parametrize("name", HELP_PAGES)
def test_the_overview_shows_whole_lines(name: str) -> None:
    page = HELP_PAGES[name]
    assert len(page.summary) <= 60
    assert page.summary in shown()


@pytest.mark.parametrize("name", HELP_PAGES)
def test_help_shows_examples_and_what_the_exit_status_says(name: str) -> None:
    text = shown(name)
    assert all(f"\n    {example}\n" in text for example in HELP_PAGES[name].examples)
    if name != "explain":  # it answers nothing
        assert "exit status" in " ".join(text.lower().split())


def in_repository(folder: Path) -> None:
    """Make a folder a repository of two commits."""
    if shutil.which("git") is None:
        pytest.skip("git is not installed")
    for words in ("init -q -b main", "add .", "commit -qm one", "commit -q --allow-empty -m two"):
        settings = ("-c", "user.name=ferry", "-c", "user.email=ferry@example.net")
        subprocess.run(["git", *settings, *words.split()], cwd=folder, check=True, capture_output=True)


@pytest.mark.parametrize("example", EXAMPLES)
def test_an_example_works_in_the_demo_fleet(example: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(FLEET, tmp_path, dirs_exist_ok=True)
    if "pathcheck-demo" in example:
        shutil.copytree(FLEET, tmp_path / "pathcheck-demo")
    if "bootstrap" in example:  # the demo's switches are all in service
        for name, data in bootstrap_fleet().items():
            (tmp_path / name).write_bytes(data)
    (tmp_path / "flows.txt").write_text("tcp 10.20.20.7 10.10.90.20:443\n")
    if "git:" in example:
        in_repository(tmp_path)
    monkeypatch.chdir(tmp_path)
    program, *words = shlex.split(example)
    assert program == "pathcheck"
    if words[0] == "rehearse" and (lack := lacking()) is not None:
        pytest.skip(lack)
    done = CliRunner().invoke(app, words, standalone_mode=False)
    assert done.exception is None, done.output
    assert done.return_value in (0, 1), done.output
    assert done.stdout or "--output" in example
