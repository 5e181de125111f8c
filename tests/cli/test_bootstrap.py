"""The command on blank switches: exit statuses, text, and the document against its schema."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from bootstrap_fleets import bootstrap_fleet
from typer.testing import CliRunner

from pathcheck.cli.main import app

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "schemas" / "bootstrap.json").read_text("utf-8"))
LIST = {
    "provisioning": " ip access-group BLANK in",
    "lists": "ip access-list extended BLANK\n permit udp any eq bootpc any eq bootps\n permit tcp any any eq 443\n",
}


def run(tmp_path, *words, **changes):
    for name, data in bootstrap_fleet(**changes).items():
        (tmp_path / name).write_bytes(data)
    return CliRunner().invoke(app, ["bootstrap", *words, "--fleet", str(tmp_path)], standalone_mode=False)


@pytest.mark.parametrize(
    ("changes", "status", "stopped"),
    [
        ({}, 0, None),
        (LIST, 1, "transfer"),
        ({"provisioning": " ip policy route-map BLANK"}, 3, None),
        ({"replaced": {"    devices: [quay-a]\n": ""}}, 0, None),
        ({"replaced": {"    server: 10.20.90.6\n": ""}}, 0, None),
        ({"boot": None}, 1, "file-name"),
    ],
)
def test_status_and_document(tmp_path, changes, status, stopped):
    done = run(tmp_path, "--json", **changes)
    assert done.return_value == status
    document = json.loads(done.stdout)
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert [error.message for error in jsonschema.Draft202012Validator(SCHEMA).iter_errors(document)] == []
    assert [switch["stopped_at"] for switch in document["switches"]] == [stopped]


def test_text_names_the_stage_and_the_line(tmp_path):
    text = run(tmp_path, "quay-a", **LIST).stdout
    assert "STOPS  quay-a stops at the file transfer" in text
    assert "22 | ip access-list extended BLANK" in text
    assert text.count("FAILS") == 2
    assert "This is a verdict about the text that was read" in text


def test_switches_with_the_same_fate_are_told_once(tmp_path):
    both = {
        "devices: [quay-a]": "devices: [quay-a, quay-b]",
        "links:\n": "links:\n  - terminal-north:Ethernet11 quay-b:Ethernet1\n",
        "interface Vlan90\n": "interface Ethernet11\n switchport mode trunk\n switchport trunk native vlan 900\n"
        "interface Vlan90\n",
        "places:": "  quay-b: {management: 10.20.99.12}\nplaces:",
    }
    both["links:\n"], devices = both["links:\n"], both.pop("places:")
    both["  quay-a: {"] = devices.partition("\n")[0] + "\n  quay-a: {"
    files = bootstrap_fleet(replaced=both)
    files["quay-b.cfg"] = files["quay-a.cfg"].replace(b"quay-a", b"quay-b").replace(b"99.11", b"99.12")
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    done = CliRunner().invoke(app, ["bootstrap", "--fleet", str(tmp_path)], standalone_mode=False)
    assert done.return_value == 0
    assert "each stage as for quay-a" in done.stdout or done.stdout.count("holds       address lease") == 2
    assert "2 switches: 2 through" in done.stdout


def test_a_name_of_nobody_is_wrong_use(tmp_path):
    done = run(tmp_path, "quay-z")
    assert done.exception is not None
    assert "no bootstrap entry lists the device `quay-z`" in str(done.exception)
