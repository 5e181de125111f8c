"""The inverse of the matrix: from which source addresses, entering where, one destination is reached."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pathcheck.errors import FlowError
from pathcheck.fleet import LoadedFleet
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.network.entry import flow_entries, flow_packets, unicast_parts
from pathcheck.network.reachability import End, Network, Start
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.queries.flow import network_of
from pathcheck.queries.reach.carried import Carried, SecondOpinion, carry
from pathcheck.queries.reach.ends import holds_stations
from pathcheck.queries.reach.matrix import DOUBTS, Advance
from pathcheck.results.path import Doubt, Reading
from pathcheck.results.reach import EntrySources, SourcesAnswer
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["ask_sources"]


def ask_sources(
    loaded: LoadedFleet,
    service: str,
    flows: Mapping[IPVersion, Flow],
    destination: str,
    prefixes: Sequence[Prefix],
    *,
    advance: Advance = lambda _: None,
) -> SourcesAnswer:
    """Ask from where a destination is reached.

    Parameters
    ----------
    loaded
        The fleet.
    service, flows
        As for :func:`pathcheck.queries.reach.matrix.ask_reach`.
    destination, prefixes
        As written, and what it stands for.
    advance
        Told of entry points that are done.

    Returns
    -------
    SourcesAnswer
        Each interface behind which stations, or devices that are not of the fleet, can be. The sources of
        one entry are those for which `flow --at` gives the verdict; stations of its subnets
        reach their own subnet without it.

    Raises
    ------
    FlowError
        The destination and the service have no IP version in common, or nobody can enter the fleet.
    InternalFault
        The evaluator disagrees.
    """
    network = network_of(loaded.config)
    versions = [version for version in flows if any(prefix.version == version for prefix in prefixes)]
    if not versions:
        raise FlowError(f"`{destination}` and the service `{service}` have no IP version in common")
    work = _Sources(network)
    entries: list[EntrySources] = []
    for version in versions:
        there = tuple(prefix for prefix in prefixes if prefix.version == version)
        flow = replace(flows[version], destination=there, destination_named=destination)
        for end, subnets in _entry_points(network, version):
            entries.append(work.entry(end, subnets, flow, version))
            advance(1)
    if not entries:
        raise FlowError("no device of the fleet that routes has an interface on a subnet with room for a station")
    return SourcesAnswer(
        service, destination, tuple(prefixes), tuple(entries), tuple(work.readings), tuple(work.all_notes())
    )


def _entry_points(network: Network, version: IPVersion) -> Iterator[tuple[LinkEnd, tuple[Prefix, ...]]]:
    """Yield each routed interface with its subnets on which somebody can be that is no device of the fleet."""
    topology = network.topology
    found: dict[LinkEnd, dict[Prefix, None]] = {}
    for item in topology.attachments:
        if item.address.address.version == version and item.address.role != "link-local" and topology.may_be_up(item):
            found.setdefault(item.end, {})[item.prefix] = None
    stations: dict[Prefix, bool] = {}
    for end, subnets in found.items():
        for subnet in subnets:
            if subnet not in stations:
                stations[subnet] = holds_stations(topology, subnet)
        interface = topology.device(end.device).interfaces[end.interface]
        if (
            interface.kind != "loopback"
            and any(stations[subnet] for subnet in subnets)
            and network.routing(end.device, version).on
        ):
            yield end, tuple(sorted(subnets))


@dataclass(slots=True)
class _Sources:
    """The work on one destination."""

    network: Network
    readings: dict[Reading, None] = field(default_factory=dict)
    assumed: dict[str, None] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    opinion: SecondOpinion = field(init=False)

    def __post_init__(self) -> None:
        self.opinion = SecondOpinion(self.network.config)

    def all_notes(self) -> list[str]:
        """Return the notes, with what was assumed about cables."""
        found = list(dict.fromkeys((*self.notes, *filter(None, [self.opinion.note]))))
        if self.assumed:
            names = ", ".join(list(self.assumed)[:6]) + (", and others" if len(self.assumed) > 6 else "")
            found.append(f"no cabling is given for {names}: the subnets are assumed to be carried")
        return found

    def entry(self, end: LinkEnd, subnets: tuple[Prefix, ...], flow: Flow, version: IPVersion) -> EntrySources:
        """Return the sources that reach the destination from one entry point."""
        starts, known = self._from_stations(end, subnets, flow, version)
        starts.extend(self._from_others(end, subnets, flow, version))
        carried = carry(self.network, version, starts, known)
        self.readings.update(carried.readings)
        self.assumed.update(carried.assumed)
        self.opinion.try_one_of_each(carried, carried.by_reason.values())
        passing = self._sources(carried, version, Verdict.PERMITTED)
        dropped = self._sources(carried, version, Verdict.DENIED)
        unknown = self._sources(carried, version, Verdict.UNCERTAIN)
        # Per source the verdict of `flow`: what passes and what does not make `partly`, whatever else is open.
        partly = passing & dropped
        uncertain = _without(unknown, partly, version)
        whole = _without(passing, partly | uncertain, version)
        within = Ranges.of(*((subnet.value, subnet.value + subnet.size - 1) for subnet in subnets))
        cover = _Cover(version, passing | dropped | unknown, within)
        return EntrySources(
            str(end),
            version,
            subnets,
            open=cover.stations(whole),
            partly=cover.stations(partly),
            uncertain=cover.stations(uncertain),
            others_open=cover.others(whole),
            others_partly=cover.others(partly),
            others_uncertain=cover.others(uncertain),
            doubts=self._doubts(carried) if uncertain else (),
        )

    def _from_stations(
        self, end: LinkEnd, subnets: tuple[Prefix, ...], flow: Flow, version: IPVersion
    ) -> tuple[list[Start], list[End]]:
        """Return what the stations of an entry's subnets send: by this gateway, and within the subnet by none."""
        starts: list[Start] = []
        known: list[End] = []
        for subnet in subnets:
            try:
                entries = flow_entries(self.network, replace(flow, source=(subnet,), source_named=str(subnet)), version)
            except FlowError:
                continue
            local = flow_packets(replace(flow, destination=(subnet,)), version)
            at = EntryPoint(end.device, end.interface)
            for start in entries.starts:
                if start.at == at:
                    starts.append(start)
                elif not (start.packets & local).is_empty:
                    starts.append(replace(start, packets=start.packets & local))
            known.extend(entries.ends)
            self.notes.extend(note for note in entries.notes if note.startswith("left out of the destination"))
        return starts, known

    def _from_others(
        self, end: LinkEnd, subnets: tuple[Prefix, ...], flow: Flow, version: IPVersion
    ) -> Iterator[Start]:  # fmt: skip
        """Yield what enters with a source that is on none of the subnets, the devices' own addresses included."""
        outside = unicast_parts(Prefix.everything(version).without(subnets), version)
        there = unicast_parts(flow.destination, version)
        packets = flow_packets(replace(flow, source=outside, destination=there), version)
        if not packets.is_empty:
            yield Start(
                EntryPoint(end.device, end.interface),
                packets,
                there,
                ports=self.network.layer2.station_ports(end),
                doubts=self.network.layer2.inner_list_doubts(end),
            )

    def _sources(self, carried: Carried, version: IPVersion, verdict: Verdict) -> Ranges:
        """Return the sources of the packets that end with a verdict, on one of their ways at least."""
        sets: list[PacketSet] = [it for reason, it in carried.by_reason.items() if reason.verdict is verdict]
        return packet_space(version).union(sets).sources()

    def _doubts(self, carried: Carried) -> tuple[Doubt, ...]:
        unknown = carried.by_reason[Reason.UNMODELLED]
        found = dict.fromkeys(doubt for touch in carried.touches for doubt in touch.doubts_about(unknown))
        return tuple(found)[:DOUBTS]


@dataclass(slots=True)
class _Cover:
    """Sources as few prefixes, which may hold addresses that no packet asked about has, because that makes them few."""

    version: IPVersion
    asked: Ranges
    within: Ranges

    def stations(self, part: Ranges) -> tuple[Prefix, ...]:
        """Return the sources of the subnets in a part."""
        wanted = part & self.within
        free = self.within & _without(self.within, self.asked, self.version)
        return self._prefixes(wanted, wanted | free)

    def others(self, part: Ranges) -> tuple[Prefix, ...]:
        """Return all other sources in a part; where all stations are in it too, the subnets may be held as well."""
        wanted = _without(part, self.within, self.version)
        free = _without(self.asked.complement((1 << WIDTH[self.version]) - 1), self.within, self.version)
        if not _without(self.within & self.asked, part, self.version):
            free |= self.within
        return self._prefixes(wanted, wanted | free)

    def _prefixes(self, wanted: Ranges, allowed: Ranges) -> tuple[Prefix, ...]:
        """Return the largest prefixes of what is allowed, as far as they hold something wanted."""
        if not wanted:
            return ()
        return tuple(
            prefix
            for low, high in allowed.spans
            if _meets(wanted, low, high)
            for prefix in Prefix.covering_range(Address(self.version, low), Address(self.version, high))
            if _meets(wanted, prefix.value, prefix.value + prefix.size - 1)
        )


def _without(ranges: Ranges, others: Ranges, version: IPVersion) -> Ranges:
    return ranges & others.complement((1 << WIDTH[version]) - 1)


def _meets(ranges: Ranges, low: int, high: int) -> bool:
    """Whether one of the ranges' numbers is from `low` to `high`."""
    before = bisect_right(ranges.spans, (high, high))
    at_high = before < len(ranges.spans) and ranges.spans[before][0] <= high
    return at_high or (before > 0 and ranges.spans[before - 1][1] >= low)
