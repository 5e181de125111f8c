"""SARIF against the schema of the standard, and what the schema cannot say."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from report_builders import report_of, reported

from pathcheck.fleet import load_fleet, load_fleet_files
from pathcheck.model.waiver import Waiver
from pathcheck.queries.check import full_check
from pathcheck.reports.sarif import FINGERPRINT, MOST_RELATED, MOST_RESULTS, MOST_TEXT, render_sarif
from pathcheck.results.catalogue import CATALOGUE
from pathcheck.results.finding import Severity
from pathcheck.source import Span

ROOT = Path(__file__).parents[3]
CASES = sorted(path for path in (ROOT / "tests" / "cases").glob("PC*/fires*"))


@lru_cache(maxsize=1)
def validator() -> jsonschema.protocols.Validator:
    """OASIS, Static Analysis Results Interchange Format 2.1.0, errata 01: the file of the standard."""
    schema = json.loads((ROOT / "tests/references/schemas/sarif-schema-2.1.0.json").read_text("utf-8"))
    return jsonschema.Draft4Validator(schema, format_checker=jsonschema.Draft4Validator.FORMAT_CHECKER)


def run_of(text: str, *, with_rules: bool = True) -> dict[str, Any]:
    """The run of a log; the rules are the same in all, so that validating them once is enough."""
    log = json.loads(text)
    if not with_rules:
        del log["runs"][0]["tool"]["driver"]["rules"]
    assert [error.message for error in validator().iter_errors(log)] == []
    (run,) = log["runs"]
    return run


def test_the_schema_is_the_one_that_is_named() -> None:
    assert validator().schema["id"].endswith("/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json")
    broken = json.loads(render_sarif(report_of(reported(1))))
    broken["runs"][0]["results"][0]["level"] = "grave"
    assert list(validator().iter_errors(broken))
    assert broken["$schema"] == validator().schema["id"]


def test_demo_fleet() -> None:
    report = full_check(load_fleet(ROOT / "corpora" / "ferry-operator" / "fleet"))
    run = run_of(render_sarif(report))
    assert len(run["results"]) == len(report.items) > 20
    rules = run["tool"]["driver"]["rules"]
    assert [rule["id"] for rule in rules] == list(CATALOGUE)
    for result, item in zip(run["results"], report.items, strict=True):
        assert rules[result["ruleIndex"]]["id"] == result["ruleId"] == item.finding.code
        assert result["level"] == item.finding.severity
        region = result["locations"][0]["physicalLocation"]["region"]
        assert region["startLine"] == item.finding.span.line
        assert region["snippet"]["text"] == item.finding.span.text
    prints = [result["partialFingerprints"][FINGERPRINT] for result in run["results"]]
    assert len(set(prints)) == len(prints)


@pytest.mark.parametrize("case", CASES, ids=lambda path: path.parent.name)
def test_every_kind_of_finding(case: Path) -> None:
    run = run_of(render_sarif(full_check(load_fleet(case))), with_rules=False)
    assert run["results"] or case.parent.name == "PC104", "PC104 is off by default"


def test_too_much_is_cut_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    assert MOST_RESULTS == 5000
    monkeypatch.setattr("pathcheck.reports.sarif.MOST_RESULTS", 50)
    notes = [reported(number, Severity.NOTE) for number in range(1, 60)]
    grave = replace(reported(9999, message="x" * (MOST_TEXT + 1)), changed=False)
    because = tuple(Span("quay-a.cfg", number, "deny ip any any") for number in range(1, MOST_RELATED + 3))
    grave = replace(grave, finding=replace(grave.finding, because=because))
    run = run_of(render_sarif(report_of(*notes, grave)))
    assert len(run["results"]) == 50
    assert run["properties"]["cut"] == {"results": 10, "messages": 0, "relatedLocations": 0}, "changed lines stay"
    run = run_of(render_sarif(report_of(*(replace(item, changed=False) for item in notes), grave)))
    assert run["results"][-1]["ruleId"] == "PC101", "what is graver stays"
    assert len(run["results"][-1]["message"]["text"]) == MOST_TEXT
    assert run["properties"]["cut"] == {"results": 10, "messages": 1, "relatedLocations": 2}
    said = [each["message"]["text"] for each in run["invocations"][0]["toolExecutionNotifications"]]
    assert [text.split()[0] for text in said] == ["10", "1", "2"]


def test_known_and_waived_are_marked() -> None:
    waiver = Waiver("goes in May", "net", date(2026, 5, 31), code="PC101", span=Span("waivers.yaml", 2, "- {}"))
    report = report_of(reported(1), reported(2, known=True), reported(3, waiver=waiver), baseline="known.yaml")
    new, known, waived = run_of(render_sarif(report))["results"]
    assert [each["baselineState"] for each in (new, known, waived)] == ["new", "unchanged", "new"]
    assert "suppressions" not in new
    (suppression,) = waived["suppressions"]
    assert (suppression["kind"], suppression["status"]) == ("external", "accepted")
    assert suppression["justification"] == "goes in May (owner net, until 2026-05-31)"


def test_paths_are_those_of_the_working_folder() -> None:
    item = reported(1)
    span = replace(item.finding.span, file="piers/quay ä#1.cfg")
    item = replace(item, finding=replace(item.finding, span=span))

    def place(folder: str) -> dict[str, str]:
        result = run_of(render_sarif(report_of(item, folder=folder)))["results"][0]
        return result["locations"][0]["physicalLocation"]["artifactLocation"]

    assert place("") == {"uri": "piers/quay%20%C3%A4%231.cfg", "uriBaseId": "%SRCROOT%"}
    assert place("sites/a")["uri"] == "sites/a/piers/quay%20%C3%A4%231.cfg"
    assert place("/srv/fleet") == {"uri": "file:///srv/fleet/piers/quay%20%C3%A4%231.cfg"}


def test_words_that_look_like_a_link_are_no_link() -> None:
    # Section 3.11.6: a message may hold links `[text](target)`.
    result = run_of(render_sarif(report_of(reported(1, message="see [here](9)"))))["results"][0]
    assert result["message"]["text"] == r"see \[here\](9)"


def test_hostile_text_stays_text() -> None:
    files = {"a.cfg": b"hostname a\nip access-list extended \x1bX\n permit ip host 10.0.0.1 any\n" + b"\xff\xfe {\n"}
    run_of(render_sarif(full_check(load_fleet_files(files))))
