"""The matrix carries all rows together; each cell must say what `flow` says for its two ends, and each packet agree."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from random import Random

from fleet_strategies import fleets
from hypothesis import given, settings
from hypothesis import strategies as st
from model_builders import packet

from pathcheck.errors import FlowError
from pathcheck.evaluator import evaluate_packet
from pathcheck.fleet import LoadedFleet
from pathcheck.model.fleet_config import FleetConfig, Place
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.network.propagation import Propagation
from pathcheck.network.reachability import Network, Start, Walk
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packetset.algebra import packet_space
from pathcheck.parser.service_words import service_flows
from pathcheck.queries.flow import ask_flow
from pathcheck.queries.reach import ask_reach, ask_sources
from pathcheck.results.account import ReadingReport
from pathcheck.results.reach import ReachCell
from pathcheck.results.verdict import Reason, Verdict

PLACES = {
    "till": Place("till", (Prefix.parse("10.0.2.77/32"),)),
    "router": Place("router", (Prefix.parse("10.0.1.1/32"),)),
    "tickets": Place("tickets", (Prefix.parse("10.0.1.0/24"), Prefix.parse("10.0.3.128/25"))),
    "town": Place("town", (Prefix.parse("198.51.100.0/24"),)),
}


def asked(config: FleetConfig, flow: Flow, reply: bool) -> tuple[object, ...]:
    """What `flow` says, as a cell says it."""
    try:
        answer = ask_flow(LoadedFleet(Path(), config, ReadingReport()), flow, reply=reply)
    except FlowError:
        return (None, frozenset(), None, frozenset())
    back = answer.reply
    return (
        answer.verdict,
        frozenset(path.reason for path in answer.paths),
        None if back is None else back.verdict,
        frozenset() if back is None else frozenset(path.reason for path in back.paths),
    )


@settings(max_examples=20, deadline=None)
@given(fleets(), st.booleans(), st.sampled_from(("tcp/22", "ip", "icmp/echo")), st.randoms(use_true_random=False))
def test_a_cell_is_what_flow_answers(config: FleetConfig, reply: bool, service: str, draw: Random) -> None:
    config = replace(config, places=PLACES)
    flows = service_flows(service)
    try:
        answer = ask_reach(LoadedFleet(Path(), config, ReadingReport()), service, flows, reply=reply)
    except FlowError:
        return
    prefixes = {end.name: end.prefixes for end in (*answer.sources, *answer.destinations)}
    assert len(answer.cells) == len(answer.sources) * len(answer.destinations)
    for cell in draw.sample(answer.cells, min(6, len(answer.cells))):
        flow = replace(flows[4], source=prefixes[cell.source], destination=prefixes[cell.destination])
        found = (cell.there, frozenset(cell.reasons), cell.reply, frozenset(cell.reply_reasons))
        expected = asked(config, flow, reply)
        assert found == (expected if reply else (*expected[:2], None, frozenset())), (cell.source, cell.destination)
        assert (cell.verdict is None) == (cell.why is not None)
        assert bool(cell.doubts) == (cell.verdict is Verdict.UNCERTAIN)
        assert_both_ways(cell, reply)


def assert_both_ways(cell: ReachCell, reply: bool) -> None:
    if not reply or cell.verdict is None:
        assert cell.verdict is cell.there
    elif cell.verdict is Verdict.PERMITTED:
        assert cell.there is cell.reply is Verdict.PERMITTED
    elif cell.there is Verdict.DENIED or (cell.there is Verdict.PERMITTED and cell.reply is Verdict.DENIED):
        assert cell.verdict is Verdict.DENIED


@settings(max_examples=150, deadline=None)
@given(
    fleets(),
    st.sampled_from((22, 80)),
    st.lists(st.tuples(st.integers(0, 30), st.sampled_from(("10.0.1.77", "10.0.2.1"))), min_size=1, max_size=4),
)
def test_packets_that_are_carried_together_end_as_each_alone(
    config: FleetConfig, port: int, entering: list[tuple[int, str]]
) -> None:
    network, space = Network(config), packet_space(4)
    entries = [
        EntryPoint(one.name, item.name)
        for one in config.devices.values()
        for item in one.interfaces.values()
        if item.switch_port is None
    ]
    destinations = ("10.0.2.9", "10.0.3.4", "10.8.0.1", "198.51.100.1")
    everywhere = tuple(map(Prefix.parse, destinations))
    packets = {
        (source, destination): packet(source, destination, "tcp", 49152, port)
        for _, source in entering
        for destination in destinations
    }
    starts = [
        Start(entries[number % len(entries)], space.union(map(space.of_packet, of(packets, source))), everywhere)
        for number, source in entering
    ]
    ends = Propagation(network, 4).carry(starts)
    for one in packets.values():
        mine = {fate.reason for fate, held in ends.items() if one in held}
        alone = [replace(start, packets=space.of_packet(one)) for start in starts if one in start.packets]
        assert mine - {Reason.UNMODELLED} == {end.reason for end in Walk(network, 4).run(alone)} - {Reason.UNMODELLED}
        theirs = {it.reason for start in alone for it in evaluate_packet(config, one, start.at)}
        assert mine - {Reason.UNMODELLED} <= theirs
        assert Reason.UNMODELLED in mine or theirs == mine


def of(packets: dict[tuple[str, str], Packet], source: str) -> list[Packet]:
    return [one for key, one in packets.items() if key[0] == source]


@settings(max_examples=40, deadline=None)
@given(fleets(), st.sampled_from(("10.0.3.4", "10.0.1.1", "10.8.0.1", "198.51.100.1")), st.sampled_from((22, 80)))
def test_sources_are_those_whose_packets_get_there(config: FleetConfig, destination: str, port: int) -> None:
    loaded = LoadedFleet(Path(), config, ReadingReport())
    flows = service_flows(f"tcp/{port}")
    there = Prefix.parse(destination)
    try:
        answer = ask_sources(loaded, f"tcp/{port}", flows, destination, (there,))
    except FlowError:
        return
    # `flow --at` does not ask by which switch port a packet comes to the interface.
    lists_on_ports = any(
        binding.port for one in config.devices.values() for item in one.interfaces.values() for binding in item.bindings
    )
    for entry in answer.entries:
        device, _, interface = entry.entry.partition(":")
        at = EntryPoint(device, interface)
        for text in ("10.0.1.77", "10.0.2.77", "10.0.3.77", "198.51.100.7", "10.0.2.1", "10.8.0.2"):
            source = Prefix.parse(text)
            own = any(source.first in subnet for subnet in entry.subnets)
            if own:
                continue
            flow = replace(flows[4], source=(source,), destination=(there,), at=at)
            verdict = ask_flow(loaded, flow, reply=False).verdict
            listed = {
                Verdict.PERMITTED: entry.others_open,
                Verdict.PARTLY: entry.others_partly,
                Verdict.UNCERTAIN: entry.others_uncertain,
            }
            held = [one for one, prefixes in listed.items() if any(source.first in prefix for prefix in prefixes)]
            if not lists_on_ports:
                assert held == ([] if verdict is Verdict.DENIED else [verdict]), (entry.entry, text)
