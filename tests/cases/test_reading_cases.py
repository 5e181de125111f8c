"""Each finding on reading has texts that fire it, line by line, and near misses that do not.

`! expect: CODE` stands in front of the line that the finding must point at. In
`fires.cfg` each of them is met and nothing else is found; `near-miss.cfg` gives nothing at all.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pathcheck.parser.configuration import SourceText, read_configuration

FOLDER = Path(__file__).parent
CASES = sorted(path for path in FOLDER.glob("PC4*/*.cfg"))


def expected(text: str) -> list[tuple[int, str]]:
    """Lines and codes that a text announces; the line is the first behind the comment that is none."""
    found = []
    lines = text.split("\n")
    for number, line in enumerate(lines, 1):
        announced = re.fullmatch(r"\s*! expect: (PC\d{3})", line)
        if announced:
            target = next(later for later in range(number, len(lines)) if not lines[later].lstrip().startswith("!"))
            found.append((target + 1, announced[1]))
    return sorted(found)


@pytest.mark.parametrize("path", CASES, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_case(path: Path) -> None:
    data = path.read_bytes()
    parsed = read_configuration([SourceText(path.name, data)], default_name="quay-a")
    found = sorted((item.span.line, item.code) for item in parsed.findings if item.span is not None)
    assert found == expected(data.decode("utf-8", "replace"))
    assert (path.parent.name in {code for _, code in found}) == (path.stem == "fires")


def test_each_code_has_both() -> None:
    assert CASES
    for folder in {path.parent for path in CASES}:
        assert {path.stem for path in folder.glob("*.cfg")} == {"fires", "near-miss"}
