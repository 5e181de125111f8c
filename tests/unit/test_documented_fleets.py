"""Pages with a fleet of their own: each command, in a folder with the files of the page, prints what the page shows."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from pathcheck.cli.main import run

DOCS = Path(__file__).parents[2] / "docs"
PAGES = ["bootstrap.md", "identity.md", "removals.md"]
FILE = re.compile(r"^```(?:cfg|yaml) (\S+)\n(.*?)^```$", re.M | re.S)
COMMAND = re.compile(r"^```console\n\$ (pathcheck [^\n]*)\n(.*?)^```$", re.M | re.S)


@pytest.mark.parametrize("page", PAGES)
def test_commands_print_what_the_page_shows(
    page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (DOCS / page).read_text("utf-8")
    for name, content in FILE.findall(text):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(content, "utf-8")
    monkeypatch.chdir(tmp_path)
    commands = COMMAND.findall(text)
    assert commands
    for command, output in commands:
        monkeypatch.setattr("sys.argv", shlex.split(command))
        with pytest.raises(SystemExit):
            run()
        printed = capsys.readouterr()
        pieces = [re.escape(piece.strip("\n")) for piece in re.split(r"^\.\.\.$", output, flags=re.M)]
        pattern = r"\n(?:.*\n)*?".join(pieces)
        assert re.fullmatch(rf"\s*{pattern}\s*", printed.out + printed.err), printed.out + printed.err
