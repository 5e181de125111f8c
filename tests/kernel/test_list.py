"""Lists against the kernel: the same models as packet rules, real packets through a router."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from kernel.lab import Lab, exchange, require_lab
from kernel.rules import MARKING, list_rules
from strategies import BASE, list_devices, packets

from pathcheck.dataplane.first_match import filter_packets
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import Action
from pathcheck.model.device import Device
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packetset.algebra import packet_space


class Router:
    """A sender, a router whose rules are changed, and a receiver."""

    def __init__(self, lab: Lab) -> None:
        self.lab = lab
        lab.namespace("pier")
        lab.namespace("router", forwards=True)
        lab.namespace("ship")
        lab.cable(("pier", "out"), ("router", "left"))
        lab.cable(("router", "right"), ("ship", "in"))
        self.hardware = lab.hardware_address("router", "left")
        ship = lab.hardware_address("ship", "in")
        for version, own, far in ((4, "192.0.2.1/30", "192.0.2.2"), (6, "2001:db8:ff::1/64", "2001:db8:ff::2")):
            flag = f"-{version}"
            lab.run("router", ["ip", flag, "address", "add", own, "dev", "right"])
            lab.run("router", ["ip", flag, "neigh", "add", far, "lladdr", ship, "dev", "right", "nud", "permanent"])
            lab.run("router", ["ip", flag, "route", "add", "default", "via", far, "dev", "right"])
        self.sender = lab.port("pier", "out")
        self.receiver = lab.port("ship", "in")

    def load(self, device: Device, version: IPVersion) -> None:
        """Put the list `A` of a device in force."""
        rules = list_rules(device, device.access_list(f"ipv{version}", "A"), version, permit="accept")  # type: ignore[arg-type]
        body = "\n".join((*MARKING, *rules))
        chain = f"chain c {{ type filter hook forward priority 0; policy drop;\n{body}\n}}"
        self.lab.run("router", ["nft", "-f", "-"], f"flush ruleset\ntable inet t {{\n{chain}\n}}\n")

    def pass_through(self, many: list[Packet]) -> list[bool]:
        """Send packets; tell which came out."""
        return [bool(seen) for seen in exchange(many, lambda _: (self.sender, self.hardware), {"ship": self.receiver})]


@pytest.fixture(scope="module")
def router() -> Iterator[Router]:
    require_lab()
    with Lab() as lab:
        yield Router(lab)


def shifted(packet: Packet) -> Packet:
    """Move addresses that no router forwards to one that it does."""
    near = Address(packet.version, BASE[packet.version] + 9)
    source = packet.source if 0 < packet.source.value < (1 << WIDTH[packet.version]) - 1 else near
    destination = packet.destination if 0 < packet.destination.value < (1 << WIDTH[packet.version]) - 1 else near
    return replace(packet, source=source, destination=destination)


@pytest.mark.parametrize("version", [4, 6])
@given(data=st.data())
@settings(
    max_examples=20,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate],  # each try costs real packets, so failures are not made smaller
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.function_scoped_fixture],
)
def test_kernel_evaluator_and_engine_agree(router: Router, version: IPVersion, data: st.DataObject) -> None:
    device = data.draw(list_devices(version, doubts=False))
    many = [shifted(one) for one in data.draw(st.lists(packets(version), min_size=30, max_size=60))]
    router.load(device, version)
    family = "ipv4" if version == 4 else "ipv6"
    parts = filter_packets(device, family, "A", packet_space(version).full)
    permitted = packet_space(version).union(part.packets for part in parts if part.action is Action.PERMIT)
    for one, passed in zip(many, router.pass_through(many), strict=True):
        decision = evaluate_list(device, family, "A", one)
        assert passed == (decision.action is Action.PERMIT), (
            f"the kernel disagrees with the evaluator on {one}: {decision}"
        )
        assert passed == (one in permitted), f"the kernel disagrees with the engine on {one}"
