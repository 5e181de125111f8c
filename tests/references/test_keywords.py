"""Names of protocols, ports and ICMP types: registries and RFCs; spellings of CLIs from memory, common practice."""

from __future__ import annotations

import pytest
from references.published import Case, document, published

from pathcheck.packet.icmp import ICMP_NAMES, icmp_match, icmp_name
from pathcheck.packet.port import PORT_NAMES, port_name, port_number
from pathcheck.packet.protocol import ANY_PROTOCOL_WORDS, TCP, UDP, protocol_name, protocol_number

ICMP, PORTS, PROTOCOLS = "icmp-types-codes", "port-keywords", "protocol-numbers"
NUMBER = {"tcp": TCP, "udp": UDP}


@pytest.mark.parametrize("case", published(PROTOCOLS, "protocol_number"))
def test_protocol_number(case: Case) -> None:
    # /etc/protocols of Debian netbase 6.4.
    name, number = case.inputs["name"], case.expected["number"]
    words = [name, *case.expected.get("aliases", [])]
    if name in ANY_PROTOCOL_WORDS:
        # In an access list these mean each protocol, never 0 and 41 (common practice, no source).
        assert all(protocol_number(word, version) is None for word in words for version in (4, 6))
    elif number > 255:
        assert protocol_number(name, 4) is None
        assert protocol_number(str(number), 4) is None
    else:
        assert {protocol_number(word, 4) for word in words} == {number}
        assert protocol_number(protocol_name(number, 4), 4) == number


@pytest.mark.parametrize(
    "word", [w for w in document(PROTOCOLS)["cli_keywords_from_memory"]["entries"] if " " not in w]
)
def test_protocol_word_of_access_lists(word: str) -> None:
    # Spellings from memory, common practice; numbers of /etc/protocols.
    number = document(PROTOCOLS)["cli_keywords_from_memory"]["entries"][word]
    assert protocol_number(word, 4) == (number if isinstance(number, int) else None)
    assert (
        protocol_number("icmp", 6) == document(PROTOCOLS)["cli_keywords_from_memory"]["entries"]["icmp in an IPv6 list"]
    )


@pytest.mark.parametrize("case", published(PORTS, "port_keyword"))
def test_port_keyword(case: Case) -> None:
    # Number: IANA port registry and netbase 6.4; that the spelling is accepted is from memory.
    protocol = NUMBER[case.inputs["protocol"]]
    assert port_number(case.inputs["keyword"], protocol) == case.expected["port"]
    assert port_number(case.inputs["keyword"].upper(), protocol) == case.expected["port"]
    printed = port_name(case.expected["port"], protocol)
    assert printed is not None
    assert port_number(printed, protocol) == case.expected["port"]


@pytest.mark.parametrize(
    ("word", "tcp", "udp"),
    [
        ("exec", 512, None), ("biff", None, 512), ("login", 513, None), ("who", None, 513), ("cmd", 514, None),
        ("syslog", 514, 514),
    ],
)  # fmt: skip
def test_one_number_two_services(word: str, tcp: int | None, udp: int | None) -> None:
    # IANA port registry, 512 to 514: other services in TCP and in UDP.
    assert port_number(word, TCP) == tcp
    assert port_number(word, UDP) == udp


@pytest.mark.parametrize("protocol", [TCP, UDP])
def test_each_port_name_reads_back(protocol: int) -> None:
    for name, number in PORT_NAMES[protocol].items():
        assert port_number(name, protocol) == number
        printed = port_name(number, protocol)
        assert printed is not None
        assert port_number(printed, protocol) == number


@pytest.mark.parametrize("case", published(ICMP, "icmp_type", "icmp_codes"))
def test_icmp_type(case: Case) -> None:
    # RFC 792, RFC 950, RFC 1256, RFC 1812 section 5.2.7.1, RFC 4443; the names are those of access lists.
    version, icmp_type = case.inputs["family"], case.inputs["type"]
    word = WORDS[version].get(icmp_type)
    if word is not None:
        assert icmp_match(word, version) == (icmp_type, None)
        assert icmp_match(icmp_name(icmp_type, None, version) or "", version) == (icmp_type, None)
    known = {code: name for name, (t, code) in ICMP_NAMES[version].items() if t == icmp_type and code is not None}
    for code in case.expected.get("codes", {}):
        assert icmp_match(f"{icmp_type}/{code}", version) == (icmp_type, code)
    # No name stands for a code that the RFCs do not give, and the type's own name never narrows to one code.
    later = {(4, 12): {1, 2}}  # IANA registry of ICMP parameters: codes of RFC 1108
    if "codes" in case.expected and case.kind == "icmp_type" and icmp_type != 3:
        assert set(known) <= set(case.expected["codes"]) | later.get((version, icmp_type), set())


# RFC type to the word of access lists (from memory, common practice).
WORDS: dict[int, dict[int, str]] = {
    4: {
        0: "echo-reply", 3: "unreachable", 4: "source-quench", 5: "redirect", 8: "echo", 9: "router-advertisement",
        10: "router-solicitation", 11: "time-exceeded", 12: "parameter-problem", 13: "timestamp-request",
        14: "timestamp-reply", 15: "information-request", 16: "information-reply", 17: "mask-request",
        18: "mask-reply",
    },
    6: {
        1: "unreachable", 2: "packet-too-big", 3: "time-exceeded", 4: "parameter-problem", 128: "echo-request",
        129: "echo-reply",
    },
}  # fmt: skip


@pytest.mark.parametrize("case", published(ICMP, "icmp_filter_code"))
def test_code_of_a_refusal(case: Case) -> None:
    # RFC 1812 sections 5.2.7.1 and 5.3.9, RFC 4443 section 3.1.
    word = "no-route" if case.inputs.get("reason") == "no route" else "administratively-prohibited"
    assert icmp_match(word, case.inputs["family"]) == (case.expected["type"], case.expected["code"])


@pytest.mark.parametrize("case", published(ICMP, "icmp6_class_ranges"))
def test_errors_are_below_128(case: Case) -> None:
    # RFC 4443 section 2.1: what reports an error has a type up to 127.
    errors = {"unreachable", "packet-too-big", "time-exceeded", "parameter-problem"}
    low, high = case.expected["error"]
    named = {name for name, (icmp_type, code) in ICMP_NAMES[6].items() if code is None and low <= icmp_type <= high}
    assert named == errors


@pytest.mark.parametrize("word", list(document(PORTS)["icmp_keywords"]["ipv4"]))
def test_icmp_word_of_access_lists(word: str) -> None:
    # Spellings from memory, common practice; numbers as in RFC 792, RFC 950 and RFC 1812 section 5.2.7.1.
    assert icmp_match(word, 4) == tuple(document(PORTS)["icmp_keywords"]["ipv4"][word])
