from __future__ import annotations

from typing import Any

import pytest

from pathcheck.model.access_list import AccessList, Action, IcmpMatch, Line, Remark, UnreadLine
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.model.object_group import GroupReference
from pathcheck.model.unmodelled import DeviceScope, ListScope, NoScope
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, FIN, RST, SYN, FlagMatch
from pathcheck.parser.configuration import ParsedConfiguration, SourceText, read_configuration
from pathcheck.results.account import LineClass

PERMIT, DENY = Action.PERMIT, Action.DENY


def read(text: str, **assume: Any) -> ParsedConfiguration:
    """Read a text; each line is accounted for."""
    text = "hostname quay-a\n" + text
    parsed = read_configuration(
        [SourceText("quay-a.cfg", text.encode())], default_name="quay-a", assume=Assumptions(**assume)
    )
    (account,) = parsed.accounts
    assert sum(account.counts.values()) == account.lines == text.count("\n") + (not text.endswith("\n"))
    return parsed


def device_of(text: str, **assume: Any) -> Device:
    (device,) = read(text, **assume).devices
    return device


def only_list(text: str, **assume: Any) -> AccessList:
    (found,) = device_of(text, **assume).access_lists.values()
    return found


def one_line(words: str, header: str = "ip access-list extended A", **assume: Any) -> Line:
    """Read one line in a list; it must be readable."""
    (entry,) = only_list(f"{header}\n {words}\n", **assume).entries
    assert isinstance(entry, Line), entry
    return entry


def codes(text: str, **assume: Any) -> list[str]:
    return [found.code for found in read(text, **assume).findings]


def said(line: Line) -> dict[str, Any]:
    """What a line says, as text, without what is left open."""
    names = (
        "protocol", "source", "source_ports", "destination", "destination_ports", "icmp", "flags", "dscp", "fragments",
        "log", "doubt", "options",
    )  # fmt: skip
    found = {name: getattr(line, name) for name in names}
    kept = {name: value for name, value in found.items() if value is not None and value is not False and value != ""}
    return {name: str(value) if name.endswith(("source", "destination", "ports", "dscp")) else value
            for name, value in kept.items() if str(value) != "any"}  # fmt: skip


# --- lines -----------------------------------------------------------------------------------------------------------

EXTENDED = [
    ("permit ip any any", {}),
    ("permit ip 10.1.20.0 0.0.0.255 any", {"source": "10.1.20.0/24"}),
    ("permit ip host 10.1.20.7 10.1.99.0/24", {"source": "10.1.20.7/32", "destination": "10.1.99.0/24"}),
    ("deny ip 10.0.0.0 0.255.0.255 any", {"source": "10.0.0.0 0.255.0.255"}),
    ("permit ip any4 any", {}),
    ("permit tcp any host 192.0.2.10 eq 443",
     {"protocol": 6, "destination": "192.0.2.10/32", "destination_ports": "443"}),
    ("permit tcp any eq 443 any", {"protocol": 6, "source_ports": "443"}),
    ("permit tcp any eq www 443 any eq 22 2222",
     {"protocol": 6, "source_ports": "80,443", "destination_ports": "22,2222"}),
    ("permit tcp any any eq www https 8080 8443 9000 1 2 3 4 5",
     {"protocol": 6, "destination_ports": "1-5,80,443,8080,8443,9000"}),
    ("permit tcp any any neq 22 23", {"protocol": 6, "destination_ports": "0-21,24-65535"}),
    ("permit udp any any gt 1023", {"protocol": 17, "destination_ports": "1024-65535"}),
    ("permit udp any any lt 1024", {"protocol": 17, "destination_ports": "0-1023"}),
    ("permit udp any range 5 5 any range snmp snmptrap",
     {"protocol": 17, "source_ports": "5", "destination_ports": "161-162"}),
    # These match nothing, and are not wrong.
    ("permit tcp any any gt 65535", {"protocol": 6, "destination_ports": "none"}),
    ("permit tcp any any lt 0", {"protocol": 6, "destination_ports": "none"}),
    ("permit sctp any any eq 2905", {"protocol": 132, "destination_ports": "2905"}),
    ("permit udp any any eq syslog", {"protocol": 17, "destination_ports": "514"}),
    ("permit tcp any any eq cmd", {"protocol": 6, "destination_ports": "514"}),
    ("permit icmp any any", {"protocol": 1}),
    ("permit icmp any any echo", {"protocol": 1, "icmp": IcmpMatch(8)}),
    ("permit icmp any any port-unreachable log", {"protocol": 1, "icmp": IcmpMatch(3, 3), "log": "log"}),
    ("permit icmp any any 3", {"protocol": 1, "icmp": IcmpMatch(3)}),
    ("permit icmp any any 3 4", {"protocol": 1, "icmp": IcmpMatch(3, 4)}),
    ("permit 112 any any", {"protocol": 112}),
    ("permit 1 any any 8", {"protocol": 1, "icmp": IcmpMatch(8)}),
    ("permit 6 any any eq 22", {"protocol": 6, "destination_ports": "22"}),
    ("permit esp any any", {"protocol": 50}),
    ("permit ospf any any log-input", {"protocol": 89, "log": "log-input"}),
    ("permit tcp any any established", {"protocol": 6, "flags": ESTABLISHED}),
    ("permit tcp any any syn", {"protocol": 6, "flags": FlagMatch.of((SYN, SYN))}),
    ("permit tcp any any match-all +ack -fin", {"protocol": 6, "flags": FlagMatch.of((ACK | FIN, ACK))}),
    ("permit tcp any any match-any +syn -rst", {"protocol": 6, "flags": FlagMatch.of((SYN, SYN), (RST, 0))}),
    ("permit ip any any dscp af41", {"dscp": "34"}),
    ("permit ip any any dscp 46 log", {"dscp": "46", "log": "log"}),
    ("permit ip any any log precedence critical", {"dscp": "40-47", "log": "log"}),
    ("permit ip any any fragments", {"fragments": True}),
    ("permit ip object-group DOCKS addrgroup SHIPS",
     {"source": str(GroupReference("DOCKS", "address")), "destination": str(GroupReference("SHIPS", "address"))}),
    ("permit tcp any portgroup WEB any object-group MAIL",
     {"protocol": 6, "source_ports": str(GroupReference("WEB", "port")),
      "destination_ports": str(GroupReference("MAIL", "port"))}),
    ("permit object-group WEB any any", {"protocol": GroupReference("WEB", "service")}),
    ("PERMIT TCP ANY ANY EQ WWW", {"protocol": 6, "destination_ports": "80"}),
    # Counters and states of a `show` are cut off, also where they stand inside the line.
    ("permit tcp any any eq bgp (12 matches)", {"protocol": 6, "destination_ports": "179"}),
    ("permit tcp any any eq bgp (1 match) log", {"protocol": 6, "destination_ports": "179", "log": "log"}),
    ("permit ip any any (hitcnt=12) 0x1a2b3c4d", {}),
    ("permit ip any any [match=12]", {}),
    ("permit ip any any count", {}),
]  # fmt: skip


@pytest.mark.parametrize(("words", "expected"), EXTENDED, ids=[words for words, _ in EXTENDED])
def test_extended_line(words: str, expected: dict[str, Any]) -> None:
    line = one_line(words)
    assert said(line) == expected
    assert line.action == words.split()[0].lower()
    assert line.sequence == 10


@pytest.mark.parametrize(
    ("words", "source"),
    [
        ("permit any", "any"),
        ("permit 10.1.99.1", "10.1.99.1/32"),
        ("permit host 10.1.99.1 log", "10.1.99.1/32"),
        ("deny 10.1.99.0 0.0.0.255", "10.1.99.0/24"),
        ("permit 10.1.99.0/24", "10.1.99.0/24"),
        ("permit 10.1.99.0, wildcard bits 0.0.0.255 (5 matches)", "10.1.99.0/24"),
        ("deny   any log", "any"),
    ],
)
def test_standard_line(words: str, source: str) -> None:
    line = one_line(words, "ip access-list standard S")
    assert (str(line.source), str(line.destination), line.protocol) == (source, "any", None)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("permit ipv6 any any", {}),
        ("permit ip any any", {}),
        ("permit any any", {}),
        ("permit any host 2001:db8::1", {"destination": "2001:db8::1/128"}),
        ("permit tcp 2001:db8:20::/64 host 2001:db8:1::10 eq 443",
         {"protocol": 6, "source": "2001:db8:20::/64", "destination": "2001:db8:1::10/128",
          "destination_ports": "443"}),
        ("permit 2001:db8::/32 any", {"source": "2001:db8::/32"}),
        ("permit icmp any any nd-na", {"protocol": 58, "icmp": IcmpMatch(136)}),
        ("permit icmp6 any any echo-request", {"protocol": 58, "icmp": IcmpMatch(128)}),
        ("permit udp 2001:db8::5 ::ffff any eq domain",
         {"protocol": 17, "source": "2001:db8::/112", "destination_ports": "53"}),
    ],
)  # fmt: skip
def test_ipv6_line(words: str, expected: dict[str, Any]) -> None:
    assert said(one_line(words, "ipv6 access-list V6")) == expected


@pytest.mark.parametrize(
    ("words", "protocol", "destination"),
    [
        ("permit any 10.1.1.1/255.255.255.255 10.2.0.0/255.255.0.0", None, "10.2.0.0/16"),
        ("permit tcp any 10.1.1.1 eq 80", 6, "10.1.1.1/32"),
        ("deny udp 10.1.1.1 10.2.2.2", 17, "10.2.2.2/32"),
    ],
)
def test_line_under_a_header_with_its_words_turned_round(words: str, protocol: int | None, destination: str) -> None:
    line = one_line(words, "access-list ip A")
    assert (line.protocol, str(line.destination)) == (protocol, destination)


DOUBTS = [
    ("permit tcp any any time-range SUMMER", "time range", "time-range SUMMER"),
    ("permit ip any any ttl range 3 9", "time to live", "ttl range 3 9"),
    ("permit ip any any ttl eq 1 log", "time to live", "ttl eq 1"),
    ("deny ip any any tos max-throughput", "type of service", "tos max-throughput"),
    ("deny ip any any option any-options", "IP options", "option any-options"),
    ("permit tcp any any reflect BACK timeout 30", "stateful", "reflect BACK timeout 30"),
    ("permit ip any any tracked", "state of connections", "tracked"),
    ("permit tcp any any syn ack", "one or all of the flags", ""),
]


@pytest.mark.parametrize(("words", "reason", "options"), DOUBTS, ids=[words for words, _, _ in DOUBTS])
def test_line_that_may_match_less_is_doubtful(words: str, reason: str, options: str) -> None:
    line = one_line(words)
    assert reason in (line.doubt or "")
    assert line.options == options
    parsed = read(f"ip access-list extended A\n {words}\n")
    assert parsed.accounts[0].counts[LineClass.UNMODELLED] == 1
    assert [found.code for found in parsed.findings] == ["PC412"]


@pytest.mark.parametrize(("setting", "cubes"), [("any", ((SYN, SYN), (ACK, ACK))), ("all", ((SYN | ACK, SYN | ACK),))])
def test_several_flags_are_read_as_the_setting_says(setting: str, cubes: Any) -> None:
    line = one_line("permit tcp any any syn ack", several_flags=setting)
    assert line.flags == FlagMatch.of(*cubes)
    assert line.doubt is None


WRONG = [
    ("permit tcp any any eq htp", 24, "expected a port number or a known port name, found `htp`",
     "did you mean `http`?"),
    ("permit tcp any any eq 70000", 24, "`70000` is no port: ports go up to 65535", None),
    ("permit tcp any any eq who", 24, "`who` is no port name of tcp", None),
    ("permit tcp any any range 90 80", 27, "the range `90 80` ends before it begins", "write `range 80 90`"),
    ("permit tcp any any eq", 23, "expected a port number or a known port name, found the end of the line", None),
    ("permit ip any any eq 80", 20,
     "`eq` needs a protocol with ports (tcp, udp or sctp), and the protocol is `ip`", None),
    ("permit icmp any any 256", 22, "`256` is no ICMP type: it goes up to 255", None),
    ("permit icmp any any 3 256", 24, "`256` is no ICMP code: it goes up to 255", None),
    ("permit tcp any any echo", 21, "`echo` needs the protocol icmp", None),
    ("permit icmp any any nd-na", 22, "`nd-na` is no ICMP type of IPv4 that is known", None),
    ("permit udp any any established", 21, "`established` needs the protocol tcp", None),
    ("permit ip any any dscp 64", 25, "expected a DSCP value, 0 to 63, or its name, found `64`", None),
    ("permit ip any any dscp ef1", 25, "expected a DSCP value, 0 to 63, or its name, found `ef1`", None),
    ("permit 256 any any", 9, "`256` is no protocol: its number goes up to 255", None),
    ("permit tpc any any", 9, "expected a protocol, found `tpc`", "did you mean `tcp`?"),
    ("permit tpc any any eq 80", 9, "expected a protocol, found `tpc`", "did you mean `tcp`?"),
    ("permit ip host any any", 17, "expected an IPv4 address, found `any`", None),
    ("permit ip any", 15, "expected a destination (`any`, `host A`, `A MASK`, `A/LENGTH` or `object-group NAME`), "
     "found the end of the line", None),
    ("permit ip any any lgo", 20, "expected an option or the end of the line, found `lgo`", "did you mean `log`?"),
    ("permit ip any host 192.0.2.2 (dhcp)", 31, "expected an option or the end of the line, found `(dhcp)`", None),
    ("permit icmp any any echo # todo", 27, "expected an option or the end of the line, found `#`", None),
    ("permit ip 10.1.2.300 0.0.0.255 any", 12,
     "`10.1.2.300` is no IPv4 address: octet `300` is above 255", None),
    ("permit ip 10.0.X.1 0.0.0.0 any", 12, "`10.0.X.1` is a placeholder where a source (`any`, `host A`, `A MASK`, "
     "`A/LENGTH` or `object-group NAME`) is expected", "fill in the value"),
    ("permit ip host <IP> any", 17, "`<IP>` is a placeholder where an IPv4 address is expected", "fill in the value"),
    ("permit ip 10.0.0.0/33 any", 12, "`10.0.0.0/33` is no IPv4 prefix: its length is above 32", None),
    ("permit ip 10.0.0.0/0.0.0.255 any", 12, "`0.0.0.255` behind a slash is no netmask",
     "the netmask would be `255.255.255.0`"),
    ("permit tcp any any match-all +ack -ack", 36, "the flag `ack` is named twice", None),
    ("permit object-group WEB any any eq 80", 34, "a service group says the ports already",
     "take the ports out of the line"),
    ("permti tcp any any", 2, "expected `permit`, `deny` or `remark`, found `permti`", "did you mean `permit`?"),
    ("10 permti tcp any any", 5, "expected `permit`, `deny` or `remark`, found `permti`", "did you mean `permit`?"),
    ("0 permit ip any any", 2, "expected a sequence number from 1 to 4294967295, found `0`", None),
    ("10", 4, "expected `permit`, `deny` or `remark`, found the end of the line", None),
]  # fmt: skip


@pytest.mark.parametrize(("words", "column", "message", "cure"), WRONG, ids=[row[0] for row in WRONG])
def test_wrong_line_is_told_at_its_word_and_keeps_its_place(
    words: str, column: int, message: str, cure: str | None
) -> None:
    parsed = read(f"ip access-list extended A\n {words}\n deny ip any any\n")
    (found,) = parsed.findings
    assert (found.code, found.message, found.help) == ("PC401", message, cure)
    assert found.span is not None
    assert (found.span.line, found.span.column) == (3, column)
    (device,) = parsed.devices
    first, second = device.access_lists["ipv4", "A"].entries
    assert isinstance(first, UnreadLine)
    assert isinstance(second, Line)
    readable = next((word for word in words.split() if word in ("permit", "deny")), None)
    assert first.action == readable
    assert parsed.accounts[0].counts[LineClass.WRONG] == 1
    assert not device.unmodelled, "an uncertain list is all that it touches"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("access-list 10 permit tcp any any",
         "expected a source, which is all that a standard list compares, found `tcp`"),
        ("access-list 10 permit 10.0.0.0 0.0.0.255 10.1.0.0 0.0.0.255",
         "expected an option or the end of the line, found `10.1.0.0`"),
        ("access-list 110 permit 10.0.0.0 0.0.0.255", "expected a protocol, found `10.0.0.0`"),
        ("access-list 1300 permit tcp any any eq 22",
         "expected a source, which is all that a standard list compares, found `tcp`"),
    ],
)  # fmt: skip
def test_syntax_of_the_other_kind_is_wrong(text: str, message: str) -> None:
    parsed = read(text + "\n")
    assert [found.message for found in parsed.findings] == [message]
    (found,) = parsed.devices[0].access_lists.values()
    assert isinstance(found.entries[0], UnreadLine)


# --- masks -----------------------------------------------------------------------------------------------------------

MASKS = [
    # reading, address and mask, what it matches, findings
    ("wildcard", "10.1.2.0 0.0.0.255", "10.1.2.0/24", []),
    ("wildcard", "10.1.2.7 0.0.0.0", "10.1.2.7/32", []),
    ("wildcard", "10.1.2.7 0.0.0.255", "10.1.2.0/24", ["PC406"]),
    ("wildcard", "10.0.0.0 0.0.0.254", "10.0.0.0 0.0.0.254", []),
    ("wildcard", "0.0.0.0 255.255.255.255", "any", []),
    ("wildcard", "0.0.0.0 0.0.0.0", "0.0.0.0/32", ["PC407"]),
    ("wildcard", "10.1.2.0 255.255.255.0", "0.0.0.0 255.255.255.0", ["PC407"]),
    ("wildcard", "10.1.2.0 255.255.255.255", "any", ["PC407"]),
    ("wildcard", "10.0.0.5 255.0.0.255", "0.0.0.0 255.0.0.255", ["PC406"]),
    ("netmask", "10.1.2.0 255.255.255.0", "10.1.2.0/24", []),
    ("netmask", "10.1.2.9 255.255.255.0", "10.1.2.0/24", ["PC406"]),
    ("netmask", "10.1.2.9 255.255.255.255", "10.1.2.9/32", []),
    ("netmask", "0.0.0.0 0.0.0.0", "any", []),
    ("decide", "10.1.2.0 0.0.0.255", "10.1.2.0/24", []),
    ("decide", "10.1.2.0 255.255.255.0", "10.1.2.0/24", []),
    ("decide", "10.1.2.9 255.255.255.255", "10.1.2.9/32", ["PC407"]),
    ("decide", "10.1.2.9 0.0.0.0", "10.1.2.9/32", ["PC407"]),
    ("decide", "0.0.0.0 255.255.255.255", "any", ["PC407"]),
    ("decide", "0.0.0.0 0.0.0.0", "0.0.0.0/32", ["PC407"]),
]


@pytest.mark.parametrize(("reading", "words", "matched", "found"), MASKS)
def test_dotted_mask_is_read_as_the_setting_says(reading: str, words: str, matched: str, found: list[str]) -> None:
    text = f"ip access-list extended A\n permit ip {words} any\n"
    assert str(one_line(f"permit ip {words} any", dotted_mask=reading).source) == matched
    assert codes(text, dotted_mask=reading) == found


def test_mask_that_is_no_netmask_is_wrong_where_the_setting_asks_for_one() -> None:
    parsed = read("ip access-list extended A\n permit ip 10.0.0.0 0.0.0.255 any\n", dotted_mask="netmask")
    (found,) = parsed.findings
    assert found.code == "PC401"
    assert "dotted_mask" in (found.help or "")


def test_netmask_in_the_place_of_a_wildcard_mask_is_told_with_the_likely_intent() -> None:
    parsed = read("access-list 110 permit ip 10.1.2.0 255.255.255.0 any\n")
    (found,) = parsed.findings
    assert found.message == (
        "`255.255.255.0` looks like a netmask and was read as a wildcard mask: it compares the last octet only"
    )
    assert found.help == "for the prefix 10.1.2.0/24 write `10.1.2.0 0.0.0.255`"
    assert found.acl == "110"


def test_host_bits_of_a_prefix_count_as_zero() -> None:
    assert str(one_line("permit ip 10.1.2.9/24 any").source) == "10.1.2.0/24"
    assert codes("ip access-list A\n permit ip 10.1.2.9/24 any\n") == ["PC406"]


# --- headers ---------------------------------------------------------------------------------------------------------

HEADERS = [
    ("ip access-list extended QUAY_7/a.b-c", "permit ip any any", "ipv4", "QUAY_7/a.b-c", False),
    ("ip access-list ext A", "permit ip any any", "ipv4", "A", False),
    ("ip access-list standard B", "permit any", "ipv4", "B", True),
    ("ip access-list standard 10", "permit any", "ipv4", "10", True),
    ("ip access-list extended 110", "permit ip any any", "ipv4", "110", False),
    ("ip access-list C", "permit ip any any", "ipv4", "C", False),
    ("ip access-list ext", "permit ip any any", "ipv4", "ext", False),
    ("ipv4 access-list D", "permit ip any any", "ipv4", "D", False),
    ("ipv6 access-list E", "permit ipv6 any any", "ipv6", "E", False),
    ("ipv6 access-list standard E", "permit 2001:db8::/32", "ipv6", "E", True),
    ("access-list ip F", "permit any any any", "ipv4", "F", False),
    ("access-list ipv6 G", "permit any any any", "ipv6", "G", False),
    ("Extended IP access list H", "permit ip any any", "ipv4", "H", False),
    ("Standard IP access list 10", "permit any", "ipv4", "10", True),
    ("Extended IP access list 110 (Compiled)", "permit ip any any", "ipv4", "110", False),
    ("IPv6 access list I", "permit ipv6 any any sequence 10", "ipv6", "I", False),
    ("IP access list J", "10 permit ip any any [match=3]", "ipv4", "J", False),
    ("IP Access List K [readonly]", "10 permit ip any any", "ipv4", "K", False),
]


@pytest.mark.parametrize(("header", "line", "family", "name", "standard"), HEADERS, ids=[row[0] for row in HEADERS])
def test_header(header: str, line: str, family: str, name: str, standard: bool) -> None:
    found = only_list(f"{header}\n {line}\n")
    assert (found.family, found.name, found.standard, len(found.lines)) == (family, name, standard, 1)
    assert isinstance(found.lines[0], Line)


@pytest.mark.parametrize(
    "text",
    [
        "access-list 10 permit 10.1.99.0 0.0.0.255\nip access-list standard 10\n permit any\n",
        "ip access-list standard 10\n permit 10.1.99.0 0.0.0.255\n!\naccess-list 10 permit any\n",
        "access-list 10 permit 10.1.99.0 0.0.0.255\nhostname quay-a\naccess-list 10 permit any\n",
    ],
)
def test_a_list_that_is_opened_again_goes_on(text: str) -> None:
    assert [(entry.sequence, str(entry.source)) for entry in only_list(text).lines if isinstance(entry, Line)] == [
        (10, "10.1.99.0/24"), (20, "any"),
    ]  # fmt: skip


def test_families_have_their_own_names() -> None:
    found = device_of("ip access-list A\n permit ip any any\nipv6 access-list A\n deny ipv6 any any\n").access_lists
    assert list(found) == [("ipv4", "A"), ("ipv6", "A")]


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("ip access-list extended 10", "`10` is a number of standard lists"),
        ("ip access-list standard 2000", "`2000` is a number of extended lists"),
        ("ip access-list extended 300", "`300` is no IPv4 list"),
        ("ip access-list extended NORTH QUAY", "expected the end of the line, found `QUAY`"),
    ],
)
def test_wrong_header_leaves_a_list_that_is_uncertain(header: str, message: str) -> None:
    parsed = read(f"{header}\n permit ip any any\n deny ip any any\n")
    assert [found.message for found in parsed.findings] == [message]
    (found,) = parsed.devices[0].access_lists.values()
    assert [type(entry) for entry in found.entries] == [UnreadLine]
    assert parsed.accounts[0].counts[LineClass.UNKNOWN] == 2


def test_header_without_a_name_touches_the_device() -> None:
    device = device_of("ip access-list extended\n permit ip any any\n")
    assert not device.access_lists
    assert [item.scope for item in device.unmodelled] == [DeviceScope()]


def test_a_list_of_one_kind_is_not_opened_as_the_other() -> None:
    parsed = read("ip access-list standard A\n permit any\nip access-list extended A\n permit ip any any\n")
    assert [found.message for found in parsed.findings] == ["`A` is a standard list already"]
    assert isinstance(parsed.devices[0].access_lists["ipv4", "A"].entries[-1], UnreadLine)


@pytest.mark.parametrize(
    "text",
    [
        "mac access-list extended FRAMES\n permit any any\n deny any any\n",
        "mac access-list extended FRAMES\npermit any any\n10 deny any any\n",
        "access-list mac FRAMES\n permit any any\n deny any any\n",
    ],
)
def test_a_list_of_frames_is_no_packet_list(text: str) -> None:
    parsed = read(text)
    assert not parsed.devices[0].access_lists
    assert [item.scope for item in parsed.devices[0].unmodelled] == [NoScope()]
    assert parsed.accounts[0].counts[LineClass.UNMODELLED] == 3


def test_lines_with_the_name_in_front_are_unread_and_not_guessed() -> None:
    lists = device_of("access-list DMZ extended permit ip any any\naccess-list 10 permit any\n").access_lists
    assert [type(entry) for entry in lists["ipv4", "DMZ"].entries] == [UnreadLine]


# --- order -----------------------------------------------------------------------------------------------------------


def order(text: str) -> list[tuple[int | None, str]]:
    entries = only_list(text).entries
    return [(entry.sequence, entry.text if isinstance(entry, Remark) else str(entry.span.words)) for entry in entries]


def test_numbers_decide_the_order() -> None:
    text = (
        "ip access-list A\n 20 permit tcp any any\n 10 permit udp any any\n permit icmp any any\n 15 deny ip any any\n"
    )
    assert [sequence for sequence, _ in order(text)] == [10, 15, 20, 30]


@pytest.mark.parametrize("form", ["seq 5 permit ip any any", "sequence 5 permit ip any any"])
def test_words_in_front_of_the_number(form: str) -> None:
    assert only_list(f"ip access-list A\n {form}\n permit tcp any any\n").lines[0].sequence == 5


def test_number_behind_the_line() -> None:
    text = "ipv6 access-list A\n permit tcp any any sequence 20\n permit udp any any (3 matches) sequence 10\n"
    assert [line.sequence for line in only_list(text).lines] == [10, 20]


def test_missing_number_is_the_last_and_ten() -> None:
    text = "ip access-list A\n permit tcp any any\n 25 permit udp any any\n permit icmp any any\n"
    assert [line.sequence for line in only_list(text).lines] == [10, 25, 35]


def test_same_number_twice_the_later_acts() -> None:
    text = "ip access-list A\n 10 permit tcp any any\n 10 deny udp any any\n"
    (found,) = read(text).findings
    assert (found.code, found.span and found.span.line, found.because[0].line, found.acl) == ("PC405", 4, 3, "A")
    assert [line.span.words for line in only_list(text).lines] == ["10 deny udp any any"]


def test_show_output_behind_the_configuration_repeats_it() -> None:
    text = "access-list 10 permit 10.1.99.0 0.0.0.255\naccess-list 10 deny any\n!\n"
    shown = (
        "Standard IP access list 10\n    10 permit 10.1.99.0, wildcard bits 0.0.0.255 (5 matches)\n    20 deny any\n"
    )
    assert codes(text + shown) == []
    assert len(only_list(text + shown).lines) == 2


def test_remarks_keep_their_places() -> None:
    text = (
        "ip access-list A\n remark permit tcp any any eq\n permit tcp any any\n remark  two  blanks\n"
        " permit udp any any\n 15 remark between\n 5 permit icmp any any\n"
    )
    assert order(text) == [
        (None, "permit tcp any any eq"), (5, "5 permit icmp any any"), (10, "permit tcp any any"),
        (None, "two  blanks"), (15, "between"), (20, "permit udp any any"),
    ]  # fmt: skip


def test_a_remark_and_a_line_can_share_a_number() -> None:
    text = "ip access-list A\n 10 remark ticket offices\n 10 permit tcp any any\n 20 remark last\n"
    assert codes(text) == []
    assert [type(entry) for entry in only_list(text).entries] == [Remark, Line, Remark]


def test_a_list_of_remarks_is_empty() -> None:
    assert only_list("access-list 10 remark nothing yet\n").is_empty


def test_resequence() -> None:
    text = "ip access-list A\n 3 permit tcp any any\n 3 remark last\n 2 permit udp any any\n!\n"
    assert order(text + "ip access-list resequence A 100 5\n") == [
        (100, "2 permit udp any any"), (105, "last"), (105, "3 permit tcp any any"),
    ]  # fmt: skip


# --- removal ---------------------------------------------------------------------------------------------------------

LIST = "ip access-list extended A\n 10 permit tcp any any\n 20 permit udp any any\n 30 deny ip any any\n"


@pytest.mark.parametrize(
    ("removal", "left"),
    [
        (" no 20\n", [10, 30]),
        (" no permit udp any any\n", [10, 30]),
        (" no 20 permit udp any any\n", [10, 30]),
        (" no 20\n 20 permit icmp any any\n", [10, 20, 30]),
        ("!\nno ip access-list extended A\nip access-list extended A\n permit ip any any\n", [10]),
    ],
)
def test_removal(removal: str, left: list[int]) -> None:
    assert [line.sequence for line in only_list(LIST + removal).lines] == left
    assert codes(LIST + removal) == []


@pytest.mark.parametrize("removal", [" no 21\n", " no permit udp any any eq 1\n", " no 10 permit udp any any\n"])
def test_removal_of_what_is_not_there_is_noted(removal: str) -> None:
    assert codes(LIST + removal) == ["PC408"]
    assert len(only_list(LIST + removal).lines) == 3


@pytest.mark.parametrize(
    ("text", "left"),
    [
        (" 5 deny ip any any\n 182 permit udp any any\n no 182\n permit tcp any any\n", [5, 15]),
        (" 182 permit udp any any\n no 182\n permit tcp any any\n", [10]),
        (" 20 permit udp any any\n no permit udp any any\n permit tcp any any\n", [10]),
        (" permit udp any any\n no 10\n deny udp any any\n no 10\n", []),
    ],
)
def test_a_line_without_number_follows_what_removals_left(text: str, left: list[int]) -> None:
    assert [line.sequence for line in only_list("ip access-list extended A\n" + text).lines] == left


def test_whole_lists_are_removed() -> None:
    assert not device_of(LIST + "!\nno ip access-list extended A\n").access_lists
    assert not device_of("access-list 110 permit ip any any\nno access-list 110\n").access_lists
    assert codes("no access-list 110\n") == ["PC408"]


def test_removal_of_one_line_of_a_numbered_list_is_uncertain() -> None:
    device = device_of("access-list 110 permit ip any any\nno access-list 110 permit ip any any\n")
    assert [item.scope for item in device.unmodelled] == [ListScope("110", "ipv4")]


def test_removal_that_cannot_be_read_makes_the_list_uncertain() -> None:
    device = device_of(LIST + " no permit tcp any any eq htp\n")
    assert [item.scope for item in device.unmodelled] == [ListScope("A", "ipv4")]


# --- what else stands in or near lists -------------------------------------------------------------------------------


def test_stateful_line_may_permit() -> None:
    entries = only_list("ip access-list A\n evaluate BACK\n deny ip any any\n").entries
    assert isinstance(entries[0], UnreadLine)
    assert entries[0].action == PERMIT


def test_counting_is_ignored_and_fragment_handling_is_not() -> None:
    parsed = read(
        "ip access-list A\n statistics per-entry\n counters per-entry\n fragments deny-all\n permit ip any any\n"
    )
    assert parsed.accounts[0].counts[LineClass.IGNORED] == 2
    assert [item.scope for item in parsed.devices[0].unmodelled] == [ListScope("A", "ipv4")]


def test_garbled_line_in_a_text_without_indentation_belongs_to_the_list() -> None:
    parsed = read("ip access-list extended A\npermit tcp any any\npermti udp any any\ndeny ip any any\n")
    (found,) = parsed.devices[0].access_lists.values()
    assert [type(entry) for entry in found.entries] == [Line, UnreadLine, Line]
    assert not parsed.devices[0].unmodelled


def test_unknown_line_behind_a_list_without_indentation_may_be_either() -> None:
    parsed = read("ip access-list extended A\npermit tcp any any\nmoorings 7\ndeny ip any any\n")
    (found,) = parsed.devices[0].access_lists.values()
    assert [type(entry) for entry in found.entries] == [Line, UnreadLine, Line]
    assert [item.scope for item in parsed.devices[0].unmodelled] == [DeviceScope()]


def test_unknown_line_behind_an_indented_list_is_no_line_of_it() -> None:
    parsed = read("ip access-list extended A\n permit tcp any any\nmoorings 7\n")
    assert [type(entry) for entry in parsed.devices[0].access_lists["ipv4", "A"].entries] == [Line]
    assert [item.scope for item in parsed.devices[0].unmodelled] == [DeviceScope()]


def test_garbled_head_of_a_numbered_line_makes_that_list_uncertain_too() -> None:
    device = device_of("access-list 110 permit tcp any any\nacess-list 110 permit udp any any\n")
    assert [type(entry) for entry in device.access_lists["ipv4", "110"].entries] == [Line, UnreadLine]
    assert [item.scope for item in device.unmodelled] == [DeviceScope()]


def test_bare_name_of_a_service_group_stands_for_a_protocol_wherever_the_group_is_defined() -> None:
    text = "ip access-list A\n permit WEB any any\nobject-group service WEB\n tcp eq 443\n"
    assert codes(text) == []
    assert only_list(text).lines[0].protocol == GroupReference("WEB", "service")  # type: ignore[union-attr]
    assert codes("ip access-list A\n permit WEB any any\n") == ["PC401"]


def test_groups_are_told_apart_by_what_they_are() -> None:
    text = (
        "ip access-list A\n permit object-group P any any\n"
        " permit tcp object-group N object-group WEB object-group N\n"
        "object-group protocol P\n protocol-object tcp\nobject-group network N\n host 10.1.20.7\n"
        "object-group ip port WEB\n eq 443\n"
    )
    first, second = only_list(text).lines
    assert isinstance(first, Line)
    assert isinstance(second, Line)
    assert first.protocol == GroupReference("P", "protocol")
    assert second.source_ports == GroupReference("WEB", "port")
    assert second.destination == GroupReference("N", "address")
    assert second.destination_ports is None


def test_undefined_group_is_noted_once() -> None:
    text = "ip access-list A\n permit ip object-group N any\n permit ip any object-group N\n"
    (found,) = read(text).findings
    assert (found.code, found.message, found.acl) == ("PC411", "the address group `N` is not defined", "A")
