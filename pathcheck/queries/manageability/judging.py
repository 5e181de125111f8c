"""The verdict on the controller's session to one device: that of the walk, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pathcheck.errors import FlowError
from pathcheck.model.device import TerminalLines
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.network.reachability import TERMINAL_PORTS, End
from pathcheck.packet.protocol import TCP
from pathcheck.queries.flow import Followed, ask_followed, follow
from pathcheck.queries.manageability.session import session_flow, why_no_session
from pathcheck.results.manageability import ManagementAnswer
from pathcheck.results.verdict import Reason, Verdict

if TYPE_CHECKING:
    from pathcheck.fleet import LoadedFleet

__all__ = ["closed_lines", "fails", "judge_management", "reached", "session_holds"]


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
        return _holds(config, follow(config, flow, brief=True), device)
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
    found = ManagementAnswer(device, address, _holds(config, followed, device), readings=readings)
    if chain or (chain is None and not found.holds):
        from pathcheck.queries.manageability.chain import explain

        found = explain(config, found, followed)
    return replace(found, flow=ask_followed(followed)) if answer else found


def _holds(config: FleetConfig, followed: Followed, device: str) -> bool | None:
    """Return the verdict of a session: each packet on every way, and each answer."""
    if any(fails(end, device) for end in followed.there) or any(fails(end, None) for end in followed.back):
        return False
    ends = (*followed.there, *followed.back)
    if any(end.reason.verdict is Verdict.UNCERTAIN for end in ends) or closed_lines(config, device) is not None:
        return None
    return True


def closed_lines(config: FleetConfig, device: str) -> TerminalLines | None:
    """Return the terminal lines of a device if each of them is closed to sessions, and sessions are to end on them.

    The packets get there, and it is not in the texts what else could take the session.
    """
    session, lines = config.session, config.devices[device].terminal_lines
    to_lines = session.protocol == TCP and (session.ports & TERMINAL_PORTS).size > 0
    return lines[0] if to_lines and lines and not any(block.accepts_sessions for block in lines) else None


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
