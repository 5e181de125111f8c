"""A flow in the model and in the kernel of this machine, side by side."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

from pathcheck.errors import FlowError, LaboratoryError, OutOfTimeError
from pathcheck.fleet import LoadedFleet
from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.network.reachability import End, HopTrace, Start
from pathcheck.network.reply import replies_to
from pathcheck.packet.address import WIDTH, Address
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packetset.algebra import packet_space
from pathcheck.queries.flow import Followed, ask_followed, follow
from pathcheck.queries.rehearse.comparison import difference, is_among
from pathcheck.queries.rehearse.packets import chosen_packets
from pathcheck.queries.rehearse.scope import namespaces_needed, touched_devices
from pathcheck.rehearsal import Decision, Laboratory, Sending, Trace, lacking
from pathcheck.results.path import LineUse
from pathcheck.results.rehearsal import Fate, Rehearsal, RehearsedGroup, RehearsedHop, Standing
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["NAMESPACES", "PACKETS", "SECONDS", "ask_rehearsal"]

PACKETS, NAMESPACES, SECONDS = 500, 64, 120.0
"""How much a rehearsal takes unless more is asked for."""

_FATES = 12
"""Fates that the model knows for one packet and that are told; the comparison knows all."""

_ORDER = (Standing.DISAGREE, Standing.UNTOLD, Standing.OPEN, Standing.AGREE)


def ask_rehearsal(
    loaded: LoadedFleet,
    flow: Flow,
    *,
    reply: bool = True,
    packets: int = PACKETS,
    namespaces: int = NAMESPACES,
    seconds: float = SECONDS,
    progress: Callable[[str], None] = lambda _: None,
) -> Rehearsal:
    """Send packets of a flow through the fleet in namespaces of this machine, and compare.

    Parameters
    ----------
    loaded
        The fleet. Only devices that the flow can touch are loaded.
    flow
        As for `flow`. What stays within a subnet, so that no device takes part, is not sent.
    reply
        Whether the packets that answer are sent from where the kernel let the flow arrive.
    packets, namespaces, seconds
        What the rehearsal may take; the packets are those of one direction.
    progress
        Is told what goes on.

    Returns
    -------
    Rehearsal
        With `obstacle` where it cannot be rehearsed within the bounds.

    Raises
    ------
    FlowError, UnknownNameError, CapacityError
        As for `flow`.
    LaboratoryError
        This machine cannot rehearse.
    InternalFault
        The model disagrees with its evaluator.
    """
    lack = lacking()
    if lack is not None:
        raise LaboratoryError(
            f"nothing can be rehearsed here: {lack}",
            help="run it as root on a Linux machine with `ip` (iproute2) and `nft` (nftables)",
        )
    progress("follow the flow in the model")
    followed = follow(loaded.config, flow, reply=reply)
    answer = ask_followed(followed)
    rehearsal = Rehearsal(
        flow=answer.flow,
        verdict=answer.verdict,
        reason=answer.reason,
        reply_verdict=None if answer.reply is None else answer.reply.verdict,
        reply_reason=None if answer.reply is None else answer.reply.reason,
        kernel=os.uname().release,
        notes=answer.notes,
    )
    ends = [end for end in (*followed.there, *followed.back) if end.start is not None or end.hops]
    devices, left_out = touched_devices(loaded.config, ends, namespaces)
    needed = 1 + sum(namespaces_needed(loaded.config, name) for name in devices)
    chosen = chosen_packets(flow, followed.there, packets)
    if needed > namespaces:
        return replace(rehearsal, obstacle=_too_many(len(devices), needed, namespaces))
    if not chosen:
        return replace(
            rehearsal, obstacle="no device takes part: the packets stay within one subnet, or end before one"
        )
    notes = list(answer.notes)
    if any(end.start is None for end in followed.there):
        notes.append("what stays within one subnet, so that no device takes part, is not sent")
    if left_out:
        notes.append(f"not all devices beside the ways are loaded, for want of room in {namespaces} namespaces")
    notes.append("which interfaces are up and who is at the other end of a wire is the model's word, not the kernel's")
    work = _Rehearsing(loaded.config, flow, followed, reply)
    try:
        progress(f"build {len(devices)} devices in {needed} namespaces")
        with Laboratory(loaded.config, devices, seconds=seconds) as laboratory:
            progress(f"send {len(chosen)} packets")
            work.send(laboratory, chosen)
    except OutOfTimeError as error:
        return replace(rehearsal, obstacle=f"{error.message}; `--seconds` allows more")
    return replace(
        rehearsal, groups=work.result(), devices=tuple(sorted(devices)), namespaces=needed, notes=tuple(notes)
    )


def _too_many(devices: int, needed: int, allowed: int) -> str:
    return (
        f"the flow touches {devices} devices, which need {needed} namespaces, more than {allowed}; "
        f"`--namespaces {needed}` allows them, a narrower flow touches fewer"
    )


@dataclass(slots=True)
class _Rehearsing:
    """The packets of both directions, grouped by how they fared."""

    config: FleetConfig
    flow: Flow
    followed: Followed
    reply: bool
    groups: dict[tuple[object, ...], RehearsedGroup] = field(default_factory=dict)
    _narrow: dict[tuple[object, ...], Followed] = field(default_factory=dict)

    def result(self) -> tuple[RehearsedGroup, ...]:
        """Return the groups, disagreements first, then the way there before the reply, large ones first."""
        return tuple(
            sorted(self.groups.values(), key=lambda it: (_ORDER.index(it.standing), it.reply, -it.packets, str(it.at)))
        )

    def send(self, laboratory: Laboratory, chosen: Sequence[tuple[Start, Packet]]) -> None:
        """Send the flow's packets, then the answers to those that pass."""
        there = [
            Sending(packet, LinkEnd(start.at.device, start.at.interface or ""), start.vrf) for start, packet in chosen
        ]
        answers: list[tuple[Sending, Packet]] = []
        for sending, trace in zip(there, self._sent(laboratory, there), strict=True):
            standing = self._compare(sending, trace, sending.packet, is_reply=False)
            if self.reply and standing is not Standing.OPEN and (back := self._answer(sending, trace)) is not None:
                answers.append((back, sending.packet))
        backs = [sending for sending, _ in answers]
        for (sending, asked), trace in zip(answers, self._sent(laboratory, backs), strict=True):
            self._compare(sending, trace, asked, is_reply=True)

    def _sent(self, laboratory: Laboratory, sendings: Sequence[Sending]) -> list[Trace]:
        """Send packets; those that would enter where nothing is built are only told."""
        by_place = {at: self._unbuilt(laboratory, at) for at in {sending.at for sending in sendings}}
        why_not = [by_place[sending.at] for sending in sendings]
        sent = iter(laboratory.send([it for it, why in zip(sendings, why_not, strict=True) if not why]))
        return [Trace((), None, why) if why else next(sent) for why in why_not]

    def _unbuilt(self, laboratory: Laboratory, at: LinkEnd) -> str:
        """Why packets cannot enter at a place as they do in the model; the empty text where they can."""
        if at.interface and at not in laboratory.plan.ports:
            return f"{at} is no routed interface, and only those are built"
        starts = [end.start for end in (*self.followed.there, *self.followed.back) if end.start is not None]
        for start in starts:
            if (start.at.device, start.at.interface) != (at.device, at.interface):
                continue
            for port in start.ports:
                if any(it.port for it in self.config.devices[port.device].interfaces[port.interface].bindings):
                    return f"packets meet a list on the switch port {port}, and those are not built"
        return ""

    def _answer(self, sending: Sending, trace: Trace) -> Sending | None:
        """Return the answer to a packet that passed, from where the kernel let it arrive."""
        if trace.reason is None or trace.reason.verdict is not Verdict.PERMITTED:
            return None
        packet = replies_to(packet_space(sending.packet.version).of_packet(sending.packet)).sample()
        if packet is None:
            return None
        last = trace.steps[-1]
        if last.out is not None:
            return Sending(packet, LinkEnd(last.device, last.out))
        into = None if last.into is None else self.config.devices[last.device].interfaces[last.into]
        return Sending(packet, LinkEnd(last.device, ""), sending.vrf if into is None else into.vrf)

    def _compare(self, sending: Sending, trace: Trace, asked: Packet, *, is_reply: bool) -> Standing:
        """Hold one packet against the model and put it into its group."""
        packet = sending.packet
        ends = self._ends(self.followed, sending, is_reply)
        agrees = is_among(trace, ends, packet)
        known = [end for end in ends if packet in end.packets]
        if not agrees and (not known or len(self.followed.there) + len(self.followed.back) > _MANY):
            # A walk that has grown large joins what ends alike, so the packet is asked for alone.
            ends = self._ends(self._alone(asked), sending, is_reply)
            agrees = is_among(trace, ends, packet)
            known = [end for end in ends if packet in end.packets]
        found: str | None = None
        if agrees:
            standing = Standing.AGREE
        elif any(end.reason is Reason.UNMODELLED for end in known):
            standing = Standing.OPEN
        elif trace.reason is None:
            # What no route matches or a discard route takes is seen, so a loss in silence is no verdict on either.
            standing = Standing.UNTOLD
        else:
            standing = Standing.DISAGREE
            differences = [difference(trace, end, packet) for end in known]
            found = "; ".join(dict.fromkeys(it for it in differences if it)) or "the model knows no such packet here"
        model = tuple(dict.fromkeys(_model_fate(end, packet) for end in known))[:_FATES]
        kernel = _kernel_fate(trace)
        at = EntryPoint(sending.at.device, sending.at.interface or None)
        key = is_reply, at, model, kernel, standing
        group = self.groups.get(key)
        if group is None:
            self.groups[key] = RehearsedGroup(is_reply, at, model, kernel, standing, 1, packet, found)
        else:
            self.groups[key] = replace(group, packets=group.packets + 1)
        return standing

    def _ends(self, followed: Followed, sending: Sending, is_reply: bool) -> list[End]:
        """Return the ends of packets that enter where this one does."""
        at = EntryPoint(sending.at.device, sending.at.interface or None)
        return [
            end
            for end in (followed.back if is_reply else followed.there)
            if end.start is not None
            and end.packets.version == sending.packet.version
            and end.start.at == at
            and (at.interface is not None or end.start.vrf == sending.vrf)
        ]

    def _alone(self, packet: Packet) -> Followed:
        """Follow the packets of the flow between two addresses."""
        key = packet.source, packet.destination
        if key not in self._narrow:
            narrow = replace(self.flow, source=(_host(packet.source),), destination=(_host(packet.destination),))
            try:
                self._narrow[key] = follow(self.config, narrow, reply=self.reply)
            except FlowError as error:
                raise LaboratoryError(f"a packet that was sent cannot be asked for alone: {error.message}") from error
        return self._narrow[key]


_MANY = 200
"""With so many ends a walk may have joined some."""


def _host(address: Address) -> Prefix:
    return Prefix(address.version, address.value, WIDTH[address.version])


def _model_fate(end: End, packet: Packet) -> Fate:
    """What the model says of a packet."""
    uses = [use for hop in end.hops for use in _uses(hop, packet)] if packet in end.shown else []
    hops = tuple(RehearsedHop(hop.device, hop.into, hop.out) for hop in end.hops)
    why = end.doubts[0].why if end.doubts else ""
    faults = [fault.why for hop in end.hops for fault in hop.faults]
    return Fate(end.reason, hops, _deciding(uses, end.reason), why or (faults[0] if faults else ""))


def _uses(hop: HopTrace, packet: Packet) -> Iterable[LineUse]:
    for parts in (hop.in_lines, hop.out_lines, hop.port_lines):
        for packets, use in parts:
            if packet in packets:
                yield use


def _kernel_fate(trace: Trace) -> Fate:
    """What the kernel did with a packet."""
    uses = [_line_use(line) for step in trace.steps for line in step.lines]
    hops = tuple(RehearsedHop(step.device, step.into, step.out) for step in trace.steps)
    return Fate(trace.reason, hops, _deciding(uses, trace.reason), trace.why)


def _line_use(line: Decision) -> LineUse:
    text = line.span.words if line.span is not None else f"implicit {line.action}"
    return LineUse(line.acl, line.action, text, line.span)


def _deciding(uses: Sequence[LineUse], reason: Reason | None) -> LineUse | None:
    """The line that dropped a packet, or the last one that let it through."""
    if reason is Reason.FILTERED:
        return next((use for use in reversed(uses) if use.action == "deny"), None)
    return uses[-1] if uses and reason is not None and reason.verdict is Verdict.PERMITTED else None
