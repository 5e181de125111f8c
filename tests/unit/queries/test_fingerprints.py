"""Fingerprints outlive edits that change nothing, and no other edit."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from pathcheck.fleet import LoadedFleet, load_fleet_files
from pathcheck.queries.check import full_check

DEMO = Path(__file__).parents[3] / "corpora" / "ferry-operator" / "fleet"
FILES = {path.name: path.read_bytes() for path in sorted(DEMO.iterdir())}


def prints(loaded: LoadedFleet) -> list[tuple[str, str]]:
    return sorted((item.fingerprint, item.finding.code) for item in full_check(loaded).items)


def one(text: str, code: str) -> list[str]:
    loaded = load_fleet_files({"a.cfg": text.encode()})
    return [item.fingerprint for item in full_check(loaded).items if item.finding.code == code]


def test_blank_lines_and_comments_above_change_none() -> None:
    dice = random.Random(5)
    moved = {}
    for name, data in FILES.items():
        blank = [b"", b"! moved"] if name.endswith(".cfg") else [b"", b"# moved"]
        lines = [blank[0]] * 3
        for line in data.split(b"\n"):
            lines += [*([dice.choice(blank)] if dice.random() < 0.2 else []), line]
        moved[name] = b"\n".join(lines)
    before = prints(load_fleet_files(FILES))
    assert len({fingerprint for fingerprint, _ in before}) == len(before) > 20
    assert prints(load_fleet_files(moved)) == before


def test_another_name_of_the_file_and_other_devices_change_none() -> None:
    renamed = {name.replace("border.cfg", "aborder.cfg"): data for name, data in FILES.items()}
    renamed["fleet.yaml"] = FILES["fleet.yaml"].replace(b"border.cfg", b"aborder.cfg")
    renamed["a-new-switch.cfg"] = b"hostname a-new-switch\ninterface Ethernet1\n shutdown\n"
    assert set(prints(load_fleet_files(FILES))) <= set(prints(load_fleet_files(renamed)))


LIST = "hostname a\nip access-list extended TILLS\n {0}deny ip any any log\n {1}permit tcp any any eq 80\n"


@pytest.mark.parametrize("numbers", [("10 ", "20 "), ("5 ", "7 ")])
def test_sequence_numbers_and_spacing_change_none(numbers: tuple[str, str]) -> None:
    plain = one(LIST.format("", ""), "PC101")
    assert len(plain) == 1
    assert one(LIST.format(*numbers).replace("tcp any", "tcp   any"), "PC101") == plain


@pytest.mark.parametrize(("old", "new"), [("eq 80", "eq 81"), ("TILLS", "TILLS-IN"), ("hostname a", "hostname b")])
def test_another_line_list_or_device_changes_it(old: str, new: str) -> None:
    assert one(LIST.format("", ""), "PC101") != one(LIST.format("", "").replace(old, new), "PC101")


NAT = "hostname a\ninterface Ethernet1\n no switchport\n{}interface Ethernet2\n no switchport\n{}"


def test_equal_lines_of_two_blocks_differ() -> None:
    # The fault that goes and the one that comes are two: a baseline must not take the one for the other.
    line = " ip nat inside\n"
    first, second = one(NAT.format(line, ""), "PC412"), one(NAT.format("", line), "PC412")
    assert first != second
    assert sorted(one(NAT.format(line, line), "PC412")) == sorted(first + second)


def test_equal_lines_of_one_list_are_numbered() -> None:
    text = "hostname a\nip access-list extended X\n deny ip any any log\n permit ip any any\n permit ip any any\n"
    two = one(text, "PC101") + one(text, "PC105")
    assert len(set(two)) == len(two) == 2


def test_a_required_flow_is_known_by_itself() -> None:
    flows = b"flows:\n  - name: away\n    flow: tcp 10.1.20.7 10.1.99.10:443\n    expect: open\n"
    text = (
        "hostname quay-a\ninterface Ethernet1\n no switchport\n ip address 10.1.20.1 255.255.255.0\n"
        "interface Ethernet2\n no switchport\n ip address 10.1.99.1 255.255.255.0\n ip access-group {} {}\n"
        "ip access-list extended X\n deny ip any any log\nip access-list extended Y\n deny ip any any log\n"
    )

    def known(name: str) -> list[str]:
        loaded = load_fleet_files({"a.cfg": text.format(name, "out").encode(), "required-flows.yaml": flows})
        return [item.fingerprint for item in full_check(loaded).items if item.finding.code == "PC381"]

    assert len(known("X")) == 1
    assert known("X") == known("Y")
