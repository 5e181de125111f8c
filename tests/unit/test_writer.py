"""Texts with everything in them, written back: the same model, and the same doubts."""

from pathlib import Path

import pytest

from pathcheck.model.access_list import AccessList, Action, Line
from pathcheck.model.assumptions import Assumptions
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.parser.configuration import SourceText, read_configuration
from pathcheck.parser.device_files import read_device_files
from pathcheck.source import Span
from pathcheck.writer import write_device, write_entry, write_list

CORPORA = Path(__file__).parents[2] / "corpora"

MESSY = """\
hostname quay-a
no ip routing
ip routing
router ospf 1
 network 10.0.0.0 0.255.255.255 area 0
 redistribute static
ip nat inside source list 10 interface Ethernet1 overload
track 7 ip sla 1 reachability
some line that nobody knows
 and one below it
snmp-server community tills RO 10
object-group network PIERS
 host 10.1.20.7
 10.1.21.0 255.255.255.0
 10.1.0.0 255.255.0.0
 range 10.1.30.1 10.1.30.9
 10.1.40.0 0.0.0.255
 0.0.0.0 0.0.0.0
 nonsense
 any
object-group service DESK
 tcp source range 1 5 destination eq 443
 icmp echo
 udp
object-group ip address FERRIES
 10 10.1.0.0 0.0.254.255
 20 10.1.50.0/24
object-group service WEB tcp
 port-object eq www
 port-object range 8080 8090
object-group protocol LAYERS
 protocol-object gre
object-group icmp-type PINGS
 icmp-object echo
object-group network ROUND
 group-object ROUND
vlan 20,30-32
 name tills
 vn-segment 7
vlan 40
 state suspend
 trunk group NORTH
interface Ethernet1
 no switchport
 ip address 10.1.20.1 255.255.255.0
 ip address 10.1.21.1 255.255.255.0 secondary
 ip nat inside
 ip policy route-map DETOUR
 ip access-group OFFICE in
 ip access-group OFFICE out
 strange line here
interface Ethernet2
 ip address dhcp
interface Ethernet3
 ip address 10.1.22.1 255.0.255.0
interface Ethernet4
 switchport mode trunk
 switchport trunk allowed vlan 20,30-32
 switchport trunk allowed vlan remove 31
 ip access-group 10 in
 ip port access-group 110 in
 another strange line
interface Ethernet5
 ipv6 address 2001:db8:5::/64 eui-64
 ipv6 address FE80::5 link-local
 ip unnumbered Ethernet1
interface Ethernet6.30
 encapsulation dot1Q 30
 vrf forwarding TILLS
 ip address 10.1.30.1 255.255.255.0
 standby 1 ip 10.1.30.254
interface Vlan20
 no autostate
 ip address 10.1.99.1 255.255.255.0
 shutdown
interface Tunnel1
 ip address 10.9.9.1 255.255.255.252
 tunnel source Ethernet1
ip access-list extended OFFICE
 remark for the offices
 permit tcp 10.1.20.0 0.0.0.255 any eq www established
 15 permit tcp any any syn ack
 permit htp any any
 7 permit tcp any any eq 80 443 8080 time-range DAY
 deny object-group DESK any object-group PIERS
 permit tcp any portgroup WEB any match-any +ack -syn
 permit udp any neq 53 67 any gt 1023 dscp ef
 permit icmp any any port-unreachable
 permit ip any 10.0.0.1 0.255.0.254 precedence flash
 remark
 evaluate SESSIONS
 permit 112 any any fragments log-input
access-list 10 permit 10.1.90.5
access-list 10 deny any log
access-list 110 permt ip any any
access-list 110 permit ip any any
ip access-list standard EMPTY
 remark nothing
ipv6 access-list V6
 permit tcp 2001:db8:20::/64 host 2001:db8:1::10 eq 443 sequence 10
 permit icmp any any nd-na
 deny ipv6 any any
ip route 10.5.0.0 255.255.0.0 10.1.20.254 track 7
ip route 10.6.0.0 255.255.0.0 Null0 254 name hole
ip route 10.7.0.1 255.255.0.0 10.1.20.254
ip route vrf TILLS 0.0.0.0 0.0.0.0 10.1.30.9 global
ipv6 route 2001:db8:9::/48 Ethernet1 fe80::9
ip default-gateway 10.1.20.254
control-plane
 service-policy input GUARD
line con 0
 access-class 10 out
line vty 0 4
 access-class 10 in
 odd line here
line vty 5 15
 transport input ssh
"""


def read(text, assume=None):
    parsed = read_configuration([SourceText("x.cfg", text.encode())], default_name="nameless", assume=assume)
    return parsed.devices


def doubts(device):
    return {item.scope for item in device.unmodelled}


@pytest.mark.parametrize("flags", ["uncertain", "any", "all"])
def test_a_messy_text_reads_as_it_was_written(flags):
    assume = Assumptions(several_flags=flags)
    (device,) = read(MESSY, assume)
    (again,) = read(write_device(device), assume)
    assert again == device
    assert list(again.vrfs) == list(device.vrfs)
    assert doubts(again) == doubts(device)
    # A use of a list inside a block that is not written is not said again.
    assert [use.list_name for use in again.list_uses] == [use.list_name for use in device.list_uses][:-1]


def test_lines_on_interfaces_keep_their_doubts_exactly():
    text = "interface Ethernet1\n ip nat inside\n ip policy route-map DETOUR\n strange line\nrouter ospf 1\n"
    (device,) = read(f"hostname a\n{text}")
    (again,) = read(write_device(device))
    assert doubts(again) == doubts(device)


@pytest.mark.parametrize("path", sorted(CORPORA.rglob("*.cfg")), ids=lambda path: str(path.relative_to(CORPORA)))
def test_the_corpora_read_as_they_were_written(path):
    for device in read(path.read_text()):
        (again,) = read(write_device(device))
        assert again == device
        assert doubts(again) == doubts(device)


def test_data_is_written_as_lines():
    data = b"hostname: quay-d\ninterfaces: {Vlan20: {addresses: [10.1.20.1/24], in: TILLS, nonsense: 1}}\nvlnas: [5]\n"
    (device,) = read_device_files([("quay-d.yaml", data)], default_name="x", assume=Assumptions()).devices
    (again,) = read(write_device(device))
    assert again == device
    assert doubts(again) == doubts(device)


def test_the_form_of_a_list():
    lines = "10 permit tcp 10.1.20.0 0.0.0.255 host 10.1.99.10 eq 443 established log"
    (device,) = read(f"ip access-list extended A\n {lines}\n remark end\n")
    assert write_list(device.access_lists["ipv4", "A"]) == f"ip access-list extended A\n {lines}\n remark end\n"


@pytest.mark.parametrize(
    "fields",
    [
        {"destination_ports": Ranges.of((1, 500), (1000, 1500), (7000, 60000))},
        {"dscp": Ranges.of((1, 3))},
        {"flags": FlagMatch(())},
        {"flags": FlagMatch.of((3, 1), (48, 16))},
    ],
)
def test_what_no_line_can_say_is_refused(fields):
    everything = AddressMatch.any(4)
    line = Line(10, Action.PERMIT, 6, everything, everything, span=Span("", 1, ""), **fields)
    with pytest.raises(ValueError, match="cannot be written in one line"):
        write_entry(line)


def test_a_number_of_no_extended_list_is_written_in_the_form_that_allows_it():
    line = Line(10, Action.PERMIT, None, AddressMatch.any(4), AddressMatch.any(4), span=Span("", 1, ""))
    written = AccessList("10", "ipv4", False, (line,), span=Span("", 1, ""))
    (device,) = read(f"hostname a\n{write_list(written)}")
    assert device.access_lists["ipv4", "10"] == written
