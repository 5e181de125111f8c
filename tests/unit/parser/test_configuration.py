from __future__ import annotations

import pytest

from pathcheck.model.access_list import UnreadLine
from pathcheck.parser.configuration import ParsedConfiguration, SourceText, language, read_configuration
from pathcheck.results.account import LineClass


def read(*texts: bytes | str, default_name: str = "quay-a") -> ParsedConfiguration:
    files = [
        SourceText(f"{index}.cfg", text if isinstance(text, bytes) else text.encode())
        for index, text in enumerate(texts, 1)
    ]
    return read_configuration(files, default_name=default_name)


def test_the_tables_fit_together() -> None:
    assert language().top.find(["hostname", "quay-a"]) is not None


def test_a_device_without_a_hostname_takes_the_name_that_is_given() -> None:
    (device,) = read("access-list 10 permit any\n", default_name="pier-3").devices
    assert (device.name, device.files) == ("pier-3", ("1.cfg",))


def test_findings_carry_the_device_and_stand_in_the_order_of_the_text() -> None:
    parsed = read("hostname quay-a\naccess-list 110 permit tpc any any\naccess-list 110 permit ip 10.0.0.9/24 any\n")
    assert [(found.code, found.device, found.span and found.span.line) for found in parsed.findings] == [
        ("PC401", "quay-a", 2), ("PC406", "quay-a", 3),
    ]  # fmt: skip


def test_several_files_are_one_text() -> None:
    parsed = read("hostname quay-a\nip access-list A\n permit WEB any any\n", "ip access-list A\n deny ip any any\n",
                  "object-group service WEB\n tcp eq 443\n")  # fmt: skip
    (device,) = parsed.devices
    assert device.files == ("1.cfg", "2.cfg", "3.cfg")
    assert [line.sequence for line in device.access_lists["ipv4", "A"].lines] == [10, 20]
    assert [(account.file, account.device, account.lines) for account in parsed.accounts] == [
        ("1.cfg", "quay-a", 3), ("2.cfg", "quay-a", 2), ("3.cfg", "quay-a", 2),
    ]  # fmt: skip


def test_a_second_hostname_begins_a_second_device() -> None:
    parsed = read("hostname quay-a\naccess-list 10 permit any\n!\nhostname quay-b\naccess-list 10 deny any\n")
    first, second = parsed.devices
    assert (first.name, second.name) == ("quay-a", "quay-b")
    assert [device.access_lists["ipv4", "10"].lines[0].action for device in (first, second)] == ["permit", "deny"]
    assert [found.code for found in parsed.findings] == ["PC410"]
    assert sum(parsed.accounts[0].counts.values()) == parsed.accounts[0].lines == 5


def test_a_hostname_that_is_said_again_splits_nothing() -> None:
    parsed = read("hostname quay-a\naccess-list 10 permit any\nhostname quay-a\naccess-list 10 deny any\n")
    (device,) = parsed.devices
    assert len(device.access_lists["ipv4", "10"].lines) == 2


def test_a_file_of_another_device_is_that_device_s_from_its_first_line() -> None:
    parsed = read("hostname quay-a\naccess-list 10 permit any\n", "access-list 10 deny any\nhostname quay-b\n")
    first, second = parsed.devices
    assert len(first.access_lists["ipv4", "10"].lines) == 1
    assert (second.name, second.files, len(second.access_lists)) == ("quay-b", ("2.cfg",), 1)
    assert [account.device for account in parsed.accounts] == ["quay-a", "quay-b"]


@pytest.mark.parametrize("name", ['"quay-a"', "quay-a", "'quay-a'"])
def test_quotes_are_no_part_of_a_name(name: str) -> None:
    assert [device.name for device in read(f"hostname {name}\n", default_name="x").devices] == ["quay-a"]


def test_a_refused_file_keeps_no_other_from_its_account() -> None:
    refused = "interfaces {\n  ge-0/0/0 {\n    unit 0;\n  }\n}\n"
    parsed = read(refused, "hostname quay-a\naccess-list 10 permit any\n")
    assert [account.refused is None for account in parsed.accounts] == [False, True]
    assert parsed.accounts[0].device is None
    assert [device.name for device in parsed.devices] == ["quay-a"]
    assert [found.code for found in parsed.findings] == ["PC403"]


def test_no_device_at_all_where_each_file_is_refused() -> None:
    parsed = read(bytes(range(32)) * 100)
    assert not parsed.devices
    assert parsed.accounts[0].refused


@pytest.mark.parametrize("text", ["", "\n", "! nothing\n", "\ufeff"])
def test_empty_texts_are_an_empty_device(text: str) -> None:
    parsed = read(text)
    (device,) = parsed.devices
    assert not device.access_lists
    assert sum(parsed.accounts[0].counts.values()) == parsed.accounts[0].lines


def test_one_wrong_line_hides_nothing_behind_it() -> None:
    parsed = read("access-list 110 permit tcp any any eq htp\naccess-list 10 permit any\nip access-list extended\n"
                  "ip access-list extended B\n permit ip any any\n")  # fmt: skip
    (device,) = parsed.devices
    assert sorted(name for _, name in device.access_lists) == ["10", "110", "B"]
    assert parsed.accounts[0].counts[LineClass.WRONG] == 2


HUGE = 100_000


@pytest.mark.parametrize(
    "text",
    [
        "access-list 110 permit " + "a" * HUGE,
        "access-list 110 permit tcp any any eq " + "80 " * HUGE,
        "access-list 110 permit tcp any any " + "(" * HUGE,
        "access-list 110 permit tcp any any " + "(1 match" * (HUGE // 8),
        "access-list 110 permit ip " + "1" * HUGE + ".0.0.1 any",
        "access-list " + "9" * HUGE + " permit any",
        "x" * HUGE,
        "x " * HUGE,
        "{" * HUGE,
        "<" * HUGE,
        "hostname " + "n" * HUGE,
        " " * HUGE + "access-list 10 permit any",
        "access-list 110 remark " + "word " * HUGE,
        "ip access-list extended A\n " + "9" * HUGE + " permit ip any any",
        "ip access-list extended A\n 4294967295 permit ip any any\n permit ip any any",
        "object-group network A\n " + "1" * HUGE,
        "access-list 110 permit icmp any any " + "9" * 30,
        "access-list 110 permit \u0663 any any",
        "ip access-list A\n \u00b2 permit ip any any\n no \u00b2\n",
    ],
    ids=range(19),
)
def test_hostile_lines_end_soon_and_in_words(text: str) -> None:
    parsed = read(text)
    (account,) = parsed.accounts
    assert account.refused or sum(account.counts.values()) == account.lines
    assert all(len(found.message) < 1_000 for found in parsed.findings)


def test_the_last_number_leaves_no_room() -> None:
    parsed = read("ip access-list extended A\n 4294967295 permit ip any any\n permit tcp any any\n")
    (found,) = parsed.devices[0].access_lists.values()
    assert any(isinstance(entry, UnreadLine) for entry in found.entries)
