from __future__ import annotations

import pytest

from pathcheck.model.object_group import GroupReference, ObjectGroup, ServiceMatch
from pathcheck.packet.ranges import Ranges
from pathcheck.parser.configuration import ParsedConfiguration, SourceText, read_configuration


def read(text: str) -> ParsedConfiguration:
    parsed = read_configuration([SourceText("quay-a.cfg", text.encode())], default_name="quay-a")
    (account,) = parsed.accounts
    assert sum(account.counts.values()) == account.lines
    return parsed


def only_group(text: str) -> ObjectGroup:
    (found,) = read(text).devices[0].groups.values()
    return found


def codes(text: str) -> list[str]:
    return [found.code for found in read(text).findings]


ADDRESSES = [
    ("object-group network SHIPS", "host 10.1.20.7", ["10.1.20.7/32"]),
    ("object-group network SHIPS", "network-object host 10.1.20.7", ["10.1.20.7/32"]),
    ("object-group network SHIPS", "10.1.20.0 255.255.255.0", ["10.1.20.0/24"]),
    ("object-group network SHIPS", "network-object 10.1.20.0 255.255.255.0", ["10.1.20.0/24"]),
    ("object-group network SHIPS", "0.0.0.0 0.0.0.0", ["any"]),
    ("object-group network SHIPS", "10.1.20.7 255.255.255.255", ["10.1.20.7/32"]),
    ("object-group network SHIPS", "10.1.20.0/24", ["10.1.20.0/24"]),
    ("object-group network SHIPS", "2001:db8:20::/48", ["2001:db8:20::/48"]),
    ("object-group network SHIPS", "range 10.1.20.1 10.1.20.4", ["10.1.20.1/32", "10.1.20.2/31", "10.1.20.4/32"]),
    ("object-group ip address SHIPS", "10 10.1.20.0/24", ["10.1.20.0/24"]),
    ("object-group ip address SHIPS", "10 host 10.1.20.7", ["10.1.20.7/32"]),
    ("object-group ip address SHIPS", "20 10.1.20.0 0.0.0.255", ["10.1.20.0/24"]),
    ("object-group ip address SHIPS", "20 10.0.0.0 0.255.0.255", ["10.0.0.0 0.255.0.255"]),
    ("object-group ip address SHIPS", "20 10.1.20.7 0.0.0.0", ["10.1.20.7/32"]),
    ("object-group ipv6 address SHIPS", "10 2001:db8::7", ["2001:db8::7/128"]),
    ("object-group network SHIPS", "any", ["any", "any"]),
    ("object-group network SHIPS", "10.1.20.0/255.255.255.0", ["10.1.20.0/24"]),
    ("object-group ip address SHIPS", "10 10.1.20.0/255.255.255.0", ["10.1.20.0/24"]),
    ("object-group network ipv4 SHIPS", "10.1.20.0/24", ["10.1.20.0/24"]),
    ("object-group network ipv4 SHIPS", "any", ["any"]),
    ("object-group network ipv6 SHIPS", "2001:db8:20::/48", ["2001:db8:20::/48"]),
]


@pytest.mark.parametrize(("header", "member", "values"), ADDRESSES)
def test_address_member(header: str, member: str, values: list[str]) -> None:
    text = f"{header}\n {member}\n"
    found = only_group(text)
    assert (found.kind, found.name) == ("address", "SHIPS")
    assert [str(item.value) for item in found.members] == values
    assert codes(text) == []


@pytest.mark.parametrize(
    ("header", "member", "value", "found"),
    [
        # The numbers decide, and a mask of the other kind is told.
        ("object-group network G", "10.1.20.0 0.0.0.255", "10.1.20.0/24", ["PC407"]),
        ("object-group ip address G", "10.1.20.0 255.255.255.0", "10.1.20.0/24", ["PC407"]),
        # Where they do not, nothing is guessed.
        ("object-group network G", "10.1.20.7 0.0.0.0", "None", ["PC407"]),
        ("object-group network G", "10.0.0.0 0.255.0.255", "None", ["PC407"]),
        ("object-group ip address G", "10.1.20.7 255.255.255.255", "None", ["PC407"]),
        ("object-group network G", "10.1.20.9 255.255.255.0", "10.1.20.0/24", ["PC406"]),
        ("object-group network G", "10.1.20.9/24", "10.1.20.0/24", ["PC406"]),
    ],
)
def test_masks_of_members(header: str, member: str, value: str, found: list[str]) -> None:
    text = f"{header}\n {member}\n"
    assert [str(item.value) for item in only_group(text).members] == [value]
    assert codes(text) == found


SERVICES = [
    ("tcp eq 443", [ServiceMatch(6, None, Ranges.single(443))]),
    ("tcp www", [ServiceMatch(6, None, Ranges.single(80))]),
    ("tcp source gt 1023 eq 22", [ServiceMatch(6, Ranges.of((1024, 65535)), Ranges.single(22))]),
    ("udp range 5000 5010", [ServiceMatch(17, None, Ranges.of((5000, 5010)))]),
    ("service-object tcp destination eq https", [ServiceMatch(6, None, Ranges.single(443))]),
    ("tcp-udp eq domain", [ServiceMatch(6, None, Ranges.single(53)), ServiceMatch(17, None, Ranges.single(53))]),
    ("icmp echo", [ServiceMatch(1, None, None, Ranges.of((2048, 2303)))]),
    ("icmp", [ServiceMatch(1)]),
    ("esp", [ServiceMatch(50)]),
    ("ip", [ServiceMatch(None)]),
    ("47", [ServiceMatch(47)]),
    ("group-object OTHER", [GroupReference("OTHER", "service")]),
]


@pytest.mark.parametrize(("member", "values"), SERVICES)
def test_service_member(member: str, values: list[ServiceMatch]) -> None:
    found = only_group(f"object-group service CREW\n {member}\n")
    assert found.kind == "service"
    assert [item.value for item in found.members] == values


@pytest.mark.parametrize(
    ("header", "member", "kind", "value"),
    [
        ("object-group ip port G", "10 eq 80 443", "port", "80,443"),
        ("object-group ip port G", "range 1 5", "port", "1-5"),
        ("object-group service G tcp", "port-object eq https", "port", "443"),
        ("object-group service G tcp-udp", "port-object eq domain", "port", "53"),
        ("object-group protocol G", "protocol-object tcp", "protocol", "6"),
        ("object-group icmp-type G", "icmp-object echo", "icmp", "2048-2303"),
        ("object-group icmp-type G", "icmp-object 3 4", "icmp", "772"),
    ],
)
def test_other_members(header: str, member: str, kind: str, value: str) -> None:
    found = only_group(f"{header}\n {member}\n")
    assert (found.kind, [str(item.value) for item in found.members]) == (kind, [value])


@pytest.mark.parametrize(
    ("header", "member", "message"),
    [
        ("object-group network G", "host 10.1.20.300", "octet `300` is above 255"),
        ("object-group network G", "range 10.1.20.9 10.1.20.1", "ends before it begins"),
        ("object-group network G", "hots 10.1.20.9", "expected an address, `host A`, `range A B`"),
        ("object-group service G", "tcp eq htp", "found `htp`"),
        ("object-group service G", "tcp range 9 1", "ends before it begins"),
        ("object-group service G", "esp eq 5", "a port needs a protocol with ports"),
        ("object-group ip port G", "eq 70000", "ports go up to 65535"),
        ("object-group service G tcp-udp", "port-object eq cmd", "no port name of udp"),
        ("object-group icmp-type G", "icmp-object 3 256", "expected an ICMP code from 0 to 255"),
    ],
)
def test_wrong_member_is_kept_as_one_that_may_be_anything(header: str, member: str, message: str) -> None:
    parsed = read(f"{header}\n {member}\n")
    (found,) = parsed.findings
    assert found.code == "PC401"
    assert message in found.message
    (group,) = parsed.devices[0].groups.values()
    assert [item.value for item in group.members] == [None]
    assert not parsed.devices[0].unmodelled


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("object-group network A\n description nothing\n", "the group `A` is empty"),
        ("object-group network A\n group-object B\n", "the address group `B` is not defined"),
        ("object-group network A\n group-object A\n", "the group `A` contains itself: `A` > `A`"),
        ("object-group network A\n group-object B\nobject-group network B\n host 10.0.0.1\n group-object C\n"
         "object-group network C\n group-object A\n", "the group `A` contains itself: `A` > `B` > `C` > `A`"),
    ],
)  # fmt: skip
def test_groups_that_stand_for_nothing_certain(text: str, message: str) -> None:
    (found,) = read(text).findings
    assert (found.code, found.message) == ("PC411", message)


def test_long_chains_of_groups_are_no_cycle() -> None:
    links = "".join(f"object-group network G{i}\n group-object G{i + 1}\n" for i in range(3_000))
    assert codes(links + "object-group network G3000\n host 10.0.0.1\n") == []


def test_removal() -> None:
    text = "object-group network A\n host 10.0.0.1\n host 10.0.0.2\n no host 10.0.0.1\n"
    assert [str(item.value) for item in only_group(text).members] == ["10.0.0.2/32"]
    assert codes(text) == []
    assert codes(text + " no host 10.0.0.9\n") == ["PC408"]
    assert not read(text + "no object-group network A\n").devices[0].groups
    assert [item.sequence for item in only_group("object-group ip port A\n 10 eq 1\n 20 eq 2\n no 10\n").members] == [
        20
    ]


def test_a_group_that_is_opened_again_goes_on() -> None:
    text = "object-group network A\n host 10.0.0.1\n!\nobject-group network A\n host 10.0.0.2\n"
    assert len(only_group(text).members) == 2


def test_a_group_may_be_called_by_the_word_of_a_version() -> None:
    found = only_group("object-group network ipv4\n 10.1.20.0/24\n")
    assert (found.name, found.family) == ("ipv4", None)
    assert only_group("object-group network ipv4 ipv4\n 10.1.20.0/24\n").family == "ipv4"


def test_a_mask_behind_a_slash_is_a_netmask() -> None:
    text = "object-group network SHIPS\n 10.1.20.0/0.0.0.255\n"
    assert only_group(text).members[0].value is None
    assert codes(text) == ["PC401"]
