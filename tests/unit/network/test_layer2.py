"""Whether a VLAN is carried between two switches: hop by hop over the cables, and which end is wrong."""

from __future__ import annotations

import pytest
from small_fleets import ask, ends, fleet_of, notes

from pathcheck.model.fleet_config import LinkEnd
from pathcheck.network.layer2 import Carriage, LayerTwo
from pathcheck.network.topology import Topology

QUAY = """
    hostname quay
    ip routing
    vlan 20,30
    interface Vlan20
     ip address 10.2.0.1 255.255.255.0
    interface Ethernet1
     switchport mode trunk
     {quay}
    interface Ethernet8
     switchport mode access
     switchport access vlan 20
    interface Loopback0
     ip address 10.9.0.1 255.255.255.255
    ip route 10.9.0.2 255.255.255.255 10.2.0.2
"""
MIDDLE = """
    hostname middle
    {vlans}
    interface Ethernet1
     switchport mode trunk
     {one}
    interface Ethernet2
     switchport mode trunk
     {two}
"""
PIER = """
    hostname pier
    ip routing
    vlan 20,30
    interface Vlan20
     ip address 10.2.0.2 255.255.255.0
    interface Ethernet2
     {pier}
    interface Ethernet8
     switchport mode access
     switchport access vlan 20
    interface Loopback0
     ip address 10.9.0.2 255.255.255.255
    ip route 10.9.0.1 255.255.255.255 10.2.0.1
"""
LINKS = """
    links:
      - quay:Ethernet1 middle:Ethernet1
      - middle:Ethernet2 pier:Ethernet2
"""
ELSEWHERE = "links: [quay:Ethernet1 middle:Ethernet1, pier:Ethernet3 pier:Ethernet4]"
ONLY_30 = "switchport trunk allowed vlan 30"
A, B = LinkEnd("quay", "Vlan20"), LinkEnd("pier", "Vlan20")


def ferry(quay="", vlans="vlan 20", one="", two="", pier="switchport mode trunk", links=LINKS, more=()):
    return fleet_of(
        QUAY.format(quay=quay),
        MIDDLE.format(vlans=vlans, one=one, two=two),
        PIER.format(pier=pier),
        *more,
        fleet_yaml=links,
    )


def carriage(fleet, a=A, b=B) -> Carriage:
    found, back = (LayerTwo(Topology(fleet.config)).between(*pair) for pair in ((a, b), (b, a)))
    assert (found.carried, bool(found.doubts)) == (back.carried, bool(back.doubts)), "neighbours are so both ways"
    return found


@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"one": "switchport trunk allowed vlan 10-20", "two": "switchport trunk allowed vlan 20"},
        {"quay": "switchport trunk native vlan 20", "one": "switchport trunk native vlan 20"},
        # Another VLAN's mismatch does not touch this one.
        {"quay": "switchport trunk native vlan 30", "one": "switchport trunk native vlan 40"},
        {"pier": "switchport mode access\n     switchport access vlan 20", "two": "switchport trunk native vlan 20"},
        # Without a VLAN section "not defined" says nothing.
        {"vlans": "!"},
    ],
)
def test_carried(settings):
    assert carriage(ferry(**settings)) == Carriage(True)


@pytest.mark.parametrize(
    ("settings", "why", "line"),
    [
        (
            {"two": "switchport trunk allowed vlan 30"},
            "the trunk middle:Ethernet2 does not allow VLAN 20",
            "allowed vlan 30",
        ),
        (
            {"quay": "switchport trunk allowed vlan 30"},
            "the trunk quay:Ethernet1 does not allow VLAN 20",
            "allowed vlan 30",
        ),
        ({"vlans": "vlan 30"}, "VLAN 20 is not defined on middle", "mode trunk"),
        ({"one": "switchport trunk native vlan 20"}, "the native VLANs are 1 and 20", "mode trunk"),
        (
            {"pier": "switchport mode access\n     switchport access vlan 30"},
            "pier:Ethernet2 is an access port in VLAN 30, which takes no frames tagged with VLAN 20",
            "access vlan 30",
        ),
        ({"two": "shutdown"}, "middle:Ethernet2 is down", "shutdown"),
        ({"pier": "no switchport"}, "no sub-interface of pier:Ethernet2 takes frames tagged with VLAN 20", "interface"),
        (
            {"links": "links: [quay:Ethernet1 middle:Ethernet1, pier:Ethernet3 pier:Ethernet4]"},
            "no cables lead",
            "interface",
        ),
    ],
)
def test_not_carried_blames_the_end_that_is_wrong(settings, why, line):
    found = carriage(ferry(**settings))
    assert not found.carried
    assert why in found.fault.why
    assert line in found.fault.span.words


def test_the_flow_is_stranded_and_says_where():
    answer = ask(ferry(two="switchport trunk allowed vlan 30"), "ip 10.9.0.1 10.9.0.2")
    assert ends(answer) == ("denied", "stranded")
    assert "the trunk middle:Ethernet2 does not allow VLAN 20 (device-1.cfg:9)" in notes(answer)
    assert ends(ask(ferry(), "ip 10.9.0.1 10.9.0.2")) == ("permitted", "arrived")


def test_without_cabling_carriage_is_assumed_and_said_once():
    fleet = ferry(links="", two="switchport trunk allowed vlan 30")
    assert carriage(fleet) == Carriage(True, assumed=("quay", "pier"))
    answer = ask(fleet, "ip 10.9.0.1 10.9.0.2")
    assert ends(answer) == ("permitted", "arrived")
    assert notes(answer).count("assumed to be carried") == 1
    # One cabled end is not enough to tell.
    half = ferry(links="links: [quay:Ethernet1 middle:Ethernet1]")
    assert carriage(half).assumed == ("pier",)


@pytest.mark.parametrize(
    ("settings", "doubt"),
    [
        ({"vlans": "vlan 20\n    vtp mode client"}, "middle"),
        ({"one": "switchport mode dynamic auto"}, "settle on access or trunk"),
        ({"vlans": "tidal-compensation enable"}, "middle"),
    ],
)
def test_what_is_not_known_is_in_doubt(settings, doubt):
    found = carriage(ferry(**settings))
    assert doubt in " ".join(one.why for one in found.doubts)
    assert ask(ferry(**settings), "ip 10.9.0.1 10.9.0.2").verdict == "uncertain"


@pytest.mark.parametrize(
    ("settings", "doubt"),
    [
        # The VLAN may come from the other switches of the database.
        ({"vlans": "vlan 30\n    vtp mode client"}, "kept in common"),
        # A line that nobody knows, on the very switch that does not let the VLAN on.
        ({"vlans": "vlan 20\n    tidal-compensation enable", "two": ONLY_30}, "unknown line"),
        ({"pier": f"switchport mode trunk\n     {ONLY_30}\n    vlan dot1q tag native"}, "tagged native VLAN"),
    ],
)
def test_a_vlan_that_the_text_does_not_carry_may_be_carried_by_a_line_that_is_not_modelled(settings, doubt):
    found = carriage(ferry(**settings))
    assert found.carried, "not known is not the same as not carried"
    assert doubt in " ".join(one.why for one in found.doubts)
    assert ask(ferry(**settings), "ip 10.9.0.1 10.9.0.2").verdict == "uncertain"


def test_a_line_on_a_switch_beside_the_way_leaves_nothing_open():
    beside = """
    hostname beside
    vlan 30
    tidal-compensation enable
    interface Ethernet1
     switchport mode trunk
    """
    links = LINKS + "      - middle:Ethernet9 beside:Ethernet1\n"
    port = "switchport trunk allowed vlan 20\n    interface Ethernet9\n     switchport mode trunk"
    found = carriage(ferry(one=ONLY_30, two=port, links=links, more=(beside,)))
    assert not found.carried
    assert found.fault.why == "the trunk middle:Ethernet1 does not allow VLAN 20"


def test_untagged_frames_that_change_their_vlan_are_in_doubt():
    # Two access ports of different VLANs joined by a cable: frames cross, unless spanning tree blocks the port.
    end = """
    hostname {}
    ip routing
    vlan 20,30
    interface Vlan{v}
     ip address 10.2.0.{n} 255.255.255.0
    interface Ethernet1
     switchport mode access
     switchport access vlan {v}
    """
    links = "links: [left:Ethernet1 right:Ethernet1]"
    fleet = fleet_of(end.format("left", v=20, n=1), end.format("right", v=30, n=2), fleet_yaml=links)
    found = carriage(fleet, LinkEnd("left", "Vlan20"), LinkEnd("right", "Vlan30"))
    assert "spanning tree" in found.doubts[0].why


ROUTED = """
    hostname {name}
    ip routing
    interface GigabitEthernet0/0
    interface GigabitEthernet0/0.20
     encapsulation dot1Q {tag}
     ip address 10.2.0.{n} 255.255.255.0
    interface Port-channel1
     no switchport
     ip address 10.3.0.{n} 255.255.255.0
    interface GigabitEthernet0/1
     channel-group 1 mode active
    interface GigabitEthernet0/2
     {second}
     channel-group 1 mode active
    interface GigabitEthernet0/3
     ip address 10.4.0.{n} 255.255.255.0
"""


def routers(tag=20, second="no shutdown", links="gi0/0 gi0/1"):
    made = [f"  - one:{port} two:{port}\n" for port in links.split()]
    return fleet_of(
        ROUTED.format(name="one", n=1, tag=20, second="no shutdown"),
        ROUTED.format(name="two", n=2, tag=tag, second=second),
        fleet_yaml="links:\n" + "".join(made),
    )


def test_sub_interfaces_meet_by_their_encapsulation():
    ends_ = LinkEnd("one", "GigabitEthernet0/0.20"), LinkEnd("two", "GigabitEthernet0/0.20")
    assert carriage(routers(), *ends_) == Carriage(True)
    assert "no sub-interface of two:GigabitEthernet0/0 takes frames tagged with VLAN 20" in (
        carriage(routers(tag=21), *ends_).fault.why
    )


def test_a_port_channel_is_carried_by_its_members():
    ends_ = LinkEnd("one", "Port-channel1"), LinkEnd("two", "Port-channel1")
    assert carriage(routers(), *ends_) == Carriage(True)
    assert carriage(routers(links="gi0/1 gi0/2", second="shutdown"), *ends_) == Carriage(True)
    assert not carriage(routers(links="gi0/2", second="shutdown"), *ends_).carried


def test_a_routed_port_without_a_cable_is_not_carried():
    ends_ = LinkEnd("one", "GigabitEthernet0/3"), LinkEnd("two", "GigabitEthernet0/3")
    assert "no link names a cable on one:GigabitEthernet0/3" in carriage(routers(), *ends_).fault.why
    assert carriage(routers(links="gi0/3"), *ends_) == Carriage(True)


def test_management_ports_that_no_link_names_are_assumed_to_be_connected():
    port = """
    hostname {}
    ip routing
    interface Management1
     ip address 10.5.0.{} 255.255.255.0
    interface Ethernet1
     no switchport
     ip address 10.6.0.{} 255.255.255.0
    """
    links = "links: [one:Ethernet1 two:Ethernet1]"
    fleet = fleet_of(port.format("one", 1, 1), port.format("two", 2, 2), fleet_yaml=links)
    found = carriage(fleet, LinkEnd("one", "Management1"), LinkEnd("two", "Management1"))
    assert found.carried
    assert set(found.assumed) == {"one:Management1", "two:Management1"}


# ---- lists on switch ports ------------------------------------------------------------------

LISTED = "\n    ip access-list extended NO-WEB\n     deny tcp any any eq 80\n     permit ip any any\n"


def test_a_list_on_a_port_between_two_switches_acts():
    fleet = ferry(one="ip access-group NO-WEB in", vlans="vlan 20" + LISTED)
    assert ends(ask(fleet, "tcp 10.9.0.1 10.9.0.2:80")) == ("denied", "filtered")
    assert ends(ask(fleet, "tcp 10.9.0.1 10.9.0.2:81")) == ("permitted", "arrived")


def test_the_port_by_which_a_station_enters_decides_which_list_it_meets():
    text = QUAY.format(quay="") + "interface Ethernet8\n     ip access-group NO-WEB in\n" + LISTED
    fleet = fleet_of(text)
    # Ethernet1 is a trunk with VLAN 20 and has no list, so the way in is open.
    answer = ask(fleet, "tcp 10.2.0.7 192.0.2.1:80 --no-reply")
    assert ends(answer) == ("denied", "unrouted")
    routed = fleet_of(text + "    ip route 192.0.2.0 255.255.255.0 10.2.0.99\n")
    assert ends(ask(routed, "tcp 10.2.0.7 192.0.2.1:80 --no-reply")) == ("uncertain", "unmodelled")
    assert ends(ask(routed, "tcp 10.2.0.7 192.0.2.1:81 --no-reply")) == ("permitted", "handed-over")
    assert ends(ask(routed, "tcp 10.2.0.7 192.0.2.1:80 --at quay:Ethernet8 --no-reply")) == ("denied", "filtered")
    # Within the VLAN only the list on the port acts.
    assert ends(ask(routed, "tcp 10.2.0.7 10.2.0.8:80 --at quay:Ethernet8 --no-reply")) == ("denied", "filtered")
    assert ends(ask(routed, "tcp 10.2.0.7 10.2.0.8:81 --at quay:Ethernet8 --no-reply")) == ("permitted", "arrived")
    assert ends(ask(routed, "tcp 10.2.0.7 10.2.0.1:80 --at quay:Ethernet8 --no-reply")) == ("denied", "filtered")


def test_a_station_reaches_the_address_of_its_switch_only_while_that_is_up():
    to_switch = "tcp 10.2.0.7 10.2.0.1:22 --at quay:Ethernet8 --no-reply"
    [path] = ask(fleet_of(QUAY.format(quay="")), to_switch).paths
    assert [(hop.device, hop.into) for hop in path.hops] == [("quay", "Vlan20")]
    # Down, the address is one of the subnet like any other, and perhaps a station's.
    down = QUAY.format(quay="").replace("ip address 10.2.0.1 255.255.255.0", "ip address 10.2.0.1/24\n     shutdown")
    answer = ask(fleet_of(down), to_switch)
    assert ends(answer) == ("permitted", "arrived")
    assert [hop.into for path in answer.paths for hop in path.hops] != ["Vlan20"]


def test_an_address_that_two_switches_have_is_reached_on_either():
    virtual = "ip address 10.2.0.{0} 255.255.255.0\n     vrrp 20 ip 10.2.0.9"
    texts = [
        QUAY.format(quay="").replace("ip address 10.2.0.1 255.255.255.0", virtual.format(1)),
        MIDDLE.format(vlans="vlan 20", one="", two=""),
        PIER.format(pier="switchport mode trunk").replace("ip address 10.2.0.2 255.255.255.0", virtual.format(2)),
    ]
    fleet = fleet_of(*texts, fleet_yaml=LINKS)
    answer = ask(fleet, "tcp 10.2.0.7 10.2.0.9:22 --at quay:Ethernet8 --no-reply")
    assert ends(answer) == ("permitted", "arrived")
    assert {(path.hops[0].device, path.share) for path in answer.paths} == {
        ("quay", "equal-cost"),
        ("pier", "equal-cost"),
    }
    answer = ask(fleet, "tcp 10.2.0.7 10.2.0.1:22 --at quay:Ethernet8 --no-reply")
    assert {path.share for path in answer.paths} == {"all"}
