"""Waivers and baselines: each fault with its place, all of a file in one run."""

from __future__ import annotations

from datetime import date

import pytest

from pathcheck.errors import InputError
from pathcheck.parser.baseline import read_baseline
from pathcheck.parser.waivers import read_waivers
from pathcheck.reports.baseline_file import render_baseline

CODES = ("PC101", "PC112", "PC384")
REST = "reason: why, owner: net, until: 2026-05-31"
PRINT = "0123456789abcdef0123456789abcdef"


def waivers(text: str) -> tuple:
    return read_waivers("waivers.yaml", text.encode(), CODES, ("PC384",))


def test_each_key() -> None:
    text = f"""
waivers:
  - fingerprint: {PRINT}
    reason: goes in May
    owner: "#net"
    until: 2026-05-31
  - {{code: PC101, file: a.cfg, device: quay-a, acl: '101', text: permit ip any any, {REST}}}
"""
    first, second = waivers(text)
    assert (first.fingerprint, first.code, first.owner, first.until) == (PRINT, None, "#net", date(2026, 5, 31))
    assert (second.code, second.file) == ("PC101", "a.cfg")
    assert (second.code, second.device, second.acl, second.text) == ("PC101", "quay-a", "101", "permit ip any any")
    assert (second.span.line, second.span.column) == (7, 5)
    assert waivers("waivers:\n") == waivers("waivers: []\n") == ()


@pytest.mark.parametrize(
    ("entry", "place", "words"),
    [
        (f"{{code: PC101, {REST}}}", (2, 3), "a waiver of a whole code would hide findings"),
        (f"{{device: quay-a, {REST}}}", (2, 3), "needs the key `fingerprint`, or `code` with"),
        (f"{{code: PC999, device: a, {REST}}}", (2, 10), "no finding has the code `PC999`"),
        (f"{{code: PC384, device: a, {REST}}}", (2, 10), "`PC384` is about waivers and cannot be waived"),
        (f"{{fingerprint: 12ab, {REST}}}", (2, 17), "expected a fingerprint of 32 hexadecimal digits"),
        ("{code: PC101, device: a, owner: net, until: 2026-05-31}", (2, 3), "needs the key `reason`"),
        ("{code: PC101, device: a, reason: x, until: 2026-05-31}", (2, 3), "needs the key `owner`"),
        ("{code: PC101, device: a, reason: x, owner: net}", (2, 3), "needs the key `until`"),
        ("{code: PC101, device: a, reason: , owner: net, until: 2026-05-31}", (2, 36), "expected why, found nothing"),
        ("{code: PC101, device: a, reason: x, owner: net, until: 2026-02-30}", (2, 58), "no day of the calendar"),
        ("{code: PC101, device: a, reason: x, owner: net, until: 31.5.2026}", (2, 58), "no date of that form"),
        ("{code: PC101, devise: a, reason: x, owner: net, until: 2026-05-31}", (2, 17), "unknown key `devise`"),
        ("none", (2, 3), "expected a waiver, found `none`"),
    ],
)
def test_faults_of_a_waiver(entry: str, place: tuple[int, int], words: str) -> None:
    with pytest.raises(InputError) as caught:
        waivers(f"waivers:\n- {entry}\n- {{code: PC101, device: a, {REST}}}\n- 7\n")
    assert words in caught.value.message
    assert (caught.value.span.line, caught.value.span.column) == place
    assert len(caught.value.others) == 1, "the other faulty waiver is told as well"


@pytest.mark.parametrize("text", ["", "waiver: []", "[]", "waivers: 3", "waivers: [", "waivers: !x []"])
def test_faults_of_the_files(text: str) -> None:
    with pytest.raises(InputError):
        waivers(text)
    with pytest.raises(InputError):
        read_baseline("known.yaml", text.replace("waivers", "findings").encode())


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ("{code: PC101}", "needs the key `fingerprint`"),
        ("{fingerprint: x}", "expected a fingerprint of 32 hexadecimal digits, found `x`"),
        (f"{{fingerprint: {PRINT}, since: 2020}}", "unknown key `since`"),
        (f"{{fingerprint: {PRINT}}}\n- {{fingerprint: {PRINT}}}", "stands twice; the first is in line 2"),
    ],
)
def test_faults_of_a_baseline(entry: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read_baseline("known.yaml", f"findings:\n- {entry}\n".encode())


def test_what_is_written_is_read() -> None:
    from report_builders import report_of, reported

    items = [reported(1), reported(2, message="`x` \x1b \U0001f6a2")]
    text = render_baseline(report_of(*items))
    assert list(read_baseline("known.yaml", text.encode())) == [item.fingerprint for item in items]
    assert read_baseline("known.yaml", render_baseline(report_of()).encode()) == {}
