"""An access list made ready for many questions: bounds to leave lines out by, sets made when first needed."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from pathcheck.dataplane.list_space import Criteria, LineSpace, family_version, line_space
from pathcheck.model.access_list import AccessList, Family, Line, UnreadLine
from pathcheck.model.device import Device
from pathcheck.packet.address import WIDTH, Address
from pathcheck.packet.box import Box
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, PacketSpace, packet_space
from pathcheck.results.path import Doubt

__all__ = ["CompiledList", "LineSets", "compiled_list", "list_doubts"]

_FEW = 16
"""Lists up to this many lines are asked line by line: finding bounds would cost more than it saves."""

_SETS_KEPT = 4096
"""Line sets that one list keeps."""


@dataclass(frozen=True, slots=True)
class LineSets:
    """What a line matches as sets of packets, see :class:`~pathcheck.dataplane.list_space.LineSpace`."""

    may: PacketSet
    must: PacketSet
    contested: PacketSet | None


class CompiledList:
    """One list under one device's groups and assumptions.

    Parameters
    ----------
    device
        Holds the groups and the assumptions.
    family, name
        Of the list.
    access_list
        None where the device does not define it.
    """

    def __init__(self, device: Device, family: Family, name: str, access_list: AccessList | None) -> None:
        self.device = device
        self.family: Family = family
        self.name = name
        self.access_list = access_list
        self.version = family_version(family)
        self.lines: tuple[Line | UnreadLine, ...] = access_list.lines if access_list is not None else ()
        self._spaces: dict[int, LineSpace] = {}
        self._sets: dict[int, LineSets] = {}
        self._bounds: list[tuple[int, int, int, int]] | None = None
        # Lines that ask the same of everything but the addresses share a number.
        self._services: list[int] = []
        self._examples: list[int] = []

    @property
    def space(self) -> PacketSpace:
        """The packets of the list's IP version."""
        return packet_space(self.version)

    def line(self, index: int) -> LineSpace:
        """Return what one line matches, as boxes."""
        found = self._spaces.get(index)
        if found is None:
            found = self._spaces[index] = line_space(self.device, self.lines[index], self.family, self.name)
        return found

    def sets(self, index: int) -> LineSets:
        """Return what one line matches, as sets."""
        found = self._sets.get(index)
        if found is None:
            if len(self._sets) >= _SETS_KEPT:
                self._sets.clear()
            line = self.line(index)
            may = self._set_of(line.may)
            must = may if line.must is line.may else self._set_of(line.must)
            contested = self._set_of(line.contested) if line.contested is not None else None
            found = self._sets[index] = LineSets(may, must, contested)
        return found

    def refusals(self) -> tuple[Doubt, ...]:
        """Return why a device could refuse each single line; nothing where a line is sure to be in the list."""
        found = []
        for index, line in enumerate(self.lines):
            why = self.line(index).refusal
            if not why:
                return ()
            found.append(Doubt(why, line.span))
        return tuple(found)

    def meeting(self, packets: PacketSet) -> list[int]:
        """Return the places of all lines that may match one of the packets, and of few others, in order.

        Addresses are compared as numbers, and what else a line asks for is
        looked up once for all lines that ask the same; only what is left is
        worth a set operation.
        """
        if len(self.lines) <= _FEW:
            return list(range(len(self.lines)))
        if self._bounds is None:
            self._bounds = self._find_bounds()
        source, destination = _hull(self.space, packets)
        a, b, c, d = source.value, source.care, destination.value, destination.care
        near = [
            index
            for index, (value, care, value_to, care_to) in enumerate(self._bounds)
            if not (value ^ a) & care & b and not (value_to ^ c) & care_to & d
        ]
        answers: dict[int, bool] = {}
        meets = []
        for index in near:
            service = self._services[index]
            answer = answers.get(service)
            if answer is None:
                answer = answers[service] = self._service_meets(service, packets)
            if answer:
                meets.append(index)
        return meets

    def _find_bounds(self) -> list[tuple[int, int, int, int]]:
        """Return source and destination of each line as value and care bits; a group or an unread line is free."""
        numbers: dict[object, int] = {}
        bounds = []
        for index, line in enumerate(self.lines):
            if isinstance(line, UnreadLine):
                bounds.append((0, 0, 0, 0))
                key: object = None
            else:
                ends: list[int] = []
                for match in (line.source, line.destination):
                    bounded = isinstance(match, AddressMatch) and match.version == self.version
                    ends.extend((match.value, match.care) if bounded and isinstance(match, AddressMatch) else (0, 0))
                bounds.append((ends[0], ends[1], ends[2], ends[3]))
                key = (
                    line.action, line.protocol, line.source_ports, line.destination_ports,
                    line.icmp, line.flags, line.dscp, line.fragments,
                )  # fmt: skip
            number = numbers.setdefault(key, len(numbers))
            if number == len(self._examples):
                self._examples.append(index)
            self._services.append(number)
        return bounds

    def _service_meets(self, service: int, packets: PacketSet) -> bool:
        """Whether some packet meets what lines with that service ask for, addresses aside."""
        line = self.line(self._examples[service])
        boxes = (*line.may.services, *(line.contested.services if line.contested is not None else ()))
        return bool(boxes) and not (packets & self.space.of_boxes(boxes)).is_empty

    def _set_of(self, criteria: Criteria) -> PacketSet:
        """Return the packets that meet criteria; the factors first, so that groups do not multiply."""
        if criteria.size == 1:
            return self.space.of(next(iter(criteria)))
        if criteria.size == 0:
            return self.space.empty
        any_address = AddressMatch.any(self.version)
        found = self.space.of_boxes(criteria.services)
        for ends in (
            [Box(source, any_address) for source in criteria.sources],
            [Box(any_address, destination) for destination in criteria.destinations],
        ):
            found &= self.space.of_boxes(ends)
        return found


def list_doubts(device: Device, family: Family, name: str) -> tuple[Doubt, ...]:
    """Return the lines that leave each decision of a list open."""
    from pathcheck.model.unmodelled import ListScope

    scope = ListScope(name, family)
    return tuple(Doubt(item.what, item.span) for item in device.unmodelled if item.scope == scope)


_LINES_KEPT = 2_000_000
_kept: OrderedDict[tuple[int, int, str], CompiledList] = OrderedDict()
_lines_kept = 0


def compiled_list(device: Device, family: Family, name: str) -> CompiledList:
    """Return a list of a device ready for questions; made once for each list object, groups and reading."""
    global _lines_kept
    access_list = device.access_list(family, name)
    if access_list is None:
        return CompiledList(device, family, name, None)
    key = (id(access_list), id(device.groups), device.assume.fragments)
    found = _kept.get(key)
    # An identity is reused after its object is gone; what is kept holds on to its objects, so this is one look.
    if found is not None and found.access_list is access_list and found.device.groups is device.groups:
        _kept.move_to_end(key)
        return found
    made = _kept[key] = CompiledList(device, family, name, access_list)
    _lines_kept += len(made.lines)
    while _lines_kept > _LINES_KEPT and len(_kept) > 1:
        _, dropped = _kept.popitem(last=False)
        _lines_kept -= len(dropped.lines)
    return made


def _hull(space: PacketSpace, packets: PacketSet) -> tuple[AddressMatch, AddressMatch]:
    """Return the smallest prefix that holds all sources, and the one that holds all destinations."""
    sample = packets.sample()
    any_address = AddressMatch.any(space.version)
    if sample is None:
        return any_address, any_address
    return (
        _smallest(sample.source, lambda match: packets <= space.of(Box(match, any_address))),
        _smallest(sample.destination, lambda match: packets <= space.of(Box(any_address, match))),
    )


def _smallest(address: Address, holds_all: Callable[[AddressMatch], bool]) -> AddressMatch:
    """Return the longest prefix of an address that holds all, by halving."""
    low, high = 0, WIDTH[address.version]
    while low < high:
        middle = (low + high + 1) // 2
        if holds_all(AddressMatch.prefix(Prefix.containing(address, middle))):
            low = middle
        else:
            high = middle - 1
    return AddressMatch.prefix(Prefix.containing(address, low))
