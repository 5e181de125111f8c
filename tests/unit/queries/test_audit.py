"""What the audit leaves alone, or says in another way: the edges between two findings, and what is not known."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_fleets import fleet_of

from pathcheck.fleet import LoadedFleet, load_fleet, load_fleet_files
from pathcheck.queries.audit import audit_fleet

CORPORA = Path(__file__).parents[3] / "corpora"


def codes(fleet: LoadedFleet) -> list[str]:
    return [item.code for item in audit_fleet(fleet)]


def messages(fleet: LoadedFleet) -> str:
    return "\n".join(item.message for item in audit_fleet(fleet))


@pytest.mark.parametrize("folder", ["rfc4632-topology/providers", "rfc4632-topology/parent-and-child", "rfc6192-lists"])
def test_published_fleets_give_nothing(folder: str) -> None:
    assert codes(load_fleet(CORPORA / folder)) == []


def test_a_file_that_was_refused_may_hold_what_is_missing() -> None:
    text = b"""hostname quay-a
vlan 10
interface Ethernet1
 switchport mode access
 switchport access vlan 20
 ip access-group TICKETS-IN in
line vty 0 4
 access-class MGMT in
"""
    assert set(codes(load_fleet_files({"quay-a/1.cfg": text}))) == {"PC311", "PC312", "PC331"}
    assert codes(load_fleet_files({"quay-a/1.cfg": text, "quay-a/2.cfg": b"set vlan v20 vlan-id 20\n" * 9})) == []


def test_vlans_that_other_switches_tell_of_are_not_undefined() -> None:
    text = "hostname quay-a\nvlan 10\ninterface Ethernet1\n switchport mode access\n switchport access vlan 20\n"
    assert "PC311" in codes(fleet_of(text))
    assert "PC311" not in codes(fleet_of(text + "vtp mode client\n"))


def test_a_management_network_of_its_own_may_use_addresses_of_the_others() -> None:
    switch = """
    hostname {name}
    interface Management1
     vrf forwarding {vrf}
     ip address {address}
    vrf definition MGMT
    interface Ethernet1
     ip address 10.99.{number}.1/24
    """
    apart = fleet_of(
        switch.format(name="quay-a", vrf="MGMT", address="10.0.0.1/16", number=1),
        "hostname core\ninterface Ethernet1\n ip address 10.0.7.1/24\n",
    )
    assert codes(apart) == []
    one = fleet_of(
        switch.format(name="quay-a", vrf="MGMT", address="10.0.0.1/24", number=1),
        "hostname core\ninterface Vlan99\n ip address 10.0.0.1/24\ninterface Ethernet1\n switchport mode trunk\n",
    )
    assert codes(one) == ["PC301"], "the core serves the management network from its global table"


def test_tables_of_other_names_meet_where_a_cable_joins_them() -> None:
    text = """
    hostname {name}
    vrf definition {vrf}
    interface Ethernet1
     vrf forwarding {vrf}
     ip address 10.60.0.1/{length}
    """
    texts = [text.format(name="a", vrf="TILLS", length=24), text.format(name="b", vrf="KIOSKS", length=24)]
    assert codes(fleet_of(*texts)) == []
    cabled = fleet_of(*texts, fleet_yaml="links: [a:Ethernet1 b:Ethernet1]")
    assert codes(cabled) == ["PC301"]
    assert "on one segment" in messages(cabled)


@pytest.mark.parametrize(
    ("links", "words"),
    [
        ("", "one segment with two masks, or two segments"),
        ("links: [a:Ethernet1 b:Ethernet1]", "the cables join them"),
        ("links: [a:Ethernet1 c:Ethernet1, b:Ethernet1 c:Ethernet2]", "the cables do not join them"),
    ],
)
def test_what_different_masks_mean_is_told_by_the_cables(links: str, words: str) -> None:
    text = "hostname {}\ninterface Ethernet1\n ip address 10.60.0.{}/{}\n"
    other = "hostname c\ninterface Ethernet1\n no switchport\ninterface Ethernet2\n no switchport\n"
    fleet = fleet_of(text.format("a", 1, 24), text.format("b", 2, 25), other, fleet_yaml=links)
    assert words in messages(fleet)
    assert codes(fleet) == ["PC303"]


def test_a_gateway_outside_of_the_fleet_is_in_order() -> None:
    switch = (
        "hostname {}\nno ip routing\ninterface Ethernet1\n ip address 10.60.0.{}/24\nip default-gateway 10.60.0.1\n"
    )
    two = [switch.format("a", 2), switch.format("b", 3)]
    assert codes(fleet_of(*two)) == []
    router = "hostname c\nip routing\ninterface Ethernet1\n ip address 10.60.0.9/24\n"
    assert codes(fleet_of(*two, router)) == ["PC306", "PC306"]
    # A line that nobody knows may be the one that gives the router that address.
    assert codes(fleet_of(*two, router + "floating-address 10.60.0.1\n")) == []


def test_a_vlan_that_an_overlay_may_carry_is_not_reported() -> None:
    end = """
    hostname {0}
    vlan 20
    interface Vlan20
     ip address 10.2.0.{1} 255.255.255.0
    interface Ethernet1
     switchport mode trunk
     switchport trunk allowed vlan 30
    """
    overlay = "interface nve1\n member vni 20\n"
    links = "links: [a:Ethernet1 b:Ethernet1]"
    ends = [end.format("a", 1), end.format("b", 2)]
    assert "PC321" in codes(fleet_of(*ends, fleet_yaml=links))
    from textwrap import dedent

    with_overlay = [dedent(text) + overlay for text in ends]
    assert "PC321" not in codes(fleet_of(*with_overlay, fleet_yaml=links))


def test_one_fault_on_a_cable_is_one_finding_for_all_that_it_cuts_off() -> None:
    end = """
    hostname {0}
    vlan 20,30
    interface Vlan20
     ip address 10.2.0.{1} 255.255.255.0
    interface Vlan30
     ip address 10.3.0.{1} 255.255.255.0
    interface Ethernet1
     switchport mode trunk
     {2}
    """
    fleet = fleet_of(
        end.format("a", 1, "shutdown"), end.format("b", 2, "no shutdown"), fleet_yaml="links: [a:Ethernet1 b:Ethernet1]"
    )
    assert codes(fleet) == ["PC321"]
    assert "a:Ethernet1 is down: shut down" in messages(fleet)
    assert "10.2.0.0/24" in messages(fleet)
    assert "10.3.0.0/24" in messages(fleet)


def test_terminal_lines_that_are_closed_are_no_way_in() -> None:
    text = """
    hostname quay-a
    interface Ethernet1
     ip address 10.2.0.1 255.255.255.0
    ip access-list standard MGMT
     permit 10.2.0.5
    line vty 0 4
     access-class MGMT in
    line vty 5 15
     transport input {}
    """
    from small_fleets import ask, ends

    assert codes(fleet_of(text.format("none"))) == []
    assert ends(ask(fleet_of(text.format("none")), "tcp 10.2.0.7 10.2.0.1:22")) == ("denied", "filtered")
    assert codes(fleet_of(text.format("ssh"))) == ["PC335"]
    assert ask(fleet_of(text.format("ssh")), "tcp 10.2.0.7 10.2.0.1:22").verdict == "partly"
