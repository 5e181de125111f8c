"""What a line of a list matches, as boxes: groups looked into, fragments read as the device is assumed to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any

from pathcheck.model.access_list import Action, Family, IcmpMatch, Line, UnreadLine
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.model.object_group import GroupKind, GroupReference, ServiceMatch
from pathcheck.packet.address import IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import ICMP, ICMPV6
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.results.path import Doubt, Reading
from pathcheck.source import Span

__all__ = ["Criteria", "LineSpace", "family_version", "line_boxes", "line_space"]


@dataclass(frozen=True, slots=True)
class Criteria:
    """Packets given by their ends and by everything else; any combination of the three is meant.

    Kept as factors because groups multiply: 100 sources, 100 destinations and
    20 services are 220 facts and 200,000 boxes.

    Parameters
    ----------
    sources, destinations
        Alternatives; none at all matches nothing.
    services
        Boxes with free addresses.
    """

    sources: tuple[AddressMatch, ...]
    destinations: tuple[AddressMatch, ...]
    services: tuple[Box, ...]

    def __iter__(self) -> Iterator[Box]:
        return (
            replace(service, source=source, destination=destination)
            for service in self.services
            for source in self.sources
            for destination in self.destinations
        )

    @property
    def size(self) -> int:
        """How many boxes it stands for."""
        return len(self.sources) * len(self.destinations) * len(self.services)


@dataclass(frozen=True)
class LineSpace:
    """What one line of a list matches.

    Parameters
    ----------
    may
        An upper bound: no other packet matches.
    must
        A lower bound: each of these packets matches. The same object as `may`
        where the line is certain.
    doubts
        Why the bounds differ; empty exactly where they do not.
    contested
        The non-initial fragments that the line takes by one reading of `fragments` only.
    refusal
        Why a device could refuse the line whole; empty where it cannot.
    reading
        The reading of `fragments` that was used, where the line has contested ones.
    """

    may: Criteria
    must: Criteria
    doubts: tuple[Doubt, ...] = ()
    contested: Criteria | None = None
    refusal: str = ""
    reading: Reading | None = None

    @cached_property
    def boxes(self) -> tuple[Box, ...]:
        """The upper bound as boxes."""
        return tuple(self.may)

    @property
    def readings(self) -> tuple[Reading, ...]:
        """The readings that were used."""
        return () if self.reading is None else (self.reading,)


def line_boxes(device: Device, line: Line | UnreadLine, family: Family) -> tuple[Box, ...]:
    """Return boxes whose union holds each packet that a line can match.

    Parameters
    ----------
    device
        Holds the groups and the assumptions.
    family
        Of the list that the line stands in.
    """
    return line_space(device, line, family).boxes


def line_space(device: Device, line: Line | UnreadLine, family: Family, list_name: str = "") -> LineSpace:
    """Return what a line matches, at most and at least.

    Parameters
    ----------
    device
        Holds the groups and the assumptions.
    family
        Of the list that the line stands in; addresses of the other IP version match nothing.
    list_name
        Named in the reading.

    Notes
    -----
    A line that names ports, flags or ICMP type and code matches non-initial
    fragments on addresses and protocol if it permits and `assume.fragments` is
    `layer3`; one that denies does not (common practice, no source). The word
    `fragments` takes non-initial fragments only, and together with layer 4 nothing.
    """
    version = family_version(family)
    if isinstance(line, UnreadLine):
        return LineSpace(_everything(version), _NOTHING, (Doubt(line.why, line.span),), refusal=line.why)
    if line.doubt is None and not _refers_to_groups(line):
        return _plain_space(device, line, version, list_name)
    reader = _GroupReader(device, line)
    sources = reader.addresses(line.source, version)
    destinations = reader.addresses(line.destination, version)
    services = _Services(device, line, reader, version)
    may = Criteria(sources.may, destinations.may, services.may)
    must = Criteria(sources.must, destinations.must, services.must)
    contested = Criteria(sources.may, destinations.may, services.contested) if services.contested else None
    doubts = reader.doubts
    if line.doubt is not None:
        doubts = (Doubt(line.doubt, line.span), *doubts)
    if not may.size:
        doubts = ()
    reading = Reading("fragments", device.assume.fragments, f"list `{list_name}`") if contested is not None else None
    return LineSpace(
        may,
        may if not doubts else _NOTHING if line.doubt is not None else must,
        doubts,
        contested,
        _refusal(device, line),
        reading,
    )


def _refers_to_groups(line: Line) -> bool:
    """Whether a criterion of the line is a group."""
    return any(
        isinstance(criterion, GroupReference)
        for criterion in (
            line.source,
            line.destination,
            line.protocol,
            line.source_ports,
            line.destination_ports,
            line.icmp,
        )
    )


def _plain_space(device: Device, line: Line, version: IPVersion, list_name: str) -> LineSpace:
    """Return what a certain line without groups matches. Long lists repeat few services, so these are kept."""
    services = _plain_services(
        version,
        device.assume.fragments,
        line.action,
        line.protocol,
        line.source_ports,
        line.destination_ports,
        line.icmp,
        line.flags,
        line.dscp,
        line.fragments,
    )
    sources, destinations = (
        (end,) if isinstance(end, AddressMatch) and end.version == version else ()
        for end in (line.source, line.destination)
    )
    may = Criteria(sources, destinations, services.may)
    if not services.contested:
        return LineSpace(may, may)
    return LineSpace(
        may,
        may,
        contested=Criteria(sources, destinations, services.contested),
        reading=Reading("fragments", device.assume.fragments, f"list `{list_name}`"),
    )


@lru_cache(maxsize=8192)
def _plain_services(version: IPVersion, fragments_reading: Any, action: Action, *criteria: Any) -> _Services:
    """Return the services of lines that agree in all but their addresses."""
    protocol, source_ports, destination_ports, icmp, flags, dscp, fragments = criteria
    anywhere = _anywhere(version)
    line = Line(
        1,
        action,
        protocol,
        anywhere,
        anywhere,
        source_ports,
        destination_ports,
        icmp,
        flags,
        dscp,
        fragments,
        span=_NOWHERE,
    )
    device = _without_groups(fragments_reading)
    return _Services(device, line, _GroupReader(device, line), version)


_NOWHERE = Span("", 1, "")


@lru_cache(maxsize=2)
def _anywhere(version: IPVersion) -> AddressMatch:
    """The match of each address."""
    return AddressMatch.any(version)


@lru_cache(maxsize=2)
def _without_groups(fragments_reading: Any) -> Device:
    """A device of which nothing is known but how it reads fragments."""
    return Device("", assume=Assumptions(fragments=fragments_reading))


def family_version(family: Family) -> IPVersion:
    """Return the IP version of a family of lists."""
    return 4 if family == "ipv4" else 6


_NOTHING = Criteria((), (), ())


def _everything(version: IPVersion) -> Criteria:
    """Return the criteria that each packet meets."""
    any_address = (AddressMatch.any(version),)
    return Criteria(any_address, any_address, (Box.everything(version),))


@dataclass(frozen=True, slots=True)
class _Addresses:
    """Alternatives of an address, at most and at least."""

    may: tuple[AddressMatch, ...]
    must: tuple[AddressMatch, ...]


@dataclass(frozen=True, slots=True)
class _Numbers:
    """Numbers, at most and at least; None leaves free."""

    may: Ranges | None
    must: Ranges | None


class _GroupReader:
    """Looks into the groups of one line and collects what is not known of them."""

    def __init__(self, device: Device, line: Line) -> None:
        self.device = device
        self.line = line
        self._doubts: dict[Doubt, None] = {}

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """What is not known, in the order in which it was met."""
        return tuple(self._doubts)

    def doubt(self, why: str) -> None:
        """Note that the line may match more or less than its known members say."""
        self._doubts[Doubt(why, self.line.span)] = None

    def members(self, reference: GroupReference) -> tuple[list[object], bool]:
        """Return the plain members of a group and of the groups in it, and whether these are all."""
        values: list[object] = []
        complete = True
        stack: list[tuple[GroupReference, tuple[GroupReference, ...]]] = [(reference, ())]
        done: set[tuple[GroupKind, str]] = set()
        while stack:
            current, above = stack.pop()
            group = self.device.groups.get((current.kind, current.name))
            if current in above:
                self.doubt(f"group `{current.name}` contains itself")
                complete = False
                continue
            if (current.kind, current.name) in done:
                continue
            done.add((current.kind, current.name))
            if group is None or not group.members:
                self.doubt(f"group `{current.name}` is {'undefined' if group is None else 'empty'}")
                complete = False
                continue
            inner = []
            for member in group.members:
                if member.value is None:
                    self.doubt(member.why or f"a line of group `{current.name}` could not be read")
                    complete = False
                elif isinstance(member.value, GroupReference):
                    inner.append((member.value, (*above, current)))
                else:
                    values.append(member.value)
            stack.extend(reversed(inner))
        return values, complete

    def addresses(self, wanted: AddressMatch | GroupReference, version: IPVersion) -> _Addresses:
        """Return the addresses of one end."""
        if isinstance(wanted, AddressMatch):
            found: tuple[AddressMatch, ...] = (wanted,) if wanted.version == version else ()
            return _Addresses(found, found)
        values, complete = self.members(wanted)
        must = _merged([value for value in values if isinstance(value, AddressMatch) and value.version == version])
        return _Addresses(must if complete else (AddressMatch.any(version),), must)

    def numbers(self, wanted: int | Ranges | IcmpMatch | GroupReference | None, highest: int) -> _Numbers:
        """Return the numbers of one field; `highest` is the largest that it can hold."""
        match wanted:
            case None:
                return _Numbers(None, None)
            case int():
                exact = Ranges.single(wanted)
            case Ranges():
                exact = wanted
            case IcmpMatch(type, None):
                exact = Ranges.of((type << 8, type << 8 | 255))
            case IcmpMatch(type, int() as code):
                exact = Ranges.single(type << 8 | code)
            case GroupReference():
                values, complete = self.members(wanted)
                must = Ranges.union_of(value for value in values if isinstance(value, Ranges))
                return _Numbers(must if complete else Ranges.of((0, highest)), must)
        return _Numbers(exact, exact)


class _Services:
    """Everything that a line asks for but its addresses, as boxes with free addresses.

    Attributes
    ----------
    may, must
        At most and at least.
    contested
        Non-initial fragments that are matched by one reading of `fragments` only, at most.
    """

    def __init__(self, device: Device, line: Line, reader: _GroupReader, version: IPVersion) -> None:
        self.may: tuple[Box, ...] = ()
        self.must: tuple[Box, ...] = ()
        self.contested: tuple[Box, ...] = ()
        self._line = line
        self._version = version
        self._takes_fragments = device.assume.fragments == "layer3"
        if not (isinstance(line.protocol, GroupReference) and line.protocol.kind == "service"):
            protocols = reader.numbers(line.protocol, 255)
            sources = reader.numbers(line.source_ports, 65535)
            destinations = reader.numbers(line.destination_ports, 65535)
            icmp = reader.numbers(line.icmp, 65535)
            if all(numbers.may is numbers.must for numbers in (protocols, sources, destinations, icmp)):
                self._add(protocols.may, sources.may, destinations.may, icmp.may)
                return
            self._add(protocols.may, sources.may, destinations.may, icmp.may, must=False)
            self._add(protocols.must, sources.must, destinations.must, icmp.must, may=False)
            return
        values, complete = reader.members(line.protocol)
        if not complete:
            # What is missing in the group may be any service, with or without layer 4.
            self.may = (replace(self._free(), dscp=line.dscp, fragment=True if line.fragments else None),)
        for value in _joined([value for value in values if isinstance(value, ServiceMatch)]):
            protocols_of = None if value.protocol is None else Ranges.single(value.protocol)
            if version == 6 and value.protocol == ICMP:
                # The group's text says `icmp` for either IP version; its types are numbered differently in IPv6.
                reader.doubt("`icmp` in a group of services may stand for ICMPv6 in an IPv6 list")
                both = Ranges.of((ICMP, ICMP), (ICMPV6, ICMPV6))
                self._add(both, None, None, None if value.icmp is None else Ranges.of((0, 65535)), must=False)
                continue
            ports = value.source_ports, value.destination_ports
            self._add(protocols_of, *ports, value.icmp, may=complete)
            if not complete:
                self._contest(protocols_of, *ports, value.icmp)

    def _free(self) -> Box:
        return Box.everything(self._version)

    def _add(
        self,
        protocols: Ranges | None,
        source_ports: Ranges | None,
        destination_ports: Ranges | None,
        icmp: Ranges | None,
        *,
        may: bool = True,
        must: bool = True,
    ) -> None:
        """Add one service, with the non-initial fragments that go with it."""
        box = self._box(protocols, source_ports, destination_ports, icmp)
        if not _possible(box):
            return
        boxes: list[Box] = []
        fragments = self._fragments(box)
        if box.names_layer4:
            if not self._line.fragments:
                boxes.append(box)
            boxes.extend(fragments if self._takes_fragments else ())
        else:
            boxes.append(replace(box, fragment=True) if self._line.fragments else box)
        if may:
            self.may += tuple(boxes)
            self.contested += fragments
        if must:
            self.must += tuple(boxes)

    def _contest(
        self,
        protocols: Ranges | None,
        source_ports: Ranges | None,
        destination_ports: Ranges | None,
        icmp: Ranges | None,
    ) -> None:
        """Note the fragments that one service takes by one reading only."""
        box = self._box(protocols, source_ports, destination_ports, icmp)
        if _possible(box):
            self.contested += self._fragments(box)

    def _box(
        self,
        protocols: Ranges | None,
        source_ports: Ranges | None,
        destination_ports: Ranges | None,
        icmp: Ranges | None,
    ) -> Box:
        """Return one service as the packets that carry its layer 4."""
        anywhere = _anywhere(self._version)
        return Box(
            anywhere,
            anywhere,
            protocols,
            source_ports,
            destination_ports,
            icmp,
            self._line.flags,
            self._line.dscp,
        )

    def _fragments(self, box: Box) -> tuple[Box, ...]:
        """Return the non-initial fragments that a permit takes on addresses and protocol."""
        if not box.names_layer4 or self._line.action is not Action.PERMIT or self._line.fragments:
            return ()
        return (Box(box.source, box.destination, box.effective_protocols(), dscp=box.dscp, fragment=True),)


def _possible(box: Box) -> bool:
    """Whether some packet is in a box with free addresses."""
    fields = (box.source_ports, box.destination_ports, box.icmp, box.dscp)
    return (
        bool(box.effective_protocols())
        and all(numbers is None or bool(numbers) for numbers in fields)
        and (box.flags is None or bool(box.flags.cubes))
    )


def _merged(matches: list[AddressMatch]) -> tuple[AddressMatch, ...]:
    """Return few alternatives with the same addresses: prefixes joined, others once each."""
    if len(matches) < 2:
        return tuple(matches)
    prefixes: list[Prefix] = []
    others: dict[AddressMatch, None] = {}
    for match in matches:
        prefix = match.as_prefix()
        if prefix is None:
            others[match] = None
        else:
            prefixes.append(prefix)
    return (*(AddressMatch.prefix(prefix) for prefix in Prefix.merged(prefixes)), *others)


def _joined(services: list[ServiceMatch]) -> list[ServiceMatch]:
    """Return few services with the same packets: destination ports of one protocol joined."""
    joined: dict[ServiceMatch, list[Ranges]] = {}
    for service in services:
        ports = service.destination_ports
        joined.setdefault(replace(service, destination_ports=Ranges(()) if ports is not None else None), []).extend(
            () if ports is None else (ports,)
        )
    return [
        replace(service, destination_ports=Ranges.union_of(ports)) if service.destination_ports is not None else service
        for service, ports in joined.items()
    ]


def _refusal(device: Device, line: Line) -> str:
    """Return why a device could refuse a line whole: a group that is not there."""
    named = (line.protocol, line.source, line.destination, line.source_ports, line.destination_ports, line.icmp)
    for reference in named:
        if isinstance(reference, GroupReference):
            group = device.groups.get((reference.kind, reference.name))
            if group is None or not group.members:
                return f"group `{reference.name}` is {'undefined' if group is None else 'empty'}"
    return ""
