"""One link at a time is broken in a fleet that works: it must be named, with its line, and no other."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import pytest

from pathcheck.fleet import LoadedFleet, load_fleet, load_fleet_files
from pathcheck.queries.manageability import (
    controller_prefixes,
    judge_fleet,
    judge_management,
    management_findings,
    session_flow,
    session_flows,
    session_holds,
)
from pathcheck.results.verdict import Verdict

DEMO = Path(__file__).parents[3] / "corpora" / "ferry-operator" / "fleet"

FLEET = {
    "fleet.yaml": """\
devices:
  core: {management: 10.1.255.1}
  pier: {management: 10.1.255.2}
  quay-a: {management: 10.1.99.11}
places: {controller: 10.1.90.5}
links:
  - core:Ethernet1 pier:Ethernet1
  - pier:Ethernet2 quay-a:Ethernet1
""",
    "core.cfg": """\
hostname core
ip routing
vlan 90
interface Loopback0
 ip address 10.1.255.1 255.255.255.255
interface Ethernet1
 no switchport
 ip address 10.1.0.1 255.255.255.252
interface Ethernet6
 switchport mode access
 switchport access vlan 90
interface Vlan90
 ip address 10.1.90.1 255.255.255.0
 ip access-group SERVERS-IN in
ip route 10.1.255.2 255.255.255.255 10.1.0.2
ip route 10.1.99.0 255.255.255.0 10.1.0.2
ip access-list extended SERVERS-IN
 permit tcp host 10.1.90.5 any eq 22
 permit udp host 10.1.90.31 eq ntp any
 deny ip any any
""",
    "pier.cfg": """\
hostname pier
ip routing
vlan 99
interface Loopback0
 ip address 10.1.255.2 255.255.255.255
interface Ethernet1
 no switchport
 ip address 10.1.0.2 255.255.255.252
interface Ethernet2
 switchport mode trunk
 switchport trunk allowed vlan 20,99
interface Vlan99
 ip address 10.1.99.1 255.255.255.0
 ip access-group QUAY-OUT out
 ip access-group QUAY-IN in
ip route 10.1.90.0 255.255.255.0 10.1.0.1
ip access-list extended QUAY-OUT
 permit tcp host 10.1.90.5 10.1.99.0 0.0.0.255 eq 22
 permit udp host 10.1.90.31 eq ntp any
 deny ip any any
ip access-list extended QUAY-IN
 permit tcp 10.1.99.0 0.0.0.255 host 10.1.90.5 established
 permit udp 10.1.99.0 0.0.0.255 any
 deny ip any any
ip access-list standard MANAGERS
 permit 10.1.90.5
line vty 0 15
 access-class MANAGERS in
""",
    "quay-a.cfg": """\
hostname quay-a
no ip routing
vlan 20
vlan 99
interface Ethernet1
 switchport mode trunk
 switchport trunk allowed vlan 20,99
interface Vlan99
 ip address 10.1.99.11 255.255.255.0
ip default-gateway 10.1.99.1
ntp server 10.1.90.31
logging host 10.1.90.30
ip access-list standard MANAGERS
 permit 10.1.90.5
ip access-list extended TO-ME
 permit tcp host 10.1.90.5 any eq 22
 permit udp any any
 deny ip any any
control-plane
 ip access-group TO-ME in
line vty 0 15
 access-class MANAGERS in
""",
}


class Break(NamedTuple):
    """One change of a file, and which link of quay-a it breaks at which line; `others` are lost as well."""

    file: str
    old: str
    new: str
    kind: str
    at: str
    others: tuple[str, ...] = ()


BREAKS = {
    "the address is another": Break(
        "quay-a.cfg", "10.1.99.11 255", "10.1.99.12 255", "address", "quay-a.cfg: ip address 10.1.99.12 255.255.255.0"
    ),
    "the address is none": Break(
        "quay-a.cfg", " ip address 10.1.99.11 255.255.255.0\n", "", "address",
        "fleet.yaml:  quay-a: {management: 10.1.99.11}",
    ),
    "the VLAN is not defined": Break(
        "quay-a.cfg", "vlan 99\ninterface", "interface", "vlan", "quay-a.cfg:interface Vlan99"
    ),
    "the VLAN is shut": Break("quay-a.cfg", "vlan 99\n", "vlan 99\n shutdown\n", "vlan", "quay-a.cfg:vlan 99"),
    "the interface is shut": Break(
        "quay-a.cfg", "Vlan99\n", "Vlan99\n shutdown\n", "interface", "quay-a.cfg: shutdown"
    ),
    "the uplink of the device does not allow the VLAN": Break(
        "quay-a.cfg", "allowed vlan 20,99", "allowed vlan 20", "uplink", "quay-a.cfg: switchport trunk allowed vlan 20"
    ),
    "the uplink of the device is shut": Break(
        "quay-a.cfg", "interface Ethernet1\n", "interface Ethernet1\n shutdown\n", "uplink", "quay-a.cfg: shutdown"
    ),
    "the uplink of the device is an access port": Break(
        "quay-a.cfg", " switchport mode trunk\n switchport trunk allowed vlan 20,99\n", " switchport access vlan 20\n",
        "uplink", "quay-a.cfg: switchport access vlan 20",
    ),
    "the far end does not allow the VLAN": Break(
        "pier.cfg", "allowed vlan 20,99", "allowed vlan 20", "uplink", "pier.cfg: switchport trunk allowed vlan 20"
    ),
    "the far end does not define the VLAN": Break(
        "pier.cfg", "vlan 99\ninterface", "vlan 20\ninterface", "uplink",
        "pier.cfg: switchport trunk allowed vlan 20,99",
    ),
    "the far end is shut": Break(
        "pier.cfg", "interface Ethernet2\n", "interface Ethernet2\n shutdown\n", "uplink", "pier.cfg: shutdown"
    ),
    "the far end is an access port": Break(
        "pier.cfg", " switchport mode trunk\n switchport trunk allowed vlan 20,99\n",
        " switchport mode access\n switchport access vlan 20\n",
        "uplink", "pier.cfg: switchport access vlan 20",
    ),
    "the cable is another": Break(
        "fleet.yaml", "pier:Ethernet2 quay-a:Ethernet1", "core:Ethernet6 quay-a:Ethernet1", "uplink",
        "pier.cfg:interface Ethernet1",
    ),
    "the gateway is off link": Break(
        "quay-a.cfg", "gateway 10.1.99.1", "gateway 10.1.98.1", "gateway", "quay-a.cfg:ip default-gateway 10.1.98.1"
    ),
    "the gateway is nobody's": Break(
        "quay-a.cfg", "gateway 10.1.99.1", "gateway 10.1.99.2", "gateway", "quay-a.cfg:ip default-gateway 10.1.99.2"
    ),
    "the gateway is missing": Break(
        "quay-a.cfg", "ip default-gateway 10.1.99.1\n", "", "gateway", "quay-a.cfg: ip address 10.1.99.11 255.255.255.0"
    ),
    "the gateway is shut": Break("pier.cfg", "Vlan99\n", "Vlan99\n shutdown\n", "gateway", "pier.cfg: shutdown"),
    "the gateway has another address": Break(
        "pier.cfg", "10.1.99.1 255", "10.1.99.3 255", "gateway", "quay-a.cfg:ip default-gateway 10.1.99.1"
    ),
    "the controller's side has no route": Break(
        "core.cfg", "ip route 10.1.99.0 255.255.255.0 10.1.0.2\n", "", "route", "core.cfg:interface Vlan90"
    ),
    "the controller's side discards": Break(
        "core.cfg", "10.1.99.0 255.255.255.0 10.1.0.2", "10.1.99.0 255.255.255.0 Null0", "route",
        "core.cfg:ip route 10.1.99.0 255.255.255.0 Null0",
    ),
    "the controller's side cannot use its route": Break(
        "core.cfg", "10.1.99.0 255.255.255.0 10.1.0.2", "10.1.99.0 255.255.255.0 10.1.7.2", "route",
        "core.cfg:ip route 10.1.99.0 255.255.255.0 10.1.7.2",
    ),
    "the controller's side sends to nobody": Break(
        "core.cfg", "10.1.99.0 255.255.255.0 10.1.0.2", "10.1.99.0 255.255.255.0 10.1.90.99", "route",
        "core.cfg:ip route 10.1.99.0 255.255.255.0 10.1.90.99",
    ),
    "the way back has no route": Break(
        "pier.cfg", "ip route 10.1.90.0 255.255.255.0 10.1.0.1\n", "", "way-back",
        "pier.cfg:interface Vlan99", ("pier",),
    ),
    "the way back is discarded": Break(
        "pier.cfg", "10.1.90.0 255.255.255.0 10.1.0.1", "10.1.90.0 255.255.255.0 Null0", "way-back",
        "pier.cfg:ip route 10.1.90.0 255.255.255.0 Null0", ("pier",),
    ),
    "a list at the controller denies": Break(
        "core.cfg", " permit tcp host 10.1.90.5 any eq 22\n", "", "list", "core.cfg: deny ip any any", ("core", "pier")
    ),
    "a list has an earlier deny": Break(
        "core.cfg", " permit tcp host 10.1.90.5 any eq 22\n",
        " deny tcp any 10.1.99.0 0.0.0.255\n permit tcp host 10.1.90.5 any eq 22\n", "list",
        "core.cfg: deny tcp any 10.1.99.0 0.0.0.255",
    ),
    "a list at the device's router denies": Break(
        "pier.cfg", "10.1.90.5 10.1.99.0 0.0.0.255 eq 22", "10.1.90.5 10.1.99.0 0.0.0.255 eq 23", "list",
        "pier.cfg: deny ip any any",
    ),
    "a list denies by its end": Break(
        "pier.cfg", " permit tcp host 10.1.90.5 10.1.99.0 0.0.0.255 eq 22\n permit udp host 10.1.90.31 eq ntp any\n"
        " deny ip any any\n", " permit udp host 10.1.90.31 eq ntp any\n", "list",
        "pier.cfg:ip access-list extended QUAY-OUT",
    ),
    "a list on the way back denies": Break(
        "pier.cfg", " permit tcp 10.1.99.0 0.0.0.255 host 10.1.90.5 established\n", "", "list-back",
        "pier.cfg: deny ip any any",
    ),
    "the list of the terminal lines denies": Break(
        "quay-a.cfg", "MANAGERS\n permit 10.1.90.5", "MANAGERS\n permit 10.1.90.6", "guard",
        "quay-a.cfg:ip access-list standard MANAGERS",
    ),
    "the list of the control plane denies": Break(
        "quay-a.cfg", " permit tcp host 10.1.90.5 any eq 22\n", "", "guard", "quay-a.cfg: deny ip any any"
    ),
}  # fmt: skip


def loaded(changes: dict[str, str] | None = None) -> LoadedFleet:
    files = {**FLEET, **(changes or {})}
    return load_fleet_files({name: text.encode() for name, text in files.items()})


def broken(item: Break) -> LoadedFleet:
    text = FLEET[item.file]
    assert text.count(item.old) == 1, f"{text.count(item.old)} places of `{item.old}`"
    return loaded({item.file: text.replace(item.old, item.new)})


def test_the_fleet_works() -> None:
    fleet = loaded()
    report = judge_fleet(fleet.config)
    assert [answer.holds for answer in report.answers] == [True, True, True]
    for answer in report.answers:
        assert {link.state for link in answer.links} == {"holds"}
    (quay,) = [answer for answer in report.answers if answer.device == "quay-a"]
    assert [link.kind for link in quay.links] == [
        "address", "vlan", "interface", "uplink", "gateway", "route", "way-back", "list", "list-back", "guard",
    ]  # fmt: skip
    assert [(it.kind, it.need.holds) for it in quay.servers] == [("NTP", True), ("syslog", True)]
    assert [*management_findings(fleet.config, report)] == []


@pytest.mark.parametrize("name", BREAKS)
def test_the_broken_link_is_named_and_no_other(name: str) -> None:
    item = BREAKS[name]
    config = broken(item).config
    report = judge_fleet(config)
    for answer in report.answers:
        assert answer.holds is (answer.device not in ("quay-a", *item.others)), answer.device
    (quay,) = [answer for answer in report.answers if answer.device == "quay-a"]
    link = quay.broken
    assert link is not None
    shown = f"{link.span.file}:{link.span.text}" if link.span is not None else ""
    assert (link.kind, shown) == (item.kind, item.at), link.message
    assert link.help
    assert [it.state for it in quay.links] == ["holds"] * (len(quay.links) - 1) + ["broken"]
    assert quay.flow is not None
    assert session_holds(config, "quay-a") is False
    codes = [(found.code, found.device) for found in management_findings(config, report)]
    assert sorted(codes) == sorted(("PC340", device) for device in ("quay-a", *item.others))


@pytest.mark.parametrize(
    ("lines", "said"),
    [("", "it is not defined"), ("ip access-list extended SERVER-IN\n remark x\n", "it is empty")],
)
def test_a_list_without_lines_is_told_as_one_and_not_as_one_that_ends(lines: str, said: str) -> None:
    core = FLEET["core.cfg"].replace("access-group SERVERS-IN", "access-group SERVER-IN") + lines
    fleet = loaded({"core.cfg": core, "fleet.yaml": FLEET["fleet.yaml"] + "assume: {undefined_list: denies-all}\n"})
    broken = judge_management(fleet, "quay-a").broken
    assert broken is not None
    assert f"{said}, which is read as `undefined_list: denies-all`" in broken.message
    assert broken.help is not None and broken.help.startswith("define `SERVER-IN`, and permit 10.1.90.5 ")


def test_the_router_on_the_way_is_blamed_for_its_own_device_too() -> None:
    """`pier` itself has no route back; for the switch behind it that is the way back, for `pier` its gateway."""
    answer = judge_management(broken(BREAKS["the way back has no route"]), "pier")
    assert answer.broken is not None
    assert answer.broken.kind == "gateway"


@pytest.mark.parametrize(
    ("old", "new", "kind", "at"),
    [
        (
            "interface Ethernet1\n no switchport\n",
            "interface Ethernet1\n no switchport\n shutdown\n",
            "uplink",
            " shutdown",
        ),
        ("address 10.1.0.2 255", "address 10.1.0.6 255", "gateway", "ip route 10.1.90.0 255.255.255.0 10.1.0.1"),
        ("address 10.1.255.2 255", "address 10.1.255.3 255", "address", "  pier: {management: 10.1.255.2}"),
        (
            "ip access-list standard MANAGERS\n permit 10.1.90.5",
            "ip access-list standard MANAGERS\n permit 10.1.90.50",
            "guard",
            "ip access-list standard MANAGERS",
        ),
    ],
)
def test_a_routed_switch_with_its_address_on_a_loopback(old: str, new: str, kind: str, at: str) -> None:
    answer = judge_management(loaded({"pier.cfg": FLEET["pier.cfg"].replace(old, new)}), "pier", chain=True)
    link = answer.broken
    assert ("" if link is None else link.kind) == kind
    assert ("" if link is None or link.span is None else link.span.text) == at


# ---- what is uncertain, and what is not judged ---------------------------------------------------


def test_a_line_that_is_not_modelled_leaves_it_open() -> None:
    text = FLEET["core.cfg"].replace("interface Vlan90\n", "interface Vlan90\n ip policy route-map SERVERS\n")
    fleet = loaded({"core.cfg": text})
    answer = judge_management(fleet, "quay-a")
    assert answer.holds is None
    assert answer.broken is None
    assert answer.uncertain is not None
    assert answer.uncertain.span is not None
    assert answer.uncertain.span.words == "ip policy route-map SERVERS"
    findings = [*management_findings(fleet.config, judge_fleet(fleet.config))]
    assert {found.code for found in findings} == {"PC341"}


def test_a_certain_break_is_one_although_another_line_is_not_modelled() -> None:
    """The answers meet the policy; the session is denied in front of it for certain."""
    core = FLEET["core.cfg"].replace(" permit tcp host 10.1.90.5 any eq 22\n", "")
    pier = FLEET["pier.cfg"].replace("interface Vlan99\n", "interface Vlan99\n ip policy route-map QUAY\n")
    answer = judge_management(loaded({"core.cfg": core, "pier.cfg": pier}), "quay-a")
    assert answer.holds is False
    assert answer.broken is not None
    assert answer.broken.kind == "list"


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("places: {controller: 10.1.90.5}\n", "", "no place `controller`"),
        ("controller: 10.1.90.5", "controller: 192.0.2.5", "on no subnet of the fleet"),
        ("controller: 10.1.90.5", 'controller: "2001:db8::5"', "has no IPv4 address"),
    ],
)
def test_why_nothing_is_judged(old: str, new: str, why: str) -> None:
    fleet = loaded({"fleet.yaml": FLEET["fleet.yaml"].replace(old, new)})
    report = judge_fleet(fleet.config)
    assert all(answer.holds is None for answer in report.answers)
    assert report.why_not_judged is not None
    assert why in report.why_not_judged
    assert session_holds(fleet.config, "quay-a") is None
    assert [found.code for found in management_findings(fleet.config, report)] == ["PC342"]


def test_a_device_without_address_is_said_to_have_none() -> None:
    fleet = loaded({"fleet.yaml": FLEET["fleet.yaml"].replace("quay-a: {management: 10.1.99.11}", "quay-a:")})
    (answer,) = judge_fleet(fleet.config, ["quay-a"]).answers
    assert answer.why_not_judged == "`fleet.yaml` gives `quay-a` no management address"
    assert set(session_flows(fleet.config)) == {"core", "pier"}


def test_the_session_is_what_the_fleet_says() -> None:
    text = FLEET["fleet.yaml"] + "session: {port: 830, source: 10.1.90.9}\n"
    fleet = loaded({"fleet.yaml": text})
    flow = session_flow(fleet.config, "quay-a")
    assert flow is not None
    assert str(flow.destination_ports) == "830"
    assert [str(prefix) for prefix in controller_prefixes(fleet.config)] == ["10.1.90.9/32"]
    answer = judge_management(fleet, "quay-a")
    assert answer.broken is not None
    assert (answer.broken.kind, answer.broken.acl) == ("list", "SERVERS-IN")


def test_what_is_only_handed_over_has_not_come_back() -> None:
    """The reply leaves the fleet by a next hop that nobody of it has: for `flow` that is permitted."""
    config = broken(BREAKS["the gateway is nobody's"]).config
    answer = judge_management(config, "quay-a", answer=True)
    assert answer.holds is False
    assert answer.flow is not None
    assert answer.flow.verdict is Verdict.PERMITTED
    assert answer.flow.reply is not None
    assert answer.flow.reply.verdict is Verdict.PERMITTED


def test_one_block_of_terminal_lines_that_denies_is_enough() -> None:
    text = FLEET["quay-a.cfg"].replace("line vty 0 15", "line vty 0 4") + (
        "ip access-list standard NOBODY\n deny any\nline vty 5 15\n access-class NOBODY in\n"
    )
    answer = judge_management(loaded({"quay-a.cfg": text}), "quay-a")
    assert answer.holds is False
    assert answer.broken is not None
    assert (answer.broken.kind, answer.broken.acl) == ("guard", "NOBODY")


def test_the_demo() -> None:
    report = judge_fleet(load_fleet(DEMO).config)
    lost = {answer.device: answer.broken.kind for answer in report.answers if answer.broken is not None}
    assert lost == {"office-west": "gateway", "quay-c": "uplink"}
    assert all(answer.holds is not None for answer in report.answers)


# ---- management networks and IPv6 ------------------------------------------------------------------

OUT_OF_BAND = {
    "fleet.yaml": "devices: {pier: {management: 10.9.0.11}}\nplaces: {controller: 10.1.90.5}\n",
    "oob.cfg": """\
hostname oob
ip routing
interface Ethernet1
 no switchport
 ip address 10.9.0.1 255.255.255.0
interface Ethernet2
 no switchport
 ip address 10.1.90.1 255.255.255.0
""",
    "pier.cfg": """\
hostname pier
ip routing
vrf definition MGMT
interface Management1
 vrf forwarding MGMT
 ip address 10.9.0.11 255.255.255.0
interface Ethernet1
 no switchport
 ip address 10.1.0.2 255.255.255.252
ip route vrf MGMT 0.0.0.0 0.0.0.0 10.9.0.1
ntp server vrf MGMT 10.1.90.31
logging host 10.1.90.30
""",
}


def test_a_management_port_in_a_vrf_needs_its_own_default_route() -> None:
    """Common practice, no source: a route in the global table does not help it."""
    files = {name: text.encode() for name, text in OUT_OF_BAND.items()}
    answer = judge_fleet(load_fleet_files(files).config, ["pier"]).answers[0]
    assert answer.holds is True
    assert [link.state for link in answer.links if link.kind == "uplink"] == ["assumed"]
    assert [(it.kind, it.need.holds) for it in answer.servers] == [("NTP", True), ("syslog", False)]
    files["pier.cfg"] = files["pier.cfg"].replace(b"ip route vrf MGMT ", b"ip route ")
    link = judge_management(load_fleet_files(files), "pier").broken
    assert link is not None
    assert (link.kind, link.message) == (
        "gateway",
        "pier has no route to the controller (10.1.90.5) in VRF `MGMT`",
    )


def test_ipv6_takes_the_addresses_of_the_controller_that_are_ipv6() -> None:
    core = """\
hostname core
ipv6 unicast-routing
interface Ethernet1
 no switchport
 ipv6 address 2001:db8:90::1/64
interface Ethernet2
 no switchport
 ipv6 address 2001:db8:99::1/64
 ipv6 traffic-filter OUT out
ipv6 access-list OUT
 permit tcp host 2001:db8:90::5 any eq 22
"""
    quay = """\
hostname quay-a
ipv6 unicast-routing
interface Ethernet1
 no switchport
 ipv6 address 2001:db8:99::11/64
ipv6 route ::/0 2001:db8:99::1
"""
    fleet = """\
devices: {quay-a: {management: "2001:db8:99::11"}}
places: {controller: ["2001:db8:90::5", 10.1.90.5]}
links: [core:Ethernet2 quay-a:Ethernet1]
"""
    files = {"core.cfg": core.encode(), "quay-a.cfg": quay.encode(), "fleet.yaml": fleet.encode()}
    assert judge_management(load_fleet_files(files), "quay-a").holds is True
    files["core.cfg"] = files["core.cfg"].replace(b"eq 22", b"eq 443")
    link = judge_management(load_fleet_files(files), "quay-a").broken
    assert link is not None
    assert (link.kind, link.acl) == ("list", "OUT")


@pytest.mark.parametrize(
    ("lines", "holds"),
    [
        ("line vty 0 15\n transport input none\n", None),
        ("line vty 0 4\n transport input none\nline vty 5 15\n transport input ssh\n", True),
        ("line vty 0 15\n transport input ssh\n", True),
    ],
)
def test_terminal_lines_that_are_closed_take_no_session(lines: str, holds: bool | None) -> None:
    """The packets arrive; what takes the session, if anything does, is not in the text."""
    text = FLEET["quay-a.cfg"].partition("line vty")[0] + lines
    fleet = loaded({"quay-a.cfg": text})
    answer = judge_management(fleet, "quay-a")
    assert answer.holds is holds
    assert session_holds(fleet.config, "quay-a") is holds
    if holds is None:
        assert answer.uncertain is not None
        assert answer.uncertain.kind == "guard"
        assert answer.uncertain.span is not None
        assert answer.uncertain.span.words == "line vty 0 15"
    other = loaded({"quay-a.cfg": text, "fleet.yaml": FLEET["fleet.yaml"] + "session: {port: 830}\n"})
    assert judge_management(other, "quay-a").uncertain is None


def test_packets_that_can_only_get_to_somebody_else_are_lost_for_certain() -> None:
    """A policy may drop the session; if it does not, a next hop of nobody has it, and no answer of that passes."""
    core = FLEET["core.cfg"].replace("10.1.99.0 255.255.255.0 10.1.0.2", "10.1.99.0 255.255.255.0 10.1.90.99")
    core = core.replace("SERVERS-IN in\n", "SERVERS-IN in\n service-policy output SLOW\n")
    core += "policy-map SLOW\n class class-default\n  police 8000\n"
    config = loaded({"core.cfg": core}).config
    answer = judge_management(config, "quay-a", answer=True)
    assert answer.holds is False
    assert session_holds(config, "quay-a") is False
    assert answer.broken is not None
    assert answer.broken.span is not None
