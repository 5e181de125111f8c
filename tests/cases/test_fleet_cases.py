"""Findings on whole folders: in `fires` the code is found and nothing else, in `near-miss` nothing at all."""

from pathlib import Path

import pytest

from pathcheck.fleet import load_fleet

FOLDER = Path(__file__).parent


@pytest.mark.parametrize(
    ("code", "file", "line", "words"),
    [
        ("PC404", "quay-a.cfg", 2, "a second device is named `quay-a`; it is called `quay-a.cfg` here"),
        ("PC413", "quay.cfg", 1, "`fleet.yaml` calls the device `quay-a`, its text `quay-b`"),
    ],
)
def test_case(code: str, file: str, line: int, words: str) -> None:
    (found,) = load_fleet(FOLDER / code / "fires").report.findings
    assert (found.code, found.span.file, found.span.line) == (code, file, line)
    assert words in found.message
    assert load_fleet(FOLDER / code / "near-miss").report.findings == ()
