"""One packet's way as the kernel showed it against an end of the walk."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pathcheck.network.reachability import End, HopTrace
from pathcheck.packet.packet import Packet
from pathcheck.packetset.algebra import PacketSet
from pathcheck.rehearsal.trace import Decision, Step, Trace
from pathcheck.results.path import LineUse
from pathcheck.results.verdict import Reason

__all__ = ["difference", "ends_of", "is_among"]

_NO_INTERFACE_OUT = (Reason.STRANDED, Reason.UNROUTED, Reason.DISCARDED)
"""Ends at which the interface that would have been used is named or not."""


def ends_of(ends: Iterable[End], start: object, packet: Packet) -> list[End]:
    """Return the ends that the walk knows for a packet which entered at a start."""
    return [end for end in ends if end.start is start and packet in end.packets]


def difference(trace: Trace, end: End, packet: Packet) -> str | None:
    """Say in what the kernel's way differs from an end of the walk, None where they are the same.

    Compared are the reason, the devices with the interfaces in and out, and, where the hops of the end are those of
    this packet, the lines that decided and the next hops.
    """
    found = _shape_differs(trace, end)
    if found is not None or packet not in end.shown:
        return found
    for step, hop in zip(trace.steps, end.hops, strict=True):
        if (found := _lines_differ(step, hop, packet)) is not None:
            return found
    return None


def is_among(trace: Trace, ends: Iterable[End], packet: Packet) -> bool:
    """Whether the kernel's way is one of those that the walk knows for the packet.

    The same as asking :func:`difference` for each of :func:`ends_of`, but sets of packets are asked last.
    """
    return any(
        _shape_differs(trace, end) is None and packet in end.packets and difference(trace, end, packet) is None
        for end in ends
    )


def _shape_differs(trace: Trace, end: End) -> str | None:
    """In what reason, devices or interfaces differ."""
    if trace.reason is not end.reason:
        return f"{trace.reason or 'untold'} against {end.reason}"
    if len(trace.steps) != len(end.hops):
        return f"{len(trace.steps)} devices on the way against {len(end.hops)}"
    for number, (step, hop) in enumerate(zip(trace.steps, end.hops, strict=True)):
        if (step.device, step.into) != (hop.device, hop.into):
            return f"{step.device}:{step.into} against {hop.device}:{hop.into}"
        last = number == len(end.hops) - 1
        if step.out != hop.out and not (last and end.reason in _NO_INTERFACE_OUT):
            return f"out of {step.device} by {step.out} against {hop.out}"
    return None


def _lines_differ(step: Step, hop: HopTrace, packet: Packet) -> str | None:
    """In what the lines and the next hop at a device differ."""
    for mine, theirs, where in (
        (step.in_lines, hop.in_lines, "in"),
        (step.out_lines, hop.out_lines, "out"),
        (step.own_lines, hop.port_lines, "at the device itself"),
    ):
        known = _uses(theirs, packet)
        if [_place(line) for line in mine] != [_place(use) for use in known]:
            return f"lines {where} at {step.device}: {_words(mine)} against {_words(known)}"
    route = next((use for packets, use in hop.routes if packet in packets), None)
    if route is not None and None not in (route.next_hop, step.next_hop) and route.next_hop != step.next_hop:
        return f"next hop of {step.device} {step.next_hop} against {route.next_hop}"
    return None


def _uses(parts: Sequence[tuple[PacketSet, LineUse]], packet: Packet) -> list[LineUse]:
    return [use for packets, use in parts if packet in packets]


def _place(line: Decision | LineUse) -> tuple[str, str, str | None, int | None]:
    """By what a line is known."""
    return line.acl, line.action, line.span.file if line.span else None, line.span.line if line.span else None


def _words(lines: Iterable[Decision | LineUse]) -> str:
    return (
        ", ".join(f"{acl} line {number or 'end'} {action}" for acl, action, _, number in map(_place, lines)) or "none"
    )
