"""Owners, subnets and cables."""

from __future__ import annotations

import pytest
from model_builders import device, fleet, interface

from pathcheck.model.fleet_config import LinkEnd
from pathcheck.network.topology import Topology
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix


@pytest.fixture(scope="module")
def topology():
    quay = device(
        "quay",
        interface("Vlan20", "10.1.20.2/24", "10.1.20.1/24 virtual", "10.1.21.2/24 secondary"),
        interface("Ethernet1", "10.0.0.0/31"),
        interface("Ethernet7", channel_group=7),
        interface("Port-channel7", "2001:db8:7::1/64", "fe80::1/64 link-local"),
    )
    pier = device(
        "pier",
        interface("Vlan20", "10.1.20.3/24", "10.1.20.1/24 virtual"),
        interface("Ethernet1", "10.0.0.1/31", shutdown=True),
        interface("Ethernet2", "10.1.0.1/16"),
    )
    return Topology(fleet(quay, pier, links=("quay:Ethernet1 pier:Ethernet1", "quay:Ethernet7 pier:Ethernet3")))


def names(attachments) -> list[str]:
    return [str(item.end) for item in attachments]


def test_owners_of_an_address(topology):
    assert names(topology.owners(Address.parse("10.1.20.1"))) == ["pier:Vlan20", "quay:Vlan20"]
    assert names(topology.owners(Address.parse("10.0.0.1"))) == ["pier:Ethernet1"]
    assert topology.owners(Address.parse("10.9.9.9")) == ()
    assert [topology.is_up(one) for one in topology.owners(Address.parse("10.0.0.1"))] == [False]


def test_subnets_of_an_address_longest_first(topology):
    assert names(topology.on_subnet_of(Address.parse("10.1.21.77"))) == ["quay:Vlan20", "pier:Ethernet2"]
    assert topology.on_subnet_of(Address.parse("fe80::9")) == ()
    assert names(topology.on_subnet_of(Address.parse("2001:db8:7::9"))) == ["quay:Port-channel7"]


def test_what_overlaps_a_prefix(topology):
    assert names(topology.overlapping(Prefix.parse("10.1.20.128/25"))) == [
        "pier:Ethernet2", "pier:Vlan20", "pier:Vlan20", "quay:Vlan20", "quay:Vlan20",
    ]  # fmt: skip
    assert len(topology.overlapping(Prefix.parse("10.0.0.0/8"))) == 8
    assert {str(one) for one in topology.subnets()} == {
        "10.0.0.0/31", "10.1.0.0/16", "10.1.20.0/24", "10.1.21.0/24", "2001:db8:7::/64",
    }  # fmt: skip


@pytest.mark.parametrize("length", [8, 23, 24, 31, 32])
def test_owned_addresses_of_a_prefix_are_found_either_way(topology, length):
    prefix = Prefix.parse_loose(f"10.1.20.0/{length}")
    expected = sorted(
        (item.address.address, str(item.end)) for item in topology.attachments if item.address.address in prefix
    )
    assert sorted((item.address.address, str(item.end)) for item in topology.owned_within(prefix)) == expected


def test_cables_of_a_channel_are_those_of_its_members(topology):
    (cable,) = topology.cables_of("quay", "Port-channel7")
    assert (str(cable.near), str(cable.far)) == ("quay:Ethernet7", "pier:Ethernet3")
    assert topology.logical(cable.near) == LinkEnd("quay", "Port-channel7")
    assert topology.is_cabled("pier")
    assert not topology.is_cabled("elsewhere")


def test_the_graph_holds_devices_interfaces_subnets_and_cables(topology):
    graph = topology.graph
    assert graph.has_edge(("device", "quay"), ("interface", "quay", "Vlan20"))
    assert graph.has_edge(("interface", "pier", "Vlan20"), ("subnet", "10.1.20.0/24"))
    assert graph.has_edge(("interface", "quay", "Ethernet7"), ("interface", "pier", "Ethernet3"))


def test_a_member_of_a_channel_stands_for_it_where_it_is_in_the_text(topology):
    assert topology.logical(LinkEnd("quay", "Ethernet7")) == LinkEnd("quay", "Port-channel7")
    lost = Topology(fleet(device("quay", interface("Ethernet7", channel_group=8), interface("Port-channel7"))))
    for name in ("Ethernet7", "Port-channel7", "Ethernet9"):
        assert lost.logical(LinkEnd("quay", name)) == LinkEnd("quay", name)
