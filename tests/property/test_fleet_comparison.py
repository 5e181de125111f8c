"""What a change opens and closes: against `flow` on packets inside and outside of the regions, and against itself."""

from __future__ import annotations

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from random import Random

from fleet_strategies import HOSTS, devices, fleets
from hypothesis import given, settings
from hypothesis import strategies as st
from model_builders import access_list, line

from pathcheck.errors import FlowError
from pathcheck.fleet import LoadedFleet
from pathcheck.fleet_source import FleetState
from pathcheck.model.access_list import AccessList, Family, IcmpMatch, Line, Remark, UnreadLine
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import has_ports
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ALL_FLAGS, FlagMatch
from pathcheck.queries.fleet_comparison import ROWS, compare_fleets
from pathcheck.queries.flow import ask_flow
from pathcheck.results.account import ReadingReport
from pathcheck.results.fleet_comparison import ChangeRow, EndChange, FleetComparison
from pathcheck.results.verdict import Verdict

STATIONS = ("10.0.1.77", "10.0.1.200", "10.0.2.50", "10.0.2.200", "10.0.3.9", "10.0.3.250")
ELSEWHERE = ("198.51.100.9", "10.0.77.1", "10.8.0.9", "203.0.113.1")
SHOW = 60
"""Regions of one kind; random fleets may differ in thousands, and each costs a walk through both states."""
READINGS = (
    ("svi_without_port", "up"),
    ("undefined_list", "denies-all"),
    ("fragments", "never"),
    ("own_packets", "meet-out"),
    ("gateway_while_routing", "default-route"),
    ("recursion", "any"),
    ("recursion", "connected"),
    ("routing", "off"),
)
KINDS = ("opened", "closed", "uncertain")
RANK = {Verdict.DENIED: 0, Verdict.PARTLY: 1, Verdict.PERMITTED: 2}


def state(config: FleetConfig) -> FleetState:
    def unread(name: str) -> bytes:
        raise KeyError(name)

    return FleetState("made", LoadedFleet(Path(), config, ReadingReport()), unread)


def compared(before: FleetConfig, after: FleetConfig) -> FleetComparison:
    change = compare_fleets(state(before), state(after), show=SHOW)
    for kind in KINDS:
        told, size = sum(item.region.size or 0 for item in getattr(change, kind)), getattr(change, f"{kind}_size")
        assert told <= size if change.cut else told == size
        rows = sum(row.example.region.size or 0 for row in getattr(change, f"{kind}_rows"))
        assert rows <= size
        assert rows == size or len(getattr(change, f"{kind}_rows")) >= ROWS
    return change


@st.composite
def layer4_lists(draw: st.DrawFn) -> AccessList:
    """A list whose lines name ports, flags and ICMP types."""
    lines = []
    for number in range(draw(st.integers(1, 3))):
        protocol = draw(st.sampled_from(("ip", "tcp", "udp", "icmp")))
        lines.append(
            line(
                draw(st.sampled_from(("permit", "deny"))),
                protocol,
                draw(st.sampled_from(("any", "10.0.1.0/24"))),
                draw(st.sampled_from(("any", "10.0.3.0/24", "10.0.2.1"))),
                sequence=10 * number + 10,
                destination_ports=draw(st.sampled_from((None, "22", "22,80"))) if protocol in ("tcp", "udp") else None,
                icmp=draw(st.sampled_from((None, IcmpMatch(8)))) if protocol == "icmp" else None,
            )
        )
    return access_list("A", *lines, line(draw(st.sampled_from(("permit", "deny"))), sequence=900))


@st.composite
def edits(draw: st.DrawFn) -> tuple[FleetConfig, FleetConfig]:
    """A fleet, and the same fleet with some things in it as in another one."""
    before = draw(fleets())
    after = dict(before.devices)
    name = draw(st.sampled_from(sorted(after)))
    other = draw(devices(name, sorted(after).index(name) + 1))
    what = draw(
        st.sampled_from(
            (
                "all",
                "lists",
                "layer 4",
                "layer 4",
                "routes",
                "bindings",
                "unmodelled",
                "interfaces",
                "gone",
                "shut",
                "control",
            )
        )
    )
    old = after[name]
    if what == "all":
        after[name] = other
    elif what == "lists":
        after[name] = replace(old, access_lists=other.access_lists)
    elif what == "layer 4":
        lists = [{("ipv4", "A"): draw(layer4_lists())} for _ in range(2)]
        before = replace(before, devices={**before.devices, name: replace(old, access_lists=lists[0])})
        after[name] = replace(old, access_lists=lists[1])
    elif what == "routes":
        after[name] = replace(old, static_routes=other.static_routes, gateways=other.gateways)
    elif what == "unmodelled":
        after[name] = replace(old, unmodelled=other.unmodelled)
    elif what == "assume":
        key, value = draw(st.sampled_from(READINGS))
        after[name] = replace(old, assume=replace(old.assume, **{key: value}))
    elif what == "control":
        after[name] = replace(old, control_plane=other.control_plane, terminal_lines=other.terminal_lines)
    elif what == "gone" and len(after) > 1:
        del after[name]
    elif what == "bindings":
        kept = {
            key: replace(one, bindings=other.interfaces[key].bindings if key in other.interfaces else ())
            for key, one in old.interfaces.items()
        }
        after[name] = replace(old, interfaces=kept)
    elif what == "interfaces":
        after[name] = replace(old, interfaces=other.interfaces, vlans=other.vlans)
    elif what == "shut" and old.interfaces:
        shut = draw(st.sampled_from(sorted(old.interfaces)))
        interfaces = {**old.interfaces, shut: replace(old.interfaces[shut], shutdown=not old.interfaces[shut].shutdown)}
        after[name] = replace(old, interfaces=interfaces)
    links = before.links[:-1] if what != "gone" and draw(st.integers(0, 5)) == 0 else before.links
    links = tuple(link for link in links if link.a.device in after and link.b.device in after)
    return before, replace(before, devices=after, links=links)


def packets(draw: Random, number: int) -> list[Packet]:
    found = []
    for _ in range(number):
        source = Address.parse(draw.choice(STATIONS if draw.random() < 0.7 else HOSTS[:6]))
        destination = Address.parse(draw.choice(STATIONS + HOSTS + ELSEWHERE))
        protocol = draw.choice((1, 6, 6, 17, 47))
        if source == destination:
            continue
        if draw.random() < 0.2:
            found.append(Packet(source, destination, protocol, fragment=True))
        elif protocol in (6, 17):
            flags = draw.choice((0b10, 0b10000)) if protocol == 6 else 0
            found.append(Packet(source, destination, protocol, 49152, draw.choice((22, 53, 80)), flags=flags))
        else:
            found.append(Packet(source, destination, protocol, icmp_type=8 if protocol == 1 else 0))
    return found


def alone(packet: Packet, at: EntryPoint | None = None) -> Flow:
    """The flow of one packet."""
    source, destination = (Prefix(4, end.value, 32) for end in (packet.source, packet.destination))
    whole = not packet.fragment
    with_ports = whole and has_ports(packet.protocol)
    return Flow(
        packet.protocol,
        (source,),
        (destination,),
        source_ports=Ranges.single(packet.source_port) if with_ports else None,
        destination_ports=Ranges.single(packet.destination_port) if with_ports else None,
        icmp=Ranges.single(packet.icmp_type << 8 | packet.icmp_code) if whole and packet.protocol == 1 else None,
        flags=FlagMatch.of((ALL_FLAGS, packet.flags)) if whole and packet.protocol == 6 else None,
        dscp=Ranges.single(packet.dscp),
        fragment=packet.fragment,
        at=at,
    )


def verdict(config: FleetConfig, packet: Packet, at: EntryPoint | None = None) -> tuple[Verdict, bool]:
    """What `flow` says, and whether a device takes part; a packet that nobody sends does not pass."""
    try:
        answer = ask_flow(LoadedFleet(Path(), config, ReadingReport()), alone(packet, at), reply=False)
    except FlowError:
        return Verdict.DENIED, False
    return answer.verdict, True


def own(config: FleetConfig) -> set[Address]:
    return {
        item.address for one in config.devices.values() for port in one.interfaces.values() for item in port.addresses
    }


def in_rows(rows: Sequence[ChangeRow], packet: Packet) -> bool:
    """Whether a row holds the packet of a station."""
    return any(
        row.example.at is None
        and packet in row.example.region.box
        and any(packet.source in prefix for prefix in row.sources)
        and any(packet.destination in prefix for prefix in row.destinations)
        for row in rows
    )


def holds(items: Sequence[EndChange], packet: Packet, devices_own: set[Address]) -> bool:
    """Whether a region holds a packet: a prefix as source stands for stations."""
    return any(
        item.at is None
        and packet in item.region.box
        and (item.region.box.source.size == 1 or packet.source not in devices_own)
        for item in items
    )


@settings(max_examples=12, deadline=None)
@given(edits(), st.integers(0, 2**32))
def test_regions_hold_exactly_the_packets_that_fare_otherwise(
    states: tuple[FleetConfig, FleetConfig], seed: int
) -> None:
    before, after = states
    change = compared(before, after)
    addresses, draw = own(before) | own(after), Random(seed)
    samples = [item.region.sample for kind in (change.opened, change.closed) for item in kind if item.at is None]
    for packet in [*packets(draw, 60), *(sample for sample in samples[:20] if sample is not None)]:
        (was, sent), (now, sends) = verdict(before, packet), verdict(after, packet)
        alone_there = not (sent and sends) or (packet.source in own(before)) != (packet.source in own(after))
        if alone_there and Verdict.UNCERTAIN not in (was, now) and same_subnet(before, after, packet):
            continue  # neighbours reach each other whether or not a device of the fleet is on their subnet
        found = {kind for kind in KINDS if holds(getattr(change, kind), packet, addresses)}
        for kind in found if packet.source not in addresses else ():
            rows = getattr(change, f"{kind}_rows")
            assert in_rows(rows, packet) or len(rows) >= ROWS, (packet, kind)
        if packet.source not in addresses:
            in_some = {kind for kind in KINDS if in_rows(getattr(change, f"{kind}_rows"), packet)}
            assert in_some <= found or change.cut, (packet, in_some, found)
        if change.cut and not found:
            continue
        if was is now is Verdict.UNCERTAIN:
            assert found <= {"uncertain"}, packet
        elif Verdict.UNCERTAIN in (was, now):
            assert found == {"uncertain"}, (packet, was, now, found)
        elif was is now:
            assert not found, (packet, was, found)
        else:
            assert found == {"opened" if RANK[now] > RANK[was] else "closed"}, (packet, was, now, found)


@settings(max_examples=6, deadline=None)
@given(edits(), st.integers(0, 2**32))
def test_regions_of_packets_from_outside_hold_none_that_fares_alike(
    states: tuple[FleetConfig, FleetConfig], seed: int
) -> None:
    before, after = states
    change, draw = compared(before, after), Random(seed)
    strangers = ("198.51.100.9", "203.0.113.1", "192.0.2.7", "10.8.0.77")
    for kind in KINDS:
        for item in [one for one in getattr(change, kind) if one.at is not None][:40]:
            device, _, port = item.at.partition(":")
            inside = [
                stranger
                for packet in packets(draw, 12)
                for stranger in [replace(packet, source=Address.parse(draw.choice(strangers)))]
                if stranger in item.region.box
            ]
            for packet in (item.region.sample, *inside):
                assert packet in item.region.box
                was, now = (verdict(config, packet, EntryPoint(device, port))[0] for config in states)
                if kind == "uncertain":
                    assert Verdict.UNCERTAIN in (was, now)
                else:
                    assert (RANK[now] > RANK[was]) == (kind == "opened"), (item.at, packet, was, now)


def same_subnet(before: FleetConfig, after: FleetConfig, packet: Packet) -> bool:
    return any(
        packet.source in item.prefix and packet.destination in item.prefix
        for config in (before, after)
        for one in config.devices.values()
        for port in one.interfaces.values()
        for item in port.addresses
    )


@settings(max_examples=6, deadline=None)
@given(edits())
def test_what_one_way_opens_the_other_way_closes(states: tuple[FleetConfig, FleetConfig]) -> None:
    there, back = compared(*states), compared(*states[::-1])
    for kind, other in (("opened", "closed"), ("closed", "opened"), ("uncertain", "uncertain")):
        assert getattr(there, f"{kind}_size") == getattr(back, f"{other}_size")
        if there.cut:
            continue
        one, two = (
            [(item.region.box, item.at) for item in getattr(change, name)]
            for change, name in ((there, kind), (back, other))
        )
        assert sorted(map(str, one)) == sorted(map(str, two))


@settings(max_examples=12, deadline=None)
@given(fleets())
def test_nothing_changes_between_a_fleet_and_a_copy_of_it(config: FleetConfig) -> None:
    change = compared(config, deepcopy(config))
    assert not change.has_certain_effect
    assert not change.has_uncertain_effect
    assert not change.asked


@settings(max_examples=12, deadline=None)
@given(fleets(), st.integers(0, 2**32))
def test_numbers_remarks_and_the_order_of_lines_that_do_alike_have_no_effect(config: FleetConfig, seed: int) -> None:
    draw = Random(seed)
    changed = {name: replace(one, access_lists=rewritten(one, draw)) for name, one in config.devices.items()}
    change = compared(config, replace(config, devices=changed))
    assert {item.acl for item in change.lists} == {"A"}
    assert not any(item.has_effect for item in change.lists)
    assert not change.has_certain_effect
    assert not change.has_uncertain_effect
    assert not change.asked


def rewritten(one: Device, draw: Random) -> dict[tuple[Family, str], AccessList]:
    """The lists with other numbers, a remark, and two neighbours of one action changed about."""
    found: dict[tuple[Family, str], AccessList] = {}
    for key, each in one.access_lists.items():
        lines = list(each.lines)
        places = [at for at, (a, b) in enumerate(pairwise(lines)) if certain(a) and certain(b) and a.action == b.action]
        if places:
            at = draw.choice(places)
            lines[at], lines[at + 1] = lines[at + 1], lines[at]
        numbered = [replace(line, sequence=7 * number + 5) for number, line in enumerate(lines)]
        found[key] = replace(each, entries=(Remark(1, "other words", span=each.span), *numbered))
    return found


def certain(one: Line | UnreadLine) -> bool:
    return isinstance(one, Line) and one.doubt is None
