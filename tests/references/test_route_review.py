"""The review of routes on published topologies and tables: RFC 4632 sections 5.1, 5.2, 6.2; RFC 1812 section 5.2.4."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from references.list_checks import device_of
from references.published import document
from references.route_checks import table_text

from pathcheck.fleet import load_fleet
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.packet.address import Address
from pathcheck.queries.route_lookup import look_up_route
from pathcheck.queries.route_review import RouteReview
from pathcheck.results.black_hole import BlackHole
from pathcheck.results.route_lookup import Lost
from pathcheck.results.verdict import Reason

CORPUS = Path(__file__).parents[2] / "corpora" / "rfc4632-topology"

CHILD_DOWN = ("child.cfg", " description the internal network\n", " description the internal network\n shutdown\n")
CHILD_DISCARD = ("child.cfg", "ip route 192.168.64.0 255.255.224.0 Null0\n", "")
CHILD_DEFAULT = ("child.cfg", "ip route 192.168.0.0 255.255.0.0 198.51.100.1", "ip route 0.0.0.0 0.0.0.0 198.51.100.1")
PA_DISCARD = ("pa.cfg", "ip route 10.24.0.0 255.248.0.0 Null0\n", "")


def review(tmp_path: Path, fleet: str, *edits: tuple[str, str, str]) -> RouteReview:
    folder = tmp_path / fleet
    shutil.copytree(CORPUS / fleet, folder)
    for name, old, new in edits:
        text = (folder / name).read_text("utf-8")
        assert text.count(old) == 1
        (folder / name).write_text(text.replace(old, new), "utf-8")
    return RouteReview(load_fleet(folder).config)


def looping(found: RouteReview) -> list[BlackHole]:
    return [hole for hole in found.report.black_holes if hole.reason is Reason.LOOPING]


def test_client_of_both_providers_needs_its_longer_route(tmp_path: Path) -> None:
    # RFC 4632 section 6.2: without the longer prefix through PA, the one through PB would win for C4.
    (found,) = review(tmp_path, "providers").findings
    assert (found.code, found.device) == ("PC206", "bb")
    assert found.span is not None
    assert "10.24.12.0" in found.span.text
    assert [span.words.split()[-1] for span in found.because] == ["192.0.2.2", "200"]


def test_provider_without_its_discard_route(tmp_path: Path) -> None:
    # RFC 4632 section 5.1 rule 2; what no client has is derived from the table in section 6.1.
    found = review(tmp_path, "providers", PA_DISCARD)
    assert {item.code for item in found.findings} == {"PC206", "PC212"}
    (hole,) = looping(found)
    assert hole.cycle == ("pa", "bb")
    assert hole.entries == ("bb", "c1", "c2", "c3", "c4", "c5", "c6", "c7", "pa", "pb")
    assert [str(prefix) for prefix in hole.destinations] == [
        "10.24.36.0/22", "10.24.40.0/21", "10.24.48.0/20", "10.24.64.0/18", "10.24.128.0/17", "10.25.0.0/16",
        "10.26.0.0/15", "10.28.0.0/14",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("edits", "codes", "lost"),
    [
        pytest.param((), set(), None, id="before-the-failure"),
        pytest.param((CHILD_DOWN,), set(), None, id="the-discard-route-acts"),
        pytest.param((CHILD_DOWN, CHILD_DISCARD), {"PC212"}, ["192.168.64.0/19"], id="the-loop"),
        pytest.param((CHILD_DOWN, CHILD_DISCARD, CHILD_DEFAULT), {"PC212"}, ["192.168.64.0/19"], id="by-the-default"),
    ],
)
def test_parent_and_child(
    tmp_path: Path, edits: tuple[tuple[str, str, str], ...], codes: set[str], lost: list[str] | None
) -> None:
    # RFC 4632 section 5.2, stated: the loop between parent and child, and the discard route that stops it.
    found = review(tmp_path, "parent-and-child", *edits)
    assert {item.code for item in found.findings} == codes
    holes = looping(found)
    if lost is None:
        assert holes == []
    else:
        destinations = [str(prefix) for hole in holes for prefix in hole.destinations]
        assert set(lost) <= set(destinations)
        assert all(set(hole.cycle) == {"parent", "child"} for hole in holes)


def lookups() -> list[Any]:
    """Each published longest match in a table of a source."""
    return [
        pytest.param(source, case, id=case["id"])
        for source in ("rfc4632-cidr", "rfc1519-cidr-original", "rfc1812-forwarding")
        for case in document(source)["cases"]
        if case["kind"] == "lpm"
    ]


@pytest.mark.parametrize(("source", "case"), lookups())
def test_lookup_shows_the_published_winner_and_rivals_in_order(source: str, case: dict[str, Any]) -> None:
    # RFC 1812 section 5.2.4.3: what a longer match prunes is the rest, from the longest down to the basic match.
    table = document(source)["tables"][case["inputs"]["table"]]
    device = device_of(table_text(table)[0])
    destination = Address.parse(case["inputs"]["destination"])
    found = look_up_route(FleetConfig({device.name: device}), device.name, destination)
    expected = case["expected"]["matched_prefix"]
    assert (None if found.winner is None else str(found.winner.prefix)) == expected
    assert found.reason is (
        Reason.UNROUTED if expected is None else Reason.DISCARDED if found.winner and found.winner.discard else None
    )
    lengths = [row.prefix.length for row in found.rivals]
    assert lengths == sorted(lengths, reverse=True)
    for row in found.rivals:
        assert found.winner is not None
        assert row.lost is (Lost.HIGHER_DISTANCE if row.prefix == found.winner.prefix else Lost.SHORTER)
