"""Each finding has a page, a case that fires and a near miss, and the examples of the page do what they say.

A case is one file, or a folder that is read as a fleet. `! expect: CODE` stands in front of
the line that a finding must point at; a file without any command is meant by its first line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path

import pytest

from pathcheck.fleet import LoadedFleet, load_fleet_files
from pathcheck.queries.check import check_fleet
from pathcheck.queries.line_review import review_fleet
from pathcheck.results.catalogue import CATALOGUE

CASES = Path(__file__).parent
PAGES = CASES.parents[1] / "docs" / "findings"
SECTIONS = ["What it finds", "Why it matters", "Bad example", "Good example", "When it is fine", "Source"]
_BLOCK = re.compile(r"^```(?:cfg|yaml) ?(\S*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def findings(files: Mapping[str, bytes]) -> set[tuple[str, str, int]]:
    """Code, file and line of all findings on a fleet: those too that are off by default, or that others replace."""
    loaded: LoadedFleet = load_fleet_files(files)
    return {
        (item.code, item.span.file if item.span else "", item.span.line if item.span else 0)
        for item in (*loaded.report.findings, *check_fleet(loaded), *review_fleet(loaded, exceptions=True))
    }


def case(code: str, kind: str) -> dict[str, bytes]:
    """The files of a case."""
    folder, single = CASES / code / kind, CASES / code / f"{kind}.cfg"
    assert folder.is_dir() != single.is_file(), f"{code} needs one case `{kind}`, a file or a folder"
    paths = [single] if single.is_file() else sorted(path for path in folder.rglob("*") if path.is_file())
    root = single.parent if single.is_file() else folder
    return {path.relative_to(root).as_posix(): path.read_bytes() for path in paths}


def announced(files: Mapping[str, bytes]) -> set[tuple[str, str, int]]:
    """What comments announce: the first line behind each that is no comment, else the first of the file."""
    found = set()
    for name, data in files.items():
        lines = data.decode("utf-8", "replace").split("\n")
        for number, line in enumerate(lines, 1):
            said = re.fullmatch(r"\s*[!#] expect: (PC\d{3})", line)
            if said:
                behind = (later for later in range(number, len(lines)) if not re.match(r"\s*([!#]|$)", lines[later]))
                found.add((said[1], name, next(behind, 0) + 1))
    return found


@lru_cache(maxsize=1)
def page_sections() -> dict[str, dict[str, str]]:
    """The sections of each page by heading."""
    found = {}
    for path in sorted(PAGES.glob("*.md")):
        parts = re.split(r"^## (.+)\n", path.read_text("utf-8"), flags=re.MULTILINE)
        found[path.stem] = {"": parts[0], **dict(zip(parts[1::2], parts[2::2], strict=True))}
    return found


def example(text: str) -> dict[str, bytes]:
    r"""The code blocks of a section as files; `\xe9` stands for one byte."""
    files = {}
    for name, content in _BLOCK.findall(text):
        raw = re.sub(rb"\\x([0-9a-f]{2})", lambda hexadecimal: bytes.fromhex(hexadecimal[1].decode()), content.encode())
        files[name or "quay-a.cfg"] = raw
    return files


@pytest.mark.parametrize("code", CATALOGUE)
def test_case_fires_where_it_is_announced(code: str) -> None:
    files = case(code, "fires")
    found = findings(files)
    said = announced(files)
    assert said <= found
    mine = {place for place in found if place[0] == code}
    assert mine
    if said:
        assert mine == {place for place in said if place[0] == code}


@pytest.mark.parametrize("code", CATALOGUE)
def test_near_miss_does_not_fire(code: str) -> None:
    files = case(code, "near-miss")
    assert code not in {found for found, _, _ in findings(files)}


@pytest.mark.parametrize("code", CATALOGUE)
def test_page_is_complete(code: str) -> None:
    rule, page = CATALOGUE[code], page_sections()[code]
    assert page[""].strip() == f"# {code} {rule.name} ({rule.severity})"
    assert [heading for heading in page if heading] == SECTIONS
    assert all(page[heading].strip() for heading in SECTIONS)


@pytest.mark.parametrize("code", CATALOGUE)
def test_examples_of_the_page(code: str) -> None:
    page = page_sections()[code]
    bad, good = example(page["Bad example"]), example(page["Good example"])
    assert bad
    assert good
    assert code in {found for found, _, _ in findings(bad)}
    assert code not in {found for found, _, _ in findings(good)}


def test_no_page_or_case_without_a_rule() -> None:
    assert set(page_sections()) == set(CATALOGUE)
    assert {path.name for path in CASES.iterdir() if path.name.startswith("PC")} == set(CATALOGUE)


def test_names_are_faults_in_the_trades_words() -> None:
    names = [rule.name for rule in CATALOGUE.values()]
    assert len(set(names)) == len(names)
    assert all(re.fullmatch(r"[a-z]+(-[a-z]+)*", name) for name in names)
