"""The page on required flows: its file is read, its keys are all there, its output is that of the demo."""

from __future__ import annotations

import re
from pathlib import Path

from pathcheck.cli.main import status_of
from pathcheck.library import load
from pathcheck.parser.flow_words import read_flow_line
from pathcheck.parser.required_flows import _KEYS, read_required_flows
from pathcheck.results.requirement import Standing

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "required-flows.md").read_text()
FERRY = ROOT / "corpora" / "ferry-operator" / "fleet"


def block(language):
    return re.search(rf"```{language}\n(.*?)```", PAGE, re.DOTALL)[1]


def test_the_example_is_read_and_can_be_asked_of_the_demo():
    fleet = load(FERRY)
    required = read_required_flows("required-flows.yaml", block("yaml").encode())
    assert all(read_flow_line(words.text, fleet.loaded.config) for item in required for words in item.flows)


def test_each_key_has_its_row():
    named = re.findall(r"`(\w+)`", "".join(re.findall(r"^\| ((?:`\w+`(?:, )?)+) \|", PAGE, re.MULTILINE)))
    assert set(_KEYS) <= set(named)


def test_the_output_is_that_of_the_demo(capsys):
    assert status_of(["require", "--fleet", str(FERRY)]) == 1
    assert capsys.readouterr().out == block("text")
    status_of(["require", "--fleet", str(FERRY), "--format", "junit"])
    assert block("xml").strip() in capsys.readouterr().out


def test_the_library_gives_the_same():
    fleet = load(FERRY)
    report = fleet.required_flows()
    assert [item.standing for item in report.requirements] == [
        Standing.HOLDS,
        Standing.BROKEN,
        Standing.HOLDS,
        Standing.BROKEN,
        Standing.BROKEN,
    ]
    assert fleet.required_flows(FERRY / "required-flows.yaml").requirements == report.requirements
