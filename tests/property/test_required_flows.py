"""What is said to hold is held against the evaluator, packet by packet, over random fleets."""

from __future__ import annotations

import shlex
from pathlib import Path

from fleet_strategies import HOSTS, fleets
from hypothesis import given, settings
from hypothesis import strategies as st
from model_builders import packet

from pathcheck.evaluator.fleet import evaluate_packet
from pathcheck.fleet import LoadedFleet
from pathcheck.model.flow import EntryPoint
from pathcheck.model.required_flow import Expectation, RequiredFlow, RequiredWords
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.required_flows import ask_required
from pathcheck.results.account import ReadingReport
from pathcheck.results.requirement import Requirement, Standing
from pathcheck.results.verdict import Verdict
from pathcheck.source import Span


def asked(loaded: LoadedFleet, words: str, expect: Expectation) -> Requirement:
    return ask_required(loaded, RequiredFlow("it", (RequiredWords(words, Span("f.yaml", 1, "")),), expect))


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_what_holds_holds_for_each_packet_and_what_is_broken_is_by_the_one_shown(data: st.DataObject) -> None:
    config = data.draw(fleets())
    loaded = LoadedFleet(Path(), config, ReadingReport())
    device = data.draw(st.sampled_from(sorted(config.devices)))
    ports = [name for name, item in config.devices[device].interfaces.items() if item.switch_port is None]
    interface = data.draw(st.sampled_from([None, *ports]))
    at = EntryPoint(device, interface)
    source, host = data.draw(st.sampled_from(HOSTS)), data.draw(st.sampled_from(HOSTS))
    destination = Prefix.parse_loose(f"{host}/{data.draw(st.sampled_from([32, 24, 16, 0]))}")
    place = device if interface is None else f"{device}:{interface}"
    words = f"tcp {source} {destination} --at {shlex.quote(place)}"
    found = {expect: asked(loaded, words, expect) for expect in Expectation}
    assert not all(item.holds for item in found.values())
    wanted = {Expectation.OPEN: Verdict.PERMITTED, Expectation.CLOSED: Verdict.DENIED}
    other = {Expectation.OPEN: Verdict.DENIED, Expectation.CLOSED: Verdict.PERMITTED}
    for expect, item in found.items():
        if item.holds:
            for one in HOSTS:
                if Address.parse(one) in destination:
                    for port in (22, 80):
                        outcomes = evaluate_packet(config, packet(source, one, "tcp", 49152, port), at)
                        assert {outcome.reason.verdict for outcome in outcomes} == {wanted[expect]}
        elif item.standing is Standing.BROKEN:
            evidence = item.gravest.evidence
            assert evidence is not None
            assert evidence.sample is not None
            outcomes = evaluate_packet(config, evidence.sample, at)
            assert other[expect] in {outcome.reason.verdict for outcome in outcomes}
