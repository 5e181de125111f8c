"""Routed fleets against the kernel: real packets through namespaces that are made from the same models.

Each packet's whole way is compared with what `flow` says of it: interfaces, deciding lines, next hops, and where and
why it ended; and the reply of what passes.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from kernel.conftest import FLEET_PACKETS
from kernel.judging import EVALUATED, TALLY, described, host, judge, judge_by_evaluator, raise_faults, reply_to
from kernel.lab import require_lab
from kernel.random_fleets import Drawing, some_packet
from model_builders import access_list, bound, device, fleet, interface, line, packet, route, span

from pathcheck.evaluator import evaluate_packet
from pathcheck.fleet import load_fleet
from pathcheck.model.access_list import IcmpMatch
from pathcheck.model.device import TerminalLines
from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packet.tcp_flags import ESTABLISHED
from pathcheck.queries.flow import Followed, follow
from pathcheck.rehearsal import Laboratory, Sending, Trace
from pathcheck.results.verdict import Reason, Verdict

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module", autouse=True)
def machine() -> None:
    require_lab()


class Court:
    """One fleet with its laboratory, and what `flow` says of packets that enter it at some places.

    Parameters
    ----------
    config
        The fleet that the kernel gets.
    known
        The fleet that `flow` is asked about, where that is another one.
    """

    def __init__(
        self, config: FleetConfig, pool: dict[IPVersion, list[Address]], known: FleetConfig | None = None
    ) -> None:
        self.laboratory = Laboratory(config, config.devices)
        self.config = known or config
        self.pool = pool
        self._followed: dict[tuple[object, ...], Followed] = {}

    def followed(self, sending: Sending, *, narrow: bool = False) -> Followed:
        """Ask for all packets between the addresses of the pool that enter at a place; or between two of them."""
        packet = sending.packet
        hosts = (packet.source, packet.destination) if narrow else None
        key = sending.at, sending.vrf, packet.version, packet.fragment, hosts
        if key not in self._followed:
            ends = tuple(host(address) for address in self.pool[packet.version])
            source, destination = ((host(one),) for one in hosts) if hosts else (ends, ends)
            at = EntryPoint(sending.at.device, sending.at.interface or None)
            # Without a VRF a single address of the device itself would mean its interface's table.
            flow = Flow(None, source, destination, fragment=packet.fragment, at=at, vrf=sending.vrf)
            self._followed[key] = follow(self.config, flow)
        return self._followed[key]

    def judge(self, sendings: Sequence[Sending], seed: object) -> list[Trace]:
        """Send packets, then the replies of those that pass, and hold each against the model."""
        traces = self.laboratory.send(sendings)
        pairs = list(zip(sendings, traces, strict=True))
        faults = []
        settled = []
        for sending, trace in pairs:
            agreed = TALLY.agreed.total()
            faults.append(self._fault(sending, trace, sending))
            settled.append(TALLY.agreed.total() > agreed)
        faults += [judge_by_evaluator(self.config, *pair) for pair in pairs[::EVALUATED]]
        # Where the model leaves open what becomes of a packet, it says nothing of the reply.
        replies = [
            (sending, reply)
            for (sending, trace), is_settled in zip(pairs, settled, strict=True)
            if is_settled and (reply := self._reply(sending, trace)) is not None
        ]
        back = self.laboratory.send([reply for _, reply in replies])
        for (sending, reply), trace in zip(replies, back, strict=True):
            fault = self._fault(reply, trace, sending)
            faults.append(None if fault is None else f"the reply to {described(sending)}: {fault}")
        TALLY.drawn["replies"] += len(replies)
        raise_faults(faults, seed)
        return traces

    def _fault(self, sending: Sending, trace: Trace, asked: Sending) -> str | None:
        """What is wrong with a packet's way; a reply is known by the flow that it answers.

        A walk that has grown large joins what ends alike, so a packet that is not found there is asked for alone.
        """
        fault: str | None = None
        for narrow in (False, True):
            followed = self.followed(asked, narrow=narrow)
            ends = followed.there if sending is asked else followed.back
            fault = judge(sending, trace, [end for end in ends if self._starts(end, sending)])
            if fault is None:
                break
        return fault

    def _starts(self, end: object, sending: Sending) -> bool:
        start = end.start  # type: ignore[attr-defined]
        at = EntryPoint(sending.at.device, sending.at.interface or None)
        return start is not None and start.at == at and (at.interface is not None or start.vrf == sending.vrf)

    def _reply(self, sending: Sending, trace: Trace) -> Sending | None:
        """The answer to a packet that passed, from where the kernel let it arrive."""
        if trace.reason is None or trace.reason.verdict is not Verdict.PERMITTED:
            return None
        packet = reply_to(sending.packet)
        if packet is None:
            return None
        last = trace.steps[-1]
        if last.out is not None:
            return Sending(packet, LinkEnd(last.device, last.out))
        into = self.config.devices[last.device].interfaces.get(last.into or "")
        return Sending(packet, LinkEnd(last.device, ""), into.vrf if into is not None else sending.vrf)


def packets_at(
    chance: random.Random,
    config: FleetConfig,
    pool: dict[IPVersion, list[Address]],
    entries: Sequence[tuple[LinkEnd, str | None]],
    count: int,
) -> list[Sending]:
    """Draw packets between the addresses of a pool that enter at some places."""
    made = []
    for _ in range(count):
        addresses = pool[chance.choice((4, 4, 6) if pool[6] else (4,))]
        at, vrf = chance.choice(entries)
        source = chance.choice(addresses)
        if not at.interface and vrf is None:
            # What a device sends from one of its own addresses is in the table of that interface.
            ports = config.devices[at.device].interfaces.values()
            vrf = next((it.vrf for it in ports if source in [own.address for own in it.addresses]), None)
        made.append(Sending(some_packet(chance, source, chance.choice(addresses)), at, vrf))
    return made


def test_random_fleets(fleet_seed: int) -> None:
    drawing = Drawing(f"fleet {fleet_seed}")
    chance = drawing.chance
    pool = {version: chance.sample(many, min(len(many), 16)) for version, many in drawing.stations.items()}
    devices = drawing.config.devices.values()
    entries = [(LinkEnd(one.name, port.name), None) for one in devices for port in one.interfaces.values()]
    entries = chance.sample(entries, min(5, len(entries)))
    entries += [(LinkEnd(chance.choice(drawing.names), ""), vrf) for vrf in (None, None, "TILLS")]
    court = Court(drawing.config, pool)
    try:
        court.judge(packets_at(chance, drawing.config, pool, entries, FLEET_PACKETS), fleet_seed)
    finally:
        court.laboratory.close()
    TALLY.drawn["fleets"] += 1


@pytest.mark.parametrize(
    "folder", ["ferry-operator/fleet", "rfc4632-topology/parent-and-child", "rfc4632-topology/providers"]
)
def test_fleets_of_the_corpora(folder: str) -> None:
    config = load_fleet(ROOT / "corpora" / folder).config
    chance = random.Random(folder)
    found: dict[IPVersion, list[Address]] = {4: [], 6: []}
    for one in config.devices.values():
        for port in one.interfaces.values():
            for item in port.addresses:
                near = Address(item.address.version, item.prefix.value + min(7, max(0, item.prefix.size - 2)))
                found[item.address.version] += [item.address, near]
    found[4].append(Address.parse("203.0.113.250"))
    pool = {version: chance.sample(many, min(len(many), 40)) for version, many in found.items()}
    ports = [
        (LinkEnd(one.name, port.name), None)
        for one in config.devices.values()
        for port in one.interfaces.values()
        if port.addresses and port.kind != "loopback"
    ]
    entries = chance.sample(ports, min(8, len(ports))) + [
        (LinkEnd(name, ""), None) for name in list(config.devices)[:3]
    ]
    court = Court(config, pool)
    try:
        court.judge(packets_at(chance, config, pool, entries, 2000), folder)
    finally:
        court.laboratory.close()


def quays() -> FleetConfig:
    one = device(
        "quay-1",
        interface(
            "Ethernet1", "10.1.1.1/24", "2001:db8:1::1/64", lists=(bound("STATIONS"), bound("STATIONS6", "in", "ipv6"))
        ),
        interface("Ethernet2", "10.0.12.1/30", "2001:db8:12::1/64"),
        interface("Ethernet3", "10.0.13.1/30", "2001:db8:13::1/64"),
        interface("Loopback0", "10.255.0.1/32", "2001:db8:ff::1/128"),
        # Two equal ways to the stations of quay-3; the rest by the longest match.
        route("10.1.3.0/24", "10.0.13.2"),
        route("10.1.3.0/24", "10.0.12.2"),
        route("10.1.2.0/24", "10.0.12.2"),
        route("10.1.2.128/25", "10.0.13.2"),
        route("0.0.0.0/0", "10.0.13.2"),
        route("10.9.0.0/16", discard=True, distance=254),
        route("10.9.1.0/24", "10.0.12.2"),
        route("10.77.0.0/16", "10.0.12.2"),
        route("2001:db8:3::/64", "2001:db8:13::2"),
        route("2001:db8:3::/64", "2001:db8:12::2"),
        route("2001:db8:2::/64", "2001:db8:12::2"),
        route("::/0", "2001:db8:13::2"),
        route("2001:db8:9::/48", discard=True),
        route("2001:db8:77::/48", "2001:db8:12::2"),
        access_list(
            "STATIONS",
            line("deny", "tcp", "any", "10.1.3.0/24", destination_ports="23"),
            line("permit", "tcp", "10.1.1.0/24", "any", destination_ports="22,80,443", sequence=20),
            line("permit", "tcp", "any", "any", flags=ESTABLISHED, sequence=30),
            line("deny", "udp", "any", "10.1.2.8 0.0.0.7", sequence=40),
            line("permit", "udp", "10.1.1.0 0.0.0.254", "any", sequence=50),
            line("permit", "icmp", "any", "any", icmp=IcmpMatch(8), sequence=60),
        ),
        access_list(
            "STATIONS6",
            line("permit", "tcp", version=6, destination_ports="22,443", sequence=10),
            line("deny", "udp", "any", "2001:db8:2::/64", version=6, sequence=20),
            line("permit", "udp", version=6, sequence=30),
            line("permit", "icmpv6", version=6, icmp=IcmpMatch(128), sequence=40),
            family="ipv6",
        ),
    )
    two = device(
        "quay-2",
        interface("Ethernet1", "10.1.2.1/24", "2001:db8:2::1/64"),
        interface("Ethernet2", "10.0.12.2/30", "2001:db8:12::2/64", lists=(bound("FROM-1"),)),
        interface("Ethernet3", "10.0.23.1/30", "2001:db8:23::1/64"),
        # Down: its subnet and the routes over it are gone, and the floating route acts.
        interface("Ethernet4", "10.0.24.1/30", shutdown=True),
        route("10.5.0.0/16", "10.0.24.2"),
        route("10.5.0.0/16", "10.0.23.2", distance=200),
        route("10.6.0.0/16", "10.0.24.2"),
        route("10.1.1.0/24", "10.0.12.1"),
        route("10.1.3.0/24", "10.0.23.2"),
        route("10.77.0.0/16", "10.0.12.1"),
        route("10.9.1.0/24", "10.0.23.2"),
        route("2001:db8:1::/64", "2001:db8:12::1"),
        route("2001:db8:3::/64", "2001:db8:23::2"),
        route("2001:db8:77::/48", "2001:db8:12::1"),
        access_list(
            "FROM-1",
            line("deny", "tcp", "any", "10.1.3.0/24", destination_ports="443"),
            line("deny", "tcp", "any", "any", fragments=True, sequence=20),
            line("permit", sequence=30),
        ),
    )
    three = device(
        "quay-3",
        interface("Ethernet1", "10.1.3.1/24", "2001:db8:3::1/64", lists=(bound("TO-STATIONS", "out"),)),
        interface("Ethernet2", "10.0.23.2/30", "2001:db8:23::2/64"),
        interface("Ethernet3", "10.0.13.2/30", "2001:db8:13::2/64"),
        interface("Ethernet9", "192.0.2.1/30", "2001:db8:fe::1/64", lists=(bound("OUT6", "out", "ipv6"),)),
        interface("Loopback0", "10.255.0.3/32", "2001:db8:ff::3/128"),
        route("0.0.0.0/0", "192.0.2.2"),
        route("::/0", "2001:db8:fe::2"),
        route("10.1.1.0/24", "10.0.13.1"),
        route("10.1.2.0/24", "10.0.23.1"),
        route("10.5.1.0/24", discard=True),
        route("10.9.1.0/24", "10.0.77.7"),
        route("2001:db8:1::/64", "2001:db8:13::1"),
        route("2001:db8:2::/64", "2001:db8:23::1"),
        access_list(
            "TO-STATIONS",
            line("permit", "tcp", "10.1.0.0/16", "any", destination_ports="1-79,81-65535"),
            line("permit", "icmp", sequence=20),
            line("deny", sequence=30),
        ),
        access_list(
            "OUT6",
            line("deny", "tcp", version=6, destination_ports="22"),
            line("permit", version=6, sequence=20),
            family="ipv6",
        ),
        access_list("ADMINS", line("permit", "ip", "10.1.1.7", sequence=10), standard=True),
        terminal_lines=(TerminalLines(0, 4, (bound("ADMINS"),), span=span("line vty")),),
    )
    cables = (
        "quay-1:Ethernet2 quay-2:Ethernet2",
        "quay-1:Ethernet3 quay-3:Ethernet3",
        "quay-2:Ethernet3 quay-3:Ethernet2",
    )
    return fleet(one, two, three, links=cables)


POOL: dict[IPVersion, list[Address]] = {
    4: [
        Address.parse(text)
        for text in (
            *("10.1.1.7", "10.1.1.8", "10.1.2.7", "10.1.3.7", "192.0.2.9", "10.1.1.9", "10.1.2.9", "10.1.2.200"),
            *("10.1.3.9", "10.1.3.10", "10.1.3.11", "10.1.3.12", "198.51.100.9", "192.0.2.2", "10.9.1.5", "10.9.2.5"),
            *("10.77.0.1", "10.5.0.1", "10.5.1.1", "10.6.0.1", "10.255.0.1", "10.255.0.3", "10.1.3.1", "10.0.23.1"),
            *("10.0.24.1", "10.1.2.1", "10.0.13.2"),
        )
    ],
    6: [
        Address.parse(text)
        for text in (
            *("2001:db8:1::7", "2001:db8:2::7", "2001:db8:3::7", "2001:db8:1::9", "2001:db8:2::9", "2001:db8:3::9"),
            *("2001:db8:3::a", "2001:db8:9::1", "2001:db8:77::1", "2001:db8:f00::1", "2001:db8:ff::1"),
            *("2001:db8:ff::3", "2001:db8:23::1"),
        )
    ],
}
STATIONS = [(LinkEnd(f"quay-{number}", "Ethernet1"), None) for number in (1, 2, 3)]
OWN = [(LinkEnd(f"quay-{number}", ""), None) for number in (1, 2, 3)]


def test_quays_made_by_hand() -> None:
    """Each end of a packet occurs; the tables are what a reader of the routes expects."""
    court = Court(quays(), POOL)
    try:
        traces = court.judge(packets_at(random.Random("quays"), quays(), POOL, STATIONS + OWN, 2000), "quays")
        refused = {str(prefix) for name in court.config.devices for prefix in court.laboratory.installed(name).refused}
    finally:
        court.laboratory.close()
    assert refused == {"10.5.0.0/16", "10.6.0.0/16", "10.9.1.0/24"}
    ends = [trace.reason for trace in traces]
    assert {reason for reason in Reason if reason not in (None, Reason.UNMODELLED)} <= set(ends)
    # Two equal ways to the stations of quay-3, and the kernel takes both.
    ways = {
        trace.steps[0].out
        for trace in traces
        if trace.steps[0].into == "Ethernet1"
        and trace.steps[0].device == "quay-1"
        and trace.steps[-1].device == "quay-3"
        and trace.reason is Reason.ARRIVED
    }
    assert ways == {"Ethernet2", "Ethernet3"}


def changed(config: FleetConfig, name: str, **fields: object) -> FleetConfig:
    return replace(config, devices={**config.devices, name: replace(config.devices[name], **fields)})  # type: ignore[arg-type]


def test_a_changed_fleet_is_convicted() -> None:
    """The kernel has one fleet and `flow` knows another: each kind of difference must be seen."""
    quay = quays().devices["quay-1"]
    routes = quay.static_routes
    known = [
        changed(quays(), "quay-1", static_routes=routes[1:]),  # one of two equal ways
        changed(quays(), "quay-1", static_routes=tuple(replace(it, distance=7) for it in routes[3:4]) + routes),
        changed(quays(), "quay-2", access_lists={}),
        changed(quays(), "quay-3", terminal_lines=()),
        changed(quays(), "quay-3", static_routes=quays().devices["quay-3"].static_routes[1:]),
    ]
    fates = []
    for number, other in enumerate(known):
        court = Court(quays(), POOL, known=other)
        try:
            court.judge(packets_at(random.Random(f"changed {number}"), quays(), POOL, STATIONS, 600), number)
        except AssertionError as error:
            fates.append(str(error).partition(" packets")[0].isdecimal())
        else:
            fates.append(False)
        finally:
            court.laboratory.close()
    # A route with a worse distance beside the same one changes nothing, and that is seen as well.
    assert fates == [True, False, True, True, True]


def test_two_hosts_behind_one_interface_and_several_terminal_blocks() -> None:
    """Blocks of terminal lines are alternatives: the kernel takes one at random, and each is among the model's."""
    blocks = tuple(
        TerminalLines(first, first, (bound(name),), span=span(f"line vty {first}"))
        for first, name in enumerate(("ADMINS", "NOBODY"))
    )
    one = device(
        "quay-1",
        interface("Ethernet1", "10.1.1.1/24"),
        access_list("ADMINS", line("permit", "ip", "10.1.1.7"), standard=True),
        access_list("NOBODY", line("deny"), standard=True),
        terminal_lines=blocks,
    )
    pool: dict[IPVersion, list[Address]] = {4: [Address.parse("10.1.1.7"), Address.parse("10.1.1.1")], 6: []}
    court = Court(fleet(one), pool)
    session = packet("10.1.1.7", "10.1.1.1", "tcp", 49152, 22)
    try:
        traces = court.judge([Sending(session, LinkEnd("quay-1", "Ethernet1"))] * 60, "terminals")
    finally:
        court.laboratory.close()
    assert {trace.reason for trace in traces} == {Reason.ARRIVED, Reason.FILTERED}


def test_a_packet_that_no_kernel_can_judge_is_said_to_be_so() -> None:
    one = device(
        "quay-1", interface("Ethernet1", "10.1.1.1/24", "2001:db8:1::1/64"), interface("Ethernet2", "10.1.2.1/24")
    )
    at = LinkEnd("quay-1", "Ethernet2")
    header = Packet(Address.parse("2001:db8:1::7"), Address.parse("2001:db8:1::8"), 43)
    with Laboratory(fleet(one), ["quay-1"]) as laboratory:
        traces = laboratory.send(
            [
                Sending(packet("10.1.2.7", "10.1.1.255", "udp", 1, 2), at),
                Sending(packet("2001:db8:2::7", "2001:db8:1::", "udp", 1, 2), at),
                Sending(header, at),
                Sending(packet("10.1.2.7", "10.1.1.254", "udp", 1, 2), at),
            ]
        )
    assert [trace.reason for trace in traces] == [None, None, None, Reason.ARRIVED]
    assert [trace.lost for trace in traces] == [False] * 4
    words = ("broadcast address", "anycast address", "extension header")
    assert all(word in trace.why for word, trace in zip(words, traces, strict=False))
    assert evaluate_packet(fleet(one), header, EntryPoint("quay-1", "Ethernet2"))


def test_routes_to_another_table_are_not_judged() -> None:
    """A next hop in another table, and what is looked up through such a route, is no disagreement."""
    one = device(
        "quay-1",
        interface("Ethernet1", "10.1.1.1/24", vrf="TILLS"),
        interface("Ethernet2", "10.1.2.1/24"),
        route("10.5.0.0/16", "10.1.2.9", vrf="TILLS", next_hop_vrf=""),
        route("10.6.0.0/16", "10.5.0.1", vrf="TILLS"),
        route("10.7.0.0/16", "10.1.1.9", vrf="TILLS"),
        vrfs={"TILLS": span("vrf TILLS")},
    )
    at = LinkEnd("quay-1", "Ethernet1")
    with Laboratory(fleet(one), ["quay-1"]) as laboratory:
        traces = laboratory.send([Sending(packet("10.1.1.7", f"10.{net}.0.9"), at) for net in (5, 6, 7)])
    assert [trace.reason for trace in traces] == [None, None, Reason.HANDED_OVER]
    assert not any(trace.lost for trace in traces)
