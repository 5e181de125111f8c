"""Ways through fleets of a few devices: equal cost, loops, neighbours, and what is in doubt."""

from __future__ import annotations

import pytest
from small_fleets import ask, ends, fleet_of, notes, way

from pathcheck.errors import CapacityError
from pathcheck.network import reachability

PARENT = """
    hostname parent
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.0.0.1 255.255.255.252
    interface Ethernet2
     no switchport
     ip address 198.51.100.1 255.255.255.0
    ip route 192.168.64.0 255.255.224.0 10.0.0.2
"""
CHILD = """
    hostname child
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.0.0.2 255.255.255.252
    interface Ethernet2
     no switchport
     ip address 192.168.66.1 255.255.255.0
    ip route 0.0.0.0 0.0.0.0 10.0.0.1
"""
DISCARD = "ip route 192.168.64.0 255.255.224.0 Null0"


def test_a_loop_is_found_with_its_cycle():
    # RFC 4632 section 5.2: without a discard route for its aggregate a child sends back what it lost (topology ours).
    answer = ask(fleet_of(PARENT, CHILD), "tcp 198.51.100.9 192.168.65.1:80")
    assert ends(answer) == ("denied", "looping")
    assert answer.paths[0].cycle == ("child:Ethernet1", "parent:Ethernet1")
    assert answer.reply is None


def test_a_discard_route_for_the_aggregate_ends_the_loop():
    # RFC 4632 section 5.2, rule 2.
    fleet = fleet_of(PARENT, CHILD + f"    {DISCARD}\n")
    assert ends(ask(fleet, "tcp 198.51.100.9 192.168.65.1:80")) == ("denied", "discarded")
    assert ends(ask(fleet, "tcp 198.51.100.9 192.168.66.1:80")) == ("permitted", "arrived")


def test_a_set_loops_in_part():
    answer = ask(fleet_of(PARENT, CHILD), "tcp 198.51.100.9 192.168.64.0/19:80")
    assert answer.verdict == "partly"
    assert [path.reason for path in answer.paths] == ["looping", "arrived", "arrived"]
    assert all(path.share == "part" for path in answer.paths)


# ---- equal cost -----------------------------------------------------------------------------

FORK = """
    hostname fork
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.0.1.1 255.255.255.254
    interface Ethernet2
     no switchport
     ip address 10.0.2.0 255.255.255.254
    interface Ethernet3
     no switchport
     ip address 10.1.20.1 255.255.255.0
    ip route 10.1.99.0 255.255.255.0 10.0.1.0
    ip route 10.1.99.0 255.255.255.0 10.0.2.1
"""


def prong(name: str, address: str, back: str, server: str, more: str = "") -> str:
    return f"""
    hostname {name}
    ip routing
    interface Ethernet1
     no switchport
     ip address {address} 255.255.255.254
     {more}
    interface Ethernet3
     no switchport
     ip address {server} 255.255.255.0
    ip route 10.1.20.0 255.255.255.0 {back}
    ip access-list extended NO-WEB
     deny tcp any any eq 80
     permit ip any any
    """


LEFT = prong("left", "10.0.1.0", "10.0.1.1", "10.1.99.2")
RIGHT = prong("right", "10.0.2.1", "10.0.2.0", "10.1.99.3", "ip access-group NO-WEB in")


def test_equal_cost_ways_that_disagree_are_partly():
    answer = ask(fleet_of(FORK, LEFT, RIGHT), "tcp 10.1.20.7 10.1.99.9:80")
    assert ends(answer) == ("partly", None)
    assert [(path.reason, path.share) for path in answer.paths] == [
        ("filtered", "equal-cost"),
        ("arrived", "equal-cost"),
    ]
    assert way(answer.paths[0]) == ["Ethernet3>fork>Ethernet2", "Ethernet1>right>-"]


def test_equal_cost_ways_that_agree_are_permitted():
    answer = ask(fleet_of(FORK, LEFT, RIGHT), "tcp 10.1.20.7 10.1.99.9:81")
    assert ends(answer) == ("permitted", "arrived")
    assert {path.share for path in answer.paths} == {"equal-cost"}
    assert ends(answer.reply) == ("permitted", "arrived")


def test_a_reply_by_another_way_is_filtered_there():
    # The server's own gateway is where the flow arrived; with one way out the reply meets that way's list.
    left = LEFT.replace("ip route 10.1.20.0 255.255.255.0 10.0.1.1", "ip route 10.1.20.0 255.255.255.0 10.1.99.3")
    fork = FORK.replace("    ip route 10.1.99.0 255.255.255.0 10.0.2.1\n", "")
    right = RIGHT.replace(
        "hostname right", "hostname right\n    ip access-list extended NONE\n     deny ip any any"
    ).replace(
        "     ip address 10.1.99.3 255.255.255.0",
        "     ip address 10.1.99.3 255.255.255.0\n     ip access-group NONE in",
    )
    answer = ask(fleet_of(fork, left, right), "tcp 10.1.20.7 10.1.99.9:81")
    assert (ends(answer), ends(answer.reply)) == (("permitted", "arrived"), ("denied", "filtered"))
    assert way(answer.reply.paths[0]) == ["Ethernet3>left>Ethernet3", "Ethernet3>right>-"]


def test_a_large_walk_is_bounded_and_keeps_its_verdict(monkeypatch):
    flow = "tcp 10.1.20.0/24 10.1.99.0/24"
    fleet = fleet_of(FORK, LEFT, RIGHT)
    exact = ask(fleet, flow)
    monkeypatch.setattr(reachability, "WAYS_APART", 1)
    monkeypatch.setattr(reachability, "ENDS_APART", 2)
    bounded = ask(fleet, flow)
    assert (bounded.verdict, {path.reason for path in bounded.paths}) == (
        exact.verdict,
        {path.reason for path in exact.paths},
    )
    assert "more paths than are shown" in notes(bounded)


def test_a_walk_that_is_too_large_says_what_to_do(monkeypatch):
    monkeypatch.setattr(reachability, "MOST_PARTS", 3)
    with pytest.raises(CapacityError, match=r"more than 3 sets.*narrower destination"):
        ask(fleet_of(FORK, LEFT, RIGHT), "tcp 10.1.20.0/24 10.1.99.0/24")


# ---- neighbours -----------------------------------------------------------------------------


def test_a_next_hop_whose_owner_is_down_is_stranded():
    down = LEFT.replace(
        "     no switchport\n     ip address 10.0.1.0", "     no switchport\n     shutdown\n     ip address 10.0.1.0"
    )
    fork = FORK.replace("    ip route 10.1.99.0 255.255.255.0 10.0.2.1\n", "")
    answer = ask(fleet_of(fork, down), "tcp 10.1.20.7 10.1.99.9:80")
    assert ends(answer) == ("denied", "stranded")
    assert "left:Ethernet1, which is down" in notes(answer)


def test_a_route_whose_next_hop_nothing_resolves_strands_only_without_another():
    lost = FORK.replace("10.0.1.0\n", "10.77.0.1\n").replace("    ip route 10.1.99.0 255.255.255.0 10.0.2.1\n", "")
    answer = ask(fleet_of(lost), "tcp 10.1.20.7 10.1.99.9:80")
    assert ends(answer) == ("denied", "stranded")
    assert "is not in the table" in notes(answer)
    other = lost + "    ip route 0.0.0.0 0.0.0.0 10.0.2.1\n"
    assert ends(ask(fleet_of(other), "tcp 10.1.20.7 10.1.99.9:80")) == ("permitted", "handed-over")


def test_a_route_by_interface_reaches_each_router_of_a_shared_subnet():
    near = """
    hostname near
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.3.0.1 255.255.255.0
    interface Ethernet2
     no switchport
     ip address 10.1.20.1 255.255.255.0
    ip route 10.1.99.0 255.255.255.0 Ethernet1
    """
    far = """
    hostname {}
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.3.0.{} 255.255.255.0
    {}
    """
    lan = "interface Ethernet2\n     no switchport\n     ip address 10.1.99.1 255.255.255.0"
    answer = ask(fleet_of(near, far.format("far", 2, lan), far.format("lost", 3, "")), "tcp 10.1.20.7 10.1.99.9:80")
    assert {path.reason for path in answer.paths} == {"arrived", "unrouted"}
    assert "proxy ARP" in notes(answer)
    alone = ask(fleet_of(near), "tcp 10.1.20.7 10.1.99.9:80")
    assert ends(alone) == ("permitted", "handed-over")


V6 = """
    hostname {name}
    ipv6 unicast-routing
    interface Ethernet1
     no switchport
     ipv6 address 2001:db8:0:1::{n}/64
     ipv6 address fe80::{n} link-local
    interface Ethernet2
     no switchport
     ipv6 address 2001:db8:{lan}::1/64
    ipv6 route {route}
"""


def test_ipv6_follows_link_local_next_hops():
    here = V6.format(name="here", n=1, lan="20", route="2001:db8:99::/64 Ethernet1 fe80::2")
    there = V6.format(name="there", n=2, lan="99", route="::/0 2001:db8:0:1::1")
    answer = ask(fleet_of(here, there), "tcp 2001:db8:20::7 [2001:db8:99::9]:443")
    assert (ends(answer), ends(answer.reply)) == (("permitted", "arrived"), ("permitted", "arrived"))
    assert way(answer.paths[0]) == ["Ethernet2>here>Ethernet1", "Ethernet1>there>Ethernet2"]


def test_a_link_local_next_hop_that_no_text_shows_is_in_doubt():
    here = V6.format(name="here", n=1, lan="20", route="2001:db8:99::/64 Ethernet1 fe80::77")
    there = V6.format(name="there", n=2, lan="99", route="::/0 2001:db8:0:1::1")
    assert ends(ask(fleet_of(here, there), "tcp 2001:db8:20::7 [2001:db8:99::9]:443")) == ("uncertain", "unmodelled")
    assert ends(ask(fleet_of(here), "tcp 2001:db8:20::7 [2001:db8:99::9]:443")) == ("permitted", "handed-over")


def test_a_switch_that_does_not_route_uses_its_gateway_and_forwards_nothing():
    switch = """
    hostname cabin
    no ip routing
    interface Vlan99
     ip address 10.1.99.2 255.255.255.0
    interface Ethernet1
     switchport mode access
     switchport access vlan 99
    interface Loopback0
     ip address 10.9.9.9 255.255.255.255
    ip default-gateway 10.1.99.1
    """
    router = """
    hostname gate
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.1.99.1 255.255.255.0
    interface Ethernet2
     no switchport
     ip address 10.1.20.1 255.255.255.0
    ip route 10.5.0.0 255.255.0.0 10.1.99.2
    """
    fleet = fleet_of(switch, router)
    answer = ask(fleet, "tcp 10.1.20.7 10.1.99.2:22")
    assert (ends(answer), ends(answer.reply)) == (("permitted", "arrived"), ("permitted", "arrived"))
    assert answer.reply.paths[0].hops[0].route.source == "gateway"
    transit = ask(fleet, "tcp 10.1.20.7 10.5.0.1:22")
    assert ends(transit) == ("denied", "unrouted")
    assert "cabin does not route IPv4" in notes(transit)


def test_each_member_of_a_virtual_gateway_takes_packets():
    member = """
    hostname {}
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.1.20.{}/24
     ip address virtual 10.1.20.1/24
    interface Ethernet2
     no switchport
     ip address 10.1.99.{}/24
    """
    answer = ask(fleet_of(member.format("one", 2, 2), member.format("two", 3, 3)), "tcp 10.1.20.7 10.1.99.9:80")
    assert ends(answer) == ("permitted", "arrived")
    assert [way(path) for path in answer.paths] == [["Ethernet1>one>Ethernet2"], ["Ethernet1>two>Ethernet2"]]


def test_vrfs_are_apart():
    device = """
    hostname pier
    ip routing
    vrf definition CREW
    interface Ethernet1
     no switchport
     vrf forwarding CREW
     ip address 10.1.20.1 255.255.255.0
    interface Ethernet2
     no switchport
     ip address 10.1.99.1 255.255.255.0
    ip route vrf CREW 10.8.0.0 255.255.0.0 10.1.20.99
    """
    fleet = fleet_of(device)
    assert ends(ask(fleet, "tcp 10.1.20.7 10.1.99.9:80")) == ("denied", "unrouted")
    assert ends(ask(fleet, "tcp 192.0.2.1 10.8.0.1:80 --at pier --vrf CREW")) == ("permitted", "handed-over")
    assert ends(ask(fleet, "tcp 192.0.2.1 10.8.0.1:80 --at pier")) == ("denied", "unrouted")


# ---- what is in doubt -----------------------------------------------------------------------

DOUBT = """
    hostname ferry
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.0.0.1 255.255.255.252
    interface Ethernet2
     no switchport
     ip address 10.1.20.1 255.255.255.0
     {two}
    interface Ethernet3
     no switchport
     ip address 10.1.30.1 255.255.255.0
     {three}
    {top}
    ip access-list extended WEB
     permit tcp any any eq 443
    ip route 0.0.0.0 0.0.0.0 10.0.0.2
    ip route 10.7.7.7 255.255.255.255 10.0.0.2
"""


def doubtful(words: str, top: str = "", two: str = "", three: str = "") -> tuple[str, str | None]:
    answer = ask(fleet_of(DOUBT.format(top=top, two=two, three=three)), words)
    assert all(path.doubts for path in answer.paths if path.verdict == "uncertain")
    return ends(answer)


OSPF = "router ospf 1\n     network 10.0.0.0 0.255.255.255 area 0"


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        # A protocol cannot take a destination from a connected subnet, nor from a static host route of distance 1.
        ("tcp 10.1.20.7 10.1.30.9:443", ("permitted", "arrived")),
        ("tcp 10.1.20.7 10.7.7.7:443", ("permitted", "handed-over")),
        ("tcp 10.1.20.7 10.1.20.1:443", ("permitted", "arrived")),
        # It may know a longer prefix than the default route.
        ("tcp 10.1.20.7 192.0.2.1:443", ("uncertain", "unmodelled")),
    ],
)
def test_a_routing_protocol_touches_only_what_it_can(words, expected):
    assert doubtful(words, top=OSPF) == expected


def test_what_a_list_denies_before_stays_denied_under_a_protocol():
    assert doubtful("tcp 10.1.20.7 192.0.2.1:80", top=OSPF, two="ip access-group WEB in") == ("denied", "filtered")


def test_a_protocol_of_another_table_touches_nothing():
    other = "vrf definition CREW\n    router ospf 1 vrf CREW\n     network 10.0.0.0 0.255.255.255 area 0"
    assert doubtful("tcp 10.1.20.7 192.0.2.1:443", top=other) == ("permitted", "handed-over")


def test_policy_routing_touches_what_enters_by_its_interface():
    line = "ip policy route-map ASTERN"
    assert doubtful("tcp 10.1.20.7 10.1.30.9:443", two=line) == ("uncertain", "unmodelled")
    assert doubtful("tcp 10.1.30.9 192.0.2.1:443", two=line) == ("permitted", "handed-over")


def test_translation_touches_what_crosses_its_sides():
    sides = {"two": "ip nat inside", "three": ""}
    assert doubtful("tcp 10.1.20.7 10.1.30.9:443", **sides) == ("permitted", "arrived")
    sides["three"] = "ip nat outside"
    assert doubtful("tcp 10.1.20.7 10.1.30.9:443", **sides) == ("uncertain", "unmodelled")
    assert doubtful("tcp 10.1.20.7 192.0.2.1:443", **sides) == ("permitted", "handed-over")


def test_what_may_only_drop_leaves_a_denial_certain():
    line = "ip verify unicast source reachable-via rx"
    assert doubtful("tcp 10.1.20.7 10.1.30.9:443", two=line) == ("uncertain", "unmodelled")
    listed = f"{line}\n     ip access-group WEB in"
    assert doubtful("tcp 10.1.20.7 10.1.30.9:80", two=listed) == ("denied", "filtered")


def test_an_unknown_line_touches_all_of_its_device_and_is_named():
    answer = ask(
        fleet_of(DOUBT.format(top="tidal-compensation enable", two="", three="")), "tcp 10.1.20.7 10.1.30.9:443"
    )
    assert ends(answer) == ("uncertain", "unmodelled")
    assert answer.paths[0].doubts[0].span.words == "tidal-compensation enable"


def test_a_list_with_a_line_that_could_not_be_read_is_in_doubt_where_the_line_could_decide():
    wrong = "ip access-list extended WEB\n     5 deny tcp any any eq 99999"
    in_list = "ip access-group WEB in"
    assert doubtful("tcp 10.1.20.7 10.1.30.9:443", top=wrong, two=in_list) == ("uncertain", "unmodelled")
    assert doubtful("tcp 10.1.20.7 10.1.30.9:80", top=wrong, two=in_list) == ("denied", "filtered")


# ---- readings -------------------------------------------------------------------------------


def test_an_answer_names_the_readings_on_which_it_rests():
    fleet = fleet_of(DOUBT.format(top="", two="ip access-group NOWHERE in", three=""))
    (path,) = ask(fleet, "tcp 10.1.20.7 10.1.30.9:443").paths
    assert [(reading.key, reading.value) for reading in path.readings] == [("undefined_list", "permits-all")]
    strict = fleet_of(
        DOUBT.format(top="", two="ip access-group NOWHERE in", three=""),
        fleet_yaml="assume: {undefined_list: denies-all}",
    )
    assert ends(ask(strict, "tcp 10.1.20.7 10.1.30.9:443")) == ("denied", "filtered")


@pytest.mark.parametrize(("value", "verdict"), [("skip-out", "permitted"), ("meet-out", "denied")])
def test_own_packets_and_out_lists(value, verdict):
    fleet = fleet_of(
        DOUBT.format(top="", two="", three="ip access-group WEB out"), fleet_yaml=f"assume: {{own_packets: {value}}}"
    )
    answer = ask(fleet, "tcp 10.1.20.1 10.1.30.9:80")
    assert answer.verdict == verdict
    assert ("own_packets", value) in [(reading.key, reading.value) for reading in answer.paths[0].readings]


def test_terminal_blocks_with_and_without_a_list_are_partly():
    lines = "line vty 0 4\n     access-class 10 in\n    line vty 5 15\n     login"
    lines += "\n    access-list 10 permit 10.1.20.0 0.0.0.255"
    answer = ask(fleet_of(DOUBT.format(top=lines, two="", three="")), "tcp 10.1.30.9 10.1.20.1:22")
    assert ends(answer) == ("partly", None)
    assert "has no list" in notes(answer)
    guarded = lines.replace("     login", "     access-class 10 in")
    assert doubtful("tcp 10.1.30.9 10.1.20.1:22", top=guarded) == ("denied", "filtered")
    assert doubtful("tcp 10.1.30.9 10.1.20.1:443", top=guarded) == ("permitted", "arrived")


def test_the_reply_to_a_session_of_the_device_itself_meets_no_terminal_list():
    # RFC 9293 section 3.5: SYN with ACK answers a session, it opens none. The device may have called from any port.
    lines = "line vty 0 4\n     access-class 10 in\n    access-list 10 permit 10.1.20.0 0.0.0.255"
    answer = ask(fleet_of(DOUBT.format(top=lines, two="", three="")), "tcp 10.1.20.1 10.1.30.9:443")
    assert ends(answer) == ("permitted", "arrived")
    assert ends(answer.reply) == ("permitted", "arrived")
    assert doubtful("tcp 10.1.30.9 10.1.20.1:22 --flags ack", top=lines) == ("denied", "filtered")


UNDERNEATH = """
    hostname quay-a
    ip routing
    vlan 20
    interface Ethernet1
     switchport mode access
     switchport access vlan 20
     {line}
    interface Vlan20
     ip address 10.1.20.1 255.255.255.0
    interface Ethernet2
     channel-group 3 mode active
     {line}
    interface Port-channel3
     no switchport
     ip address 10.1.30.1 255.255.255.0
    interface Ethernet4
     {line}
    interface Ethernet4.40
     encapsulation dot1Q 40
     ip address 10.1.40.1 255.255.255.0
    interface Ethernet5
     no switchport
     ip address 10.1.50.1 255.255.255.0
"""


@pytest.mark.parametrize("line", ["shutdwn", "switchport access vlan 5000", "channel-group x"])
@pytest.mark.parametrize("subnet", [20, 30, 40])
def test_a_line_that_nobody_reads_touches_what_stands_on_its_port(line, subnet):
    fleet = fleet_of(UNDERNEATH.format(line=line))
    words = [f"tcp 10.1.50.7 10.1.{subnet}.7:443", f"tcp 10.1.{subnet}.7 10.1.50.7:443"]
    assert [ends(ask(fleet, each)) for each in words] == [("uncertain", "unmodelled")] * 2
    fleet = fleet_of(UNDERNEATH.format(line="description stairs"))
    assert [ends(ask(fleet, each)) for each in words] == [("permitted", "arrived")] * 2
