"""Words that are names, and words that must not be."""

import pytest

from pathcheck.packet.icmp import ICMP_NAMES, icmp_match, icmp_name
from pathcheck.packet.port import port_name, port_number
from pathcheck.packet.protocol import PROTOCOL_NAMES, SCTP, TCP, UDP, protocol_name, protocol_number


@pytest.mark.parametrize("version", [4, 6])
def test_each_protocol_number_reads_back(version: int) -> None:
    assert [protocol_number(protocol_name(number, version), version) for number in range(256)] == list(range(256))


@pytest.mark.parametrize("version", [4, 6])
def test_each_icmp_name_reads_back(version: int) -> None:
    for name, (icmp_type, code) in ICMP_NAMES[version].items():
        assert icmp_match(name, version) == (icmp_type, code)
        assert icmp_match(icmp_name(icmp_type, code, version) or "", version) == (icmp_type, code)


@pytest.mark.parametrize("word", ["256", "-1", "+6", "６", "1e1", "", "ip", "ipv6", "any"])
def test_what_is_no_protocol(word: str) -> None:
    assert protocol_number(word, 4) is None
    assert protocol_number(word, 6) is None


@pytest.mark.parametrize("word", ["65536", "-1", "８０", "htp", "", "80-90"])
def test_what_is_no_port(word: str) -> None:
    assert port_number(word, TCP) is None
    assert port_number(word, None) is None


@pytest.mark.parametrize("word", ["256", "3/256", "3/", "/3", "3/4/5", "", "ttl"])
def test_what_is_no_icmp_type(word: str) -> None:
    assert icmp_match(word, 4) is None


def test_icmp_in_ipv6_is_another_protocol() -> None:
    # RFC 4443 section 1; that a list's `icmp` means it is common practice.
    assert protocol_number("icmp", 6) == PROTOCOL_NAMES["icmpv6"] == 58
    assert protocol_number("1", 6) == 1


def test_direction_less_icmpv6_word_with_two_meanings_stays_unread() -> None:
    assert icmp_match("destination-unreachable", 6) is None
    assert icmp_match("destination-unreachable", 4) == (3, None)


def test_names_are_shared_where_the_number_is() -> None:
    assert port_number("snmp", TCP) == 161
    assert port_number("www", UDP) == 80
    assert port_number("bgp", SCTP) == 179
    # 195 in lists, 90 in the registry: only UDP lists know the word.
    assert port_number("dnsix", UDP) == 195
    assert port_number("dnsix", TCP) is None
    assert port_number("www", 47) is None


def test_numbers_are_printed_with_a_name_of_their_own_protocol() -> None:
    assert port_name(161, TCP) is None
    assert port_name(161, UDP) == "snmp"
    assert port_name(179, SCTP) is None
    assert port_name(161, None) == "snmp"
