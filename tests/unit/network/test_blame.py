"""What the layer-2 view blames, word for word and by its line; where stations and blank switches enter.

Common practice, no source.
"""

from __future__ import annotations

import pytest
from model_builders import bound, device, fleet, interface, span, vlan

from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.interface import SwitchPort
from pathcheck.model.unmodelled import DeviceScope, LayerTwoScope, Unmodelled
from pathcheck.network.layer2 import Carriage, CarriageFault, LayerTwo, PortPassage, Segment
from pathcheck.network.topology import Topology
from pathcheck.packet.ranges import Ranges

TRUNK = SwitchPort("trunk")
CABLE = "quay:Ethernet9 core:Ethernet9"
QUAY, CORE = LinkEnd("quay", "Vlan20"), LinkEnd("core", "Vlan20")


def access(number, **more):
    return SwitchPort("access", access_vlan=number, **more)


def port(setting=TRUNK, name="Ethernet9", **more):
    return interface(name, switch_port=setting, **more)


def spans(**places):
    return tuple((name, span(text)) for name, text in places.items())


def engine(here=(), there=(), *others, links=(CABLE,)):
    """Two switches with an SVI in VLAN 20 each; `here` and `there` are the other parts of their texts."""
    defined = () if any(getattr(part, "number", None) == 20 for part in here) else (vlan(20),)
    quay = device("quay", interface("Vlan20", "10.0.0.1/24"), *defined, vlan(30), *here)
    core = device("core", interface("Vlan20", "10.0.0.2/24"), vlan(20), vlan(30), *there)
    return LayerTwo(Topology(fleet(quay, core, *others, links=links)))


def fault(found):
    assert isinstance(found, Carriage) and not found.carried and found.fault is not None
    one = found.fault
    return (one.kind, one.why, one.device, " ".join(map(str, one.ends)), one.vlan, one.span and one.span.text)


@pytest.mark.parametrize(
    ("here", "there", "expected"),
    [
        (
            [port(shutdown=True)],
            [port()],
            ("down", "quay:Ethernet9 is down: shut down", "quay", "quay:Ethernet9", None, "interface Ethernet9"),
        ),
        (
            [port(SwitchPort("trunk", allowed=Ranges.single(30), spans=spans(mode="mode", allowed="allowed 30")))],
            [port()],
            (
                "not-allowed", "the trunk quay:Ethernet9 does not allow VLAN 20",
                "quay", "quay:Ethernet9", 20, "allowed 30",
            ),
        ),
        (
            [port()],
            [port(SwitchPort("trunk", allowed=Ranges.single(30)))],
            (
                "not-allowed", "the trunk core:Ethernet9 does not allow VLAN 20",
                "core", "core:Ethernet9", 20, "interface Ethernet9",
            ),
        ),
        (
            [port(access(30, spans=spans(mode="mode access", access="access 30")))],
            [port()],
            (
                "access-vlan", "quay:Ethernet9 is an access port in VLAN 30, not in VLAN 20",
                "quay", "quay:Ethernet9", 20, "access 30",
            ),
        ),
        (
            [port(SwitchPort("access"))],
            [port()],
            (
                "access-vlan", "quay:Ethernet9 is an access port in VLAN 1, not in VLAN 20",
                "quay", "quay:Ethernet9", 20, "interface Ethernet9",
            ),
        ),
        (
            [port()],
            [port(access(20))],
            (
                "access-vlan", "core:Ethernet9 is an access port in VLAN 20, which takes no frames tagged with VLAN 20",
                "core", "core:Ethernet9", 20, "interface Ethernet9",
            ),
        ),
        (
            [port()],
            [port(SwitchPort("access"))],
            (
                "access-vlan", "core:Ethernet9 is an access port in VLAN 1, which takes no frames tagged with VLAN 20",
                "core", "core:Ethernet9", 20, "interface Ethernet9",
            ),
        ),
        (
            [port(SwitchPort("trunk", native=20, spans=spans(mode="mode", native="native 20")))],
            [port(SwitchPort("trunk", native=30))],
            None,
        ),
        (
            [port(SwitchPort("trunk", native=20, spans=spans(mode="mode", native="native 20")))],
            [port(SwitchPort("trunk", native=30, allowed=Ranges.single(20)))],
            (
                "not-allowed", "the trunk core:Ethernet9 does not allow VLAN 30",
                "core", "core:Ethernet9", 30, "interface Ethernet9",
            ),
        ),
        (
            [port(access(20, voice_vlan=30, spans=spans(mode="mode access", access="access 20")))],
            [port(access(40, voice_vlan=20))],
            ("undefined-vlan", "VLAN 40 is not defined on core", "core", "core:Ethernet9", 40, "interface Ethernet9"),
        ),
        (
            [port(), vlan(20, shutdown=True)],
            [port()],
            ("shut-vlan", "VLAN 20 is shut down on quay", "quay", "", 20, "vlan 20"),
        ),
        (
            [interface("Ethernet9", routed=True)],
            [port()],
            (
                "routed", "quay:Ethernet9 is a routed port, which carries no VLAN",
                "quay", "quay:Ethernet9", None, "interface Ethernet9",
            ),
        ),
    ],
)  # fmt: skip
def test_a_fault_names_the_end_that_is_wrong(here, there, expected):
    found = engine(here, there).between(QUAY, CORE)
    if expected is None:
        # Untagged frames get from VLAN 20 into VLAN 30, not into 20.
        expected = (
            "no-cable", "frames of VLAN 20 on quay arrive in VLAN 30 on core, not in VLAN 20 on core",
            "core", "", 20, "interface Vlan20",
        )  # fmt: skip
    assert fault(found) == expected


@pytest.mark.parametrize(
    ("left", "right", "how", "why"),
    [
        (TRUNK, SwitchPort("trunk", native=20), ("tagged with VLAN 20", "untagged"), "the native VLANs are 1 and 20"),
        (
            SwitchPort("trunk", native=30),
            access(20, voice_vlan=20),
            ("tagged with VLAN 20", "untagged"),
            "one is a trunk with native VLAN 30, the other an access port in VLAN 20",
        ),
        (
            access(20),
            SwitchPort("trunk", native=20, allowed=Ranges.single(20)),
            None,
            "",
        ),
    ],
)
def test_two_ends_that_do_not_fit_each_other_are_blamed_together(left, right, how, why):
    found = engine([port(left)], [port(right)]).between(QUAY, CORE)
    if how is None:
        assert found == Carriage(True)
        return
    assert fault(found) == (
        "mismatch",
        f"quay:Ethernet9 sends frames of VLAN 20 on quay {how[0]}, "
        f"core:Ethernet9 sends frames of VLAN 20 on core {how[1]}: {why}",
        "quay", "quay:Ethernet9 core:Ethernet9", 20, "interface Ethernet9",
    )  # fmt: skip


def test_a_routed_port_does_not_fit_a_trunk_whose_native_vlan_it_tags():
    quay = device("quay", interface("Ethernet9"), interface("Ethernet9.20", "10.0.0.1/24", vlan=20))
    core = device("core", interface("Vlan20", "10.0.0.2/24"), vlan(20), port(SwitchPort("trunk", native=20)))
    found = LayerTwo(Topology(fleet(quay, core, links=(CABLE,)))).between(LinkEnd("quay", "Ethernet9.20"), CORE)
    assert fault(found)[1].endswith("one is a routed port, the other a trunk with native VLAN 20")


def test_sub_interfaces_and_their_faults():
    below = interface("Ethernet9.20", "10.0.0.1/24", vlan=20, untagged=True)
    quay = device("quay", interface("Ethernet9", shutdown=False), below)
    core = device("core", interface("Vlan20", "10.0.0.2/24"), vlan(20), port(access(30, voice_vlan=20)), vlan(30))
    layer2 = LayerTwo(Topology(fleet(quay, core, links=(CABLE,))))
    found = layer2.between(LinkEnd("quay", "Ethernet9.20"), CORE)
    assert fault(found)[:2] == (
        "no-cable",
        "frames of quay:Ethernet9.20 arrive in VLAN 30 on core, not in VLAN 20 on core",
    )
    found = layer2.between(CORE, LinkEnd("quay", "Ethernet9.20"))
    assert fault(found)[1].endswith("untagged: one is an access port in VLAN 30, the other a routed port")
    quay = device("quay", interface("Ethernet9"), interface("Ethernet9.30", "10.0.0.1/24", vlan=30))
    other = LayerTwo(Topology(fleet(quay, core, links=(CABLE,))))
    assert fault(other.between(CORE, LinkEnd("quay", "Ethernet9.30"))) == (
        "routed", "no sub-interface of quay:Ethernet9 takes frames tagged with VLAN 20",
        "quay", "quay:Ethernet9", 20, "interface Ethernet9",
    )  # fmt: skip
    quay = device("quay", interface("Ethernet9"), interface("Ethernet9.20", "10.0.0.1/24", vlan=20, shutdown=True))
    core = device("core", interface("Vlan20", "10.0.0.2/24"), vlan(20), port())
    layer2 = LayerTwo(Topology(fleet(quay, core, links=(CABLE,))))
    assert fault(layer2.between(CORE, LinkEnd("quay", "Ethernet9.20"))) == (
        "down", "quay:Ethernet9.20 is shut down", "quay", "quay:Ethernet9.20", 20, "interface Ethernet9.20",
    )  # fmt: skip


def test_without_cables_the_segment_is_blamed():
    far = device("far", interface("Ethernet1"))
    links = ("quay:Ethernet9 far:Ethernet1", "core:Ethernet8 far:Ethernet2")
    layer2 = engine([port()], [port(name="Ethernet8", shutdown=True)], far, links=links)
    assert fault(layer2.between(CORE, QUAY))[0] == "down"
    apart = engine(
        [port()],
        [port()],
        device("far"),
        device("away"),
        links=("quay:Ethernet9 far:Ethernet1", "core:Ethernet8 away:Ethernet1"),
    )
    assert fault(apart.between(QUAY, CORE)) == (
        "no-cable", "no cables lead from VLAN 20 on quay to VLAN 20 on core", "quay", "", 20, "interface Vlan20",
    )  # fmt: skip
    routed = interface("Ethernet3", "10.0.0.3/24")
    layer2 = engine([port(), routed], [port()])
    assert fault(layer2.between(LinkEnd("quay", "Ethernet3"), CORE)) == (
        "no-cable", "no link names a cable on quay:Ethernet3", "quay", "quay:Ethernet3", None, "interface Ethernet3",
    )  # fmt: skip
    assert fault(layer2.between(CORE, LinkEnd("quay", "Ethernet3")))[1] == "no link names a cable on quay:Ethernet3"


def test_a_way_of_several_cables_is_found_and_its_fault_is_the_first():
    def middle(name, one=TRUNK, two=TRUNK):
        return device(name, port(one, "Ethernet1"), port(two, "Ethernet2"), vlan(20))

    links = ("quay:Ethernet9 m1:Ethernet1", "m1:Ethernet2 m2:Ethernet1", "m2:Ethernet2 core:Ethernet9")
    only = SwitchPort("trunk", allowed=Ranges.single(30))
    listed = (bound("A", "in", port=True), bound("B", "out", port=True))
    layer2 = engine([port()], [port()], middle("m1"), middle("m2"), links=links)
    assert layer2.between(QUAY, CORE) == layer2.between(CORE, QUAY) == Carriage(True)
    assert layer2.component(Segment("quay", 20)) == tuple(Segment(name, 20) for name in ("quay", "m1", "m2", "core"))
    layer2 = engine([port()], [port()], middle("m1", two=only), middle("m2", two=only), links=links)
    assert fault(layer2.between(QUAY, CORE))[:3] == (
        "not-allowed",
        "the trunk m1:Ethernet2 does not allow VLAN 20",
        "m1",
    )
    assert fault(layer2.between(CORE, QUAY))[:3] == (
        "not-allowed",
        "the trunk m2:Ethernet2 does not allow VLAN 20",
        "m2",
    )
    # Lists on the way, in the order in which frames pass them.
    layer2 = engine([port(lists=listed)], [port(lists=listed)], middle("m1"), middle("m2"), links=links)
    assert layer2.between(QUAY, CORE).passages == (
        PortPassage("quay", "Ethernet9", "out"),
        PortPassage("core", "Ethernet9", "in"),
    )
    doubts = [doubt.why for doubt in layer2.inner_list_doubts(QUAY)]
    assert doubts == [
        f"the list on the switch port {end}:Ethernet9 may be on the way" for end in ("quay", "quay", "core", "core")
    ]
    assert engine([port(lists=listed)], [port()], links=()).inner_list_doubts(QUAY) == ()
    # Two ways: which of the lists acts is open.
    round_ = (*links, "quay:Ethernet8 core:Ethernet8")
    layer2 = engine(
        [port(lists=listed), port(name="Ethernet8")], [port(), port(name="Ethernet8")], middle("m1"), middle("m2"),
        links=round_,
    )  # fmt: skip
    found = layer2.between(QUAY, CORE)
    assert (found.carried, found.passages, len(found.drop_doubts)) == (True, (), 2)


def test_a_cable_to_a_device_that_was_not_read_leaves_it_open_on_both_sides_only():
    links = ("quay:Ethernet8 lost:Ethernet1", "core:Ethernet8 lost:Ethernet2")
    layer2 = engine([port(name="Ethernet8")], [port(name="Ethernet8")], links=links)
    assert [doubt.why for doubt in layer2.between(QUAY, CORE).doubts] == ["the configuration of lost was not read"]
    far = device("far", port(access(30), "Ethernet1"), vlan(30))
    links = ("quay:Ethernet8 lost:Ethernet1", "core:Ethernet8 far:Ethernet1")
    layer2 = engine([port(name="Ethernet8")], [port(name="Ethernet8")], far, links=links)
    assert not layer2.between(CORE, QUAY).carried and not layer2.between(QUAY, CORE).carried


def test_lines_that_are_not_modelled_are_named_with_their_device():
    hidden = (
        Unmodelled("tagged native VLAN", LayerTwoScope(20), span=span("vlan dot1q")),
        Unmodelled("something else", LayerTwoScope(30), span=span("other")),
        Unmodelled("unknown line", DeviceScope(), span=span("unknown")),
    )
    quay = device("quay", interface("Vlan20", "10.0.0.1/24"), port(), vlan(20, trunk_groups=("ferry",)),
                  unmodelled=hidden)  # fmt: skip
    core = device("core", interface("Vlan20", "10.0.0.2/24"), port(), vlan(20))
    found = LayerTwo(Topology(fleet(quay, core, links=(CABLE,)))).between(QUAY, CORE)
    assert found.carried
    assert [doubt.why for doubt in found.doubts] == [
        "tagged native VLAN on quay",
        "unknown line on quay",
        "VLAN 20 is limited to some trunks of quay",
    ]


# Where frames enter that come from outside of the fleet


def test_stations_stand_on_ports_that_are_up_carry_the_vlan_and_have_no_cable():
    parts = [
        port(),
        port(access(20), "Ethernet1"),
        port(access(30), "Ethernet2"),
        port(access(20), "Ethernet3", shutdown=True),
        port(access(30, voice_vlan=20), "Ethernet4"),
        port(TRUNK, "Ethernet5"),
        port(access(20), "Ethernet6", channel_group=1),
        port(access(20), "Port-channel1"),
        interface("Ethernet7", "10.7.0.1/24"),
    ]
    there = [port(), port(access(20), "Ethernet1")]
    found = engine(parts, there).station_ports(QUAY)
    assert [str(end) for end in found] == [
        *("quay:Ethernet1", "quay:Ethernet4", "quay:Ethernet5", "quay:Port-channel1"),
        "core:Ethernet1",
    ]
    # Without cables only the device's own ports are known.
    alone = engine(parts, there, links=()).station_ports(QUAY)
    assert [str(end) for end in alone] == [
        *("quay:Ethernet9", "quay:Ethernet1", "quay:Ethernet4", "quay:Ethernet5", "quay:Port-channel1")
    ]
    assert engine(parts, there).station_ports(LinkEnd("quay", "Ethernet7")) == ()
    assert engine(parts, there).station_ports(LinkEnd("quay", "Gone1")) == ()


def test_untagged_frames_enter_the_vlan_of_the_port():
    layer2 = engine(
        [port(access(30)), port(SwitchPort("trunk", native=30), "Ethernet8"), port(SwitchPort("access"), "Ethernet7"),
         port(SwitchPort("trunk"), "Ethernet6"), interface("Ethernet5", "10.5.0.1/24"),
         port(access(40), "Ethernet4"), port(access(20), "Ethernet3", shutdown=True),
         port(SwitchPort("dynamic", access_vlan=30), "Ethernet2")]
    )  # fmt: skip

    def behind(name):
        return layer2.segment_behind(LinkEnd("quay", name))

    assert behind("Ethernet9") == behind("Ethernet8") == Segment("quay", vlan=30)
    assert behind("Ethernet7") == behind("Ethernet6") == Segment("quay", vlan=1)
    assert behind("Ethernet5") is None and behind("Gone1") is None

    def entered(name):
        return layer2.entered_untagged(LinkEnd("quay", name))

    assert entered("Ethernet9") == (Segment("quay", vlan=30),)
    assert entered("Ethernet5") == (Segment("quay", port="Ethernet5"),)
    assert entered("Ethernet2") == (Segment("quay", vlan=30), Segment("quay", vlan=1))
    [refused] = entered("Ethernet4")
    assert isinstance(refused, CarriageFault) and refused.why == "VLAN 40 is not defined on quay"
    [shut] = entered("Ethernet3")
    assert isinstance(shut, CarriageFault) and shut.kind == "down"
    assert set(entered("Ethernet1")) == {Segment("quay", vlan=1), Segment("quay", port="Ethernet1")}


def test_the_interfaces_on_a_segment_are_the_routed_ones():
    layer2 = engine([port(access(20)), interface("Ethernet5", "10.5.0.1/24"), interface("Ethernet6", channel_group=2)])
    assert layer2.interfaces_on(Segment("quay", vlan=20)) == (QUAY,)
    assert layer2.interfaces_on(Segment("quay", port="Ethernet5")) == (LinkEnd("quay", "Ethernet5"),)
    assert layer2.interfaces_on(Segment("quay", vlan=30)) == ()
    assert layer2.interfaces_on(Segment("quay", port="Ethernet6")) == ()
    assert str(Segment("quay", vlan=20)) == "VLAN 20 on quay"
    assert str(Segment("quay", port="Ethernet5")) == "quay:Ethernet5"
    assert layer2.between(QUAY, QUAY) == Carriage(True)


def test_a_way_over_switch_ports_is_meant_rather_than_a_shorter_one_over_a_routed_port():
    middle = device(
        "m1", port(SwitchPort("trunk", allowed=Ranges.single(30)), "Ethernet1"), port(name="Ethernet2"), vlan(20)
    )
    links = ("quay:Ethernet1 core:Ethernet1", "quay:Ethernet9 m1:Ethernet1", "m1:Ethernet2 core:Ethernet9")
    here = [interface("Ethernet1", "10.7.0.1/30"), port()]
    layer2 = engine(here, [port(name="Ethernet1"), port()], middle, links=links)
    assert fault(layer2.between(QUAY, CORE))[1] == "the trunk m1:Ethernet1 does not allow VLAN 20"
    assert fault(layer2.between(CORE, QUAY))[1] == "the trunk m1:Ethernet1 does not allow VLAN 20"
    # From a routed port the way begins at that port, and nowhere else.
    found = layer2.between(LinkEnd("quay", "Ethernet1"), CORE)
    assert fault(found)[1] == "frames of quay:Ethernet1 arrive in VLAN 1 on core, not in VLAN 20 on core"
    # Where there is no other, the routed port is what is wrong.
    alone = engine(here, [port(name="Ethernet1")], links=links[:1])
    assert fault(alone.between(QUAY, CORE))[1] == "quay:Ethernet1 is a routed port, which carries no VLAN"
