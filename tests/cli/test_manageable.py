"""The command `manageable`: its exit statuses, its formats, and what it refuses."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner, Result

from pathcheck.cli.main import app
from pathcheck.errors import UnknownNameError

DEMO = Path(__file__).parents[2] / "corpora" / "ferry-operator" / "fleet"


def ask(*words: str, fleet: Path = DEMO) -> Result:
    return CliRunner().invoke(app, ["manageable", *words, "--fleet", str(fleet)], standalone_mode=False)


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    return Path(shutil.copytree(DEMO, tmp_path / "fleet"))


def edit(fleet: Path, name: str, old: str, new: str) -> None:
    text = (fleet / name).read_text()
    assert old in text
    (fleet / name).write_text(text.replace(old, new))


@pytest.mark.parametrize(
    ("words", "status"), [((), 1), (("quay-a",), 0), (("quay-a", "border"), 0), (("quay-a", "quay-c"), 1)]
)
def test_exit_status(words: tuple[str, ...], status: int) -> None:
    assert ask(*words).return_value == status


def test_what_is_not_known_ends_with_3(fleet: Path) -> None:
    edit(fleet, "quay-a.cfg", "interface Vlan99\n", "interface Vlan99\n ip inspect GUARD in\n")
    found = ask("quay-a", fleet=fleet)
    assert found.return_value == 3
    assert "UNCERTAIN  quay-a  10.20.99.11" in found.stdout
    # One that is lost for certain settles it.
    assert ask("quay-a", "quay-c", fleet=fleet).return_value == 1


def test_without_a_controller_nothing_is_judged(fleet: Path) -> None:
    edit(fleet, "fleet.yaml", "  controller: 10.10.90.5\n", "")
    found = ask(fleet=fleet)
    assert found.return_value == 3
    assert "nothing was judged: no place `controller`" in found.stdout
    assert "help: add `places: {controller: ADDRESS}`" in found.stdout


def test_a_device_without_address_is_left_out_of_the_status(fleet: Path) -> None:
    edit(fleet, "fleet.yaml", ", serial: FY26A0011, management: 10.20.99.11", ", serial: FY26A0011")
    found = ask("quay-a", "quay-b", fleet=fleet)
    assert found.return_value == 0
    assert "not judged  quay-a" in found.stdout


def test_text_shows_the_chain_of_what_is_lost_or_named() -> None:
    whole = ask().stdout
    assert "manageable  quay-a  10.20.99.11" in whole
    assert "quay-a.cfg:55" not in whole
    assert "BROKEN  uplink" in whole
    assert whole.index("NOT MANAGEABLE") < whole.index("manageable  border")
    assert "11 devices: 9 manageable, 2 not, 0 uncertain" in whole
    assert "quay-a.cfg:55" in ask("quay-a").stdout


def test_json() -> None:
    document = json.loads(ask("--json").stdout)
    assert document["counts"] == {"manageable": 9, "not": 2, "uncertain": 0, "unjudged": 0}
    quay = next(item for item in document["devices"] if item["device"] == "quay-c")
    assert quay["manageable"] is False
    assert (quay["broken"]["link"], quay["broken"]["file"], quay["broken"]["line"]) == (
        "uplink",
        "terminal-south.cfg",
        44,
    )
    assert quay["chain"][-1] == quay["broken"]
    assert quay["sample"]["destination"] == "10.30.99.11"
    assert [server["reached"] for server in quay["servers"]] == [False, False]


def test_formats_of_findings(tmp_path: Path) -> None:
    found = ask("--format", "sarif")
    run = json.loads(found.stdout)["runs"][0]
    assert {result["ruleId"] for result in run["results"]} == {"PC340"}
    cases = ElementTree.fromstring(ask("--format", "junit").stdout).iter("testcase")
    assert any("PC340" in str(case.attrib) for case in cases)
    file = tmp_path / "report.md"
    both = ask("--format", "text", "--format", "markdown", "--output", str(file))
    assert both.return_value == 1
    assert "PC340" in file.read_text()
    assert "NOT MANAGEABLE" in both.stdout


def test_a_device_of_nobody_is_refused() -> None:
    found = ask("quay-aa")
    assert isinstance(found.exception, UnknownNameError)
    assert found.exception.help == "did you mean `quay-a`?"


def test_devices_in_a_refused_file_are_not_passed_over(fleet: Path) -> None:
    (fleet / "quay-b.cfg").write_bytes(b"\0\1\2")
    result = ask(fleet=fleet)
    assert result.return_value == 2
    assert "refused, so that no device in it was judged: quay-b.cfg" in result.stderr
