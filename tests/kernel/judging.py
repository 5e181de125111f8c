"""What the kernel did with each packet against the walk of sets and the evaluator; nothing is left out unsaid."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from pathcheck.evaluator import evaluate_packet
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.flow import EntryPoint
from pathcheck.network.reachability import End
from pathcheck.packet.address import WIDTH, Address
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.rehearse.comparison import difference, is_among
from pathcheck.rehearsal import Sending, Trace
from pathcheck.results.verdict import Reason

EVALUATED = 4
"""Each packet of so many is followed by the evaluator as well, which takes most of the time."""


@dataclass
class Tally:
    """What was compared over the whole run.

    Attributes
    ----------
    agreed
        By what became of the packet.
    left_out
        By why it could not be compared.
    """

    agreed: Counter[str] = field(default_factory=Counter)
    left_out: Counter[str] = field(default_factory=Counter)
    drawn: Counter[str] = field(default_factory=Counter)

    @property
    def total(self) -> int:
        return self.agreed.total() + self.left_out.total()

    def words(self) -> list[str]:
        shown = ", ".join(f"{count:,} {reason}" for reason, count in self.agreed.most_common())
        lines = [f"{self.agreed.total():,} packets compared one by one: {shown}"]
        if self.left_out:
            lines.append(f"{self.left_out.total():,} left out:")
            lines += [f"  {count:,} {why}" for why, count in self.left_out.most_common()]
        return lines


TALLY = Tally()


def host(address: Address) -> Prefix:
    return Prefix(address.version, address.value, WIDTH[address.version])


def described(sending: Sending) -> str:
    one = sending.packet
    return (
        f"{one.source} to {one.destination} protocol {one.protocol} ports {one.source_port} {one.destination_port} "
        f"icmp {one.icmp_type}/{one.icmp_code} flags {one.flags} dscp {one.dscp} fragment {one.fragment} "
        f"at {sending.at} ({sending.vrf})"
    )


def judge(sending: Sending, trace: Trace, ends: Sequence[End]) -> str | None:
    """Hold one packet's way against those that the walk knows; return what is wrong, None for nothing."""
    if is_among(trace, ends, sending.packet):
        TALLY.agreed[str(trace.reason)] += 1
        return None
    known = [end for end in ends if sending.packet in end.packets]
    if any(end.reason is Reason.UNMODELLED for end in known):
        TALLY.left_out["the model is uncertain"] += 1
        return None
    if trace.reason is None and not trace.lost:
        TALLY.left_out[kind_of(trace.why)] += 1
        return None
    differences = [difference(trace, end, sending.packet) for end in known]
    return f"{described(sending)}: the kernel {trace.reason} {trace.why}; against the walk: {differences}"


def kind_of(why: str) -> str:
    """Return a reason without the addresses in it."""
    return " ".join("..." if any(mark in word for mark in ".:/") else word for word in why.split())


def judge_by_evaluator(config: FleetConfig, sending: Sending, trace: Trace) -> str | None:
    """Hold one packet's way against the evaluator, which knows no lines and no next hops."""
    at = EntryPoint(sending.at.device, sending.at.interface or None)
    outcomes = evaluate_packet(config, sending.packet, at, sending.vrf)
    if trace.reason is None or any(outcome.reason is Reason.UNMODELLED for outcome in outcomes):
        return None
    mine = [(step.device, step.into) for step in trace.steps]
    for outcome in outcomes:
        if outcome.reason is trace.reason and mine == [hop[:2] for hop in outcome.trail]:
            return None
    return f"{described(sending)}: the kernel {trace.reason} over {mine}; the evaluator {outcomes}"


def reply_to(packet: Packet) -> Packet | None:
    """Return the packet that answers, from its own definition (RFC 792, RFC 4443 section 4, RFC 9293 section 3.5)."""
    from dataclasses import replace

    if packet.protocol in (1, 58):
        echo, reply = (8, 0) if packet.version == 4 else (128, 129)
        own = packet.protocol == (1 if packet.version == 4 else 58)
        if packet.fragment or not own or packet.icmp_type != echo:
            return None
        return replace(packet.swapped(), icmp_type=reply)
    if packet.protocol == 6 and not packet.fragment:
        return replace(packet.swapped(), flags=packet.flags | 16)
    return packet.swapped()


def raise_faults(faults: Iterable[str | None], seed: object) -> None:
    """Fail with the first few disagreements."""
    found = [fault for fault in faults if fault is not None]
    assert not found, f"{len(found)} packets, seed {seed}:\n" + "\n".join(found[:4])
