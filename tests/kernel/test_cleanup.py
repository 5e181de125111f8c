"""Nothing is left behind: not after an end, a failure, an interrupt, nor after the process is killed."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from kernel.lab import require_lab
from model_builders import device, fleet, interface, packet

from pathcheck.errors import LaboratoryError
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.rehearsal import Laboratory, Sending, laboratory

TESTS = Path(__file__).parents[1]

HOLDING = """
import signal, sys
# A process that a shell started in the background ignores the interrupt from its keyboard.
signal.signal(signal.SIGINT, signal.default_int_handler)
sys.path.insert(0, {tests!r})
from model_builders import device, fleet, interface, packet
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.rehearsal import Laboratory, Sending

one = device("quay-a", interface("Ethernet1", "10.1.1.1/24"), interface("Ethernet2", "10.1.2.1/24"))
with Laboratory(fleet(one), ["quay-a"]) as laboratory:
    print(*laboratory.namespaces, flush=True)
    while True:
        laboratory.send([Sending(packet("10.1.1.7", "10.1.2.7"), LinkEnd("quay-a", "Ethernet1"))] * 100)
"""


@pytest.fixture(scope="module", autouse=True)
def machine() -> None:
    require_lab()


def namespaces_held() -> set[int]:
    """Return every network namespace that some process, file or mount of this machine keeps alive."""
    found = set()
    for process in Path("/proc").glob("[0-9]*"):
        for path in (process / "ns/net", *_listed(process / "fd"), *_listed(process / "task")):
            try:
                target = os.readlink(path / "ns/net" if path.parent.name == "task" else path)
            except OSError:
                continue
            if match := re.fullmatch(r"net:\[(\d+)\]", target):
                found.add(int(match[1]))
    return found | {path.stat().st_ino for path in _listed(Path("/run/netns"))}


def _listed(folder: Path) -> list[Path]:
    try:
        return list(folder.iterdir())
    except OSError:
        return []


def interfaces_here() -> str:
    return subprocess.run(["ip", "-o", "link"], capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_a_process_that_is_stopped_leaves_nothing(number: signal.Signals) -> None:
    before = interfaces_here()
    code = HOLDING.format(tests=str(TESTS))
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as running:
        try:
            assert running.stdout is not None
            made = set(map(int, running.stdout.readline().split()))
            assert len(made) == 2
            assert made <= namespaces_held()
            time.sleep(0.1)
            running.send_signal(number)
            assert running.wait(60) != 0
        finally:
            running.kill()
    assert not made & namespaces_held()
    assert interfaces_here() == before


def test_a_failure_while_building_leaves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[int] = []

    def refuse(*_: object) -> None:
        made.extend(namespace.identity for namespace in keeping[0]._namespaces)
        raise LaboratoryError("refused on purpose")

    keeping: list[Laboratory] = []
    first = Laboratory._build

    def build(self: Laboratory) -> None:
        keeping.append(self)
        first(self)

    monkeypatch.setattr(Laboratory, "_build", build)
    monkeypatch.setattr(laboratory, "install_routes", refuse)
    one = device("quay-a", interface("Ethernet1", "10.1.1.1/24"))
    with pytest.raises(LaboratoryError, match="on purpose"):
        Laboratory(fleet(one), ["quay-a"])
    assert len(made) == 2
    assert not set(made) & namespaces_held()


def test_this_process_stays_where_it_is() -> None:
    """Nothing outside of the laboratory's namespaces changes: no interface, no route, no rule, no setting."""

    def state() -> list[str]:
        commands = (
            ["ip", "-o", "link"],
            ["ip", "route"],
            ["ip", "-6", "route"],
            ["nft", "list", "ruleset"],
            ["ip", "netns"],
        )
        shown = [subprocess.run(one, capture_output=True, text=True, check=False).stdout for one in commands]
        settings = (
            "ipv4/ip_forward",
            "ipv6/conf/all/forwarding",
            "ipv4/conf/all/rp_filter",
            "ipv6/conf/default/accept_dad",
        )
        return (
            shown + [Path(f"/proc/sys/net/{one}").read_text() for one in settings] + [os.readlink("/proc/self/ns/net")]
        )

    before = state()
    one = device("quay-a", interface("Ethernet1", "10.1.1.1/24"), interface("Ethernet2", "10.1.2.1/24"))
    with Laboratory(fleet(one), ["quay-a"]) as running:
        running.send([Sending(packet("10.1.1.7", "10.1.2.7"), LinkEnd("quay-a", "Ethernet1"))])
        assert state() == before
    assert state() == before
