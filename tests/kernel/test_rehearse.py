"""`pathcheck rehearse` as a command: what it says, its exit statuses, and its bounds."""

from __future__ import annotations

import json
import re
import shlex
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from kernel.judging import host
from kernel.lab import require_lab
from kernel.random_fleets import Drawing
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.fleet import LoadedFleet, load_fleet
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.parser.flow_words import read_flow_line
from pathcheck.queries.rehearse import ask_rehearsal
from pathcheck.rehearsal import Laboratory
from pathcheck.reports.rehearsal_json import rehearsal_document
from pathcheck.reports.rehearsal_text import render_rehearsal
from pathcheck.reports.terminal import Paint
from pathcheck.results.account import ReadingReport
from pathcheck.results.rehearsal import Rehearsal, Standing

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "corpora" / "ferry-operator" / "fleet"
SCHEMA = json.loads((ROOT / "docs" / "schemas" / "rehearse.json").read_text("utf-8"))


@pytest.fixture(scope="module", autouse=True)
def machine() -> None:
    require_lab()


def asked(words: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["rehearse", *shlex.split(words), "--fleet", str(DEMO)], standalone_mode=False)
    if done.exception is not None:
        raise done.exception
    return done.return_value, done.stdout  # type: ignore[return-value]


def document(words: str) -> tuple[int, dict[str, Any]]:
    status, text = asked(f"{words} --json")
    made = json.loads(text)
    assert list(jsonschema.Draft202012Validator(SCHEMA).iter_errors(made)) == []
    return status, made


def test_a_flow_that_passes_with_its_reply() -> None:
    status, made = document("tcp 10.20.20.7 10.10.90.20:443 --packets 60")
    assert status == 0 and made["answer"] == "agree"
    assert made["verdict"] == "permitted" and made["reply"]["verdict"] == "permitted"
    assert made["packets"] == {"agree": 120, "disagree": 0, "open": 0, "untold": 0}
    # Two equal ways, of which the kernel takes both; each group's way is among those of the model.
    ways = {group["kernel"]["hops"][1]["device"] for group in made["groups"] if group["direction"] == "flow"}
    assert ways == {"core-1", "core-2"}
    assert all(group["kernel"]["line"] in [fate["line"] for fate in group["model"]] for group in made["groups"])


def test_a_flow_that_is_denied_names_the_line() -> None:
    status, text = asked("tcp 10.30.20.7 10.10.90.21:443 --packets 20")
    assert status == 0
    assert text.startswith("AGREES  the kernel did with each packet what the model says\n")
    assert "20 packets that arrive at terminal-south:Vlan20: agree\n    both    denied, filtered" in text
    assert re.search(r"by TICKETS-IN: deny ip .* \(terminal-south\.cfg:\d+\)", text)
    assert text.rstrip().endswith("responsible engineer.")


def test_what_the_model_leaves_open_is_no_agreement() -> None:
    status, made = document("tcp 10.20.40.9 198.51.100.7:443 --packets 20")
    assert status == 3 and made["answer"] == "uncertain"
    assert made["packets"]["open"] == 20
    assert made["groups"][0]["model"][0]["why"] == "address translation"


def test_fragments_and_packets_that_a_device_sends() -> None:
    status, made = document("udp 10.20.20.7 10.10.90.20 --fragment --packets 10 --no-reply")
    assert status == 0 and made["groups"][0]["sample"]["fragment"] is True
    status, made = document("tcp terminal-north 10.10.90.20:443 --packets 10")
    assert status == 0 and made["groups"][0]["interface"] is None


def test_bounds_are_kept() -> None:
    status, made = document("tcp 10.20.20.7 10.10.90.20:443 --namespaces 2")
    assert status == 3 and "--namespaces" in made["obstacle"] and made["groups"] == [] and made["namespaces"] == 0
    status, made = document("tcp counters booking:443 --packets 7 --no-reply")
    assert status == 0 and sum(made["packets"].values()) == 7


def test_time_is_bounded() -> None:
    loaded = load_fleet(DEMO)
    flow = read_flow_line("tcp 10.20.20.7 10.10.90.20:443", loaded.config).flow
    rehearsal = ask_rehearsal(loaded, flow, seconds=0.02)
    assert rehearsal.agrees is None and rehearsal.groups == ()
    assert rehearsal.obstacle is not None and "`--seconds` allows more" in rehearsal.obstacle
    assert "not rehearsed: " in render_rehearsal(rehearsal, Paint())


def test_packets_within_one_subnet_need_no_device() -> None:
    status, made = document("tcp 10.20.20.7 10.20.20.8:443")
    assert status == 3 and "one subnet" in made["obstacle"]


def test_a_machine_that_cannot_is_said_to_be_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    with pytest.raises(Exception, match="nothing can be rehearsed here: the program `ip` is not installed"):
        asked("tcp 10.20.20.7 10.10.90.20:443")


def test_a_list_on_a_switch_port_is_not_built(tmp_path: Path) -> None:
    """The kernel would let pass what the list on the port drops: that is no disagreement, and no agreement."""
    (tmp_path / "quay-a.cfg").write_text(
        """hostname quay-a
vlan 20
interface Ethernet1
 switchport mode access
 switchport access vlan 20
 ip access-group TILLS in
interface Vlan20
 ip address 10.1.20.1 255.255.255.0
interface Ethernet2
 no switchport
 ip address 10.1.99.1 255.255.255.0
ip access-list extended TILLS
 deny ip any host 10.1.99.10
 permit ip any any
"""
    )
    loaded = load_fleet(tmp_path)
    flow = read_flow_line("tcp 10.1.20.7 10.1.99.10:443", loaded.config).flow
    rehearsal = ask_rehearsal(loaded, flow, packets=5)
    assert rehearsal.agrees is None
    assert rehearsal.counts[Standing.UNTOLD] == 5, rehearsal
    assert "a list on the switch port quay-a:Ethernet1" in rehearsal.groups[0].kernel.why


@pytest.mark.parametrize("seed", range(4))
def test_random_fleets_are_rehearsed_without_disagreement(seed: int) -> None:
    """All packets from an interface of a random fleet, as a user would ask; only what they touch is loaded."""
    drawing = Drawing(f"rehearsed {seed}", most=6)
    loaded = LoadedFleet(Path(), drawing.config, ReadingReport((), ()))
    version = drawing.chance.choice((4, 6))
    name = drawing.chance.choice(drawing.names)
    port = drawing.chance.choice([it for it in drawing.interfaces[name] if not it.shutdown])
    everywhere = tuple(host(address) for address in drawing.stations[version])
    flow = Flow(None, everywhere, everywhere, at=EntryPoint(name, port.name))
    rehearsal = ask_rehearsal(loaded, flow, packets=400)
    assert rehearsal.counts[Standing.DISAGREE] == 0, [it for it in rehearsal.groups if it.difference]
    assert rehearsal.counts[Standing.AGREE] >= 200


def swapped(loaded: LoadedFleet, name: str) -> LoadedFleet:
    """The fleet, but for one list of a device, whose lines all let pass."""
    one = loaded.config.devices[name]
    lists = dict(one.access_lists)
    del lists["ipv4", "TICKETS-IN"]
    devices = {**loaded.config.devices, name: replace(one, access_lists=lists)}
    return replace(loaded, config=replace(loaded.config, devices=devices))


def test_a_disagreement_is_shown_with_both_sides(monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel is given another list than the model: the command has to say so, and end with 1."""
    loaded = load_fleet(DEMO)
    other = swapped(loaded, "terminal-south")
    build = Laboratory.__init__

    def build_other(self: Laboratory, _: object, devices: list[str], *, seconds: float) -> None:
        build(self, other.config, devices, seconds=seconds)

    monkeypatch.setattr(Laboratory, "__init__", build_other)
    flow = read_flow_line("tcp 10.30.20.7 10.10.90.21:443", loaded.config).flow
    rehearsal: Rehearsal = ask_rehearsal(loaded, flow, packets=10)
    assert rehearsal.agrees is False and rehearsal.counts[Standing.DISAGREE] >= 10
    text = render_rehearsal(rehearsal, Paint())
    assert text.startswith("DISAGREES  the kernel did otherwise than the model says: one of the two is wrong\n")
    assert "    model   denied, filtered  terminal-south(Vlan20)" in text
    assert "    kernel  permitted, arrived  terminal-south(Vlan20 > Ethernet" in text
    assert "they differ: arrived against filtered" in text
    assert (
        list(jsonschema.Draft202012Validator(SCHEMA).iter_errors(json.loads(json.dumps(rehearsal_document(rehearsal)))))
        == []
    )
    status, _ = asked("tcp 10.30.20.7 10.10.90.21:443 --packets 10")
    assert status == 1


def test_the_page_shows_what_the_program_prints() -> None:
    """The blocks of the page with a root prompt; numbers of packets per way are the kernel's choice."""
    page = (ROOT / "docs" / "rehearse.md").read_text("utf-8")
    blocks = re.findall(r"```text\n# pathcheck rehearse ([^\n]*)\n(.*?)```", page, re.S)
    assert blocks
    for words, output in blocks:
        _, text = asked(words.replace("--fleet pathcheck-demo", ""))
        assert _without_numbers(text) == _without_numbers(output), words


def _without_numbers(text: str) -> list[str]:
    """Lines of a rehearsal without what differs from run to run: numbers of packets, samples, and the kernel."""
    kept = [line for line in text.strip().splitlines() if not line.startswith(("    for example", "  kernel:"))]
    shown = re.sub(r"^  \d+ (packets?|repl)", r"  N \1", "\n".join(kept), flags=re.M)
    return sorted(shown.split("\n\n"))
