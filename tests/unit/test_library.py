"""The front door of the library."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import pathcheck
from pathcheck.errors import FlowError, InputError, UnknownNameError
from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet

FERRY = Path(__file__).parents[2] / "corpora" / "ferry-operator" / "fleet"


@pytest.fixture(scope="module")
def fleet():
    return pathcheck.load(FERRY)


@pytest.mark.parametrize("page", ["README.md", "docs/library.md"])
def test_the_example_of_a_page_prints_what_it_says(page, tmp_path, monkeypatch, capsys):
    [code] = re.findall(r"```python\n(.*?)```", (FERRY.parents[2] / page).read_text(), re.DOTALL)
    (tmp_path / "pathcheck-demo").symlink_to(FERRY)
    monkeypatch.chdir(tmp_path)
    exec(compile(code, page, "exec"), {})
    printed = capsys.readouterr().out.splitlines()
    said = re.findall(r"print\(.*\)  # (.*)", code)
    assert said
    assert [line for line in printed if line in said] == said


def test_importing_is_cheap():
    code = "import sys, pathcheck; heavy = {'yaml', 'numpy', 'networkx', 'oxidd', 'pyparsing', 'netaddr', 'typer'}; "
    done = subprocess.run(
        [sys.executable, "-c", code + "print(heavy & set(sys.modules))"], capture_output=True, text=True
    )
    assert done.stdout.strip() == "set()"


def test_only_the_public_names_are_there():
    assert set(pathcheck.__all__) <= set(dir(pathcheck))
    with pytest.raises(AttributeError, match="no attribute `lode`"):
        pathcheck.lode  # noqa: B018


def test_devices_and_report(fleet):
    assert "quay-d" in fleet.devices
    assert fleet.devices["quay-d"].serial == "FY26A0014"
    assert {account.device for account in fleet.report.files} == set(fleet.devices)


def test_a_flow_in_one_line_or_in_parts(fleet):
    line = fleet.flow("tcp controller quay-d:22 --no-reply")
    parts = fleet.flow("tcp", "controller", "quay-d:22", reply=False)
    assert line == parts
    assert (str(line.verdict), str(line.reason), line.reply) == ("permitted", "arrived", None)
    assert fleet.flow("tcp controller quay-d:22", flags="ack").flow["flags"] == "ack"


def test_a_list_alone(fleet):
    answer = fleet.list_decision("MGMT-SESSIONS", "tcp controller any:22", device="quay-d")
    assert (str(answer.verdict), answer.device, answer.line.span.file) == ("permitted", "quay-d", "quay-d.yaml")


def test_what_a_change_opens_and_closes(fleet, tmp_path):
    before = tmp_path / "before"
    shutil.copytree(FERRY, before)
    text = (before / "terminal-south.cfg").read_text()
    (before / "terminal-south.cfg").write_text(text.replace("host 10.10.90.32 eq domain", "host 10.10.90.32 eq ntp", 1))
    change = fleet.compare(before)
    assert change.edited == ("terminal-south",)
    assert {str(item.region.box.destination_ports) for item in change.opened if item.region.box.destination_ports} == {
        "53"
    }
    assert change.closed_size
    assert not fleet.compare(FERRY).has_certain_effect


def test_findings(fleet):
    reviewed = fleet.review(device="terminal-south", access_list="TICKETS-IN")
    assert [item.code for item in reviewed] == ["PC101", "PC112"]
    checked = fleet.check()
    assert set(reviewed) <= set(checked)
    assert {"PC201", "PC321", "PC381", "PC412"} <= {item.code for item in checked}
    with pytest.raises(UnknownNameError):
        fleet.review(access_list="TICKET-IN")


def test_many_packets(fleet):
    source, other = Address.parse("10.10.90.5"), Address.parse("10.10.90.6")
    packets = [Packet(one, other, 6, 49152, 22) for one in (source, other)]
    decided = fleet.decide("quay-d", "MGMT-SESSIONS", packets)
    assert [str(one.action) for one in decided] == ["permit", "deny"]


def test_a_shorter_list_and_two_lists(fleet):
    (result,) = fleet.tidy("TICKETS-IN", device="terminal-north")
    assert (result.proof.sets_equal, len(result.after.lines)) == (True, len(result.before.lines) - 1)
    (equal,) = fleet.compare_lists("TICKETS-IN", "terminal-north:TICKETS-IN", device="terminal-north")
    (other,) = fleet.compare_lists("terminal-north:TICKETS-IN", "terminal-south:TICKETS-IN")
    assert (equal.is_equal, other.is_equal) == (True, False)


@pytest.mark.parametrize(
    ("ask", "kind", "words"),
    [
        (lambda fleet: fleet.flow("tcp controller"), FlowError, "found 2 words"),
        (lambda fleet: fleet.flow("tcp 'controller quay-d"), FlowError, "cannot be cut into words"),
        (lambda fleet: fleet.flow("tcp any any --acl X"), UnknownNameError, "no access list `X`"),
        (lambda fleet: fleet.flow("tcp any any --acl MGMT-SESSIONS"), FlowError, "use `list_decision`"),
        (lambda fleet: fleet.decide("quay", "A", []), UnknownNameError, "did you mean"),
        (lambda _: pathcheck.load(FERRY / "nowhere"), InputError, "cannot be read"),
    ],
)
def test_faults(fleet, ask, kind, words):
    with pytest.raises(kind, match=words):
        ask(fleet)
