"""What is said of servers is what the evaluator says of single packets, on random fleets; needs never fault."""

from __future__ import annotations

from dataclasses import replace

from fleet_strategies import fleets
from hypothesis import given, settings
from hypothesis import strategies as st
from model_builders import span

from pathcheck.evaluator.fleet import Outcome, evaluate_packet
from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.model.flow import EntryPoint
from pathcheck.model.own_traffic import DhcpRelay, ManagementServer, RoutingPeer
from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet
from pathcheck.packet.protocol import UDP
from pathcheck.queries.flow import network_of
from pathcheck.queries.own_traffic import interface_needs, judge_servers
from pathcheck.results.verdict import Reason, Verdict

SERVERS = ("10.0.1.9", "10.0.2.1", "10.0.3.4", "10.8.0.1", "198.51.100.1")


@st.composite
def needy_fleets(draw: st.DrawFn) -> FleetConfig:
    """A fleet whose devices name servers, relays and routing neighbours."""
    config = draw(fleets())
    addresses = st.sampled_from(SERVERS).map(Address.parse)
    devices = {}
    for name, device in config.devices.items():
        names = sorted(device.interfaces)
        kinds = st.sampled_from(("ntp", "syslog", "radius"))
        servers = [
            ManagementServer(
                draw(kinds),
                draw(addresses),
                source_interface=draw(st.sampled_from((None, None, *names))),
                span=span("server"),
            )
            for _ in range(draw(st.integers(0, 2)))
        ]
        relays = [DhcpRelay(it, draw(addresses), span=span("relay")) for it in names if draw(st.booleans())]
        peers = [RoutingPeer("bgp", draw(addresses), span=span("neighbor")) for _ in range(draw(st.integers(0, 1)))]
        peers += [RoutingPeer("ospf", interface=it, span=span("network")) for it in names if draw(st.booleans())]
        devices[name] = replace(
            device, servers=tuple(servers), relays=tuple(relays), routing_peers=tuple(peers)
        )  # fmt: skip
    return replace(config, devices=devices)


@given(needy_fleets())
@settings(max_examples=60, deadline=None)
def test_servers_fare_as_single_packets_do(config: FleetConfig) -> None:
    network = network_of(config)
    for device in config.devices.values():
        for answer in judge_servers(network, device.name):
            server = next(it for it in device.servers if it.address == answer.server and it.span == answer.span)
            if answer.need.holds is None or answer.source is None or server.source_interface is None:
                continue
            port = int(answer.port.partition(" ")[0])
            answered = server.kind != "syslog"
            # The lists of these fleets name no ports, so that one packet stands for all.
            packet = Packet(answer.source, answer.server, UDP, source_port=49152, destination_port=port)
            assert _works(config, packet, device.name, answered) is answer.need.holds


def _works(config: FleetConfig, packet: Packet, device: str, answered: bool) -> bool | None:
    """Follow a packet and its answer by the evaluator; None where something is not known."""
    owners = {
        name
        for name, one in config.devices.items()
        for item in one.interfaces.values()
        for address in item.addresses
        if address.address == packet.destination and name != device
    }
    receiver = next(iter(owners)) if len(owners) == 1 else None
    answer = replace(
        packet,
        source=packet.destination,
        destination=packet.source,
        source_port=packet.destination_port,
        destination_port=packet.source_port,
    )
    layer2 = network_of(config).layer2
    known = True
    for there in evaluate_packet(config, packet, EntryPoint(device), None, ()):
        known = known and there.reason is not Reason.UNMODELLED
        if not _arrives(there, receiver):
            return False
        if not answered or there.reason is Reason.UNMODELLED:
            continue
        at = EntryPoint(there.device, None if _is_own(there) else there.interface)
        ports = layer2.station_ports(LinkEnd(at.device, at.interface)) if at.interface is not None else ()
        for back in evaluate_packet(config, answer, at, None, ports):
            known = known and back.reason is not Reason.UNMODELLED
            if not _arrives(back, device):
                return False
    return True if known else None


def _arrives(outcome: Outcome, owner: str | None) -> bool:
    """Whether a packet passes, as far as is known; one for a device of the fleet has to arrive at itself."""
    if outcome.reason is Reason.UNMODELLED:
        return True
    if owner is None:
        return outcome.reason.verdict is Verdict.PERMITTED
    return outcome.reason is Reason.ARRIVED and outcome.device == owner and _is_own(outcome)


def _is_own(outcome: Outcome) -> bool:
    """Whether a packet ended at the device itself: it leaves by no interface."""
    return outcome.reason is Reason.ARRIVED and outcome.trail[-1][2] is None


@given(needy_fleets())
@settings(max_examples=40, deadline=None)
def test_what_interfaces_need_is_looked_for_in_any_fleet(config: FleetConfig) -> None:
    """Each sample is asked of the evaluator there; a disagreement is a fault."""
    for found in interface_needs(network_of(config)):
        assert found.code in {"PC350", "PC351", "PC352", "PC353"}
        assert found.device in config.devices
