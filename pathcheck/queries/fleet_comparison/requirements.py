"""Required flows that stand otherwise after a change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pathcheck.errors import FlowError, InputError, UsageError
from pathcheck.fleet_source import FleetState
from pathcheck.model.flow import Flow
from pathcheck.model.required_flow import RequiredFlow
from pathcheck.network.entry import flow_packets, versions_of
from pathcheck.network.reply import replies_to
from pathcheck.packet.address import IPVersion
from pathcheck.parser.flow_words import read_flow_line
from pathcheck.queries.fleet_comparison.states import States
from pathcheck.queries.fleet_comparison.touched import Touched
from pathcheck.queries.required_flows import ask_required, required_flows_of
from pathcheck.results.fleet_comparison import RequirementChange
from pathcheck.results.requirement import Standing

__all__ = ["requirement_changes"]


def requirement_changes(states: States, touched: Mapping[IPVersion, Touched]) -> tuple[RequirementChange, ...]:
    """Return the required flows that stand otherwise, those that hold no longer first.

    A flow of the same words that the change cannot touch is not asked. One that only the later
    state requires counts if it does not hold; one that is no longer required always counts.

    Raises
    ------
    InputError
        A file of required flows has faults.
    """
    before, after = (_flows(state) for state in (states.before, states.after))
    found = []
    for name in dict.fromkeys((*after, *before)):
        change = _change(states, before.get(name), after.get(name), _Touch(touched))
        if change is not None:
            found.append(change)
    return tuple(sorted(found, key=_gravity))


def _gravity(change: RequirementChange) -> tuple[bool, bool]:
    """Order changes: what holds no longer, what is no longer asked, what holds now."""
    return change.after is not None and change.after.holds, change.after is None


def _flows(state: FleetState) -> dict[str, RequiredFlow]:
    """Return the required flows of a state by name."""
    try:
        return {flow.name: flow for flow in required_flows_of(state.loaded)}
    except InputError as error:
        raise InputError(
            f"`{state.word}`: {error.message}", span=error.span, help=error.help, others=error.others
        ) from None


@dataclass(frozen=True, slots=True)
class _Touch:
    """Whether the change can touch a flow."""

    touched: Mapping[IPVersion, Touched]

    def meets(self, flow: Flow, reply: bool) -> bool:
        """Whether packets of a flow, or their replies, are among those that the change touches."""
        for version in versions_of(flow):
            bound = self.touched.get(version)
            if bound is None:
                continue
            packets = flow_packets(flow, version)
            reach = bound.anywhere
            if not packets.isdisjoint(reach) or (reply and not replies_to(packets).isdisjoint(reach)):
                return True
        return False


def _change(
    states: States, before: RequiredFlow | None, after: RequiredFlow | None, touch: _Touch
) -> RequirementChange | None:
    """Ask one required flow of both states."""
    if before is not None and after is not None and not _may_differ(states, before, after, touch):
        return None
    old = None if before is None else ask_required(states.before.loaded, before)
    new = None if after is None else ask_required(states.after.loaded, after)
    if new is None:
        return RequirementChange(old, None)
    if old is None:
        return None if new.standing is Standing.HOLDS else RequirementChange(None, new)
    return None if old.standing is new.standing else RequirementChange(old, new)


def _may_differ(states: States, before: RequiredFlow, after: RequiredFlow, touch: _Touch) -> bool:
    """Whether a required flow can stand otherwise."""
    if (before.flows, before.expect, before.reply) != (after.flows, after.expect, after.reply):
        return True
    return any(
        one is None or one != other or touch.meets(one, before.reply)
        for words in before.flows
        for one, other in [tuple(_question(state, words.text) for state in (states.before, states.after))]
    )


def _question(state: FleetState, words: str) -> Flow | None:
    """Return a flow as a state understands its words; None for a list alone, and for words without a meaning."""
    try:
        question = read_flow_line(words, state.loaded.config)
    except (UsageError, InputError, FlowError):
        return None
    return None if question.acl is not None else question.flow
