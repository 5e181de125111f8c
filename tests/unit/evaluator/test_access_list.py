"""The evaluator on lists: tables made by hand, each with where its meaning comes from."""

from __future__ import annotations

import pytest
from model_builders import access_list, device, group, line, packet, span

from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import AccessList, Action, IcmpMatch, Remark, UnreadLine
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.object_group import GroupReference, ServiceMatch
from pathcheck.model.unmodelled import ListScope, Unmodelled
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, FIN, RST, SYN, FlagMatch
from pathcheck.packet.wildcard import AddressMatch

TICKETS = "10.1.20.0/24"
OFFICE = "10.1.99.10"


def decide(entries, one, *groups, family="ipv4", unmodelled=(), **assume):
    """Return `permit`, `deny` or `uncertain`, and the text of the deciding line."""
    lists = (AccessList("A", family, False, tuple(entries), span=span()),) if entries is not None else ()
    box = device("quay-a", *lists, *groups, assume=Assumptions(**assume), unmodelled=tuple(unmodelled))
    decision = evaluate_list(box, family, "A", one)
    assert (decision.action is None) == bool(decision.doubts)
    return decision.action.value if decision.action else "uncertain", decision


def answer(entries, one, *groups, **more):
    return decide(entries, one, *groups, **more)[0]


WEB = packet("10.1.20.7", OFFICE, "tcp", 49152, 443)
FRAGMENT = packet("10.1.20.7", OFFICE, "tcp", fragment=True)


@pytest.mark.parametrize(
    ("source", "address", "matches"),
    [
        # RFC 4632 section 3.1: a prefix holds the addresses that share its first bits.
        ("10.1.20.0/24", "10.1.20.255", True),
        ("10.1.20.0/24", "10.1.21.0", False),
        # Wildcard masks: common practice, no source. 0.0.0.0 is one host, 255.255.255.255 any.
        ("10.1.20.7 0.0.0.0", "10.1.20.7", True),
        ("10.1.20.7 0.0.0.0", "10.1.20.8", False),
        ("10.1.20.7 255.255.255.255", "192.0.2.1", True),
        # A netmask where a wildcard belongs matches each address that ends in .0.
        ("10.1.20.0 255.255.255.0", "192.0.2.0", True),
        ("10.1.20.0 255.255.255.0", "10.1.20.7", False),
        # Masks that are not contiguous: the even hosts; any second and fourth octet.
        ("10.1.20.0 0.0.0.254", "10.1.20.8", True),
        ("10.1.20.0 0.0.0.254", "10.1.20.9", False),
        ("10.0.20.0 0.255.0.255", "10.77.20.9", True),
        ("10.0.20.0 0.255.0.255", "10.77.21.9", False),
        # Bits under the wildcard count as zero.
        ("10.1.20.99 0.0.0.255", "10.1.20.1", True),
    ],
)
def test_addresses(source, address, matches):
    entries = [line("permit", "ip", source)]
    assert answer(entries, packet(address, OFFICE)) == ("permit" if matches else "deny")


def test_the_first_match_decides_and_the_rest_is_not_read():  # RFC 8519 section 2
    entries = [
        line("deny", "tcp", TICKETS, destination_ports="443", sequence=10),
        line("permit", "ip", sequence=20),
        line("deny", "ip", sequence=30),
    ]
    assert answer(entries, WEB) == "deny"
    verdict, decision = decide(entries, packet("10.1.20.7", OFFICE, "tcp", 1, 80))
    assert (verdict, decision.use.span.line) == ("permit", 20)


def test_what_no_line_matches_meets_the_implicit_deny():
    verdict, decision = decide([line("deny", "udp")], WEB)
    assert (verdict, decision.use.text, decision.use.span) == ("deny", "implicit deny", None)


@pytest.mark.parametrize(("reading", "verdict"), [("permits-all", "permit"), ("denies-all", "deny")])
@pytest.mark.parametrize("entries", [None, [], [Remark("later", span=span())]])
def test_an_undefined_or_empty_list_goes_by_the_assumption(entries, reading, verdict):
    found, decision = decide(entries, WEB, undefined_list=reading)
    assert found == verdict
    assert [(used.key, used.value) for used in decision.readings] == [("undefined_list", reading)]


@pytest.mark.parametrize(
    ("written", "port", "matches"),
    [("443", 443, True), ("443", 80, False), ("80-90", 90, True), ("80-90", 91, False), ("1024-65535", 1023, False),
     ("0-79,81-65535", 80, False), ("", 443, False), ("80,443", 443, True)],
)  # fmt: skip
def test_ports(written, port, matches):
    entries = [line("permit", "tcp", destination_ports=written)]
    assert answer(entries, packet("10.1.20.7", OFFICE, "tcp", 1, port)) == ("permit" if matches else "deny")


def test_the_port_stands_behind_the_address_that_it_belongs_to():
    entries = [line("permit", "tcp", source_ports="443")]
    assert answer(entries, WEB) == "deny"
    assert answer(entries, WEB.swapped()) == "permit"


@pytest.mark.parametrize("protocol", ["icmp", "esp", "ospf", 131, 133])
def test_ports_need_a_protocol_that_has_them(protocol):
    assert answer([line("permit", "ip", destination_ports="0")], packet("10.1.20.7", OFFICE, protocol)) == "deny"


@pytest.mark.parametrize("protocol", ["tcp", "udp", "sctp"])
def test_a_line_of_any_protocol_may_name_ports(protocol):
    assert (
        answer([line("permit", "ip", destination_ports="7")], packet("10.1.20.7", OFFICE, protocol, 1, 7)) == "permit"
    )


def test_groups_of_destinations_and_of_ports_are_looked_into():
    here = group("OFFICES", "address", AddressMatch.prefix(Prefix.parse("10.1.99.0/24")))
    entries = [line("permit", "tcp", "any", GroupReference("OFFICES", "address"))]
    assert answer(entries, WEB, here) == "permit"
    assert answer(entries, packet("10.1.20.7", "10.1.98.1", "tcp", 1, 443), here) == "deny"
    assert answer(entries, WEB) == "uncertain"
    some = [line("permit", "tcp", destination_ports=GroupReference("WEB", "port"))]
    web = group("WEB", "port", Ranges.single(443))
    assert (answer(some, WEB, web), answer(some, packet("10.1.20.7", OFFICE, "tcp", 1, 0), web)) == ("permit", "deny")
    assert answer(some, packet("10.1.20.7", OFFICE, "tcp", 1, 0)) == answer(some, WEB) == "uncertain"


def test_icmp_and_flags_need_their_protocol():
    reply = [line("permit", "ip", icmp=IcmpMatch(0, 0))]
    assert answer(reply, packet("10.1.20.7", OFFICE, "icmp", 0, 0)) == "permit"
    assert answer(reply, packet("10.1.20.7", OFFICE, "udp", 1, 1)) == "deny"
    no_syn = [line("permit", "ip", flags=FlagMatch.of((SYN, 0)))]
    assert answer(no_syn, packet("10.1.20.7", OFFICE, "tcp", 1, 1, flags=ACK)) == "permit"
    assert answer(no_syn, packet("10.1.20.7", OFFICE, "udp", 1, 1)) == "deny"


def test_each_criterion_of_layer_four_keeps_a_deny_from_fragments():
    # Common practice, no source: only a permit that names layer 4 meets later fragments.
    for criterion in ({"destination_ports": "443"}, {"source_ports": "443"}, {"flags": ESTABLISHED}):
        entries = [line("deny", "tcp", **criterion), line("permit", "ip", sequence=20)]
        assert answer(entries, FRAGMENT) == "permit"
    echo = [line("deny", "icmp", icmp=IcmpMatch(8, 0)), line("permit", "ip", sequence=20)]
    assert answer(echo, packet("10.1.20.7", OFFICE, "icmp", fragment=True)) == "permit"


@pytest.mark.parametrize(
    ("flags", "verdict"),
    [(SYN, "deny"), (SYN | ACK, "permit"), (ACK, "permit"), (RST, "permit"), (FIN, "deny"), (0, "deny")],
)
def test_established_is_acknowledgement_or_reset(flags, verdict):  # common practice, no source
    entries = [line("permit", "tcp", flags=ESTABLISHED)]
    assert answer(entries, packet("10.1.20.7", OFFICE, "tcp", 443, 50000, flags=flags)) == verdict


def test_established_is_no_matter_of_other_protocols():
    assert answer([line("permit", "ip", flags=ESTABLISHED)], packet("10.1.20.7", OFFICE, "udp", 53, 53)) == "deny"


@pytest.mark.parametrize(
    ("wanted", "sent", "verdict"),
    [(IcmpMatch(8), (8, 0), "permit"), (IcmpMatch(8), (0, 0), "deny"), (IcmpMatch(3, 4), (3, 4), "permit"),
     (IcmpMatch(3, 4), (3, 3), "deny"), (IcmpMatch(3), (3, 13), "permit"), (None, (13, 0), "permit")],
)  # fmt: skip
def test_icmp(wanted, sent, verdict):
    assert answer([line("permit", "icmp", icmp=wanted)], packet("10.1.20.7", OFFICE, "icmp", *sent)) == verdict


def test_dscp():  # RFC 2474 section 3: six bits
    entries = [line("permit", "ip", dscp=Ranges.single(46))]
    assert answer(entries, packet("10.1.20.7", OFFICE, "udp", 1, 2, dscp=46)) == "permit"
    assert answer(entries, packet("10.1.20.7", OFFICE, "udp", 1, 2, dscp=47)) == "deny"


@pytest.mark.parametrize(
    ("action", "more", "reading", "verdict"),
    [
        # Common practice, no source: a permit that names layer 4 takes later fragments, a deny passes them on.
        ("permit", {"destination_ports": "443"}, "layer3", "permit"),
        ("permit", {"flags": ESTABLISHED}, "layer3", "permit"),
        ("permit", {"destination_ports": "443"}, "never", "deny"),
        ("permit", {}, "never", "permit"),
        ("permit", {"fragments": True}, "layer3", "permit"),
        ("permit", {"fragments": True}, "never", "permit"),
        # Ports and the word `fragments` together: no packet has both. An empty set of ports has no packet at all.
        ("permit", {"fragments": True, "destination_ports": "443"}, "layer3", "deny"),
        ("permit", {"destination_ports": ""}, "layer3", "deny"),
        ("permit", {"flags": FlagMatch(())}, "layer3", "deny"),
    ],
)
def test_later_fragments_of_permits(action, more, reading, verdict):
    assert answer([line(action, "tcp", TICKETS, **more)], FRAGMENT, fragments=reading) == verdict


@pytest.mark.parametrize(
    ("more", "verdict"), [({"destination_ports": "443"}, "permit"), ({}, "deny"), ({"fragments": True}, "deny")]
)
def test_later_fragments_of_denials(more, verdict):
    entries = [line("deny", "tcp", TICKETS, **more), line("permit", "ip", sequence=20)]
    assert answer(entries, FRAGMENT) == verdict


def test_a_permit_of_other_protocol_or_address_takes_no_fragment():
    entries = [
        line("permit", "udp", destination_ports="53"),
        line("permit", "tcp", "10.9.0.0/16", destination_ports="443"),
    ]
    assert answer(entries, FRAGMENT) == "deny"


def test_the_word_fragments_leaves_whole_packets_alone():
    assert answer([line("permit", "tcp", fragments=True)], WEB) == "deny"


def test_a_reading_is_named_only_where_it_matters():
    entries = [line("permit", "udp", destination_ports="53"), line("permit", "tcp", sequence=20)]
    assert decide(entries, FRAGMENT)[1].readings == ()
    assert [r.key for r in decide([line("permit", "tcp", destination_ports="443")], FRAGMENT)[1].readings] == [
        "fragments"
    ]
    assert decide([line("permit", "tcp", destination_ports="443")], WEB)[1].readings == ()


@pytest.mark.parametrize("type", [133, 134, 135, 136, 128])
@pytest.mark.parametrize("reading", ["neighbour-discovery", "deny"])
def test_the_end_of_an_ipv6_list(type, reading):
    # RFC 4861 section 4.3 and 4.4: solicitation is type 135, advertisement 136. That the end permits them is common
    # practice, no source.
    one = packet("2001:db8:20::7", "2001:db8:20::1", "icmpv6", type, 0)
    permitted = reading == "neighbour-discovery" and type in (135, 136)
    verdict, decision = decide([line("deny", "tcp", version=6)], one, family="ipv6", ipv6_end=reading)
    assert verdict == ("permit" if permitted else "deny")
    assert [used.key for used in decision.readings] == (["ipv6_end"] if type in (135, 136) else [])


def test_an_explicit_denial_stands_before_the_end_of_an_ipv6_list():
    one = packet("2001:db8:20::7", "2001:db8:20::1", "icmpv6", 135, 0)
    assert answer([line("deny", "ip", version=6)], one, family="ipv6") == "deny"
    fragment = packet("2001:db8:20::7", "2001:db8:20::1", "icmpv6", fragment=True)
    assert answer([line("deny", "tcp", version=6)], fragment, family="ipv6") == "deny"


def test_a_packet_of_the_other_version_is_refused():
    with pytest.raises(ValueError, match="meets no `ipv6` list"):
        evaluate_list(device("quay-a"), "ipv6", "A", WEB)


# Groups


ADMINS = GroupReference("ADMINS", "address")
WEB_PORTS = GroupReference("WEB", "port")
SERVICES = GroupReference("SERVICES", "service")


def nets(*texts):
    return [t if isinstance(t, GroupReference) else AddressMatch.prefix(Prefix.parse(t)) for t in texts]


def test_groups_are_any_of_their_members_nested_ones_too():
    inner = GroupReference("INNER", "address")
    groups = [group("ADMINS", "address", *nets("10.9.0.0/16", inner)), group("INNER", "address", *nets("10.1.20.7"))]
    entries = [line("permit", "tcp", ADMINS, destination_ports=WEB_PORTS)]
    web = group("WEB", "port", Ranges.single(80), Ranges.single(443))
    assert answer(entries, WEB, *groups, web) == "permit"
    assert answer(entries, packet("10.1.20.8", OFFICE, "tcp", 1, 443), *groups, web) == "deny"
    assert answer(entries, packet("10.1.20.7", OFFICE, "tcp", 1, 444), *groups, web) == "deny"


def test_a_service_group_is_one_line_for_each_service():
    echo = Ranges.of((8 * 256, 8 * 256 + 255))
    of_group = (ServiceMatch(6, None, Ranges.single(443)), ServiceMatch(50), ServiceMatch(1, icmp=echo))
    services = group("SERVICES", "service", *of_group)
    permit = [line("permit", SERVICES)]
    deny = [line("deny", SERVICES), line("permit", "ip", sequence=20)]
    for one, expected in [
        (WEB, "permit"), (packet("10.1.20.7", OFFICE, "tcp", 1, 80), "deny"),
        (packet("10.1.20.7", OFFICE, "esp"), "permit"),
        (packet("10.1.20.7", OFFICE, "icmp", 8, 0), "permit"), (packet("10.1.20.7", OFFICE, "icmp", 0, 0), "deny"),
        (FRAGMENT, "permit"), (packet("10.1.20.7", OFFICE, "udp", fragment=True), "deny"),
    ]:  # fmt: skip
        assert answer(permit, one, services) == expected
    # A denied fragment is passed on by the service that names ports, and taken by the one that does not.
    assert answer(deny, FRAGMENT, services) == "permit"
    assert answer(deny, packet("10.1.20.7", OFFICE, "esp", fragment=True), services) == "deny"


@pytest.mark.parametrize(
    "groups",
    [
        [],
        [group("ADMINS", "address")],
        [group("ADMINS", "address", None)],
        [group("ADMINS", "address", GroupReference("ADMINS", "address"))],
        [group("ADMINS", "address", GroupReference("GONE", "address"))],
    ],
    ids=["undefined", "empty", "unread member", "itself", "undefined inside"],
)
def test_a_group_that_is_not_known_makes_only_what_it_touches_uncertain(groups):
    entries = [line("permit", "tcp", ADMINS), line("deny", "tcp", sequence=20), line("permit", "ip", sequence=30)]
    assert answer(entries, WEB, *groups) == "uncertain"
    assert answer(entries, packet("10.1.20.7", OFFICE, "udp", 1, 2), *groups) == "permit"
    # The line that comes later answers the same.
    assert answer([line("permit", "tcp", ADMINS), line("permit", "tcp", sequence=20)], WEB, *groups) == "permit"


def test_a_member_that_matches_settles_what_another_leaves_open():
    some = group("ADMINS", "address", None, *nets("10.1.20.0/24"))
    assert answer([line("permit", "tcp", ADMINS)], WEB, some) == "permit"


# Doubts


def unread(action, sequence=10):
    return UnreadLine(
        sequence,
        action,
        "permit tcp any any eq htp",
        "expected a port",
        span=span("permit tcp any any eq htp", sequence),
    )


@pytest.mark.parametrize(
    ("entries", "verdict"),
    [
        ([unread(None), line("permit", "tcp", sequence=20)], "uncertain"),
        ([unread(Action.PERMIT), line("permit", "tcp", sequence=20)], "permit"),
        ([unread(Action.DENY), line("permit", "tcp", sequence=20)], "uncertain"),
        ([unread(Action.PERMIT), line("deny", "udp", sequence=20)], "uncertain"),
        ([unread(Action.DENY), line("deny", "udp", sequence=20)], "deny"),
        ([line("deny", "tcp"), unread(None, 20)], "deny"),
        ([line("permit", "tcp", doubt="time range"), line("permit", "ip", sequence=20)], "permit"),
        ([line("permit", "tcp", doubt="time range"), line("deny", "ip", sequence=20)], "uncertain"),
        ([line("permit", "udp", doubt="time range"), line("deny", "ip", sequence=20)], "deny"),
        # Two doubts of both kinds: either may decide, whatever comes last.
        ([line("deny", "tcp", doubt="x"), line("permit", "tcp", doubt="y", sequence=20)], "uncertain"),
        # A device that refuses its only lines has an empty list, and that permits all.
        ([unread(Action.DENY)], "uncertain"),
        ([line("permit", "udp", ADMINS)], "uncertain"),
    ],
)
def test_a_doubtful_line_counts_only_if_the_answer_could_change(entries, verdict):
    assert answer(entries, WEB) == verdict


def test_an_empty_list_that_denies_leaves_nothing_open():
    assert answer([unread(Action.DENY)], WEB, undefined_list="denies-all") == "deny"


def test_doubts_name_the_lines_that_could_decide_otherwise():
    entries = [
        line("permit", "tcp", doubt="x"),
        line("deny", "tcp", doubt="y", sequence=20),
        line("permit", "ip", sequence=30),
    ]
    decision = decide(entries, WEB)[1]
    assert [doubt.span.line for doubt in decision.doubts] == [20]


def test_a_line_that_touches_a_whole_list_touches_no_other():
    entries = [line("permit", "ip")]
    for name, family, verdict in [("A", "ipv4", "uncertain"), ("B", "ipv4", "permit"), ("A", "ipv6", "permit")]:
        scope = Unmodelled("fragments of a list", ListScope(name, family), span=span())
        assert answer(entries, WEB, unmodelled=[scope]) == verdict


def test_standard_lines_ask_for_the_source_only():
    entries = access_list("A", line("permit", "ip", TICKETS), standard=True)
    one = device("quay-a", entries)
    assert evaluate_list(one, "ipv4", "A", packet("10.1.20.7", "203.0.113.9", "udp", 1, 2)).action is Action.PERMIT
    assert evaluate_list(one, "ipv4", "A", packet("203.0.113.9", "10.1.20.7", "udp", 1, 2)).action is Action.DENY


def test_of_several_doubts_the_first_is_told():
    entries = [line("permit", "tcp", ADMINS, destination_ports=WEB_PORTS, doubt="time range")]
    assert [doubt.why for doubt in decide(entries, WEB)[1].doubts] == ["group `ADMINS` is undefined"]
    nets_known = group("ADMINS", "address", *nets("10.1.20.0/24"))
    assert [doubt.why for doubt in decide(entries, WEB, nets_known)[1].doubts] == ["group `WEB` is undefined"]
    web = group("WEB", "port", Ranges.single(443))
    assert [doubt.why for doubt in decide(entries, WEB, nets_known, web)[1].doubts] == ["time range"]


def test_an_undefined_list_is_told_from_an_empty_one():
    for entries, state in ((None, "undefined"), ((), "empty")):
        [reading] = decide(entries, WEB)[1].readings
        assert (reading.key, reading.about) == ("undefined_list", f"{state} list `A`")


def test_icmp_in_a_group_of_services_is_open_in_an_ipv6_list():
    def found(one, *services, action="permit", family="ipv6", **more):
        version = 6 if family == "ipv6" else 4
        entries = [line(action, SERVICES, version=version, **more)]
        return answer(entries, one, group("SERVICES", "service", *services), family=family)

    ends = "2001:db8:20::7", "2001:db8:99::10"
    ping, echo = packet(*ends, "icmpv6", 128, 0), ServiceMatch(1, icmp=Ranges.of((2048, 2303)))
    assert found(ping, ServiceMatch(1)) == found(ping, echo) == "uncertain"
    assert found(packet(*ends, 1), ServiceMatch(1)) == "uncertain"
    assert found(packet(*ends, "icmpv6", fragment=True), echo) == "uncertain"
    assert found(packet(*ends, "icmpv6", fragment=True), echo, action="deny") == "deny"
    assert found(packet(*ends, "tcp", 1, 2), echo) == "deny"
    # Beside a service that says it for certain nothing is open, nor in an IPv4 list.
    assert found(ping, echo, ServiceMatch(58)) == "permit"
    four = packet("10.1.20.7", OFFICE, "icmp", 8, 0)
    assert found(four, echo, family="ipv4") == "permit"
    assert found(packet("10.1.20.7", OFFICE, "icmp", 0, 0), echo, family="ipv4") == "deny"
