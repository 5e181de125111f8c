"""A working fleet gives no finding of the audit; with one fault in it, that fault is named, and nothing else.

The fleet is the ferry operator's with its planted faults repaired, and a harbour office beside it with
what the ferry operator does not have: redundant gateways, a port channel, VRFs, groups.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from textwrap import dedent

import pytest

from pathcheck.fleet import load_fleet_files
from pathcheck.queries.audit import audit_fleet
from pathcheck.queries.check import check_fleet
from pathcheck.results.catalogue import CATALOGUE
from pathcheck.results.finding import Finding

FERRY = Path(__file__).parents[2] / "corpora" / "ferry-operator" / "fleet"

HARBOUR = """
    hostname harbour-{n}
    ip routing
    vrf definition TILLS
    vlan 10
     name staff
    vlan 60
     name tills
    interface Port-channel1
     switchport mode trunk
     switchport trunk native vlan 999
     switchport trunk allowed vlan 10,60
    interface Ethernet1
     channel-group 1 mode active
    interface Ethernet2
     channel-group 1 mode active
    interface Ethernet3
     switchport mode access
     switchport access vlan 10
    interface Ethernet4
     switchport mode access
     switchport access vlan 60
    interface Ethernet9
     no switchport
     ip address 10.50.0.{p2p} 255.255.255.252
     ipv6 address fe80::{n} link-local
     ipv6 address 2001:db8:50::{p2p}/126
    interface Vlan10
     ip address 10.50.10.{host} 255.255.255.0
     vrrp 10 ip 10.50.10.1
     ip access-group STAFF-IN in
    interface Vlan60
     vrf forwarding TILLS
     ip address 10.60.0.{host} 255.255.255.0
     vrrp 60 ip 10.60.0.1
    ip route vrf TILLS 0.0.0.0 0.0.0.0 10.60.0.254
    object-group network BOOKING
     host 10.10.90.20
    ip access-list extended STAFF-IN
     permit tcp 10.50.10.0 0.0.0.255 object-group BOOKING eq 443
     deny ip any any log
    ip access-list standard SESSIONS
     permit 10.10.90.5
    line vty 0 4
     access-class SESSIONS in
    line vty 5 15
     transport input none
"""
TRANSIT = """
    hostname harbour-shed
    no ip routing
    vlan 10,60
    interface Port-channel7
     switchport mode trunk
     switchport trunk native vlan 999
     switchport trunk allowed vlan 10,60
    interface Ethernet1
     channel-group 7 mode active
    interface Ethernet2
     channel-group 7 mode active
    interface Ethernet5
     switchport mode trunk
     switchport trunk allowed vlan 10,60
    interface Vlan10
     ip address 10.50.10.9 255.255.255.0
    ip default-gateway 10.50.10.1
"""
KIOSK = """
    hostname harbour-kiosk
    no ip routing
    vlan 10
    interface Ethernet1
     switchport mode trunk
     switchport trunk allowed vlan 10
    interface Ethernet2
     switchport mode access
     switchport access vlan 10
"""
LINKS = """\
  - harbour-1:Ethernet1 harbour-shed:Ethernet1
  - harbour-1:Ethernet2 harbour-shed:Ethernet2
  - harbour-1:Ethernet9 harbour-2:Ethernet9
  - harbour-2:Ethernet5 harbour-shed:Ethernet5
  - harbour-kiosk:Ethernet1 harbour-2:Ethernet6
places:
"""
SECOND = """
interface Port-channel1
 shutdown
interface Ethernet5
 switchport mode trunk
 switchport trunk allowed vlan 10,60
interface Ethernet6
 switchport mode trunk
 switchport trunk allowed vlan 10
"""


@cache
def working() -> dict[str, str]:
    """Return the texts of the working fleet by file name."""
    files = {path.name: path.read_text("utf-8") for path in sorted(FERRY.iterdir())}
    files["quay-b.cfg"] = files["quay-b.cfg"].replace("access-class MGMT-SESSION in", "access-class MGMT-SESSIONS in")
    files["terminal-south.cfg"] = files["terminal-south.cfg"].replace("vlan 20,30,40\n", "vlan 20,30,40,99\n")
    # No controller knows the harbour office, and a fleet in which it knows only some has findings for the others.
    files["fleet.yaml"] = re.sub(", management: [0-9.]+", "", files["fleet.yaml"].replace("places:\n", LINKS))
    files["harbour-1.cfg"] = dedent(HARBOUR.format(n=1, p2p=1, host=2))
    files["harbour-2.cfg"] = dedent(HARBOUR.format(n=2, p2p=2, host=3)) + SECOND
    files["harbour-shed.cfg"] = dedent(TRANSIT)
    files["harbour-kiosk.cfg"] = dedent(KIOSK)
    return files


def audit(files: dict[str, str]) -> list[Finding]:
    """Return the findings but for the note on the list that serves address translation."""
    found = audit_fleet(load_fleet_files({name: text.encode() for name, text in files.items()}))
    return [item for item in found if (item.code, item.acl) != ("PC337", "INSIDE")]


def test_the_working_fleet_gives_nothing() -> None:
    assert audit(working()) == []


FAULTS = [
    # code, file, what is replaced, by what, the line that must be blamed, words of the message
    (
        "PC301",
        "quay-b.cfg",
        "10.20.99.12",
        "10.20.99.11",
        "ip address 10.20.99.11",
        "of quay-b:Vlan99 and of quay-a:Vlan99, on one",
    ),
    ("PC301", "core-2.cfg", "10.10.255.2 255", "10.10.255.1 255", "10.10.255.1", "core-1:Loopback0"),
    (
        "PC301",
        "harbour-shed.cfg",
        "10.50.10.9",
        "10.50.10.1",
        "ip address 10.50.10.1",
        "the virtual one of harbour-1:Vlan10",
    ),
    ("PC301", "harbour-2.cfg", "fe80::2", "fe80::1", "fe80::1", "harbour-1:Ethernet9"),
    ("PC302", "office-east.cfg", "10.40.1.129/25", "10.40.1.130/24", "10.40.1.130/24", "`Vlan20` (10.40.1.0/25)"),
    ("PC303", "quay-a.cfg", "10.20.99.11 255.255.255.0", "10.20.99.11 255.255.255.128", "255.255.255.128", "disagree"),
    ("PC304", "core-1.cfg", "10.10.90.1 255", "10.10.90.0 255", "10.10.90.0", "network address"),
    ("PC304", "core-1.cfg", "10.10.90.1 255", "10.10.90.255 255", "10.10.90.255", "broadcast address"),
    ("PC304", "core-1.cfg", "2001:db8:10:90::1/64", "2001:db8:10:90::/64", "2001:db8:10:90::/64", "anycast"),
    (
        "PC305",
        "quay-a.cfg",
        "gateway 10.20.99.1",
        "gateway 10.20.98.1",
        "gateway 10.20.98.1",
        "octet 3 keeps it: 98 instead of 99",
    ),
    ("PC305", "quay-a.cfg", "gateway 10.20.99.1", "gateway 10.20.99.11", "gateway 10.20.99.11", "own address"),
    (
        "PC306",
        "quay-a.cfg",
        "gateway 10.20.99.1",
        "gateway 10.20.99.2",
        "gateway 10.20.99.2",
        "terminal-north:Vlan99 (10.20.99.1)",
    ),
    (
        "PC306",
        "quay-a.cfg",
        "gateway 10.20.99.1",
        "gateway 10.20.99.12",
        "gateway 10.20.99.12",
        "a device that does not route",
    ),
    (
        "PC307",
        "terminal-north.cfg",
        "ip route 10.20",
        "ip default-gateway 10.10.0.0\nip route 10.20",
        "default-gateway",
        "routes",
    ),
    ("PC308", "harbour-2.cfg", "10.50.0.2 255", "10.50.0.6 255", "10.50.0.1", "10.50.0.4/30"),
    ("PC309", "harbour-2.cfg", "vrrp 10 ip 10.50.10.1", "vrrp 10 ip 10.50.11.1", "10.50.11.1", "10.50.10.0/24"),
    ("PC311", "quay-a.cfg", "vlan 30\n name cameras\n", "", "allowed vlan", "the access port `Ethernet3`"),
    ("PC311", "terminal-north.cfg", "vlan 99\n name management\n", "", "allowed vlan", "`Vlan99`"),
    ("PC312", "quay-a.cfg", "!\nvlan 20\n", "!\nvlan 77\nvlan 20\n", "vlan 77", "defined and used nowhere"),
    (
        "PC313",
        "quay-a.cfg",
        "!\nvlan 20\n",
        "!\nvlan 77\ninterface Vlan77\n ip address 10.20.77.1 255.255.255.0\nvlan 20\n",
        "Vlan77",
        "10.20.77.0/24",
    ),
    (
        "PC314",
        "quay-a.cfg",
        "access vlan 40\n",
        "access vlan 40\n switchport trunk allowed vlan 40\n",
        "allowed vlan 40",
        "carries VLAN 40 alone",
    ),
    (
        "PC321",
        "terminal-south.cfg",
        "native vlan 1\n switchport trunk allowed vlan 20,30,40,99\n!\ninterface Ethernet11",
        "native vlan 1\n switchport trunk allowed vlan 20,30,40\n!\ninterface Ethernet11",
        "allowed vlan 20,30,40",
        "VLAN 99, so frames do not get from quay-c:Vlan99",
    ),
    (
        "PC321",
        "quay-c.cfg",
        "allowed vlan 20,30,40,99",
        "allowed vlan 30,40,99",
        "allowed vlan 30,40,99",
        "the ports of quay-c in VLAN 20 (Ethernet2) to VLAN 20 on terminal-south",
    ),
    ("PC321", "harbour-shed.cfg", "Port-channel7\n", "Port-channel7\n shutdown\n", "shutdown", "harbour-1:Vlan10"),
    (
        "PC321",
        "harbour-2.cfg",
        "allowed vlan 10\n",
        "allowed vlan 60\n",
        "allowed vlan 60",
        "the ports of harbour-kiosk in VLAN 10",
    ),
    (
        "PC322",
        "quay-a.cfg",
        "native vlan 1\n",
        "native vlan 99\n",
        "native vlan 99",
        "frames of VLAN 99 leave quay-a:Ethernet1 untagged",
    ),
    ("PC322", "harbour-1.cfg", "native vlan 999", "native vlan 998", "native vlan 99", "no untagged frames pass"),
    ("PC323", "quay-a.cfg", "mode trunk", "mode access", "mode access", "terminal-north:Ethernet10 is a trunk"),
    (
        "PC324",
        "harbour-kiosk.cfg",
        "vlan 10\ninterface Ethernet1\n switchport mode trunk\n switchport trunk allowed vlan 10\n",
        "vlan 10,60\ninterface Ethernet1\n switchport mode trunk\n switchport trunk allowed vlan 10,60\n",
        "allowed vlan 10",
        "harbour-kiosk:Ethernet1 allows VLAN 60",
    ),
    (
        "PC325",
        "harbour-shed.cfg",
        "Ethernet2\n channel-group 7 mode active",
        "Ethernet2\n switchport mode trunk",
        "Ethernet2",
        "is not",
    ),
    (
        "PC331",
        "quay-a.cfg",
        "access-class MGMT-SESSIONS in\n exec",
        "access-class MGMT in\n exec",
        "access-class MGMT in",
        "denies all else",
    ),
    (
        "PC331",
        "quay-a.cfg",
        "access-class MGMT-SESSIONS",
        "access-class ELSEWHERE",
        "access-class ELSEWHERE",
        "some let none in",
    ),
    (
        "PC331",
        "office-west.cfg",
        "group OFFICE-IN",
        "group OFICE-IN",
        "OFICE-IN",
        "most devices then permit everything",
    ),
    ("PC332", "quay-a.cfg", " permit 10.10.90.5\n", "", "access-list standard MGMT-SESSIONS", "has no line"),
    ("PC333", "border.cfg", "source list INSIDE", "source list INSIDERS", "INSIDERS", "address translation uses"),
    ("PC334", "harbour-1.cfg", "vrf forwarding TILLS", "vrf forwarding TILL", "interface Vlan60", "`TILL`"),
    ("PC335", "quay-a.cfg", "vty 5 15\n access-class MGMT-SESSIONS in\n", "vty 5 15\n", "line vty 5 15", "IPv4"),
    (
        "PC336",
        "quay-a.cfg",
        "line con 0",
        "ip access-list standard SPARE\n permit 10.1.1.1\nline con 0",
        "SPARE",
        "refers to",
    ),
    (
        "PC337",
        "quay-a.cfg",
        "line con 0",
        "ip access-list standard TIME\n permit 10.1.1.1\nntp access-group peer TIME\nline con 0",
        "standard TIME",
        "NTP",
    ),
    (
        "PC338",
        "harbour-1.cfg",
        "object-group network BOOKING",
        "object-group network OLD\n host 10.1.1.1\nobject-group network BOOKING",
        "OLD",
        "no line",
    ),
    (
        "PC339",
        "harbour-1.cfg",
        "vrf definition TILLS",
        "vrf definition LEFT\nvrf definition TILLS",
        "LEFT",
        "no interface",
    ),
    ("PC413", "quay-a.cfg", "hostname quay-a", "hostname quay-z", "hostname quay-z", "`quay-z`"),
    ("PC411", "harbour-1.cfg", "object-group BOOKING eq", "object-group BOKING eq", "BOKING", "not defined"),
]


@pytest.mark.parametrize(
    ("code", "file", "old", "new", "line", "words"),
    FAULTS,
    ids=[f"{code}-{number}" for number, (code, *_) in enumerate(FAULTS)],
)
def test_one_fault_is_named_and_nothing_else(code: str, file: str, old: str, new: str, line: str, words: str) -> None:
    files = dict(working())
    assert old in files[file]
    files[file] = files[file].replace(old, new)
    (found,) = audit(files)
    assert found.code == code
    assert line in found.span.text
    assert words in found.message
    assert found.help or not code.startswith("PC3")


def test_each_code_of_the_audit_is_planted() -> None:
    assert {code for code in CATALOGUE if re.fullmatch(r"PC3[0-3]\d", code)} <= {fault[0] for fault in FAULTS}


def test_check_holds_what_audit_finds() -> None:
    files = {name: text.encode() for name, text in working().items()}
    files["quay-b.cfg"] = files["quay-b.cfg"].replace(b"10.20.99.12", b"10.20.99.11")
    loaded = load_fleet_files(files)
    assert set(audit_fleet(loaded)) <= set(check_fleet(loaded))
    involved = audit_fleet(loaded, device="quay-a")
    assert [item.code for item in involved] == ["PC301"], "it stands at quay-b and concerns quay-a, too"
