"""What an access list decides about a set of packets: the first line that matches, exactly.

References
----------
First match, and the implicit deny: RFC 8519 section 2 and common practice. The
end of an IPv6 list, and lists that are undefined or empty: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pathcheck.dataplane.compiled_list import CompiledList, compiled_list, list_doubts
from pathcheck.model.access_list import Action, Family, ListBinding
from pathcheck.model.device import Device
from pathcheck.packet.box import Box
from pathcheck.packet.protocol import ICMPV6
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet
from pathcheck.results.path import Doubt, LineUse, Reading

__all__ = ["NEIGHBOUR_DISCOVERY", "ChainPart", "Part", "filter_packets", "filter_through"]

NEIGHBOUR_DISCOVERY = Box(
    AddressMatch.any(6),
    AddressMatch.any(6),
    protocols=Ranges.single(ICMPV6),
    icmp=Ranges.of((135 << 8, 136 << 8 | 255)),
)
"""Neighbour solicitation and advertisement, any code (RFC 4861 sections 4.3 and 4.4)."""


@dataclass(frozen=True, slots=True)
class Part:
    """Packets of which one line, or the end of the list, is the first that matches for certain.

    Parameters
    ----------
    packets
        Not empty; the parts of one answer are disjoint.
    action
        None where it is uncertain: an earlier line that may match would decide otherwise.
    use
        The line that decides, or that would if no doubtful line did.
    doubts
        The doubtful lines; not empty exactly where `action` is None. Each touches some of the packets.
    readings
        The assumptions that the decision rests on.
    index
        The line's place among the lines of the list, from 0; None for the end of the list.
    """

    packets: PacketSet
    action: Action | None
    use: LineUse
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()
    index: int | None = None


@dataclass(frozen=True, slots=True)
class ChainPart:
    """Packets that meet the same lines of several lists, one after the other.

    Parameters
    ----------
    action
        Permit if each list permits, deny if one denies for certain, else None.
    uses
        The deciding line of each list that was met, in order; the last one denies where `action` is deny.
    """

    packets: PacketSet
    action: Action | None
    uses: tuple[LineUse, ...]
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()


def filter_packets(device: Device, family: Family, list_name: str, packets: PacketSet) -> tuple[Part, ...]:
    """Split packets by the line of a list that decides them.

    Parameters
    ----------
    device
        Holds the list, its groups and the assumptions.
    family
        `ipv4` or `ipv6`; the packets are of that IP version.
    list_name
        The list may be undefined.

    Returns
    -------
    tuple
        Disjoint parts in the order of the list, together exactly `packets`. A line comes twice where some of
        its packets are certain and some are not.

    Raises
    ------
    ValueError
        The packets are of the other IP version.
    """
    compiled = compiled_list(device, family, list_name)
    if packets.version != compiled.version:
        raise ValueError(f"IPv{packets.version} packets meet no `{family}` list")
    if packets.is_empty:
        return ()
    walk = _Walk(device, compiled, packets)
    if not compiled.lines:
        walk.end_undefined()
        return tuple(walk.parts)
    for index in compiled.meeting(packets):
        walk.meet(index)
        if walk.rest.is_empty:
            return tuple(walk.parts)
    walk.end()
    return tuple(walk.parts)


def filter_through(device: Device, bindings: Sequence[ListBinding], packets: PacketSet) -> tuple[ChainPart, ...]:
    """Split packets by what several bound lists, one after the other, decide about them.

    Parameters
    ----------
    bindings
        In the order in which they are met. Those of the other IP version are passed over.

    Returns
    -------
    tuple
        Disjoint parts, together exactly `packets`.
    """
    version = packets.version
    passing = [] if packets.is_empty else [ChainPart(packets, Action.PERMIT, ())]
    denied: list[ChainPart] = []
    for binding in bindings:
        if binding.family != f"ipv{version}":
            continue
        met, passing = passing, []
        for chain in met:
            for part in filter_packets(device, binding.family, binding.list_name, chain.packets):
                uses = (*chain.uses, part.use)
                readings = tuple(dict.fromkeys((*chain.readings, *part.readings)))
                if part.action is Action.DENY:
                    # Whatever the lists before decide, the packets do not pass this one.
                    denied.append(ChainPart(part.packets, Action.DENY, uses, (), readings))
                    continue
                action = Action.PERMIT if chain.action is part.action is Action.PERMIT else None
                doubts = tuple(dict.fromkeys((*chain.doubts, *part.doubts)))
                passing.append(ChainPart(part.packets, action, uses, doubts, readings))
    return (*denied, *passing)


@dataclass(slots=True)
class _Touched:
    """Packets that a doubtful line may decide; `action` None is either."""

    action: Action | None
    packets: PacketSet
    doubts: tuple[Doubt, ...]


@dataclass(slots=True)
class _Walk:
    """The state of a walk down a list: what is undecided, and what doubtful lines may have decided."""

    device: Device
    compiled: CompiledList
    packets: PacketSet
    parts: list[Part] = field(default_factory=list)
    touched: list[_Touched] = field(default_factory=list)
    contested: list[tuple[PacketSet, Reading]] = field(default_factory=list)
    rest: PacketSet = field(init=False)
    maybe: dict[Action, PacketSet] = field(init=False)
    has_fragments: bool = field(init=False)

    def __post_init__(self) -> None:
        space = self.compiled.space
        self.rest = self.packets
        self.maybe = {Action.PERMIT: space.empty, Action.DENY: space.empty}
        any_address = AddressMatch.any(self.compiled.version)
        self.has_fragments = not (self.packets & space.of(Box(any_address, any_address, fragment=True))).is_empty
        doubts = list_doubts(self.device, self.compiled.family, self.compiled.name)
        if doubts:
            self.touch(None, self.packets, doubts)

    def touch(self, action: Action | None, packets: PacketSet, doubts: tuple[Doubt, ...]) -> None:
        """Note that packets may be decided by a line that is in doubt."""
        self.touched.append(_Touched(action, packets, doubts))
        for possible in (action,) if action is not None else Action:
            self.maybe[possible] |= packets

    def meet(self, index: int) -> None:
        """Take one line of the list."""
        line = self.compiled.lines[index]
        sets = self.compiled.sets(index)
        if self.has_fragments and sets.contested is not None:
            reading = self.compiled.line(index).reading
            disputed = self.rest & sets.contested
            if reading is not None and not disputed.is_empty:
                self.contested.append((disputed, reading))
        hit = self.rest & sets.may
        if hit.is_empty:
            return
        decided = hit if sets.must is sets.may else hit & sets.must
        if decided is not hit:
            loose = hit - decided
            if not loose.is_empty:
                self.touch(line.action, loose, self.compiled.line(index).doubts)
        if not decided.is_empty and line.action is not None:
            use = LineUse(self.compiled.name, line.action.value, line.span.words, line.span)
            self.decide(decided, line.action, use, index)

    def decide(
        self,
        packets: PacketSet,
        action: Action,
        use: LineUse,
        index: int | None = None,
        readings: tuple[Reading, ...] = (),
    ) -> None:
        """Let packets be decided, those apart that a doubtful line may have decided otherwise."""
        self.rest -= packets
        other = Action.DENY if action is Action.PERMIT else Action.PERMIT
        open_packets = packets & self.maybe[other]
        sure = packets if open_packets.is_empty else packets - open_packets
        if not sure.is_empty:
            self.parts.append(Part(sure, action, use, (), self.readings_of(sure, readings), index))
        if not open_packets.is_empty:
            doubts = [
                doubt
                for item in self.touched
                if item.action is not action and not (item.packets & open_packets).is_empty
                for doubt in item.doubts
            ]
            kept = tuple(dict.fromkeys(doubts))
            self.parts.append(Part(open_packets, None, use, kept, self.readings_of(open_packets, readings), index))

    def readings_of(self, packets: PacketSet, readings: tuple[Reading, ...]) -> tuple[Reading, ...]:
        """Return the readings that touch packets."""
        more = [reading for disputed, reading in self.contested if not (disputed & packets).is_empty]
        return tuple(dict.fromkeys((*more, *readings)))

    def end(self) -> None:
        """Decide what no line has decided."""
        name, assume = self.compiled.name, self.device.assume
        if self.compiled.version == 6:
            discovery = self.rest & self.compiled.space.of(NEIGHBOUR_DISCOVERY)
            if not discovery.is_empty:
                reading = Reading("ipv6_end", assume.ipv6_end, f"list `{name}`")
                action = Action.PERMIT if assume.ipv6_end == "neighbour-discovery" else Action.DENY
                self.finish(discovery, action, (reading,))
        if not self.rest.is_empty:
            self.finish(self.rest, Action.DENY, ())

    def end_undefined(self) -> None:
        """Decide everything by a list that has no lines."""
        assumed = self.device.assume.undefined_list
        state = "undefined" if self.compiled.access_list is None else "empty"
        reading = Reading("undefined_list", assumed, f"{state} list `{self.compiled.name}`")
        action = Action.PERMIT if assumed == "permits-all" else Action.DENY
        self.decide(self.rest, action, _end_use(self.compiled.name, action), None, (reading,))

    def finish(self, packets: PacketSet, action: Action, readings: tuple[Reading, ...]) -> None:
        """Let the end of the list decide packets."""
        if action is Action.DENY and self.device.assume.undefined_list == "permits-all":
            # A device that refuses each of the lines has an empty list, and that permits.
            refusals = self.compiled.refusals()
            if refusals:
                self.touch(Action.PERMIT, packets, refusals)
        self.decide(packets, action, _end_use(self.compiled.name, action), None, readings)


def _end_use(name: str, action: Action) -> LineUse:
    """Return the use of the end of a list."""
    return LineUse(name, action.value, f"implicit {action.value}")
