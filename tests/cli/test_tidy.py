"""`pathcheck tidy`: what is printed, patched and written, and that nothing else in a file changes."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.errors import UnknownNameError, UsageError

TEXT = """\
hostname quay-a
!
ip access-list extended QUAY-IN
 remark tills
 10 permit tcp 10.1.20.0 0.0.0.255 host 10.1.99.10 eq 443
 15 permit tcp 10.1.20.0 0.0.0.127 host 10.1.99.10 eq 443 log
 remark desks
 20 permit tcp 10.1.21.0 0.0.0.255 host 10.1.99.10 eq 443
 remark cameras
 30 permit udp any any eq 53
!
interface Vlan20
 ip address 10.1.20.1 255.255.255.0
 description é \ttab
!
ip access-list extended QUAY-IN
 40 permit udp any any eq 54
 50 deny ip any any log
!
end
"""
TIDY = """\
hostname quay-a
!
ip access-list extended QUAY-IN
 remark tills
 10 permit tcp 10.1.20.0 0.0.1.255 host 10.1.99.10 eq 443
 remark cameras
 30 permit udp any any range 53 54
!
interface Vlan20
 ip address 10.1.20.1 255.255.255.0
 description é \ttab
!
ip access-list extended QUAY-IN
 50 deny ip any any log
!
end
"""


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["tidy", *words], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.return_value, result.stdout_bytes.decode("utf-8", "surrogateescape")


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "fleet").mkdir()
    monkeypatch.chdir(tmp_path)
    place = Path("fleet/quay-a.cfg")
    place.write_text(TEXT)
    return place


def test_what_is_printed_can_be_pasted_and_is_the_shorter_list(file: Path) -> None:
    status, text = run("QUAY-IN", "--fleet", "fleet")
    assert status == 1
    pasted = [line for line in text.splitlines() if not line.startswith("!")]
    assert pasted == [
        "ip access-list extended QUAY-IN",
        *(line for line in TIDY.splitlines() if line.startswith((" remark", " 10", " 30", " 50"))),
    ]
    assert "! removed  quay-a.cfg:6: 15 permit tcp 10.1.20.0 0.0.0.127 host 10.1.99.10 eq 443 log" in text
    assert "! proof: the sets of permitted packets are equal" in text
    assert "! proof: the same without sets, by splitting" in text
    file.write_text(text)
    status, again = run("QUAY-IN", "--fleet", "fleet")
    assert (status, "nothing to tidy in 3 lines" in again) == (0, True)


def test_document(file: Path) -> None:
    status, text = run("QUAY-IN", "--fleet", "fleet", "--json")
    document = json.loads(text)
    assert (status, document["schema"]) == (1, "pathcheck/tidy/1")
    (entry,) = document["acls"]
    assert entry["lines"] == {"before": 6, "after": 3}
    assert {change["line"]: change["kind"] for change in entry["changes"]} == {
        5: "merged", 6: "removed", 8: "merged", 10: "merged", 17: "merged"
    }  # fmt: skip
    assert [remark["line"] for remark in entry["remarks"]] == [7]
    assert entry["proof"]["sets_equal"] is entry["proof"]["second"]["finished"] is True
    assert entry["as_written"] is True


def test_write_changes_the_list_and_nothing_else(file: Path) -> None:
    file.chmod(0o640)
    status, _ = run("QUAY-IN", "--fleet", "fleet", "--write")
    assert status == 0
    assert file.read_text() == TIDY
    assert file.stat().st_mode & 0o777 == 0o640
    assert sorted(os.listdir("fleet")) == ["quay-a.cfg"]
    assert run("QUAY-IN", "--fleet", "fleet", "--write")[0] == 0
    assert file.read_text() == TIDY


@pytest.mark.parametrize(
    ("before", "after"),
    [
        pytest.param(b"\n", b"\r\n", id="carriage returns"),
        pytest.param(b"hostname", b"\xef\xbb\xbfhostname", id="byte-order mark"),
        pytest.param("é".encode(), b"\xe9", id="bytes that are no UTF-8"),
        pytest.param(b"end\n", b"end", id="no last line end"),
        pytest.param(b"!\nend\n", b"", id="the list at the end"),
        pytest.param(b"!\n", b"! \x0c page\n", id="form feeds"),
    ],
)
def test_bytes_of_other_lines_stay(file: Path, before: bytes, after: bytes) -> None:
    file.write_bytes(TEXT.encode().replace(before, after))
    assert run("QUAY-IN", "--fleet", "fleet", "--write")[0] == 0
    assert file.read_bytes() == TIDY.encode().replace(before, after)


def test_a_link_stays_a_link(file: Path) -> None:
    file.rename("kept.cfg")
    file.symlink_to(Path("kept.cfg").resolve())
    run("QUAY-IN", "--fleet", "fleet", "--write")
    assert file.is_symlink()
    assert Path("kept.cfg").read_text() == TIDY


@pytest.mark.parametrize("tool", [["patch", "-p0"], ["git", "apply", "-p0"]])
@pytest.mark.parametrize("end", ["end\n", "end", "\r\n"])
def test_the_patch_applies(file: Path, tool: list[str], end: str) -> None:
    if shutil.which(tool[0]) is None:
        pytest.skip(f"`{tool[0]}` is not installed")
    before, after = (text.replace("\n", end) if end == "\r\n" else text.replace("end\n", end) for text in (TEXT, TIDY))
    file.write_bytes(before.encode())
    status, text = run("QUAY-IN", "--fleet", "fleet", "--diff")
    assert (status, file.read_bytes()) == (1, before.encode())
    assert text.startswith("--- fleet/quay-a.cfg\n+++ fleet/quay-a.cfg\n@@")
    options = ["--binary"] if tool[0] == "patch" else []
    subprocess.run([*tool, *options], input=text.encode(), check=True, capture_output=True)
    assert file.read_bytes() == after.encode()
    assert run("QUAY-IN", "--fleet", "fleet", "--diff") == (0, "")


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (["access-list 10 permit 10.1.20.0", "access-list 10 remark one", "access-list 10 permit host 10.1.20.1"],
         ["access-list 10 permit 10.1.20.0 0.0.0.1"]),
        (["access-list 110 permit tcp any any eq 80", "access-list 110 permit tcp any any eq 81 ",
          "access-list 110 deny ip any any"],
         ["access-list 110 permit tcp any any range 80 81", "access-list 110 deny ip any any"]),
        (["ip access-list standard 10", " permit 10.1.20.0 0.0.0.127 log", "  permit 10.1.20.128 0.0.0.127 log"],
         ["ip access-list standard 10", " permit 10.1.20.0 0.0.0.255 log"]),
        (["ipv6 access-list 10", " sequence 10 permit tcp 2001:db8::/33 any eq www",
          " sequence 20 permit tcp 2001:DB8:8000::/33 any eq www"],
         ["ipv6 access-list 10", " sequence 10 permit tcp 2001:db8::/32 any eq www"]),
        (["ip access-list 110", " 10 permit tcp 10.1.20.0/25 range 1 5 any  established",
          " 20 permit tcp 10.1.20.128/25 range 1 5 any established"],
         ["ip access-list 110", " 10 permit tcp 10.1.20.0/24 range 1 5 any  established"]),
        (["access-list ip 10", " 10 permit tcp 10.1.20.2 any eq 22", " 20 permit tcp 10.1.20.3 any eq 22"],
         ["access-list ip 10", " 10 permit tcp 10.1.20.2/31 any eq 22"]),
    ],
)  # fmt: skip
def test_new_lines_are_spelled_as_the_old_ones(file: Path, lines: list[str], expected: list[str]) -> None:
    frame = "hostname quay-a\n{}\n!\nip route 10.9.0.0 255.255.0.0 10.1.99.1\n"
    file.write_text(frame.format("\n".join(lines)))
    run("10" if "110" not in lines[0] else "110", "--fleet", "fleet", "--write")
    assert file.read_text() == frame.format("\n".join(expected))


def test_lines_that_log_join_only_lines_that_log(file: Path) -> None:
    ports = {80: " log", 81: " log", 82: "", 83: "", 84: " log-input"}
    lines = [f" permit tcp any any eq {port}{log}" for port, log in ports.items()]
    file.write_text("\n".join(["ip access-list extended QUAY-IN", *lines, ""]))
    run("QUAY-IN", "--fleet", "fleet", "--write")
    assert file.read_text().splitlines()[1:] == [
        " permit tcp any any range 80 81 log", " permit tcp any any range 82 83", " permit tcp any any eq 84 log-input"
    ]  # fmt: skip


def test_what_logs_is_said(file: Path) -> None:
    file.write_text(
        "hostname quay-a\nip access-list extended QUAY-IN\n"
        " deny tcp any any eq 23\n deny udp any any eq 69 log\n permit tcp any any eq 22\n deny tcp any any log\n"
        " deny ip any any\n"
    )
    status, text = run("QUAY-IN", "--fleet", "fleet", "--json")
    changes = {change["line"]: change["logging"] for change in json.loads(text)["acls"][0]["changes"]}
    assert (status, sorted(changes)) == (1, [3, 4, 6])
    assert "logged now" in changes[3]
    assert "not logged any more" in changes[4]


def test_lines_that_may_match_are_left_alone(file: Path) -> None:
    file.write_text(
        "hostname quay-a\nip access-list extended QUAY-IN\n"
        " permit tcp any any eq 80\n deny tcp any any eq 81 time-range OPENING\n permit tcp any any eq 81\n"
        " permit tcp any any range 80 81\n"
    )
    status, text = run("QUAY-IN", "--fleet", "fleet")
    assert status == 1
    assert " deny tcp any any eq 81 time-range OPENING" in text.splitlines()
    assert "left alone" in text
    assert text.count("\n permit") == 1, "of the three permits, only the last is not to spare"


def test_a_list_that_is_uncertain_as_a_whole_is_left_alone(file: Path) -> None:
    file.write_text(
        "access-list 110 permit tcp any any\naccess-list 110 permit tcp any any\nno access-list 110 deny ip any any\n"
    )
    status, text = run("110", "--fleet", "fleet")
    assert (status, "left as it is" in text) == (3, True)
    assert run("110", "--fleet", "fleet", "--write")[0] == 3


def test_data_is_printed_but_not_changed_in_place(tmp_path: Path) -> None:
    ace = {"matches": {"ipv4": {"protocol": 6}}, "actions": {"forwarding": "accept"}}
    acl = {"name": "QUAY-IN", "type": "ipv4-acl-type", "aces": {"ace": [{"name": n, **ace} for n in "ab"]}}
    place = tmp_path / "quay-a.json"
    place.write_text(json.dumps({"ietf-access-control-list:acls": {"acl": [acl]}}))
    status, text = run("QUAY-IN", "--fleet", str(place))
    assert (status, "permit tcp any any" in text) == (1, True)
    for option in ("--diff", "--write"):
        with pytest.raises(UsageError, match="data"):
            run("QUAY-IN", "--fleet", str(place), option)


def test_numbers_that_stand_twice_keep_the_file_from_being_changed(file: Path) -> None:
    # Without its second line 20 the first one would act.
    file.write_text(
        "ip access-list extended QUAY-IN\n 10 permit tcp any any eq 22\n 20 deny ip any any\n"
        " 20 permit tcp 10.1.20.0 0.0.0.255 any eq 22\n 30 deny udp any any log\n"
    )
    status, text = run("QUAY-IN", "--fleet", "fleet")
    assert status == 1
    assert [line for line in text.splitlines() if not line.startswith("!")] == [
        "ip access-list extended QUAY-IN", " 10 permit tcp any any eq 22", " 30 deny udp any any log"
    ]  # fmt: skip
    before = file.read_bytes()
    with pytest.raises(UsageError, match="one by one"):
        run("QUAY-IN", "--fleet", "fleet", "--write")
    assert file.read_bytes() == before


def test_questions_that_cannot_be_answered(file: Path) -> None:
    with pytest.raises(UnknownNameError, match="no access list `QUAY-INN`"):
        run("QUAY-INN", "--fleet", "fleet")
    with pytest.raises(UsageError, match="standard output"):
        run("QUAY-IN", "--fleet", "fleet", "--diff", "--json")


@pytest.mark.parametrize(
    ("reading", "masks", "expected"),
    [
        ("netmask", "255.255.255.128", "255.255.255.0"),
        ("wildcard", "0.0.0.127", "0.0.0.255"),
        ("decide", "0.0.0.127", "0.0.0.255"),
        ("decide", "255.255.255.128", None),
    ],
)
def test_masks_are_written_as_they_are_read(file: Path, reading: str, masks: str, expected: str | None) -> None:
    Path("fleet/fleet.yaml").write_text(f"assume: {{dotted_mask: {reading}}}\n")
    ends = [f"10.1.20.{low} {masks}" for low in (0, 128)]
    file.write_text("\n".join(["ip access-list extended QUAY-IN", *(f" permit tcp {end} any" for end in ends), ""]))
    assert run("QUAY-IN", "--fleet", "fleet", "--write")[0] == 0
    (line,) = file.read_text().splitlines()[1:]
    if expected is not None:
        assert line == f" permit tcp 10.1.20.0 {expected} any"
    assert run("QUAY-IN", "--fleet", "fleet")[0] == 0
