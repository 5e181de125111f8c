from __future__ import annotations

from dataclasses import replace

import pytest
from reading import on_port, read

from pathcheck.model.unmodelled import (
    DeviceScope,
    InterfaceScope,
    LayerTwoScope,
    NoScope,
    OwnScope,
    RouteScope,
    Scope,
    TranslationScope,
)
from pathcheck.results.account import LineClass

PORT = InterfaceScope("Ethernet1")
EACH_VLAN = LayerTwoScope()


# The distances are common practice, no source.
@pytest.mark.parametrize(
    ("lines", "scopes"),
    [
        (("router ospf 1", " network 10.0.0.0 0.255.255.255 area 0"), [RouteScope(None, "ipv4", distance=110)]),
        (("router ospf 1 vrf BLUE",), [RouteScope("BLUE", "ipv4", distance=110)]),
        (("router ospfv3 1",), [RouteScope(distance=110)]),
        (("ipv6 router ospf 1",), [RouteScope(None, "ipv6", distance=110)]),
        (("router eigrp 7",), [RouteScope(None, "ipv4", distance=5)]),
        (("router rip", " version 2"), [RouteScope(None, "ipv4", distance=120)]),
        (("ipv6 router rip FERRY",), [RouteScope(None, "ipv6", distance=120)]),
        (("router isis FERRY",), [RouteScope(None, "ipv4", distance=115)]),
        (("router bgp 65000", " neighbor 192.0.2.1 remote-as 64500"), [RouteScope(None, "ipv4", distance=20)]),
        (
            (
                "router bgp 65000",
                " address-family ipv4",
                "  network 10.0.0.0",
                " exit-address-family",
                " address-family ipv6",
            ),
            [RouteScope(None, "ipv4", distance=20), RouteScope(None, "ipv6", distance=20)],
        ),
        (
            ("router bgp 65000", " address-family ipv4 vrf BLUE"),
            [RouteScope(None, "ipv4", distance=20), RouteScope("BLUE", "ipv4", distance=20)],
        ),
        (
            ("router ospf 1", " vrf BLUE", "  router-id 10.0.0.1"),
            [RouteScope(None, "ipv4", distance=110), RouteScope("BLUE", distance=110)],
        ),
        (
            ("router ospf 1", " distance ospf external 15"),
            [RouteScope(None, "ipv4", distance=110), RouteScope(distance=15)],
        ),
        (("router ospf 1", " distance 200"), [RouteScope(None, "ipv4", distance=110)]),
        (("router frobnicate 1",), [RouteScope()]),
        (("router pim sparse-mode",), []),
        (("ip default-network 10.0.0.0",), [RouteScope(None, "ipv4")]),
        (("no ip classless",), [RouteScope(None, "ipv4")]),
        (("ip classless",), []),
        (("mpls ldp", " router-id 10.0.0.1"), []),
        (("ip nat inside source list 10 interface Ethernet1 overload",), []),
        (("ip local policy route-map OWN",), [DeviceScope()]),
        (("crypto map M 10 ipsec-isakmp", " match address 110"), []),
        (("zone security IN", "zone-pair security Z source IN destination OUT", " service-policy type inspect P"), []),
        (("ip inspect name FW tcp",), []),
        (("bridge irb",), [EACH_VLAN]),
        (("vpc domain 1", "  peer-gateway"), [EACH_VLAN]),
        (("mlag configuration", "   domain-id X"), [EACH_VLAN]),
        (("nv overlay evpn",), [EACH_VLAN]),
        (("system default switchport shutdown",), [EACH_VLAN]),
        (("ip multicast-routing", "ip pim rp-address 10.0.0.1"), []),
        (("ip dhcp snooping vlan 20", "ip arp inspection vlan 20"), []),
        (("ip tcp intercept list 110",), [DeviceScope()]),
        (
            ("monitor session 1", " source interface Gi1/0/1", " destination interface Gi1/0/20"),
            [InterfaceScope("GigabitEthernet1/0/20", may_only_drop=True)],
        ),
        (
            ("monitor session 1 destination interface Gi1/0/20",),
            [InterfaceScope("GigabitEthernet1/0/20", may_only_drop=True)],
        ),
        (("event manager applet A", ' action 1 cli command "show version"'), []),
        (
            ("event manager applet A", ' action 1 cli command "ip route 0.0.0.0 0.0.0.0 10.0.0.1"'),
            [RouteScope(None, "ipv4")],
        ),
        (("event manager applet A", ' action 1 cli command "shutdown"'), [DeviceScope()]),
        (("kron policy-list S", " cli write memory"), []),
        (("banner motd %never closed", "ip routing"), [DeviceScope()]),
        (("tap aggregation", " mode exclusive"), [DeviceScope()]),
        (("ip sticky-arp", "interface Vlan20", " ip sticky-arp"), []),
        (("frobnicate 7",), [DeviceScope()]),
    ],
    ids=lambda value: " / ".join(value) if isinstance(value, tuple) else "",
)
def test_what_lines_at_the_top_can_touch(lines: tuple[str, ...], scopes: list[Scope]) -> None:
    assert read(*lines).scopes == scopes


@pytest.mark.parametrize(
    ("line", "scopes"),
    [
        ("ip nat inside", [TranslationScope("Ethernet1", "inside")]),
        ("ip nat outside", [TranslationScope("Ethernet1", "outside")]),
        ("ip nat enable", [PORT]),
        ("ip policy route-map R", [InterfaceScope("Ethernet1", ("in",))]),
        ("crypto map M", [PORT]),
        ("zone-member security IN", [InterfaceScope("Ethernet1", may_only_drop=True)]),
        ("ip inspect FW in", [DeviceScope()]),
        ("ip verify unicast source reachable-via rx", [InterfaceScope("Ethernet1", ("in",), may_only_drop=True)]),
        ("rate-limit input access-group 110 8000 1500 2000 conform-action transmit exceed-action drop",
         [InterfaceScope("Ethernet1", ("in",), may_only_drop=True)]),
        ("tunnel destination 192.0.2.1", [PORT]),
        ("mpls ip", [PORT]),
        ("mpls mtu 1508", []),
        ("bridge-group 1", [EACH_VLAN, PORT]),
        ("xconnect 192.0.2.1 7 encapsulation mpls", [EACH_VLAN, PORT]),
        ("mac access-group M in", [InterfaceScope("Ethernet1", may_only_drop=True)]),
        ("ip pim sparse-mode", []),
        ("ip igmp version 3", []),
        ("switchport port-security maximum 3", []),
        ("ip dhcp snooping trust", []),
        ("dot1x pae authenticator", []),
        ("dialer pool 1", [PORT]),
        ("encapsulation frame-relay", [PORT]),
        ("source template GATES", [DeviceScope()]),
        ("ip ospf 1 area 0", [RouteScope(None, "ipv4", distance=110)]),
        ("ip router ospf 1 area 0", [RouteScope(None, "ipv4", distance=110)]),
        ("ip router isis", [RouteScope(None, "ipv4", distance=115)]),
        ("ipv6 ospf 1 area 0", [RouteScope(None, "ipv6", distance=110)]),
        ("ipv6 rip FERRY enable", [RouteScope(None, "ipv6", distance=120)]),
        ("ip ospf cost 10", []),
        ("ip directed-broadcast", []),
    ],
)  # fmt: skip
def test_what_lines_on_an_interface_can_touch(line: str, scopes: list[Scope]) -> None:
    found = on_port(line)
    assert found.scopes == scopes
    assert (found.classes == {2: LineClass.UNMODELLED}) is (line not in ("ip ospf cost 10", "mpls mtu 1508"))
    assert on_port("no " + line).scopes == []


def test_a_protocol_on_an_interface_is_in_its_vrf() -> None:
    assert on_port("ip ospf 1 area 0", "vrf forwarding BLUE").scopes == [RouteScope("BLUE", "ipv4", distance=110)]


def test_each_line_is_reported_where_it_stands() -> None:
    found = read("ip routing", "interface Ethernet1", " ip policy route-map R")
    (finding,) = found.findings
    assert (finding.code, finding.span and finding.span.line, finding.message) == (
        "PC412",
        3,
        "policy routing is not modelled",
    )
    (item,) = found.device.unmodelled
    assert (item.what, item.span.line) == ("policy routing", 3)


POLICIES = {
    "queues": ("policy-map P", " class VOICE", "  priority percent 20", " class class-default", "  fair-queue"),
    "polices": ("policy-map P", " class X", "  police 8000000 conform-action transmit exceed-action drop"),
    "drops": ("policy-map P", " class X", "  drop"),
    "marks": ("policy-map P", " class X", "  set ip dscp ef"),
    "nests": ("policy-map Q", " class X", "  drop", "policy-map P", " class class-default", "  service-policy Q"),
}
DROPS = InterfaceScope("Ethernet1", ("in",), may_only_drop=True)
CHANGES = InterfaceScope("Ethernet1", ("in",))


@pytest.mark.parametrize(
    ("policy", "scopes"),
    [("queues", []), ("polices", [DROPS]), ("drops", [DROPS]), ("marks", [CHANGES]), ("nests", [DROPS])],
)
def test_a_service_policy_touches_what_its_policy_does(policy: str, scopes: list[Scope]) -> None:
    use = ("interface Ethernet1", " service-policy input P")
    assert read(*POLICIES[policy], *use).scopes == scopes
    assert read(*use, *POLICIES[policy]).scopes == scopes


def test_a_service_policy_of_a_port_touches_what_stands_on_it() -> None:
    port = ("interface Ethernet1", " service-policy input P", "interface Ethernet1.20", " encapsulation dot1q 20",
            "interface Ethernet10.30", " encapsulation dot1q 30")  # fmt: skip
    assert set(read(*POLICIES["drops"], *port).scopes) == {DROPS, replace(DROPS, interface="Ethernet1.20")}
    member = ("interface Ethernet1", " channel-group 7 mode active", " service-policy input P",
              "interface Port-channel7", "interface Port-channel7.20", "interface Port-channel70")  # fmt: skip
    names = {"Ethernet1", "Port-channel7", "Port-channel7.20"}
    assert set(read(*POLICIES["marks"], *member).scopes) == {replace(CHANGES, interface=name) for name in names}


def test_a_policy_that_is_not_in_the_text_may_do_anything() -> None:
    assert on_port("service-policy output P").scopes == [InterfaceScope("Ethernet1", ("out",))]
    assert read("control-plane", " service-policy input P").scopes == [OwnScope()]


def test_a_cycle_of_policies_ends() -> None:
    found = read("policy-map P", " class X", "  service-policy P", "interface Ethernet1", " service-policy input P")
    assert found.scopes == []


@pytest.mark.parametrize(
    ("lines", "name", "what"),
    [
        (("ip nat inside source list 10 interface Ethernet1 overload",), "10", "address translation"),
        (("route-map R permit 10", " match ip address 110"), "110", "a route map"),
        (("class-map C", " match access-group name VOICE"), "VOICE", "a traffic class"),
        (("class-map C", " match access-group 110"), "110", "a traffic class"),
        (("crypto map M 10 ipsec-isakmp", " match address ISLAND"), "ISLAND", "IPsec"),
        (("snmp-server community quays RO 10",), "10", "SNMP"),
        (("ntp access-group peer 10",), "10", "NTP"),
        (("ip http access-class 10",), "10", "the web server"),
        (("router ospf 1", " distribute-list 20 in"), "20", "a routing protocol"),
        (("router bgp 65000", " neighbor 192.0.2.1 distribute-list 20 out"), "20", "a routing protocol"),
        (("ip pim rp-address 10.0.0.1 30",), "30", "multicast"),
        (("dialer-list 1 protocol ip list 110",), "110", "dialing on demand"),
        (("vlan access-map M 10", " match ip address A"), "A", "a filter inside a VLAN"),
    ],
)
def test_uses_of_a_list_that_filter_no_forwarded_packet(lines: tuple[str, ...], name: str, what: str) -> None:
    (use,) = read(*lines).device.list_uses
    assert (use.list_name, use.family, use.what, use.span.line) == (name, "ipv4", what, len(lines))


@pytest.mark.parametrize(
    "lines",
    [
        ("route-map R permit 10", " match ip address prefix-list OURS"),
        ("router ospf 1", " distribute-list prefix OURS in"),
        ("snmp-server community quays RO",),
        ("no snmp-server community quays RO 10",),
        ("dialer-list 1 protocol ip permit",),
    ],
)
def test_names_of_other_things_are_no_uses(lines: tuple[str, ...]) -> None:
    assert read(*lines).device.list_uses == ()


def test_several_lists_on_one_line() -> None:
    assert [use.list_name for use in read("route-map R permit 10", " match ip address 10 20 A").device.list_uses] == [
        "10",
        "20",
        "A",
    ]


def test_scopes_say_nothing_where_a_definition_only_acts_by_name() -> None:
    assert {
        item.scope for item in read("crypto map M 10 ipsec-isakmp", "ip nat pool P 10.0.0.1 10.0.0.2").device.unmodelled
    } == {NoScope()}
