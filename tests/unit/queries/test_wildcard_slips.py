"""Which wildcard masks look like a slip, and what is said of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from pathcheck.fleet import load_fleet, load_fleet_files
from pathcheck.packet.address import Address
from pathcheck.queries.check import check_fleet
from pathcheck.queries.line_review import review_fleet
from pathcheck.queries.line_review.wildcard_slips import judge_mask

RFC6192 = Path(__file__).parents[3] / "corpora" / "rfc6192-lists"


def test_the_four_published_slips() -> None:
    # RFC 6192 appendix A.1: the lines as printed; what they were meant to be is in section 3.1.
    found = [item for item in review_fleet(load_fleet(RFC6192)) if item.code == "PC107"]
    assert [(item.acl, item.span.text[item.span.column - 1 : item.span.end - 1]) for item in found if item.span] == [
        ("DNS", "0.0.0.252"),
        ("NTP", "255.255.255.252"),
        ("SSH", "0.0.0.128"),
        ("SNMP", "0.0.0.128"),
    ]
    assert [(item.help or "").split("`")[1] for item in found] == [
        "198.51.100.0 0.0.0.3",
        "198.51.100.4 0.0.0.3",
        "198.51.100.128 0.0.0.127",
        "198.51.100.128 0.0.0.127",
    ]
    # The counts are those of the corpus's README, worked out by hand.
    assert "64 addresses" in found[0].message and "1,073,741,824 addresses" in found[1].message
    assert "2 addresses (198.51.100.0 and 198.51.100.128)" in found[2].message


def test_one_cause_has_one_message() -> None:
    # Reading says PC406 and PC407 of three of the four masks.
    loaded = load_fleet(RFC6192)
    assert {item.code for item in loaded.report.findings} == {"PC406", "PC407"}
    assert not {item.code for item in check_fleet(loaded)} & {"PC406", "PC407"}


@pytest.mark.parametrize(
    ("address", "mask", "meant"),
    [
        # netmasks
        ("10.1.20.0", "255.255.255.0", "10.1.20.0/24"),
        ("10.1.20.7", "255.255.255.0", "10.1.20.0/24"),
        ("10.1.16.0", "255.255.240.0", "10.1.16.0/20"),
        # an octet of a netmask, in front of the first address of a block
        ("10.1.20.0", "0.0.0.252", "10.1.20.0/30"),
        ("10.1.20.128", "0.0.0.128", "10.1.20.128/25"),
        ("10.1.20.64", "0.0.0.192", "10.1.20.64/26"),
        ("10.1.16.0", "0.0.240.255", "10.1.16.0/20"),
        ("10.1.16.0", "0.0.240.0", "10.1.16.0/20"),
        # one octet off
        ("10.1.20.0", "0.0.255.0", "10.1.20.0/24"),
        ("10.1.20.0", "0.0.255.255", "10.1.20.0/24"),
        ("10.1.20.0", "0.255.255.255", "10.1.20.0/24"),
        ("10.1.0.0", "0.255.255.255", "10.1.0.0/16"),
        # a gap over a written bit
        ("10.1.21.0", "0.0.3.253", None),
    ],
)
def test_slips(address: str, mask: str, meant: str | None) -> None:
    slip = judge_mask(Address.parse(address).value, Address.parse(mask).value)
    assert slip is not None
    if meant is not None:
        assert str(slip.meant) == meant


@pytest.mark.parametrize(
    ("address", "mask"),
    [
        ("10.1.20.0", "0.0.0.254"),
        ("10.1.20.1", "0.0.0.254"),
        ("10.1.20.3", "0.0.0.254"),
        ("10.1.16.1", "0.0.7.254"),
        ("10.1.0.0", "0.0.254.255"),
        ("10.0.20.0", "0.255.0.255"),
        ("10.1.20.0", "0.255.0.255"),
        ("10.1.0.1", "0.0.255.0"),
        ("0.0.0.1", "255.255.255.0"),
        ("10.1.20.1", "0.0.0.252"),
        ("10.1.0.0", "0.0.240.255"),
        ("10.1.20.0", "0.0.0.255"),
        ("10.1.20.7", "0.0.0.255"),
        ("10.1.20.7", "0.0.255.255"),
        ("10.1.0.0", "0.0.255.255"),
        ("10.1.20.7", "0.0.0.0"),
        ("0.0.0.0", "255.255.255.255"),
        ("10.1.20.7", "255.255.255.255"),
        ("0.0.0.0", "0.0.0.0"),
    ],
)
def test_masks_that_are_meant(address: str, mask: str) -> None:
    assert judge_mask(Address.parse(address).value, Address.parse(mask).value) is None


def _codes(text: str) -> list[tuple[str, int]]:
    loaded = load_fleet_files({"quay-a.cfg": text.encode()})
    return [(item.code, item.span.line) for item in review_fleet(loaded) if item.span and item.code.startswith("PC4")]


def test_other_notes_of_reading_on_masks_are_shown() -> None:
    lines = " permit ip 10.1.20.7 0.0.0.255 any\n permit ip any 0.0.0.0 0.0.0.0\n"
    assert _codes(f"hostname quay-a\nip access-list extended A\n{lines}") == [("PC406", 3), ("PC407", 4)]


def test_notes_on_groups_are_shown_where_a_list_refers_to_the_group() -> None:
    group = "object-group network OFFICES\n 10.40.1.9 255.255.255.128\n"
    assert _codes(f"hostname quay-a\n{group}") == []
    line = "ip access-list extended A\n permit ip object-group OFFICES any\n"
    assert _codes(f"hostname quay-a\n{group}{line}") == [("PC406", 3)]


def test_a_netmask_that_is_read_as_one_is_no_slip() -> None:
    files = {
        "quay-a.cfg": b"hostname quay-a\nip access-list extended A\n permit ip 10.1.20.0 255.255.255.0 any\n",
        "fleet.yaml": b"assume: {dotted_mask: netmask}\n",
    }
    assert "PC107" not in {item.code for item in review_fleet(load_fleet_files(files))}
