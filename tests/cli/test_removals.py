"""What a full replacement takes away: by meaning, or else by words. Common practice, no source."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import jsonschema
import pytest
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.errors import InputError

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "schemas" / "removals.json").read_text("utf-8"))
SWITCH = """hostname quay-a
no ip routing
vlan 20
 name counters
vlan 99
interface Ethernet1
 description uplink
 switchport mode trunk
 switchport trunk allowed vlan 20,99
interface Ethernet2
 switchport mode access
 switchport access vlan 20
 ip access-group COUNTERS in
interface Vlan99
 ip address 10.20.99.11 255.255.255.0
ip default-gateway 10.20.99.1
ip access-list extended COUNTERS
 10 permit tcp any host 10.20.90.20 eq 443
 20 permit udp any host 10.20.90.21 eq domain
 30 deny ip any any log
ip access-list standard SESSIONS
 permit 10.20.90.0 0.0.0.255
ntp server 10.20.90.30
ntp server 10.20.90.31
username keeper secret 5 $1$gull$0123456789abcdefghijkl
line vty 0 4
 access-class SESSIONS in
"""
OTHERWISE = """! the same in other words and in another order
hostname quay-a
username   keeper secret 5 $1$gull$xyz3456789abcdefghijkl
ntp server 10.20.90.31
ntp server 10.20.90.30
ip access-list standard SESSIONS
   permit 10.20.90.0 0.0.0.255
ip access-list extended COUNTERS
 permit 6 any host 10.20.90.20 eq https
 permit udp any 10.20.90.21 0.0.0.0 eq 53
 deny ip any any log
no ip routing
vlan 99
vlan 20
 name counters
int vlan99
 ip address 10.20.99.11/24
int eth2
 switchport access vlan 20
 switchport mode access
 ip access-group COUNTERS in
int e1
 switchport trunk allowed vlan 99
 switchport trunk allowed vlan add 20
 switchport mode trunk
 description uplink
line vty 0 4
 access-class SESSIONS in
ip default-gateway 10.20.99.1
"""
FLEET = "devices:\n  quay-a: {management: 10.20.99.11}\n"


def run(tmp_path, after, *words, before=SWITCH, status=None):
    for name, text in (("before", before), ("after", after)):
        (tmp_path / name).mkdir()
        files = text if isinstance(text, dict) else {"quay-a.cfg": text}
        for file, content in files.items():
            (tmp_path / name / file).write_text(content, "utf-8")
        if "quay-a.cfg" in files:
            (tmp_path / name / "fleet.yaml").write_text(FLEET, "utf-8")
    arguments = ["removals", str(tmp_path / "before"), str(tmp_path / "after"), "--json", *words]
    done = CliRunner().invoke(app, arguments, standalone_mode=False)
    if done.exception is not None:
        raise done.exception
    document = json.loads(done.stdout)
    assert [error.message for error in jsonschema.Draft202012Validator(SCHEMA).iter_errors(document)] == []
    if status is not None:
        assert done.return_value == status
    return document


def test_the_schema_is_one():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_spelling_order_and_numbers_remove_nothing(tmp_path):
    document = run(tmp_path, OTHERWISE, status=0)
    assert document["removed"] == document["replaced"] == document["alarms"] == []


def test_a_text_removes_nothing_from_itself(tmp_path):
    document = run(tmp_path, SWITCH, "--max-deletions", "0", status=0)
    assert document["counts"]["removed"] == 0
    assert document["devices"] == [{"device": "quay-a", "removed": 0, "replaced": 0, "kept": 27}]


@pytest.mark.parametrize(
    ("line", "reach"),
    [
        ("ip default-gateway 10.20.99.1\n", "management"),
        (" ip address 10.20.99.11 255.255.255.0\n", "management"),
        ("vlan 99\n", "management"),
        ("username keeper secret 5 $1$gull$0123456789abcdefghijkl\n", "management"),
        (" access-class SESSIONS in\n", "management"),
        (" switchport mode trunk\n", "trunks"),
        ("vlan 20\n name counters\n", "trunks"),
        (" 20 permit udp any host 10.20.90.21 eq domain\n", "lists"),
        (" ip access-group COUNTERS in\n", "lists"),
        ("ntp server 10.20.90.31\n", "rest"),
        (" description uplink\n", "rest"),
    ],
)
def test_each_line_that_goes_is_told_with_its_reach(tmp_path, line, reach):
    assert line in SWITCH
    document = run(tmp_path, SWITCH.replace(line, ""))
    first = document["removed"][0]
    shown = line.split("\n")[0].strip().replace("$1$gull$0123456789abcdefghijkl", "(hidden)")
    assert (first["reach"], first["text"]) == (reach, shown)
    assert len(document["removed"]) == line.count("\n")


def test_a_vlan_that_leaves_a_trunk(tmp_path):
    document = run(tmp_path, SWITCH.replace("allowed vlan 20,99", "allowed vlan 99,100"), status=0)
    assert [(it["reach"], it["what"]) for it in document["removed"]] == [("trunks", "VLAN 20 on the trunk Ethernet1")]
    wider = SWITCH.replace(" switchport trunk allowed vlan 20,99\n", "")
    (tmp_path / "wider").mkdir()
    assert run(tmp_path / "wider", wider)["removed"] == []


def test_another_value_is_no_removal(tmp_path):
    document = run(
        tmp_path, SWITCH.replace("gateway 10.20.99.1", "gateway 10.20.99.2"), "--max-deletions", "0", status=0
    )
    assert document["removed"] == []
    (one,) = document["replaced"]
    assert (one["reach"], one["by"]["text"]) == ("management", "ip default-gateway 10.20.99.2")


def test_what_reaches_farthest_comes_first(tmp_path):
    gone = ("ntp server 10.20.90.31\n", "ip default-gateway 10.20.99.1\n", " switchport mode trunk\n")
    after = SWITCH
    for line in gone:
        after = after.replace(line, "")
    document = run(tmp_path, after)
    assert [it["reach"] for it in document["removed"]] == ["management", "trunks", "rest"]


@pytest.mark.parametrize(
    ("removed", "section"),
    [
        (["ip default-gateway 10.20.99.1\n"], "default gateways"),
        (["vlan 20\n name counters\n", "vlan 99\n"], "VLANs"),
        (["ntp server 10.20.90.30\n", "ntp server 10.20.90.31\n"], "ntp servers"),
        ([" ip address 10.20.99.11 255.255.255.0\n"], "management address"),
        ([" permit 10.20.90.0 0.0.0.255\n"], "lines of the list SESSIONS"),
        ([" access-class SESSIONS in\n"], "lists that guard the device"),
    ],
)
def test_a_section_of_which_nothing_is_left_is_an_alarm(tmp_path, removed, section):
    after = SWITCH
    for text in removed:
        after = after.replace(text, "")
    document = run(tmp_path, after, status=1)
    assert section in [alarm["section"] for alarm in document["alarms"]]


def test_a_device_that_is_gone_or_empty_is_an_alarm(tmp_path):
    other = SWITCH.replace("quay-a", "quay-b").replace("99.11", "99.12")
    document = run(tmp_path, {"quay-b.cfg": other}, before={"quay-a.cfg": SWITCH, "quay-b.cfg": other}, status=1)
    assert [(it["device"], it["section"]) for it in document["alarms"]] == [("quay-a", "device")]
    (tmp_path / "empty").mkdir()
    document = run(tmp_path / "empty", "! nothing yet\n", status=1)
    assert [it["section"] for it in document["alarms"]] == ["device"]


def test_more_than_are_allowed(tmp_path):
    after = SWITCH.replace(" 20 permit udp any host 10.20.90.21 eq domain\n", "").replace(" description uplink\n", "")
    assert run(tmp_path, after, "--max-deletions", "1", status=1)["too_many"] is True
    (tmp_path / "two").mkdir()
    assert run(tmp_path / "two", after, "--max-deletions", "2", status=0)["too_many"] is False


def test_a_secret_that_changed_is_hidden_and_no_removal(tmp_path):
    document = run(tmp_path, SWITCH.replace("$1$gull$0123456789", "$1$tern$9876543210"), status=0)
    assert document["removed"] == []
    (tmp_path / "gone").mkdir()
    document = run(tmp_path / "gone", SWITCH.replace("username keeper secret 5 $1$gull$0123456789abcdefghijkl\n", ""))
    assert document["removed"][0]["text"] == "username keeper secret 5 (hidden)"


def test_one_captured_configuration_against_a_fleet(tmp_path):
    (tmp_path / "fleet").mkdir()
    (tmp_path / "fleet" / "quay-a.cfg").write_text(SWITCH, "utf-8")
    (tmp_path / "fleet" / "quay-b.cfg").write_text(SWITCH.replace("quay-a", "quay-b"), "utf-8")
    capture = tmp_path / "running.txt"
    capture.write_text("Building configuration...\n!\n" + SWITCH + "logging host 10.20.90.40\nend\n", "utf-8")
    done = CliRunner().invoke(
        app, ["removals", str(capture), str(tmp_path / "fleet"), "--format", "text"], standalone_mode=False
    )
    assert "logging host 10.20.90.40" in done.stdout
    assert "quay-b" not in done.stdout
    markdown = CliRunner().invoke(
        app, ["removals", str(capture), str(tmp_path / "fleet"), "--format", "markdown"], standalone_mode=False
    )
    assert markdown.stdout.startswith("### pathcheck removals")


def test_a_revision_against_the_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "quay-a.cfg").write_text(SWITCH, "utf-8")
    git = ["git", "-c", "user.name=x", "-c", "user.email=x@example.invalid"]
    for words in (["init", "-q"], ["add", "."], ["commit", "-q", "-m", "first"]):
        subprocess.run([*git, *words], check=True, capture_output=True)
    (tmp_path / "quay-a.cfg").write_text(SWITCH.replace("ip default-gateway 10.20.99.1\n", ""), "utf-8")
    done = CliRunner().invoke(app, ["removals", "git:HEAD", "."], standalone_mode=False)
    assert done.return_value == 1
    assert "the default gateway 10.20.99.1" in done.stdout


@pytest.mark.parametrize(
    ("before", "after", "status"),
    [(b"\0\1\2", b"\0\1\3", 2), (b"\0\1\2", None, 2), (None, b"\0\1\2", 2), (b"\0\1\2", b"\0\1\2", 0)],
)
def test_what_goes_with_a_refused_file_is_not_known(
    before: bytes | None, after: bytes | None, status: int, tmp_path: Path
) -> None:
    for name, data in (("before", before), ("after", after)):
        (tmp_path / name).mkdir()
        (tmp_path / name / "quay-a.cfg").write_text(SWITCH)
        if data is not None:
            (tmp_path / name / "quay-b.cfg").write_bytes(data)
    words = ["removals", str(tmp_path / "before"), str(tmp_path / "after")]
    result = CliRunner().invoke(app, words, standalone_mode=False)
    if status:
        assert isinstance(result.exception, InputError)
        assert "`quay-b.cfg` is refused in " in result.exception.message
    else:
        assert result.return_value == 0
        assert "quay-b.cfg: refused in both states, with the same content" in result.stdout
