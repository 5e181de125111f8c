"""All packets at once: sets carried over the fleet together, whichever source they come from.

A walk follows each way by itself, which one question wants to see. A matrix of
hundreds of subnets wants only to know how packets end, so here whatever comes to one
place by different ways is put together before it goes on. The rules of forwarding
are those of :class:`~pathcheck.network.reachability.Walk`; only the order of the
work and what is written down differ.

A place is an interface where packets arrive, or a table that they are looked up in.
Packets that pass a place go on from it in the same way, wherever they came from, so
a packet loops exactly if from the places that it reaches it can go on for ever.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from pathcheck.dataplane.first_match import filter_packets
from pathcheck.model.access_list import Action
from pathcheck.model.device import Device
from pathcheck.model.flow import EntryPoint
from pathcheck.model.unmodelled import TranslationScope
from pathcheck.network.reachability import HopTrace, Network, Start, Walk, _Step
from pathcheck.packet.address import IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.packetset.algebra import PacketSet
from pathcheck.results.path import Doubt, Reading
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["Fate", "Propagation", "Touch"]

_IN_DOUBT = (Doubt("something on the way may have dropped the packets", None),)


class Fate(NamedTuple):
    """How packets end, and where answers to them start; the place is None where that is not known."""

    reason: Reason
    back_at: EntryPoint | None = None
    back_vrf: str | None = None


@dataclass(frozen=True, slots=True)
class Touch:
    """Packets that doubtful lines touched on their way; each of several lines touches some of them.

    Parameters
    ----------
    access_list
        The device and the list whose lines the doubts are, where they are.
    """

    packets: PacketSet
    doubts: tuple[Doubt, ...]
    access_list: tuple[Device, str] | None = None

    def doubts_about(self, packets: PacketSet) -> tuple[Doubt, ...]:
        """Return those doubts that touch some of these packets."""
        met = self.packets & packets
        if met.is_empty:
            return ()
        if len(self.doubts) == 1 or self.access_list is None:
            return self.doubts
        device, name = self.access_list
        parts = filter_packets(device, "ipv4" if met.version == 4 else "ipv6", name, met)
        return tuple(dict.fromkeys(doubt for part in parts if part.action is None for doubt in part.doubts))


class _Place(NamedTuple):
    """Where packets are; the side tells apart what the table must: own packets, and sides of translation."""

    device: str
    vrf: str | None
    into: str | None
    is_table: bool
    in_doubt: bool


@dataclass(slots=True)
class _Arrivals:
    """What has come to a place and is still to be followed."""

    step: _Step
    packets: list[PacketSet] = field(default_factory=list)
    destinations: dict[Prefix, None] = field(default_factory=dict)


@dataclass(slots=True)
class _Decided:
    """What a list decides, of all packets that have met it so far."""

    known: PacketSet
    permitted: PacketSet
    uncertain: PacketSet
    parts: list[tuple[PacketSet, tuple[Doubt, ...]]] = field(default_factory=list)
    readings: dict[Reading, None] = field(default_factory=dict)


class Propagation(Walk):
    """One propagation of packets of one IP version from many starts.

    The same packet must enter in the same way, wherever it belongs to: two
    starts of one packet are equal-cost alternatives of each other.

    Parameters
    ----------
    network
        The fleet.
    version
        4 or 6.

    Attributes
    ----------
    readings
        The assumptions that any of the ends rests on.
    assumed
        As of a walk.
    """

    def __init__(self, network: Network, version: IPVersion) -> None:
        super().__init__(network, version)
        self.readings: dict[Reading, None] = {}
        self._arriving: dict[_Place, _Arrivals] = {}
        self._looked_up: dict[_Place, _Arrivals] = {}
        self._here: _Place | None = None
        self._seen: dict[_Place, PacketSet] = {}
        self._edges: dict[tuple[_Place, _Place], list[PacketSet]] = {}
        self._found: dict[Fate, list[PacketSet]] = {}
        self._touched: dict[tuple[tuple[Doubt, ...], tuple[str, str] | None], list[PacketSet]] = {}
        self._decided_by: dict[tuple[str, str], _Decided] = {}
        self._guarding: tuple[str, str] | None = None
        self._translates: dict[str, bool] = {}

    def carry(self, starts: Iterable[Start]) -> dict[Fate, PacketSet]:
        """Carry all packets from all starts to their ends.

        Returns
        -------
        dict
            How packets end, with all that end so; a packet that has several ways may be in
            several sets. Together they are the packets of the starts.
        """
        for start in starts:
            self._here = None
            self._cross(self._begin(start))
        while self._arriving or self._looked_up:
            # What has arrived goes first, so that as much as possible comes to a table together.
            waiting, self._arriving = self._arriving, {}
            for place, arrivals in waiting.items():
                self._pass(place, arrivals)
            if not self._arriving:
                waiting, self._looked_up = self._looked_up, {}
                for place, arrivals in waiting.items():
                    self._pass(place, arrivals)
        ends = {fate: self._union(sets) for fate, sets in self._found.items()}
        looping = self._looping()
        if not looping.is_empty:
            ends[Fate(Reason.LOOPING)] = looping
        return ends

    def touches(self) -> tuple[Touch, ...]:
        """Return what doubtful lines touched, whether or not the packets were then denied in any case."""
        return tuple(
            Touch(
                self._union(sets),
                doubts,
                None if guard is None else (self._topology.device(guard[0]), guard[1]),
            )
            for (doubts, guard), sets in self._touched.items()
        )

    def seen_at(self, device: str, interface: str | None = None) -> PacketSet:
        """Return the packets that have arrived at an interface, or that a table of the device was asked about.

        Parameters
        ----------
        interface
            None for the tables, whichever interface packets came by.
        """
        return self._union(
            packets
            for place, packets in self._seen.items()
            if place.device == device
            and place.is_table is (interface is None)
            and (interface is None or place.into == interface)
        )

    # ---- places -----------------------------------------------------------------------------

    def _begin(self, start: Start) -> _Step:
        interface = self._interface(start.at)
        step = _Step(
            start.at.device,
            start.at.interface,
            interface.vrf if interface is not None else start.vrf,
            start.packets,
            start.destinations,
            start,
            hops=(HopTrace(start.at.device, start.at.interface),),
        )
        return self._add(step, doubts=start.doubts)

    def _pass(self, place: _Place, arrivals: _Arrivals) -> None:
        """Carry on what is new at a place."""
        seen = self._seen.get(place)
        packets = self._union(arrivals.packets)
        if seen is not None:
            packets -= seen
        if packets.is_empty:
            return
        self._seen[place] = packets if seen is None else seen | packets
        self._here = place
        step = replace(arrivals.step, packets=packets, destinations=tuple(arrivals.destinations))
        if place.is_table:
            super()._route(step)
        else:
            self._cross(step)

    def _follow(self, step: _Step) -> None:
        """Let packets wait at the interface where they arrive."""
        place = _Place(step.device, step.vrf, step.into, False, bool(step.doubts))
        start = Start(EntryPoint(step.device, step.into), step.packets, ())
        waiting = replace(step, start=start, hops=(HopTrace(step.device, step.into),), readings=(), notes=())
        self._wait(self._arriving, place, waiting)

    def _route(self, step: _Step) -> None:
        """Let packets wait at the table; only where a device translates does it matter how they came."""
        into = step.into if step.into is None or self._is_translating(step.device) else ""
        self._wait(self._looked_up, _Place(step.device, step.vrf, into, True, bool(step.doubts)), step)

    def _wait(self, where: dict[_Place, _Arrivals], place: _Place, step: _Step) -> None:
        if step.packets.is_empty:
            return
        arrivals = where.get(place)
        if arrivals is None:
            arrivals = where[place] = _Arrivals(step)
        arrivals.packets.append(step.packets)
        arrivals.destinations.update(dict.fromkeys(step.destinations))
        if self._here is not None:
            self._edges.setdefault((self._here, place), []).append(step.packets)

    def _is_translating(self, device: str) -> bool:
        found = self._translates.get(device)
        if found is None:
            lines = self._topology.device(device).unmodelled
            found = self._translates[device] = any(isinstance(line.scope, TranslationScope) for line in lines)
        return found

    # ---- what is written down ---------------------------------------------------------------

    def _add(self, step: _Step, *, doubts: Sequence[Doubt] = (), readings: Sequence[Reading] = ()) -> _Step:
        """Write down doubts and readings; the step only knows whether it is in doubt."""
        self.readings.update(dict.fromkeys(readings))
        if not doubts:
            return step
        self._touched.setdefault((tuple(doubts), self._guarding), []).append(step.packets)
        return step if step.doubts else replace(step, doubts=_IN_DOUBT)

    def _end(
        self,
        step: _Step,
        reason: Reason,
        *,
        cycle: tuple[str, ...] = (),  # noqa: ARG002
        back_at: EntryPoint | None = None,
        back_vrf: str | None = None,
    ) -> None:
        """Write down what becomes of packets; what may only have been dropped before is denied in any case."""
        if step.packets.is_empty:
            return
        if reason.verdict is Verdict.PERMITTED and step.doubts:
            reason = Reason.UNMODELLED
        self._found.setdefault(Fate(reason, back_at, back_vrf), []).append(step.packets)

    # ---- lists ------------------------------------------------------------------------------

    def _through_list(self, step: _Step, device: Device, name: str, slot: str) -> Iterator[_Step]:  # noqa: ARG002
        """Pass packets through one list; each packet is asked about once, however often it comes by."""
        decided = self._ask(device, name, step.packets)
        self.readings.update(decided.readings)
        passed = step.packets & decided.permitted
        unknown = step.packets & decided.uncertain
        self._end(replace(step, packets=step.packets - passed - unknown), Reason.FILTERED)
        if not passed.is_empty:
            yield replace(step, packets=passed)
        if not unknown.is_empty:
            self._guarding = (device.name, name)
            for packets, doubts in decided.parts:
                met = packets & unknown
                if not met.is_empty:
                    self._add(replace(step, packets=met), doubts=doubts)
            self._guarding = None
            yield replace(step, packets=unknown, doubts=_IN_DOUBT)

    def _ask(self, device: Device, name: str, packets: PacketSet) -> _Decided:
        key = (device.name, name)
        decided = self._decided_by.get(key)
        if decided is None:
            empty = self._space.empty
            decided = self._decided_by[key] = _Decided(empty, empty, empty)
        missing = packets - decided.known
        if missing.is_empty:
            return decided
        decided.known |= missing
        parts = filter_packets(device, self._family, name, missing)
        permitted = self._union(part.packets for part in parts if part.action is Action.PERMIT)
        uncertain = [(part.packets, part.doubts) for part in parts if part.action is None]
        decided.permitted |= permitted
        decided.uncertain |= self._union(packets for packets, _ in uncertain)
        decided.parts.extend(uncertain)
        decided.readings.update(dict.fromkeys(reading for part in parts for reading in part.readings))
        return decided

    # ---- loops ------------------------------------------------------------------------------

    def _looping(self) -> PacketSet:
        """Return the packets that can go on for ever from some place that they reach.

        The largest sets of packets at places are looked for of which each packet
        goes on to a place where it is in the set again: begin with all that was seen, and take away
        what does not go on, until nothing changes.
        """
        onward: dict[_Place, list[tuple[_Place, PacketSet]]] = {}
        behind: dict[_Place, list[_Place]] = {}
        for (here, there), sets in self._edges.items():
            onward.setdefault(here, []).append((there, self._union(sets)))
            behind.setdefault(there, []).append(here)
        left = dict(self._seen)
        waiting = dict.fromkeys(reversed(self._seen))
        while waiting:
            place = next(iter(waiting))
            del waiting[place]
            kept = self._union(
                packets & left[there] for there, packets in onward.get(place, ()) if not left[there].is_empty
            )
            if kept != left[place]:
                left[place] = kept
                waiting.update(dict.fromkeys(other for other in behind.get(place, ()) if not left[other].is_empty))
        return self._union(packets for packets in left.values() if not packets.is_empty)
