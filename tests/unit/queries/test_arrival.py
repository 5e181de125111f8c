"""Permits for packets that cannot come where a list is applied."""

from __future__ import annotations

import pytest

from pathcheck.fleet import load_fleet_files
from pathcheck.queries.line_review import review_fleet
from pathcheck.queries.line_review.arrival import Surroundings
from pathcheck.queries.line_review.review import review_list
from pathcheck.results.finding import Finding

TWO_STATIONS_NETS = """hostname terminal-north
interface Ethernet1
 ip address 10.10.0.1 255.255.255.254
interface Ethernet2
 ip address 10.20.20.1 255.255.255.0
 ip access-group TICKETS {direction}
interface Ethernet3
 ip address 10.20.30.1 255.255.255.0
{more}ip route 0.0.0.0 0.0.0.0 10.10.0.0
ip access-list extended TICKETS
"""


def found(lines: list[str], *, direction: str = "in", more: str = "", **others: str) -> list[Finding]:
    text = TWO_STATIONS_NETS.format(direction=direction, more=more) + "".join(f" {line}\n" for line in lines)
    files = {"terminal-north.cfg": text, **{f"{name.replace('_', '-')}.cfg": other for name, other in others.items()}}
    loaded = load_fleet_files({name: content.encode() for name, content in files.items()})
    return [item for item in review_fleet(loaded) if item.code in ("PC109", "PC110")]


INSIDE = "permit tcp 10.20.20.0 0.0.0.255 any eq 443"
STRANGE = "permit udp 10.20.30.0 0.0.0.255 any eq domain"


def test_a_source_on_another_interface() -> None:
    (item,) = found([INSIDE, STRANGE])
    assert item.code == "PC109"
    assert item.span is not None
    assert item.span.words == STRANGE
    assert [span.words for span in item.because] == ["ip access-group TICKETS in"]
    assert "its source, `10.20.30.0/24`, is not behind that interface" in item.message
    assert "leads through `Ethernet3`" in item.message


@pytest.mark.parametrize(
    "more",
    [
        "ip route 10.20.30.0 255.255.255.128 10.20.20.2\n",  # a longer prefix behind the interface
        "ip route 10.20.0.0 255.255.0.0 10.20.20.2\n",  # a shorter one is a way too (RFC 3704 section 2.3)
        "ip route 0.0.0.0 0.0.0.0 10.20.20.2 250\n",  # a standby default route
        "ip route 0.0.0.0 0.0.0.0 10.20.20.2\n",  # an equal one
        "router ospf 1\n network 10.20.20.0 0.0.0.255 area 0\n",
        "interface Ethernet9\n ip address dhcp\n",
        "ip nat inside source list 7 interface Ethernet1 overload\ninterface Ethernet2\n ip nat inside\n",
        "no ip routing\n",
        "interface Ethernet2\n shutdown\n",
        "line vty 0 4\n access-class TICKETS in\n",  # the list guards the device too
        "route-map CHOSEN permit 10\n match ip address TICKETS\n",  # and has another use
        "some unknown line\n",
    ],
)
def test_silent_where_it_may_arrive_or_nobody_knows(more: str) -> None:
    assert found([INSIDE, STRANGE], more=more) == []


def test_another_router_on_the_subnet_may_bring_it() -> None:
    neighbour = """hostname terminal-south
interface Ethernet1
 ip address 10.20.20.2 255.255.255.0
interface Ethernet2
 ip address {address} 255.255.255.0
"""
    assert found([INSIDE, STRANGE], terminal_south=neighbour.format(address="10.20.30.2")) == []
    assert len(found([INSIDE, STRANGE], terminal_south=neighbour.format(address="10.30.20.1"))) == 1
    silent = neighbour.format(address="10.30.20.1") + "router ospf 1\n network 10.0.0.0 0.255.255.255 area 0\n"
    assert found([INSIDE, STRANGE], terminal_south=silent) == []


@pytest.mark.parametrize(
    "line",
    [
        "deny ip 10.20.30.0 0.0.0.255 any",  # RFC 2827 section 3
        "permit udp host 0.0.0.0 any eq bootps",  # RFC 2827 section 5, RFC 1122 section 3.2.1.3
        "permit udp 169.254.0.0 0.0.255.255 any eq ntp",
        "permit udp any any eq domain",
        "permit udp 10.20.20.0 0.0.15.255 any eq domain",
        "permit udp 10.20.30.0 0.0.0.255 any eq domain time-range SUMMER",
    ],
)
def test_near_misses(line: str) -> None:
    assert found([INSIDE, line]) == []


def test_out_is_judged_by_best_routes() -> None:
    lines = [
        "permit tcp any 10.20.20.0 0.0.0.255",
        "permit tcp any host 10.20.30.9",
        "permit udp any 224.0.0.0 0.0.0.255",
    ]
    (item,) = found(lines, direction="out")
    assert (item.code, item.span.words if item.span else "") == ("PC109", "permit tcp any host 10.20.30.9")
    # A default route through the interface does not bring what has a longer way elsewhere.
    (item,) = found(lines, direction="out", more="ip route 0.0.0.0 0.0.0.0 10.20.20.2\n")
    assert item.code == "PC109"
    assert found(lines, direction="out", more="ip route 10.20.30.8 255.255.255.248 10.20.20.2 5\n") == []


def test_a_list_in_the_wrong_direction() -> None:
    lines = [INSIDE, "permit udp 10.20.20.0 0.0.0.255 host 10.10.90.32 eq domain", "deny ip any any log"]
    wrong = ["permit tcp 10.20.20.0 0.0.0.255 host 10.10.90.20 eq 443", *lines[1:]]
    (item,) = found(wrong, direction="out")
    assert (item.code, item.help) == ("PC110", "apply the list `in`")
    assert item.span is not None
    assert item.span.words == "ip access-group TICKETS out"
    assert len(item.because) == 2
    assert "all 2 permits" in item.message
    assert found(wrong) == []


def test_a_list_on_the_wrong_interface() -> None:
    (item,) = found(["permit tcp 10.40.1.0 0.0.0.127 any", "permit udp 10.40.1.0 0.0.0.127 any"])
    assert (item.code, item.help) == ("PC110", "apply the list to the interface that its lines speak of")


def test_a_shared_list_is_judged_by_all_its_interfaces() -> None:
    assert found([INSIDE, STRANGE], more=" ip access-group TICKETS in\n") == []


def test_ipv6() -> None:
    text = """hostname terminal-south
interface Ethernet2
 ipv6 address 2001:db8:30:20::1/64
 ipv6 traffic-filter TICKETS in
ipv6 access-list TICKETS
 permit icmp fe80::/10 any
 permit udp host :: any
 permit tcp 2001:db8:30:20::/64 any eq 443
 permit tcp 2001:db8:30:21::/64 any eq 443
"""
    loaded = load_fleet_files({"terminal-south.cfg": text.encode()})
    items = [item for item in review_fleet(loaded) if item.code == "PC109"]
    assert [item.span.line for item in items if item.span] == [9]
    assert "the device has no route to it" in items[0].message


def test_another_use_of_another_list_silences_nothing() -> None:
    assert len(found([INSIDE, STRANGE], more="route-map CHOSEN permit 10\n match ip address OTHER\n")) == 1


def test_the_lower_half_of_ipv6_addresses_counts() -> None:
    text = """hostname terminal-south
interface Ethernet2
 ipv6 address 2001:db8:30:20::1:1/112
 ipv6 traffic-filter TICKETS in
ipv6 access-list TICKETS
 permit tcp 2001:db8:30:20::1:0/112 any eq 443
 permit tcp 2001:db8:30:20::1:0/112 any eq 22
 permit tcp 2001:db8:30:20::2:0/112 any eq 443
"""
    loaded = load_fleet_files({"terminal-south.cfg": text.encode()})
    assert [item.span.line for item in review_fleet(loaded) if item.span and item.code == "PC109"] == [8]


def test_a_list_is_wrong_as_a_whole_only_if_most_of_its_permits_are() -> None:
    more = [INSIDE, "permit tcp 10.20.20.0 0.0.0.255 any eq 80"]
    strange = [STRANGE, "permit udp 10.20.30.0 0.0.0.255 any eq ntp"]
    assert [item.code for item in found([*more, *strange])] == ["PC109", "PC109"]
    assert [item.code for item in found([*more[:1], *strange])] == ["PC110"]
    assert [item.code for item in found([*more[:1], *strange[:1]])] == ["PC109"]


def test_one_list_is_reviewed_alone_or_with_the_fleet_around_it() -> None:
    text = TWO_STATIONS_NETS.format(direction="in", more="") + f" {INSIDE}\n {STRANGE}\n"
    neighbour = (
        "hostname terminal-south\ninterface Ethernet1\n ip address 10.20.20.2 255.255.255.0\n"
        "interface Ethernet2\n ip address 10.20.30.2 255.255.255.0\n"
    )
    loaded = load_fleet_files({"a.cfg": text.encode(), "b.cfg": neighbour.encode()})
    device = loaded.config.devices["terminal-north"]
    access_list = device.access_list("ipv4", "TICKETS")
    assert access_list is not None
    assert "PC109" in {item.code for item in review_list(device, access_list)}
    around = Surroundings(loaded.config)
    assert "PC109" not in {item.code for item in review_list(device, access_list, around=around)}


def test_a_standby_route_by_the_interface_lets_the_packets_through_and_one_by_another_does_not() -> None:
    out = "permit udp any 10.20.30.0 0.0.0.255 eq domain"
    inside = "permit udp any 10.20.20.0 0.0.0.255 eq domain"
    lines = [inside, out]
    assert [item.code for item in found(lines, direction="out")] == ["PC109"]
    away = "ip route 10.40.0.0 255.255.0.0 10.10.0.0\nip route 10.40.0.0 255.255.0.0 {} 200\n"
    far = [inside, "permit udp any 10.40.0.0 0.0.255.255 eq domain"]
    assert found(far, direction="out", more=away.format("10.20.20.2")) == []
    assert [item.code for item in found(far, direction="out", more=away.format("10.20.30.2"))] == ["PC109"]
