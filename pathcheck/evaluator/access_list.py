"""One packet against one access list: line by line, field by field."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from pathcheck.evaluator.lines_by_address import LinesByAddress
from pathcheck.model.access_list import Action, Family, IcmpMatch, Line, UnreadLine
from pathcheck.model.device import Device
from pathcheck.model.object_group import GroupReference, ServiceMatch
from pathcheck.model.unmodelled import ListScope
from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.results.path import Doubt, LineUse, Reading

__all__ = ["ListDecision", "evaluate_list"]

NO, MAYBE, YES = 0, 1, 2
"""Whether something matches: the lowest of several is their "and", the highest their "or"."""

Answer = tuple[int, str]
"""NO, MAYBE or YES; with MAYBE why it is not known."""


@dataclass(frozen=True, slots=True)
class ListDecision:
    """What a list decides about a packet.

    Parameters
    ----------
    action
        None where it is uncertain.
    use
        The first line that matches for certain, or the end of the list.
    doubts
        The lines that could decide otherwise; not empty exactly where the action is None.
    readings
        The assumptions that it rested on.
    """

    action: Action | None
    use: LineUse
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()


def evaluate_list(
    device: Device, family: Family, name: str, packet: Packet, *, by_address: LinesByAddress | None = None
) -> ListDecision:
    """Decide one packet by one list: the first line that matches, else the end of the list.

    A line that may match is passed over and remembered. The answer is certain
    if no such line would have answered otherwise.

    Parameters
    ----------
    device
        Holds the list, its groups and the assumptions.
    family
        `ipv4` or `ipv6`; the packet is of that IP version.
    name
        The list's name; the list may be undefined.
    by_address
        Its lines, sorted for many questions; without it, each line is gone through.

    Raises
    ------
    ValueError
        The packet is of the other IP version.

    References
    ----------
    First match: RFC 8519 section 2. The end of the list: common practice, no source.
    """
    if family != f"ipv{packet.version}":
        raise ValueError(f"an IPv{packet.version} packet meets no `{family}` list")
    access_list = device.access_list(family, name)
    lines = access_list.lines if access_list is not None else ()
    readings: list[Reading] = []
    # Lines that may decide, each with the action that it would have; None is either.
    passed: list[tuple[Action | None, Doubt]] = [
        (None, Doubt(item.what, item.span)) for item in device.unmodelled if item.scope == ListScope(name, family)
    ]
    for line in lines if by_address is None else by_address.fitting(packet):
        if isinstance(line, UnreadLine):
            passed.append((line.action, Doubt(line.why, line.span)))
            continue
        # Most lines of a long list are about other stations or services: plain arithmetic passes over them.
        source, destination = line.source, line.destination
        if isinstance(source, AddressMatch) and packet.source.value & source.care != source.value:
            continue
        if isinstance(destination, AddressMatch) and packet.destination.value & destination.care != destination.value:
            continue
        if isinstance(line.protocol, int) and line.protocol != packet.protocol:
            continue
        ports = line.destination_ports
        if isinstance(ports, Ranges) and not packet.fragment and packet.destination_port not in ports:
            continue
        matches, why = _line_matches(device, line, packet, device.assume.fragments)
        if packet.fragment and len({_line_matches(device, line, packet, r)[0] for r in ("layer3", "never")}) == 2:
            readings.append(Reading("fragments", device.assume.fragments, f"list `{name}`"))
        if matches == MAYBE:
            passed.append((line.action, Doubt(why, line.span)))
        if matches == YES:
            use = LineUse(name, line.action.value, line.span.words, line.span)
            return _decision(line.action, use, passed, readings)

    if not lines:
        permits = device.assume.undefined_list == "permits-all"
        state = "undefined" if access_list is None else "empty"
        readings.append(Reading("undefined_list", device.assume.undefined_list, f"{state} list `{name}`"))
    else:
        discovery = packet.protocol == 58 and packet.icmp_type in (135, 136) and not packet.fragment
        permits = family == "ipv6" and discovery and device.assume.ipv6_end == "neighbour-discovery"
        if family == "ipv6" and discovery:
            readings.append(Reading("ipv6_end", device.assume.ipv6_end, f"list `{name}`"))
        refusals = [_may_be_refused(device, line) for line in lines]
        if all(refusals) and device.assume.undefined_list == "permits-all":
            # A device that refuses each of these lines has an empty list, and that permits.
            passed += [(Action.PERMIT, Doubt(why, line.span)) for line, why in zip(lines, refusals, strict=True)]
    end = Action.PERMIT if permits else Action.DENY
    return _decision(end, LineUse(name, end.value, f"implicit {end.value}"), passed, readings)


def _decision(
    action: Action, use: LineUse, passed: list[tuple[Action | None, Doubt]], readings: list[Reading]
) -> ListDecision:
    """Decide for certain unless a line that was passed over could decide otherwise."""
    doubts = tuple(dict.fromkeys(doubt for possible, doubt in passed if possible != action))
    return ListDecision(None if doubts else action, use, doubts, tuple(dict.fromkeys(readings)))


def _line_matches(device: Device, line: Line, packet: Packet, fragments: str) -> Answer:
    """Whether the packet meets each criterion of the line, under a reading of fragments."""
    return _both(_line_answers(device, line, packet, fragments))


def _line_answers(device: Device, line: Line, packet: Packet, fragments: str) -> Iterator[Answer]:
    """What is to be said of each criterion."""
    yield _address_matches(device, line.source, packet.source)
    yield _address_matches(device, line.destination, packet.destination)
    yield _number_matches(device, line.dscp, packet.dscp)
    yield _sure(packet.fragment or not line.fragments)
    if isinstance(line.protocol, GroupReference) and line.protocol.kind == "service":
        # The line stands for several, one for each service of the group.
        yield _any_member(
            device, line.protocol, lambda it: _both(_service_answers(device, line, it, packet, fragments))
        )
    else:
        yield _both(_service_answers(device, line, line, packet, fragments))
    if line.doubt is not None:
        yield MAYBE, line.doubt


def _service_answers(device: Device, line: Line, service: object, packet: Packet, fragments: str) -> Iterator[Answer]:
    """What is to be said of protocol, ports, ICMP and flags; `service` is the line or a member of its service group."""
    assert isinstance(service, Line | ServiceMatch)
    ports = service.source_ports is not None or service.destination_ports is not None
    icmp, flags = service.icmp is not None, line.flags is not None
    # A group says `icmp` for lists of either IP version, and in IPv6 the types are others: only a line is clear.
    either = packet.version == 6 and isinstance(service, ServiceMatch) and service.protocol == 1
    if either and packet.protocol in (1, 58):
        yield MAYBE, "`icmp` in a group of services may stand for ICMPv6 in an IPv6 list"
    else:
        yield _number_matches(device, service.protocol, packet.protocol)
    # A criterion of layer 4 asks for a protocol that has such a field.
    yield _sure(not ports or packet.protocol in (6, 17, 132))
    yield _sure(not icmp or either or packet.protocol == (1 if packet.version == 4 else 58))
    yield _sure(not flags or packet.protocol == 6)
    # A non-initial fragment has no layer 4: None stands for "whatever it may have been".
    whole = not packet.fragment
    yield _number_matches(device, service.source_ports, packet.source_port if whole else None)
    yield _number_matches(device, service.destination_ports, packet.destination_port if whole else None)
    number = packet.icmp_type * 256 + packet.icmp_code if whole and not either else None
    yield _number_matches(device, service.icmp, number)
    if line.flags is not None:
        cubes = line.flags.cubes
        yield _sure(any(packet.flags & care == value for care, value in cubes) if whole else bool(cubes))
    if packet.fragment and (ports or icmp or flags):
        yield _sure(line.action is Action.PERMIT and fragments == "layer3" and not line.fragments)


def _both(answers: Iterable[Answer]) -> Answer:
    """The lowest of several answers; the first NO ends it."""
    lowest = YES, ""
    for answer in answers:
        if answer[0] == NO:
            return answer
        if answer[0] < lowest[0]:
            lowest = answer
    return lowest


def _address_matches(device: Device, wanted: object, address: Address) -> Answer:
    """Whether an address is the one that a line or a group asks for."""
    if isinstance(wanted, GroupReference):
        return _any_member(device, wanted, lambda member: _address_matches(device, member, address))
    assert isinstance(wanted, AddressMatch)
    return _sure(wanted.version == address.version and address.value & wanted.care == wanted.value)


def _number_matches(device: Device, wanted: object, number: int | None) -> Answer:
    """Whether a number is one that a line or a group asks for; None asks whether there is such a number at all."""
    match wanted:
        case None:
            return _sure(True)
        case int():
            return _sure(number is None or number == wanted)
        case IcmpMatch(type, code):
            return _sure(number is None or (number // 256 == type and code in (None, number % 256)))
        case Ranges():
            return _sure(any(number is None or low <= number <= high for low, high in wanted.spans))
        case GroupReference():
            return _any_member(device, wanted, lambda member: _number_matches(device, member, number))
    raise TypeError(f"`{wanted}` asks for no number")


def _any_member(
    device: Device, group: GroupReference, test: Callable[[object], Answer], above: tuple[GroupReference, ...] = ()
) -> Answer:
    """Whether a member of the group passes the test; what is missing in the group may pass it."""
    found = device.groups.get((group.kind, group.name))
    if group in above:
        return MAYBE, f"group `{group.name}` contains itself"
    if found is None or not found.members:
        return MAYBE, f"group `{group.name}` is {'undefined' if found is None else 'empty'}"
    answers: list[Answer] = []
    for member in found.members:
        if member.value is None:
            answers.append((MAYBE, member.why or f"a line of group `{group.name}` could not be read"))
        elif isinstance(member.value, GroupReference):
            answers.append(_any_member(device, member.value, test, (*above, group)))
        else:
            answers.append(test(member.value))
    return max(answers, key=lambda answer: answer[0])


def _may_be_refused(device: Device, line: Line | UnreadLine) -> str:
    """Why a device could refuse the whole line; empty where it cannot."""
    if isinstance(line, UnreadLine):
        return line.why
    named = (line.protocol, line.source, line.destination, line.source_ports, line.destination_ports, line.icmp)
    for group in named:
        if isinstance(group, GroupReference):
            found = device.groups.get((group.kind, group.name))
            if found is None or not found.members:
                return f"group `{group.name}` is {'undefined' if found is None else 'empty'}"
    return ""


def _sure(matches: bool) -> Answer:
    """Turn a plain answer into one that is never MAYBE."""
    return (YES if matches else NO), ""
