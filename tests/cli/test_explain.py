"""`explain` prints the pages of the catalogue."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.errors import UnknownNameError
from pathcheck.results.catalogue import CATALOGUE


def run(*arguments: str) -> str:
    result = CliRunner().invoke(app, ["explain", *arguments], standalone_mode=False, catch_exceptions=False)
    assert result.return_value == 0
    return result.output


PAGES = Path(__file__).parents[2] / "docs" / "findings"
WITH_PAGE = [code for code in CATALOGUE if (PAGES / f"{code}.md").exists()]  # all; tests/cases says which is missing


@pytest.mark.parametrize("code", WITH_PAGE)
def test_a_page_in_a_terminal(code: str) -> None:
    page = run(code)
    lines = page.splitlines()
    assert lines[0] == f"{code} {CATALOGUE[code].name} ({CATALOGUE[code].severity})"
    assert {"WHAT IT FINDS", "WHY IT MATTERS", "BAD EXAMPLE", "GOOD EXAMPLE", "WHEN IT IS FINE", "SOURCE"} <= set(lines)
    assert "```" not in page
    assert max(map(len, lines)) <= 88


def test_a_name_or_small_letters_will_do() -> None:
    assert run("pc101") == run("PC101") == run("shadowed-line")


def test_all_codes_are_listed() -> None:
    assert [line.split()[0] for line in run().splitlines()] == list(CATALOGUE)
    listed = json.loads(run("--json"))
    assert listed["schema"] == "pathcheck/explain/1"
    assert [item["code"] for item in listed["findings"]] == list(CATALOGUE)


def test_json_of_a_page() -> None:
    (item,) = json.loads(run("PC102", "--json"))["findings"]
    assert (item["code"], item["name"], item["severity"]) == ("PC102", "redundant-line", "warning")
    assert item["page"].startswith("# PC102")


@pytest.mark.parametrize(("asked", "near"), [("PC110x", "PC110"), ("shadow-line", "shadowed-line")])
def test_an_unknown_code_gets_the_nearest(asked: str, near: str) -> None:
    with pytest.raises(UnknownNameError) as caught:
        run(asked)
    assert caught.value.help == f"did you mean `{near}`?"
