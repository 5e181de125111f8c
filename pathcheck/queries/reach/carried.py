"""The packets of many questions, carried together, and their samples tried by the evaluator."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from pathcheck.errors import InternalFault
from pathcheck.evaluator.fleet import evaluate_packet
from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.network.propagation import Fate, Propagation, Touch
from pathcheck.network.reachability import End, Network, Start
from pathcheck.network.reply import replies_to
from pathcheck.packet.address import IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.results.path import Reading
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["Carried", "SecondOpinion", "carry", "carry_back"]

SAMPLES = 200
"""Packets that the evaluator tries at most."""

EFFORT = 100_000
"""What the evaluator may spend, in pairs of a route and an interface of the device that has most: it goes through all
of them for each packet, so that in large fleets it tries fewer packets, or none."""


@dataclass(slots=True)
class Carried:
    """How the packets of one propagation end.

    Parameters
    ----------
    ends
        How packets end, with all that end so.
    """

    version: IPVersion
    starts: Sequence[Start]
    ends: Mapping[Fate, PacketSet]
    touches: tuple[Touch, ...]
    readings: Mapping[Reading, None]
    assumed: Mapping[str, None]
    by_reason: dict[Reason, PacketSet] = field(init=False)

    def __post_init__(self) -> None:
        sets: dict[Reason, list[PacketSet]] = {}
        for fate, packets in self.ends.items():
            sets.setdefault(fate.reason, []).append(packets)
        union = packet_space(self.version).union
        self.by_reason = {reason: union(sets[reason]) for reason in Reason if reason in sets}


class SecondOpinion:
    """Lets the evaluator follow samples, as many as the size of the fleet allows.

    Parameters
    ----------
    config
        The fleet.
    """

    def __init__(self, config: FleetConfig) -> None:
        self._config = config
        pairs = max((len(one.static_routes) * len(one.interfaces) for one in config.devices.values()), default=0)
        self._left = min(SAMPLES, EFFORT // max(1, pairs))
        self.note = (
            "" if self._left else "the fleet is too large to try samples packet by packet; `pathcheck flow` tries them"
        )

    def try_one_of_each(self, carried: Carried, sets: Iterable[PacketSet]) -> None:
        """Try a packet of each set; it must end as that of a set that was carried.

        Raises
        ------
        InternalFault
            The evaluator's certain ends are not those that were found.
        """
        for packets in sets:
            if not self._left:
                return
            sample = packets.sample()
            if sample is not None:
                self._left -= 1
                self._try(carried, sample)

    def _try(self, carried: Carried, sample: Packet) -> None:
        starts = [start for start in carried.starts if sample in start.packets]
        if not starts:
            return
        mine = {reason for reason, packets in carried.by_reason.items() if sample in packets}
        theirs = {
            outcome.reason
            for start in starts
            for outcome in evaluate_packet(self._config, sample, start.at, start.vrf, start.ports)
        }
        if mine - {Reason.UNMODELLED} <= theirs and (Reason.UNMODELLED in mine or theirs <= mine):
            return
        places = ", ".join(f"{start.at.device}:{start.at.interface or '-'}" for start in starts)
        words = [" ".join(sorted(reason.value for reason in reasons)) for reasons in (mine, theirs)]
        raise InternalFault(
            f"two ways to follow one packet disagree: {sample} entering at {places}; "
            f"all together it is {words[0]}, the evaluator says {words[1]}",
            help="report this with the files of the fleet; the answer is withheld",
        )


def carry(network: Network, version: IPVersion, starts: Sequence[Start], known: Iterable[End]) -> Carried:
    """Carry packets from their starts; add the ends that are known without that."""
    work = Propagation(network, version)
    ends = work.carry(starts)
    readings = dict(work.readings)
    for end in known:
        fate = Fate(end.reason, end.back_at, end.back_vrf)
        ends[fate] = ends[fate] | end.packets if fate in ends else end.packets
        readings.update(dict.fromkeys(end.readings))
    touches = (*work.touches(), *(Touch(end.packets, end.doubts) for end in known if end.doubts))
    return Carried(version, starts, ends, touches, readings, dict(work.assumed))


def carry_back(network: Network, carried: Carried, destinations: tuple[Prefix, ...]) -> Carried:
    """Carry the replies to what passes, from where it arrived; what stayed on its subnet is answered there."""
    starts: list[Start] = []
    direct: list[End] = []
    for fate, packets in carried.ends.items():
        if fate.reason.verdict is Verdict.DENIED:
            continue
        replies = replies_to(packets)
        if replies.is_empty:
            continue
        if fate.back_at is None:
            if fate.reason is Reason.ARRIVED:
                direct.append(End(replies, Reason.ARRIVED, (), False, None, shown=replies))
            continue
        at = fate.back_at
        end = None if at.interface is None else LinkEnd(at.device, at.interface)
        starts.append(
            Start(
                at,
                replies,
                destinations,
                fate.back_vrf,
                ports=() if end is None else network.layer2.station_ports(end),
                doubts=() if end is None else network.layer2.inner_list_doubts(end),
            )
        )
    return carry(network, carried.version, _joined(starts), direct)


def _joined(starts: Iterable[Start]) -> list[Start]:
    """Join the starts at one place: what arrives there for certain and what only may is answered alike."""
    found: dict[object, list[Start]] = {}
    for start in starts:
        found.setdefault((start.at, start.vrf), []).append(start)
    return [
        Start(
            same[0].at,
            same[0].packets.space.union(start.packets for start in same),
            same[0].destinations,
            same[0].vrf,
            ports=same[0].ports,
            doubts=same[0].doubts,
        )
        for same in found.values()
    ]
