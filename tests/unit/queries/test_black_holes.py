"""Loops and black holes: what is never certain, what equal ways share, tables of a device, and links at layer 2."""

from __future__ import annotations

from model_builders import device, fleet, interface, route, span, vlan

from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.interface import SwitchPort
from pathcheck.model.unmodelled import DeviceScope, InterfaceScope, RouteScope, TranslationScope, Unmodelled
from pathcheck.network.reachability import Network
from pathcheck.packet.ranges import Ranges
from pathcheck.queries.black_holes import FleetForwarding, routing_report
from pathcheck.queries.route_review import review_routes
from pathcheck.results.black_hole import BlackHole, RoutingReport
from pathcheck.results.verdict import Reason

CORE = (
    interface("Ethernet1", "10.9.0.1/31", routed=True),
    interface("Ethernet2", "10.1.0.1/24", routed=True),
    route("10.2.0.0/16", "10.9.0.0"),
)
PIER = (
    interface("Ethernet1", "10.9.0.0/31", routed=True),
    interface("Ethernet2", "10.2.0.1/24", routed=True),
    route("0.0.0.0/0", "10.9.0.1"),
)


def routed(name: str, *parts: object, **more: object) -> Device:
    return device(name, *parts, routing=True, ipv6_routing=True, **more)  # type: ignore[arg-type]


def report(config: FleetConfig) -> RoutingReport:
    return routing_report([FleetForwarding(Network(config), 4)])


def ending(config: FleetConfig, reason: Reason) -> list[BlackHole]:
    return [hole for hole in report(config).black_holes if hole.reason is reason]


def test_loop_with_its_cycle_and_exact_destinations() -> None:
    (hole,) = ending(fleet(routed("core", *CORE), routed("pier", *PIER)), Reason.LOOPING)
    assert (hole.cycle, hole.entries, hole.partly) == (("pier", "core"), ("core", "pier"), False)
    assert [str(prefix) for prefix in hole.destinations[:3]] == ["10.2.1.0/24", "10.2.2.0/23", "10.2.4.0/22"]
    assert sum(prefix.size for prefix in hole.destinations) == 65536 - 256


def test_nothing_is_certain_behind_what_is_not_modelled() -> None:
    def doubted(*lines: Unmodelled) -> list[BlackHole]:
        return ending(fleet(routed("core", *CORE, unmodelled=lines), routed("pier", *PIER)), Reason.LOOPING)

    line = span("a line")
    assert not doubted(Unmodelled("unknown line", DeviceScope(), span=line))
    assert not doubted(Unmodelled("policy routing", InterfaceScope("Ethernet1", ("in",)), span=line))
    assert not doubted(Unmodelled("OSPF", RouteScope(distance=110), span=line))
    assert doubted(Unmodelled("a filter", InterfaceScope("Ethernet1", may_only_drop=True), span=line))
    assert doubted(Unmodelled("translation", TranslationScope("Ethernet1", "inside"), span=line))
    config = fleet(
        routed("core", *CORE, unmodelled=(Unmodelled("unknown line", DeviceScope(), span=line),)), routed("pier", *PIER)
    )
    assert {hole.why for hole in ending(config, Reason.UNMODELLED)} == {"unknown line"}


def test_translation_depends_on_the_side_where_packets_enter() -> None:
    sides = tuple(
        Unmodelled("translation", TranslationScope(name, side), span=span(name))
        for name, side in (("Ethernet1", "inside"), ("Ethernet3", "outside"))
    )
    border = routed(
        "border",
        interface("Ethernet1", "10.1.0.1/24", routed=True),
        interface("Ethernet3", "192.0.2.2/30", routed=True),
        route("0.0.0.0/0", "192.0.2.1"),
        unmodelled=sides,
    )
    holes = ending(fleet(border), Reason.UNMODELLED)
    assert {hole.entries for hole in holes} == {("border (inside)",), ("border (outside)",)}


def test_one_of_several_equal_ways() -> None:
    config = fleet(routed("core", *CORE, route("10.2.0.0/16", discard=True)), routed("pier", *PIER))
    (hole,) = [hole for hole in ending(config, Reason.DISCARDED) if hole.partly]
    assert (hole.device, [str(prefix) for prefix in hole.destinations]) == ("core", ["10.2.0.0/24"])


def test_tables_of_one_device_are_apart() -> None:
    core = routed(
        "core",
        interface("Ethernet1", "10.1.0.1/24", routed=True),
        interface("Ethernet2", "10.2.0.1/24", routed=True, vrf="BLUE"),
        route("10.3.0.0/16", discard=True, vrf="BLUE"),
        vrfs={"BLUE": span("vrf definition BLUE")},
    )
    (hole,) = ending(fleet(core), Reason.DISCARDED)
    assert (hole.device, hole.vrf, hole.entries) == ("core", "BLUE", ("core (VRF BLUE)",))


def test_a_vlan_that_is_not_carried_strands() -> None:
    def switch(name: str, last: int, allowed: int) -> Device:
        trunk = SwitchPort("trunk", allowed=Ranges.single(allowed))
        station = interface("Ethernet2", switch_port=SwitchPort("access", access_vlan=20))
        vlan_interface = interface("Vlan20", f"10.1.0.{last}/24")
        return routed(name, vlan_interface, interface("Ethernet1", switch_port=trunk), station, vlan(20), vlan(30))

    carried = fleet(switch("core", 1, 20), switch("pier", 2, 20), links=("core:Ethernet1 pier:Ethernet1",))
    assert not ending(carried, Reason.STRANDED)
    broken = fleet(switch("core", 1, 20), switch("pier", 2, 30), links=("core:Ethernet1 pier:Ethernet1",))
    holes = [hole for hole in ending(broken, Reason.STRANDED) if hole.device == "core"]
    assert [(hole.entries, [str(prefix) for prefix in hole.destinations]) for hole in holes] == [
        (("core",), ["10.1.0.2/32"])
    ]
    assert "does not allow VLAN 20" in holes[0].why


def test_replies_that_do_not_come_back() -> None:
    core = CORE[:2]
    config = fleet(routed("core", *core), routed("pier", *PIER))
    (row,) = report(config).one_way
    assert [str(prefix) for prefix in row.sources] == ["10.2.0.0/24"]
    assert [str(prefix) for prefix in row.destinations] == ["10.1.0.0/24"]
    assert (row.reason, row.device) == (Reason.UNROUTED, "core")
    assert [found.code for found in review_routes(config)] == ["PC214"]


def test_an_empty_fleet_has_nothing() -> None:
    assert report(fleet(device("quay", routing=False))) == RoutingReport()


def test_what_could_go_is_not_told_where_something_unknown_may_take_its_place() -> None:
    line = span("router ospf 1")
    parts = (
        *PIER,
        route("10.1.0.0/16", "10.9.0.1"),
        route("10.7.0.0/24", "10.2.0.9"),
        route("10.7.1.0/24", "10.2.0.9"),
    )

    def codes(*lines: Unmodelled) -> list[str]:
        return [found.code for found in review_routes(fleet(routed("pier", *parts, unmodelled=lines)))]

    assert codes() == ["PC205", "PC210"]
    assert codes(Unmodelled("OSPF", RouteScope(distance=110), span=line)) == []
    assert codes(Unmodelled("OSPF", RouteScope(vrf="BLUE", distance=110), span=line)) == ["PC205", "PC210"]
    assert codes(Unmodelled("unknown line", DeviceScope(), span=line)) == []


def test_what_is_dead_is_told_with_the_unknown_line() -> None:
    parts = (*PIER, route("10.1.0.0/16", "10.19.0.1"))
    config = fleet(routed("pier", *parts, unmodelled=(Unmodelled("unknown line", DeviceScope(), span=span("a word")),)))
    (found,) = review_routes(config)
    assert found.code == "PC201"
    assert "as far as the lines tell that are known" in found.message
