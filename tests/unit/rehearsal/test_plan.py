"""What is built: tables, ports, and who is at the other end of a wire."""

from __future__ import annotations

from model_builders import device, fleet, interface, route, span

from pathcheck.model.fleet_config import LinkEnd
from pathcheck.packet.address import Address
from pathcheck.rehearsal.plan import Plan

ONE = device(
    "quay-1",
    interface("Ethernet1", "10.1.1.1/24"),
    interface("Ethernet2", "10.0.12.1/30"),
    interface("Ethernet3", "10.0.13.1/30", vrf="TILLS"),
    interface("Ethernet4", shutdown=True),
    route("10.1.2.0/24", "10.0.12.2"),
    vrfs={"TILLS": span("vrf TILLS")},
)
TWO = device("quay-2", interface("Ethernet1", "10.0.12.2/30"), interface("Ethernet2", "10.1.2.1/24"))
THREE = device("quay-3", interface("Ethernet1", "10.1.1.3/24"), interface("Ethernet2", "10.9.9.1/24", shutdown=True))
FLEET = fleet(ONE, TWO, THREE, links=("quay-1:Ethernet2 quay-2:Ethernet1",))


def test_each_table_is_apart_and_each_port_has_a_hardware_address_of_its_own() -> None:
    plan = Plan(FLEET, ["quay-1", "quay-2"])
    assert [(it.device.name, it.vrf, len(it.ports)) for it in plan.tables] == [
        ("quay-1", None, 3), ("quay-1", "TILLS", 1), ("quay-2", None, 2),
    ]  # fmt: skip
    assert len({port.hardware for port in plan.ports.values()}) == len(plan.ports) == 6
    assert plan.is_down(plan.ports[LinkEnd("quay-1", "Ethernet4")])


def test_who_takes_what_leaves_a_port() -> None:
    plan = Plan(FLEET, ["quay-1", "quay-2"])
    wire, subnet = plan.ports[LinkEnd("quay-1", "Ethernet2")], plan.ports[LinkEnd("quay-1", "Ethernet1")]
    taker = plan.taker(wire, 4, Address.parse("10.0.12.2"))
    assert (taker.fate, taker.port) == ("carried", plan.ports[LinkEnd("quay-2", "Ethernet1")])
    assert plan.taker(subnet, 4, Address.parse("10.1.1.9")).fate == "outside"
    # It is there, and not loaded.
    beside = plan.taker(subnet, 4, Address.parse("10.1.1.3"))
    assert (beside.fate, beside.why) == ("not-loaded", "quay-3:Ethernet1")
    assert [str(address) for address, _ in plan.neighbours(wire, 4)] == ["10.0.12.2"]


def test_a_route_without_next_hop_leads_to_the_other_end() -> None:
    plan = Plan(FLEET, ["quay-1", "quay-2", "quay-3"])
    wire = plan.ports[LinkEnd("quay-1", "Ethernet2")]
    assert plan.taker(wire, 4, None).port == plan.ports[LinkEnd("quay-2", "Ethernet1")]


def test_the_wires_of_a_cabled_fleet_are_its_cables() -> None:
    """Each end of a cable between two routed ports takes what the other sends, and nobody else does."""
    plan = Plan(FLEET, FLEET.devices)
    for link in FLEET.links:
        for near, far in ((link.a, link.b), (link.b, link.a)):
            takers = {taker.port for _, taker in plan.neighbours(plan.ports[near], 4) if taker.port is not None}
            assert takers == {plan.ports[far]}
