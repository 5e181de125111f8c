"""Lists against the kernel: the same models as packet rules, real packets through a router."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from kernel.lab import Lab, exchange, frame, require_lab
from kernel.rules import MARKING, list_rules
from model_builders import access_list, device, line, packet
from strategies import BASE, list_devices, packets

from pathcheck.dataplane.first_match import filter_packets
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import Action, Family, IcmpMatch, Line
from pathcheck.model.device import Device
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, RST, SYN
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

        def send(packet: Packet, number: int) -> None:
            self.sender.send(frame(packet, number, self.hardware))

        return [bool(seen) for seen in exchange(many, send, {"ship": self.receiver})]


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


def three_opinions(router: Router, device: Device, version: IPVersion, many: list[Packet]) -> list[bool]:
    """Let the kernel, the evaluator and the engine decide the same packets; they must not differ."""
    router.load(device, version)
    family: Family = "ipv4" if version == 4 else "ipv6"
    parts = filter_packets(device, family, "A", packet_space(version).full)
    permitted = packet_space(version).union(part.packets for part in parts if part.action is Action.PERMIT)
    passed = router.pass_through(many)
    for one, came_out in zip(many, passed, strict=True):
        decision = evaluate_list(device, family, "A", one)
        assert came_out == (decision.action is Action.PERMIT), f"kernel against evaluator on {one}: {decision}"
        assert came_out == (one in permitted), f"kernel against engine on {one}"
    return passed


A, B = "10.1.20.1", "10.1.20.2"
ONE = [
    packet(A, B, "tcp", 49152, 80), packet(A, B, "tcp", 80, 49152), packet(A, B, "tcp", 49152, 443),
    packet(A, B, "tcp", 1, 80, flags=ACK), packet(A, B, "tcp", 1, 80, flags=RST),
    packet(A, B, "tcp", 1, 80, flags=SYN | ACK),
    packet(A, B, "udp", 1, 80), packet(A, B, "udp", 1, 53), packet(A, B, "icmp", 8, 0), packet(A, B, "icmp", 3, 4),
    packet(A, B, "esp"), packet(A, B, "tcp", fragment=True), packet(A, B, "udp", fragment=True),
    packet(A, B, "udp", 1, 2, dscp=46), packet("10.1.20.8", B, "tcp", 1, 80), packet("10.1.20.9", B, "tcp", 1, 80),
]  # fmt: skip
PASS, DROP = True, False


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        # The expectation is written by hand, in the order of ONE; common practice of lists, see docs/meaning.md.
        ([line("permit", "tcp", destination_ports="80")], "x..xxx.....x..xx"),
        ([line("permit", "tcp", source_ports="80")], ".x.........x...."),
        ([line("deny", "tcp", destination_ports="80"), line("permit")], ".xx...xxxxxxxx.."),
        ([line("permit", "tcp", flags=ESTABLISHED)], "...xxx.....x...."),
        ([line("permit", "tcp", destination_ports="0-79,81-65535")], ".xx........x...."),
        ([line("deny", "udp", source_ports="0-79,81-65535", destination_ports="0-52,54-65535"), line("permit")],
         "xxxxxx.xxxxxx.xx"),
        ([line("permit", "icmp", icmp=IcmpMatch(3, 4)), line("permit", "icmp", icmp=IcmpMatch(8))], "........xx......"),
        ([line("deny", "tcp", fragments=True), line("permit", "tcp")], "xxxxxx........xx"),
        ([line("permit", "ip", dscp=Ranges.single(46))], ".............x.."),
        ([line("permit", "ip", "10.1.20.0 0.0.0.254")], "..............x."),
        ([line("deny", "tcp", "10.1.20.1 0.0.0.8"), line("permit", "tcp")], "..............x."),
        ([], "xxxxxxxxxxxxxxxx"),
    ],
)  # fmt: skip
def test_lists_made_by_hand(router: Router, lines: list[Line], expected: str) -> None:
    numbered = [replace(one, sequence=10 * place + 10) for place, one in enumerate(lines)]
    passed = three_opinions(router, device("quay-a", access_list("A", *numbered)), 4, ONE)
    assert "".join("x" if came_out else "." for came_out in passed) == expected


def test_the_end_of_an_ipv6_list(router: Router) -> None:
    lines = [line("permit", "tcp", version=6, destination_ports="443")]
    a, b = "2001:db8:20::1", "2001:db8:20::2"
    many = [
        packet(a, b, "tcp", 1, 443), packet(a, b, "tcp", 1, 80), packet(a, b, "tcp", fragment=True),
        *(packet(a, b, "icmpv6", kind, 0) for kind in (128, 134, 135, 136)), packet(a, b, "icmpv6", fragment=True),
    ]  # fmt: skip
    passed = three_opinions(router, device("quay-a", access_list("A", *lines, family="ipv6")), 6, many)
    assert passed == [PASS, DROP, PASS, DROP, DROP, PASS, PASS, DROP]


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
    assert three_opinions(router, device, version, many)
