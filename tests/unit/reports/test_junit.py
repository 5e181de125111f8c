"""JUnit XML of findings, read by an independent reader."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

from junitparser import Error, Failure, JUnitXml, Skipped, TestCase
from report_builders import report_of, reported
from small_fleets import fleet_of

from pathcheck.fleet import load_fleet, load_fleet_files
from pathcheck.model.waiver import Waiver
from pathcheck.queries.check import full_check
from pathcheck.queries.check import report_of as report_on
from pathcheck.queries.line_review import review_fleet
from pathcheck.reports.junit import render_finding_junit
from pathcheck.results.catalogue import CATALOGUE
from pathcheck.results.finding import Severity
from pathcheck.results.finding_report import FindingReport
from pathcheck.source import Span

DEMO = Path(__file__).parents[3] / "corpora" / "ferry-operator" / "fleet"
ABOUT_FLOWS = {"PC381", "PC382", "PC383"}


def suites(report: FindingReport) -> dict[str, list[TestCase]]:
    """The cases by suite; each has at most one child, whose message is the first line of its text."""
    found = JUnitXml.fromstring(render_finding_junit(report).encode())
    assert found.failures == sum(suite.failures for suite in found)
    out = {}
    for suite in found:
        out[suite.name] = list(suite)
        assert suite.tests == len(out[suite.name])
        for kind, number in ((Failure, suite.failures), (Error, suite.errors), (Skipped, suite.skipped)):
            assert number == sum(isinstance(child, kind) for case in suite for child in case.result)
        for case in suite:
            assert len(case.result) <= 1
            assert all(child.message == child.text.split("\n")[0] for child in case.result)
    return out


def result(case: TestCase) -> type | None:
    return type(case.result[0]) if case.result else None


def test_demo_one_case_a_flow_and_one_a_code_and_device() -> None:
    report = full_check(load_fleet(DEMO))
    found = suites(report)
    assert report.requirements is not None
    assert [case.name for case in found["required flows"]] == [
        item.flow.name for item in report.requirements.requirements
    ]
    assert [result(case) for case in found["required flows"]] == [None, Failure, None, Failure, Failure]
    cases = {(case.name.split()[0], case.classname): result(case) for case in found["findings"]}
    assert len(cases) == len(found["findings"])
    assert not {code for code, _ in cases} & ABOUT_FLOWS, "each finding stands once"
    assert cases["PC101", "terminal-south"] is Failure
    assert cases["PC412", "border"] is Skipped, "a note is too mild to fail"
    assert cases["PC102", "fleet"] is None
    assert {code for code, _ in cases} == set(CATALOGUE) - ABOUT_FLOWS - {"PC104"}, "PC104 is not looked for"


def test_only_what_a_command_looks_for_has_a_case() -> None:
    loaded = load_fleet(DEMO)
    cases = suites(report_on("review", loaded, review_fleet(loaded)))["findings"]
    assert all(case.name.startswith("PC1") for case in cases)


def test_what_does_not_fail_is_skipped_and_says_why() -> None:
    waiver = Waiver("goes in May", "net", date(2026, 5, 31), code="PC101", span=Span("waivers.yaml", 2, "- {}"))

    def message(item: object, **more: object) -> tuple[type | None, str]:
        (case,) = suites(report_of(item, **more))["findings"]
        return result(case), case.result[0].message.partition(": ")[0]

    assert message(reported(1, waiver=waiver)) == (Skipped, "waived until 2026-05-31 by net, goes in May")
    assert message(reported(1, known=True)) == (Skipped, "known from the baseline")
    assert message(reported(1, Severity.NOTE)) == (Skipped, "a note, which is milder than what fails")
    assert message(reported(1, changed=False), revision="main", only_changed=True) == (
        Skipped,
        "not on a line changed since main",
    )
    (case,) = suites(report_of(reported(1, known=True), reported(2), reported(3)))["findings"]
    assert result(case) is Failure
    assert case.result[0].message == "quay-a.cfg:2: it never acts (and 1 more)"
    assert "known from the baseline" in case.result[0].text


def test_faults_of_the_required_flows_are_findings() -> None:
    loaded = load_fleet_files({"a.cfg": b"hostname a\n", "required-flows.yaml": b"flows:\n  - {flow: tcp a b}\n"})
    found = suites(full_check(loaded))
    assert "required flows" not in found
    assert {case.name.split()[0] for case in found["findings"] if result(case) is Failure} == {"PC383"}


def test_a_waived_flow_is_skipped_and_an_unanswered_one_is_an_error() -> None:
    config = "hostname quay-a\ninterface Ethernet1\n no switchport\n ip address 10.1.20.1 255.255.255.0\n"
    files = {
        "quay-a.cfg": config.encode(),
        "required-flows.yaml": b"flows:\n  - {name: away, flow: tcp 10.1.20.7 10.9.9.9:443, expect: open}\n"
        b"  - {name: nobody, flow: tcp 10.1.20.7 ghost:443, expect: open}\n",
        "waivers.yaml": b"waivers:\n  - {code: PC381, text: '- {name: away, flow: tcp 10.1.20.7 10.9.9.9:443, "
        b"expect: open}', reason: no route yet, owner: net, until: 9999-12-31}\n",
    }
    away, nobody = suites(full_check(load_fleet_files(files)))["required flows"]
    assert (result(away), result(nobody)) == (Skipped, Error)
    assert away.result[0].message.startswith("waived until 9999-12-31 by net, no route yet: ")


def test_characters_that_xml_cannot_hold() -> None:
    item = reported(1, message="bad \x00\x1b\ufffe sign")
    (case,) = suites(report_of(item))["findings"]
    assert case.result[0].message == "quay-a.cfg:1: bad \ufffd\ufffd\ufffd sign"
    assert suites(full_check(fleet_of("hostname a\n")))
    assert replace(item)
