"""The engine carries sets, the evaluator follows one packet: over random fleets both find the same ends and ways.

The two share no code but the models, so neither can be wrong alone.
"""

from __future__ import annotations

from pathlib import Path

from fleet_strategies import EVERYWHERE, HOSTS, fleets
from hypothesis import given, settings
from hypothesis import strategies as st
from model_builders import packet

from pathcheck.errors import FlowError
from pathcheck.evaluator.fleet import evaluate_packet
from pathcheck.fleet import LoadedFleet
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.network.reachability import Network, Start, Walk
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packetset.algebra import packet_space
from pathcheck.queries.flow import ask_flow
from pathcheck.results.account import ReadingReport
from pathcheck.results.verdict import Reason, Verdict


@st.composite
def questions(draw: st.DrawFn) -> tuple[FleetConfig, EntryPoint, Packet]:
    """A fleet, an entry point and a packet."""
    config = draw(fleets())
    entries = [EntryPoint(one.name) for one in config.devices.values()] + [
        EntryPoint(one.name, item.name)
        for one in config.devices.values()
        for item in one.interfaces.values()
        if item.switch_port is None
    ]
    source, destination = draw(st.sampled_from(HOSTS)), draw(st.sampled_from(HOSTS))
    return (
        config,
        draw(st.sampled_from(entries)),
        packet(source, destination, "tcp", 49152, draw(st.sampled_from((22, 80)))),
    )


@settings(max_examples=150, deadline=None)
@given(questions())
def test_one_packet_has_the_same_ends_and_ways(question: tuple[FleetConfig, EntryPoint, Packet]) -> None:
    config, at, one = question
    destination = Prefix.parse(str(one.destination))
    packets = packet_space(4).of_packet(one)
    ends = Walk(Network(config), 4).run([Start(at, packets, (destination,))])
    assert all(end.packets == packets for end in ends)
    outcomes = evaluate_packet(config, one, at)
    mine = {(end.reason, tuple((hop.device, hop.into) for hop in end.hops)) for end in ends}
    theirs = {(outcome.reason, tuple(step[:2] for step in outcome.trail)) for outcome in outcomes}
    uncertain = [end for end in ends if end.reason is Reason.UNMODELLED]
    assert all(end.doubts for end in uncertain)
    assert {way for way in mine if way[0] is not Reason.UNMODELLED} <= theirs
    if uncertain:
        # Where the engine doubts it may stop earlier on the way than the evaluator.
        assert {reason for reason, _ in theirs} & {Reason.UNMODELLED} or len(theirs) >= len(mine - theirs)
    else:
        assert mine == theirs


@settings(max_examples=25, deadline=None)
@given(questions(), st.sampled_from(EVERYWHERE), st.sampled_from(EVERYWHERE))
def test_sets_split_exactly_and_their_samples_hold(
    question: tuple[FleetConfig, EntryPoint, Packet], source: str, destination: str
) -> None:
    config, at, _ = question
    flow = Flow(6, (Prefix.parse(source),), (Prefix.parse(destination),), at=at)
    loaded = LoadedFleet(Path(), config, ReadingReport())
    try:
        answer = ask_flow(loaded, flow)
    except FlowError:
        return
    verdicts = {path.verdict for path in answer.paths}
    assert (answer.verdict is Verdict.PARTLY) == ({Verdict.PERMITTED, Verdict.DENIED} <= verdicts)
    assert (answer.verdict is Verdict.UNCERTAIN) <= (Verdict.UNCERTAIN in verdicts)
    assert all(bool(path.doubts) == (path.reason is Reason.UNMODELLED) for path in answer.paths)


@settings(max_examples=60, deadline=None)
@given(questions(), st.sampled_from(EVERYWHERE))
def test_a_packet_fares_in_a_set_as_alone(question: tuple[FleetConfig, EntryPoint, Packet], destination: str) -> None:
    config, at, one = question
    prefix = Prefix.parse(destination)
    if one.destination not in prefix:
        return
    space, network = packet_space(4), Network(config)
    alone = Walk(network, 4).run([Start(at, space.of_packet(one), (Prefix.parse(str(one.destination)),))])
    together = Walk(network, 4).run([Start(at, space.full, (prefix,))])
    shared = [end for end in together if one in end.packets]
    assert {(end.reason, len(end.hops)) for end in alone} == {(end.reason, len(end.hops)) for end in shared}
