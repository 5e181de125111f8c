"""A flow that somebody needs, judged by the walk.

Which port the sender takes is its own choice, and a list may permit only the ones that it takes. So a
need fails only where packets from no port get through with their answers, and holds where those from some do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from pathcheck.errors import FlowError
from pathcheck.model.flow import Flow
from pathcheck.network.reachability import End, Network
from pathcheck.network.reply import replies_to
from pathcheck.packet.address import WIDTH, Address
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.queries.flow import Followed, ask_followed, follow
from pathcheck.queries.stops import stop_at
from pathcheck.results.own_traffic import NeedAnswer
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["Need", "confirmed_sample", "judge_need", "judge_needs"]


@dataclass(frozen=True, slots=True)
class Need:
    """Packets that have to pass.

    Parameters
    ----------
    flow
        All packets, one of which is sent: those from any port that the sender may take.
    subject
        What they are, as `time requests`.
    answer_subject
        What the answers are; None where none is needed.
    sender
        The device that sends them, if one does.
    receiver
        The device that they are for, if one is; they have to arrive at itself.
    leaving
        Where the packets have the address of the interface by which they leave the sender: that interface by the
        address. The flow has all of these as sources, and each is judged.
    """

    flow: Flow
    subject: str
    answer_subject: str | None = None
    sender: str | None = None
    receiver: str | None = None
    leaving: Mapping[Address, str] = field(default_factory=dict)


def judge_needs(network: Network, needs: Sequence[Need]) -> NeedAnswer:
    """Judge several needs, one of which is enough."""
    answers = []
    for need in needs:
        answers.append(judge_need(network, need))
        if answers[-1].holds:
            return answers[-1]
    return next((it for it in answers if it.holds is None), answers[0])


def judge_need(network: Network, need: Need) -> NeedAnswer:
    """Judge one need; where several addresses are possible, the answer is certain only if they agree.

    Raises
    ------
    CapacityError
        The packets part into too many sets.
    """
    version = need.flow.destination[0].version
    from_each = {address: _from(address) for address in need.leaving}
    leaving = {need.leaving[address]: packets for address, packets in from_each.items()} or None
    try:
        followed = follow(network.config, need.flow, reply=need.answer_subject is not None, brief=True, leaving=leaving)
    except FlowError as error:
        return NeedAnswer(None, error.message)
    sets = from_each.values() or (packet_space(version).full,)
    found = [_judge(network, need, followed, packets) for packets in sets]
    answers = [answer for answer, _ in found]
    if len({it.holds for it in answers}) == 1:
        answer, loss = found[0]
        # The evaluator is asked once, and only where something is shown.
        return answer if loss is None else replace(answer, sample=confirmed_sample(followed, loss[0], back=loss[1]))
    other = next(it for it in answers if not it.holds)
    if other.holds is None:
        return other
    message = f"it depends on the way that {need.sender} takes: {other.message}"
    return NeedAnswer(None, message, other.span, other.device)


_Loss = tuple[End, bool]
"""Where packets, or their answers, are lost."""


def _judge(network: Network, need: Need, followed: Followed, sent: PacketSet) -> tuple[NeedAnswer, _Loss | None]:
    """Judge those packets of a need that are among some."""
    space, answers = packet_space(sent.version), replies_to(sent)
    there = [end for end in followed.there if not end.packets.isdisjoint(sent)]
    back = [end for end in followed.back if not end.packets.isdisjoint(answers)]
    lost = [end for end in there if _is_lost(end, need.receiver)]
    lost_back = [end for end in back if _is_lost(end, need.sender)]
    open_ = [end for end in there if end.reason is Reason.UNMODELLED]
    open_back = [end for end in back if end.reason is Reason.UNMODELLED]
    asked = space.union(end.packets for end in there) & sent
    if asked.is_empty:
        return NeedAnswer(None, f"no way is known on which {need.subject} leave {need.sender}"), None
    passing = asked - space.union(end.packets for end in lost)
    if passing.is_empty:
        return _lost(network, need, lost[0], back=False), (lost[0], False)
    certain = passing - space.union(end.packets for end in open_)
    if need.answer_subject is None:
        return (NeedAnswer(True) if not certain.is_empty else _open(need, open_, back=False)), None
    gone = space.union(end.packets for end in lost_back)
    if (replies_to(passing) - gone).is_empty:
        return _lost(network, need, lost_back[0], back=True), (lost_back[0], True)
    if not (replies_to(certain) - gone - space.union(end.packets for end in open_back)).is_empty:
        return NeedAnswer(True), None
    return _open(need, open_ or open_back, back=not open_), None


@lru_cache(maxsize=1024)
def _from(address: Address) -> PacketSet:
    """Return all packets from an address."""
    source = Prefix(address.version, address.value, WIDTH[address.version])
    return packet_space(address.version).of(Box(AddressMatch.prefix(source), AddressMatch.any(address.version)))


def _is_lost(end: End, owner: str | None) -> bool:
    """Whether packets do not arrive for certain; those for a device of the fleet have to arrive at itself."""
    if end.reason.verdict is Verdict.UNCERTAIN:
        return False
    if owner is None:
        return end.reason.verdict is Verdict.DENIED
    at_owner = end.back_at is not None and end.back_at.device == owner and end.back_at.interface is None
    return end.reason is not Reason.ARRIVED or not at_owner


def _lost(network: Network, need: Need, end: End, *, back: bool) -> NeedAnswer:
    """Return that packets, or their answers, are lost, by what happens to some of them."""
    source, destination = _ends(need.flow)
    target, other = (source, destination) if back else (destination, source)
    words = f"{other} to {target}" + _port_words(need.flow, back)
    stop = stop_at(
        network,
        end,
        need.flow.destination[0].version,
        subject=(need.answer_subject or "") if back else need.subject,
        target=target,
        permit=words,
        sender=need.receiver if back else need.sender,
    )
    return NeedAnswer(False, stop.message, stop.span, stop.device, stop.acl, stop.because, stop.help)


def confirmed_sample(followed: Followed, end: End, *, back: bool) -> Packet | None:
    """Return a packet of an end that the evaluator has followed, too.

    Raises
    ------
    InternalFault
        The evaluator disagrees.
    """
    answer = ask_followed(followed)
    paths = answer.paths if not back else answer.reply.paths if answer.reply is not None else ()
    samples = (path.sample for path in paths if path.reason is end.reason and path.sample is not None)
    return next((sample for sample in samples if sample in end.packets), None)


def _open(need: Need, ends: Sequence[End], *, back: bool) -> NeedAnswer:
    """Return that something leaves it open."""
    subject = (need.answer_subject or "") if back else need.subject
    for end in ends:
        if end.doubts:
            at = f" at {end.hops[-1].device}" if end.hops else ""
            doubt = end.doubts[0]
            message = f"what becomes of {subject}{at} is not known: {doubt.why}"
            return NeedAnswer(None, message, doubt.span, end.hops[-1].device if end.hops else None)
    return NeedAnswer(None, f"what becomes of {subject} is not known")


def _ends(flow: Flow) -> tuple[str, str]:
    """The addresses of a flow as words."""
    words = [
        ", ".join(str(it.first) if it.size == 1 else str(it) for it in prefixes)
        for prefixes in (flow.source, flow.destination)
    ]
    return words[0], words[1]


def _port_words(flow: Flow, back: bool) -> str:
    """The port of the service, at the end where it stands."""
    if flow.destination_ports is None:
        return ""
    return f", from port {flow.destination_ports}" if back else f" port {flow.destination_ports}"
