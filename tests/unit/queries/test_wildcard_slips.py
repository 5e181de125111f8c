"""Which wildcard masks look like a slip, and what is said of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from pathcheck.fleet import load_fleet, load_fleet_files
from pathcheck.packet.address import Address
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.queries.check import check_fleet
from pathcheck.queries.line_review import review_fleet
from pathcheck.queries.line_review.wildcard_slips import _is_odd, judge_mask

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
    assert not {item.code for item in review_fleet(loaded)} & {"PC406", "PC407"}
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


NETMASK = "it is a netmask, where a wildcard mask belongs"
GAP = "it leaves a gap and frees bits that the address sets"


def octet(number: int) -> str:
    return f"{number} is an octet of a netmask; {255 - number} is that of the wildcard mask"


@pytest.mark.parametrize(
    ("address", "mask", "why", "meant"),
    [
        ("0.0.1.0", "255.255.255.0", NETMASK, "0.0.1.0/24"),
        ("10.0.0.1", "255.0.0.0", NETMASK, "10.0.0.0/8"),
        ("64.0.0.0", "192.0.0.0", NETMASK, "64.0.0.0/2"),
        # Each octet of a netmask, in front of the first address of such a block, and not in front of another.
        ("10.1.20.4", "0.0.0.252", octet(252), "10.1.20.4/30"),
        ("10.1.20.2", "0.0.0.252", None, None),
        ("10.1.20.0", "0.0.0.248", octet(248), "10.1.20.0/29"),
        ("10.1.20.0", "0.0.0.240", octet(240), "10.1.20.0/28"),
        ("10.1.20.0", "0.0.0.224", octet(224), "10.1.20.0/27"),
        ("10.1.20.128", "0.0.0.192", octet(192), "10.1.20.128/26"),
        ("10.1.20.0", "0.0.0.128", octet(128), "10.1.20.0/25"),
        ("10.1.20.0", "0.0.0.253", None, None),
        ("10.1.20.0", "0.0.0.251", None, None),
        ("10.1.0.0", "0.0.240.0", octet(240), "10.1.0.0/20"),
        ("10.16.0.0", "0.240.255.255", octet(240), "10.16.0.0/12"),
        ("10.16.0.0", "0.240.0.0", octet(240), "10.16.0.0/12"),
        ("64.0.0.0", "192.255.255.255", octet(192), "64.0.0.0/2"),
        # Behind the octet all is free or nothing is; else it is only a gap over a written bit.
        ("10.16.0.0", "0.240.255.0", GAP, "10.16.0.0/12"),
        ("10.1.20.4", "0.0.255.255", None, None),
        ("10.1.20.0", "0.0.127.255", None, None),
        ("10.1.20.0", "0.0.31.255", None, None),
        ("10.1.20.0", "0.1.255.255", "it frees the octet 20, which the address sets", "10.1.20.0/24"),
        ("10.1.0.0", "0.255.255.255", "it frees the octet 1, which the address sets", "10.1.0.0/16"),
        ("10.0.0.0", "127.255.255.255", None, None),
        ("10.1.21.0", "0.0.3.253", GAP, "10.1.21.0/30"),
        ("10.1.20.0", "0.0.255.0", GAP, "10.1.20.0/24"),
        ("10.1.20.8", "0.0.0.12", GAP, "10.1.20.8/29"),
        ("10.1.20.2", "0.0.0.2", None, None),
        # What was meant is told only where most octets of the mask stay.
        ("60.235.63.253", "151.183.80.146", GAP, "None"),
        ("10.7.20.0", "0.3.0.255", GAP, "10.7.20.0/24"),
        # Every second address or subnet of a block, and whole octets in several places, are meant.
        ("10.1.20.1", "0.0.0.6", None, None),
        ("10.1.2.0", "0.0.6.255", None, None),
        ("10.1.20.2", "0.0.0.5", None, None),
        ("10.1.20.0", "255.0.0.255", None, None),
        ("10.1.20.0", "255.255.0.255", None, None),
    ],
)
def test_why_a_mask_looks_like_a_slip(address: str, mask: str, why: str | None, meant: str | None) -> None:
    slip = judge_mask(Address.parse(address).value, Address.parse(mask).value)
    assert (slip and slip.why, slip and str(slip.meant)) == (why, meant)
    # The quick look that spares most lines lets through whatever is judged a slip.
    assert why is None or _is_odd(AddressMatch.wildcard(Address.parse(address), Address.parse(mask)))


def _slips(text: str) -> list[tuple[str, str]]:
    loaded = load_fleet_files({"quay-a.cfg": f"hostname quay-a\n{text}".encode()})
    return [(item.message, item.help or "") for item in review_fleet(loaded) if item.code == "PC107"]


def test_the_message_counts_what_is_matched_and_what_was_meant() -> None:
    lines = [
        " permit ip 10.1.20.0 0.0.0.252 any",
        " permit ip any 10.1.20.128 0.0.0.128",
        " permit ip 10.1.21.0 0.0.255.0 any",
        " permit ip 10.1.20.0 0.0.255.255 10.1.30.0 255.255.255.0",
    ]
    found = _slips("ip access-list extended A\n" + "\n".join(lines) + "\n")
    assert found == [
        (
            f"the wildcard mask `0.0.0.252` looks like a slip: {octet(252)}; it matches 64 addresses (10.1.20.0, "
            "10.1.20.4, 10.1.20.8 and so on); of the 4 in 10.1.20.0/30, only 1",
            "if 10.1.20.0/30 is meant, write `10.1.20.0 0.0.0.3`; else say why in a remark",
        ),
        (
            f"the wildcard mask `0.0.0.128` looks like a slip: {octet(128)}; it matches 2 addresses (10.1.20.0 and "
            "10.1.20.128); of the 128 in 10.1.20.128/25, only 1",
            "if 10.1.20.128/25 is meant, write `10.1.20.128 0.0.0.127`; else say why in a remark",
        ),
        (
            f"the wildcard mask `0.0.255.0` looks like a slip: {GAP}; it matches 256 addresses (10.1.0.0, 10.1.1.0, "
            "10.1.2.0 and so on); of the 256 in 10.1.21.0/24, only 1",
            "if 10.1.21.0/24 is meant, write `10.1.21.0 0.0.0.255`; else say why in a remark",
        ),
        (
            "the wildcard mask `0.0.255.255` looks like a slip: it frees the octet 20, which the address sets; it "
            "matches 65,536 addresses (10.1.0.0, 10.1.0.1, 10.1.0.2 and so on); of the 256 in 10.1.20.0/24, all",
            "if 10.1.20.0/24 is meant, write `10.1.20.0 0.0.0.255`; else say why in a remark",
        ),
        (
            f"the wildcard mask `255.255.255.0` looks like a slip: {NETMASK}; it matches 16,777,216 addresses "
            "(0.0.0.0, 0.0.1.0, 0.0.2.0 and so on); of the 256 in 10.1.30.0/24, only 1",
            "if 10.1.30.0/24 is meant, write `10.1.30.0 0.0.0.255`; else say why in a remark",
        ),
    ]


def test_a_gap_is_odd_only_where_three_other_masks_are_contiguous_and_no_other_has_one() -> None:
    usual = [f" permit ip 10.1.{number}.0 0.0.0.255 any" for number in range(3)]
    odd = " permit ip 10.1.16.0 0.0.14.240 any"

    def found(*lines: str) -> list[str]:
        slips = _slips("ip access-list extended A\n" + "\n".join(lines) + "\n")
        return [message.partition(";")[0] for message, _ in slips]

    why = "it leaves a gap, and all other masks of the list are contiguous"
    alone = f"the wildcard mask `0.0.13.255` looks like a slip: {why}"
    gap = " permit ip 10.1.16.0 0.0.13.255 any"
    assert found(*usual, gap) == [alone]
    assert found(*usual[:2], gap) == []
    assert found(*usual, gap, " permit ip 10.9.16.0 0.0.13.255 any") == [alone, alone]
    assert found(*usual, gap, " permit ip 10.9.16.0 0.0.11.255 any") == []
    # More than one octet makes the difference; the address sets bits that it frees.
    assert found(*usual, odd) == []
    assert found(*usual, " permit ip host 10.1.1.1 any", gap) == [alone]


def test_members_of_groups_are_judged_once_and_where_they_stand() -> None:
    group = "object-group ip address OFFICES\n 10.1.20.0 0.0.0.252\n 10.1.30.0 0.0.0.255\n"
    lines = " permit tcp object-group OFFICES any eq 22\n permit tcp any object-group OFFICES eq 22\n"
    loaded = load_fleet_files({"quay-a.cfg": f"hostname quay-a\n{group}ip access-list extended A\n{lines}".encode()})
    found = [item for item in review_fleet(loaded) if item.code == "PC107"]
    assert [(item.acl, item.span.line if item.span else 0) for item in found] == [(None, 3)]


def test_ipv6_lists_have_no_dotted_masks() -> None:
    assert _slips("ipv6 access-list A\n permit ipv6 2001:db8:20::/48 any\n") == []


def test_the_narrowest_mask_that_frees_a_whole_octet_is_looked_at() -> None:
    [(message, _)] = _slips("ip access-list extended A\n permit ip 10.1.20.0 0.0.255.255 any\n")
    assert "it frees the octet 20" in message
    [(message, _)] = _slips("ip access-list extended A\n permit ip any 10.1.20.0 0.0.255.255\n")
    assert "it frees the octet 20" in message
