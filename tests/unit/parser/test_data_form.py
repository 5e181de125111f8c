"""Devices as YAML data: the same models as the command lines that the items mean, at the places of the items."""

import dataclasses
import textwrap

import pytest

from pathcheck.model.access_list import Remark, UnreadLine
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.unmodelled import DeviceScope, InterfaceScope
from pathcheck.parser.configuration import SourceText, read_configuration
from pathcheck.parser.device_files import is_device_data, read_device_files
from pathcheck.results.account import LineClass

DATA = """\
# a quay switch as data
hostname: quay-d
vrfs: [TILLS]
routing: true
ipv6_routing: false
vlans:
  20: {name: ticket counters}
  30: cameras
  40: {name: spare, shutdown: true}
  99:
interfaces:
  Ethernet1: {description: to the core, switch_port: {mode: trunk, native: 99, allowed: [20, 30-31, 99]}}
  Ethernet2:
    switch_port: {mode: access, vlan: 20, voice_vlan: 30}
    in: PORT-IN
    shutdown: true
  eth3: {routed: true, channel_group: 7}
  Ethernet4: {routed: true}
  Ethernet4.20: {encapsulation: 20, untagged: true}
  Vlan20:
    addresses: [10.1.20.1/24, 10.1.21.1/24, 2001:db8:20::1/64, fe80::1]
    vrf: TILLS
    in: TILLS-IN
    ipv6_out: V6
  Vlan99:
    addresses: 10.1.99.11/24
    cli:
      - no ip redirects
      - ip mtu 1400
access_lists:
  TILLS-IN:
    lines:
      - remark: tills only
      - {sequence: 30, action: permit, protocol: tcp, source: 10.1.20.0/24, destination: 10.1.99.10,
         destination_port: [443, 8443], established: true, log: true}
      - {action: deny, protocol: udp, source_port: 1-1023, destination: 10.0.0.0 0.0.0.254, destination_port: gt 90}
      - {action: permit, protocol: icmp, icmp: 3/4, dscp: ef, fragments: true}
      - {action: permit, protocol: tcp, flags: [+syn, -ack]}
      - permit tcp any any eq www
      - action: permit
  PORT-IN: [permit ip any any]
  MANAGERS: {standard: true, lines: [{action: permit, source: 10.1.90.5}]}
ipv6_access_lists:
  V6: [{action: permit, protocol: icmp, source: "2001:db8::/32", icmp: echo}, {action: deny}]
static_routes:
  - {prefix: 0.0.0.0/0, next_hop: 10.1.99.1, distance: 250, name: uplink, tag: 7, permanent: true}
  - {prefix: 10.9.0.0/16, discard: true, vrf: TILLS}
  - {prefix: "2001:db8:9::/48", interface: Vlan20, next_hop: fe80::9}
gateway: 10.1.99.1
terminal_lines:
  - {first: 0, last: 4, in: MANAGERS, ipv6_in: V6}
cli: |
  ntp server 10.1.90.31
  vlan 77
   name lost
"""

LINES = """\
hostname quay-d
vrf definition TILLS
!
ip routing
no ipv6 unicast-routing
vlan 20
 name ticket counters
vlan 30
 name cameras
vlan 40
 name spare
 shutdown
vlan 99
!
interface Ethernet1
 description to the core
 switchport mode trunk
 switchport trunk native vlan 99
 switchport trunk allowed vlan 20,30-31,99
interface Ethernet2
 switchport mode access
 switchport access vlan 20
 switchport voice vlan 30
 ip access-group PORT-IN in
 shutdown
interface Ethernet3
 no switchport
 channel-group 7 mode active
interface Ethernet4
 no switchport
interface Ethernet4.20
 encapsulation dot1q 20 native
interface Vlan20
 vrf forwarding TILLS
 ip address 10.1.20.1 255.255.255.0
 ip address 10.1.21.1 255.255.255.0 secondary
 ipv6 address 2001:db8:20::1/64
 ipv6 address fe80::1 link-local
 ip access-group TILLS-IN in
 ipv6 traffic-filter V6 out
interface Vlan99
 ip address 10.1.99.11 255.255.255.0
 no ip redirects
 ip mtu 1400
!
ip access-list extended TILLS-IN
 remark tills only
 30 permit tcp 10.1.20.0 0.0.0.255 host 10.1.99.10 eq 443 8443 established log
 deny udp any range 1 1023 10.0.0.0 0.0.0.254 gt 90
 permit icmp any any 3 4 dscp ef fragments
 permit tcp any any match-all +syn -ack
 permit tcp any any eq www
 permit ip any any
ip access-list extended PORT-IN
 permit ip any any
ip access-list standard MANAGERS
 permit host 10.1.90.5
ipv6 access-list V6
 permit icmp 2001:db8::/32 any echo
 deny ipv6 any any
!
ip route 0.0.0.0 0.0.0.0 10.1.99.1 250 name uplink tag 7 permanent
ip route vrf TILLS 10.9.0.0 255.255.0.0 Null0
ipv6 route 2001:db8:9::/48 Vlan20 fe80::9
ip default-gateway 10.1.99.1
line vty 0 4
 access-class MANAGERS in
 ipv6 access-class V6 in
!
ntp server 10.1.90.31
vlan 77
 name lost
"""


DEFAULTS = Assumptions()


def read(text, name="quay.yaml", more=(), assume=DEFAULTS):
    return read_device_files([(name, textwrap.dedent(text).encode()), *more], default_name="quay", assume=assume)


def device_of(text):
    return read_configuration([SourceText("x.cfg", text.encode())], default_name="x").devices[0]


def test_data_gives_the_device_that_its_lines_give():
    parsed = read(DATA)
    assert parsed.devices[0] == device_of(LINES)
    assert [one.code for one in parsed.findings if one.severity != "note"] == []
    assert parsed.devices[0].files == ("quay.yaml",)


@pytest.mark.parametrize("masks", ["wildcard", "netmask", "decide"])
def test_prefixes_mean_the_same_however_dotted_masks_are_read(masks):
    text = "hostname: a\naccess_lists: {A: [{action: permit, source: 10.1.20.0/24}]}\n"
    line = read(text, assume=Assumptions(dotted_mask=masks)).devices[0].access_lists["ipv4", "A"].lines[0]
    assert str(line.source) == "10.1.20.0/24"


def test_everything_points_at_the_item_in_the_data():
    device = read(DATA).devices[0]
    rows = DATA.splitlines()
    lists = device.access_lists["ipv4", "TILLS-IN"]
    where = [entry.span.line for entry in lists.entries]
    assert [rows[line - 1].strip()[:20] for line in where] == [
        "- remark: tills only", "- {sequence: 30, act", "- {action: deny, pro", "- {action: permit, p",
        "- {action: permit, p", "- permit tcp any any", "- action: permit",
    ]  # fmt: skip
    assert all(
        entry.span.file == "quay.yaml" and entry.span.text == rows[entry.span.line - 1] for entry in lists.entries
    )
    assert isinstance(lists.entries[0], Remark)
    assert rows[device.interfaces["Vlan20"].bindings[0].span.line - 1] == "    in: TILLS-IN"
    assert rows[device.static_routes[1].span.line - 1].startswith("  - {prefix: 10.9.0.0/16")
    assert rows[device.vlans[77].span.line - 1] == "  vlan 77"
    held = device.interfaces["Vlan20"].addresses[1]
    assert held.span.text[held.span.column - 1 : held.span.end - 1] == "10.1.21.1/24"


def test_each_line_of_the_data_is_accounted_for():
    (account,) = read(DATA).accounts
    assert account.lines == len(DATA.splitlines())
    assert sum(account.counts.values()) == account.lines
    # The comment, the clock's server, and two lines of an interface that change no forwarding.
    assert account.counts[LineClass.IGNORED] == 4
    assert account.counts[LineClass.WRONG] == account.counts[LineClass.UNKNOWN] == 0


@pytest.mark.parametrize(
    ("item", "why"),
    [
        ("{protocol: tcp}", "needs the key `action`"),
        ("{action: allow}", "expected `permit` or `deny`, found `allow`"),
        ("{action: permit, sorce: any}", "unknown key `sorce` in an access-list line; did you mean `source`?"),
        ("{action: permit, protocol: [tcp]}", "expected a protocol, found a list"),
        ("{action: permit, protocol: tcp, destination_port: [80-90, 100]}", "one range, or a list of single ports"),
        ("{action: permit, protocol: tcp, flags: [syn]}", "expected flags as `[+syn, -ack]`"),
        ("{action: permit, log: maybe}", "expected `log` as `true` or `false`, found `maybe`"),
        ("{action: permit, remark: x}", "a remark has no `action`"),
        ('{action: permit, source: "10.1.20.7\\n deny ip any any"}', "expected a source"),
    ],
)
def test_a_faulty_line_of_a_list_keeps_its_place(item, why):
    parsed = read(f"hostname: a\naccess_lists:\n  A:\n    - permit ip any any\n    - {item}\n")
    entries = parsed.devices[0].access_lists["ipv4", "A"].entries
    assert len(entries) == 2
    assert isinstance(entries[1], UnreadLine)
    assert why in entries[1].why
    (found,) = [one for one in parsed.findings if one.severity == "error"]
    assert (found.code, found.span.line) == ("PC401", 5)
    assert why in found.message
    (account,) = parsed.accounts
    assert (account.counts[LineClass.WRONG], account.records[0].span.line) == (1, 5)


def test_a_value_that_the_line_refuses_is_wrong_at_its_place():
    parsed = read("hostname: a\ninterfaces:\n  Vlan20:\n    addresses: [10.1.20.1/24, 10.1.20.256/24]\n")
    (found,) = [one for one in parsed.findings if one.code == "PC401"]
    assert "256" in found.message
    assert found.span.text[found.span.column - 1 : found.span.end - 1] == "10.1.20.256/24"


@pytest.mark.parametrize(
    ("text", "why", "scope"),
    [
        ("hostname: a\nvlnas: {}\n", "unknown key `vlnas` in a device; did you mean `vlans`?", DeviceScope()),
        ("hostname: a\ninterfaces: 5\n", "expected interfaces by name as a mapping", DeviceScope()),
        ("hostname: a\nrouting: perhaps\n", "expected `routing` as `true` or `false`", DeviceScope()),
        ("hostname: a\nstatic_routes: [{prefix: 10.0.0.0/8}]\n", "needs `next_hop`, `interface`", DeviceScope()),
        ("hostname: a\nterminal_lines: [{first: 0}]\n", "needs the key `last`", DeviceScope()),
        ("hostname: a\ncli: [a: b]\n", "expected raw lines as a block", DeviceScope()),
        ("hostname: a\nhostname: b\n", None, None),
        (
            "hostname: a\ninterfaces: {Ethernet1: {adresses: [10.1.20.1/24]}}\n",
            "unknown key `adresses` in an interface; did you mean `addresses`?",
            InterfaceScope("Ethernet1"),
        ),
    ],
)
def test_a_fault_elsewhere_makes_uncertain_what_it_can_touch(text, why, scope):
    parsed = read(text)
    if why is None:
        assert parsed.accounts[0].refused is not None
        assert [one.code for one in parsed.findings] == ["PC403"]
        return
    assert why in " ".join(one.message for one in parsed.findings)
    assert scope in [item.scope for item in parsed.devices[0].unmodelled]
    assert all(item.span.file == "quay.yaml" and item.span.line == 2 for item in parsed.devices[0].unmodelled)


def test_raw_lines_and_data_of_one_device_are_one_configuration():
    raw = (
        b"hostname quay-a\ninterface Vlan20\n ip access-group TILLS in\n"
        b"ip access-list extended TILLS\n 20 deny ip any any\n"
    )
    data = """\
        interfaces: {Vlan20: {addresses: 10.1.20.1/24}}
        access_lists: {TILLS: [{sequence: 10, action: permit, source: 10.1.20.0/24}]}
        """
    parsed = read_device_files(
        [("10-base.cfg", raw), ("20-tills.yaml", textwrap.dedent(data).encode())],
        default_name="x",
        assume=Assumptions(),
    )
    (device,) = parsed.devices
    assert device.name == "quay-a"
    assert [(line.sequence, line.span.file) for line in device.access_lists["ipv4", "TILLS"].lines] == [
        (10, "20-tills.yaml"), (20, "10-base.cfg"),
    ]  # fmt: skip
    interface = device.interfaces["Vlan20"]
    assert (len(interface.addresses), len(interface.bindings)) == (1, 1)
    assert [account.file for account in parsed.accounts] == ["10-base.cfg", "20-tills.yaml"]


JSON = (
    b'{"ietf-access-control-list:acls": {"acl": [{"name": "TILLS", "type": "ipv4-acl-type", "aces": {"ace": '
    b'[{"name": "r", "matches": {}, "actions": {"forwarding": "accept"}}]}}], "attachment-points": {"interface": '
    b'[{"interface-id": "Vlan20", "ingress": {"acl-sets": {"acl-set": [{"name": "TILLS"}]}}}]}},\n'
    b'"ietf-routing:routing": {"control-plane-protocols": {"control-plane-protocol": [{"type": "ietf-routing:static",'
    b'"name": "s", "static-routes": {"ipv4": {"route": [{"destination-prefix": "10.9.0.0/16", "next-hop": '
    b'{"next-hop-address": "10.1.20.9"}}]}}}]}}}\n'
)


def test_standard_json_joins_the_text():
    raw = b"hostname quay-a\ninterface Vlan20\n ip address 10.1.20.1 255.255.255.0\n"
    parsed = read_device_files([("a.cfg", raw), ("b.json", JSON)], default_name="x", assume=Assumptions())
    (device,) = parsed.devices
    assert device.files == ("a.cfg", "b.json")
    assert device.access_lists["ipv4", "TILLS"].lines[0].span.file == "b.json"
    assert [(bound.list_name, bound.direction) for bound in device.interfaces["Vlan20"].bindings] == [("TILLS", "in")]
    assert len(device.interfaces["Vlan20"].addresses) == 1
    assert str(device.static_routes[0].next_hop) == "10.1.20.9"
    account = parsed.accounts[1]
    assert (account.device, account.lines, account.counts[LineClass.MODELLED]) == ("quay-a", 2, 2)


def test_json_alone_is_a_device():
    (device,) = read_device_files([("quay-a.json", JSON)], default_name="quay-a", assume=Assumptions()).devices
    assert (device.name, list(device.interfaces)) == ("quay-a", ["Vlan20"])


def test_a_list_in_two_forms_is_uncertain():
    raw = b"hostname quay-a\nip access-list extended TILLS\n permit ip any any\n"
    parsed = read_device_files([("a.cfg", raw), ("b.json", JSON)], default_name="x", assume=Assumptions())
    assert isinstance(parsed.devices[0].access_lists["ipv4", "TILLS"].entries[0], UnreadLine)
    assert "is defined in a.cfg:2 already" in next(one.message for one in parsed.findings if one.code == "PC401")


def test_a_refused_file_makes_the_rest_of_the_device_uncertain():
    parsed = read_device_files(
        [("a.cfg", b"hostname quay-a\n"), ("b.yaml", b"vlans: [\n")], default_name="x", assume=Assumptions()
    )
    (device,) = parsed.devices
    assert [(item.what, item.scope) for item in device.unmodelled] == [("refused file", DeviceScope())]
    assert parsed.accounts[1].refused is not None


@pytest.mark.parametrize(
    ("name", "data", "named", "expected"),
    [
        ("a.yaml", b"hostname: a\n", False, True),
        ("a.yaml", b"device: a\nvlans: [1]\n", False, True),
        ("a.yaml", b"vlans: [1]\n", False, False),
        ("a.yaml", b"vlans: [1]\n", True, True),
        ("a.yaml", b"owner: x\n", True, False),
        ("a.yaml", b"flows:\n  - {name: hostname x}\n", False, False),
        ("a.yaml", b"hostname: [\n", False, True),
        ("a.json", JSON, False, True),
        ("a.json", b'{"hostname": "a"}', False, False),
        ("a.yaml", b"- hostname: a\n", False, False),
    ],
)
def test_which_data_files_say_what_a_device_is(name, data, named, expected):
    assert is_device_data(name, data, named=named) is expected


def test_moving_places_keeps_what_does_not_move():
    parsed = read("cli: [vlan 5]\n", more=[("z.cfg", b"vlan 6\n")])
    vlans = parsed.devices[0].vlans
    assert dataclasses.asdict(vlans[6].span)["file"] == "z.cfg"
    assert vlans[5].span.file == "quay.yaml"
