"""The topology of RFC 4632 as two fleets (corpora/rfc4632-topology): flows, and what one line less or more changes."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import yaml
from references.published import Case, document, published

from pathcheck.evaluator import evaluate_packet
from pathcheck.fleet import LoadedFleet, load_fleet
from pathcheck.model.flow import EntryPoint
from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.tcp_flags import SYN
from pathcheck.parser.flow_words import read_flow_line
from pathcheck.queries.flow import ask_flow
from pathcheck.results.account import LineClass
from pathcheck.results.path import FlowAnswer
from pathcheck.results.verdict import Verdict

CORPUS = Path(__file__).parents[2] / "corpora" / "rfc4632-topology"
SOURCE = "rfc4632-cidr"

Edit = tuple[str, str, str]
"""A file, a piece of its text, and what stands there instead."""

BB_C5 = ("bb.cfg", "ip route 10.24.32.0 255.255.254.0 192.0.2.6\n", "")
BB_C4 = ("bb.cfg", "ip route 10.24.12.0 255.255.252.0 192.0.2.2\n", "")
BB_C7 = ("bb.cfg", "ip route 10.32.0.0 255.255.240.0 192.0.2.2\n", "")
PB_C7 = ("pb.cfg", "ip route 10.32.0.0 255.255.240.0 192.0.2.5\n", "")
PA_DISCARD = ("pa.cfg", "ip route 10.24.0.0 255.248.0.0 Null0\n", "")
CHILD_DOWN = ("child.cfg", " description the internal network\n", " description the internal network\n shutdown\n")
CHILD_DISCARD = ("child.cfg", "ip route 192.168.64.0 255.255.224.0 Null0\n", "")
CHILD_DEFAULT = ("child.cfg", "ip route 192.168.0.0 255.255.0.0 198.51.100.1", "ip route 0.0.0.0 0.0.0.0 198.51.100.1")


def read(folder: Path) -> LoadedFleet:
    """Load a fleet whose lines are all understood."""
    loaded = load_fleet(folder)
    assert not loaded.report.findings
    for account in loaded.report.files:
        assert account.refused is None
        assert not any(account.counts.get(kind) for kind in (LineClass.UNKNOWN, LineClass.WRONG, LineClass.UNMODELLED))
    return loaded


def changed(tmp_path: Path, fleet: str, edits: tuple[Edit, ...]) -> LoadedFleet:
    """Load a copy of a fleet with some lines changed; each piece of text has to be there once."""
    folder = tmp_path / fleet
    shutil.copytree(CORPUS / fleet, folder)
    for name, old, new in edits:
        text = (folder / name).read_text("utf-8")
        assert text.count(old) == 1
        (folder / name).write_text(text.replace(old, new), "utf-8")
    return read(folder)


def ask(loaded: LoadedFleet, source: str, destination: str) -> FlowAnswer:
    """Ask for one new TCP connection to port 80; the plain evaluator has to give the same answer."""
    question = read_flow_line(f"tcp {source}:49152 {destination}:80", loaded.config)
    answer = ask_flow(loaded, question.flow)
    packet = Packet(Address.parse(source), Address.parse(destination), 6, 49152, 80, flags=SYN)
    entries = {(path.hops[0].device, path.hops[0].into) for path in answer.paths}
    by_hand = {
        outcome.reason
        for device, interface in entries
        for outcome in evaluate_packet(loaded.config, packet, EntryPoint(device, interface))
    }
    assert by_hand == {path.reason for path in answer.paths}
    return answer


def way(answer: FlowAnswer) -> tuple[str, list[str]]:
    """Return the reason and the devices of the only path."""
    (path,) = answer.paths
    assert answer.reason is path.reason
    assert answer.verdict is path.reason.verdict
    devices = [hop.device for hop in path.hops]
    return path.reason.value, devices


# RFC 4632 sections 5.1 and 6.2; the concrete stations are ours.
AS_ADVERTISED = [
    pytest.param("10.24.0.9", "arrived", ["bb", "pa", "c1"], id="c1-by-the-block"),
    pytest.param("10.24.31.254", "arrived", ["bb", "pa", "c2"], id="c2-by-the-block"),
    pytest.param("10.24.11.9", "arrived", ["bb", "pa", "c3"], id="c3-by-the-block"),
    pytest.param("10.24.12.9", "arrived", ["bb", "pa", "c4"], id="c4-primary-path"),
    pytest.param("10.24.32.9", "arrived", ["bb", "pb", "c5"], id="c5-longest-match"),
    pytest.param("10.24.34.9", "arrived", ["bb", "pa", "c6"], id="c6-by-the-block"),
    pytest.param("10.32.0.9", "arrived", ["bb", "pa", "c7"], id="c7-longer-than-the-block-of-pb"),
    pytest.param("10.24.36.1", "discarded", ["bb", "pa"], id="unassigned-of-pa"),
    pytest.param("10.31.255.255", "discarded", ["bb", "pa"], id="last-of-pa"),
    pytest.param("10.32.16.1", "discarded", ["bb", "pb"], id="unassigned-of-pb"),
    pytest.param("10.40.0.1", "unrouted", ["bb"], id="in-neither-block"),
    pytest.param("10.23.255.255", "unrouted", ["bb"], id="below-both-blocks"),
]


@pytest.mark.parametrize(("destination", "reason", "devices"), AS_ADVERTISED)
def test_providers_as_advertised(destination: str, reason: str, devices: list[str]) -> None:
    answer = ask(read(CORPUS / "providers"), "192.0.2.130", destination)
    assert way(answer) == (reason, devices)
    if answer.verdict is Verdict.PERMITTED:
        assert answer.reply is not None
        assert answer.reply.verdict is Verdict.PERMITTED


def test_client_of_both_providers_answers_another_way() -> None:
    # RFC 4632 section 6.2 lets each client choose its own primary path out.
    answer = ask(read(CORPUS / "providers"), "10.24.12.9", "10.24.32.9")
    assert way(answer) == ("arrived", ["c4", "pa", "c5"])
    assert answer.reply is not None
    assert way(answer.reply) == ("arrived", ["c5", "pb", "c4"])


# RFC 4632 section 6.2 (secondary paths, c7 lost) and 5.1 rule 2; the failures are written as lines taken away.
AFTER_A_CHANGE = [
    pytest.param((BB_C5,), "10.24.32.9", "arrived", ["bb", "pa", "c5"], id="pb-withdraws-c5"),
    pytest.param((BB_C4,), "10.24.12.9", "arrived", ["bb", "pb", "c4"], id="pa-withdraws-c4"),
    pytest.param((BB_C7, PB_C7), "10.32.0.9", "discarded", ["bb", "pb"], id="pa-loses-c7"),
]


@pytest.mark.parametrize(("edits", "destination", "reason", "devices"), AFTER_A_CHANGE)
def test_providers_after_a_change(
    tmp_path: Path, edits: tuple[Edit, ...], destination: str, reason: str, devices: list[str]
) -> None:
    assert way(ask(changed(tmp_path, "providers", edits), "192.0.2.130", destination)) == (reason, devices)


def test_block_without_its_discard_route_loops(tmp_path: Path) -> None:
    # RFC 4632 section 5.1 rule 2.
    answer = ask(changed(tmp_path, "providers", (PA_DISCARD,)), "192.0.2.130", "10.24.36.1")
    reason, devices = way(answer)
    assert reason == "looping"
    assert devices[:2] == ["bb", "pa"]
    (path,) = answer.paths
    assert {step.partition(":")[0] for step in path.cycle} == {"bb", "pa"}


# RFC 4632 section 5.2, the example of the parent and the child.
FAILURE = [
    pytest.param((), "arrived", {"parent", "child"}, id="before-the-failure"),
    pytest.param((CHILD_DOWN,), "discarded", {"parent", "child"}, id="the-discard-route-acts"),
    pytest.param((CHILD_DOWN, CHILD_DISCARD), "looping", {"parent", "child"}, id="the-loop"),
    pytest.param((CHILD_DOWN, CHILD_DEFAULT), "discarded", {"parent", "child"}, id="discard-before-the-default"),
    pytest.param((CHILD_DOWN, CHILD_DISCARD, CHILD_DEFAULT), "looping", {"parent", "child"}, id="loop-by-the-default"),
]


@pytest.mark.parametrize(("edits", "reason", "devices"), FAILURE)
def test_parent_and_child(tmp_path: Path, edits: tuple[Edit, ...], reason: str, devices: set[str]) -> None:
    answer = ask(changed(tmp_path, "parent-and-child", edits), "192.168.0.9", "192.168.65.1")
    found, passed = way(answer)
    assert (found, set(passed)) == (reason, devices)
    if reason == "looping":
        (path,) = answer.paths
        assert {step.partition(":")[0] for step in path.cycle} == devices


REQUIRED = yaml.safe_load((CORPUS / "providers" / "required-flows.yaml").read_text("utf-8"))["flows"]


@pytest.mark.parametrize("required", REQUIRED, ids=lambda required: required["name"].replace(" ", "-"))
def test_required_flows_hold(required: dict[str, str]) -> None:
    loaded = read(CORPUS / "providers")
    answer = ask_flow(loaded, read_flow_line(required["flow"], loaded.config).flow)
    assert answer.verdict is (Verdict.PERMITTED if required["expect"] == "open" else Verdict.DENIED)
    if required.get("reply"):
        assert answer.reply is not None
        assert answer.reply.verdict is Verdict.PERMITTED


@pytest.mark.parametrize("case", published(SOURCE, "advertisement"))
def test_routes_of_the_backbone_are_the_advertisements(case: Case) -> None:
    # RFC 4632 section 6.2, stated: what each provider advertises, primary or secondary.
    routes = read(CORPUS / "providers").config.devices["bb"].static_routes
    neighbour = {"PA": "192.0.2.2", "PB": "192.0.2.6"}[case.inputs["provider"]]
    links = [Prefix.parse("198.51.100.0/27"), Prefix.parse("203.0.113.0/29")]
    found = {
        (str(route.prefix), "primary" if route.distance == 1 else "secondary")
        for route in routes
        if str(route.next_hop) == neighbour and route.prefix not in links
    }
    assert found == {(entry["prefix"], entry["role"]) for entry in case.expected["advertised"]}


def test_clients_have_the_prefixes_of_the_source() -> None:
    # RFC 4632 section 6.1, stated.
    devices = read(CORPUS / "providers").config.devices
    for client in document(SOURCE)["customers"]:
        subnets = {
            address.prefix
            for interface in devices[client["name"].lower()].interfaces.values()
            for address in interface.addresses
        }
        assert Prefix.parse(client["prefix"]) in subnets
