"""The demo fleet gives the answers that its README promises."""

from __future__ import annotations

from pathlib import Path

import pytest

import pathcheck
from pathcheck.results.verdict import Reason, Verdict

FLEET = Path(__file__).parents[2] / "corpora" / "ferry-operator" / "fleet"


@pytest.fixture(scope="module")
def fleet() -> pathcheck.Fleet:
    return pathcheck.load(FLEET)


def test_every_line_is_understood(fleet: pathcheck.Fleet) -> None:
    assert len(fleet.devices) == 11
    for account in fleet.report.files:
        assert account.refused is None
        assert sum(account.counts.values()) == account.lines
        assert not account.counts.get("unknown") and not account.counts.get("wrong"), account.file
    assert not [item for item in fleet.report.findings if item.severity == "error"]


@pytest.mark.parametrize(
    ("words", "verdict", "reason", "reply"),
    [
        ("tcp 10.20.20.7 10.10.90.20:443", Verdict.PERMITTED, Reason.ARRIVED, Verdict.PERMITTED),
        ("tcp 10.20.20.0/24 10.10.90.20:443", Verdict.PERMITTED, Reason.ARRIVED, Verdict.PERMITTED),
        ("tcp 10.20.20.7 10.10.90.25:9100", Verdict.DENIED, Reason.FILTERED, None),
        ("tcp 10.30.20.7 10.10.90.21:443", Verdict.DENIED, Reason.FILTERED, None),
        ("tcp controller quay-a:22", Verdict.PERMITTED, Reason.ARRIVED, Verdict.PERMITTED),
        ("tcp controller quay-b:22", Verdict.PERMITTED, Reason.ARRIVED, Verdict.PERMITTED),
        ("tcp controller quay-c:22", Verdict.DENIED, Reason.STRANDED, None),
        ("tcp controller quay-d:22", Verdict.PERMITTED, Reason.ARRIVED, Verdict.PERMITTED),
        ("tcp 10.10.90.21 quay-a:22", Verdict.DENIED, Reason.FILTERED, None),
        ("ip 10.10.90.5 10.30.77.1 --at core-1", Verdict.DENIED, Reason.LOOPING, None),
        ("ip 10.10.90.5 10.20.77.1 --at core-1", Verdict.DENIED, Reason.DISCARDED, None),
        ("tcp 10.40.2.7 10.10.90.20:443", Verdict.DENIED, Reason.STRANDED, None),
        ("tcp 10.40.1.7 10.10.90.20:443", Verdict.PERMITTED, Reason.ARRIVED, Verdict.PERMITTED),
        ("udp 10.20.20.7 10.10.90.32:53", Verdict.PERMITTED, Reason.ARRIVED, Verdict.DENIED),
        ("icmp 10.20.20.7 10.10.90.20 --icmp echo", Verdict.PERMITTED, Reason.ARRIVED, Verdict.PERMITTED),
        ("tcp 10.20.40.9 198.51.100.7:443", Verdict.UNCERTAIN, Reason.UNMODELLED, None),
        ("ip passengers 10.10.90.0/24", Verdict.PARTLY, None, Verdict.DENIED),
        ("tcp [2001:db8:30:20::7] [2001:db8:10:90::20]:443", Verdict.PERMITTED, Reason.ARRIVED, Verdict.PERMITTED),
        ("icmp 2001:db8:30:20::7 2001:db8:30:20::1 --icmp 135/0", Verdict.DENIED, Reason.FILTERED, None),
        ("tcp 10.20.20.7 10.20.20.8:80", Verdict.PERMITTED, Reason.ARRIVED, Verdict.PERMITTED),
    ],
)
def test_answers(
    fleet: pathcheck.Fleet, words: str, verdict: Verdict, reason: Reason | None, reply: Verdict | None
) -> None:
    answer = fleet.flow(words)
    assert (answer.verdict, answer.reason) == (verdict, reason)
    assert (None if answer.reply is None else answer.reply.verdict) == reply


def test_the_shadowed_booking_server_is_reviewed() -> None:
    from pathcheck.fleet import load_fleet
    from pathcheck.queries.line_review import review_fleet

    errors = [item for item in review_fleet(load_fleet(FLEET)) if item.severity == "error"]
    assert [(item.code, item.device, item.span.line if item.span else 0) for item in errors] == [
        ("PC101", "terminal-south", 87)
    ]
    assert [span.line for span in errors[0].because] == [85]
