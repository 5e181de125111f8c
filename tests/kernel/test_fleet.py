"""A routed fleet against the kernel: real packets through network namespaces that are made from the same models.

Three quays in a triangle, each with a subnet of stations; one of them leads outside.
"""

from __future__ import annotations

import random
import socket
from collections.abc import Iterator

import pytest
from kernel.lab import Lab, exchange, frame, require_lab
from kernel.routers import SHORE, Routers
from model_builders import access_list, bound, device, fleet, interface, line, packet, route, span

from pathcheck.evaluator import evaluate_packet
from pathcheck.model.access_list import IcmpMatch
from pathcheck.model.device import TerminalLines
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.flow import EntryPoint
from pathcheck.network.reachability import Network, Start, Walk
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, RST, SYN
from pathcheck.packetset.algebra import packet_space
from pathcheck.results.verdict import Reason, Verdict


def quays() -> FleetConfig:
    one = device(
        "quay-1",
        interface(
            "Ethernet1", "10.1.1.1/24", "2001:db8:1::1/64", lists=(bound("STATIONS"), bound("STATIONS6", "in", "ipv6"))
        ),
        interface("Ethernet2", "10.0.12.1/30", "2001:db8:12::1/64"),
        interface("Ethernet3", "10.0.13.1/30", "2001:db8:13::1/64"),
        interface("Loopback0", "10.255.0.1/32", "2001:db8:ff::1/128"),
        # Two equal ways to the stations of quay-3; the rest by the longest match.
        route("10.1.3.0/24", "10.0.13.2"),
        route("10.1.3.0/24", "10.0.12.2"),
        route("10.1.2.0/24", "10.0.12.2"),
        route("10.1.2.128/25", "10.0.13.2"),
        route("0.0.0.0/0", "10.0.13.2"),
        route("10.9.0.0/16", discard=True, distance=254),
        route("10.9.1.0/24", "10.0.12.2"),
        route("10.77.0.0/16", "10.0.12.2"),
        route("2001:db8:3::/64", "2001:db8:13::2"),
        route("2001:db8:3::/64", "2001:db8:12::2"),
        route("2001:db8:2::/64", "2001:db8:12::2"),
        route("::/0", "2001:db8:13::2"),
        route("2001:db8:9::/48", discard=True),
        route("2001:db8:77::/48", "2001:db8:12::2"),
        access_list(
            "STATIONS",
            line("deny", "tcp", "any", "10.1.3.0/24", destination_ports="23"),
            line("permit", "tcp", "10.1.1.0/24", "any", destination_ports="22,80,443", sequence=20),
            line("permit", "tcp", "any", "any", flags=ESTABLISHED, sequence=30),
            line("deny", "udp", "any", "10.1.2.8 0.0.0.7", sequence=40),
            line("permit", "udp", "10.1.1.0 0.0.0.254", "any", sequence=50),
            line("permit", "icmp", "any", "any", icmp=IcmpMatch(8), sequence=60),
        ),
        access_list(
            "STATIONS6",
            line("permit", "tcp", version=6, destination_ports="22,443", sequence=10),
            line("deny", "udp", "any", "2001:db8:2::/64", version=6, sequence=20),
            line("permit", "udp", version=6, sequence=30),
            line("permit", "icmpv6", version=6, icmp=IcmpMatch(128), sequence=40),
            family="ipv6",
        ),
    )
    two = device(
        "quay-2",
        interface("Ethernet1", "10.1.2.1/24", "2001:db8:2::1/64"),
        interface("Ethernet2", "10.0.12.2/30", "2001:db8:12::2/64", lists=(bound("FROM-1"),)),
        interface("Ethernet3", "10.0.23.1/30", "2001:db8:23::1/64"),
        # Down: its subnet and the routes over it are gone, and the floating route acts.
        interface("Ethernet4", "10.0.24.1/30", shutdown=True),
        route("10.5.0.0/16", "10.0.24.2"),
        route("10.5.0.0/16", "10.0.23.2", distance=200),
        route("10.6.0.0/16", "10.0.24.2"),
        route("10.1.1.0/24", "10.0.12.1"),
        route("10.1.3.0/24", "10.0.23.2"),
        route("10.77.0.0/16", "10.0.12.1"),
        route("10.9.1.0/24", "10.0.23.2"),
        route("2001:db8:1::/64", "2001:db8:12::1"),
        route("2001:db8:3::/64", "2001:db8:23::2"),
        route("2001:db8:77::/48", "2001:db8:12::1"),
        access_list(
            "FROM-1",
            line("deny", "tcp", "any", "10.1.3.0/24", destination_ports="443"),
            line("deny", "tcp", "any", "any", fragments=True, sequence=20),
            line("permit", sequence=30),
        ),
    )
    three = device(
        "quay-3",
        interface("Ethernet1", "10.1.3.1/24", "2001:db8:3::1/64", lists=(bound("TO-STATIONS", "out"),)),
        interface("Ethernet2", "10.0.23.2/30", "2001:db8:23::2/64"),
        interface("Ethernet3", "10.0.13.2/30", "2001:db8:13::2/64"),
        interface("Ethernet9", "192.0.2.1/30", "2001:db8:fe::1/64", lists=(bound("OUT6", "out", "ipv6"),)),
        interface("Loopback0", "10.255.0.3/32", "2001:db8:ff::3/128"),
        route("0.0.0.0/0", "192.0.2.2"),
        route("::/0", "2001:db8:fe::2"),
        route("10.1.1.0/24", "10.0.13.1"),
        route("10.1.2.0/24", "10.0.23.1"),
        route("10.5.1.0/24", discard=True),
        route("10.9.1.0/24", "10.0.77.7"),
        route("2001:db8:1::/64", "2001:db8:13::1"),
        route("2001:db8:2::/64", "2001:db8:23::1"),
        access_list(
            "TO-STATIONS",
            line("permit", "tcp", "10.1.0.0/16", "any", destination_ports="1-79,81-65535"),
            line("permit", "icmp", sequence=20),
            line("deny", sequence=30),
        ),
        access_list(
            "OUT6",
            line("deny", "tcp", version=6, destination_ports="22"),
            line("permit", version=6, sequence=20),
            family="ipv6",
        ),
        access_list("ADMINS", line("permit", "ip", "10.1.1.7", sequence=10), standard=True),
        terminal_lines=(TerminalLines(0, 4, (bound("ADMINS"),), span=span("line vty")),),
    )
    cables = (
        "quay-1:Ethernet2 quay-2:Ethernet2",
        "quay-1:Ethernet3 quay-3:Ethernet3",
        "quay-2:Ethernet3 quay-3:Ethernet2",
    )
    return fleet(one, two, three, links=cables)


SOURCES = {
    4: {"quay-1": ("10.1.1.7", "10.1.1.8"), "quay-2": ("10.1.2.7",), "quay-3": ("10.1.3.7",)},
    6: {"quay-1": ("2001:db8:1::7",), "quay-2": ("2001:db8:2::7",), "quay-3": ("2001:db8:3::7",)},
}
DESTINATIONS = {
    4: (
        *("10.1.1.9", "10.1.2.9", "10.1.2.20", "10.1.2.200", "10.1.3.9", "10.1.3.10", "10.1.3.11", "10.1.3.12"),
        *("198.51.100.9", "192.0.2.2", "10.9.1.5", "10.9.2.5", "10.77.0.1", "10.5.0.1", "10.5.1.1", "10.6.0.1"),
        *("10.255.0.1", "10.255.0.3", "10.1.3.1", "10.0.23.1", "10.0.24.1", "10.1.2.1", "10.0.13.2"),
    ),
    6: (
        *("2001:db8:1::9", "2001:db8:2::9", "2001:db8:3::9", "2001:db8:3::a", "2001:db8:9::1", "2001:db8:77::1"),
        *("2001:db8:f00::1", "2001:db8:ff::1", "2001:db8:ff::3", "2001:db8:23::1"),
    ),
}


def some_packet(chance: random.Random, version: IPVersion, source: str, destination: str, own: set[Address]) -> Packet:
    icmp = "icmp" if version == 4 else "icmpv6"
    kind = chance.choice(("tcp", "tcp", "tcp", "udp", icmp, "esp", "fragment"))
    # The kernel puts fragments to its own addresses together first, and nothing ever completes these.
    if kind == "fragment" and Address.parse(destination) not in own:
        return packet(source, destination, chance.choice(("tcp", "udp")), fragment=True)
    if kind == "tcp" or kind == "fragment":
        ports = chance.choice((1024, 49152)), chance.choice((22, 23, 80, 443))
        return packet(source, destination, "tcp", *ports, flags=chance.choice((SYN, SYN, ACK, RST, SYN | ACK)))
    if kind == "udp":
        return packet(source, destination, "udp", 49152, chance.choice((53, 123)), dscp=chance.choice((0, 46)))
    if kind == "esp":
        return packet(source, destination, "esp")
    return packet(source, destination, icmp, chance.choice((128, 129) if version == 6 else (8, 0, 13)), 0)


class Sea:
    """The fleet in namespaces, with its shore."""

    def __init__(self, lab: Lab) -> None:
        self.config = quays()
        stations = [Address.parse(text) for group in DESTINATIONS.values() for text in group]
        stations += [Address.parse(text) for text in ("10.1.1.9", "192.0.2.2", "2001:db8:fe::2")]
        self.routers = Routers(lab, self.config, stations)
        self.own_of = {
            name: {item.address for port in one.interfaces.values() for item in port.addresses}
            for name, one in self.config.devices.items()
        }
        self.own = set().union(*self.own_of.values())
        self.edges = {edge: lab.port(SHORE, shore) for edge, shore in self.routers.edges.items()}
        self.hardware = {edge: lab.hardware_address(*edge.split(":")) for edge in self.edges}
        self.locals = {
            f"own {name}": [
                lab.local(name, version, protocol)
                for version in (4, 6)
                for protocol in (6, 17, 50, 1 if version == 4 else 58)
            ]
            for name in self.config.devices
        }
        self.raw = {name: lab.local(name, 4, socket.IPPROTO_RAW) for name in self.config.devices}


@pytest.fixture(scope="module")
def sea() -> Iterator[Sea]:
    require_lab()
    with Lab() as lab:
        yield Sea(lab)


def place(reason: Reason, device_name: str, out: str | None) -> str:
    """Where a packet that is let through must be seen; the empty text where it must not be seen at all."""
    if reason.verdict is not Verdict.PERMITTED:
        return ""
    return f"own {device_name}" if out is None else f"{device_name}:{out}"


def compare(sea: Sea, many: list[Packet], entries: list[EntryPoint], seen: list[set[str]]) -> None:
    """Hold what the kernel did against the evaluator and the engine, packet by packet."""
    network = Network(sea.config)
    for one, at, where in zip(many, entries, seen, strict=True):
        outcomes = evaluate_packet(sea.config, one, at)
        assert all(outcome.reason is not Reason.UNMODELLED for outcome in outcomes)
        expected = {place(outcome.reason, *outcome.trail[-1][::2]) for outcome in outcomes}
        start = Start(at, packet_space(one.version).of_packet(one), (Prefix.parse(str(one.destination)),))
        ends = Walk(network, one.version).run([start])
        engine = {place(end.reason, end.hops[-1].device, end.hops[-1].out) for end in ends}
        # The kernel takes one of several equal ways.
        assert (where or {""}) <= expected, f"kernel against evaluator: {one} at {at} was seen at {where}; {outcomes}"
        assert (where or {""}) <= engine, f"kernel against engine: {one} at {at} was seen at {where}; {ends}"
        assert len(where) <= 1


@pytest.mark.parametrize(("version", "count"), [(4, 700), (6, 400)])
def test_packets_of_stations(sea: Sea, version: IPVersion, count: int) -> None:
    chance = random.Random(f"stations {version}")
    many, entries = [], []
    for _ in range(count):
        quay = chance.choice(sorted(SOURCES[version]))
        source, destination = chance.choice(SOURCES[version][quay]), chance.choice(DESTINATIONS[version])
        many.append(some_packet(chance, version, source, destination, sea.own))
        entries.append(EntryPoint(quay, "Ethernet1"))

    def send(one: Packet, number: int) -> None:
        edge = f"{entries[number].device}:Ethernet1"
        sea.edges[edge].send(frame(one, number, sea.hardware[edge]))

    seen = exchange(many, send, sea.edges, sea.locals)
    compare(sea, many, entries, seen)
    # The test would show nothing if all packets fared alike.
    assert len({place for where in seen for place in where}) >= 5
    assert count // 4 <= sum(bool(where) for where in seen) <= count - count // 4


def test_the_devices_own_packets_meet_no_list_out(sea: Sea) -> None:
    chance = random.Random("own packets")
    sources = {"quay-1": "10.255.0.1", "quay-2": "10.1.2.1", "quay-3": "10.255.0.3"}
    many, entries = [], []
    for _ in range(150):
        quay = chance.choice(sorted(sources))
        elsewhere = [
            text
            for text in DESTINATIONS[4]
            if all(
                Address.parse(text) != item.address
                for port in sea.config.devices[quay].interfaces.values()
                for item in port.addresses
            )
        ]
        many.append(some_packet(chance, 4, sources[quay], chance.choice(elsewhere), sea.own))
        entries.append(EntryPoint(quay))

    def send(one: Packet, number: int) -> None:
        try:
            sea.raw[entries[number].device].sendto(
                frame(one, number, "02:00:00:00:00:01")[14:], (str(one.destination), 0)
            )
        except OSError:
            # The kernel tells its own sender that there is no route, or that it is discarded.
            assert all(
                o.reason in (Reason.UNROUTED, Reason.DISCARDED, Reason.STRANDED)
                for o in evaluate_packet(sea.config, one, entries[number])
            )

    compare(sea, many, entries, exchange(many, send, sea.edges, sea.locals))


def test_the_kernel_refuses_the_next_hops_that_are_not_reached(sea: Sea) -> None:
    refused = {(str(one.prefix), str(one.next_hop)) for one in sea.routers.refused}
    assert refused == {("10.5.0.0/16", "10.0.24.2"), ("10.6.0.0/16", "10.0.24.2"), ("10.9.1.0/24", "10.0.77.7")}
