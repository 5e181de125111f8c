from __future__ import annotations

import pytest
from reading import on_port, read

from pathcheck.model.interface import SwitchPort, canonical_name, interface_kind
from pathcheck.model.unmodelled import DeviceScope, InterfaceScope, LayerTwoScope, OwnScope, RouteScope
from pathcheck.packet.prefix import Prefix
from pathcheck.parser.interface import interface_names
from pathcheck.results.account import LineClass


def addresses(*lines: str, name: str = "Ethernet1") -> list[str]:
    found = on_port(*lines, name=name).interface.addresses
    return [f"{item.address}/{item.length} {item.role}" for item in found]


# --- names -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "name", "kind"),
    [
        ("gi0/1", "GigabitEthernet0/1", "physical"),
        ("GIGABITETHERNET 0/1", "GigabitEthernet0/1", "physical"),
        ("g0/0.20", "GigabitEthernet0/0.20", "subinterface"),
        ("fa0/1", "FastEthernet0/1", "physical"),
        ("te1/1/1", "TenGigabitEthernet1/1/1", "physical"),
        ("eth1", "Ethernet1", "physical"),
        ("s0/0/0", "Serial0/0/0", "physical"),
        ("Serial0:4", "Serial0:4", "physical"),
        ("Vlan 20", "Vlan20", "svi"),
        ("vl020", "Vlan20", "svi"),
        ("po1", "Port-channel1", "port-channel"),
        ("Port-Channel1.5", "Port-channel1.5", "subinterface"),
        ("lo0", "Loopback0", "loopback"),
        ("tu1", "Tunnel1", "tunnel"),
        ("ma1", "Management1", "management"),
        ("mgmt0", "mgmt0", "management"),
        ("null 0", "Null0", "discard"),
        ("1/1/9", "1/1/9", "physical"),
        ("Bundle-Ether1", "Bundle-Ether1", "port-channel"),
        ("lag 1", "lag1", "port-channel"),
    ],
)
def test_an_interface_has_one_name(text: str, name: str, kind: str) -> None:
    assert canonical_name(text) == name
    assert interface_kind(name) == kind
    assert canonical_name(name) == name


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("gi0/1 - 3", "GigabitEthernet0/1 GigabitEthernet0/2 GigabitEthernet0/3"),
        ("gi0/1-2,gi0/9", "GigabitEthernet0/1 GigabitEthernet0/2 GigabitEthernet0/9"),
        ("Ethernet1-3,5", "Ethernet1 Ethernet2 Ethernet3 Ethernet5"),
        ("fa0/1 - fa0/2 , gi0/1", "FastEthernet0/1 FastEthernet0/2 GigabitEthernet0/1"),
        ("1/1/1-1/1/3", "1/1/1 1/1/2 1/1/3"),
        ("vlan 20 - 21", "Vlan20 Vlan21"),
        ("port-channel 1-2", "Port-channel1 Port-channel2"),
        (
            "GigabitEthernet1/0/1-2,GigabitEthernet1/1/1",
            "GigabitEthernet1/0/1 GigabitEthernet1/0/2 GigabitEthernet1/1/1",
        ),
    ],
)
def test_a_range_stands_for_each_of_its_interfaces(text: str, names: str) -> None:
    assert interface_names(text) == names.split()


@pytest.mark.parametrize(
    "text", ["gi0/3 - 1", "gi0/1 - fa0/3", "gi0/1 - 0/2/3", "gi0/1-99999", "gi0/1,,gi0/2", "macro X"]
)
def test_a_range_that_makes_no_sense_is_none(text: str) -> None:
    assert interface_names(text) is None


def test_lines_below_a_range_count_for_each() -> None:
    device = read("interface range gi0/1 - 2", " shutdown", "interface gi0/2", " no shutdown").device
    assert [(port.name, port.shutdown) for port in device.interfaces.values()] == [
        ("GigabitEthernet0/1", True),
        ("GigabitEthernet0/2", False),
    ]


@pytest.mark.parametrize(
    "header", ["interface range macro GATES", "interface", "interface range gi0/1 - x", "interface <port>"]
)
def test_a_header_that_cannot_be_read_touches_the_device_and_hides_its_lines(header: str) -> None:
    found = read(header, " ip address 10.1.20.1 255.255.255.0", "ip routing")
    assert found.classes == {1: LineClass.WRONG, 2: LineClass.UNKNOWN}
    assert found.scopes == [DeviceScope()]
    assert found.device.interfaces == {}
    assert found.device.routing is True


def test_an_interface_can_be_removed_and_reset() -> None:
    found = read(
        "interface Vlan20", " shutdown", "no interface Vlan20", "no interface Vlan21", "default interface Ethernet1"
    )
    assert found.device.interfaces.keys() == {"Ethernet1"}
    assert found.codes == ["PC408"]


# --- addresses -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("ip address 10.1.20.1 255.255.255.0", "10.1.20.1/24 primary"),
        ("ip address 10.1.20.1/24", "10.1.20.1/24 primary"),
        ("ip address 10.1.20.1/24 tag 7", "10.1.20.1/24 primary"),
        ("ip address 10.1.0.0/31", "10.1.0.0/31 primary"),
        ("ip address 10.1.255.1 255.255.255.255", "10.1.255.1/32 primary"),
        ("ip add 10.1.20.1 255.255.255.0 sec", "10.1.20.1/24 secondary"),
        ("ipv4 address 10.1.20.1 255.255.255.0", "10.1.20.1/24 primary"),
        ("ip address virtual 10.1.20.1/24", "10.1.20.1/24 virtual"),
        ("ip static 10.1.20.1/24", "10.1.20.1/24 primary"),
        ("ipv6 address 2001:DB8::1/64", "2001:db8::1/64 primary"),
        ("ipv6 address 2001:DB8::1/64 anycast", "2001:db8::1/64 primary"),
        ("ipv6 address FE80::1 link-local", "fe80::1/64 link-local"),
        ("ipv6 address link-local fe80::1/64", "fe80::1/64 link-local"),
        ("ipv6 link-local fe80::1", None),
    ],
)
def test_addresses(line: str, expected: str | None) -> None:
    found = on_port(line)
    if expected is None:
        assert found.classes == {2: LineClass.WRONG}
        return
    assert addresses(line) == [expected]
    assert found.findings == ()
    assert found.scopes == []


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (("ip address 10.0.0.1/8", "ip address 10.1.0.1/16"), ["10.1.0.1/16 primary"]),
        (
            ("ip address 10.0.0.1/8", "ip address 10.1.0.1/16 secondary"),
            ["10.0.0.1/8 primary", "10.1.0.1/16 secondary"],
        ),
        (("ip address 10.0.0.1/8", "no ip address"), []),
        (("ip address 10.0.0.1/8", "no ip address 10.0.0.1/8"), []),
        (
            ("ipv6 address 2001:db8::1/64", "ipv6 address 2001:db8:1::1/64"),
            ["2001:db8::1/64 primary", "2001:db8:1::1/64 primary"],
        ),
        (("ipv6 address fe80::1 link-local", "ipv6 address fe80::2 link-local"), ["fe80::2/64 link-local"]),
        (("ipv6 address 2001:db8::1/64", "no ipv6 address"), []),
        (("ip address 10.0.0.1/8", "ipv6 address 2001:db8::1/64", "no ip address"), ["2001:db8::1/64 primary"]),
        (("ip unnumbered Loopback0", "ip address 10.0.0.1/8"), ["10.0.0.1/8 primary"]),
    ],
)
def test_the_later_address_wins_or_adds(lines: tuple[str, ...], expected: list[str]) -> None:
    assert addresses(*lines) == expected


@pytest.mark.parametrize(
    ("line", "column", "words"),
    [
        ("ip address 10.1.20.1 0.0.0.255", 23, "did you mean `255.255.255.0`"),
        ("ip address 10.1.20.1 255.0.255.0", 23, "no netmask"),
        ("ip address 10.1.20.0 255.255.255.0", 13, "network address"),
        ("ip address 10.1.20.255/24", 13, "broadcast address"),
        ("ip address 10.1.20.1 0.0.0.0", 13, "length of 0"),
        ("ip address 224.0.0.5/24", 13, "cannot be the address"),
        ("ip address 10.1.20.1", 22, "found the end of the line"),
        ("ip address 10.1.20.1/33", 13, "above 32"),
        ("ip address 10.1.X.1 255.255.255.0", 13, "placeholder"),
        ("ip address <IP> 255.255.255.0", 13, "placeholder"),
        ("ip address 10.1.20.300 255.255.255.0", 13, "above 255"),
        ("ip address 10.1.20.1 255.255.255.0 secundary", 37, "secundary"),
        ("ipv6 address 2001:db8::1/129", 15, "above 128"),
        ("ipv6 address 2001:db8::1::2/64", 15, "no IPv6 address"),
    ],
)
def test_a_wrong_address_is_reported_and_leaves_the_interface_open(line: str, column: int, words: str) -> None:
    found = on_port(line)
    (finding,) = found.findings
    assert finding.code == ("PC304" if words in ("network address", "broadcast address") else "PC401")
    assert finding.span is not None
    assert (finding.span.file, finding.span.line, finding.span.column) == ("quay-a.cfg", 2, column)
    assert words in finding.message + (finding.help or "")
    family = "ipv6" if line.startswith("ipv6") else "ipv4"
    assert found.scopes == [InterfaceScope("Ethernet1"), RouteScope(None, family, None, 0)]
    assert found.interface.unknown_address is not None


def test_who_points_at_a_wrong_address_still_means_the_device() -> None:
    assert addresses("ip address 10.1.0.2 255.0.255.0") == ["10.1.0.2/32 primary"]


@pytest.mark.parametrize(
    ("line", "scope"),
    [
        ("ip address dhcp", RouteScope(None, "ipv4", None, 0)),
        ("ip address dhcp hostname pier", RouteScope(None, "ipv4", None, 0)),
        ("ip address negotiated", RouteScope(None, "ipv4", None, 0)),
        ("ipv6 address autoconfig default", RouteScope(None, "ipv6", None, 0)),
        ("ipv6 address dhcp", RouteScope(None, "ipv6", None, 0)),
        ("ipv6 address HARBOUR ::1/64", RouteScope(None, "ipv6", None, 0)),
        (
            "ipv6 address 2001:db8:20::/64 eui-64",
            RouteScope(None, "ipv6", Prefix.parse("2001:db8:20::/64"), 0, exact=True),
        ),
    ],
)
def test_an_address_from_elsewhere_is_not_known(line: str, scope: RouteScope) -> None:
    found = on_port(line)
    assert found.classes == {2: LineClass.UNMODELLED}
    assert found.scopes == [scope]
    assert (found.interface.unknown_address is None) is scope.exact
    assert found.interface.addresses == ()
    # In its VRF, also if that stands behind it; and not at all if the port is shut down.
    assert on_port(line, "vrf forwarding BLUE").scopes == [RouteScope("BLUE", *_rest(scope))]
    assert on_port(line, "shutdown").scopes == []
    assert on_port(line, "no " + line).interface.unknown_address is None or "HARBOUR" in line


def _rest(scope: RouteScope) -> tuple[object, ...]:
    return scope.family, scope.within, scope.distance, scope.exact


def test_borrowed_addresses_and_ipv6_without_an_address() -> None:
    found = on_port("ip unnumbered lo0", "ipv6 enable", name="Serial0/0/0").interface
    assert (found.borrowed, found.ipv6_enabled) == ("Loopback0", True)
    assert on_port("ipv6 address 2001:db8::1/64").interface.ipv6_enabled


@pytest.mark.parametrize("later", ["no ip address", "ip address 10.1.20.1/24", "no ip address dhcp"])
def test_a_later_line_settles_where_the_address_comes_from(later: str) -> None:
    found = on_port("ip address dhcp", later)
    assert found.interface.unknown_address is None
    assert found.scopes == []


# --- redundant gateways ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "address"),
    [
        (("standby 20 ip 10.1.20.1",), "10.1.20.1/24"),
        (("standby ip 10.1.20.1",), "10.1.20.1/24"),
        (("vrrp 20 ip 10.1.20.1",), "10.1.20.1/24"),
        (("vrrp 20 ipv4 10.1.20.1",), "10.1.20.1/24"),
        (("glbp 20 ip 10.1.20.1",), "10.1.20.1/24"),
        (("hsrp 20", " preempt", " priority 110", " ip 10.1.20.1"), "10.1.20.1/24"),
        (("hsrp 20 ipv4", "  ip 10.1.20.1"), "10.1.20.1/24"),
        (("vrrp 20 address-family ipv4", " address 10.1.20.1 primary", " exit-vrrp"), "10.1.20.1/24"),
        (("ip virtual-router address 10.1.20.1",), "10.1.20.1/24"),
        (("active-gateway ip 10.1.20.1 mac 12:00:00:00:01:00",), "10.1.20.1/24"),
        (("standby 20 ip 10.9.9.1",), "10.9.9.1/32"),
        (("standby 20 ipv6 2001:db8:20::1/64",), "2001:db8:20::1/64"),
    ],
)
def test_a_shared_gateway_is_an_address_of_the_interface(lines: tuple[str, ...], address: str) -> None:
    found = on_port(*lines, "ip address 10.1.20.2 255.255.255.0", name="Vlan20")
    assert [f"{item.address}/{item.length}" for item in found.interface.addresses if item.role == "virtual"] == [
        address
    ]
    assert found.scopes == []
    assert found.findings == ()


@pytest.mark.parametrize(
    "lines",
    [
        ("  address-family ipv4", "   hsrp 20", "    address 10.1.20.1", "    priority 110"),
        ("  address-family ipv4", "   vrrp 20 version 3", "    address 10.1.20.1"),
        ("  hsrp 20 ipv4 10.1.20.1", "  hsrp 20 priority 110"),
    ],
)
def test_shared_gateways_in_a_block_of_their_own(lines: tuple[str, ...]) -> None:
    own = ("interface Bundle-Ether1.20", " ipv4 address 10.1.20.2 255.255.255.0")
    protocol = "vrrp" if "vrrp" in "".join(lines) else "hsrp"
    found = read(*own, f"router {protocol}", " interface Bundle-Ether1.20", *lines)
    assert [f"{item.address}/{item.length} {item.role}" for item in found.interface.addresses] == [
        "10.1.20.2/24 primary",
        "10.1.20.1/24 virtual",
    ]
    assert found.scopes == []


def test_what_says_who_is_active_does_not_matter() -> None:
    lines = (
        "standby version 2",
        "standby 20 priority 110",
        "standby 20 track 1 decrement 20",
        "vrrp 20 timers advertise 1",
    )
    found = on_port(*lines, "glbp 20 preempt", "active-gateway ip mac 12:00:00:00:01:00")
    assert found.classes == {}
    assert found.scopes == []


def test_a_learned_gateway_is_not_known() -> None:
    assert on_port("standby 20 ip").scopes == [InterfaceScope("Ethernet1", ("in",))]


# --- VRF and state ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "line", ["vrf forwarding BLUE", "ip vrf forwarding BLUE", "vrf member BLUE", "vrf attach BLUE", "vrf BLUE"]
)
def test_the_vrf_in_each_of_its_forms(line: str) -> None:
    found = on_port(line, "ip address 10.1.20.1/24")
    assert found.interface.vrf == "BLUE"
    assert found.findings == ()
    assert on_port(line, "no " + line).interface.vrf is None


def test_a_vrf_line_behind_an_address_makes_it_uncertain() -> None:
    # Common practice, no source: most devices remove the address, some keep it.
    found = on_port("ip address 10.1.20.1/24", "vrf forwarding BLUE")
    assert found.codes == ["PC414"]
    assert found.scopes == [InterfaceScope("Ethernet1"), OwnScope()]


def test_a_management_port_of_that_name_has_its_own_table() -> None:
    found = on_port("ip static 10.1.99.17/24", "default-gateway 10.1.99.1", name="mgmt")
    (route,) = found.device.static_routes
    assert found.interface.vrf == route.vrf == "mgmt"
    assert (str(route.prefix), str(route.next_hop)) == ("0.0.0.0/0", "10.1.99.1")


@pytest.mark.parametrize(
    ("lines", "expected"),
    [((), False), (("shutdown",), True), (("shut",), True), (("shutdown", "no shut"), False), (("sh",), True)],
)
def test_shutdown(lines: tuple[str, ...], expected: bool) -> None:
    found = on_port(*lines).interface
    assert found.shutdown is expected
    assert (found.shutdown_span is not None) is expected


@pytest.mark.parametrize(
    ("line", "vlan", "untagged"),
    [
        ("encapsulation dot1Q 20", 20, False),
        ("encapsulation dot1q vlan 20", 20, False),
        ("encap dot1q 99 native", 99, True),
        ("encapsulation dot1q 4095", None, False),
    ],
)
def test_the_vlan_of_a_subinterface_comes_from_its_encapsulation(line: str, vlan: int | None, untagged: bool) -> None:
    found = on_port(line, name="GigabitEthernet0/0.7")
    assert (found.interface.vlan, found.interface.untagged) == (vlan, untagged)
    assert found.scopes == ([] if vlan else [InterfaceScope("GigabitEthernet0/0.7")])


def test_the_vlan_of_an_svi_comes_from_its_name() -> None:
    assert on_port(name="Vlan 20").interface.vlan == 20


def test_an_svi_that_needs_no_port_is_a_doubt_about_its_vlan() -> None:
    assert on_port("no autostate", name="Vlan20").scopes == [LayerTwoScope(20)]


@pytest.mark.parametrize("line", ["channel-group 7 mode active", "lag 7", "bundle id 7 mode on"])
def test_members_of_a_port_channel(line: str) -> None:
    assert on_port(line).interface.channel_group == 7


# --- lists -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "family", "direction", "port"),
    [
        ("ip access-group A in", "ipv4", "in", False),
        ("ip access-group A out", "ipv4", "out", False),
        ("ip port access-group A in", "ipv4", "in", True),
        ("ipv4 access-group A ingress", "ipv4", "in", False),
        ("ipv4 access-group A egress", "ipv4", "out", False),
        ("ipv6 traffic-filter A in", "ipv6", "in", False),
        ("ipv6 access-group A in", "ipv6", "in", False),
        ("apply access-list ip A in", "ipv4", "in", False),
        ("apply access-list ip A routed-out", "ipv4", "out", False),
        ("apply access-list ipv6 A out", "ipv6", "out", False),
    ],
)
def test_lists_on_an_interface(line: str, family: str, direction: str, port: bool) -> None:
    found = on_port(line)
    (binding,) = found.interface.bindings
    assert (binding.list_name, binding.family, binding.direction, binding.port) == ("A", family, direction, port)
    assert binding.span.line == 2
    assert on_port(line, "no " + line).interface.bindings == ()


def test_the_later_list_wins_and_directions_stand_beside_each_other() -> None:
    found = on_port("ip access-group A in", "ip access-group B in", "ip access-group C out", "ipv6 traffic-filter D in")
    assert [item.list_name for item in found.interface.bindings] == ["B", "C", "D"]


def test_a_list_on_a_switch_port_acts_on_frames() -> None:
    found = on_port("ip access-group A in", "switchport mode access")
    assert [item.port for item in found.interface.bindings] == [True]


@pytest.mark.parametrize(
    "line", ["ip access-group A", "ip access-group A inn", "ip access-group", "ip access-group A in twice"]
)
def test_a_list_without_a_direction_may_drop_what_passes(line: str) -> None:
    found = on_port(line)
    assert found.codes == ["PC401"]
    assert found.scopes == [InterfaceScope("Ethernet1", may_only_drop=True)]
    assert found.interface.bindings == ()


def test_removing_a_list_that_is_not_there_is_noted() -> None:
    assert on_port("no ip access-group A in").codes == ["PC408"]


# --- switch ports ----------------------------------------------------------------------------------------------------


def port(*lines: str) -> SwitchPort | None:
    return on_port(*lines).interface.switch_port


@pytest.mark.parametrize(
    ("lines", "mode", "access", "voice", "allowed", "native"),
    [
        (("switchport mode access", "switchport access vlan 20"), "access", 20, None, None, None),
        (("sw mode acc", "sw acc vl 20", "sw voice vlan 30"), "access", 20, 30, None, None),
        (("switchport mode trunk",), "trunk", None, None, None, None),
        (("switchport mode dynamic auto",), "dynamic", None, None, None, None),
        (("switchport",), None, None, None, None, None),
        (("switchport trunk allowed vlan 10,20,30-39",), None, None, None, "10,20,30-39", None),
        (("switchport trunk allowed vlan 10, 20",), None, None, None, "10,20", None),
        (
            ("switchport trunk allowed vlan 10", "switchport trunk allowed vlan add 11,12"),
            None,
            None,
            None,
            "10-12",
            None,
        ),
        (("switchport trunk allowed vlan add 11",), None, None, None, None, None),
        (("switchport trunk allowed vlan remove 1-100",), None, None, None, "101-4094", None),
        (("switchport trunk allowed vlan except 100",), None, None, None, "1-99,101-4094", None),
        (("switchport trunk allowed vlan none",), None, None, None, "none", None),
        (("switchport trunk allowed vlan 10", "switchport trunk allowed vlan all"), None, None, None, None, None),
        (("switchport trunk allowed vlan 10", "sw mode tr", "no sw tr all vlan"), "trunk", None, None, None, None),
        (("switchport trunk native vlan 99",), None, None, None, None, 99),
        (("vlan access 20",), "access", 20, None, None, None),
        (("vlan trunk native 99", "vlan trunk allowed 20,99"), "trunk", None, None, "20,99", 99),
        (("vlan trunk allowed 20", "vlan trunk allowed 21"), "trunk", None, None, "20-21", None),
        (("vlan trunk allowed all",), "trunk", None, None, None, None),
        (("no routing", "vlan access 20"), "access", 20, None, None, None),
        (("switchport access vlan 20", "switchport access vlan 21"), None, 21, None, None, None),
    ],
)
def test_switch_ports(
    lines: tuple[str, ...],
    mode: str | None,
    access: int | None,
    voice: int | None,
    allowed: str | None,
    native: int | None,
) -> None:
    found = port(*lines)
    assert found is not None
    carried = None if found.allowed is None else str(found.allowed)
    assert (found.mode, found.access_vlan, found.voice_vlan, carried, found.native) == (
        mode,
        access,
        voice,
        allowed,
        native,
    )
    assert on_port(*lines).scopes == []


@pytest.mark.parametrize(
    "lines", [("no switchport",), ("switchport mode trunk", "no switchport"), ("vlan access 20", "routing"), ()]
)
def test_no_switch_port(lines: tuple[str, ...]) -> None:
    assert port(*lines) is None


def test_an_access_vlan_by_name_is_resolved_behind_the_text() -> None:
    found = read("interface Ethernet1", " switchport access vlan tickets", "vlan 20", " name tickets").device
    port = found.interfaces["Ethernet1"].switch_port
    assert port is not None
    assert port.access_vlan == 20
    assert on_port("switchport access vlan tickets").scopes == [LayerTwoScope()]


@pytest.mark.parametrize(
    "line",
    [
        "switchport access vlan 4095",
        "switchport access vlan",
        "switchport mode trnk",
        "switchport trunk allowed vlan 10,x",
        "switchport trunk allowed vlan 20-10",
        "switchport trunk native vlan 0",
        "vlan access 0",
    ],
)
def test_a_wrong_line_on_a_switch_port_touches_layer_2_and_what_stands_on_the_port(line: str) -> None:
    found = on_port(line)
    assert found.classes == {2: LineClass.WRONG}
    assert found.scopes == [LayerTwoScope(), InterfaceScope("Ethernet1")]


@pytest.mark.parametrize(
    "line", ["switchport mode dot1q-tunnel", "switchport mode private-vlan host", "switchport protected"]
)
def test_switching_that_is_not_modelled(line: str) -> None:
    found = on_port(line)
    assert found.classes == {2: LineClass.UNMODELLED}
    assert found.scopes == [LayerTwoScope()]


def test_an_unknown_word_behind_switchport_is_unknown() -> None:
    found = on_port("switchport frobnicate 7")
    assert found.classes == {2: LineClass.UNKNOWN}
    assert found.scopes == [LayerTwoScope()]


def test_an_address_on_a_switch_port_is_not_believed() -> None:
    found = on_port("switchport mode access", "ip address 10.1.20.1/24")
    assert found.interface.switch_port is None
    assert found.scopes == [InterfaceScope("Ethernet1")]


def test_an_unknown_line_touches_its_interface_and_on_a_switch_port_layer_2() -> None:
    assert on_port("frobnicate 7").scopes == [InterfaceScope("Ethernet1")]
    assert on_port("frobnicate 7", "switchport mode access").scopes == [InterfaceScope("Ethernet1"), LayerTwoScope()]


def test_remarkable_lines_of_other_subjects_do_not_hide_the_rest() -> None:
    found = on_port("ip address 10.1.X.1 255.255.255.0", "ip access-group A in", "shutdown")
    assert found.interface.shutdown
    assert len(found.interface.bindings) == 1
