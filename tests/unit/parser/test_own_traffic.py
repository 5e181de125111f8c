"""Servers, relays and routing neighbours that lines name (forms: common practice, no source)."""

from __future__ import annotations

import pytest
from reading import on_port, read

from pathcheck.model.own_traffic import ManagementServer
from pathcheck.results.account import LineClass


def shown(server: ManagementServer) -> str:
    """A server in a few words."""
    words = [server.kind, str(server.address)]
    words += [str(server.port)] if server.port is not None else []
    words += ["tcp"] if server.tcp else []
    words += [f"vrf {server.vrf}"] if server.vrf else []
    words += [f"from {server.source_interface}"] if server.source_interface else []
    return " ".join(words)


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (("ip name-server 10.1.90.53 10.1.90.54",), ["dns 10.1.90.53", "dns 10.1.90.54"]),
        (("ip name-server vrf TILLS 10.1.90.53",), ["dns 10.1.90.53 vrf TILLS"]),
        (("ip name-server 2001:db8::53",), ["dns 2001:db8::53"]),
        (("name-server 10.1.90.53",), ["dns 10.1.90.53"]),
        (("ip name-server 10.1.90.53", "no ip domain lookup"), []),
        (("no ip domain-lookup", "ip name-server 10.1.90.53", "ip domain-lookup"), ["dns 10.1.90.53"]),
        (("ip domain lookup source-interface Vlan99", "ip name-server 10.1.90.53"), ["dns 10.1.90.53 from Vlan99"]),
        (("ntp server 10.1.90.31 prefer",), ["ntp 10.1.90.31"]),
        (("ntp server vrf TILLS 10.1.90.31",), ["ntp 10.1.90.31 vrf TILLS"]),
        (("ntp server 10.1.90.31 use-vrf default",), ["ntp 10.1.90.31"]),
        (("ntp peer 10.1.90.31 source lo0",), ["ntp 10.1.90.31 from Loopback0"]),
        (("ntp source vlan 99", "ntp server 10.1.90.31"), ["ntp 10.1.90.31 from Vlan99"]),
        (("ntp server 10.1.90.31", "no ntp server 10.1.90.31"), []),
        (("ntp server time.example",), []),
        (("ntp server",), []),
        (("sntp server 10.1.90.31",), ["ntp 10.1.90.31"]),
        (("logging 10.1.90.30",), ["syslog 10.1.90.30"]),
        (("logging host 10.1.90.30 transport udp port 5514",), ["syslog 10.1.90.30 5514"]),
        (("logging host 10.1.90.30 transport tcp port 6514",), ["syslog 10.1.90.30 6514 tcp"]),
        (("logging host 10.1.90.30 transport tls profile X",), []),
        (("logging vrf TILLS host 10.1.90.30",), ["syslog 10.1.90.30 vrf TILLS"]),
        (("logging server 10.1.90.30 5 use-vrf TILLS",), ["syslog 10.1.90.30 vrf TILLS"]),
        (("logging host 10.1.90.30", "logging source-interface Loopback0"), ["syslog 10.1.90.30 from Loopback0"]),
        (
            ("logging host 10.1.90.30 vrf TILLS", "logging source-interface Loopback0"),
            ["syslog 10.1.90.30 vrf TILLS"],
        ),
        (("logging buffered 64000", "logging trap informational", "logging console"), []),
        (("snmp-server host 10.1.90.29 version 2c fish",), ["snmp-trap 10.1.90.29"]),
        (("snmp-server host 10.1.90.29 informs version 2c fish udp-port 1162",), ["snmp-trap 10.1.90.29 1162"]),
        (("snmp-server community fish ro 10",), []),
        (("radius-server host 10.1.90.28 key fish",), ["radius 10.1.90.28"]),
        (
            ("radius-server host 10.1.90.28 auth-port 1645 acct-port 1646",),
            ["radius-accounting 10.1.90.28 1646", "radius 10.1.90.28 1645"],
        ),
        (("radius server A", " address ipv4 10.1.90.28 auth-port 1812", " key fish"), ["radius 10.1.90.28 1812"]),
        (
            ("aaa group server radius G", " server-private 10.1.90.28", " ip radius source-interface Vlan99"),
            ["radius 10.1.90.28 from Vlan99"],
        ),
        (("radius server A", " address ipv4 10.1.90.28", "aaa group server radius G", " ip vrf forwarding TILLS"), []),
        (("tacacs-server host 10.1.90.27 port 4949",), ["tacacs 10.1.90.27 4949"]),
        (("tacacs server A", " address ipv4 10.1.90.27", " port 4949"), ["tacacs 10.1.90.27 4949"]),
        (
            ("tacacs server A", " address ipv4 10.1.90.27", "ip tacacs source-interface lo0"),
            ["tacacs 10.1.90.27 from Loopback0"],
        ),
        (("aaa group server tacacs+ G", " server 10.1.90.27", " server name A"), []),
    ],
)  # fmt: skip
def test_servers(lines: tuple[str, ...], expected: list[str]) -> None:
    found = read(*lines)
    assert [shown(server) for server in found.device.servers] == expected
    # They stay what they were: lines that cannot change forwarding.
    assert found.counts == {LineClass.IGNORED: len(lines)}
    assert found.findings == ()


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (("ip helper-address 10.1.90.67",), [("10.1.90.67", None)]),
        (
            ("ip helper-address 10.1.90.67", "ip helper-address 10.1.90.68"),
            [("10.1.90.67", None), ("10.1.90.68", None)],
        ),
        (("ip helper-address vrf TILLS 10.1.90.67",), [("10.1.90.67", "TILLS")]),
        (("ip helper-address global 10.1.90.67",), [("10.1.90.67", "")]),
        (("ipv6 dhcp relay destination 2001:db8::67",), [("2001:db8::67", None)]),
        (("ip helper-address 10.1.90.67", "no ip helper-address 10.1.90.67"), []),
        (("ip helper-address 10.1.90.67", "no ip helper-address"), []),
        (("ip helper-address",), []),
        (("ip helper-address relay.example",), []),
    ],
)  # fmt: skip
def test_relays(lines: tuple[str, ...], expected: list[tuple[str, str | None]]) -> None:
    found = on_port(*lines)
    assert [(str(relay.server), relay.vrf) for relay in found.device.relays] == expected
    assert {relay.interface for relay in found.device.relays} <= {"Ethernet1"}
    assert found.findings == ()


def test_a_device_that_serves_no_requests_relays_none() -> None:
    lines = ("interface Vlan20", " ip helper-address 10.1.90.67")
    assert read("no service dhcp", *lines).device.relays == ()
    assert read("no service dhcp", "service dhcp", *lines).device.relays != ()


ROUTED = ("interface Ethernet1", " no switchport", " ip address 10.1.0.1 255.255.255.252")


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (("router bgp 64500", " neighbor 192.0.2.1 remote-as 64501"), [("bgp", "192.0.2.1", None)]),
        (
            ("router bgp 64500", " neighbor 192.0.2.1 remote-as 64501", " neighbor 192.0.2.1 update-source lo0"),
            [("bgp", "192.0.2.1", "Loopback0")],
        ),
        (
            (
                "router bgp 64500", " neighbor SHORE peer-group", " neighbor SHORE update-source Loopback0",
                " neighbor 192.0.2.1 peer-group SHORE",
            ),
            [("bgp", "192.0.2.1", "Loopback0")],
        ),
        (("router bgp 64500", " neighbor 192.0.2.1 remote-as 64501", " neighbor 192.0.2.1 shutdown"), []),
        (("router bgp 64500", " neighbor 192.0.2.1 description pier"), []),
        (("router bgp 64500", " neighbor 192.0.2.1 remote-as 64501", " no neighbor 192.0.2.1"), []),
        (("router bgp 64500", " network 10.1.0.0 mask 255.255.255.252"), []),
        (("router ospf 1", " network 10.1.0.0 0.0.255.255 area 0"), [("ospf", "Ethernet1", None)]),
        (("router ospf 1", " network 10.2.0.0 0.0.255.255 area 0"), []),
        (("router ospf 1", " network 10.1.0.0/24 area 0"), [("ospf", "Ethernet1", None)]),
        (("router ospf 1", " passive-interface Ethernet1", " network 10.1.0.0 0.0.255.255 area 0"), []),
        (
            (
                "router ospf 1", " passive-interface default", " no passive-interface eth1",
                " network 10.1.0.0 0.0.255.255 area 0",
            ),
            [("ospf", "Ethernet1", None)],
        ),
        (("router rip", " version 2", " network 10.0.0.0"), [("rip", "Ethernet1", None)]),
        (("router eigrp 7", " network 10.1.0.0 0.0.0.3"), [("eigrp", "Ethernet1", None)]),
        (("router isis 1", " network 10.1.0.0"), []),
    ],
)  # fmt: skip
def test_routing_neighbours(lines: tuple[str, ...], expected: list[tuple[str, str, str | None]]) -> None:
    found = read(*ROUTED, *lines)
    peers = [(it.protocol, str(it.neighbour or it.interface), it.source_interface) for it in found.device.routing_peers]
    assert peers == expected
    # The protocol stays what it was: not modelled, all of its block.
    assert found.counts[LineClass.UNMODELLED] == len(lines)
