"""What becomes of a flow: on which ways, by which lines, and whether the reply comes back."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pathcheck.dataplane.first_match import filter_packets
from pathcheck.errors import CapacityError, FlowError, InternalFault, UnknownNameError, nearest
from pathcheck.evaluator import evaluate_list
from pathcheck.evaluator.fleet import evaluate_packet
from pathcheck.fleet import LoadedFleet
from pathcheck.model.access_list import Action, Family
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.network.entry import flow_entries, flow_packets, versions_of
from pathcheck.network.reachability import End, HopTrace, Network, Start, Walk
from pathcheck.network.reply import replies_to
from pathcheck.packet.address import IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import TCP, protocol_name
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ALL_FLAGS, FLAG_NAMES, NEW_CONNECTION, FlagMatch
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.results.path import Doubt, FlowAnswer, Hop, LineUse, ListAnswer, Path, Reading
from pathcheck.results.region import Region
from pathcheck.results.verdict import Reason, Verdict, joint_verdict

__all__ = ["Followed", "ask_flow", "ask_followed", "ask_list", "follow", "keep_network", "network_of"]

ROWS = 6
"""Rows in which the packets of one path or line are shown at most."""

PATHS = 60
"""Paths that are shown at most; the verdict is that of all."""

_GRAVEST_FIRST = (
    Reason.LOOPING,
    Reason.STRANDED,
    Reason.DISCARDED,
    Reason.UNROUTED,
    Reason.FILTERED,
    Reason.UNMODELLED,
    Reason.HANDED_OVER,
    Reason.ARRIVED,
)

_KEPT = 4
_kept: OrderedDict[int, Network] = OrderedDict()


def network_of(config: FleetConfig) -> Network:
    """Return the network of a fleet; the same one as long as the last few fleets do not change.

    Notes
    -----
    A network holds its fleet, so the identity of a fleet whose network is kept
    is not given to another one.
    """
    found = _kept.get(id(config))
    if found is None or found.config is not config:
        found = Network(config)
    keep_network(found)
    return found


def keep_network(network: Network) -> None:
    """Let questions about the fleet of a network be asked of this very network, as long as it is among the last few."""
    _kept[id(network.config)] = network
    _kept.move_to_end(id(network.config))
    while len(_kept) > _KEPT:
        _kept.popitem(last=False)


def ask_flow(loaded: LoadedFleet, flow: Flow, *, reply: bool = True, brief: bool = False) -> FlowAnswer:
    """Follow all packets of a flow through the fleet.

    Parameters
    ----------
    loaded
        The fleet.
    flow
        The packets, and where they enter.
    reply
        Whether to follow the reply as well.
    brief
        Whether one path of each reason is enough, without the rows of its packets: for many
        flows, where the verdict and one packet that shows it are wanted.

    Returns
    -------
    FlowAnswer
        Paths gravest first. The verdict is that of all packets on all
        equal-cost ways; the sample of each path is confirmed by the evaluator.

    Raises
    ------
    FlowError
        The source is on no subnet of the fleet and no entry point is given, or the flow holds no packet.
    UnknownNameError
        The entry point or VRF is unknown.
    InternalFault
        The evaluator disagrees.
    """
    return ask_followed(follow(loaded.config, flow, reply=reply, brief=brief))


@dataclass(frozen=True, slots=True)
class Followed:
    """A flow that was followed, and its reply; an answer can be made of it.

    Parameters
    ----------
    there, back
        What becomes of its packets, and of the replies to those that pass.
    """

    flow: Flow
    there: tuple[End, ...]
    back: tuple[End, ...]
    _work: tuple[_Answering, _Answering] = field(repr=False, compare=False)


def follow(
    config: FleetConfig,
    flow: Flow,
    *,
    reply: bool = True,
    brief: bool = False,
    leaving: Mapping[str, PacketSet] | None = None,
) -> Followed:
    """Follow all packets of a flow without making an answer of it: no sample is taken, and the evaluator not asked.

    For many fleets that differ little. Parameters and errors are those of :func:`ask_flow`.

    Parameters
    ----------
    leaving
        Of packets that start on a device: which of them go by which of its interfaces, whose address they have.
    """
    work = _follow(network_of(config), flow, reply, brief, leaving)
    return Followed(flow, tuple(work[0].ends), tuple(work[1].ends), work)


def ask_followed(followed: Followed) -> FlowAnswer:
    """Make the answer of a flow that was followed, each sample confirmed by the evaluator."""
    there, back = followed._work
    answer = there.answer(_flow_words(followed.flow))
    if back.ends:
        # The reply is shown for the packets that the paths show, where it can be.
        back.wishes = [packet_space(it.version).of_packet(it).reply() for it in there.samples]
        answer = replace(answer, reply=back.answer(_swapped_words(followed.flow)))
    return answer


def _follow(
    network: Network, flow: Flow, reply: bool, brief: bool, leaving: Mapping[str, PacketSet] | None = None
) -> tuple[_Answering, _Answering]:
    """Follow a flow, and its reply where it is wanted."""
    versions = versions_of(flow)
    if not versions:
        raise FlowError("the source and the destination of the flow are of two IP versions")
    there, back = _Answering(network, flow, brief), _Answering(network, flow, brief)
    if len(versions) == 2:
        versions = _spoken(network, flow, there.notes)
    for version in versions:
        entries = flow_entries(network, flow, version)
        there.notes.extend(entries.notes)
        ends = there.walk(version, entries.starts, entries.ends)
        if leaving is not None:
            ends = tuple(_leaving(ends, leaving))
            there.ends = [*ends]
        asked = packet_space(version).union(end.packets for end in ends)
        there.left_out[version] = flow_packets(flow, version) - asked
        if reply:
            back.left_out[version] = replies_to(there.left_out[version])
            try:
                back.walk_back(version, ends)
            except CapacityError as error:
                raise CapacityError(
                    f"the reply: {error.message}", help=f"{error.help}; `--no-reply` asks about the way there only"
                ) from error
    return there, back


def _leaving(ends: Iterable[End], leaving: Mapping[str, PacketSet]) -> Iterator[End]:
    """Yield the ends of packets that leave the first device by the interface whose address they have."""
    for end in ends:
        out = end.hops[0].out if end.hops else None
        if out is None:
            yield end
            continue
        allowed = leaving.get(out)
        packets = end.packets & allowed if allowed is not None else end.packets - end.packets
        if not packets.is_empty:
            yield replace(end, packets=packets, shown=end.shown & packets)


def _spoken(network: Network, flow: Flow, notes: list[str]) -> tuple[IPVersion, ...]:
    """Return the IP versions to ask about: `any` means no version that no interface of the fleet speaks."""
    versions = versions_of(flow)
    spoken = {attachment.address.address.version for attachment in network.topology.attachments}
    asked = tuple(
        version
        for version in versions
        if version in spoken or not all(Prefix.everything(version) in end for end in (flow.source, flow.destination))
    )
    if not asked or asked == versions:
        return versions
    notes.append(f"no interface of the fleet has an IPv{10 - asked[0]} address: asked about IPv{asked[0]} only")
    return asked


@dataclass(slots=True)
class _Answering:
    """The ends of one direction of a flow, on the way to an answer.

    `left_out` holds packets that the flow's words mean and that are not asked
    about: rows may hold them, because that makes the rows few. `wishes` are
    packets that samples are taken from where possible.
    """

    network: Network
    flow: Flow
    brief: bool = False
    ends: list[End] = field(default_factory=list)
    left_out: dict[IPVersion, PacketSet] = field(default_factory=dict)
    wishes: list[PacketSet] = field(default_factory=list)
    samples: list[Packet] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    assumed: dict[str, None] = field(default_factory=dict)
    bounded: bool = False

    def walk(self, version: IPVersion, starts: Sequence[Start], known: Sequence[End]) -> tuple[End, ...]:
        """Follow packets of one IP version and keep their ends."""
        walk = Walk(self.network, version)
        ends = (*walk.run(starts), *known)
        self.ends.extend(ends)
        self.assumed.update(walk.assumed)
        self.bounded = self.bounded or walk.bounded
        return ends

    def walk_back(self, version: IPVersion, ends: Iterable[End]) -> None:
        """Follow the replies to what passes, from where it arrived."""
        direct: list[End] = []
        asked: dict[tuple[EntryPoint, str | None], list[PacketSet]] = {}
        for end in ends:
            if end.reason.verdict is Verdict.DENIED:
                continue
            if end.back_at is not None:
                asked.setdefault((end.back_at, end.back_vrf), []).append(end.packets)
            elif end.reason is Reason.ARRIVED:
                packets = replies_to(end.packets)
                if not packets.is_empty:
                    direct.append(End(packets, Reason.ARRIVED, (), False, None, shown=packets, notes=end.notes))
        replies = {place: replies_to(packet_space(version).union(sets)) for place, sets in asked.items()}
        replies = {place: packets for place, packets in replies.items() if not packets.is_empty}
        destinations = tuple(prefix for prefix in self.flow.source if prefix.version == version)
        once = twice = packet_space(version).empty
        for packets in replies.values():
            twice |= once & packets
            once |= packets
        starts = [
            Start(
                at,
                packets,
                destinations,
                vrf,
                alternative=not packets.isdisjoint(twice),
                ports=() if at.interface is None else self._station_ports(at),
                doubts=() if at.interface is None else self._inner_lists(at),
            )
            for (at, vrf), packets in replies.items()
        ]
        self.walk(version, starts, direct)

    def _station_ports(self, at: EntryPoint) -> tuple[LinkEnd, ...]:
        return self.network.layer2.station_ports(LinkEnd(at.device, at.interface or ""))

    def _inner_lists(self, at: EntryPoint) -> tuple[Doubt, ...]:
        return self.network.layer2.inner_list_doubts(LinkEnd(at.device, at.interface or ""))

    def answer(self, words: dict[str, str]) -> FlowAnswer:
        """Return the answer of all ends."""
        ends = sorted(self.ends, key=lambda end: _GRAVEST_FIRST.index(end.reason))
        paths = [self._path(end) for end in (_first_of_each(ends) if self.brief else _some_of_each(ends))]
        notes = list(dict.fromkeys(self.notes))
        if self.assumed:
            names = ", ".join(list(self.assumed)[:6]) + (", and others" if len(self.assumed) > 6 else "")
            notes.append(f"no cabling is given for {names}: the subnets are assumed to be carried")
        if self.bounded or len(paths) < len(ends):
            notes.append("there are more paths than are shown; the verdict is that of all")
        reasons = {end.reason for end in ends}
        return FlowAnswer(
            flow=words,
            verdict=joint_verdict(reason.verdict for reason in reasons),
            reason=next(iter(reasons)) if len(reasons) == 1 else None,
            paths=tuple(paths),
            notes=tuple(notes),
        )

    def _path(self, end: End) -> Path:
        """Return an end as a path with a confirmed sample."""
        sample = end.shown.sample([wish for wish in self.wishes if wish.version == end.shown.version])
        assert sample is not None
        self.samples.append(sample)
        self._confirm(end, sample)
        share = "all" if len(self.ends) == 1 else "equal-cost" if end.alternative else "part"
        return Path(
            reason=end.reason,
            hops=tuple(_hop(hop, sample) for hop in end.hops),
            share=share,
            sample=sample,
            regions=() if share == "all" or self.brief else _rows(end.packets, self.left_out[end.packets.version]),
            doubts=end.doubts,
            readings=end.readings,
            cycle=end.cycle,
            notes=end.notes,
        )

    # ---- the second opinion -----------------------------------------------------------------

    def _confirm(self, end: End, sample: Packet) -> None:
        """Let the evaluator follow a sample from where it entered; certain answers must be the same."""
        start = end.start
        if start is None:
            return
        outcomes = evaluate_packet(self.network.told, sample, start.at, start.vrf, start.ports)
        ways = {(outcome.reason, _trail(outcome.trail)) for outcome in outcomes}
        if end.reason is not Reason.UNMODELLED:
            mine = (end.reason, _trail((hop.device, hop.into, hop.out) for hop in end.hops))
            if mine not in ways:
                raise self._fault(sample, start, {mine}, ways)
        known = [other for other in self.ends if other.start is start and sample in other.packets]
        reasons = {other.reason for other in known}
        missed = {way for way in ways if way[0] not in reasons}
        if missed and Reason.UNMODELLED not in reasons and not self.bounded:
            raise self._fault(sample, start, {(other.reason, ()) for other in known}, missed)

    def _fault(self, sample: Packet, start: Start, engine: Iterable[_Way], evaluator: Iterable[_Way]) -> InternalFault:
        place = start.at.device + (f":{start.at.interface}" if start.at.interface else "")
        return InternalFault(
            f"two ways to follow one packet disagree: {_packet_words(sample)} entering at {place} (VRF {start.vrf}); "
            f"the engine says {_way_words(engine)}, the evaluator says {_way_words(evaluator)}",
            help="report this with the files of the fleet; the answer is withheld",
        )


_Trail = tuple[tuple[str, str | None, str | None], ...]
_Way = tuple[Reason, _Trail]


def _trail(hops: Iterable[tuple[str, str | None, str | None]]) -> _Trail:
    """Return a way without the interface that the last device would have sent by, which the two name differently."""
    steps = list(hops)
    return (*steps[:-1], (*steps[-1][:2], None)) if steps else ()


def _way_words(ways: Iterable[_Way]) -> str:
    """Return ways as words, in order."""
    shown = []
    for reason, trail in ways:
        devices = " ".join(f"{name}({into or '-'} to {out or '-'})" for name, into, out in trail)
        shown.append(f"{reason.value} over {devices or 'no device'}")
    return "; ".join(sorted(shown)) or "nothing"


def _packet_words(packet: Packet) -> str:
    """Return every field of a packet that says something, so that the packet can be made again."""
    words = [f"protocol {packet.protocol} from {packet.source} to {packet.destination}"]
    for name in ("source_port", "destination_port", "icmp_type", "icmp_code", "flags", "dscp", "fragment"):
        value = getattr(packet, name)
        if value:
            words.append(f"{name} {value}")
    return ", ".join(words)


def _first_of_each(ends: Iterable[End]) -> list[End]:
    """Return the first end of each reason."""
    found: dict[Reason, End] = {}
    for end in ends:
        found.setdefault(end.reason, end)
    return list(found.values())


def _some_of_each(ends: Sequence[End]) -> list[End]:
    """Return the ends that are shown: all where they are few, else the first of each reason."""
    if len(ends) <= PATHS:
        return list(ends)
    reasons = {end.reason for end in ends}
    shown: list[End] = []
    for reason in _GRAVEST_FIRST:
        if reason in reasons:
            shown.extend([end for end in ends if end.reason is reason][: PATHS // len(reasons)])
    return shown


def _hop(hop: HopTrace, sample: Packet) -> Hop:
    """Return a hop with the lines and the route that the sample meets."""
    notes = list(hop.notes)
    for parts, what in ((hop.in_lines, "in"), (hop.out_lines, "out"), (hop.port_lines, "guarding")):
        lists = [use.acl for _, use in parts]
        if any(lists.count(name) > 1 for name in lists):
            notes.append(f"several lines of the {what} list decide packets of this path; the sample's is shown")
    return Hop(
        device=hop.device,
        into=hop.into,
        out=hop.out,
        in_line=_deciding(hop.in_lines, sample),
        route=next((use for packets, use in hop.routes if sample in packets), None),
        out_line=_deciding(hop.out_lines, sample),
        port_line=_deciding(hop.port_lines, sample),
        notes=tuple(notes),
        faults=hop.faults,
    )


def _deciding(parts: Sequence[tuple[PacketSet, LineUse]], sample: Packet) -> LineUse | None:
    """Return the line that decides a packet: of several lists that it passes, the last."""
    return next((use for packets, use in reversed(parts) if sample in packets), None)


def _rows(packets: PacketSet, left_out: PacketSet) -> tuple[Region, ...]:
    """Return packets as few rows, which may hold packets that are not asked about as well."""
    boxes = (packets | left_out).boxes(ROWS + 2)
    return tuple(Region(box) for box in boxes if not packets.isdisjoint(packets.space.of(box)))[:ROWS]


# ---- one list alone -------------------------------------------------------------------------


def ask_list(loaded: LoadedFleet, device: str | None, list_name: str, flow: Flow) -> ListAnswer:
    """Ask one list alone what it decides about a flow, without any routing.

    Parameters
    ----------
    device
        Whose list; None where only one device has a list of that name.

    Raises
    ------
    UnknownNameError
        No such device or list, or several devices have one of that name.
    FlowError
        The flow is of another IP version than the list, or holds no packet.
    InternalFault
        The evaluator disagrees.
    """
    owner, families = _owner_of(loaded.config, device, list_name)
    answering = _ListAnswering(owner, list_name)
    asked = [version for version in versions_of(flow) if _family(version) in families]
    if not asked:
        raise FlowError(f"the list `{list_name}` of `{owner.name}` is of another IP version than the flow")
    for version in asked:
        answering.ask(_family(version), flow_packets(flow, version))
    if not answering.lines:
        raise FlowError("the flow holds no packet: its words contradict each other")
    return answering.answer(_flow_words(flow))


@dataclass(slots=True)
class _ListAnswering:
    """The parts of a flow by the line that decides them."""

    device: Device
    name: str
    lines: list[tuple[LineUse, tuple[Region, ...]]] = field(default_factory=list)
    verdicts: list[Verdict] = field(default_factory=list)
    samples: list[Packet] = field(default_factory=list)
    doubts: dict[Doubt, None] = field(default_factory=dict)
    readings: dict[Reading, None] = field(default_factory=dict)
    cut: bool = False

    def ask(self, family: Family, packets: PacketSet) -> None:
        """Add the parts of one IP version."""
        for part in filter_packets(self.device, family, self.name, packets):
            sample = part.packets.sample()
            assert sample is not None
            decision = evaluate_list(self.device, family, self.name, sample)
            if part.action is not None and (decision.action, decision.use) != (part.action, part.use):
                raise InternalFault(
                    f"two ways to decide one packet disagree: {_packet_words(sample)} in the list `{self.name}` of "
                    f"`{self.device.name}`; the engine says {part.action} by `{part.use.text}`, the evaluator says "
                    f"{decision.action or 'uncertain'} by `{decision.use.text}`",
                    help="report this with the files of the fleet; the answer is withheld",
                )
            boxes = part.packets.boxes(ROWS + 1)
            self.cut = self.cut or len(boxes) > ROWS
            rows = [Region(box) for box in boxes[:ROWS]]
            self.lines.append((part.use, (Region(rows[0].box, sample), *rows[1:])))
            self.verdicts.append(_LIST_VERDICTS[part.action])
            self.samples.append(sample)
            self.doubts.update(dict.fromkeys(part.doubts))
            self.readings.update(dict.fromkeys(part.readings))

    def answer(self, words: dict[str, str]) -> ListAnswer:
        """Return the answer of all parts."""
        verdict = joint_verdict(self.verdicts)
        return ListAnswer(
            flow=words,
            acl=self.name,
            device=self.device.name,
            verdict=verdict,
            reason=_LIST_REASONS.get(verdict),
            line=self.lines[0][0] if len(self.lines) == 1 else None,
            lines=tuple(self.lines),
            sample=self.samples[0],
            doubts=tuple(self.doubts),
            readings=tuple(self.readings),
            notes=("some parts have more rows than are shown",) if self.cut else (),
            line_verdicts=tuple(self.verdicts),
        )


_LIST_VERDICTS = {Action.PERMIT: Verdict.PERMITTED, Action.DENY: Verdict.DENIED, None: Verdict.UNCERTAIN}
_LIST_REASONS = {Verdict.DENIED: Reason.FILTERED, Verdict.UNCERTAIN: Reason.UNMODELLED}


def _family(version: IPVersion) -> Family:
    return "ipv4" if version == 4 else "ipv6"


def _owner_of(config: FleetConfig, device: str | None, list_name: str) -> tuple[Device, set[Family]]:
    """Return the device whose list is meant, and the families in which it has one of that name."""
    if device is not None and device not in config.devices:
        near = nearest(device, config.devices)
        raise UnknownNameError(f"no device `{device}` in the fleet", help=f"did you mean `{near}`?" if near else None)
    candidates = list(config.devices.values()) if device is None else [config.devices[device]]
    having = [one for one in candidates if any(name == list_name for _, name in one.access_lists)]
    if len(having) == 1:
        return having[0], {family for family, name in having[0].access_lists if name == list_name}
    if having:
        names = ", ".join(f"`{one.name}`" for one in having[:8]) + (", …" if len(having) > 8 else "")
        raise UnknownNameError(
            f"{len(having)} devices have a list `{list_name}`: {names}", help="say which one with `--device`"
        )
    near = nearest(list_name, dict.fromkeys(name for one in candidates for _, name in one.access_lists))
    where = "the fleet" if device is None else f"the device `{device}`"
    raise UnknownNameError(f"no access list `{list_name}` in {where}", help=f"did you mean `{near}`?" if near else None)


# ---- the flow as words ----------------------------------------------------------------------


def _flow_words(flow: Flow) -> dict[str, str]:
    """Return a flow as words by field: addresses as prefixes, several joined with commas."""
    versions = versions_of(flow)
    words = {
        "protocol": _protocol_words(flow, versions),
        "source": _address_words(flow.source, versions),
        "source_port": _port_words(flow.source_ports),
        "destination": _address_words(flow.destination, versions),
        "destination_port": _port_words(flow.destination_ports),
    }
    if flow.icmp is not None:
        words["icmp"] = ",".join(_icmp_words(flow.icmp))
    if flow.protocol == TCP and flow.flags != NEW_CONNECTION and not flow.fragment:
        words["flags"] = _flag_words(flow.flags)
    if flow.dscp is not None:
        words["dscp"] = str(flow.dscp)
    if flow.fragment:
        words["fragment"] = "true"
    return words


def _swapped_words(flow: Flow) -> dict[str, str]:
    """Return the words of the reply: those of the flow with its ends swapped."""
    words = _flow_words(flow)
    for one, other in (("source", "destination"), ("source_port", "destination_port")):
        words[one], words[other] = words[other], words[one]
    return words


def _protocol_words(flow: Flow, versions: Sequence[IPVersion]) -> str:
    if flow.protocol is None:
        return "any"
    return protocol_name(flow.protocol_in(versions[0]) or flow.protocol, versions[0])


def _address_words(prefixes: Sequence[Prefix], versions: Sequence[IPVersion]) -> str:
    meant = [prefix for prefix in prefixes if prefix.version in versions]
    if all(any(prefix.version == version and prefix.length == 0 for prefix in meant) for version in versions):
        return "any"
    return ",".join(map(str, meant))


def _port_words(ports: Ranges | None) -> str:
    return "any" if ports is None else str(ports)


def _icmp_words(icmp: Ranges) -> Iterator[str]:
    """Yield ICMP types with all their codes as `8`, single codes as `3/1`."""
    for low, high in icmp.spans:
        for kind in range(low >> 8, (high >> 8) + 1):
            first, last = max(low, kind << 8) & 255, min(high, kind << 8 | 255) & 255
            if (first, last) == (0, 255):
                yield str(kind)
            else:
                yield f"{kind}/{first}" if first == last else f"{kind}/{first}-{last}"


def _flag_words(flags: FlagMatch | None) -> str:
    """Return flags by name where they are exactly given, else as alternatives of `+set` and `-clear`."""
    if flags is None:
        return "any"
    if len(flags.cubes) == 1 and flags.cubes[0][0] == ALL_FLAGS:
        return ",".join(name for name, bit in FLAG_NAMES.items() if flags.cubes[0][1] & bit) or "none"
    return " or ".join(
        " ".join(("+" if value & bit else "-") + name for name, bit in FLAG_NAMES.items() if care & bit)
        for care, value in flags.cubes
    )
