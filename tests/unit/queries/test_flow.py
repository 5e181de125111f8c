"""What becomes of a flow: every reason, the reply, and what the answer rests on."""

from __future__ import annotations

import re

import pytest
from small_fleets import ask, ends, fleet_of, notes, way

from pathcheck.errors import FlowError, InternalFault, UnknownNameError
from pathcheck.parser.flow_words import read_flow_line
from pathcheck.queries import flow as flow_query
from pathcheck.queries.flow import ask_list

QUAY = """
    hostname quay
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.0.0.1 255.255.255.252
    interface Ethernet2
     no switchport
     ip address 10.1.20.1 255.255.255.0
     ip access-group FROM-TICKETS in
    interface Loopback0
     ip address 10.9.0.1 255.255.255.255
    ip access-list extended FROM-TICKETS
     permit tcp 10.1.20.0 0.0.0.255 any eq 443
     permit tcp 10.1.20.0 0.0.0.255 any established
     permit icmp any any
     deny udp any any
    ip route 0.0.0.0 0.0.0.0 10.0.0.2
    ip route 10.66.0.0 255.255.0.0 Null0
"""
CORE = """
    hostname core
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.0.0.2 255.255.255.252
    interface Ethernet2
     no switchport
     ip address 10.1.99.1 255.255.255.0
     ip access-group TO-SERVERS out
    interface Ethernet3
     no switchport
     ip address 203.0.113.2 255.255.255.0
    ip access-list extended TO-SERVERS
     deny ip any host 10.1.99.66
     permit ip any any
    ip route 10.1.20.0 255.255.255.0 10.0.0.1
    ip route 10.9.0.1 255.255.255.255 10.0.0.1
    ip route 198.51.100.0 255.255.255.0 203.0.113.1
    line vty 0 4
     access-class STAFF in
    ip access-list standard STAFF
     permit 10.1.99.0 0.0.0.255
"""


@pytest.fixture(scope="module")
def fleet():
    return fleet_of(QUAY, CORE)


@pytest.mark.parametrize(
    ("words", "verdict", "reason"),
    [
        ("tcp 10.1.20.7 10.1.99.10:443", "permitted", "arrived"),
        ("tcp 10.1.20.7 10.1.99.10:80", "denied", "filtered"),
        ("tcp 10.1.20.7 10.1.99.66:443", "denied", "filtered"),
        ("tcp 10.1.20.7 198.51.100.9:443", "permitted", "handed-over"),
        ("tcp 10.1.20.7 192.0.2.1:443", "denied", "unrouted"),
        ("tcp 10.1.20.7 10.66.1.1:443", "denied", "discarded"),
        ("tcp 10.1.20.7 10.1.99.10:80 --flags ack", "permitted", "arrived"),
        ("tcp 10.1.99.10 10.1.20.7:80", "permitted", "arrived"),
        ("udp 10.1.20.7 10.1.99.10:53", "denied", "filtered"),
        # Own addresses: the device's own packets meet no out list; a loopback is reached over any interface.
        ("tcp 10.9.0.1 10.1.99.10:443", "permitted", "arrived"),
        ("icmp 10.1.99.10 10.9.0.1", "permitted", "arrived"),
        ("icmp 10.1.20.7 10.1.20.1", "permitted", "arrived"),
        # Terminal lines guard SSH on each own address, and only that.
        ("tcp 10.9.0.1 10.0.0.2:22", "denied", "filtered"),
        ("tcp 10.1.99.10 10.0.0.2:22", "permitted", "arrived"),
        ("tcp 10.9.0.1 10.0.0.2:443", "permitted", "arrived"),
        # An entry point beats the source; without an interface the packets start on the device.
        ("tcp 192.0.2.9 10.1.99.10:443 --at core:Ethernet3", "permitted", "arrived"),
        ("tcp 192.0.2.9 10.1.99.66:443 --at core", "permitted", "arrived"),
        ("tcp 192.0.2.9 10.1.99.66:443 --at core:eth3", "denied", "filtered"),
    ],
)
def test_each_flow_has_its_reason(fleet, words, verdict, reason):
    assert ends(ask(fleet, words)) == (verdict, reason)


def test_a_path_names_interfaces_lines_and_routes(fleet):
    (path,) = ask(fleet, "tcp 10.1.20.7 10.1.99.10:443").paths
    assert way(path) == ["Ethernet2>quay>Ethernet1", "Ethernet1>core>Ethernet2"]
    first, last = path.hops
    assert first.in_line.text == "permit tcp 10.1.20.0 0.0.0.255 any eq 443"
    assert (str(first.route.prefix), str(first.route.next_hop), first.route.source) == (
        "0.0.0.0/0",
        "10.0.0.2",
        "static",
    )
    assert (last.in_line, last.out_line.text, last.route.source) == (None, "permit ip any any", "connected")
    assert (path.share, path.sample.destination_port, path.sample.source_port) == ("all", 443, 49152)


def test_the_implicit_end_has_no_place(fleet):
    (path,) = ask(fleet, "tcp 10.1.20.7 10.1.99.10:80").paths
    assert (path.hops[-1].in_line.text, path.hops[-1].in_line.span) == ("implicit deny", None)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        # TCP answers with ACK, which `established` lets in.
        ("tcp 10.1.99.10 10.1.20.7:80", ("permitted", "arrived")),
        # UDP has no such thing: the reply is filtered where it starts.
        ("udp 10.1.99.10 10.1.20.7:53", ("denied", "filtered")),
        ("icmp 10.1.99.10 10.1.20.7 --icmp 8", ("permitted", "arrived")),
        # Nothing answers an echo reply or a message that says something is wrong.
        ("icmp 10.1.99.10 10.1.20.7 --icmp 0", None),
        ("icmp 10.1.99.10 10.1.20.7 --icmp 3/1", None),
        # No reply to what does not get there.
        ("tcp 10.1.20.7 10.1.99.10:80", None),
        ("tcp 10.1.99.10 10.1.20.7:80 --no-reply", None),
        # It comes back in where it was handed over.
        ("tcp 10.1.20.7 198.51.100.9:443", ("permitted", "arrived")),
        # The reply of a device starts on the device and meets none of its out lists.
        ("icmp 10.1.99.66 10.0.0.2 --icmp 8", ("permitted", "arrived")),
    ],
)
def test_the_reply(fleet, words, expected):
    reply = ask(fleet, words).reply
    assert (None if reply is None else ends(reply)) == expected


def test_the_sample_of_the_reply_answers_that_of_the_flow(fleet):
    answer = ask(fleet, "tcp 10.1.99.10:50000 10.1.20.7:80")
    (there,), (back,) = answer.paths, answer.reply.paths
    assert (back.sample.source, back.sample.destination_port) == (there.sample.destination, there.sample.source_port)
    assert answer.reply.flow["source"] == "10.1.20.7/32"


def test_the_flow_is_given_back_in_words(fleet):
    answer = ask(fleet, "tcp 10.1.20.7 10.1.99.10:443")
    # The shape of the contract.
    assert answer.flow == {
        "protocol": "tcp",
        "source": "10.1.20.7/32",
        "source_port": "any",
        "destination": "10.1.99.10/32",
        "destination_port": "443",
    }
    more = ask(fleet, "tcp 10.1.20.7 any:443 --flags ack --dscp 46").flow
    assert (more["destination"], more["flags"], more["dscp"]) == ("any", "ack", "46")
    assert ask(fleet, "icmp 10.1.20.7 10.1.99.10 --icmp 8").flow["icmp"] == "8"
    assert ask(fleet, "ip 10.1.20.7 10.1.99.10 --fragment").flow["fragment"] == "true"


def test_two_hosts_of_one_subnet_meet_no_list(fleet):
    answer = ask(fleet, "udp 10.1.20.7 10.1.20.8:53")
    assert ends(answer) == ("permitted", "arrived")
    assert answer.paths[0].hops == ()
    assert "on one subnet" in notes(answer)
    assert ends(answer.reply) == ("permitted", "arrived")


def test_a_prefix_as_source_is_the_stations_on_it(fleet):
    answer = ask(fleet, "tcp 10.1.20.0/24 10.1.99.10:443")
    assert ends(answer) == ("permitted", "arrived")
    assert "10.1.20.0, 10.1.20.1, 10.1.20.255" in notes(answer)
    # Singly named, they are asked about: the device's own packets start on it, so they meet no list.
    assert ask(fleet, "udp 10.1.20.1 10.1.99.10:53").verdict == "permitted"


def test_a_prefix_as_destination_is_taken_whole(fleet):
    answer = ask(fleet, "tcp 10.1.20.7 10.1.99.64/30:443")
    assert (answer.verdict, answer.reason) == ("partly", None)
    filtered, arrived = answer.paths
    assert (filtered.reason, [str(row.box.destination) for row in filtered.regions]) == ("filtered", ["10.1.99.66/32"])
    assert arrived.share == "part"
    assert {str(row.box.destination) for row in arrived.regions} == {"10.1.99.64/31", "10.1.99.67/32"}


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("tcp 192.0.2.9 10.1.99.10:443", "`192.0.2.9` is on no subnet of the fleet.*--at"),
        ("tcp 10.1.0.0/16 10.1.99.10:443", "is on no subnet of the fleet.*--at"),
        ("tcp 10.1.20.7 224.0.0.5:443", "only unicast flows"),
        ("tcp 127.0.0.1 10.1.99.10:443 --at core", "only unicast flows"),
    ],
)
def test_a_question_that_cannot_be_answered_says_why(fleet, words, told):
    with pytest.raises(FlowError) as caught:
        ask(fleet, words)
    assert re.search(told, str(caught.value))


def test_the_two_opinions_disagreeing_is_an_internal_fault(fleet, monkeypatch):
    monkeypatch.setattr(flow_query, "evaluate_packet", lambda *_: frozenset())
    with pytest.raises(InternalFault, match=r"10\.1\.20\.7.*arrived over quay.*nothing") as caught:
        ask(fleet, "tcp 10.1.20.7 10.1.99.10:443")
    assert "report" in str(caught.value)


# ---- one list alone -------------------------------------------------------------------------


def ask_acl(fleet, words):
    question = read_flow_line(words, fleet.config)
    return ask_list(fleet, question.device, question.acl, question.flow)


def test_one_list_alone(fleet):
    answer = ask_acl(fleet, "tcp 10.1.20.7 192.0.2.1:443 --acl FROM-TICKETS")
    assert (answer.verdict, answer.device, answer.line.text) == (
        "permitted",
        "quay",
        "permit tcp 10.1.20.0 0.0.0.255 any eq 443",
    )
    denied = ask_acl(fleet, "tcp 192.0.2.7 192.0.2.1:80 --acl FROM-TICKETS")
    assert (denied.verdict, denied.reason, denied.line.text) == ("denied", "filtered", "implicit deny")


def test_a_set_through_a_list_shows_every_line_with_its_part(fleet):
    answer = ask_acl(fleet, "ip any any --acl TO-SERVERS")
    assert (answer.verdict, answer.line) == ("partly", None)
    assert [(use.text, [str(row.box.destination) for row in rows][:1]) for use, rows in answer.lines] == [
        ("deny ip any host 10.1.99.66", ["10.1.99.66/32"]),
        ("permit ip any any", [str(answer.lines[1][1][0].box.destination)]),
    ]
    assert all(rows[0].sample is not None for _, rows in answer.lines)


def test_the_device_of_a_list_is_needed_where_several_have_it():
    one = "hostname {}\nip access-list extended A\n permit ip any any\n"
    fleet = fleet_of(one.format("pier-1"), one.format("pier-2"))
    with pytest.raises(UnknownNameError, match=r"`pier-1`, `pier-2`.*--device"):
        ask_acl(fleet, "ip any any --acl A")
    assert ask_acl(fleet, "ip any 10.0.0.1 --acl A --device pier-2").device == "pier-2"
    with pytest.raises(UnknownNameError, match="did you mean `A`"):
        ask_list(fleet, None, "AA", read_flow_line("ip any any", fleet.config).flow)
