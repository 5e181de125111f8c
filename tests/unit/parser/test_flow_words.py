"""The words of a flow and what is said about wrong ones."""

import pytest

from pathcheck.errors import FlowError, PathcheckError, UnknownNameError
from pathcheck.model.access_list import AccessList
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig, Place
from pathcheck.model.flow import EntryPoint
from pathcheck.model.interface import Interface, InterfaceAddress
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, NEW_CONNECTION, PSH, RST, SYN, FlagMatch
from pathcheck.parser.flow_words import flow_question, read_flow, read_flow_line
from pathcheck.source import Span

HERE = Span("quay-a.cfg", 1, "")


def interface(name, *addresses, vrf=None):
    held = tuple(InterfaceAddress(Address.parse(text), 24, span=HERE) for text in addresses)
    return Interface(name, "svi", vrf=vrf, addresses=held, span=HERE)


FLEET = FleetConfig(
    devices={
        "quay-a": Device(
            "quay-a",
            management=Address.parse("10.1.99.11"),
            interfaces={"Vlan20": interface("Vlan20", "10.1.20.1", vrf="TILLS")},
            access_lists={
                ("ipv4", "OFFICE-IN"): AccessList("OFFICE-IN", "ipv4", False, (), span=HERE),
                ("ipv6", "V6-IN"): AccessList("V6-IN", "ipv6", False, (), span=HERE),
            },
        ),
        "quay-b": Device("quay-b", interfaces={"Vlan20": interface("Vlan20", "10.1.20.2", "10.1.21.2")}),
        "quay-c": Device("quay-c", interfaces={"Vlan20": interface("Vlan20", "10.1.20.3")}),
        "tills": Device("tills", management=Address.parse("10.1.99.12")),
    },
    places={
        "controller": Place("controller", (Prefix.parse("10.1.90.5"),)),
        "tills": Place("tills", (Prefix.parse("10.1.20.0/24"), Prefix.parse("2001:db8:20::/64"))),
    },
)


def ask(line):
    return read_flow_line(line, FLEET)


def ends(flow):
    return [[str(prefix) for prefix in end] for end in (flow.source, flow.destination)]


@pytest.mark.parametrize(
    ("line", "source", "destination", "ports"),
    [
        ("tcp 10.1.20.7 10.1.99.10:443", ["10.1.20.7/32"], ["10.1.99.10/32"], (None, "443")),
        ("tcp 10.1.20.7:49152 10.1.99.10:https", ["10.1.20.7/32"], ["10.1.99.10/32"], ("49152", "443")),
        ("udp 10.1.20.0/24:any any:53,67-68,tftp", ["10.1.20.0/24"], ["0.0.0.0/0"], (None, "53,67-69")),
        ("udp 2001:db8::1 [2001:db8::/32]:443", ["2001:db8::1/128"], ["2001:db8::/32"], (None, "443")),
        ("udp [2001:db8::1] any", ["2001:db8::1/128"], ["::/0"], (None, None)),
        ("tcp any any", ["0.0.0.0/0", "::/0"], ["0.0.0.0/0", "::/0"], (None, None)),
        ("tcp controller quay-a:22", ["10.1.90.5/32"], ["10.1.99.11/32"], (None, "22")),
        ("tcp controller:1024-65535 tills", ["10.1.90.5/32"], ["10.1.20.0/24"], ("1024-65535", None)),
        ("tcp any tills:80", ["0.0.0.0/0", "::/0"], ["10.1.20.0/24", "2001:db8:20::/64"], (None, "80")),
        ("tcp quay-c any:0-65535", ["10.1.20.3/32"], ["0.0.0.0/0"], (None, "0-65535")),
        ("sctp 10.1.20.7 any:9", ["10.1.20.7/32"], ["0.0.0.0/0"], (None, "9")),
    ],
)
def test_ends_and_ports(line, source, destination, ports):
    flow = ask(line).flow
    assert ends(flow) == [source, destination]
    assert tuple(None if one is None else str(one) for one in (flow.source_ports, flow.destination_ports)) == ports


def test_the_words_are_kept_for_the_report():
    flow = ask("tcp controller any:80").flow
    assert (flow.source_named, flow.destination_named) == ("controller", "any")


@pytest.mark.parametrize(
    ("line", "protocol"),
    [
        ("ip 10.1.20.7 any", None), ("ip any 2001:db8::1", None), ("ipv6 any any", None), ("TCP 10.1.20.7 any", 6),
        ("47 10.1.20.7 any", 47), ("gre 10.1.20.7 any", 47), ("icmp 10.1.20.7 any", 1),
        ("icmp 2001:db8::7 any", 58), ("58 2001:db8::7 any", 58), ("icmpv6 any any", 58), ("1 2001:db8::7 any", 1),
        ("0 10.1.20.7 any", 0),
    ],
)  # fmt: skip
def test_protocols(line, protocol):
    assert ask(line).flow.protocol == protocol


def test_the_word_icmp_between_both_versions_means_the_icmp_of_each():
    flow = ask("icmp any any").flow
    assert (flow.protocol_in(4), flow.protocol_in(6)) == (1, 58)
    assert ask("1 any any").flow.protocol_in(6) == 1
    assert ends(ask("icmpv6 any any").flow) == [["::/0"], ["::/0"]]
    assert ends(ask("ipv6 any any").flow) == [["::/0"], ["::/0"]]


@pytest.mark.parametrize(
    ("options", "flags"),
    [
        ("", NEW_CONNECTION), ("--flags any", None), ("--flags ack", FlagMatch.exactly(ACK)),
        ("--flags=ack,PSH", FlagMatch.exactly(ACK | PSH)), ("--flags none", FlagMatch.exactly(0)), ("--fragment", None),
    ],
)  # fmt: skip
def test_flags(options, flags):
    assert ask(f"tcp 10.1.20.7 any {options}").flow.flags == flags


def test_new_connection_is_syn_without_ack():
    assert NEW_CONNECTION.matches(SYN)
    assert not NEW_CONNECTION.matches(SYN | ACK)
    assert not NEW_CONNECTION.matches(SYN | RST)


@pytest.mark.parametrize(
    ("line", "icmp"),
    [
        ("icmp 10.1.20.7 any --icmp 8", [(8 << 8, 8 << 8 | 255)]),
        ("icmp 10.1.20.7 any --icmp 3/4", [(3 << 8 | 4, 3 << 8 | 4)]),
        ("icmp 10.1.20.7 any --icmp echo,echo-reply", [(0, 255), (8 << 8, 8 << 8 | 255)]),
        ("icmp 2001:db8::7 any --icmp echo", [(128 << 8, 128 << 8 | 255)]),
        ("icmp any any --icmp echo --acl V6-IN", [(128 << 8, 128 << 8 | 255)]),
        ("icmp any any --icmp echo --acl OFFICE-IN", [(8 << 8, 8 << 8 | 255)]),
    ],
)
def test_icmp_types(line, icmp):
    assert ask(line).flow.icmp == Ranges.of(*icmp)


def test_options_stand_anywhere():
    asked = read_flow(
        ["--at", "quay-a:vl20", "udp", "--dscp", "ef", "10.1.20.7", "--no-reply", "any", "--vrf=TILLS"], FLEET
    )
    assert asked.flow.at == EntryPoint("quay-a", "Vlan20")
    assert (asked.flow.dscp, asked.flow.vrf, asked.reply) == (Ranges.single(46), "TILLS", False)
    assert ask("udp any any --at quay-b").flow.at == EntryPoint("quay-b")
    alone = ask("tcp any any --acl OFFICE-IN --device quay-a")
    assert (alone.acl, alone.device, ends(alone.flow)) == ("OFFICE-IN", "quay-a", [["0.0.0.0/0"], ["0.0.0.0/0"]])
    assert ask("tcp 10.1.20.7 any --fragment").flow.fragment


def test_words_quoted_in_a_line():
    assert ask("tcp '10.1.20.7' \"any:443\"").flow.destination_ports == Ranges.single(443)


@pytest.mark.parametrize(
    ("line", "kind", "words"),
    [
        ("", FlowError, "expected a flow `PROTO SRC[:PORT] DST[:PORT]`, found 0 words"),
        ("tcp any", FlowError, "found 2 words: `tcp any`"),
        ("tcp any any any", FlowError, "found 4 words"),
        ("tcp 'any any", FlowError, "cannot be cut into words: no closing quotation"),
        ("tccp any any", FlowError, "found `tccp` (did you mean `tcp`?)"),
        ("256 any any", FlowError, "expected a protocol by name or number 0-255"),
        ("tcp 10.1.20.7/24 any", FlowError, "the prefix is `10.1.20.0/24`"),
        ("tcp 2001:db8::1/32 any", FlowError, "the prefix is `2001:db8::/32`"),
        ("tcp 10.1.20.256 any", FlowError, "octet `256` is above 255"),
        ("tcp 10.1.20 any", FlowError, "expected four octets, found 3"),
        ("tcp 10.1.20.7/33 any", FlowError, "the length is a number from 0 to 32"),
        ("tcp 2001:db8::/32:443 any", FlowError, "write `[2001:db8::/32]:443`"),
        ("tcp [2001:db8::1 any", FlowError, "expected `[ADDRESS]:PORT` as source"),
        ("tcp [2001:db8::1]443 any", FlowError, "expected `[ADDRESS]:PORT`"),
        ("tcp [10.1.20.7]:443 any", FlowError, "brackets are for IPv6"),
        ("tcp 10.1.20.7: any", FlowError, "expected a port behind the `:`"),
        ("tcp :443 any", FlowError, "expected an address, a prefix, `any`, a place or a device"),
        ("tcp any any:htps", FlowError, "found `htps` in `any:htps` (did you mean `https`?)"),
        ("tcp any any:65536", FlowError, "found `65536`"),
        ("tcp any any:1-65536", FlowError, "found `1-65536`"),
        ("tcp any any:90-80", FlowError, "ends before it begins (did you mean `80-90`?)"),
        ("tcp any any:80,", FlowError, "expected a port number"),
        ("ip any any:80", FlowError, "only tcp, udp and sctp have ports"),
        ("gre any:5 any", FlowError, "only tcp, udp and sctp have ports"),
        ("tcp 10.1.20.7 2001:db8::1", FlowError, "are of two IP versions"),
        ("icmpv6 10.1.20.7 any", FlowError, "is a protocol of IPv6"),
        ("tcp contoller any", UnknownNameError, "found `contoller` (did you mean `controller`?)"),
        ("tcp nobody any", UnknownNameError, "known places: `controller`, `tills`"),
        ("tcp any quay-b", FlowError, "write one of its addresses: `10.1.20.2`, `10.1.21.2`"),
        ("udp any any --flags ack", FlowError, "only tcp has flags"),
        ("tcp any any --flags ack,rts", FlowError, "found `rts` (did you mean `rst`?)"),
        ("tcp any any --icmp echo", FlowError, "needs the protocol `icmp`"),
        ("icmp 10.1.20.7 any --icmp ecko", FlowError, "found `ecko` (did you mean `echo`?)"),
        ("icmp 10.1.20.7 any --icmp 256", FlowError, "numbers 0-255, found `256`"),
        ("icmp any any --icmp echo", FlowError, "write `0.0.0.0/0` or `::/0` instead of `any`"),
        ("icmp 10.1.20.7 any --icmp echo --fragment", FlowError, "has no ICMP type"),
        ("tcp any any:80 --fragment", FlowError, "has no ports"),
        ("tcp any any --fragment --flags ack", FlowError, "has no TCP flags"),
        ("tcp any any --fragment=yes", FlowError, "takes no value"),
        ("tcp any any --dscp 64", FlowError, "expected a DSCP value 0-63 or its name, found `64`"),
        ("tcp any any --vrf TILS", UnknownNameError, "did you mean `TILLS`?"),
        ("tcp any any --at", FlowError, "the option `--at` needs a value"),
        ("tcp any any --at quay-a --at quay-b", FlowError, "the option `--at` stands twice"),
        ("tcp any any --att quay-a", FlowError, "unknown option `--att`"),
        ("tcp any any --at quay-x", UnknownNameError, "no device `quay-x` in the fleet (did you mean"),
        ("tcp any any --at quay-a:Vlan21", UnknownNameError, "did you mean `Vlan20`?"),
        ("tcp any any --device quay-a", FlowError, "it needs `--acl`"),
        ("tcp any any --acl OFFICE", UnknownNameError, "no access list `OFFICE` in the fleet"),
        ("tcp any any --acl OFFICE-IN --device quay-b", UnknownNameError, "in the device `quay-b`"),
        ("tcp any any --acl OFFICE-IN --at quay-a", FlowError, "leave `--at` or `--acl` away"),
        ("tcp any 2001:db8::1 --acl OFFICE-IN", FlowError, "`OFFICE-IN` is an IPv4 list"),
        ("tcp any " + "x" * 200_000, FlowError, "more than the 100000"),
    ],
)  # fmt: skip
def test_each_fault_is_said(line, kind, words):
    with pytest.raises(PathcheckError) as caught:
        ask(line)
    assert type(caught.value) is kind
    assert words in str(caught.value)


def test_options_of_the_library_have_the_same_meaning():
    one = flow_question("tcp", "10.1.20.7", "any:443", config=FLEET, flags="ack", reply=False)
    assert one == ask("tcp 10.1.20.7 any:443 --flags ack --no-reply")
