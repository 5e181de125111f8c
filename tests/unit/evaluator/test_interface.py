"""What the evaluator and the engine take for up and for carried, one trap each; common practice, no source."""

from __future__ import annotations

import pytest
from model_builders import bound, device, fleet, interface, span, vlan

from pathcheck.dataplane.interface_state import interface_state
from pathcheck.evaluator.access_list import MAYBE, NO, YES
from pathcheck.evaluator.interface import cable_reach, carried, channel_of, is_up
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.interface import SwitchPort
from pathcheck.model.unmodelled import DeviceScope, InterfaceScope, LayerTwoScope, Unmodelled
from pathcheck.network.layer2 import LayerTwo
from pathcheck.network.topology import Topology
from pathcheck.packet.ranges import Ranges

TRUNK = SwitchPort("trunk")
CABLE = ("quay:Ethernet9 core:Ethernet9",)


def access(number):
    return SwitchPort("access", access_vlan=number)


def unmodelled(*scopes):
    return tuple(Unmodelled("something", scope, span=span("something")) for scope in scopes)


def up(box, name):
    """Return the evaluator's answer; the engine must say the same."""
    found = is_up(box, box.interfaces[name])[0]
    state = interface_state(box, box.interfaces[name])
    assert (MAYBE if state.doubts else YES if state.up and state.member_of is None else NO) == found
    return found


def carriage(config, start, goal):
    """Return the evaluator's answer; the engine must say the same."""
    found = carried(config, start, goal)
    other = LayerTwo(Topology(config)).between(LinkEnd(*start), LinkEnd(*goal))
    assert (MAYBE if other.doubts else YES if other.carried else NO) == found.answer[0]
    assert bool(other.assumed) == (found.answer[1] == "assumed")
    assert [(each.device, each.port, each.direction) for each in other.passages] == list(found.lists)
    assert bool(other.drop_doubts) == bool(found.maybe_lists)
    return found


def reach(config, start):
    """Return the evaluator's answer; each pair of them the engine joins or leaves open."""
    found = cable_reach(config, start)
    engine = LayerTwo(Topology(config))
    for end in found:
        if end != start:
            other = engine.between(LinkEnd(*start), LinkEnd(*end))
            assert other.carried or other.doubts
    return found


def test_a_member_of_a_channel_that_is_not_there_stands_for_itself():
    box = device("quay", interface("Ethernet1", channel_group=1), interface("Ethernet2", channel_group=2),
                 interface("Port-channel2"), interface("Port-channel20"))  # fmt: skip
    assert channel_of(box, box.interfaces["Ethernet1"]).name == "Ethernet1"
    assert channel_of(box, box.interfaces["Ethernet2"]).name == "Port-channel2"
    # Its number is nothing that a name without digits, or another kind of interface, could have.
    box = device("quay", interface("Ethernet2", channel_group=2), interface("Ethernet12"), interface("Port-channel12"))
    assert channel_of(box, box.interfaces["Ethernet2"]).name == "Ethernet2"


def test_a_port_channel_is_up_by_one_member():
    channel = interface("Port-channel1", "10.0.0.1/30")
    members = interface("Ethernet1", channel_group=1, shutdown=True), interface("Ethernet2", channel_group=1)
    assert up(device("quay", channel, *members), "Port-channel1") == YES
    assert up(device("quay", channel, members[0]), "Port-channel1") == NO
    assert up(device("quay", channel), "Port-channel1") == NO
    unread = unmodelled(InterfaceScope("Ethernet2", ("in", "out")))
    assert up(device("quay", channel, *members, unmodelled=unread), "Port-channel1") == MAYBE
    assert up(device("quay", *members), "Ethernet2") == NO


def test_a_subinterface_is_as_its_parent_is():
    below = interface("Ethernet1.20", "10.1.20.1/24", vlan=20)
    assert up(device("quay", interface("Ethernet1"), below), "Ethernet1.20") == YES
    assert up(device("quay", interface("Ethernet1", shutdown=True), below), "Ethernet1.20") == NO
    assert up(device("quay", below), "Ethernet1.20") == YES
    unread = unmodelled(InterfaceScope("Ethernet1", ("in", "out")))
    assert up(device("quay", interface("Ethernet1"), below, unmodelled=unread), "Ethernet1.20") == MAYBE
    other = unmodelled(InterfaceScope("Ethernet1", ("in",)), InterfaceScope("Ethernet2", ("in", "out")))
    assert up(device("quay", interface("Ethernet1"), below, unmodelled=other), "Ethernet1.20") == YES


def test_a_tunnel_may_be_up():
    assert is_up(device("quay"), interface("Tunnel1", "10.0.0.1/30")) == (
        MAYBE,
        "whether a tunnel is up depends on its far end",
    )


@pytest.mark.parametrize(("name", "number"), [("Vlan20", None), ("Vlan 20", None), ("BVI20", 20)])
def test_the_vlan_of_an_svi_is_in_its_name_unless_it_is_given(name, number):
    box = device("quay", interface(name, kind="svi", vlan=number), interface("Ethernet1", switch_port=access(20)))
    assert up(box, name) == YES
    assert up(device("quay", interface(name, kind="svi", vlan=number), vlan(20)), name) == NO


def test_an_svi_of_a_kind_that_names_no_vlan_may_be_up():
    box = device("quay", interface("BVI20", kind="svi", vlan=None), interface("Ethernet1", switch_port=access(20)))
    assert is_up(box, box.interfaces["BVI20"]) == (
        MAYBE,
        "what an interface of this kind stands on is not modelled",
    )


PLAIN, BLANK = interface("Ethernet1", switch_port=access(20)), interface("Ethernet1")


@pytest.mark.parametrize(
    ("port", "number", "expected"),
    [
        (PLAIN, 20, YES),
        (PLAIN, 30, NO),
        (interface("Ethernet1", switch_port=SwitchPort("access")), 1, YES),
        (interface("Ethernet1", switch_port=SwitchPort("access", access_vlan=20)), 1, NO),
        (interface("Ethernet1", switch_port=SwitchPort("access", access_vlan=20, voice_vlan=30)), 30, YES),
        (interface("Ethernet1", switch_port=SwitchPort("access", access_vlan=20, voice_vlan=30)), 31, NO),
        (interface("Ethernet1", switch_port=TRUNK), 30, YES),
        (interface("Ethernet1", switch_port=SwitchPort("trunk", allowed=Ranges.of((20, 29)))), 30, NO),
        (interface("Ethernet1", switch_port=SwitchPort("trunk", allowed=Ranges.of((20, 30)))), 30, YES),
        # A mode that is open: where both modes carry the VLAN it does not matter.
        (interface("Ethernet1", switch_port=SwitchPort("dynamic")), 20, MAYBE),
        (interface("Ethernet1", switch_port=SwitchPort("dynamic")), 1, YES),
        (interface("Ethernet1", switch_port=SwitchPort(None, access_vlan=20)), 20, YES),
        (interface("Ethernet1", switch_port=SwitchPort(None, access_vlan=20)), 30, NO),
        (interface("Ethernet1", switch_port=SwitchPort(None, access_vlan=20, native=7)), 30, MAYBE),
        (interface("Ethernet1", switch_port=SwitchPort(None, allowed=Ranges.single(30))), 30, MAYBE),
        # What the text says nothing about may be a port of VLAN 1.
        (BLANK, 1, MAYBE),
        (BLANK, 20, NO),
        (interface("Ethernet1", routed=True), 1, NO),
        (interface("Ethernet1", "10.1.20.9/24"), 1, NO),
        (interface("Ethernet1", vrf="BLUE"), 1, NO),
        (interface("Ethernet1", ipv6_enabled=True), 1, NO),
        (interface("Ethernet1", borrowed="Loopback0"), 1, NO),
        (interface("Ethernet1", unknown_address=span("ip address dhcp")), 1, NO),
        (interface("Port-channel1"), 1, NO),
        (interface("Ethernet1", switch_port=access(20), shutdown=True), 20, NO),
        (interface("Loopback1", switch_port=access(20)), 20, NO),
        (interface("Ethernet1", switch_port=access(20), routed=True), 20, NO),
    ],
)
def test_an_svi_is_up_by_a_port_that_carries_its_vlan(port, number, expected):
    svi = interface(f"Vlan{number}", "10.1.20.1/24")
    defined = (vlan(number),)
    assert up(device("quay", svi, port, *defined), svi.name) == expected
    reading = device("quay", svi, port, *defined).assume
    assert reading.svi_without_port == "down"


def test_a_port_with_a_subinterface_is_no_switch_port():
    below = interface("Ethernet1.7", "10.0.7.1/24", vlan=7)
    box = device("quay", interface("Vlan1", "10.1.20.1/24"), BLANK, below, vlan(1))
    assert up(box, "Vlan1") == NO


@pytest.mark.parametrize(
    ("vlans", "hidden", "expected"),
    [
        ((vlan(20),), (), YES),
        ((vlan(20, shutdown=True),), (), NO),
        ((vlan(30),), (), NO),
        ((), (), YES),
        ((vlan(30),), (LayerTwoScope(),), MAYBE),
        ((vlan(30),), (LayerTwoScope(20),), MAYBE),
        ((vlan(30),), (LayerTwoScope(21),), NO),
        ((vlan(20, shutdown=True),), (LayerTwoScope(),), NO),
        ((vlan(20, trunk_groups=("ferry",)),), (), YES),
    ],
)
def test_an_svi_needs_its_vlan(vlans, hidden, expected):
    box = device("quay", interface("Vlan20", "10.1.20.1/24"), PLAIN, *vlans, unmodelled=unmodelled(*hidden))
    assert up(box, "Vlan20") == expected


def test_an_access_port_carries_a_vlan_with_a_trunk_group_whatever_names_its_mode():
    for setting in (access(20), SwitchPort(None, access_vlan=20), SwitchPort(None, access_vlan=30)):
        port_ = interface("Ethernet1", switch_port=setting)
        box = device("quay", interface("Vlan20", "10.1.20.1/24"), port_, vlan(20, trunk_groups=("ferry",)))
        assert up(box, "Vlan20") == (YES if setting.access_vlan == 20 else NO)


def test_a_trunk_carries_a_vlan_with_a_trunk_group_only_perhaps():
    trunk = interface("Ethernet1", switch_port=TRUNK)
    box = device("quay", interface("Vlan20", "10.1.20.1/24"), trunk, vlan(20, trunk_groups=("ferry",)))
    assert up(box, "Vlan20") == MAYBE


def test_a_hidden_line_lets_an_svi_without_a_port_perhaps_be_up():
    box = device("quay", interface("Vlan20", "10.1.20.1/24"), vlan(20), unmodelled=unmodelled(LayerTwoScope(20)))
    assert up(box, "Vlan20") == MAYBE
    unread = unmodelled(InterfaceScope("Ethernet1", ("in", "out")))
    box = device("quay", interface("Vlan20", "10.1.20.1/24"), PLAIN, vlan(20), unmodelled=unread)
    assert up(box, "Vlan20") == MAYBE


# Cables


def pair(left, right, *, here=(), there=(), links=CABLE, number=20, ends=("Vlan20", "Vlan20")):
    """Carriage between SVIs of two switches with one port each on a cable."""
    quay = device("quay", interface("Vlan20", "10.0.0.1/24"), *left, vlan(number), *here)
    core = device("core", interface("Vlan20", "10.0.0.2/24"), *right, vlan(number), *there)
    return carriage(fleet(quay, core, links=links), ("quay", ends[0]), ("core", ends[1]))


def port(name="Ethernet9", setting=TRUNK, **more):
    return interface(name, switch_port=setting, **more)


def test_a_port_that_the_text_does_not_name_may_act_as_anything():
    assert pair([port()], []).answer[0] == MAYBE
    # On a device without VLANs it is a routed port, which takes no frames of an SVI.
    core = device("core", interface("Ethernet1", "10.0.0.2/24"))
    quay = device("quay", interface("Vlan20", "10.0.0.1/24"), port(), vlan(20))
    config = fleet(quay, core, links=("quay:Ethernet9 core:Ethernet7",))
    assert carriage(config, ("quay", "Vlan20"), ("core", "Ethernet1")).answer == (
        NO,
        "no VLAN leads from quay:Vlan20 to core:Ethernet1",
    )


@pytest.mark.parametrize(
    "says",
    [
        {"routed": True}, {"borrowed": "Loopback0"}, {"unknown_address": span("ip address dhcp")}, {"vrf": "BLUE"},
        {"ipv6_enabled": True}, {"kind": "management"}, {},
    ],
)  # fmt: skip
def test_a_port_whose_text_says_anything_of_routing_switches_nothing(says):
    expected = NO if says else MAYBE
    assert pair([interface("Ethernet9", **says)], [port()]).answer[0] == expected
    assert pair([port()], [interface("Ethernet9", **says)]).answer[0] == expected
    if not says:
        below = interface("Ethernet9.7", "10.7.0.1/24", vlan=7)
        assert pair([interface("Ethernet9"), below], [port()]).answer[0] == NO
        assert pair([interface("Ethernet9", "10.7.0.1/24")], [port()]).answer[0] == NO


def test_a_cable_to_a_device_that_was_not_read_hides_no_other():
    links = ("quay:Ethernet8 lost:Ethernet1", *CABLE)
    assert pair([port()], [port()], links=links).answer[0] == YES
    links = ("quay:Ethernet8 core:Ethernet8", *CABLE)
    down = port("Ethernet8", shutdown=True)
    assert pair([down, port()], [port("Ethernet8"), port()], links=links).answer[0] == YES
    assert pair([port("Ethernet8"), port()], [down, port()], links=links).answer[0] == YES
    assert pair([down], [port("Ethernet8")], links=links[:1]).answer[0] == NO
    channel = interface("Port-channel1", switch_port=TRUNK, shutdown=True)
    member = interface("Ethernet9", channel_group=1)
    assert pair([channel, member], [port()]).answer[0] == NO


def test_where_an_interface_is_may_not_be_in_the_text():
    nameless = interface("BVI20", "10.0.0.1/24", kind="svi", vlan=None)
    answer = pair([nameless, port()], [port()], ends=("BVI20", "Vlan20")).answer
    assert answer == (MAYBE, "the text does not tell which VLAN an interface is in")
    below = interface("Ethernet9.20", "10.0.0.1/24")
    answer = pair([interface("Ethernet9"), below], [port()], ends=("Ethernet9.20", "Vlan20")).answer
    assert answer == (MAYBE, "the text does not tell which VLAN an interface is in")
    config = fleet(device("quay", interface("Ethernet9"), below), device("core", port()), links=CABLE)
    assert reach(config, ("quay", "Ethernet9.20")) == []


@pytest.mark.parametrize(
    ("below", "expected"),
    [
        ({"vlan": 20}, YES),
        ({"vlan": 30}, NO),
        ({"vlan": 20, "shutdown": True}, NO),
        ({"vlan": 1, "untagged": True}, NO),
    ],
)
def test_subinterfaces_take_the_frames_with_their_tag(below, expected):
    quay = device("quay", interface("Ethernet8"), interface("Ethernet9"),
                  interface("Ethernet9.20", "10.0.0.1/24", **below))  # fmt: skip
    core = device("core", interface("Vlan20", "10.0.0.2/24"), port(), vlan(20))
    config = fleet(quay, core, links=CABLE)
    ends = ("quay", "Ethernet9.20"), ("core", "Vlan20")
    assert carriage(config, *ends).answer[0] == carriage(config, *reversed(ends)).answer[0] == expected
    assert (("core", "Vlan20") in reach(config, ends[0])) == (expected == YES)
    # A cable in another port of the same device does not carry them.
    elsewhere = fleet(quay, core, links=("quay:Ethernet8 core:Ethernet9",))
    assert carriage(elsewhere, *ends).answer[0] == NO


def test_untagged_frames_of_a_subinterface_are_of_the_native_vlan():
    below = interface("Ethernet9.20", "10.0.0.1/24", vlan=20, untagged=True)
    quay = device("quay", interface("Ethernet9"), below)
    for native, expected in ((20, YES), (None, NO)):
        core = device("core", interface("Vlan20", "10.0.0.2/24"), port(setting=SwitchPort("trunk", native=native)),
                      vlan(20))  # fmt: skip
        config = fleet(quay, core, links=CABLE)
        assert carriage(config, ("quay", "Ethernet9.20"), ("core", "Vlan20")).answer[0] == expected


@pytest.mark.parametrize(
    ("left", "right", "expected"),
    [
        # An open port may stay an access port, here of VLAN 1.
        (TRUNK, SwitchPort("dynamic"), MAYBE),
        # Two open ports: none asks, or one does.
        (SwitchPort(None), SwitchPort(None, access_vlan=20), NO),
        (SwitchPort("dynamic"), SwitchPort(None), MAYBE),
        (SwitchPort("dynamic"), access(20), NO),
        (SwitchPort("dynamic", access_vlan=20), access(20), YES),
        (SwitchPort(None), TRUNK, MAYBE),
        # A line that only a trunk needs asks for one, whichever it is.
        (SwitchPort(None, allowed=Ranges.single(20)), SwitchPort(None), MAYBE),
        (SwitchPort(None, native=7), SwitchPort(None, access_vlan=20), MAYBE),
        (SwitchPort(None, native=7, access_vlan=20), SwitchPort("access", access_vlan=20), YES),
    ],
)
def test_open_modes_settle_as_the_two_ends_ask(left, right, expected):
    assert pair([port(setting=left)], [port(setting=right)]).answer[0] == expected
    assert pair([port(setting=right)], [port(setting=left)]).answer[0] == expected


def test_a_vlan_that_is_not_carried_by_the_text_needs_a_hidden_line_on_each_side_that_keeps_it_off():
    def found(here, there, left=None, right=None):
        ports = (port(setting=left or SwitchPort("trunk", allowed=Ranges.single(7))),
                 port(setting=right or SwitchPort("trunk", allowed=Ranges.single(7))))  # fmt: skip
        quay = device("quay", interface("Vlan20", "10.0.0.1/24"), ports[0], vlan(20), unmodelled=unmodelled(*here))
        core = device("core", interface("Vlan20", "10.0.0.2/24"), ports[1], vlan(20), unmodelled=unmodelled(*there))
        return carriage(fleet(quay, core, links=CABLE), ("quay", "Vlan20"), ("core", "Vlan20")).answer[0]

    hides, other = (LayerTwoScope(20),), (LayerTwoScope(21),)
    assert found((), ()) == NO
    assert found(hides, hides) == MAYBE
    assert found(hides, other) == found(other, hides) == found(other, other) == NO
    # Where one end lets it on, the line of the other is enough.
    assert found((), hides, left=TRUNK) == found(hides, (), right=TRUNK) == MAYBE
    assert found(hides, (), left=TRUNK) == found((), hides, right=TRUNK) == NO
    # Both let it on and do not fit each other: one of the two.
    fits = {"left": access(20), "right": SwitchPort("trunk", allowed=Ranges.single(20))}
    assert found((), (), **fits) == NO
    assert found(hides, (), **fits) == found((), hides, **fits) == MAYBE
    # A line of unknown reach touches all that the device carries, and a routed port carries no VLAN whatever it says.
    assert found((DeviceScope(),), (DeviceScope(),)) == MAYBE
    quay = device("quay", interface("Vlan20", "10.0.0.1/24"), interface("Ethernet9", routed=True), vlan(20),
                  unmodelled=unmodelled(*hides))  # fmt: skip
    core = device("core", interface("Vlan20", "10.0.0.2/24"), port(), vlan(20), unmodelled=unmodelled(*hides))
    middle = fleet(quay, core, links=CABLE)
    assert ("core", "Vlan20") not in reach(middle, ("quay", "Vlan20"))
    assert ("quay", "Vlan20") not in reach(middle, ("core", "Vlan20"))


def test_frames_may_get_where_that_is_not_certain():
    quay = device("quay", interface("Vlan20", "10.0.0.1/24"), port(setting=SwitchPort(None)), vlan(20))
    core = device("core", interface("Vlan20", "10.0.0.2/24"), interface("Ethernet3", "10.0.3.1/24"), port(), vlan(20))
    config = fleet(quay, core, links=CABLE)
    assert carriage(config, ("quay", "Vlan20"), ("core", "Vlan20")).answer[0] == MAYBE
    assert reach(config, ("quay", "Vlan20")) == [("core", "Vlan20"), ("quay", "Vlan20")]


def test_a_management_port_is_cabled_only_by_a_link_of_its_own():
    quay = device("quay", interface("Management1", "10.0.0.1/24"), port(), vlan(20))
    core = device("core", interface("Vlan20", "10.0.0.2/24"), port(), vlan(20))
    ends = ("quay", "Management1"), ("core", "Vlan20")
    assert carriage(fleet(quay, core, links=CABLE), *ends).answer == (YES, "assumed")
    assert carriage(fleet(quay, core, links=CABLE), *reversed(ends)).answer == (YES, "assumed")
    own = (*CABLE, "quay:Management1 core:Ethernet8")
    assert carriage(fleet(quay, core, links=own), *ends).answer[0] == NO
    assert carriage(fleet(quay, core), *ends).answer == (YES, "assumed")


def test_lists_on_ports_of_the_only_way_are_met_and_those_of_several_ways_may_be():
    listed = (bound("A", "in", port=True), bound("B", "out", port=True), bound("C", "in"))
    left = [port(), port("Ethernet8")]
    right = [port(lists=listed), port("Ethernet8")]
    only = pair(left, right)
    assert (only.lists, only.maybe_lists) == ((("core", "Ethernet9", "in"),), ())
    for bindings in ((bound("B", "out", port=True),), (bound("C", "in"),), ()):
        assert pair(left, [port(lists=bindings), port("Ethernet8")]).lists == ()
    both = pair(left, right, links=(*CABLE, "quay:Ethernet8 core:Ethernet8"))
    assert both.lists == ()
    assert both.maybe_lists == (("core", "Ethernet9", "in"), ("core", "Ethernet9", "out"))
    assert both.answer[0] == YES


@pytest.mark.parametrize("numbers", [(20,), (30,), (20, 30)])
def test_a_switch_between_carries_a_vlan_only_if_it_has_it(numbers):
    ends = [
        device(name, interface("Vlan20", f"10.0.0.{host}/24"), port(), vlan(20))
        for name, host in (("quay", 1), ("core", 2))
    ]
    between = device("pier", port("Ethernet1"), port("Ethernet2"), *(vlan(number) for number in numbers))
    config = fleet(*ends, between, links=("quay:Ethernet9 pier:Ethernet1", "core:Ethernet9 pier:Ethernet2"))
    found = carriage(config, ("quay", "Vlan20"), ("core", "Vlan20"))
    assert found.answer[0] == (YES if 20 in numbers else NO)
