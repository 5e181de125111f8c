"""`pathcheck compare --acl`: what it is asked with, what it answers, its status and its document."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.errors import InputError, UnknownNameError, UsageError

OLD = """\
hostname quay-a
ip access-list extended QUAY-IN
 remark tills
 10 permit tcp 10.1.20.0 0.0.0.255 host 10.1.99.10 eq 443
 20 permit udp any any eq 53
 30 deny ip any any log
ip access-list extended SAME
 permit udp any any eq domain
 permit tcp 10.1.20.0/24 10.1.99.10 0.0.0.0 eq https
 deny ip any any
ipv6 access-list SIX
 permit tcp any any
"""
NEW = OLD.replace("10.1.99.10 eq 443", "10.1.99.10 range 443 444").replace("20 permit udp", "20 deny udp")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "old.cfg").write_text(OLD)
    (tmp_path / "new.cfg").write_text(NEW)
    fleet = tmp_path / "fleet"
    fleet.mkdir()
    (fleet / "quay-a.cfg").write_text(OLD)
    (fleet / "quay-b.cfg").write_text(NEW.replace("quay-a", "quay-b").replace("SAME", "OTHER"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["compare", *words], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.return_value, result.stdout


@pytest.mark.parametrize(
    "words",
    [
        ("old.cfg:QUAY-IN", "new.cfg:QUAY-IN"),
        ("old.cfg:QUAY-IN", "new.cfg"),
        ("old.cfg", "new.cfg:QUAY-IN"),
        ("old.cfg:quay-a:QUAY-IN", "new.cfg:quay-a:QUAY-IN"),
        ("quay-a:QUAY-IN", "quay-b:QUAY-IN", "--fleet", "fleet"),
        ("SAME", "quay-b:QUAY-IN", "--fleet", "fleet"),
        ("QUAY-IN", "new.cfg", "--fleet", "fleet", "--device", "quay-a"),
        ("fleet:quay-a:QUAY-IN", "new.cfg"),
    ],
)
def test_each_way_to_name_the_lists(folder: Path, words: tuple[str, ...]) -> None:
    status, text = run("--acl", *words, "--json")
    document = json.loads(text)
    assert status == 1
    assert [item["destination_port"] for item in document["opened"]] == ["444"]
    assert {(item["protocol"], item["destination_port"], item.get("fragment")) for item in document["closed"]} == {
        ("udp", "53", None), ("udp", "any", True)
    }  # fmt: skip


def test_document(folder: Path) -> None:
    _, text = run("--acl", "old.cfg:QUAY-IN", "new.cfg", "--json")
    document = json.loads(text)
    assert document["schema"] == "pathcheck/compare/1"
    assert document["routes"] == document["uncertain"] == []
    (entry,) = document["acls"]
    assert (entry["device"], entry["acl"]) == ("quay-a", "QUAY-IN")
    assert (entry["opened"], entry["closed"]) == (document["opened"], document["closed"])
    (opened,) = document["opened"]
    assert opened["source"] == "10.1.20.0/24"
    assert opened["destination"] == "10.1.99.10/32"
    assert opened["sample"]["destination_port"] == 444
    assert (opened["before"]["line"], opened["before"]["action"]) == (6, "deny")
    assert (opened["after"]["file"], opened["after"]["line"], opened["after"]["action"]) == ("new.cfg", 4, "permit")


def test_text_has_openings_first_and_quotes_the_lines_of_both(folder: Path) -> None:
    status, text = run("--acl", "old.cfg:QUAY-IN", "new.cfg:QUAY-IN")
    assert status == 1
    assert text.index("opened tcp") < text.index("closed udp")
    assert "before: deny by QUAY-IN, old.cfg:6" in text
    assert " 10 permit tcp 10.1.20.0 0.0.0.255 host 10.1.99.10 range 443 444" in text
    assert "verify on the device" in text


def test_spelling_order_numbers_and_remarks_are_no_difference(folder: Path) -> None:
    status, text = run("--acl", "QUAY-IN", "SAME", "--fleet", "old.cfg")
    assert (status, text.split()[0]) == (0, "EQUAL")
    document = json.loads(run("--acl", "QUAY-IN", "SAME", "--fleet", "old.cfg", "--json")[1])
    assert document["opened"] == document["closed"] == []


def test_a_line_that_may_match_leaves_it_uncertain(folder: Path) -> None:
    timed = OLD.replace("eq 53", "eq 53 time-range OPENING")
    (folder / "timed.cfg").write_text(timed)
    status, text = run("--acl", "old.cfg:QUAY-IN", "timed.cfg")
    assert status == 3
    assert "UNCERTAIN" in text
    assert "time range" in text
    document = json.loads(run("--acl", "old.cfg:QUAY-IN", "timed.cfg", "--json")[1])
    assert document["opened"] == document["closed"] == []
    assert document["uncertain"][0]["doubts"][0]["line"] == 5
    # What is sure is still said.
    (folder / "both.cfg").write_text(timed.replace("eq 443", "eq 8443"))
    document = json.loads(run("--acl", "old.cfg:QUAY-IN", "both.cfg", "--json")[1])
    assert document["opened"]
    assert document["closed"]
    # In two files the time range may be two things, in one device it is one.
    assert run("--acl", "timed.cfg:QUAY-IN", "timed.cfg")[0] == 0
    (folder / "timed2.cfg").write_text(timed)
    assert run("--acl", "timed.cfg:QUAY-IN", "timed2.cfg")[0] == 3
    # A word that nobody reads is the same word in both.
    (folder / "a.cfg").write_text(OLD.replace("eq 53", "eq htpp"))
    (folder / "b.cfg").write_text(OLD.replace("eq 53", "eq htpp").replace("remark tills", "remark desks"))
    status, text = run("--acl", "a.cfg:QUAY-IN", "b.cfg")
    assert status == 0
    assert "taken to match the same packets" in text


def test_questions_that_cannot_be_answered(folder: Path) -> None:
    with pytest.raises(InputError, match="`before` cannot be read"):
        run("before", "after")
    for words, why in (
        (("before",), "two states of a fleet, found 1"),
        ((), "--acl A B"),
        (("--acl", "old.cfg", "new.cfg"), "3 lists"),
        (("--acl", "old.cfg:", "new.cfg"), "behind the colon"),
        (("--acl", "QUAY-IN", "SIX", "--fleet", "old.cfg"), "IPv6"),
    ):
        with pytest.raises(UsageError, match=why):
            run(*words)
    for words, why in (
        (("old.cfg:QUAY-INN", "new.cfg"), "no access list `QUAY-INN`"),
        (("QUAY-IN", "SAME", "--fleet", "fleet"), "2 devices have a list `QUAY-IN`"),
        (("quay-c:QUAY-IN", "SAME", "--fleet", "fleet"), "no device `quay-c`"),
    ):
        with pytest.raises(UnknownNameError, match=why):
            run("--acl", *words)


def test_lists_of_one_name_in_both_ip_versions_are_both_compared(folder: Path) -> None:
    both = "ip access-list extended BOTH\n permit tcp any any\nipv6 access-list BOTH\n permit tcp any any eq {}\n"
    (folder / "a.cfg").write_text(both.format(22))
    (folder / "b.cfg").write_text(both.format(23))
    document = json.loads(run("--acl", "a.cfg:BOTH", "b.cfg", "--json")[1])
    assert [(entry["family"], len(entry["opened"])) for entry in document["acls"]] == [("ipv4", 0), ("ipv6", 1)]
    assert len(document["opened"]) == len(document["closed"]) == 1


def test_assumptions_of_two_fleets_count(folder: Path) -> None:
    (folder / "fleet" / "fleet.yaml").write_text("assume: {fragments: never}\n")
    document = json.loads(run("--acl", "old.cfg:QUAY-IN", "quay-a:QUAY-IN", "--fleet", "fleet", "--json")[1])
    assert document["opened"] == []
    assert all(item["fragment"] for item in document["closed"])
