"""`pathcheck audit`: status, what stands on which stream, and the shape of the JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.errors import UnknownNameError

CASES = Path(__file__).parents[1] / "cases"
FERRY = Path(__file__).parents[2] / "corpora" / "ferry-operator" / "fleet"


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["audit", *words], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.return_value, result.stdout


def test_status_is_that_of_the_gravest_finding() -> None:
    assert run("--fleet", str(CASES / "PC321" / "near-miss"))[0] == 0
    assert run("--fleet", str(CASES / "PC321" / "fires"))[0] == 1
    status, text = run("--fleet", str(CASES / "PC338" / "fires.cfg"))
    assert (status, "note PC338 unused-group" in text) == (0, True), "a note is below the threshold"


def test_json_names_the_planted_faults_of_the_ferry_operator() -> None:
    status, text = run("--fleet", str(FERRY), "--json")
    document = json.loads(text)
    assert (status, document["schema"]) == (1, "pathcheck/findings/1")
    found = {(item["code"], item["device"], item["file"]) for item in document["findings"]}
    assert found == {
        ("PC321", "terminal-south", "terminal-south.cfg"),
        ("PC331", "quay-b", "quay-b.cfg"),
        ("PC337", "border", "border.cfg"),
    }
    assert document["counts"] == {"error": 2, "warning": 0, "note": 1}
    (cut,) = (item for item in document["findings"] if item["code"] == "PC321")
    assert cut["text"] == "switchport trunk allowed vlan 20,30,40"
    assert {place["file"] for place in cut["because"]} == {"quay-c.cfg", "terminal-south.cfg"}


def test_device_keeps_what_it_has_a_part_in() -> None:
    document = json.loads(run("--fleet", str(FERRY), "--json", "--device", "quay-c")[1])
    assert [item["code"] for item in document["findings"]] == ["PC321"]
    with pytest.raises(UnknownNameError, match="no device `quay-x` in the fleet"):
        run("--fleet", str(FERRY), "--device", "quay-x")
