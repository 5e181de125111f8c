"""Access lists of RFC 8519 and static routes of RFC 8349, as JSON."""

import json

import pytest

from pathcheck.errors import InputError
from pathcheck.model.access_list import Action, IcmpMatch, UnreadLine
from pathcheck.model.unmodelled import DeviceScope, InterfaceScope, RouteScope
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, SYN
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.parser.yang_json import read_yang_json
from pathcheck.results.account import LineClass


def read(tree, **more):
    text = tree if isinstance(tree, str) else json.dumps(tree, indent=1)
    return read_yang_json("quay-a.json", text.encode())


def acls(*lists, **attachment):
    return {"ietf-access-control-list:acls": {"acl": list(lists), **attachment}}


def acl(*aces, name="office", kind="ipv4-acl-type"):
    return {"name": name, "type": kind, "aces": {"ace": list(aces)}}


def ace(matches, forwarding="accept", name="rule1", **actions):
    return {"name": name, "matches": matches, "actions": {"forwarding": forwarding, **actions}}


def one_line(matches, **about):
    data = read(acls(acl(ace(matches), **about)))
    (found,) = data.access_lists.values()
    assert not data.findings, data.findings
    return found.entries[0]


def test_the_first_example_of_the_standard():
    # RFC 8519 section 4.3, the printed example: TCP from 192.0.2.0/24 to 198.51.100.0/24 is denied.
    printed = """{"ietf-access-control-list:acls": {"acl": [{"name": "sample-ipv4-acl", "type": "ipv4-acl-type",
      "aces": {"ace": [{"name": "rule1", "matches": {"ipv4": {"protocol": 6,
        "destination-ipv4-network": "198.51.100.0/24", "source-ipv4-network": "192.0.2.0/24"}},
        "actions": {"forwarding": "drop"}}]}}]}}"""
    found = read(printed).access_lists["ipv4", "sample-ipv4-acl"]
    (line,) = found.entries
    assert (line.action, line.protocol, line.sequence) == (Action.DENY, 6, 10)
    assert line.source == AddressMatch.prefix(Prefix.parse("192.0.2.0/24"))
    assert line.destination == AddressMatch.prefix(Prefix.parse("198.51.100.0/24"))
    assert (line.doubt, line.span.line, line.source_ports) == (None, 2, None)


@pytest.mark.parametrize(
    ("port", "expected"),
    [
        # RFC 8519 section 4.4, the printed examples; the operators from section 4.2 (derived).
        ({"lower-port": 16384, "upper-port": 16387}, [(16384, 16387)]),
        ({"operator": "eq", "port": 21}, [(21, 21)]),
        ({"operator": "neq", "port": 21}, [(0, 20), (22, 65535)]),
        ({"operator": "lte", "port": 1023}, [(0, 1023)]),
        ({"operator": "gte", "port": 1024}, [(1024, 65535)]),
        ({"port": 80}, [(80, 80)]),
        ({"operator": "neq", "port": 0}, [(1, 65535)]),
    ],
)
def test_ports(port, expected):
    line = one_line({"tcp": {"destination-port": port}})
    assert (line.protocol, line.destination_ports) == (6, Ranges.of(*expected))


def test_icmp_means_the_one_of_the_family():
    # RFC 8519 section 4.4, the printed example has type 8 and code 0.
    assert one_line({"ipv4": {"protocol": 1}, "icmp": {"type": 8, "code": 0}}).icmp == IcmpMatch(8, 0)
    assert one_line({"icmp": {"type": 128}}, kind="ietf-access-control-list:ipv6-acl-type").protocol == 58


def test_a_list_without_a_type_is_of_the_family_that_its_entries_name():
    def families(*matches):
        entries = [ace(each, name=f"r{number}") for number, each in enumerate(matches)]
        tree = acls({"name": "x", "aces": {"ace": entries}})
        return [family for family, _ in read(tree).access_lists]

    assert families({"ipv4": {}}, {}) == ["ipv4"]
    assert families({"ipv6": {"protocol": 6}}) == ["ipv6"]
    assert families({"tcp": {}}) == ["ipv4", "ipv6"]


def test_a_mixed_list_is_one_of_each_family():
    four = {"ipv4": {"source-ipv4-network": "10.1.20.0/24"}}
    six = {"ipv6": {"source-ipv6-network": "2001:db8:20::/64"}}
    entries = [ace(four, name="a"), ace(six, name="b"), ace({}, "drop", name="c")]
    found = read(acls(acl(*entries, kind="mixed-eth-ipv4-ipv6-acl-type"))).access_lists
    assert [line.sequence for line in found["ipv4", "office"].entries] == [10, 30]
    assert [line.sequence for line in found["ipv6", "office"].entries] == [20, 30]


def test_fields_that_contradict_each_other_match_nothing():
    line = one_line({"ipv4": {"protocol": 17}, "tcp": {"destination-port": {"port": 80}}})
    assert line.source_ports == Ranges(())


@pytest.mark.parametrize(
    ("matches", "words"),
    [
        ({"ipv4": {"ttl": 5}}, "it compares `ipv4` `ttl`, which is not modelled"),
        ({"ipv4": {"length": 5}, "tcp": {"window-size": 5}}, "which are not modelled"),
        ({"eth": {"ethertype": 2048}}, "`eth` `ethertype`"),
        ({"ingress-interface": "Ethernet1"}, "`ingress-interface`"),
        ({"tcp": {"flags": "syn ack"}}, "whether other flags are set"),
    ],
)
def test_what_is_not_modelled_makes_the_line_uncertain(matches, words):
    data = read(acls(acl(ace(matches))))
    (line,) = data.access_lists["ipv4", "office"].entries
    assert words in line.doubt
    assert {record.line_class for record in data.records} == {LineClass.UNMODELLED}
    assert {one.code for one in data.findings} == {"PC412"}


def test_flags_match_at_least_those_that_are_named():
    data = read(acls(acl(ace({"tcp": {"flags": "syn ack"}}))))
    flags = data.access_lists["ipv4", "office"].entries[0].flags
    assert flags.matches(SYN | ACK)
    assert not flags.matches(SYN)


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (ace({"ipv4": {"protocol": 256}}), "expected a protocol as a number from 0 to 255"),
        (ace({"ipv4": {"protocol": "6"}}), "expected a protocol as a number"),
        (ace({"ipv4": {"source-ipv4-network": "10.1.20.256/24"}}), "octet `256` is above 255"),
        (ace({"ipv4": {"source-ipv4-network": "2001:db8::/32"}}), "expected the source as an IPv4 prefix"),
        (ace({"tcp": {"destination-port": {"lower-port": 9, "upper-port": 8}}}), "ends before it begins"),
        (ace({"tcp": {"destination-port": {"lower-port": 9}}}), "needs `lower-port` and `upper-port`"),
        (ace({"tcp": {"destination-port": {"operator": "gt", "port": 8}}}), "expected `lte`, `gte`, `eq` or `neq`"),
        (ace({"tcp": {"destination-port": 80}}), "expected a range of ports or an operator"),
        (ace({"tcp": {"flags": "syn ak"}}), "found `ak`"),
        (ace({"icmp": {"code": 0}}), "an ICMP code without a type"),
        (ace({"sctp": {}}), "`sctp` is not known among matches"),
        (ace({"tcp": {}, "udp": {}}), "`tcp` and `udp` exclude each other"),
        (ace({}, "allow"), "expected `accept`, `drop` or `reject`, found `allow`"),
        ({"name": "rule1", "matches": {}}, "needs `actions` with the leaf `forwarding`"),
        (ace({}, mirror="x"), "`mirror` is not known among actions"),
        ("rule1", "expected an object of `ace`"),
    ],
)
def test_an_entry_that_cannot_be_read_is_an_unknown_line(entry, words):
    data = read(acls(acl(entry, ace({}, "drop", name="last"))))
    first, last = data.access_lists["ipv4", "office"].entries
    assert isinstance(first, UnreadLine)
    assert words in first.why
    assert last.action is Action.DENY
    assert [(one.code, one.span) for one in data.findings] == [("PC401", data.records[0].span)]
    assert words in data.findings[0].message


def test_an_entry_name_that_stands_twice_is_wrong():
    data = read(acls(acl(ace({}), ace({}, "drop"))))
    assert isinstance(data.access_lists["ipv4", "office"].entries[1], UnreadLine)


def test_one_bad_list_does_not_hide_the_next():
    data = read(acls({"aces": {}}, acl(ace({}), kind="ipv9-acl-type", name="odd"), acl(ace({}), name="good")))
    assert list(data.access_lists) == [("ipv4", "good")]
    assert [one.scope for one in data.unmodelled] == [DeviceScope(), DeviceScope()]
    assert "needs the leaf `name`" in data.findings[0].message


def test_a_list_that_holds_more_than_the_model_is_uncertain():
    tree = acls({**acl(ace({})), "vendor-extension:default": "accept"})
    entries = read(tree).access_lists["ipv4", "office"].entries
    assert isinstance(entries[0], UnreadLine)


def test_lists_are_attached_to_interfaces():
    point = {
        "interface": [
            {
                "interface-id": "eth1",
                "ingress": {"acl-sets": {"acl-set": [{"name": "office"}]}},
                "egress": {"acl-sets": {"acl-set": [{"name": "six"}, {"name": "six"}]}},
            }
        ]
    }
    tree = acls(acl(ace({})), acl(ace({}), name="six", kind="ipv6-acl-type"), **{"attachment-points": point})
    data = read(tree)
    assert [(one.list_name, one.family, one.direction) for one in data.bindings["Ethernet1"]] == [
        ("office", "ipv4", "in"), ("six", "ipv6", "out"),
    ]  # fmt: skip
    assert [one.scope for one in data.unmodelled] == [InterfaceScope("Ethernet1", ("out",))]


def test_other_data_makes_the_device_uncertain():
    data = read({"ietf-interfaces:interfaces": {}, **acls(acl(ace({})))})
    assert [one.scope for one in data.unmodelled] == [DeviceScope()]
    assert [record.line_class for record in data.records] == [LineClass.UNKNOWN]
    assert [one.code for one in data.findings] == ["PC402"]
    assert ("ipv4", "office") in data.access_lists


def routing(*routes, version="ipv4", **more):
    family = {f"ietf-{version}-unicast-routing:{version}": {"route": list(routes)}}
    protocol = {"type": "ietf-routing:static", "name": "st0", "static-routes": family, **more}
    return {"ietf-routing:routing": {"control-plane-protocols": {"control-plane-protocol": [protocol]}}}


def test_static_routes_of_the_standard_example():
    # RFC 8349 appendix D: the static default routes of the example device.
    four = read(routing({"destination-prefix": "0.0.0.0/0", "next-hop": {"next-hop-address": "192.0.2.2"}}))
    assert [(str(one.prefix), str(one.next_hop), one.distance) for one in four.static_routes] == [
        ("0.0.0.0/0", "192.0.2.2", 1)
    ]
    six = read(
        routing({"destination-prefix": "::/0", "next-hop": {"next-hop-address": "2001:db8:0:1::2"}}, version="ipv6")
    )
    assert six.static_routes[0].next_hop == Address.parse("2001:db8:0:1::2")


@pytest.mark.parametrize("word", ["blackhole", "unreachable", "prohibit"])
def test_special_next_hops_discard(word):
    # RFC 8349 section 7, special-next-hop; the ICMP error that goes with two of them is no forwarding.
    data = read(routing({"destination-prefix": "10.1.0.0/16", "next-hop": {"special-next-hop": word}}))
    assert data.static_routes[0].discard


def test_a_route_to_the_device_itself_is_uncertain_for_its_prefix():
    data = read(routing({"destination-prefix": "10.1.0.0/16", "next-hop": {"special-next-hop": "receive"}}))
    assert data.static_routes == []
    assert data.unmodelled[0].scope == RouteScope(
        family="ipv4", within=Prefix.parse("10.1.0.0/16"), distance=0, exact=True
    )


def test_a_list_of_next_hops_is_a_route_each():
    hops = [
        {"index": "1", "outgoing-interface": "eth1", "next-hop-address": "10.0.0.1"},
        {"index": "2", "outgoing-interface": "eth2"},
    ]
    data = read(
        routing(
            {"destination-prefix": "10.1.0.0/16", "next-hop": {"next-hop-list": {"next-hop": hops}}, "description": "x"}
        )
    )
    assert [(one.interface, one.next_hop and str(one.next_hop), one.name) for one in data.static_routes] == [
        ("Ethernet1", "10.0.0.1", "x"), ("Ethernet2", None, "x"),
    ]  # fmt: skip


def test_bits_behind_the_length_count_as_zero_and_are_noted():
    # RFC 8349 appendix D prints 192.0.2.1/24; RFC 6991 section 4 allows the bits.
    data = read(routing({"destination-prefix": "192.0.2.1/24", "next-hop": {"next-hop-address": "10.0.0.1"}}))
    assert data.static_routes[0].prefix == Prefix.parse("192.0.2.0/24")
    assert [one.code for one in data.findings] == ["PC406"]


@pytest.mark.parametrize(
    ("route", "words"),
    [
        ({"next-hop": {"next-hop-address": "10.0.0.1"}}, "needs the leaf `destination-prefix`"),
        ({"destination-prefix": "10.1.0.0/16"}, "needs `next-hop`"),
        ({"destination-prefix": "10.1.0.0/16", "next-hop": {}}, "a next hop needs"),
        ({"destination-prefix": "10.1.0.0", "next-hop": {"next-hop-address": "10.0.0.1"}}, "expected the destination"),
        ({"destination-prefix": "::/0", "next-hop": {"next-hop-address": "10.0.0.1"}}, "as an IPv4 prefix"),
        ({"destination-prefix": "10.1.0.0/16", "next-hop": {"next-hop-address": "::1"}}, "as an IPv4 address"),
        ({"destination-prefix": "10.1.0.0/16", "next-hop": {"special-next-hop": "hole"}}, "found `hole`"),
    ],
)
def test_a_route_that_cannot_be_read_leaves_the_others(route, words):
    good = {"destination-prefix": "10.2.0.0/16", "next-hop": {"next-hop-address": "10.0.0.1"}}
    data = read(routing(route, good))
    assert [str(one.prefix) for one in data.static_routes] == ["10.2.0.0/16"]
    assert words in data.findings[0].message
    assert data.unmodelled[0].scope == RouteScope(family="ipv4")


def test_what_a_route_says_more_makes_it_uncertain():
    route = {"destination-prefix": "10.2.0.0/16", "next-hop": {"next-hop-address": "10.0.0.1"}, "x:preference": 9}
    data = read(routing(route))
    assert len(data.static_routes) == 1
    assert data.unmodelled[0].scope == RouteScope(
        family="ipv4", within=Prefix.parse("10.2.0.0/16"), distance=0, exact=True
    )


def test_routing_protocols_are_not_in_the_text():
    tree = {"ietf-routing:routing": {"control-plane-protocols": {"control-plane-protocol": [{"type": "x:ospf"}]}}}
    assert read(tree).unmodelled[0].scope == RouteScope()


@pytest.mark.parametrize("text", ["", "[]", "{", '{"a": 1, "a": 2}', "[" * 5000])
def test_what_is_no_json_object_is_refused(text):
    if text == "[]":
        assert read(text).findings[0].code == "PC401"
        return
    with pytest.raises(InputError):
        read(text)
