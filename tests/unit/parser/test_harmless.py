from __future__ import annotations

import pytest
from reading import on_port, read

from pathcheck.parser import harmless
from pathcheck.parser.commands import Command
from pathcheck.parser.configuration import language
from pathcheck.results.account import LineClass

# A word of each row of the survey's table of lines that cannot change forwarding, and then some.
TOP = """
version 15.7
service timestamps debug datetime msec
no service pad
ip cef
no ip http server
aaa new-model
ip forward-protocol nd
boot-start-marker
username harbour privilege 15 secret 9 x
ip ssh version 2
multilink bundle-name authenticated
ip domain name ferry.example
no ip domain lookup
redundancy
ip icmp rate-limit unreachable 100
ip tcp synwait-time 5
enable secret 5 x
mmi polling-interval 60
cdp run
lldp run
ipv6 ioam timestamp
ip classless
ntp server 10.1.90.12
ip dhcp excluded-address 10.1.20.1
ip name-server 10.1.90.5
ip flow-export version 9
license udi pid X sn Y
upgrade fpd auto
gatekeeper
management api http-commands
logging buffered 64000
snmp-server community quays RO
crypto pki trustpoint T
crypto key generate rsa
platform punt-keepalive disable-kernel-core
diagnostic bootup level minimal
transceiver type all
spanning-tree mode rapid-pvst
system mtu 1500
memory-size iomem 10
scheduler allocate 20000 1000
clock timezone CET 1
alias exec s show ip route
archive
mgcp profile default
call-home
subscriber templating
radius-server host 10.1.90.10
tacacs-server host 10.1.90.11
errdisable recovery cause all
port-channel load-balance src-dst-ip
hardware counter feature acl in
feature lacp
vlan internal allocation policy ascending
no banner motd
ip prefix-list OURS seq 5 permit 10.1.0.0/16
route-map R permit 10
class-map match-any C
ip as-path access-list 1 permit .*
ip community-list standard C permit 65000:1
key chain K
ip sla 1
track 1 ip sla 1
line con 0
configure terminal
show running-config
write memory
copy running-config startup-config
""".strip().splitlines()

PORT = """
duplex auto
speed 1000
negotiation auto
mtu 9000
bandwidth 1000
delay 10
media-type rj45
load-interval 30
ip ospf cost 10
ip hello-interval eigrp 7 5
ipv6 nd ra suppress all
no ip redirects
no ip unreachables
no ip proxy-arp
ip virtual-reassembly in
no ip route-cache
no mop enabled
no cdp enable
lldp transmit
no keepalive
clock rate 64000
storm-control broadcast level 1
spanning-tree portfast
switchport nonegotiate
switchport trunk encapsulation dot1q
logging event link-status
ip helper-address 10.1.90.67
ip mtu 1400
ip tcp adjust-mss 1360
power inline never
channel-protocol lacp
lacp rate fast
udld port aggressive
mls qos trust dscp
arp timeout 300
bfd interval 300 min_rx 300 multiplier 3
ppp authentication chap
""".strip().splitlines()


@pytest.mark.parametrize("line", TOP)
def test_lines_at_the_top_that_cannot_change_forwarding(line: str) -> None:
    found = read(line)
    assert found.classes == {}
    assert found.device.unmodelled == ()
    assert found.findings == ()


@pytest.mark.parametrize("line", PORT)
def test_lines_on_an_interface_that_cannot_change_forwarding(line: str) -> None:
    found = on_port(line)
    assert found.counts == {LineClass.MODELLED: 1, LineClass.IGNORED: 1}
    assert found.device.unmodelled == ()


def test_lines_below_an_ignored_header_are_ignored_with_it() -> None:
    found = read("ip dhcp pool TICKETS", " network 10.1.20.0 255.255.255.0", " frobnicate 7", "ip routing")
    assert found.counts == {LineClass.IGNORED: 3, LineClass.MODELLED: 1}


def test_only_what_opens_a_block_takes_lines_with_it() -> None:
    # A line that is indented by mistake is no part of a command that has no block.
    found = read("no ip http server", " ip route 10.2.0.0/16 192.0.2.1", "ip cef", " frobnicate")
    assert len(found.device.static_routes) == 1
    assert found.classes == {4: LineClass.UNKNOWN}


def test_no_row_ignores_what_another_table_reads() -> None:
    """No ignored head is a beginning, or a shortening, of a modelled or unmodelled one of the same mode."""
    known = language().modes
    for mode, rows in harmless.COMMANDS.items():
        for row in rows:
            for command in (row,) if isinstance(row, Command) else row:
                words = command.head.replace("|", "").split()
                if any(word.startswith("<") for word in words):
                    continue
                found = known[mode].find(words)
                assert found is not None, command.head
                if words[0] != "no":
                    assert found[0].head == command.head, f"{mode}: `{command.head}` is read as `{found[0].head}`"


# What decides about forwarding must never be taken for harmless, however short it is written.
@pytest.mark.parametrize(
    "line",
    [
        "ip route 10.2.0.0/16 192.0.2.1",
        "ip default-gateway 10.1.99.1",
        "ip routing",
        "no ip routing",
        "ipv6 unicast-routing",
        "ip access-list extended A",
        "access-list 10 permit any",
        "interface Ethernet1",
        "int eth1",
        "vlan 20",
        "line vty 0 4",
        "vrf definition BLUE",
        "router ospf 1",
        "ip nat inside source list 10 interface Ethernet1",
        "ip local policy route-map R",
        "bridge irb",
        "no ip classless",
        "macro global apply GATES",
        "mac address-table static 0200.5e00.0001 vlan 20 drop",
    ],
)
def test_lines_that_matter_are_not_ignored(line: str) -> None:
    assert LineClass.IGNORED not in read(line).counts


@pytest.mark.parametrize(
    "line",
    ["ip address dhcp", "shutdown", "sh", "ip access-group A in", "no switchport", "vrf BLUE", "encapsulation dot1q 7"],
)
def test_lines_that_matter_on_an_interface_are_not_ignored(line: str) -> None:
    assert LineClass.IGNORED not in on_port(line).counts
