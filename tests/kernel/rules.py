"""Access lists as rules of the kernel's packet filter; shares nothing with the engine or the evaluator.

Two traps, measured on kernel 6.18 with nft 1.0.6: `tcp dport` also reads the
payload of later fragments, so whether a packet is one is marked first and each
test of layer 4 asks for the mark; and two adjacent `!=` tests on ports are
merged wrongly, so sets of ports are written as intervals.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

from pathcheck.model.access_list import AccessList, Action, IcmpMatch, Line
from pathcheck.model.device import Device
from pathcheck.model.object_group import GroupReference, ServiceMatch
from pathcheck.packet.address import Address
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch

WHOLE, LATER = "meta mark 0", "meta mark 1"

MARKING = (
    "meta mark set 0",
    "meta protocol ip ip frag-off & 0x1fff != 0 meta mark set 1",
    "meta protocol ip6 exthdr frag exists frag frag-off != 0 meta mark set 1",
)


def members(device: Device, reference: GroupReference) -> Iterator[object]:
    """Yield what a group stands for; only groups that are known."""
    for member in device.groups[reference.kind, reference.name].members:
        if isinstance(member.value, GroupReference):
            yield from members(device, member.value)
        else:
            assert member.value is not None
            yield member.value


def alternatives(device: Device, value: object) -> list[object]:
    return list(members(device, value)) if isinstance(value, GroupReference) else [value]


def address(word: str, version: int, match: object) -> str:
    assert isinstance(match, AddressMatch)
    if match.is_any:
        return ""
    field = f"{'ip' if version == 4 else 'ip6'} {word}"
    shown = Address(match.version, match.value)
    if match.size == 1:
        return f"{field} {shown}"
    return f"{field} & {Address(match.version, match.care)} == {shown}"


def interval_set(ranges: Ranges) -> str:
    return "{ " + ", ".join(f"{low}-{high}" if low < high else f"{low}" for low, high in ranges.spans) + " }"


def line_rules(device: Device, line: Line, version: int) -> Iterator[str]:
    """Yield the tests of a line, one text for each way to match it; later fragments by the reading of the device."""
    for source, destination in product(alternatives(device, line.source), alternatives(device, line.destination)):
        if (
            isinstance(source, AddressMatch)
            and isinstance(destination, AddressMatch)
            and not source.version == destination.version == version
        ):
            continue
        ends = [address("saddr", version, source), address("daddr", version, destination)]
        for dscp in line.dscp.spans if line.dscp is not None else (None,):
            low = ["" if dscp is None else f"{'ip' if version == 4 else 'ip6'} dscp >= {dscp[0]}"]
            low += ["" if dscp is None else f"{'ip' if version == 4 else 'ip6'} dscp <= {dscp[1]}"]
            for upper in upper_rules(device, line, version):
                yield " ".join(word for word in (*ends, *low, *upper) if word)


def upper_rules(device: Device, line: Line, version: int) -> Iterator[list[str]]:
    """Yield the tests of protocol and layer 4."""
    for service in alternatives(device, line.protocol):
        if isinstance(service, ServiceMatch):
            protocol, given = service.protocol, (service.source_ports, service.destination_ports, service.icmp)
        else:
            assert service is None or isinstance(service, int)
            protocol, given = service, (line.source_ports, line.destination_ports, line.icmp)
        names_layer4 = any(part is not None for part in given) or line.flags is not None
        spoken = [] if protocol is None else [f"meta l4proto {protocol}"]
        if not names_layer4:
            yield [LATER, *spoken] if line.fragments else spoken
            continue
        assert protocol is not None, "this translator writes layer 4 only behind a protocol"
        own_icmp = 1 if version == 4 else 58
        if line.fragments or (given[2] is not None and protocol != own_icmp):
            continue
        choices = [alternatives(device, part) for part in given]
        for sport, dport, icmp in product(*choices):
            if any(isinstance(part, Ranges) and not part.spans for part in (sport, dport)):
                continue
            if (
                line.action is Action.PERMIT
                and device.assume.fragments == "layer3"
                and (line.flags is None or line.flags.cubes)
            ):
                yield [LATER, *spoken]
            tests = [WHOLE, *spoken]
            name = {6: "tcp", 17: "udp", 132: "sctp"}.get(protocol, "th")
            tests += [f"{name} sport {interval_set(sport)}"] if isinstance(sport, Ranges) else []
            tests += [f"{name} dport {interval_set(dport)}"] if isinstance(dport, Ranges) else []
            if isinstance(icmp, Ranges):
                # Only whole types occur in the tests.
                kinds = sorted({number >> 8 for span in icmp.spans for number in range(span[0], span[1] + 1)})
                assert icmp.size == 256 * len(kinds)
                icmps = [[f"{'icmp' if version == 4 else 'icmpv6'} type {kind}"] for kind in kinds]
            elif isinstance(icmp, IcmpMatch):
                word = "icmp" if version == 4 else "icmpv6"
                icmps = [[f"{word} type {icmp.type}"] + ([] if icmp.code is None else [f"{word} code {icmp.code}"])]
            else:
                icmps = [[]]
            cubes: list[list[str]] = [[]]
            if line.flags is not None:
                cubes = [[f"@th,104,8 & {care} == {value}"] for care, value in line.flags.cubes]
            for icmp_tests, cube in product(icmps, cubes):
                yield [*tests, *icmp_tests, *cube]


def list_rules(device: Device, access_list: AccessList | None, version: int, *, permit: str = "return") -> list[str]:
    """Return the rules of a list for its chain: `permit` goes on, everything else is dropped."""
    lines = [line for line in access_list.lines if isinstance(line, Line)] if access_list is not None else []
    if not lines:
        return [permit if device.assume.undefined_list == "permits-all" else "drop"]
    rules = [
        f"{tests} {permit if line.action is Action.PERMIT else 'drop'}"
        for line in lines
        for tests in line_rules(device, line, version)
    ]
    if version == 6 and device.assume.ipv6_end == "neighbour-discovery":
        rules.append(f"{WHOLE} meta l4proto 58 icmpv6 type {{ 135, 136 }} {permit}")
    return [*rules, "drop"]
