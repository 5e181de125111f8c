"""What must hold in each state of a rollout: the controller's session to each device, and flows required always."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pathcheck.errors import FlowError, InputError, UsageError
from pathcheck.fleet import LoadedFleet
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.flow import Flow
from pathcheck.model.required_flow import Expectation, RequiredFlow
from pathcheck.network.entry import flow_packets, versions_of
from pathcheck.network.reply import replies_to
from pathcheck.packet.packet import Packet
from pathcheck.packet.protocol import protocol_name
from pathcheck.packetset.algebra import PacketSet
from pathcheck.parser.flow_words import read_flow_line
from pathcheck.queries.flow import keep_network
from pathcheck.queries.manageability import judge_management, session_flow, session_holds
from pathcheck.queries.required_flows import ask_required
from pathcheck.queries.rollout.cover import Standing
from pathcheck.queries.rollout.states import Position
from pathcheck.queries.rollout.watched import Notes, WatchedFleets
from pathcheck.results.requirement import Standing as Requirement
from pathcheck.results.rollout import Held
from pathcheck.results.verdict import Reason
from pathcheck.source import Span

__all__ = ["AlwaysFlow", "Evidence", "Session", "Target", "judge_target", "loaded_state"]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What happens in a state to the packets of something that must hold there.

    Parameters
    ----------
    device
        Where it happens.
    """

    why: str
    span: Span | None = None
    device: str | None = None
    sample: Packet | None = None


@dataclass(frozen=True, slots=True)
class Session:
    """The controller's session to a device: it opens, and the answers come back.

    Parameters
    ----------
    is_judged_before
        Whether it can be asked before the first job. Where that is so and it later cannot be asked because the
        controller is on no subnet of the fleet any more, the device is lost.
    """

    device: str
    is_judged_before: bool = True

    def held(self, config: FleetConfig) -> Held:
        """Return what must hold, in words."""
        flow = session_flow(config, self.device)
        words = _session_words(flow) if flow is not None else f"session to {self.device}"
        return Held(words, device=self.device)

    def why_not_judged(self, config: FleetConfig) -> str | None:
        """Say why a state cannot be judged; None where it can."""
        return judge_management(config, self.device, chain=False).why_not_judged

    def stand(self, config: FleetConfig, notes: Notes | None = None) -> Standing:
        """Tell how the session stands in a state."""
        if notes is not None:
            flow = session_flow(config, self.device)
            notes.packets = None if flow is None else _asked((flow,))
        holds = session_holds(config, self.device)
        if holds is not None:
            return Standing.HOLDS if holds else Standing.LOST
        if self.why_not_judged(config) is None or not self.is_judged_before or config.refused:
            return Standing.OPEN
        return Standing.LOST

    def evidence(self, loaded: LoadedFleet) -> Evidence:
        """Say what happens to the session in a state; samples are confirmed by the evaluator."""
        answer = judge_management(loaded, self.device, answer=True)
        if answer.why_not_judged is not None:
            return Evidence(answer.why_not_judged)
        link = answer.broken or answer.uncertain
        if link is None:
            return Evidence("it is uncertain whether the session holds")
        sample = None
        if answer.flow is not None:
            there, back = answer.flow.paths, answer.flow.reply.paths if answer.flow.reply is not None else ()
            paths = [path for path in (*there, *back) if path.reason is not Reason.ARRIVED]
            sample = paths[0].sample if paths else None
        return Evidence(link.message, link.span, link.device, sample)


@dataclass(frozen=True, slots=True)
class AlwaysFlow:
    """A required flow that must hold in each state; `is_judged_before` as for a session."""

    required: RequiredFlow
    is_judged_before: bool = True

    @property
    def device(self) -> None:
        """It is no device's session."""
        return None

    def held(self, config: FleetConfig) -> Held:  # noqa: ARG002 - its words are the same in each state
        """Return what must hold, in words."""
        return Held("; ".join(words.text for words in self.required.flows), name=self.required.name)

    def why_not_judged(self, config: FleetConfig) -> str | None:
        """Say why a state cannot be judged; None where it can."""
        found = ask_required(loaded_state(config), self.required)
        return found.gravest.fault if found.standing is Requirement.UNANSWERED else None

    def stand(self, config: FleetConfig, notes: Notes | None = None) -> Standing:
        """Tell how the flow stands in a state; a source that is on no subnet any more is lost."""
        if notes is not None:
            notes.packets = self._asked(config)
        standings = {part.standing for part in ask_required(loaded_state(config), self.required).parts}
        if standings == {Requirement.HOLDS}:
            return Standing.HOLDS
        if Requirement.BROKEN in standings:
            return Standing.LOST
        gone = Requirement.UNANSWERED in standings and self.required.expect is Expectation.OPEN
        return Standing.LOST if gone and self.is_judged_before and not config.refused else Standing.OPEN

    def evidence(self, loaded: LoadedFleet) -> Evidence:
        """Say what happens to the flow in a state; samples are confirmed by the evaluator."""
        parts = ask_required(loaded, self.required).parts
        order = (Requirement.BROKEN, Requirement.UNANSWERED, Requirement.UNCERTAIN, Requirement.HOLDS)
        part = min(parts, key=lambda part: order.index(part.standing))
        if part.evidence is None:
            return Evidence(part.fault or "it holds")
        shown = part.evidence
        subject = {"flow": "a packet of it", "reply": "a reply", "list": "a packet of it"}[shown.direction]
        return Evidence(f"{subject} is {shown.why}", shown.span, shown.device, shown.sample)

    def _asked(self, config: FleetConfig) -> tuple[PacketSet, ...] | None:
        """Return the packets that its words mean in a state; None where they mean none."""
        try:
            return _asked(read_flow_line(words.text, config).flow for words in self.required.flows)
        except (UsageError, InputError, FlowError):
            return None


Target = Session | AlwaysFlow


def judge_target(target: Target, fleets: WatchedFleets, position: Position) -> tuple[Standing, dict[int, int]]:
    """Judge one state, and say in which others the same is read."""
    notes = Notes(position)
    network = fleets.network(notes)
    keep_network(network)
    standing = target.stand(network.config, notes)
    return standing, notes.masks


def _asked(flows: Iterable[Flow]) -> tuple[PacketSet, ...]:
    """Return the packets of flows and the answers to them, by IP version."""
    found: dict[int, PacketSet] = {}
    for flow in flows:
        for version in versions_of(flow):
            packets = flow_packets(flow, version)
            packets |= replies_to(packets)
            found[version] = found[version] | packets if version in found else packets
    return tuple(found.values())


def loaded_state(config: FleetConfig) -> LoadedFleet:
    """Return a fleet in the form in which flows are asked; it was read from no folder."""
    from pathlib import Path

    from pathcheck.results.account import ReadingReport

    return LoadedFleet(Path(), config, ReadingReport((), ()))


def _session_words(flow: Flow) -> str:
    """Return a session in the words of the command line."""
    protocol = protocol_name(flow.protocol, flow.destination[0].version) if flow.protocol is not None else "ip"
    ports = f":{flow.destination_ports}" if flow.destination_ports is not None else ""
    target = str(flow.destination[0].first)
    if flow.destination[0].version == 6 and ports:
        target = f"[{target}]"
    return f"{protocol} {flow.source_named} {target}{ports}"
