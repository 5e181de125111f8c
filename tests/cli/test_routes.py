"""`pathcheck routes`: status, the shape of both documents, and errors that say what to do."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.errors import UnknownNameError, UsageError

CASES = Path(__file__).parents[1] / "cases"
FERRY = Path(__file__).parents[2] / "corpora" / "ferry-operator" / "fleet"


def run(*words: str, fleet: Path = FERRY) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["routes", "--fleet", str(fleet), *words], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.return_value, result.stdout


def test_status_is_that_of_the_gravest_finding() -> None:
    assert run(fleet=CASES / "PC201" / "near-miss.cfg")[0] == 0
    assert run(fleet=CASES / "PC201" / "fires.cfg")[0] == 1
    assert run(fleet=CASES / "PC210" / "fires.cfg")[0] == 0, "a note is below the threshold"


def test_json_names_the_planted_faults_of_the_ferry_operator() -> None:
    status, text = run("--json")
    document = json.loads(text)
    assert (status, document["schema"]) == (1, "pathcheck/findings/1")
    errors = {
        (item["code"], item["file"], item["text"]) for item in document["findings"] if item["severity"] == "error"
    }
    assert errors == {
        ("PC201", "office-west.cfg", "ip route 0.0.0.0/0 10.10.10.14"),
        ("PC212", "terminal-south.cfg", "ip route 0.0.0.0 0.0.0.0 10.10.0.2 name core-1"),
        ("PC212", "terminal-south.cfg", "ipv6 route ::/0 2001:db8:0:2::"),
    }
    loops = [hole for hole in document["black_holes"] if hole["reason"] == "looping"]
    assert all(hole["cycle"] == ["terminal-south", "core-1"] for hole in loops)
    assert "10.30.0.0/20" in [prefix for hole in loops for prefix in hole["destinations"]]
    assert {row["reply"]["device"] for row in document["one_way"]} == {"office-west"}


def test_only_what_concerns_one_device() -> None:
    _, text = run("--json", "--device", "office-west")
    document = json.loads(text)
    assert [item["code"] for item in document["findings"]] == ["PC201"]
    assert {hole["device"] for hole in document["black_holes"]} == {"office-west"}


def test_text_has_the_exact_sets_first() -> None:
    _, text = run()
    assert "looping terminal-south > core-1 > terminal-south" in text
    assert "10.30.0.0/16 except 10.30.20.0/24, 10.30.30.0/24, 10.30.40.0/24, 10.30.99.0/24" in text
    assert text.index("destinations that do not arrive") < text.index("error PC201 inactive-route")


def test_lookup_shows_winner_and_rivals() -> None:
    status, text = run("--lookup", "core-1", "10.20.20.7", "--json")
    document = json.loads(text)
    assert (status, document["schema"]) == (0, "pathcheck/lookup/1")
    assert (document["verdict"], document["reason"], document["vrf"]) == ("routed", None, None)
    winner = document["winner"]
    assert (winner["prefix"], winner["next_hop"], winner["distance"]) == ("10.20.0.0/16", "10.10.0.1", 1)
    assert winner["ways"] == [{"interface": "Ethernet1", "next_hop": "10.10.0.1"}]
    assert [(row["prefix"], row["lost"]) for row in document["rivals"]] == [
        ("10.20.0.0/16", "higher-distance"),
        ("0.0.0.0/0", "shorter"),
    ]
    _, text = run("--lookup", "core-1", "10.20.20.7")
    assert "ROUTED" in text
    assert "higher distance: 250, the winner has 1" in text


@pytest.mark.parametrize(
    ("device", "address", "status", "word"),
    [
        ("office-west", "10.10.90.20", 1, "STRANDED"),
        ("terminal-north", "10.20.77.1", 1, "DISCARDED"),
        ("core-1", "2001:db8:0:1::1", 0, "ROUTED"),
        ("terminal-north", "198.51.100.1", 0, "shares"),
    ],
)
def test_status_of_a_lookup(device: str, address: str, status: int, word: str) -> None:
    found, text = run("--lookup", device, address)
    assert (found, word in text) == (status, True)


def test_lookup_is_uncertain_where_a_protocol_may_know_better(tmp_path: Path) -> None:
    (tmp_path / "core.cfg").write_text(
        "hostname core\nip routing\ninterface Ethernet1\n no switchport\n ip address 10.0.0.1 255.255.255.0\n"
        "ip route 0.0.0.0 0.0.0.0 10.0.0.2\nrouter ospf 1\n network 10.0.0.0 0.0.0.255 area 0\n"
    )
    status, text = run("--lookup", "core", "198.51.100.1", fleet=tmp_path)
    assert (status, "UNMODELLED" in text, "uncertain:" in text) == (3, True, True)
    assert run("--lookup", "core", "10.0.0.9", fleet=tmp_path)[0] == 0, "a connected route stays"


@pytest.mark.parametrize(
    ("words", "error", "said"),
    [
        (("--lookup", "core-3", "10.0.0.1"), UnknownNameError, "did you mean"),
        (("--lookup", "core-1", "10.0.0"), UsageError, "four octets"),
        (("--lookup", "core-1", "10.0.0.1", "--vrf", "BLUE"), UnknownNameError, "no VRF `BLUE`"),
        (("--vrf", "BLUE"), UsageError, "--lookup DEVICE ADDRESS"),
        (("--device", "core-3"), UnknownNameError, "did you mean"),
        (("--device", "core-1", "--lookup", "core-1", "10.0.0.1"), UsageError, "--device"),
    ],
)
def test_errors(words: tuple[str, ...], error: type[Exception], said: str) -> None:
    with pytest.raises(error) as caught:
        run(*words)
    assert said in str(caught.value)
