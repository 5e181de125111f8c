"""Who takes what leaves an interface, as the evaluator and the engine see it.

Common practice where no source is named.
"""

from __future__ import annotations

import pytest
from model_builders import device, fleet, interface, vlan

from pathcheck.evaluator.access_list import MAYBE, YES
from pathcheck.evaluator.neighbour import takers
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.interface import SwitchPort
from pathcheck.network.layer2 import LayerTwo
from pathcheck.network.neighbours import Neighbours
from pathcheck.network.topology import Topology
from pathcheck.packet.address import Address
from pathcheck.packet.ranges import Ranges

OUT = ("quay", "Ethernet2")
CABLE = ("quay:Ethernet2 core:Ethernet1",)


def taking(config, out, version, next_hop):
    """Return the evaluator's answer; the engine must say the same."""
    found = takers(config, out, version, next_hop)
    topology = Topology(config)
    other = Neighbours(topology, LayerTwo(topology)).by_route(LinkEnd(*out), next_hop, version)
    assert {(each.end.device, each.end.interface) for each in other.neighbours} == {end for end, _ in found.takers}
    if not found.takers:
        assert (other.outside, other.stranded is not None, bool(other.unknown)) == tuple(
            found.fate == fate for fate in ("outside", "stranded", "unknown")
        )
    return found


def ask(config, next_hop=None, version=4):
    found = taking(config, OUT, version, None if next_hop is None else Address.parse(next_hop))
    return found.fate if not found.takers else {end for end, _ in found.takers}


def quay(*addresses, **more):
    return device("quay", interface("Ethernet1", "10.1.20.1/24"), interface("Ethernet2", *addresses, **more))


def core(*addresses, **more):
    return device("core", interface("Ethernet1", *addresses, **more), interface("Ethernet2", "10.1.90.1/24"))


def test_a_next_hop_that_is_on_no_subnet_is_taken_by_the_other_end_of_the_cable_or_not_known():
    config = fleet(quay("10.0.0.1/30"), core("10.9.9.1/30"))
    found = taking(config, OUT, 4, Address.parse("10.9.9.1"))
    assert (found.takers, found.fate, found.why) == ((), "unknown", "10.9.9.1 is on no subnet of quay:Ethernet2")
    assert ask(fleet(quay("10.0.0.1/30"), core("10.9.9.1/30"), links=CABLE), "10.9.9.1") == {("core", "Ethernet1")}
    # The cable leads to another interface than the owner's.
    assert ask(fleet(quay("10.0.0.1/30"), core("10.9.9.1/30"), links=CABLE), "10.1.90.1") == "unknown"
    several = fleet(quay("10.0.0.1/30"), core("10.9.9.1/30"), device("pier", interface("Ethernet7", "10.9.9.1/24")))
    topology = Topology(several)
    doubts = Neighbours(topology, LayerTwo(topology)).owning(LinkEnd(*OUT), Address.parse("10.9.9.1")).unknown
    assert [doubt.why for doubt in doubts] == [
        "`10.9.9.1` belongs to core:Ethernet1, which is on no subnet of quay:Ethernet2"
    ]
    # Nobody has it, or only the sender itself.
    assert ask(config, "10.7.7.7") == "outside"
    assert ask(config, "10.1.20.1") == "outside"


def test_a_route_by_interface_without_an_address_ends_where_the_cable_does():
    found = taking(fleet(quay(), core("10.0.0.2/30")), OUT, 4, None)
    assert found.fate == "unknown"
    assert found.why == "who is at the other end of quay:Ethernet2 is not in the text"
    assert ask(fleet(quay(), core("10.0.0.2/30"), links=CABLE)) == {("core", "Ethernet1")}


@pytest.mark.parametrize(
    ("name", "length", "routes", "expected"),
    [
        # RFC 3021 for the /31; a /30 has two stations too.
        ("Ethernet2", 31, False, {("core", "Ethernet1")}),
        ("Ethernet2", 30, False, {("core", "Ethernet1")}),
        # On a wider subnet it must be a router, which answers for others (proxy ARP, RFC 1027).
        ("Ethernet2", 29, False, "outside"),
        ("Ethernet2", 29, True, {("core", "Ethernet1")}),
        ("Serial2", 29, False, {("core", "Ethernet1")}),
        ("POS2", 29, False, {("core", "Ethernet1")}),
        ("Multilink2", 29, False, {("core", "Ethernet1")}),
        ("Dialer2", 29, False, {("core", "Ethernet1")}),
        ("Tunnel2", 29, False, {("core", "Ethernet1")}),
    ],
)
def test_who_is_behind_an_interface(name, length, routes, expected):
    here = device("quay", interface(name, f"10.0.0.2/{length}"))
    there = device("core", interface("Ethernet1", f"10.0.0.3/{length}"), routing=routes)
    found = taking(fleet(here, there), ("quay", name), 4, None)
    assert (found.fate if not found.takers else {end for end, _ in found.takers}) == expected


def test_a_pair_of_ipv6_stations_needs_no_router():  # RFC 6164
    def found(length):
        there = device("core", interface("Ethernet1", f"2001:db8::3/{length}"), ipv6_routing=False)
        return ask(fleet(quay(f"2001:db8::2/{length}"), there), version=6)

    assert (found(127), found(126)) == ({("core", "Ethernet1")}, "outside")


def test_a_router_that_is_down_or_only_virtual_is_not_behind_a_wide_subnet():
    wide = "10.0.0.1/24"
    assert ask(fleet(quay(wide), core("10.0.0.2/24"))) == {("core", "Ethernet1")}
    assert ask(fleet(quay(wide), core("10.0.0.2/24", shutdown=True))) == "outside"
    assert ask(fleet(quay(wide), core("10.0.0.254/24 virtual"))) == "outside"
    assert ask(fleet(quay(wide), core("10.9.0.2/24"))) == "outside"


def test_members_of_a_channel_take_nothing_and_hide_no_other():
    members = interface("Ethernet1", "10.0.0.2/24", channel_group=1), interface("Ethernet3", "10.0.0.2/24")
    assert ask(fleet(quay("10.0.0.1/24"), device("core", *members)), "10.0.0.2") == {("core", "Ethernet3")}


def test_what_may_be_up_may_take_it():
    there = device("core", interface("Tunnel1", "10.0.0.2/30"))
    found = taking(fleet(quay("10.0.0.1/30"), there), OUT, 4, Address.parse("10.0.0.2"))
    [(end, carriage)] = found.takers
    assert end == ("core", "Tunnel1")
    assert carriage.answer == (MAYBE, "whether a tunnel is up depends on its far end")
    sure = taking(fleet(quay("10.0.0.1/30"), core("10.0.0.2/30")), OUT, 4, Address.parse("10.0.0.2"))
    assert sure.takers[0][1].answer[0] == YES


def test_why_nobody_takes_it():
    down = core("10.0.0.2/30", shutdown=True)
    found = taking(fleet(quay("10.0.0.1/30"), down), OUT, 4, Address.parse("10.0.0.2"))
    assert (found.takers, found.fate, found.why) == ((), "stranded", "it is shut down")
    # A cable from another port leads elsewhere.
    apart = fleet(
        quay("10.0.0.1/30"),
        core("10.0.0.2/30"),
        links=("quay:Ethernet1 core:Ethernet1", "quay:Ethernet2 core:Ethernet2"),
    )
    found = taking(apart, OUT, 4, Address.parse("10.0.0.2"))
    assert (found.fate, found.why) == ("stranded", "no VLAN leads from quay:Ethernet2 to core:Ethernet1")


def test_a_link_local_next_hop_is_on_the_link_or_unknown():  # RFC 4862 section 5.3
    here = quay("2001:db8:12::1/64", "fe80::1/64 link-local")
    there = core("2001:db8:12::2/64", "fe80::2/64 link-local")
    elsewhere = device("far", interface("Ethernet1", "2001:db8:99::2/64", "fe80::2/64 link-local"))
    assert ask(fleet(here, there, elsewhere), "fe80::2", 6) == {("core", "Ethernet1")}
    assert ask(fleet(here, there), "fe80::3", 6) == "unknown"
    assert ask(fleet(here, elsewhere), "fe80::2", 6) == "outside"
    # Without a subnet in common the cable tells who is on the link.
    bare = quay("fe80::1/64 link-local")
    assert ask(fleet(bare, core("fe80::2/64 link-local"), links=CABLE), "fe80::2", 6) == {("core", "Ethernet1")}
    assert ask(fleet(bare, core("fe80::2/64 link-local"), links=CABLE), "fe80::3", 6) == "unknown"
    assert ask(fleet(bare, core("fe80::2/64 link-local")), "fe80::2", 6) == "outside"
    # The sender's own address is no neighbour's.
    assert ask(fleet(here, there), "fe80::1", 6) == "unknown"


def test_the_same_address_in_another_table_of_the_device_is_a_neighbour():
    blue = interface("Ethernet3", "10.0.0.2/30", vrf="BLUE")
    box = device("quay", interface("Ethernet1"), interface("Ethernet2", "10.0.0.1/30"), blue)
    assert ask(fleet(box), "10.0.0.2") == {("quay", "Ethernet3")}
    switched = interface("Ethernet4", switch_port=SwitchPort("trunk"))
    box = device("quay", interface("Ethernet2", "10.0.0.1/30"), interface("Ethernet3", "10.0.0.2/30"), switched)
    assert ask(fleet(box), "10.0.0.2") == "outside"


def test_a_wrong_vlan_says_more_than_an_interface_that_is_down_beside_it():
    trunk, other = SwitchPort("trunk"), SwitchPort("trunk", allowed=Ranges.single(30))
    start = device("quay", interface("Vlan20", "10.0.0.1/24"), interface("Ethernet9", switch_port=trunk), vlan(20))
    down = device("core", interface("Vlan20", "10.0.0.9/24", shutdown=True))
    wrong = device("pier", interface("Vlan20", "10.0.0.9/24"), interface("Ethernet9", switch_port=other), vlan(20),
                   interface("Ethernet8", switch_port=SwitchPort("access", access_vlan=20)))  # fmt: skip
    topology = Topology(fleet(start, down, wrong, links=("quay:Ethernet9 pier:Ethernet9",)))
    found = Neighbours(topology, LayerTwo(topology)).by_route(LinkEnd("quay", "Vlan20"), Address.parse("10.0.0.9"), 4)
    assert found.stranded is not None and "which is down" not in found.stranded.why
    topology = Topology(fleet(start, down))
    found = Neighbours(topology, LayerTwo(topology)).by_route(LinkEnd("quay", "Vlan20"), Address.parse("10.0.0.9"), 4)
    assert found.stranded is not None and "core:Vlan20, which is down" in found.stranded.why
