"""What decides one packet in two states: its ways in both, confirmed by the evaluator, side by side."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from pathcheck.errors import InternalFault
from pathcheck.evaluator.fleet import evaluate_packet
from pathcheck.network.reachability import End, HopTrace, Network, Start, Walk
from pathcheck.packet.address import WIDTH
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.results.fleet_comparison import Cause
from pathcheck.results.path import Doubt, LineUse, RouteUse
from pathcheck.results.verdict import Reason, Verdict, joint_verdict

__all__ = ["Fate", "causes", "fate_of"]

_SLOTS = ("in_lines", "port_lines", "out_lines")


@dataclass(frozen=True, slots=True)
class Fate:
    """What becomes of one packet in one state.

    Parameters
    ----------
    ends
        Every end of every way; empty where nobody sends it.
    """

    sample: Packet
    verdict: Verdict
    ends: tuple[End, ...]

    def first(self, verdict: Verdict) -> End | None:
        """Return an end of a verdict."""
        return next((end for end in self.ends if end.reason.verdict is verdict), None)

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """What makes it uncertain."""
        return tuple(dict.fromkeys(doubt for end in self.ends for doubt in end.doubts))


def fate_of(network: Network, sample: Packet, starts: Sequence[Start], known: Iterable[End]) -> Fate:
    """Follow one packet from each of its starts, and let the evaluator do the same.

    Parameters
    ----------
    starts
        Those that hold the packet.
    known
        All ends that need no following; those that hold the packet count.

    Raises
    ------
    InternalFault
        The two disagree.
    """
    point = packet_space(sample.version).of_packet(sample)
    there = (Prefix(sample.version, sample.destination.value, WIDTH[sample.version]),)
    ends: list[End] = [end for end in known if sample in end.packets]
    if starts:
        walk = Walk(network, sample.version)
        ends += walk.run([replace(start, packets=point, destinations=there) for start in starts])
        reasons = {end.reason for end in ends if end.start is not None}
        theirs = {
            outcome.reason
            for start in starts
            for outcome in evaluate_packet(network.config, sample, start.at, start.vrf, start.ports)
        }
        doubted = any(start.doubts for start in starts)
        certain = reasons - {Reason.UNMODELLED}
        if not doubted and not (certain <= theirs and (Reason.UNMODELLED in reasons or theirs <= reasons)):
            raise disagreement(sample, reasons, theirs, starts)
    verdict = joint_verdict(end.reason.verdict for end in ends) if ends else Verdict.DENIED
    return Fate(sample, verdict, tuple(ends))


def disagreement(
    sample: Packet, mine: Iterable[Reason], theirs: Iterable[Reason], starts: Sequence[Start]
) -> InternalFault:
    """Return the fault that two ways to follow a packet disagree."""
    places = ", ".join(f"{start.at.device}:{start.at.interface or '-'}" for start in starts)
    words = [" ".join(sorted(reason.value for reason in reasons)) or "nothing" for reasons in (mine, theirs)]
    return InternalFault(
        f"two ways to follow one packet disagree: {sample} entering at {places}; the engine says {words[0]}, "
        f"the evaluator says {words[1]}",
        help="report this with the files of both states; the answer is withheld",
    )


def causes(before: Fate, after: Fate) -> tuple[Cause, Cause]:
    """Return what decides a packet in both states, at the same place where that can be."""
    ends = (_telling(before, after), _telling(after, before))
    decided = [None if end is None else _decided(end, before.sample) for end in ends]
    found = []
    for side in range(2):
        end, mine, other = ends[side], decided[side], decided[1 - side]
        if end is None:
            found.append(Cause("no subnet and no device of the fleet sends it"))
        elif mine is not None:
            found.append(mine[0])
        else:
            place = other[1] if other is not None else None
            found.append(_passed(end, before.sample, place))
    return found[0], found[1]


_Place = tuple[str, str]
"""A device, and which of its lists or tables decides: a slot of the hop, or `routes`."""


def _telling(fate: Fate, other: Fate) -> End | None:
    """Return the end that shows what differs: where both pass in part, the one that the other does not have."""
    order = (Verdict.UNCERTAIN, Verdict.DENIED, Verdict.PERMITTED)
    if fate.verdict is Verdict.PERMITTED or (fate.verdict is Verdict.PARTLY and other.verdict is Verdict.DENIED):
        order = (Verdict.PERMITTED, Verdict.UNCERTAIN, Verdict.DENIED)
    elif fate.verdict is Verdict.PARTLY:
        order = (Verdict.DENIED, Verdict.UNCERTAIN, Verdict.PERMITTED)
    return next((end for verdict in order if (end := fate.first(verdict)) is not None), None)


def _decided(end: End, sample: Packet) -> tuple[Cause, _Place | None] | None:
    """Return what stops a packet, or makes it uncertain, and where; None where it passes."""
    hop = end.hops[-1] if end.hops else None
    device = hop.device if hop else None
    at = f" at {device}" if device else ""
    if end.reason in (Reason.ARRIVED, Reason.HANDED_OVER):
        return None
    if end.reason is Reason.UNMODELLED:
        doubt = end.doubts[0] if end.doubts else None
        return Cause(
            f"uncertain{at}" + (f": {doubt.why}" if doubt else ""), None, doubt.span if doubt else None, device
        ), None
    if end.reason is Reason.FILTERED:
        for back in reversed(end.hops):
            for slot in reversed(_SLOTS):
                use = _use(back, slot, sample)
                if use is not None and use.action == "deny":
                    why = f"denied at {back.device} by {use.acl}" + ("" if use.span else f", {use.text}")
                    return Cause(why, use, use.span, back.device), (back.device, slot)
        return Cause(f"denied{at} by an access list", None, None, device), None
    route = _route(hop, sample) if hop else None
    by = route.span if route else None
    place = (device, "routes") if device else None
    if end.reason is Reason.LOOPING:
        return Cause(f"denied, it loops: {' > '.join(end.cycle)}", None, by, device), place
    if end.reason is Reason.UNROUTED:
        faults = f": {hop.faults[0].why}" if hop and hop.faults else ""
        return Cause(f"denied{at}, no route matches{faults}", None, None, device), place
    if end.reason is Reason.DISCARDED:
        return Cause(f"denied{at}, a discard route matches", None, by, device), place
    fault = hop.faults[0] if hop and hop.faults else None
    why = fault.why if fault else (hop.notes[-1] if hop and hop.notes else "")
    span = fault.span if fault and fault.span else by
    return Cause(f"denied{at}, the next hop cannot be reached" + (f": {why}" if why else ""), None, span, device), place


def _passed(end: End, sample: Packet, place: _Place | None) -> Cause:
    """Return what lets a packet pass where the other state stops it."""
    how = "it arrives" if end.reason is Reason.ARRIVED else "it is handed to a next hop that is no device of the fleet"
    if place is not None:
        device, slot = place
        hop = next((one for one in end.hops if one.device == device), None)
        if hop is None:
            route = next((it for one in end.hops if (it := _route(one, sample)) is not None), None)
            by = _by_route(end.hops[0], route) if route is not None else how
            span = route.span if route is not None else None
            return Cause(f"permitted, its way does not lead over {device}: {by}", None, span, device)
        if slot == "routes":
            route = _route(hop, sample)
            if route is not None:
                return Cause(f"permitted, {_by_route(hop, route)}", None, route.span, device)
        else:
            use = _use(hop, slot, sample)
            if use is not None:
                why = f"permitted at {device} by {use.acl}" + ("" if use.span else f", {use.text}")
                return Cause(why, use, use.span, device)
            return Cause(f"permitted, no list is met there at {device}", None, None, device)
    met = [(one.device, line) for one in end.hops for slot in _SLOTS if (line := _use(one, slot, sample)) is not None]
    if met:
        name, line = met[-1]
        return Cause(f"permitted, {how}; the last list on its way is {line.acl} on {name}", line, line.span, name)
    last = end.hops[-1].device if end.hops else None
    return Cause(f"permitted, {how}" + (f" at {last}" if last else "") + "; no list is on its way", None, None, last)


def _by_route(hop: HopTrace, route: RouteUse) -> str:
    """Say by which route a device sends a packet."""
    onward = f" to {route.next_hop}" if route.next_hop else ""
    return f"{hop.device} sends it by the {route.source} route {route.prefix}{onward}"


def _use(hop: HopTrace, slot: str, sample: Packet) -> LineUse | None:
    """Return the line of a list that decides a packet at a hop: of several lists that it passes, the last."""
    parts: Sequence[tuple[PacketSet, LineUse]] = getattr(hop, slot)
    return next((use for packets, use in reversed(parts) if sample in packets), None)


def _route(hop: HopTrace, sample: Packet) -> RouteUse | None:
    """Return the route that a packet follows at a hop."""
    return next((use for packets, use in hop.routes if sample in packets), None)
