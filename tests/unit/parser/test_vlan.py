from __future__ import annotations

import pytest
from reading import read

from pathcheck.model.unmodelled import DeviceScope, InterfaceScope, LayerTwoScope, Scope
from pathcheck.parser.unmodelled import vlan_numbers
from pathcheck.results.account import LineClass


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (("vlan 20", " name tickets"), {20: "tickets"}),
        (("vlan 20", " name ticket offices"), {20: "ticket offices"}),
        (("vlan 20,30-32",), {20: "", 30: "", 31: "", 32: ""}),
        (("vlan 20 name tickets",), {20: "tickets"}),
        (("vlan 20", " name a", "vlan 20", " name b"), {20: "b"}),
        (("vlan 20", "name tickets", "vlan 21", "name gates"), {20: "tickets", 21: "gates"}),
        (("vlan 20", " name a", " no name"), {20: ""}),
        (("vlan 20", "vlan 21", "no vlan 20"), {21: ""}),
    ],
)
def test_the_vlan_database(lines: tuple[str, ...], expected: dict[int, str]) -> None:
    found = read(*lines)
    assert {vlan.number: vlan.name for vlan in found.device.vlans.values()} == expected
    assert found.device.has_vlan_section
    assert found.scopes == []


def test_without_a_vlan_line_nothing_is_said_about_vlans() -> None:
    assert not read(
        "interface Vlan20", " switchport access vlan 20", "vlan internal allocation policy ascending"
    ).device.has_vlan_section


@pytest.mark.parametrize(
    ("line", "shut"), [("shutdown", True), ("no shutdown", False), ("state suspend", True), ("state active", False)]
)
def test_a_vlan_may_be_shut_down(line: str, shut: bool) -> None:
    assert read("vlan 20", f" {line}").device.vlans[20].shutdown is shut


def test_trunk_groups_limit_a_vlan() -> None:
    device = read("vlan 20", " trunk group PEER", " trunk group CORE", " no trunk group PEER").device
    assert device.vlans[20].trunk_groups == ("CORE",)


@pytest.mark.parametrize(
    "line", ["vlan 4095", "vlan 0", "vlan", "vlan 20-10", "vlan tickets", "vlan 20,,30", "vlan 10,X"]
)
def test_a_wrong_vlan_touches_layer_2(line: str) -> None:
    found = read(line, " name tickets", "ip routing")
    assert found.classes[1] is LineClass.WRONG
    assert found.scopes == [LayerTwoScope()]
    assert found.device.routing is True


@pytest.mark.parametrize(
    ("lines", "scopes"),
    [
        (("vlan 20", " private-vlan isolated"), [LayerTwoScope(20)]),
        (("vlan 20", " vn-segment 10020"), [LayerTwoScope(20)]),
        (("vlan 20-21", " frobnicate"), [LayerTwoScope(20), LayerTwoScope(21)]),
        (("vlan 20", " apply access-list ip A in"), [LayerTwoScope(20), InterfaceScope("Vlan20", may_only_drop=True)]),
        (("vtp mode client",), [LayerTwoScope()]),
        (("vtp mode server",), [LayerTwoScope()]),
        (("vtp mode transparent", "vtp domain ferry"), []),
        (("vlan filter M vlan-list 20",), [InterfaceScope("Vlan20", may_only_drop=True), LayerTwoScope(20)]),
        (("vlan filter M vlan-list 1-4094",), [DeviceScope()]),
        (("vlan access-map M 10", " match ip address A", " action drop"), []),
        (("vlan access-map M 10", " action redirect Ethernet1"), [DeviceScope()]),
    ],
)
def test_what_other_lines_about_vlans_can_touch(lines: tuple[str, ...], scopes: list[Scope]) -> None:
    assert read(*lines).scopes == scopes


@pytest.mark.parametrize(
    ("text", "expected"),
    [("20", "20"), ("10,20,30-39", "10,20,30-39"), ("1-4094", "1-4094"), ("30,10-12,13", "10-13,30")],
)
def test_lists_of_vlans(text: str, expected: str) -> None:
    assert str(vlan_numbers(text)) == expected
