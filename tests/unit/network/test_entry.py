"""Where a flow enters: stations, gateways, devices, entry points by name."""

from __future__ import annotations

import re

import pytest
from model_builders import device, fleet, interface
from small_fleets import ask, ends, fleet_of, notes, way

from pathcheck.errors import FlowError, UnknownNameError
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.network.entry import flow_entries
from pathcheck.network.reachability import Network
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.flow import ask_flow

GATE = """
    hostname {name}
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.1.20.{n} 255.255.255.0
     {one}
    interface Ethernet2
     no switchport
     ip address 10.1.{lan}.{n} 255.255.255.0
"""


def gates(first="", second=""):
    return fleet_of(GATE.format(name="east", n=1, lan=30, one=first), GATE.format(name="west", n=2, lan=31, one=second))


def test_a_station_may_use_each_gateway_of_its_subnet():
    answer = ask(gates(), "tcp 10.1.20.7 10.1.30.9:80")
    assert [(path.reason, path.share) for path in answer.paths] == [
        ("unrouted", "equal-cost"),
        ("arrived", "equal-cost"),
    ]
    assert answer.verdict == "partly"


def test_a_gateway_that_is_down_is_not_used():
    answer = ask(gates(second="shutdown"), "tcp 10.1.20.7 10.1.30.9:80")
    assert ends(answer) == ("permitted", "arrived")
    assert way(answer.paths[0]) == ["Ethernet1>east>Ethernet2"]


def test_stations_whose_only_gateway_is_down_are_stranded():
    answer = ask(gates("shutdown", "shutdown"), "tcp 10.1.20.7 10.1.30.9:80")
    assert ends(answer) == ("denied", "stranded")
    assert "east:Ethernet1 is down: shut down" in notes(answer)


def test_a_device_whose_source_address_is_down_is_stranded():
    answer = ask(gates(first="shutdown"), "tcp 10.1.20.1 10.1.30.9:80")
    assert ends(answer) == ("denied", "stranded")


def test_a_prefix_over_several_subnets_enters_at_each():
    answer = ask(gates(), "tcp 10.1.30.0/23 10.1.20.9:80")
    assert ends(answer) == ("permitted", "arrived")
    assert {way(path)[0] for path in answer.paths} == {"Ethernet2>east>Ethernet1", "Ethernet2>west>Ethernet1"}
    assert {path.share for path in answer.paths} == {"part"}
    assert "6 addresses" in notes(answer)


def test_a_prefix_to_its_own_subnet_and_others():
    answer = ask(gates(), "tcp 10.1.30.0/24 10.1.30.0/23:80")
    assert {(path.reason, len(path.hops)) for path in answer.paths} == {
        ("arrived", 0),
        ("arrived", 1),
        ("unrouted", 1),
    }


def test_within_a_subnet_a_device_is_reached_by_its_interface_there():
    fleet = gates(first="ip access-group NONE in\n    ip access-list standard NONE\n     deny any")
    assert ends(ask(fleet, "tcp 10.1.20.7 10.1.20.1:80")) == ("denied", "filtered")
    assert ends(ask(fleet, "tcp 10.1.20.7 10.1.20.9:80")) == ("permitted", "arrived")


def test_subnets_without_a_router_need_an_entry_point():
    switch = """
    hostname cabin
    no ip routing
    interface Vlan99
     ip address 10.1.99.2 255.255.255.0
    interface Ethernet1
     switchport access vlan 99
    """
    with pytest.raises(FlowError, match=r"no device of the fleet that routes IPv4 is on `10\.1\.99\.0/24`.*--at"):
        ask(fleet_of(switch), "tcp 10.1.99.7 192.0.2.1:80")
    assert ends(ask(fleet_of(switch), "tcp 10.1.99.7 10.1.99.8:80")) == ("permitted", "arrived")


def test_any_leaves_out_what_no_router_forwards():
    answer = ask(gates(), "tcp any any:80 --at east:Ethernet1")
    assert "224.0.0.0/4" in notes(answer)
    assert "no interface of the fleet has an IPv6 address" in notes(answer)
    assert answer.verdict == "partly"


@pytest.mark.parametrize(
    ("at", "vrf", "told"),
    [
        (EntryPoint("north"), None, "no device `north`"),
        (EntryPoint("wets"), None, "did you mean `west`"),
        (EntryPoint("west", "Ethernet9"), None, "no interface `Ethernet9`.*did you mean `Ethernet"),
        (EntryPoint("west"), "CREW", "no VRF `CREW`"),
        (EntryPoint("west", "Ethernet1"), "CREW", "is in the global table, not in VRF `CREW`"),
    ],
)
def test_entry_points_are_checked(at, vrf, told):
    source, destination = (Prefix.parse("10.1.20.7"),), (Prefix.parse("10.1.30.9"),)
    with pytest.raises((UnknownNameError, FlowError)) as caught:
        ask_flow(gates(), Flow(6, source, destination, at=at, vrf=vrf))
    assert re.search(told, str(caught.value))


@pytest.mark.parametrize(
    ("source", "vrf", "told"),
    [
        ("192.0.2.7", None, "the source `192.0.2.7` is on no subnet of the fleet"),
        ("192.0.2.0/24", None, "the source `192.0.2.0/24` is on no subnet of the fleet"),
        ("10.1.20.7", "CREW", "the source `10.1.20.7` is on no subnet of the fleet in VRF `CREW`"),
    ],
)
def test_a_source_on_no_subnet_needs_an_entry_point(source, vrf, told):
    text = source if "/" in source else f"{source}/32"
    with pytest.raises(FlowError) as caught:
        ask_flow(gates(), Flow(6, (Prefix.parse(text),), (Prefix.parse("10.1.30.9"),), vrf=vrf))
    assert str(caught.value).partition("; ")[0].startswith(told)
    assert "in VRF" in told or "in VRF" not in str(caught.value)


def test_packets_of_a_device_have_one_start_and_are_no_alternative():
    answer = ask(gates(), "tcp 10.1.20.1 10.1.30.9:80 --no-reply")
    assert ends(answer) == ("permitted", "arrived")
    assert {path.share for path in answer.paths} == {"all"}


def test_the_addresses_that_are_left_out_are_named_while_they_are_few():
    flow = "tcp 10.1.20.0/24 10.1.30.9:80 --at east:Ethernet1 --no-reply"
    named = "left out of the source: 10.1.20.0, 10.1.20.1, 10.1.20.2, 10.1.20.255 ("
    assert named in notes(ask(gates(), flow))
    more = gates("ip address 10.1.20.9 255.255.255.0 secondary")
    assert "left out of the source: 5 addresses (" in notes(ask(more, flow))


STAFF = """
    hostname staff
    ip routing
    vrf definition CREW
    interface Ethernet1
     no switchport
     vrf forwarding CREW
     ip address 10.3.0.1 255.255.255.0
    interface Ethernet2
     no switchport
     ip address 10.3.1.1 255.255.255.0
"""


def test_a_devices_own_address_puts_its_packets_into_that_table():
    crew = "tcp {} 10.3.0.9:80 --at staff --no-reply"
    assert ends(ask(fleet_of(STAFF), crew.format("10.3.0.1"))) == ("permitted", "arrived")
    assert ends(ask(fleet_of(STAFF), crew.format("10.3.1.1"))) == ("denied", "unrouted")
    assert ends(ask(fleet_of(STAFF), crew.format("192.0.2.1"))) == ("denied", "unrouted")


def test_packets_of_an_address_that_two_devices_share_start_on_either():
    shared = gates("ip address 10.1.20.8 255.255.255.0 secondary", "ip address 10.1.20.8 255.255.255.0 secondary")
    answer = ask(shared, "tcp 10.1.20.8 10.1.30.9:80 --no-reply")
    assert {(path.hops[0].device, path.share) for path in answer.paths} == {
        ("east", "equal-cost"),
        ("west", "equal-cost"),
    }


def test_a_flow_without_stations_names_its_sources():
    two = (Prefix.parse("10.1.20.0/31"), Prefix.parse("10.1.30.0/31"))
    with pytest.raises(FlowError, match=r"no station can be on `10\.1\.20\.0/31`"):
        ask_flow(gates(), Flow(6, two, (Prefix.parse("10.1.30.9"),)))
    with pytest.raises(FlowError, match="no station can be on `the gates`"):
        ask_flow(gates(), Flow(6, two, (Prefix.parse("10.1.30.9"),), source_named="the gates"))


def test_a_device_whose_interface_on_the_subnet_is_down_is_not_reached_there():
    answer = ask(gates(second="shutdown"), "tcp 10.1.20.7 10.1.20.2:80 --no-reply")
    assert ends(answer) == ("denied", "stranded")
    # Of a prefix within the subnet only that address is; stations and the other device are reached.
    answer = ask(gates(second="shutdown"), "tcp 10.1.20.7 10.1.20.0/24:80 --no-reply")
    assert {path.reason for path in answer.paths} == {"arrived", "stranded"}
    # Sources and destinations on two subnets: each stays on its own.
    answer = ask(gates(), "tcp 10.1.20.7 10.1.31.2:80 --no-reply")
    assert {path.share for path in answer.paths} == {"equal-cost"}


def test_stations_use_a_gateway_that_may_be_down_only_if_no_other_is_up():
    def starts(*second, first=True):
        ports = [interface("Ethernet1", "10.1.20.1/24", shutdown=not first), interface("Ethernet2", "10.1.30.1/24")]
        east, west = device("east", *ports, routing=True), device("west", *second, routing=True)
        flow = Flow(6, (Prefix.parse("10.1.20.7"),), (Prefix.parse("10.1.30.9"),))
        return [
            (f"{it.at.device}:{it.at.interface}", it.alternative)
            for it in flow_entries(Network(fleet(east, west)), flow, 4).starts
        ]

    perhaps = interface("Tunnel1", "10.1.20.2/24")
    certain = interface("Ethernet1", "10.1.20.2/24")
    assert starts(certain) == [("east:Ethernet1", True), ("west:Ethernet1", True)]
    assert starts(certain, first=False) == [("west:Ethernet1", False)]
    assert starts(perhaps, first=False) == [("west:Tunnel1", False)]


def test_an_entry_that_is_named_is_no_alternative():
    for at in ("east:Ethernet1", "east"):
        answer = ask(gates(), f"tcp 10.1.20.7 10.1.30.9:80 --at {at} --no-reply")
        assert {path.share for path in answer.paths} == {"all"}
