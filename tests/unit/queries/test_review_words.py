"""What the findings on lines say: what was meant, what happens instead, and through which member of a group."""

from __future__ import annotations

import pytest
from model_builders import access_list, device, group, line, match

from pathcheck.errors import UnknownNameError
from pathcheck.fleet import load_fleet_files
from pathcheck.model.access_list import Family, Line
from pathcheck.model.object_group import GroupReference, ObjectGroup
from pathcheck.packet.tcp_flags import FlagMatch
from pathcheck.queries.line_review import review_fleet
from pathcheck.queries.line_review.review import review_list
from pathcheck.results.finding import Finding


def found(code: str, lines: str, head: str = "", **files: str) -> list[Finding]:
    text = f"hostname quay-a\n{head}ip access-list extended TICKETS-IN\n{lines}"
    texts = {"quay-a.cfg": text, **{f"{name}.cfg": content for name, content in files.items()}}
    loaded = load_fleet_files({name: content.encode() for name, content in texts.items()})
    return [item for item in review_fleet(loaded) if item.code == code]


def test_a_dead_permit_blocks_and_a_dead_deny_opens() -> None:
    (item,) = found("PC101", " deny ip any any\n permit tcp any any eq 443\n")
    assert item.message.startswith("dead permit: the deny at quay-a.cfg:3 stands before it and denies each packet")
    assert "is blocked" in item.message
    (item,) = found("PC101", " permit ip any any\n deny tcp any any eq 23\n")
    assert item.message.startswith("dead deny: the permit at quay-a.cfg:3")
    assert "what it is meant to stop gets through" in item.message


def test_several_lines_together() -> None:
    lines = (
        " deny tcp 0.0.0.0 127.255.255.255 any\n permit tcp 128.0.0.0 127.255.255.255 any\n permit tcp any any eq 443\n"
    )
    (item,) = found("PC101", lines)
    assert "2 lines before it decide each packet that it is meant for, and one of them denies a part" in item.message
    assert "some of what it is meant to let through is blocked" in item.message
    assert item.help is not None
    assert "in front of the deny at quay-a.cfg:3" in item.help


def test_the_member_of_a_group_that_matters_is_named() -> None:
    group = "object-group network BOOKING\n host 10.10.90.20\n host 10.10.90.21\n"
    lines = " deny tcp any object-group BOOKING\n permit tcp any host 10.10.90.21 eq 443\n"
    (item,) = found("PC101", lines, group)
    assert "(by `10.10.90.21/32` of group `BOOKING`, quay-a.cfg:4)" in item.message


def test_litter_says_that_nothing_changes() -> None:
    (item,) = found("PC102", " permit tcp any any\n permit tcp any any eq 443\n deny ip any any log\n")
    assert item.message.startswith("never acts: the permit at quay-a.cfg:3 stands before it and permits all")
    (item,) = found("PC102", " permit tcp any any eq 443\n permit tcp any any\n deny ip any any log\n")
    assert item.message.startswith("not needed: without it the permit at quay-a.cfg:4 permits all of its packets")
    (item,) = found("PC105", " permit tcp any any eq 443\n permit tcp any any eq https\n")
    assert "second copy of the permit at quay-a.cfg:3" in item.message


def test_equal_lists_get_one_note_on_their_end() -> None:
    bound = "interface Ethernet2\n ip address 10.20.20.1 255.255.255.0\n ip access-group TICKETS-IN in\n"
    lines = " permit tcp any any eq 443\n"
    other = f"hostname quay-b\n{bound}ip access-list extended TICKETS-IN\n{lines}"
    (item,) = found("PC112", lines, bound, quay_b=other)
    assert item.device == "quay-a"
    assert "the same list on `quay-b` ends so too" in item.message
    different = other.replace("443", "444")
    assert [item.device for item in found("PC112", lines, bound, quay_b=different)] == ["quay-a", "quay-b"]


def test_lists_of_a_text_that_applies_none_get_one_note() -> None:
    second = "ip access-list extended OFFICE-IN\n permit udp any any\n"
    (item,) = found("PC112", f" permit tcp any any eq 443\n{second}")
    assert "lists `OFFICE-IN` end so too" in item.message


def test_a_name_of_nobody_is_refused_with_the_nearest_one() -> None:
    text = "hostname {}\nip access-list extended {}\n permit ip any any\n"
    loaded = load_fleet_files({f"{n}.cfg": text.format(n, n.upper()).encode() for n in ("quay-a", "core-1")})
    assert review_fleet(loaded, device="quay-a", list_name="QUAY-A")
    assert review_fleet(loaded, list_name="CORE-1")
    for names, told, near in (
        ({"device": "quay-x"}, "no device `quay-x` in the fleet", "did you mean `quay-a`?"),
        ({"device": "zzz"}, "no device `zzz` in the fleet", None),
        ({"list_name": "QUAY-B"}, "no access list `QUAY-B` in the fleet", "did you mean `QUAY-A`?"),
        ({"device": "core-1", "list_name": "QUAY-A"}, "no access list `QUAY-A` in `core-1`", None),
        ({"device": "core-1", "list_name": "CORE-2"}, "no access list `CORE-2` in `core-1`", "did you mean `CORE-1`?"),
    ):
        with pytest.raises(UnknownNameError) as caught:
            review_fleet(loaded, **names)
        assert str(caught.value).startswith(told) and caught.value.help == near


@pytest.mark.parametrize(
    ("devices", "told"),
    [
        (2, "; the same list on `quay-1` ends so too"),
        (5, "; the same list on `quay-1`, `quay-2`, `quay-3`, `quay-4` ends so too"),
        (7, "; the same list on `quay-1`, `quay-2`, `quay-3`, `quay-4` and 2 more ends so too"),
    ],
)
def test_a_note_on_many_lists_names_a_few(devices: int, told: str) -> None:
    bound = "interface Ethernet2\n ip address 10.20.20.1 255.255.255.0\n ip access-group A in\n"
    text = f"hostname quay-{{}}\n{bound}ip access-list extended A\n permit tcp any any eq 443\n"
    loaded = load_fleet_files({f"quay-{n}.cfg": text.format(n).encode() for n in range(devices)})
    [note] = [item for item in review_fleet(loaded) if item.code == "PC112"]
    assert note.message.endswith(told)


def test_why_a_line_can_match_nothing_is_said() -> None:
    def why(entry: Line, *groups: ObjectGroup, family: Family = "ipv4") -> str:
        made = access_list("A", entry, family=family)
        (item,) = [one for one in review_list(device("quay-a", made, *groups), made) if one.code == "PC106"]
        return item.message

    piers = GroupReference("PIERS", "address")
    six = group("PIERS", "address", match("2001:db8::/32", 6))
    assert "flag that is both set and clear" in why(line("permit", "tcp", flags=FlagMatch(())))
    assert "no port is left" in why(line("permit", "tcp", destination_ports=""))
    assert "have no ports, flags or ICMP" in why(line("permit", "tcp", destination_ports="80", fragments=True))
    assert "its source, group `PIERS`, has no IPv4 address" in why(line("permit", "tcp", piers), six)
    assert "its destination, group `PIERS`, has no IPv4" in why(line("permit", "tcp", "any", piers), six)
    assert "exclude each other" in why(line("permit", "udp", flags=FlagMatch.of((2, 2))))
    assert "exclude each other" in why(line("permit", "esp", destination_ports="80"))
