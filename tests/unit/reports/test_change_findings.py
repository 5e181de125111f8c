"""What a change opens and closes, in the formats that know findings only."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from junitparser import JUnitXml
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.cli.output import FINDING_FORMATS, finding_renderers
from pathcheck.fleet_source import read_states
from pathcheck.queries.fleet_comparison import compare_fleets
from pathcheck.reports.change_findings import CHANGE_RULES, change_report
from pathcheck.reports.terminal import Paint
from pathcheck.results.finding_report import FindingReport

ROOT = Path(__file__).parents[3]
FLEET = """hostname quay-a
interface Ethernet1
 no switchport
 ip address 10.1.20.1 255.255.255.0
 ip access-group TILLS in
interface Ethernet2
 no switchport
 ip address 10.1.99.1 255.255.255.0
ip access-list extended TILLS
{0} deny ip any any log
"""
NAMES = " permit udp 10.1.20.0 0.0.0.255 host 10.1.99.10 eq 53\n"
TICKETS = " permit tcp 10.1.20.0 0.0.0.255 host 10.1.99.10 eq 443\n"
FLOWS = "flows:\n  - {name: names, flow: udp 10.1.20.0/24 10.1.99.10:53, expect: open}\n"


@pytest.fixture
def states(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name, lines in (("old", NAMES), ("new", TICKETS)):
        (tmp_path / name).mkdir()
        (tmp_path / name / "quay-a.cfg").write_text(FLEET.format(lines))
        (tmp_path / name / "required-flows.yaml").write_text(FLOWS)
        (tmp_path / name / "fleet.yaml").write_text("places: {server: 10.1.99.10}\n")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def report(before: str, after: str) -> FindingReport:
    return change_report(compare_fleets(*read_states(before, after, Path())), folder=after)


def kinds(found: FindingReport) -> list[str]:
    return list(dict.fromkeys(item.finding.code for item in found.items))


def test_lost_flows_first_then_openings(states: Path) -> None:
    found = report("old", "new")
    assert kinds(found) == ["required-flow-lost", "opened", "closed", "list-changed"]
    opened = next(item.finding for item in found.items if item.finding.code == "opened")
    assert opened.span is not None
    assert (opened.span.words, opened.device, opened.acl) == (TICKETS.strip(), "quay-a", "TILLS")
    assert opened.message.startswith(
        "tcp from 10.1.20.0/24 to 10.1.99.10 (server) port 443; tcp from 10.1.20.0/24 to 10.1.99.10 (server), "
        "non-initial fragments: passes, and did not before (271,656,697,664 packets); "
    )
    assert "before: denied at quay-a by TILLS; now: permitted" in opened.message
    assert opened.sample is not None
    assert len({item.fingerprint for item in found.items}) == len(found.items)
    assert kinds(report("new", "old")) == ["opened", "closed", "required-flow-changed", "list-changed"]


def test_no_change_is_no_finding(states: Path) -> None:
    found = report("old", "old")
    assert found.items == ()
    assert finding_renderers(found)["markdown"](Paint()).startswith("### pathcheck compare: no effect\n")


def test_each_format_takes_them(states: Path) -> None:
    found = report("old", "new")
    written = {kind: finding_renderers(found)[kind](Paint()) for kind in FINDING_FORMATS}
    schema = json.loads((ROOT / "tests/references/schemas/sarif-schema-2.1.0.json").read_text("utf-8"))
    log = json.loads(written["sarif"])
    assert not list(jsonschema.Draft4Validator(schema).iter_errors(log))
    assert [rule["id"] for rule in log["runs"][0]["tool"]["driver"]["rules"]] == list(CHANGE_RULES)
    uri = log["runs"][0]["results"][1]["locations"][0]["physicalLocation"]["artifactLocation"]["uri"]
    assert uri == "new/quay-a.cfg"
    cases = {case.name: len(case.result) for case in JUnitXml.fromstring(written["junit"].encode()) for case in case}
    assert cases == {name: int(name in kinds(found)) for name in CHANGE_RULES}
    bullets = [line.split("**")[1] for line in written["markdown"].splitlines() if line.startswith("- ")]
    assert list(dict.fromkeys(bullets)) == ["required-flow-lost", "opened", "closed"]
    assert ": warning: quay-a list TILLS: " in written["annotations"]


@pytest.mark.parametrize("kind", FINDING_FORMATS)
def test_two_lists_on_the_command_line(states: Path, kind: str) -> None:
    words = ["compare", "--acl", "old/quay-a.cfg:TILLS", "new/quay-a.cfg", "--format", kind, "--output", "report"]
    result = CliRunner().invoke(app, words, standalone_mode=False)
    assert (result.exception, result.return_value) == (None, 1)
    text = Path("report").read_text("utf-8")
    assert "opened" in text
    assert ("new/quay-a.cfg" in text) == (kind not in ("junit",))
