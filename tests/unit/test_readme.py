"""The README shows what the program prints: each block that begins with a command is run and compared."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

from pathcheck.cli.main import run

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]


def blocks() -> list[tuple[str, str, str]]:
    """Page, command and expected output; `...` on a line of its own stands for lines left out."""
    found = []
    for page in PAGES:
        for block in re.findall(r"```text\n\$ (pathcheck [^\n]*\n.*?)```", page.read_text(), re.S):
            command, _, output = block.partition("\n")
            found.append((page.name, command, output))
    return found


def lay_out(folder: Path) -> None:
    """Put the demo fleet where the pages have it: once by its name, and before and after the edit that a page shows."""
    fleet = ROOT / "corpora" / "ferry-operator" / "fleet"
    for name in ("pathcheck-demo", "before", "after"):
        shutil.copytree(fleet, folder / name)
    shutil.copytree(ROOT / "corpora" / "ferry-rollout", folder / "ferry-rollout")
    page = (ROOT / "docs" / "comparing.md").read_text()
    for patch in re.findall(r"```diff\n(.*?)```", page, re.S):
        lines = patch.splitlines()
        file = folder / lines[1].removeprefix("+++ ")
        old, new = ("".join(f"{line[1:]}\n" for line in lines[3:] if line[0] == sign) for sign in "-+")
        text = file.read_text()
        assert text.count(old) == 1
        file.write_text(text.replace(old, new))


@pytest.fixture
def demo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    lay_out(tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(("page", "command", "output"), blocks(), ids=lambda value: value[:60])
def test_block_is_what_the_program_prints(
    page: str,
    command: str,
    output: str,
    demo: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("sys.argv", shlex.split(command))
    with pytest.raises(SystemExit):
        run()
    printed = capsys.readouterr()
    pieces = [re.escape(piece.strip("\n")) for piece in re.split(r"^\.\.\.$", output, flags=re.M)]
    pattern = r"\n(?:.*\n)*?".join(pieces)
    assert re.fullmatch(rf"\s*{pattern}\s*", printed.out + printed.err), printed.out + printed.err


def test_there_are_blocks() -> None:
    assert len([page for page, _, _ in blocks() if page == "README.md"]) >= 4


def rewrite() -> None:
    """Put what the program prints today into the README; a block that ends with `...` is cut before the caution."""
    import subprocess
    import sys
    import tempfile

    page = ROOT / "README.md"
    text = page.read_text()
    with tempfile.TemporaryDirectory() as folder:
        lay_out(Path(folder))
        for name, command, output in blocks():
            if name == page.name:
                program = [sys.executable, "-m", "pathcheck", *shlex.split(command)[1:]]
                done = subprocess.run(program, cwd=folder, capture_output=True, text=True, check=False)
                printed = done.stdout + done.stderr
                if output.rstrip().endswith("\n..."):
                    printed = printed[: printed.rindex("\n\nThis is a verdict")] + "\n...\n"
                text = text.replace(f"$ {command}\n{output}```", f"$ {command}\n{printed.rstrip()}\n```")
    page.write_text(text)


if __name__ == "__main__":
    rewrite()
