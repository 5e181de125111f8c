"""Hypothesis strategies that the tests share: valid values only, named in the plural."""

from __future__ import annotations

from hypothesis import strategies as st
from model_builders import access_list, device, group, span

from pathcheck.model.access_list import Action, IcmpMatch, Line, Remark, UnreadLine
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.model.object_group import GroupReference, ServiceMatch
from pathcheck.model.unmodelled import ListScope, Unmodelled
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, RST, SYN, FlagMatch
from pathcheck.packet.wildcard import AddressMatch

# ---- lists and packets that meet often: few values for each field -----------------------------------------

BASE: dict[int, int] = {4: Address.parse("10.1.20.0").value, 6: Address.parse("2001:db8:20::").value}
"""The addresses of these lists and packets are the first eight behind it, and some far away."""

PORTS = (0, 1, 22, 80, 65535)
FLAGS = (0, SYN, ACK, RST, SYN | ACK, 255)


def own_icmp(version: IPVersion) -> int:
    return 1 if version == 4 else 58


def near_addresses(version: IPVersion) -> st.SearchStrategy[Address]:
    near = st.integers(0, 7).map(lambda offset: Address(version, BASE[version] + offset))
    return near | st.sampled_from([Address(version, 0), Address(version, (1 << WIDTH[version]) - 1)])


def address_matches(version: IPVersion) -> st.SearchStrategy[AddressMatch]:
    """Any, hosts, prefixes and wildcard masks that are not contiguous."""
    everything = (1 << WIDTH[version]) - 1
    masks = st.integers(0, 7) | st.sampled_from([8, 255 << 8, everything])
    return st.builds(
        AddressMatch.wildcard, near_addresses(version), masks.map(lambda mask: Address(version, mask))
    ) | st.just(AddressMatch.any(version))


def number_sets(numbers: tuple[int, ...]) -> st.SearchStrategy[Ranges]:
    """One or two ranges between numbers of a few; sometimes empty."""
    ends = st.tuples(st.sampled_from(numbers), st.sampled_from(numbers)).map(lambda pair: (min(pair), max(pair)))
    return st.lists(ends, max_size=2).map(lambda spans: Ranges.of(*spans))


@st.composite
def packets(draw: st.DrawFn, version: IPVersion) -> Packet:
    protocol = draw(st.sampled_from((6, 6, 17, own_icmp(version), 50, 132)))
    fragment = draw(st.integers(0, 4)) == 0
    fields: dict[str, int] = {}
    if not fragment and protocol in (6, 17, 132):
        fields = {"source_port": draw(st.sampled_from(PORTS)), "destination_port": draw(st.sampled_from(PORTS))}
    if not fragment and protocol == 6:
        fields["flags"] = draw(st.sampled_from(FLAGS))
    if not fragment and protocol == own_icmp(version):
        fields = {"icmp_type": draw(st.sampled_from((0, 8, 135, 136))), "icmp_code": draw(st.sampled_from((0, 4)))}
    source, destination = draw(near_addresses(version)), draw(near_addresses(version))
    return Packet(source, destination, protocol, dscp=draw(st.sampled_from((0, 46))), fragment=fragment, **fields)


ADDRESS_GROUPS = tuple(GroupReference(name, "address") for name in ("PIERS", "NESTED", "TORN", "GONE", "ROUND"))
PORT_GROUPS = tuple(GroupReference(name, "port") for name in ("WEB", "GONE"))
SERVICE_GROUPS = tuple(GroupReference(name, "service") for name in ("DESK", "GONE"))


@st.composite
def list_lines(draw: st.DrawFn, version: IPVersion, sequence: int, doubts: bool) -> Line | UnreadLine:
    """One line of any kind; with `doubts` also lines that may match or not."""
    kind = draw(st.integers(0, 11))
    action = draw(st.sampled_from(Action))
    if doubts and kind == 0:
        known = draw(st.sampled_from([None, action]))
        return UnreadLine(sequence, known, "permit htp", "expected a protocol", span=span("permit htp", sequence))
    last = None if doubts else -1
    addresses = address_matches(version) | st.sampled_from(ADDRESS_GROUPS[: 5 if doubts else 2])
    source, destination = draw(addresses), draw(addresses)
    icmp = own_icmp(version)
    protocol: int | GroupReference | None = draw(st.sampled_from([None, 6, 6, 17, icmp, 50]))
    fields: dict[str, object] = {}
    if protocol in (6, 17):
        some_ports = st.none() | number_sets(PORTS) | st.sampled_from(PORT_GROUPS[:last])
        fields = {"source_ports": draw(some_ports), "destination_ports": draw(some_ports)}
    if protocol == 6:
        some_flags = [FlagMatch.of((ACK, 0)), FlagMatch.of((SYN | ACK, SYN)), FlagMatch(())]
        fields["flags"] = draw(st.sampled_from([None, None, None, ESTABLISHED, *some_flags]))
    if protocol == icmp:
        fields["icmp"] = draw(st.sampled_from([None, IcmpMatch(8), IcmpMatch(0, 4), IcmpMatch(135)]))
    if kind == 1:
        protocol, fields = draw(st.sampled_from(SERVICE_GROUPS[:last])), {}
    return Line(
        sequence,
        action,
        protocol,
        source,
        destination,
        dscp=draw(st.none() | st.none() | number_sets((0, 46, 63))),
        fragments=draw(st.integers(0, 7)) == 0,
        doubt="a time range" if doubts and kind == 2 else None,
        span=span(f"{action} {sequence}", sequence),
        **fields,  # type: ignore[arg-type]
    )


@st.composite
def list_devices(draw: st.DrawFn, version: IPVersion, *, doubts: bool = True, most: int = 8) -> Device:
    """A device with a list `A` of up to `most` lines and its groups; sometimes without the list."""
    family = "ipv4" if version == 4 else "ipv6"
    count = draw(st.integers(0, most))
    entries = [draw(list_lines(version, 10 * place + 10, doubts)) for place in range(count)]
    lists = [access_list("A", *entries, Remark("end", span=span("remark end")), family=family)]
    groups = [
        group("PIERS", "address", *draw(st.lists(address_matches(version), min_size=1, max_size=3))),
        group("NESTED", "address", ADDRESS_GROUPS[0], draw(address_matches(version))),
        group("TORN", "address", None, draw(address_matches(version))),
        group("ROUND", "address", ADDRESS_GROUPS[4], draw(address_matches(version))),
        group("WEB", "port", *draw(st.lists(number_sets(PORTS), min_size=1, max_size=2))),
        group(
            "DESK",
            "service",
            ServiceMatch(6, None, draw(st.none() | number_sets(PORTS))),
            ServiceMatch(draw(st.sampled_from([None, 17, 50]))),
            ServiceMatch(own_icmp(version), icmp=Ranges.of((8 * 256, 8 * 256 + 255))),
        ),
    ]
    choices = {
        key: draw(st.sampled_from(Assumptions.choices()[key])) for key in ("fragments", "undefined_list", "ipv6_end")
    }
    touched = doubts and draw(st.integers(0, 19)) == 0
    unmodelled = (
        [Unmodelled("a line on the whole list", ListScope("A", family), span=span("fragments"))] if touched else []
    )
    if draw(st.integers(0, 19)) == 0:
        lists = []
    return device("quay-a", *lists, *groups, assume=Assumptions(**choices), unmodelled=tuple(unmodelled))
