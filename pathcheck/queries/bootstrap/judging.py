"""Packets of a stage, judged by the walk for every address that a blank switch can have.

A switch takes one address of its pool and one port of its own choice. So packets have to pass from each address,
and a stage fails if those from one do not. Where they pass from some ports only it is not known, because nobody
knows which port the switch or the server takes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from pathcheck.dataplane.first_match import filter_through
from pathcheck.errors import FlowError, InternalFault
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import Action, Direction, ListBinding
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.flow import Flow
from pathcheck.network.reachability import End, Network
from pathcheck.network.reply import replies_to
from pathcheck.packet.address import WIDTH
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import protocol_name
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import packet_space
from pathcheck.queries.flow import Followed, follow
from pathcheck.queries.own_traffic.needs import Need, confirmed_sample, judge_need
from pathcheck.queries.stops import stop_at
from pathcheck.results.bootstrap import StageFlow
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["FREE_PORTS", "flow_words", "judge_lists", "judge_packets"]

FREE_PORTS = Ranges.of((1024, 65535))
"""Ports that a client, or a TFTP server for its answer, takes at will: not the system ports (RFC 6335 section 6)."""

_MOST_PAIRS = 512
"""So many addresses are looked at one by one where some packets pass and some do not."""


def judge_packets(network: Network, what: str, need: Need, *, inside: bool = False, towards: bool = False) -> StageFlow:
    """Judge packets, and their answers where the need has any.

    Parameters
    ----------
    what
        What they are for.
    inside
        Whether the fleet has the subnet of the switch, so that packets which are handed over have not reached it.
    towards
        Whether the packets go to the switch; otherwise it sends them, and their answers go to it.
    """
    words = flow_words(need.flow)
    try:
        followed = follow(network.config, need.flow, reply=need.answer_subject is not None, brief=True)
    except FlowError as error:
        return StageFlow(what, "not-judged", words, error.message)
    well = [_is_well(end, need.receiver) for end in followed.there] + [
        _is_well(end, need.sender) for end in followed.back
    ]
    if followed.there and all(well):
        return StageFlow(what, "holds", words)
    answer = judge_need(network, need)
    if answer.holds is not True:
        is_answer = bool(need.answer_subject) and str(need.answer_subject) in answer.message
        return StageFlow(
            what,
            "broken" if answer.holds is False else "uncertain",
            words,
            answer.message,
            answer.span,
            answer.device,
            answer.acl,
            answer.because,
            f"permit {flow_words(need.flow, back=is_answer)} in `{answer.acl}`"
            if answer.acl is not None and answer.holds is False
            else answer.help,
            answer.sample,
        )
    there = [end for end in followed.there if _is_lost(end, inside and towards)]
    back = [end for end in followed.back if _is_lost(end, inside and not towards)]
    open_ = [end for end in (*followed.there, *followed.back) if end.reason is Reason.UNMODELLED]
    lost = _by_address(network, need, followed, there, back)
    if lost is not None:
        return replace(lost, what=what, packets=words)
    if open_:
        doubt = next((doubt for end in open_ for doubt in end.doubts), None)
        why = f"what becomes of some of {need.subject} is not known" + (f": {doubt.why}" if doubt else "")
        return StageFlow(what, "uncertain", words, why, doubt.span if doubt else None)
    return StageFlow(what, "holds", words)


def _is_well(end: End, owner: str | None) -> bool:
    """Whether packets arrive for certain, at the device that they are for where they are for one."""
    at_owner = end.back_at is not None and end.back_at.device == owner and end.back_at.interface is None
    return end.reason is Reason.ARRIVED and (owner is None or at_owner)


def _is_lost(end: End, inside: bool) -> bool:
    """Whether packets do not arrive for certain."""
    return end.reason.verdict is Verdict.DENIED or (inside and end.reason is Reason.HANDED_OVER)


def _by_address(
    network: Network, need: Need, followed: Followed, there: Sequence[End], back: Sequence[End]
) -> StageFlow | None:
    """Return what is lost though other packets of the same flow pass: those of whole addresses, or of some ports."""
    space = packet_space(need.flow.destination[0].version)
    arrived = space.union(end.packets for end in followed.there) - space.union(end.packets for end in there)
    answered = replies_to(arrived) - space.union(end.packets for end in back)
    partly: tuple[End, bool, Packet] | None = None
    for ends, passing, returning in ((there, arrived, False), (back, answered, True)):
        for end in ends:
            rest = end.packets
            for _ in range(_MOST_PAIRS):
                sample = rest.sample()
                if sample is None:
                    break
                same = space.of(_between(sample))
                if (passing & same).is_empty:
                    return _lost(network, need, followed, end, returning, sample)
                partly = partly or (end, returning, sample)
                rest -= same
    if partly is None:
        return None
    found = _lost(network, need, followed, *partly)
    why = f"only some of {need.subject} pass, by their ports or DSCP, and which are sent is not known: {found.message}"
    return replace(found, state="uncertain", message=why)


def _between(sample: Packet) -> Box:
    """All packets between the addresses of one."""
    source, destination = (
        AddressMatch.prefix(Prefix(address.version, address.value, WIDTH[address.version]))
        for address in (sample.source, sample.destination)
    )
    return Box(source, destination)


def _lost(network: Network, need: Need, followed: Followed, end: End, back: bool, sample: Packet) -> StageFlow:
    """Return the loss of one packet."""
    port = need.flow.destination_ports
    at = "" if port is None else f", from port {port}" if back else f" port {port}"
    stop = stop_at(
        network,
        end,
        sample.version,
        subject=(need.answer_subject or "") if back else need.subject,
        target=str(sample.destination),
        permit=f"{sample.source} to {sample.destination}{at}",
        sender=need.receiver if back else need.sender,
    )
    shown = confirmed_sample(followed, end, back=back)
    help_ = f"permit {flow_words(need.flow, back=back)} in `{stop.acl}`" if stop.acl is not None else stop.help
    return StageFlow("", "broken", "", stop.message, stop.span, stop.device, stop.acl, stop.because, help_, shown)


def judge_lists(
    network: Network,
    what: str,
    packet: Packet,
    met: Sequence[tuple[LinkEnd, Direction, bool]],
    *,
    subject: str,
    permit: str,
) -> StageFlow:
    """Judge one packet, that nobody routes, against the lists where it passes.

    Parameters
    ----------
    met
        Interfaces in the order of the way, the direction, and whether lists of switch ports are meant.
    permit
        What a line would have to say.

    Raises
    ------
    InternalFault
        The evaluator disagrees.
    """
    words = (
        f"{protocol_name(packet.protocol, packet.version)} {packet.source} port {packet.source_port} to "
        f"{packet.destination} port {packet.destination_port}"
    )
    packets = packet_space(packet.version).of_packet(packet)
    for end, direction, on_port in met:
        bindings = _bindings(network, end, direction, on_port)
        device = network.config.devices[end.device]
        for part in filter_through(device, bindings, packets):
            if part.action is Action.PERMIT:
                continue
            binding, use = bindings[len(part.uses) - 1], part.uses[-1]
            where = f"list {binding.list_name} ({direction} on {end})"
            if part.action is None:
                doubt = part.doubts[0] if part.doubts else None
                why = f"whether the {where} lets {subject} through is not known" + (f": {doubt.why}" if doubt else "")
                return StageFlow(what, "uncertain", words, why, doubt.span if doubt else binding.span, end.device)
            decision = evaluate_list(device, binding.family, binding.list_name, packet)
            if decision.action is not Action.DENY:
                raise InternalFault(
                    f"`{packet}` is denied by `{binding.list_name}` of `{end.device}`, but the evaluator says "
                    f"{decision.action or 'uncertain'}",
                    help="report this with the files of the fleet; the answer is withheld",
                )
            line = f"`{use.span.words}`" if use.span is not None else f"its {use.text}"
            access_list = device.access_list(binding.family, binding.list_name)
            span = use.span or (access_list.span if access_list is not None else binding.span)
            return StageFlow(
                what,
                "broken",
                words,
                f"the {where} denies {subject}: {line}",
                span,
                end.device,
                binding.list_name,
                () if span == binding.span else (binding.span,),
                f"write `{permit}` " + ("in front of it" if use.span is not None else f"into `{binding.list_name}`"),
                packet,
            )
        diverting, dropping = network.doubtful(end.device).at(end.interface, direction)
        doubts = (*network.doubtful(end.device).on_device(), *diverting, *dropping)
        if doubts:
            why = f"what {end.device} does with {subject} is not known: {doubts[0].why}"
            return StageFlow(what, "uncertain", words, why, doubts[0].span, end.device)
    return StageFlow(what, "holds", words)


def _bindings(network: Network, end: LinkEnd, direction: Direction, on_port: bool) -> list[ListBinding]:
    """The lists of one kind that are applied somewhere."""
    interface = network.config.devices[end.device].interfaces.get(end.interface)
    return [
        it
        for it in (interface.bindings if interface is not None else ())
        if it.direction == direction and it.family == "ipv4" and it.port == on_port
    ]


def flow_words(flow: Flow, *, back: bool = False) -> str:
    """Return a flow, or its answer, as one clause: protocol, ends and ports."""
    protocol = protocol_name(flow.protocol or 0, 4)
    source, destination = (_addresses(ends) for ends in (flow.source, flow.destination))
    if back:
        return (
            f"{protocol} {destination}{_port_words(flow.destination_ports)} to {source}{_port_words(flow.source_ports)}"
        )
    return f"{protocol} {source}{_port_words(flow.source_ports)} to {destination}{_port_words(flow.destination_ports)}"


def _addresses(prefixes: Sequence[Prefix]) -> str:
    """Prefixes that follow each other as one range."""
    if all(one.last.value + 1 == other.first.value for one, other in pairwise(prefixes)):
        first, last = prefixes[0].first, prefixes[-1].last
        if len(prefixes) == 1 and prefixes[0].size > 1:
            return str(prefixes[0])
        return str(first) if first == last else f"{first}-{last}"
    return ", ".join(str(it.first) if it.size == 1 else str(it) for it in prefixes)


def _port_words(ports: Ranges | None) -> str:
    """Ports behind an address; free ones and any are not said."""
    return "" if ports is None or ports == FREE_PORTS else f" port {ports}"
