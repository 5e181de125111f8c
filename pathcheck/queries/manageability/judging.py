"""The verdict on the controller's session to one device: that of the walk, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pathcheck.errors import FlowError
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.network.reachability import End
from pathcheck.queries.flow import Followed, ask_followed, follow
from pathcheck.queries.manageability.session import session_flow, why_no_session
from pathcheck.results.manageability import ManagementAnswer
from pathcheck.results.verdict import Reason, Verdict

if TYPE_CHECKING:
    from pathcheck.fleet import LoadedFleet

__all__ = ["fails", "judge_management", "reached", "session_holds"]


def session_holds(config: FleetConfig, device: str) -> bool | None:
    """Tell whether the controller can open its session to a device and gets its answers.

    The cheap form, for many states of a fleet: no reason is worked out and no sample confirmed.

    Returns
    -------
    bool or None
        As `holds` of :class:`ManagementAnswer`; None also where there is nothing to judge.
    """
    flow = session_flow(config, device)
    if flow is None:
        return None
    try:
        return _holds(follow(config, flow, brief=True), device)
    except FlowError:
        return None


def judge_management(
    fleet: FleetConfig | LoadedFleet, device: str, *, chain: bool | None = None, answer: bool = False
) -> ManagementAnswer:
    """Judge the controller's session to a device, and name the first link that breaks.

    Parameters
    ----------
    fleet
        The fleet; KeyError where it has no such device.
    chain
        Whether the chain is worked out: None where the session does not hold, True always, False never.
    answer
        Whether the answer of the session is made as well, each sample of it confirmed by the evaluator.

    Raises
    ------
    CapacityError
        The session parts into too many sets of packets.
    InternalFault
        The evaluator disagrees.
    """
    config = fleet if isinstance(fleet, FleetConfig) else fleet.config
    address = config.devices[device].management
    flow = session_flow(config, device)
    if flow is None:
        return ManagementAnswer(device, address, None, why_no_session(config, device))
    try:
        followed = follow(config, flow, brief=True)
    except FlowError as error:
        why = f"{error.message}, so it is not known where the controller's packets enter"
        return ManagementAnswer(device, address, None, why)
    ends = (*followed.there, *followed.back)
    readings = tuple(dict.fromkeys(reading for end in ends for reading in end.readings))
    found = ManagementAnswer(device, address, _holds(followed, device), readings=readings)
    if chain or (chain is None and not found.holds):
        from pathcheck.queries.manageability.chain import explain

        found = explain(config, found, followed)
    return replace(found, flow=ask_followed(followed)) if answer else found


def _holds(followed: Followed, device: str) -> bool | None:
    """Return the verdict of a session: each packet on every way, and each answer."""
    if any(fails(end, device) for end in followed.there) or any(fails(end, None) for end in followed.back):
        return False
    ends = (*followed.there, *followed.back)
    return None if any(end.reason.verdict is Verdict.UNCERTAIN for end in ends) else True


def fails(end: End, device: str | None) -> bool:
    """Whether packets do not get, for certain, to the device; None is the controller, wherever it is.

    What is only handed over has not arrived: both ends are in the fleet.
    """
    if end.reason.verdict is Verdict.UNCERTAIN:
        return False
    return end.reason is not Reason.ARRIVED or (device is not None and not reached(end, device))


def reached(end: End, device: str) -> bool:
    """Whether packets that arrived did so at the device itself, not at a station or another device."""
    return end.back_at is not None and end.back_at.device == device and end.back_at.interface is None
