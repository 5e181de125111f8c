"""Lists against the kernel: the same models as packet rules, real packets, and for each the line that decided."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import replace

import pytest
from kernel.conftest import LIST_PACKETS
from kernel.judging import TALLY, described, raise_faults
from kernel.lab import require_lab
from kernel.random_fleets import some_groups, some_list, some_packet, some_readings
from model_builders import access_list, bound, device, fleet, interface, line, packet, route

from pathcheck.dataplane.batch import decide_batch
from pathcheck.dataplane.first_match import Part, filter_packets
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import AccessList, Action, Family, IcmpMatch
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, RST, SYN
from pathcheck.packetset.algebra import packet_space
from pathcheck.rehearsal import Decision, Laboratory, Sending


def gate(lists: Sequence[AccessList], **more: object) -> Device:
    """A device with one interface for each list, which meets it in; everything leaves by another one."""
    ports = [interface(f"Ethernet{at}", lists=(bound(one.name, "in", one.family),)) for at, one in enumerate(lists, 1)]
    ways = (route("0.0.0.0/0", "192.0.2.2"), route("::/0", "2001:db8:fe::2"))
    groups = more.pop("groups", ())
    return device(
        "gate", *ports, interface("Ethernet99", "192.0.2.1/29", "2001:db8:fe::1/64"), *ways, *lists, *groups, **more
    )  # type: ignore[misc, arg-type]


def decisions(one: Device, sent: Sequence[tuple[int, Packet]]) -> list[Decision]:
    """Send packets, each through the list of a number, and return the line that decided each."""
    with Laboratory(fleet(one), ["gate"]) as laboratory:
        traces = laboratory.send([Sending(each, LinkEnd("gate", f"Ethernet{at}")) for at, each in sent])
    found = []
    for trace in traces:
        lines = trace.steps[0].in_lines
        assert len(lines) == 1, trace
        found.append(lines[0])
    return found


@pytest.fixture(scope="module", autouse=True)
def machine() -> None:
    require_lab()


A, B = "10.1.20.1", "10.1.20.2"
ONE = [
    packet(A, B, "tcp", 49152, 80), packet(A, B, "tcp", 80, 49152), packet(A, B, "tcp", 49152, 443),
    packet(A, B, "tcp", 1, 80, flags=ACK), packet(A, B, "tcp", 1, 80, flags=RST),
    packet(A, B, "tcp", 1, 80, flags=SYN | ACK),
    packet(A, B, "udp", 1, 80), packet(A, B, "udp", 1, 53), packet(A, B, "icmp", 8, 0), packet(A, B, "icmp", 3, 4),
    packet(A, B, "esp"), packet(A, B, "tcp", fragment=True), packet(A, B, "udp", fragment=True),
    packet(A, B, "udp", 1, 2, dscp=46), packet("10.1.20.8", B, "tcp", 1, 80), packet("10.1.20.9", B, "tcp", 1, 80),
]  # fmt: skip

BY_HAND = [
    # The expectation is written by hand, in the order of ONE; common practice of lists, see docs/meaning.md.
    ([line("permit", "tcp", destination_ports="80")], "x..xxx.....x..xx"),
    ([line("permit", "tcp", source_ports="80")], ".x.........x...."),
    ([line("deny", "tcp", destination_ports="80"), line("permit")], ".xx...xxxxxxxx.."),
    ([line("permit", "tcp", flags=ESTABLISHED)], "...xxx.....x...."),
    ([line("permit", "tcp", destination_ports="0-79,81-65535")], ".xx........x...."),
    ([line("deny", "udp", source_ports="0-79,81-65535", destination_ports="0-52,54-65535"), line("permit")],
     "xxxxxx.xxxxxx.xx"),
    ([line("permit", "icmp", icmp=IcmpMatch(3, 4)), line("permit", "icmp", icmp=IcmpMatch(8))], "........xx......"),
    ([line("deny", "tcp", fragments=True), line("permit", "tcp")], "xxxxxx........xx"),
    ([line("permit", "ip", dscp=Ranges.single(46))], ".............x.."),
    ([line("permit", "ip", "10.1.20.0 0.0.0.254")], "..............x."),
    ([line("deny", "tcp", "10.1.20.1 0.0.0.8"), line("permit", "tcp")], "..............x."),
    ([line("permit", "ip", destination_ports="80")], "x..xxxx....xx.xx"),
    ([], "xxxxxxxxxxxxxxxx"),
]  # fmt: skip


def test_lists_made_by_hand() -> None:
    lists = []
    for number, (lines, _) in enumerate(BY_HAND):
        numbered = [replace(one, sequence=10 * place + 10) for place, one in enumerate(lines)]
        lists.append(access_list(f"L{number}", *numbered))
    found = decisions(gate(lists), [(at, one) for at in range(1, len(lists) + 1) for one in ONE])
    shown = "".join("x" if one.action == "permit" else "." for one in found)
    assert [shown[at : at + len(ONE)] for at in range(0, len(shown), len(ONE))] == [each for _, each in BY_HAND]


def test_the_end_of_an_ipv6_list() -> None:
    web = access_list("A", line("permit", "tcp", version=6, destination_ports="443"), family="ipv6")
    a, b = "2001:db8:20::1", "2001:db8:20::2"
    many = [
        packet(a, b, "tcp", 1, 443), packet(a, b, "tcp", 1, 80), packet(a, b, "tcp", fragment=True),
        *(packet(a, b, "icmpv6", kind, 0) for kind in (128, 134, 135, 136)), packet(a, b, "icmpv6", fragment=True),
    ]  # fmt: skip
    found = decisions(gate([web]), [(1, one) for one in many])
    assert [one.action == "permit" for one in found] == [True, False, True, False, False, True, True, False]


LISTS = 10


def test_random_lists(list_seed: int) -> None:
    """The kernel, the engine on sets, the engine on many packets, and the evaluator: one line for each packet."""
    chance = random.Random(f"lists {list_seed}")
    near: dict[IPVersion, list[Address]] = {
        4: [Address(4, (10 << 24) + (1 << 16) + chance.choice((20 << 8, 21 << 8)) + at) for at in range(10)],
        6: [Address(6, Address.parse("2001:db8:20::").value + chance.choice((0, 1 << 72)) + at) for at in range(10)],
    }
    families: tuple[tuple[IPVersion, Family], ...] = ((4, "ipv4"), (6, "ipv6"))
    lists = [some_list(chance, f"L{v}-{at}", v, near[v], most=14) for v, _ in families for at in range(LISTS)]
    lists += [access_list("EMPTY", family=family) for _, family in families[:1]]
    one = gate(lists, groups=some_groups(chance, dict(near)), assume=some_readings(chance))
    sent: list[tuple[int, Packet]] = []
    for at, each in enumerate(lists, 1):
        version: IPVersion = 4 if each.family == "ipv4" else 6
        ends = [
            (chance.choice(near[version]), chance.choice(near[version])) for _ in range(LIST_PACKETS // (2 * LISTS))
        ]
        sent += [(at, some_packet(chance, *pair)) for pair in ends]
    faults = []
    parts: dict[int, tuple[Part, ...]] = {}
    batches: dict[int, Iterator[object]] = {}
    for (at, each), kernel in zip(sent, decisions(one, sent), strict=True):
        named = lists[at - 1]
        if at not in parts:
            space = packet_space(each.version)
            parts[at] = filter_packets(one, named.family, named.name, space.full)
            batches[at] = iter(decide_batch(one, named.family, named.name, [it for n, it in sent if n == at]))
        fault = against(kernel, each, parts[at], evaluate_list(one, named.family, named.name, each), next(batches[at]))
        faults.append(None if fault is None else f"{described(Sending(each, LinkEnd('gate', named.name)))}: {fault}")
        if fault is None:
            TALLY.agreed[f"{kernel.action} by a line"] += 1
    TALLY.drawn["lists"] += 1
    raise_faults(faults, list_seed)


def against(kernel: Decision, each: Packet, parts: Sequence[Part], evaluated: object, batch: object) -> str | None:
    """In what the kernel's line differs from the others'."""
    mine = (kernel.action, kernel.span.line if kernel.span else None)

    def same(action: Action | None, use: object) -> bool:
        place = use.span.line if use.span else None  # type: ignore[attr-defined]
        return action is not None and (action.value, place) == mine

    if not any(same(part.action, part.use) and each in part.packets for part in parts):
        return f"the kernel {mine}; the sets {[(p.action, p.use, p.doubts) for p in parts if each in p.packets]}"
    if not same(evaluated.action, evaluated.use):  # type: ignore[attr-defined]
        return f"the kernel {mine}; the evaluator {evaluated}"
    if not same(batch.action, batch.use):  # type: ignore[attr-defined]
        return f"the kernel {mine}; the batch {batch}"
    return None


def test_a_changed_list_is_convicted() -> None:
    """The kernel has one list and the engine another: the comparison must see it."""
    said = access_list("A", line("permit", "tcp", destination_ports="80"), line("permit", "udp", sequence=20))
    meant = access_list("A", line("permit", "tcp", destination_ports="81"), line("permit", "udp", sequence=20))
    parts = filter_packets(gate([meant]), "ipv4", "A", packet_space(4).full)
    found = decisions(gate([said]), [(1, one) for one in ONE])
    wrong = [
        one
        for one, kernel in zip(ONE, found, strict=True)
        if against(kernel, one, parts, *[evaluate_list(gate([said]), "ipv4", "A", one)] * 2)
    ]
    assert wrong == [one for one in ONE if one.protocol == 6 and one.destination_port == 80]
