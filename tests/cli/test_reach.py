"""`pathcheck reach`: tables that stay readable, complete JSON, exit status."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.errors import FlowError, UsageError
from pathcheck.packet.prefix import Prefix
from pathcheck.reports.reach_table import render_reach
from pathcheck.reports.terminal import Paint
from pathcheck.results.reach import ReachAnswer, ReachCell, ReachEnd
from pathcheck.results.verdict import Verdict

FERRY = str(Path(__file__).parents[2] / "corpora" / "ferry-operator" / "fleet")


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["reach", "--fleet", FERRY, *words], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.return_value, result.stdout


def made(count: int) -> ReachAnswer:
    """A matrix in which only each subnet's own stations and one service are reached."""
    ends = tuple(
        ReachEnd(f"10.1.{number}.0/24", "subnet", (Prefix.parse(f"10.1.{number}.0/24"),)) for number in range(count)
    )
    cells = tuple(
        ReachCell(row.name, column.name, 4, Verdict.PERMITTED if column in (row, ends[0]) else Verdict.DENIED)
        for row in ends
        for column in ends
    )
    return ReachAnswer("tcp/443", False, ends, ends, cells)


def test_few_ends_have_words() -> None:
    status, text = run("--service", "tcp/443", "--from", "counters", "--to", "booking", "--to", "controller")
    assert status == 0
    assert "          booking    controller\ncounters  partly     closed" in text
    assert "passes: tcp 10.20.20.0/24 to 10.10.90.20/31 port 443" in text


@pytest.mark.parametrize("count", [5, 12, 50, 200])
def test_tables_stay_narrow(count: int) -> None:
    text = render_reach(made(count), Paint())
    assert max(map(len, text.split("\n\nThis is")[0].splitlines())) <= 240
    if count == 5:
        assert "10.1.3.0/24  open         closed       closed       open         closed" in text
    if count == 50:
        assert "12  10.1.11.0/24  O - - - - - - - - - - O -" in text
        assert max(map(len, text.split("\n\nThis is")[0].splitlines())) <= 110
    if count == 200:
        assert "closed to 198 of 200, all that are not named here" in text
        assert len(text.splitlines()) < 20, "rows that are alike are told together"


def test_json_holds_each_cell_once() -> None:
    status, text = run("--service", "tcp/443", "--from", "10.20.0.0/16", "--json", "--reply")
    document = json.loads(text)
    assert (status, document["schema"], document["reply"]) == (0, "pathcheck/reach/1", True)
    assert document["sources"][0] == {
        "name": "10.20.20.0/24",
        "kind": "subnet",
        "prefixes": ["10.20.20.0/24"],
        "interfaces": ["terminal-north:Vlan20"],
    }
    pairs = {(cell["source"], cell["destination"]) for cell in document["cells"]}
    assert len(pairs) == len(document["cells"]) == 4 * 19
    assert sum(document["counts"].values()) == len(document["cells"])
    cell = next(it for it in document["cells"] if (it["source"], it["destination"]) == ("10.20.20.0/24", "booking"))
    assert (cell["passage"], cell["verdict"], cell["reply"]) == ("open", "permitted", "permitted")


def test_sources_of_a_port() -> None:
    status, text = run("--sources-of", "10.10.90.20:443", "--service", "tcp")
    assert status == 0
    assert text.startswith("10.10.90.20 by tcp/443: reached from 8 of 15 entry points")
    assert "terminal-north:Vlan20  (IPv4, 10.20.20.0/24)\n  open from stations 10.20.20.0/24\n" in text
    document = json.loads(run("--sources-of", "booking", "--service", "tcp/443", "--json")[1])
    assert document["schema"] == "pathcheck/reach-sources/1"
    entry = next(item for item in document["entries"] if item["entry"] == "terminal-south:Vlan20")
    assert entry["stations"] == {"open": [], "partly": ["10.30.20.0/24"], "uncertain": []}


def test_status_tells_of_doubt_only_if_asked() -> None:
    words = ("--service", "tcp/443", "--from", "passengers", "--to", "192.0.2.0/30")
    assert run(*words)[0] == 0
    assert run(*words, "--strict")[0] == 3
    assert run("--service", "tcp/443", "--from", "counters", "--to", "booking", "--strict")[0] == 0


def test_contradictions_are_usage_errors() -> None:
    with pytest.raises(UsageError, match="without `--from`"):
        run("--sources-of", "booking", "--to", "controller")
    with pytest.raises(UsageError, match="stands both in"):
        run("--sources-of", "10.10.90.20:443", "--service", "tcp/80")
    with pytest.raises(FlowError, match="did you mean `tcp/443`"):
        run("--service", "443/tcp")
