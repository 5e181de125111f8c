"""The chain explains the verdict of the walk and never contradicts it, on random fleets."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from fleet_strategies import fleets
from hypothesis import given, settings
from hypothesis import strategies as st

from pathcheck.errors import FlowError
from pathcheck.fleet import LoadedFleet
from pathcheck.model.fleet_config import FleetConfig, Place
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.flow import ask_flow
from pathcheck.queries.manageability import judge_management, session_flow, session_holds
from pathcheck.results.account import ReadingReport
from pathcheck.results.manageability import LINK_KINDS
from pathcheck.results.path import FlowAnswer
from pathcheck.results.verdict import Reason, Verdict

CONTROLLERS = ("10.0.1.9", "10.0.2.77", "10.0.3.4", "10.0.1.1", "198.51.100.1")


@st.composite
def managed_fleets(draw: st.DrawFn) -> tuple[FleetConfig, str]:
    """A fleet with a controller, and the name of a device that has a management address, mostly one of its own."""
    config = draw(fleets())
    name = draw(st.sampled_from(sorted(config.devices)))
    own = [it.address for item in config.devices[name].interfaces.values() for it in item.addresses]
    address = draw(st.sampled_from([*own, *own, *own, Address.parse("10.0.2.9")]))
    devices = {**config.devices, name: replace(config.devices[name], management=address)}
    controller = Prefix.parse(draw(st.sampled_from(CONTROLLERS)))
    return replace(config, devices=devices, places={"controller": Place("controller", (controller,))}), name


@given(managed_fleets())
@settings(max_examples=150, deadline=None)
def test_the_verdict_is_that_of_the_walk(drawn: tuple[FleetConfig, str]) -> None:
    config, name = drawn
    answer = judge_management(config, name, chain=True, answer=True)
    assert session_holds(config, name) is answer.holds
    flow = session_flow(config, name)
    assert flow is not None
    loaded = LoadedFleet(Path(), config, ReadingReport((), ()))
    try:
        walked = ask_flow(loaded, flow)
    except FlowError:
        assert answer.holds is None
        assert answer.why_not_judged is not None
        return
    assert answer.why_not_judged is None
    assert _expected(walked, name) is answer.holds
    assert (answer.broken is not None) == (answer.holds is False)
    assert (answer.uncertain is not None) == (answer.holds is None)
    last = answer.broken or answer.uncertain
    order = [list(LINK_KINDS).index(link.kind) for link in answer.links]
    assert order == sorted(order)
    assert last is None or answer.links[-1] == last
    assert all(link.state in ("holds", "assumed") for link in answer.links if link is not last)
    if answer.broken is not None:
        assert answer.broken.help
    # Links that are said to hold are true of the walk.
    kinds = {link.kind for link in answer.links if link is not last}
    back = walked.reply.paths if walked.reply is not None else ()
    if kinds & {"route", "list"}:
        assert all(path.hops[-1].device == name for path in walked.paths)
    if "guard" in kinds:
        assert all(path.reason is Reason.ARRIVED for path in walked.paths)
    if answer.holds:
        assert {"address", "gateway", "route", "way-back", "list", "list-back", "guard"} <= kinds
        assert all(path.reason is Reason.ARRIVED for path in back)


def _expected(walked: FlowAnswer, name: str) -> bool | None:
    """What the paths say: each arrives at the device, and each answer somewhere in the fleet."""
    back = walked.reply.paths if walked.reply is not None else ()
    for path in walked.paths:
        last = path.hops[-1] if path.hops else None
        at_device = path.reason is Reason.ARRIVED and last is not None and last.device == name and last.out is None
        if path.verdict is not Verdict.UNCERTAIN and not at_device:
            return False
    if any(path.verdict is not Verdict.UNCERTAIN and path.reason is not Reason.ARRIVED for path in back):
        return False
    return None if any(path.verdict is Verdict.UNCERTAIN for path in (*walked.paths, *back)) else True
