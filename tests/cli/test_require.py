"""`require`: exit status, standard output, standard error, and its formats."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest
from junitparser import Error, Failure, JUnitXml, Skipped

from pathcheck.cli.main import status_of

FERRY = Path(__file__).parents[2] / "corpora" / "ferry-operator" / "fleet"
QUAY = """\
hostname quay
ip routing
interface Ethernet1
 no switchport
 ip address 10.1.20.1 255.255.255.0
 ip access-group TILLS in
interface Ethernet2
 no switchport
 ip address 10.1.99.1 255.255.255.0
ip access-list extended TILLS
 permit tcp any any eq 443
 permit tcp any any eq 8080 time-range DAY
"""
HOLDS = "  - {name: holds, flow: 'tcp 10.1.20.7 10.1.99.10:443', expect: open}\n"
BROKEN = (
    "  - {name: 'broken <&> \\a', flow: 'tcp 10.1.20.7 10.1.99.10:25', expect: open, owner: tills, reason: sales}\n"
)
BROKEN = BROKEN.replace("'broken <&> \\a'", '"broken <&> \\a"')
UNSURE = "  - {name: unsure, flow: 'tcp 10.1.20.7 10.1.99.10:8080', expect: open}\n"
UNASKED = "  - {name: unasked, flow: 'tcp 10.1.20.7 booking:8080', expect: open}\n"


@pytest.fixture
def fleet(tmp_path):
    (tmp_path / "quay.cfg").write_text(QUAY)

    def write(*entries):
        (tmp_path / "required-flows.yaml").write_text("flows:\n" + "".join(entries))
        return tmp_path

    return write


def run(capsys, *arguments):
    status = status_of(["require", *map(str, arguments)])
    printed = capsys.readouterr()
    return status, printed.out, printed.err


@pytest.mark.parametrize(
    ("entries", "status"),
    [
        ([HOLDS], 0),
        ([HOLDS, BROKEN], 1),
        ([HOLDS, UNSURE], 3),
        # One that is broken for certain settles that not all hold.
        ([UNSURE, BROKEN], 1),
        ([UNASKED, UNSURE, BROKEN, HOLDS], 2),
    ],
)
def test_exit_status(fleet, capsys, entries, status):
    assert run(capsys, "--fleet", fleet(*entries))[0] == status


def test_uncertain_can_be_tolerated_and_is_no_pass(fleet, capsys):
    folder = fleet(HOLDS, UNSURE)
    status, out, err = run(capsys, "--fleet", folder, "--uncertain", "tolerate", "--json")
    assert (status, err) == (0, "warning: 1 of the required flows may hold or not\n")
    assert json.loads(out)["counts"] == {"holds": 1, "broken": 0, "uncertain": 1}
    assert [item["holds"] for item in json.loads(out)["results"]] == [True, False]


def test_json_of_the_demo(capsys):
    status, out, err = run(capsys, "--fleet", FERRY, "--json")
    document = json.loads(out)
    assert (status, err, document["schema"]) == (1, "", "pathcheck/require/1")
    assert document["counts"] == {"holds": 2, "broken": 3, "uncertain": 0}
    assert all(set(item) == {"name", "expect", "holds", "verdict", "reason", "detail"} for item in document["results"])
    rows = [(item["expect"], item["holds"], item["verdict"], item["reason"]) for item in document["results"]]
    assert rows == [
        ("open", True, "permitted", "arrived"),
        ("open", False, "denied", "filtered"),
        ("open", True, "permitted", "arrived"),
        ("open", False, "denied", "stranded"),
        ("closed", False, "partly", None),
    ]
    detail = document["results"][1]["detail"]
    assert detail["decided_by"]["file"] == "terminal-south.cfg"
    assert detail["decided_by"]["text"] == "deny ip 10.30.0.0 0.0.255.255 any log"
    assert detail["sample"]["destination"] == "10.10.90.21"
    assert detail["path"]["hops"][0]["device"] == "terminal-south"


def test_text_shows_what_is_broken_first(fleet, capsys):
    _, out, err = run(capsys, "--fleet", fleet(HOLDS, UNSURE, BROKEN))
    assert err == ""
    assert out.splitlines()[:7] == [
        "BROKEN  broken <&>  ",
        "  required open: tcp 10.1.20.7 10.1.99.10:25  (required-flows.yaml:4)",
        "  denied at quay by the list TILLS, implicit deny",
        "  packet: tcp 10.1.20.7:49152 to 10.1.99.10:25 (syn)",
        "  path: quay (Ethernet1)",
        "  owner: tills",
        "  reason: sales",
    ]
    heads = [line.split()[0] for line in out.splitlines() if line and line[0] != " "]
    assert heads[:4] == ["BROKEN", "UNCERTAIN", "holds", "3"]
    assert "    12 |  permit tcp any any eq 8080 time-range DAY" in out
    assert "3 required flows: 1 holds, 1 broken, 1 uncertain" in out


def test_what_cannot_be_asked_is_told_with_its_place_and_hides_nothing(fleet, capsys):
    status, out, err = run(capsys, "--fleet", fleet(UNASKED, BROKEN))
    assert status == 2
    assert "required-flows.yaml:2:27" in err
    assert "found `booking`" in err
    assert out.startswith("BROKEN")
    assert "UNANSWERED  unasked" in out
    assert "1 broken, 0 uncertain, 1 unanswered" in out


def test_junit_is_read_by_a_reader_of_its_own(fleet, capsys, tmp_path):
    file = tmp_path / "report.xml"
    folder = fleet(HOLDS, UNSURE, BROKEN, UNASKED)
    status, out, err = run(capsys, "--fleet", folder, "--format", "junit", "--output", file)
    assert (status, out) == (2, "")
    assert f"the report (junit) is in {file}" in err
    (suite,) = JUnitXml.fromfile(str(file))
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (4, 2, 1, 0)
    cases = {case.name: case for case in suite}
    assert list(cases) == ["holds", "unsure", "broken <&> \ufffd", "unasked"]
    assert cases["holds"].is_passed
    kinds = {name: [(type(it), it.type) for it in case.result] for name, case in cases.items()}
    assert list(kinds.values()) == [[], [(Failure, "uncertain")], [(Failure, "broken")], [(Error, "unanswered")]]
    (failure,) = cases["broken <&> \ufffd"].result
    first, *rest = failure.text.splitlines()
    assert first == failure.message
    assert first == (
        "tcp 10.1.20.7:49152 to 10.1.99.10:25 (syn) must pass, and is denied at quay by the list TILLS, implicit deny"
    )
    assert rest[-2:] == ["owner: tills", "reason: sales"]


def test_junit_of_what_is_tolerated_is_skipped_and_not_passed(fleet, capsys):
    _, out, _ = run(capsys, "--fleet", fleet(UNSURE, HOLDS), "--format", "junit", "--uncertain", "tolerate")
    (suite,) = JUnitXml.fromstring(out.encode())
    assert [[type(it) for it in case.result] for case in suite] == [[Skipped], []]
    assert (suite.tests, suite.failures, suite.skipped) == (2, 0, 1)


def test_each_case_has_one_child_at_most_and_no_attribute_that_changes_from_run_to_run(capsys):
    _, out, _ = run(capsys, "--fleet", FERRY, "--format", "junit")
    root = ElementTree.fromstring(out.encode())
    cases = list(root.iter("testcase"))
    assert [len(case) for case in cases] == [0, 1, 0, 1, 1]
    assert all(set(case.attrib) == {"name", "classname"} for case in cases)
    assert root.get("failures") == "3"


def test_several_formats_in_one_run(fleet, capsys, tmp_path):
    xml, doc = tmp_path / "a.xml", tmp_path / "a.json"
    places = ["--format", "junit", "--output", xml, "--format", "text", "--format", "json", "--output", doc]
    _, out, _ = run(capsys, "--fleet", fleet(BROKEN), *places)
    assert out.startswith("BROKEN")
    assert json.loads(doc.read_text())["counts"]["broken"] == 1
    assert len(list(JUnitXml.fromfile(str(xml)))) == 1


def test_a_file_on_the_command_line_is_asked_instead(fleet, capsys, tmp_path):
    other = tmp_path / "other.flows"
    other.write_text("flows:\n" + HOLDS)
    assert run(capsys, other, "--fleet", fleet(BROKEN))[0] == 0
    other.write_text("flows:\n  - {name: a, flow: ip any any, expect: opn}\n  - 7\n")
    status, out, err = run(capsys, other, "--fleet", fleet(BROKEN))
    assert (status, out) == (2, "")
    assert f"{other}:2:" in err
    assert "did you mean `open`?" in err
    assert f"{other}:3:5" in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nowhere.yaml"], "the required flows `nowhere.yaml` cannot be read"),
        (["--format", "jnit"], "did you mean `junit`?"),
        (["--uncertain", "maybe"], "maybe"),
    ],
)
def test_usage(fleet, capsys, arguments, words):
    status, out, err = run(capsys, *arguments, "--fleet", fleet(HOLDS))
    assert (status, out) == (2, "")
    assert words in err


def test_no_required_flows(tmp_path, capsys):
    (tmp_path / "quay.cfg").write_text(QUAY)
    status, _, err = run(capsys, "--fleet", tmp_path)
    assert status == 2
    assert "put it into the fleet as `required-flows.yaml`" in err
    (tmp_path / "required-flows.yaml").write_text("flows: []\n")
    status, _, err = run(capsys, "--fleet", tmp_path)
    assert (status, err) == (0, "warning: there is no required flow in required-flows.yaml, so nothing was asked\n")


def test_check_fails_too(fleet, capsys):
    assert status_of(["check", "--fleet", str(fleet(HOLDS, BROKEN))]) == 1
    assert "PC381 broken-required-flow" in capsys.readouterr().out
    assert status_of(["check", "--fleet", str(fleet(HOLDS, UNASKED))]) == 2
