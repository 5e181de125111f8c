"""What devices need for themselves: what is denied for certain is told, and nothing else."""

from __future__ import annotations

import pytest

from pathcheck.fleet import load_fleet_files
from pathcheck.queries.check import check_fleet
from pathcheck.queries.flow import network_of
from pathcheck.queries.own_traffic import interface_needs, judge_servers
from pathcheck.results.finding import Finding

LAN = """\
hostname quay-a
ip routing
ipv6 unicast-routing
vlan 20
vlan 90
interface Ethernet1
 switchport mode access
 switchport access vlan 20
interface Ethernet2
 switchport mode access
 switchport access vlan 90
interface Vlan20
 ip address 10.1.20.1 255.255.255.0
 ipv6 address 2001:db8:20::1/64
{lan}interface Vlan90
 ip address 10.1.90.1 255.255.255.0
{servers}"""


def needs(text: str, **others: str) -> list[Finding]:
    files = {"quay-a.cfg": text, **{f"{name}.cfg": other for name, other in others.items()}}
    loaded = load_fleet_files({name: content.encode() for name, content in files.items()})
    return [*interface_needs(network_of(loaded.config))]


def lan(lan_lines: str = "", servers: str = "", lists: str = "") -> str:
    return LAN.format(lan=lan_lines, servers=servers) + lists


RELAY = " ip helper-address 10.1.90.67\n ip access-group TICKETS-IN in\n"
HEAD = "ip access-list extended TICKETS-IN\n"


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        # Common practice, no source: 0.0.0.0 is not of the subnet.
        (" permit ip 10.1.20.0 0.0.0.255 any\n", True),
        (" permit udp 10.1.20.0 0.0.0.255 any eq bootps\n deny ip any any\n", True),
        (" permit udp host 0.0.0.0 host 255.255.255.255 eq bootps\n permit ip 10.1.20.0 0.0.0.255 any\n", False),
        (" permit udp any any eq bootps\n", False),
        (" permit udp any eq bootpc any eq bootps\n deny ip any any\n", False),
        (" permit ip any any\n", False),
        # The other port is that of the answers.
        (" permit udp any any eq bootpc\n", True),
        # A line that may match leaves it open.
        (" permit udp any any time-range NIGHT\n permit ip 10.1.20.0 0.0.0.255 any\n", False),
        # An empty list permits all, as the setting has it.
        (" remark nothing yet\n", False),
    ],
)
def test_requests_of_stations_without_an_address(lines: str, found: bool) -> None:
    findings = needs(lan(RELAY, lists=HEAD + lines))
    assert [item.code for item in findings] == (["PC350"] if found else [])
    if found:
        (item,) = findings
        assert item.sample is not None
        assert str(item.sample.source) == "0.0.0.0"
        assert "RFC 2131" in item.message
        assert item.acl == "TICKETS-IN"


def test_requests_do_not_matter_without_a_relay_or_on_a_port_that_is_down() -> None:
    lists = HEAD + " permit ip 10.1.20.0 0.0.0.255 any\n"
    assert needs(lan(" ip access-group TICKETS-IN in\n", lists=lists)) == []
    assert needs(lan(RELAY + " shutdown\n", lists=lists)) == []
    assert needs("no service dhcp\n" + lan(RELAY, lists=lists)) == []


def test_dhcpv6_requests_come_from_link_local_addresses() -> None:
    relay = " ipv6 dhcp relay destination 2001:db8:90::67\n ipv6 traffic-filter V6-IN in\n"
    head = "ipv6 access-list V6-IN\n permit icmp any any\n"
    servers = " ipv6 address 2001:db8:90::1/64\n"
    (found,) = needs(lan(relay, servers, head + " permit ipv6 2001:db8:20::/64 any\n deny ipv6 any any\n"))
    assert found.code == "PC350"
    assert needs(lan(relay, servers, head + " permit udp fe80::/10 host ff02::1:2 eq 547\n deny ipv6 any any\n")) == []


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        (" permit tcp any any established\n deny ip any any\n", True),
        (" permit udp host 10.1.90.67 eq bootps host 10.1.20.1 eq bootps\n", False),
        (" permit udp host 10.1.90.67 any\n deny ip any any\n", False),
        # The answer goes to the relay's address in the stations' subnet, not to that of the server VLAN.
        (" permit udp host 10.1.90.67 host 10.1.90.1\n", True),
    ],
)
def test_answers_to_the_relay(lines: str, found: bool) -> None:
    head = "ip access-list extended SERVERS-IN\n"
    relay, servers = " ip helper-address 10.1.90.67\n", " ip access-group SERVERS-IN in\n"
    assert [item.code for item in needs(lan(relay, servers, head + lines))] == (["PC351"] if found else [])


BGP = """\
hostname quay-a
ip routing
interface Ethernet1
 no switchport
 ip address 192.0.2.2 255.255.255.252
 ip access-group PROVIDER-IN in
router bgp 64500
 neighbor 192.0.2.1 remote-as 64501
ip access-list extended PROVIDER-IN
"""


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        (" permit icmp any any\n", True),
        (" permit tcp host 192.0.2.1 any eq bgp\n", False),
        # RFC 4271 section 8: either end may open; the answers to this device's own opening come in.
        (" permit tcp any any established\n", False),
        (" permit tcp host 192.0.2.1 eq bgp any established\n", False),
        (" permit tcp host 192.0.2.9 any eq bgp\n", True),
        (" permit tcp any any time-range NIGHT\n", False),
    ],
)
def test_bgp_sessions(lines: str, found: bool) -> None:
    assert [item.code for item in needs(BGP + lines)] == (["PC352"] if found else [])


def test_a_session_of_two_devices_is_told_once() -> None:
    other = """\
hostname pier
ip routing
interface Ethernet1
 no switchport
 ip address 192.0.2.1 255.255.255.252
router bgp 64501
 neighbor 192.0.2.2 remote-as 64500
"""
    assert [item.code for item in needs(BGP + " deny tcp any any\n permit ip any any\n", pier=other)] == ["PC352"]
    assert needs(BGP + " permit ip any any\n", pier=other) == []


OSPF = """\
hostname quay-a
ip routing
interface Vlan30
 ip address 10.1.30.1 255.255.255.0
 ip access-group CORE-IN in
interface Ethernet1
 switchport mode trunk
router {protocol}
{lines} network 10.1.0.0 0.0.255.255{area}
ip access-list extended CORE-IN
"""
OTHER = """\
hostname pier
ip routing
interface Vlan30
 ip address 10.1.30.2 255.255.255.0
interface Ethernet1
 switchport mode trunk
router {protocol}
 network 10.1.0.0 0.0.255.255{area}
"""


@pytest.mark.parametrize(
    ("protocol", "area", "lines", "found"),
    [
        ("ospf 1", " area 0", " permit tcp any any\n", True),
        ("ospf 1", " area 0", " permit ospf any any\n", False),
        ("ospf 1", " area 0", " permit 89 any host 224.0.0.5\n permit 89 any host 224.0.0.6\n", True),
        ("ospf 1", " area 0", " permit 89 any host 224.0.0.5\n permit 89 any host 10.1.30.1\n", False),
        ("eigrp 7", "", " permit ospf any any\n", True),
        ("eigrp 7", "", " permit eigrp any any\n", False),
        ("rip", "", " permit tcp any any\n", True),
        ("rip", "", " permit udp any any eq rip\n", False),
        ("rip", "", " permit udp any eq 520 host 224.0.0.9 eq 520\n", False),
    ],
)
def test_messages_of_routing_protocols(protocol: str, area: str, lines: str, found: bool) -> None:
    mine = OSPF.format(protocol=protocol, area=area, lines="") + lines
    other = OTHER.format(protocol=protocol, area=area)
    assert [item.code for item in needs(mine, pier=other)] == (["PC353"] if found else [])
    # Without a neighbour that speaks it too, nobody needs the messages.
    assert needs(mine) == []
    silent = OSPF.format(protocol=protocol, area=area, lines=" passive-interface Vlan30\n") + lines
    assert needs(silent, pier=other) == []


VRRP = " {gateway}\n ip access-group TICKETS-IN in\n"


@pytest.mark.parametrize(
    ("gateway", "lines", "found"),
    [
        ("vrrp 20 ip 10.1.20.254", " permit ip 10.1.20.0 0.0.0.255 host 10.1.90.5\n", True),
        ("vrrp 20 ip 10.1.20.254", " permit 112 any any\n", False),
        ("vrrp 20 ip 10.1.20.254", " permit ip 10.1.20.0 0.0.0.255 any\n", False),
        ("vrrp 20 ip 10.1.20.254", " permit 112 host 10.1.20.2 host 224.0.0.18\n", False),
        # Another protocol, with other messages.
        ("standby 20 ip 10.1.20.254", " permit tcp any any\n", False),
    ],
)
def test_elections_of_virtual_gateways(gateway: str, lines: str, found: bool) -> None:
    findings = needs(lan(VRRP.format(gateway=gateway), lists=HEAD + lines))
    assert [item.code for item in findings] == (["PC354"] if found else [])


def test_only_the_known_router_of_a_virtual_gateway_is_meant() -> None:
    """A list that lets another address through than the one that sends the advertisements."""
    mine = lan(VRRP.format(gateway="vrrp 20 ip 10.1.20.254"), lists=HEAD + " permit 112 host 10.1.20.2 any\n")
    other = """\
hostname pier
ip routing
vlan 20
interface Ethernet1
 switchport mode access
 switchport access vlan 20
interface Vlan20
 ip address 10.1.20.3 255.255.255.0
 vrrp 20 ip 10.1.20.254
"""
    assert [item.code for item in needs(mine, pier=other)] == ["PC354"]
    assert needs(mine, pier=other.replace("10.1.20.3", "10.1.20.2")) == []


@pytest.mark.parametrize(
    ("direction", "lines", "found"),
    [
        ("out", " permit tcp any any established\n deny ipv6 any any\n", True),
        ("out", " permit tcp any any established\n", True),
        ("out", " permit icmp any any packet-too-big\n permit tcp any any\n deny ipv6 any any\n", False),
        ("out", " permit icmp any any\n permit tcp any any\n deny ipv6 any any\n", False),
        # A list that lets nothing through is meant to.
        ("out", " deny ipv6 any any\n", False),
        # Stations are no routers: they have no such messages to send.
        ("in", " permit tcp any any\n deny ipv6 any any\n", False),
    ],
)
def test_packet_too_big(direction: str, lines: str, found: bool) -> None:
    text = lan(f" ipv6 traffic-filter V6 {direction}\n", lists="ipv6 access-list V6\n" + lines)
    assert [item.code for item in needs(text)] == (["PC355"] if found else [])


def test_packet_too_big_comes_in_from_where_routers_are() -> None:
    text = lan(" ipv6 traffic-filter V6 in\n", lists="ipv6 access-list V6\n permit tcp any any\n deny ipv6 any any\n")
    assert [item.code for item in needs(text + "ipv6 route ::/0 2001:db8:20::2\n")] == ["PC355"]


# ---- servers ------------------------------------------------------------------------------------


def servers(lines: str, access_list: str = "", **others: str) -> list[tuple[str, bool | None]]:
    head = "ip access-list extended SERVERS-IN\n" if access_list else ""
    bound = " ip access-group SERVERS-IN in\n" if access_list else ""
    files = {"quay-a.cfg": lan(servers=bound, lists=head + access_list) + lines, **others}
    loaded = load_fleet_files({name: content.encode() for name, content in files.items()})
    return [(it.kind, it.need.holds) for it in judge_servers(network_of(loaded.config), "quay-a")]


def test_established_lets_answers_of_tcp_through_and_none_of_udp() -> None:
    """Common practice, no source: the word asks for ACK or RST, which UDP does not have."""
    named = "ntp server 10.1.90.31\ntacacs-server host 10.1.90.27\nlogging host 10.1.90.30\n"
    found = servers(named, " permit tcp any any established\n deny ip any any\n")
    # Nothing answers log messages.
    assert found == [("NTP", False), ("syslog", True), ("TACACS+", True)]


def test_the_device_takes_the_port_that_is_permitted() -> None:
    assert servers("ntp server 10.1.90.31\n", " permit udp any eq ntp any eq ntp\n") == [("NTP", True)]
    assert servers("ntp server 10.1.90.31\n", " permit udp any eq ntp any range 1024 65535\n") == [("NTP", True)]
    assert servers("ntp server 10.1.90.31\n", " permit udp any eq domain any\n") == [("NTP", False)]


def test_a_radius_port_that_is_not_written_is_one_of_two() -> None:
    """RFC 2865 section 3 tells of both."""
    only = " permit udp any eq 1812 any\n"
    assert servers("radius-server host 10.1.90.28\n", only) == [("RADIUS", None)]
    assert servers("radius-server host 10.1.90.28 auth-port 1812\n", only) == [("RADIUS", True)]
    assert servers("radius-server host 10.1.90.28 auth-port 1645\n", only) == [("RADIUS", False)]
    assert servers("radius-server host 10.1.90.28\n", " permit udp any range 1645 1812 any\n") == [("RADIUS", True)]
    assert servers("radius-server host 10.1.90.28\n", " permit tcp any any\n") == [("RADIUS", False)]


def test_the_source_address_is_that_of_the_source_interface() -> None:
    access_list = " permit udp any eq ntp host 10.1.20.1\n deny ip any any\n"
    assert servers("ntp server 10.1.90.31\n", access_list) == [("NTP", False)]
    assert servers("ntp server 10.1.90.31 source Vlan20\n", access_list) == [("NTP", True)]
    assert servers("ntp server 10.1.90.31 source Loopback7\n", access_list) == [("NTP", None)]


def test_a_server_that_is_a_device_of_the_fleet_must_be_reached_itself() -> None:
    clock = """\
hostname clock
no ip routing
interface Vlan90
 ip address 10.1.90.31 255.255.255.0
interface Ethernet1
 switchport mode access
 switchport access vlan 90
"""
    own = "ip access-list extended OWN\n deny udp any any\n permit ip any any\ncontrol-plane\n ip access-group OWN in\n"
    assert servers("ntp server 10.1.90.31\n", **{"clock.cfg": clock}) == [("NTP", True)]
    assert servers("ntp server 10.1.90.31\n", **{"clock.cfg": clock + own}) == [("NTP", False)]
    assert servers("ntp server 10.1.90.31\n", **{"clock.cfg": clock.replace("10.1.90.31", "10.1.90.32")}) == [
        ("NTP", True)
    ]


def test_servers_that_are_lost_by_one_line_are_one_finding() -> None:
    text = lan(
        servers=" ip access-group SERVERS-IN in\n",
        lists="ip access-list extended SERVERS-IN\n permit tcp any any\n deny ip any any\n",
    )
    named = "ntp server 10.1.90.31\nntp server 10.1.90.32\nip name-server 10.1.90.53\n"
    found = check_fleet(load_fleet_files({"quay-a.cfg": (text + named).encode()}))
    lost = [item for item in found if item.code == "PC343"]
    assert [item.message.partition(":")[0] for item in lost] == [
        "quay-a does not reach its servers DNS 10.1.90.53, NTP 10.1.90.31 and NTP 10.1.90.32"
    ]
    assert all(item.sample is not None for item in lost)


QUAY = """\
hostname quay-b
no ip routing
vlan 20
interface Ethernet1
 switchport mode trunk
interface Vlan20
 ip address 10.1.20.11 255.255.255.0
ip default-gateway {gateway}
ntp server 10.1.90.31
"""


@pytest.mark.parametrize(
    ("gateway", "lines", "codes"),
    [
        # One line takes everything away: one finding.
        ("10.1.21.1", " permit ip any any\n", {"PC340"}),
        # The permit that the session lacks does not let the time through.
        ("10.1.20.1", " permit icmp any any\n deny ip any any\n", {"PC340", "PC343"}),
        ("10.1.20.1", " permit tcp any any\n deny ip any any\n", {"PC343"}),
        ("10.1.20.1", " permit ip any any\n", set()),
    ],
)
def test_servers_that_the_broken_session_explains_are_left_out(gateway: str, lines: str, codes: set[str]) -> None:
    files = {
        "quay-a.cfg": lan(
            servers=" ip access-group SERVERS-IN in\n", lists="ip access-list extended SERVERS-IN\n" + lines
        ),
        "quay-b.cfg": QUAY.format(gateway=gateway),
        "fleet.yaml": "devices: {quay-b: {management: 10.1.20.11}}\nplaces: {controller: 10.1.90.5}\n",
    }
    found = check_fleet(load_fleet_files({name: text.encode() for name, text in files.items()}))
    assert {item.code for item in found if "PC340" <= item.code < "PC350"} == codes


def test_what_one_unmodelled_line_leaves_open_is_told_once() -> None:
    files = {
        "quay-a.cfg": lan(),
        "quay-b.cfg": QUAY.format(gateway="10.1.20.1").replace("no ip routing", "ip routing")
        + "router ospf 1\n network 10.1.20.0 0.0.0.255 area 0\n",
        "fleet.yaml": "devices: {quay-b: {management: 10.1.20.11}}\nplaces: {controller: 10.1.90.5}\n",
    }
    found = check_fleet(load_fleet_files({name: text.encode() for name, text in files.items()}))
    (item,) = [item for item in found if "PC340" <= item.code < "PC350"]
    assert item.code == "PC341"
    assert item.span is not None
    assert item.span.words == "router ospf 1"
