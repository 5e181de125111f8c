"""A virtual gateway address belongs to each member; flows follow every member (RFC 9568 section 1.1, from memory)."""

from __future__ import annotations

import pytest
from small_fleets import ask, ends, fleet_of, way

MEMBER = """
hostname {name}
ip routing
interface Ethernet1
 ip address 10.20.20.{host} 255.255.255.0
 {virtual}
 {more}
interface Ethernet2
 ip address 10.30.{host}.1 255.255.255.0
ip access-list extended NO-PING
 deny icmp any any
 permit ip any any
line vty 0 4
ip route 0.0.0.0 0.0.0.0 10.30.{host}.254
"""
BEHIND = """
hostname pier
ip routing
interface Ethernet1
 ip address 10.20.20.9 255.255.255.0
interface Ethernet2
 ip address 10.77.0.1 255.255.255.0
ip route 0.0.0.0 0.0.0.0 10.20.20.1
"""
FORMS = [
    "vrrp 1 ip 10.20.20.1",
    "vrrp 1 ipv4 10.20.20.1",
    "standby 1 ip 10.20.20.1",
    "glbp 1 ip 10.20.20.1",
    "ip virtual-router address 10.20.20.1",
    "ip address virtual 10.20.20.1/24",
    "active-gateway ip 10.20.20.1 mac 00:00:5e:00:01:01",
    "vrrp 1 address-family ipv4\n  address 10.20.20.1 primary",
    "hsrp 1\n  ip 10.20.20.1",
]


def members(virtual: str = FORMS[0], north: str = "", south: str = "", more: tuple[str, ...] = ()):
    return fleet_of(
        MEMBER.format(name="north", host=2, virtual=virtual, more=north),
        MEMBER.format(name="south", host=3, virtual=virtual, more=south),
        *more,
    )


@pytest.mark.parametrize("form", FORMS)
def test_each_form_gives_each_member_the_address(form: str) -> None:
    fleet = members(form, north="ip access-group NO-PING in")
    assert ends(ask(fleet, "tcp 10.20.20.77 10.20.20.1:22")) == ("permitted", "arrived")
    answer = ask(fleet, "icmp 10.20.20.77 10.20.20.1")
    assert answer.verdict == "partly", "the members disagree"
    assert {(path.share, path.verdict, *way(path)) for path in answer.paths} == {
        ("equal-cost", "denied", "Ethernet1>north>-"),
        ("equal-cost", "permitted", "Ethernet1>south>-"),
    }


def test_a_route_over_the_gateway_follows_each_member() -> None:
    fleet = members(north="ip access-group NO-PING in", more=(BEHIND,))
    answer = ask(fleet, "icmp 10.77.0.7 192.0.2.1 --no-reply")
    assert answer.verdict == "partly"
    assert {way(path)[1] for path in answer.paths} == {"Ethernet1>north>-", "Ethernet1>south>Ethernet2"}
    assert ends(ask(fleet, "tcp 10.77.0.7 192.0.2.1:80 --no-reply")) == ("permitted", "handed-over")


def test_a_member_that_is_down_does_not_answer() -> None:
    fleet = members(north="ip access-group NO-PING in\n shutdown", more=(BEHIND,))
    (path,) = ask(fleet, "icmp 10.77.0.7 192.0.2.1 --no-reply").paths
    assert (path.verdict, way(path)[1]) == ("permitted", "Ethernet1>south>Ethernet2")
