"""Access lists as rules of the kernel's packet filter; shares nothing with the engine or the evaluator.

Two traps, measured on kernel 6.18 with nft 1.0.6: `tcp dport` also reads the
payload of later fragments, so whether a packet is one is marked first and each
test of layer 4 asks for the mark; and two adjacent `!=` tests on ports are
merged wrongly, so sets of ports are written as intervals.

A line that is doubtful (it could not be read, names a group that is not known,
depends on something not modelled) is left out: where the model is certain all
the same, the list decides the same without it.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

from pathcheck.model.access_list import AccessList, Action, Family, IcmpMatch, Line
from pathcheck.model.device import Device
from pathcheck.model.object_group import GroupReference, ServiceMatch
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch

__all__ = ["LATER", "MARKING", "WHOLE", "ListRule", "list_rules"]

WHOLE, LATER = "meta mark 0", "meta mark 1"

MARKING = (
    "meta mark set 0",
    "meta protocol ip ip frag-off & 0x1fff != 0 meta mark set 1",
    "meta protocol ip6 exthdr frag exists frag frag-off != 0 meta mark set 1",
)
"""Rules that put :data:`WHOLE` or :data:`LATER` on a packet; they stand in front of those of a list."""

ListRule = tuple[str, Action, Line | None]
"""Tests, what to do with a packet that passes them, and the line; None for the end of the list."""

_WITH_PORTS = {6: "tcp", 17: "udp", 132: "sctp"}


def list_rules(device: Device, family: Family, name: str) -> Iterator[ListRule]:
    """Yield the rules of a list in order; the last one has no tests.

    Parameters
    ----------
    name
        The list may be undefined or empty.
    """
    found: AccessList | None = device.access_list(family, name)
    version: IPVersion = 4 if family == "ipv4" else 6
    if found is None or not found.lines:
        permits = device.assume.undefined_list == "permits-all"
        yield "", Action.PERMIT if permits else Action.DENY, None
        return
    for line in found.lines:
        if isinstance(line, Line) and line.doubt is None:
            for tests in _line_tests(device, line, version):
                yield tests, line.action, line
    if version == 6 and device.assume.ipv6_end == "neighbour-discovery":
        yield f"{WHOLE} meta l4proto 58 icmpv6 type {{ 135, 136 }}", Action.PERMIT, None
    yield "", Action.DENY, None


def _line_tests(device: Device, line: Line, version: IPVersion) -> Iterator[str]:
    """Yield the tests of a line, one text for each way to match it; later fragments by the reading of the device."""
    for source, destination in product(_known(device, line.source), _known(device, line.destination)):
        if not (isinstance(source, AddressMatch) and isinstance(destination, AddressMatch)):
            continue
        if not source.version == destination.version == version:
            continue
        ends = [_address("saddr", version, source), _address("daddr", version, destination)]
        field = "ip" if version == 4 else "ip6"
        for dscp in line.dscp.spans if line.dscp is not None else (None,):
            low = [] if dscp is None else [f"{field} dscp >= {dscp[0]}", f"{field} dscp <= {dscp[1]}"]
            for upper in _upper_tests(device, line, version):
                yield " ".join(word for word in (*ends, *low, *upper) if word)


def _upper_tests(device: Device, line: Line, version: IPVersion) -> Iterator[list[str]]:
    """Yield the tests of protocol and layer 4."""
    for service in _known(device, line.protocol):
        given: tuple[object, ...] = (line.source_ports, line.destination_ports, line.icmp)
        protocols: Ranges | None
        if isinstance(service, ServiceMatch):
            protocols = None if service.protocol is None else Ranges.single(service.protocol)
            given = (service.source_ports, service.destination_ports, service.icmp)
        elif isinstance(service, Ranges):
            protocols = service
        else:
            protocols = Ranges.single(service) if isinstance(service, int) else None
        has_ports, has_icmp = any(part is not None for part in given[:2]), given[2] is not None
        if not has_ports and not has_icmp and line.flags is None:
            spoken = [] if protocols is None else [f"meta l4proto {_interval_set(protocols)}"]
            if protocols is None or protocols.spans:
                yield [LATER, *spoken] if line.fragments else spoken
            continue
        if line.fragments:
            continue  # a later fragment has no layer 4
        # A criterion of layer 4 asks for a protocol that has such a field.
        fitting = {6, 17, 132} if has_ports else set(range(256))
        fitting &= {1 if version == 4 else 58} if has_icmp else fitting
        fitting &= {6} if line.flags is not None else fitting
        for protocol in sorted(fitting):
            if protocols is None or protocol in protocols:
                yield from _layer4_tests(device, line, version, protocol, given)


def _layer4_tests(
    device: Device, line: Line, version: IPVersion, protocol: int, given: tuple[object, ...]
) -> Iterator[list[str]]:
    """Yield the tests of ports, ICMP and flags under one protocol."""
    spoken = f"meta l4proto {protocol}"
    for source, destination, icmp in product(*(_known(device, part) for part in given)):
        if any(isinstance(part, Ranges) and not part.spans for part in (source, destination, icmp)):
            continue
        cubes = [None] if line.flags is None else list(line.flags.cubes)
        if cubes and line.action is Action.PERMIT and device.assume.fragments == "layer3":
            yield [LATER, spoken]
        tests = [WHOLE, spoken]
        if isinstance(source, Ranges):
            tests.append(f"{_WITH_PORTS[protocol]} sport {_interval_set(source)}")
        if isinstance(destination, Ranges):
            tests.append(f"{_WITH_PORTS[protocol]} dport {_interval_set(destination)}")
        for kind, cube in product(_icmp_tests(icmp, version), cubes):
            yield [*tests, *kind, *([] if cube is None else [f"@th,104,8 & {cube[0]} == {cube[1]}"])]


def _icmp_tests(icmp: object, version: IPVersion) -> Iterator[list[str]]:
    """Yield the tests of ICMP type and code."""
    word = "icmp" if version == 4 else "icmpv6"
    if isinstance(icmp, IcmpMatch):
        yield [f"{word} type {icmp.type}", *([] if icmp.code is None else [f"{word} code {icmp.code}"])]
    elif isinstance(icmp, Ranges):
        # Type and code are the first two bytes, and the ranges are of the number that they make together.
        for low, high in icmp.spans:
            for kind in range(low >> 8, (high >> 8) + 1):
                first, last = max(low, kind << 8) & 255, min(high, kind << 8 | 255) & 255
                shown = str(first) if first == last else f"{first}-{last}"
                codes = [] if (first, last) == (0, 255) else [f"{word} code {shown}"]
                yield [f"{word} type {kind}", *codes]
    else:
        yield []


def _known(device: Device, value: object, above: tuple[GroupReference, ...] = ()) -> list[object]:
    """Return what a value stands for: itself, or the members of a group that are known."""
    if not isinstance(value, GroupReference):
        return [value]
    group = device.groups.get((value.kind, value.name))
    if group is None or value in above:
        return []
    members = [member.value for member in group.members if member.value is not None]
    return [found for member in members for found in _known(device, member, (*above, value))]


def _address(word: str, version: IPVersion, match: AddressMatch) -> str:
    """The test of an address; free bits need not be contiguous."""
    if match.is_any:
        return ""
    field = f"{'ip' if version == 4 else 'ip6'} {word}"
    shown = Address(version, match.value)
    if match.size == 1:
        return f"{field} {shown}"
    return f"{field} & {Address(version, match.care)} == {shown}"


def _interval_set(ranges: Ranges) -> str:
    """Numbers as a set of intervals."""
    return "{ " + ", ".join(f"{low}-{high}" if low < high else f"{low}" for low, high in ranges.spans) + " }"
