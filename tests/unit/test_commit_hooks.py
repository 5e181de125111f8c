"""The hooks that run before a commit: their definition, and that what they run is there."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

ROOT = Path(__file__).parents[2]
HOOKS = yaml.safe_load((ROOT / ".pre-commit-hooks.yaml").read_text())
FLEET = ROOT / "corpora" / "ferry-operator" / "fleet"


@pytest.mark.parametrize("hook", HOOKS, ids=lambda hook: hook["id"])
def test_a_hook_runs_on_the_demo(hook: dict[str, object]) -> None:
    program, command = shlex.split(str(hook["entry"]))
    assert program == "pathcheck"
    assert hook["pass_filenames"] is False
    done = subprocess.run(
        [sys.executable, "-c", "from pathcheck.cli.main import run; run()", command],
        cwd=FLEET,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 1
    assert "controller reaches quay-c over SSH" in done.stdout


@pytest.mark.parametrize("hook", HOOKS, ids=lambda hook: hook["id"])
def test_a_hook_is_woken_by_each_file_of_a_fleet(hook: dict[str, object]) -> None:
    files = [path.name for path in FLEET.iterdir() if path.is_file()]
    assert all(re.search(str(hook["files"]), name) for name in [*files, "terminal.boot", "lists.json"])
    assert not re.search(str(hook["files"]), "notes.md")
