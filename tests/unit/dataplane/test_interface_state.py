"""Up and down: common practice, no source."""

from __future__ import annotations

from dataclasses import replace

import pytest
from model_builders import device, interface, span, vlan

from pathcheck.dataplane.interface_state import InterfaceState, interface_state
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.model.interface import Interface, SwitchPort
from pathcheck.model.unmodelled import InterfaceScope, LayerTwoScope, Unmodelled
from pathcheck.packet.ranges import Ranges


def state(one: Device, name: str) -> InterfaceState:
    return interface_state(one, one.interfaces[name])


def access(name: str, number: int | None, **more: object) -> Interface:
    return interface(name, switch_port=SwitchPort("access", access_vlan=number), **more)


def trunk(name: str, allowed: str | None = None, **more: object) -> Interface:
    spans = None
    if allowed is not None:
        spans = Ranges.of(
            *((int(low), int(high or low)) for low, _, high in (p.partition("-") for p in allowed.split(",")))
        )
    return interface(name, switch_port=SwitchPort("trunk", allowed=spans), **more)


@pytest.mark.parametrize(
    ("name", "more", "up"),
    [
        ("Ethernet1", {}, True),
        ("Ethernet1", {"shutdown": True}, False),
        ("Loopback0", {}, True),
        ("Loopback0", {"shutdown": True}, False),
        ("Management1", {}, True),
        ("Null0", {}, True),
    ],
)
def test_alone(name: str, more: dict[str, bool], up: bool) -> None:
    found = state(device("quay-a", interface(name, "10.1.20.1/24", **more)), name)
    assert (found.up, found.doubts, found.readings) == (up, (), ())


def test_the_shutdown_line_is_named() -> None:
    line = span(" shutdown", 7)
    found = state(device("quay-a", interface("Ethernet1", shutdown=True, shutdown_span=line)), "Ethernet1")
    assert (found.up, found.why, found.span) == (False, "shut down", line)


def test_a_tunnel_is_never_certain() -> None:
    found = state(device("quay-a", interface("Tunnel1", "10.1.20.1/24")), "Tunnel1")
    assert found.up
    assert found.doubts


@pytest.mark.parametrize(
    ("port", "number", "up"),
    [
        (access("Ethernet1", 20), 20, True),
        (access("Ethernet1", 20, shutdown=True), 20, False),
        (access("Ethernet1", 30), 20, False),
        (access("Ethernet1", None), 1, True),
        (interface("Ethernet1", switch_port=SwitchPort("access", access_vlan=30, voice_vlan=20)), 20, True),
        (interface("Ethernet1", switch_port=SwitchPort(access_vlan=20)), 20, True),
        (interface("Ethernet1", switch_port=SwitchPort(access_vlan=30)), 20, False),
        (trunk("Ethernet1"), 20, True),
        (trunk("Ethernet1", "10,20"), 20, True),
        (trunk("Ethernet1", "10,21-29"), 20, False),
        # An access VLAN on a trunk has no effect, nor has an allowed list on an access port.
        (interface("Ethernet1", switch_port=SwitchPort("trunk", access_vlan=20, allowed=Ranges.single(10))), 20, False),
        (
            interface("Ethernet1", switch_port=SwitchPort("access", access_vlan=10, allowed=Ranges.single(20))),
            20,
            False,
        ),
        (interface("Ethernet1", switch_port=SwitchPort("dynamic", access_vlan=20)), 20, True),
        (interface("Ethernet1", "10.1.9.1/24", routed=True), 20, False),
    ],
)
def test_an_svi_needs_a_port_in_its_vlan(port: Interface, number: int, up: bool) -> None:
    one = device("quay-a", interface(f"Vlan{number}", "10.1.20.1/24"), port, vlan(10), vlan(20), vlan(30))
    found = state(one, f"Vlan{number}")
    assert found.up is up
    assert found.doubts == ()
    assert [reading.key for reading in found.readings] == ([] if up else ["svi_without_port"])


@pytest.mark.parametrize(
    ("port", "number"),
    [
        (interface("Ethernet1", switch_port=SwitchPort("dynamic")), 20),
        (interface("Ethernet1", switch_port=SwitchPort("dynamic", access_vlan=20, allowed=Ranges.single(10))), 20),
        (interface("Ethernet1", switch_port=SwitchPort(native=99)), 20),
        (interface("Ethernet1"), 1),
    ],
)
def test_what_a_port_becomes_can_be_open(port: Interface, number: int) -> None:
    found = state(device("quay-a", interface(f"Vlan{number}", "10.1.20.1/24"), port), f"Vlan{number}")
    assert not found.up
    assert [doubt.span for doubt in found.doubts] == [port.span]


def test_an_svi_can_be_assumed_up_and_the_answer_says_so() -> None:
    one = device("quay-a", interface("Vlan20", "10.1.20.1/24"), assume=Assumptions(svi_without_port="up"))
    found = state(one, "Vlan20")
    assert found.up
    assert [(reading.key, reading.value) for reading in found.readings] == [("svi_without_port", "up")]
    assert "no switch port" in found.readings[0].about


@pytest.mark.parametrize("assumed", ["down", "up"])
def test_a_vlan_that_is_not_there_takes_its_svi_down(assumed: str) -> None:
    assume = Assumptions(svi_without_port=assumed)  # type: ignore[arg-type]
    svi, port = interface("Vlan20", "10.1.20.1/24"), trunk("Ethernet1")
    assert not state(device("quay-a", svi, port, vlan(10), assume=assume), "Vlan20").up
    assert not state(device("quay-a", svi, port, vlan(20, shutdown=True), assume=assume), "Vlan20").up
    # Without a VLAN section "not defined" says nothing; VLAN 1 is always there.
    assert state(device("quay-a", svi, port, assume=assume), "Vlan20").up
    assert state(device("quay-a", interface("Vlan1", "10.1.1.1/24"), port, vlan(10), assume=assume), "Vlan1").up


def test_a_trunk_group_leaves_open_which_trunks_carry_a_vlan() -> None:
    one = device("quay-a", interface("Vlan20", "10.1.20.1/24"), trunk("Ethernet1"), vlan(20, trunk_groups=("PEER",)))
    found = state(one, "Vlan20")
    assert (found.up, [doubt.span for doubt in found.doubts]) == (False, [one.vlans[20].span])


@pytest.mark.parametrize(("touched", "doubted"), [(None, True), (20, True), (30, False)])
def test_unmodelled_layer_two_leaves_a_missing_vlan_open(touched: int | None, doubted: bool) -> None:
    overlay = Unmodelled("an overlay", LayerTwoScope(touched), span=span("vxlan vlan 20"))
    one = device("quay-a", interface("Vlan20", "10.1.20.1/24"), vlan(10), unmodelled=(overlay,))
    assert bool(state(one, "Vlan20").doubts) is doubted
    # A port that carries the VLAN settles it.
    port = device("quay-a", interface("Vlan20", "10.1.20.1/24"), trunk("Ethernet1"), vlan(20), unmodelled=(overlay,))
    assert state(port, "Vlan20").up
    assert state(port, "Vlan20").doubts == ()


def test_a_port_channel_needs_a_member_that_is_up() -> None:
    members = [interface("Ethernet1", channel_group=3, shutdown=True), interface("Ethernet2", channel_group=3)]
    channel = trunk("Port-channel3", "20")
    svi = interface("Vlan20", "10.1.20.1/24")
    up = device("quay-a", svi, channel, *members)
    assert state(up, "Port-channel3").up
    assert state(up, "Vlan20").up
    assert state(up, "Ethernet2").member_of == "Port-channel3"
    down = device("quay-a", svi, channel, members[0])
    assert state(down, "Port-channel3").span == members[0].span
    assert not state(down, "Port-channel3").up
    assert not state(down, "Vlan20").up
    assert not state(device("quay-a", channel), "Port-channel3").up


def test_a_member_port_carries_no_vlan_of_its_own() -> None:
    member = interface("Ethernet1", channel_group=3, switch_port=SwitchPort("access", access_vlan=20))
    one = device("quay-a", interface("Vlan20", "10.1.20.1/24"), member, trunk("Port-channel3", "30"))
    assert not state(one, "Vlan20").up


@pytest.mark.parametrize(
    ("parent", "up"),
    [
        (interface("Ethernet1"), True),
        (interface("Ethernet1", shutdown=True), False),
        (interface("Ethernet1", channel_group=3), False),
        (interface("Ethernet2"), True),
    ],
)
def test_a_subinterface_follows_its_parent(parent: Interface, up: bool) -> None:
    one = device("quay-a", interface("Ethernet1.20", "10.1.20.1/24", vlan=20), parent)
    assert state(one, "Ethernet1.20").up is up


def unread(port: str, *, may_only_drop: bool = False, one_way: bool = False) -> Unmodelled:
    scope = InterfaceScope(port, ("in",) if one_way else ("in", "out"), may_only_drop)
    return Unmodelled("line that could not be read", scope, span=span("shutdwn"))


def test_a_line_that_could_not_be_read_leaves_open_what_stands_on_the_port() -> None:
    lines = (unread("Ethernet1"), unread("Ethernet2", may_only_drop=True), unread("Ethernet2", one_way=True))
    ports = [interface(f"Ethernet{n}", switch_port=SwitchPort("access", access_vlan=20)) for n in (1, 2)]
    svi = interface("Vlan20", "10.1.20.1/24")
    alone = device("quay-a", svi, vlan(20), ports[0], unmodelled=lines)
    assert state(alone, "Vlan20").up
    assert [doubt.span for doubt in state(alone, "Vlan20").doubts] == [lines[0].span]
    assert not state(device("quay-a", svi, vlan(20), *ports, unmodelled=lines), "Vlan20").doubts

    below = interface("Ethernet1.20", "10.1.20.1/24", vlan=20)
    assert state(device("quay-a", interface("Ethernet1"), below, unmodelled=lines), "Ethernet1.20").doubts

    channel = interface("Port-channel3", "10.0.0.1/30")
    members = [interface(f"Ethernet{n}", channel_group=3) for n in (1, 2)]
    assert state(device("quay-a", channel, members[0], unmodelled=lines), "Port-channel3").doubts
    assert not state(device("quay-a", channel, *members, unmodelled=lines), "Port-channel3").doubts


def test_a_channel_without_a_number_has_no_members_and_is_up() -> None:
    found = state(device("quay-a", interface("Bundle", kind="port-channel")), "Bundle")
    assert (found.up, found.why, found.doubts) == (True, "not shut down", ())


def test_an_svi_that_names_no_vlan_is_up_in_doubt() -> None:
    bridge = replace(interface("Vlan20", "10.1.20.1/24"), name="Bridge-aggregation", vlan=None)
    found = state(device("quay-a", bridge), "Bridge-aggregation")
    assert found.up
    assert [doubt.why for doubt in found.doubts] == ["which ports an interface of this kind stands on is not modelled"]


@pytest.mark.parametrize(
    ("setting", "vlans", "up", "doubtful"),
    [
        # A port whose mode is open is one or the other: it carries the VLAN if both do, and not if neither does.
        (SwitchPort(None, access_vlan=20), (20,), True, False),
        (SwitchPort(None, access_vlan=30), (20,), False, False),
        (SwitchPort(None, access_vlan=30, allowed=Ranges.single(30)), (20,), False, False),
        (SwitchPort(None, access_vlan=30, allowed=Ranges.single(20)), (20,), True, True),
        (SwitchPort(None, access_vlan=20, allowed=Ranges.single(30)), (20,), True, True),
        (SwitchPort(None, access_vlan=20, allowed=Ranges.single(20)), (20,), True, False),
        (SwitchPort("access", access_vlan=30, allowed=Ranges.single(20)), (20,), False, False),
        (SwitchPort("access", access_vlan=30, voice_vlan=20), (20,), True, False),
        (SwitchPort("trunk", access_vlan=20, allowed=Ranges.single(30)), (20,), False, False),
        (SwitchPort("trunk"), (20,), True, False),
    ],
)
def test_which_ports_carry_the_vlan_of_an_svi(
    setting: SwitchPort, vlans: tuple[int, ...], up: bool, doubtful: bool
) -> None:
    port = interface("Ethernet1", switch_port=setting)
    found = state(
        device("quay-a", interface("Vlan20", "10.1.20.1/24"), port, *(vlan(number) for number in vlans)), "Vlan20"
    )
    assert (found.up or bool(found.doubts), bool(found.doubts)) == (up, doubtful)
