"""Lists from text, decided by each of the project's ways of deciding: they have to agree on each case.

A list is read from configuration text by the parser. One packet is then decided by the plain evaluator, by exact
packet sets and by the vectorised batch.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any

from pathcheck.dataplane.batch import decide_batch
from pathcheck.dataplane.first_match import Part, filter_packets
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import Action, Family
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import ICMP, ICMPV6, protocol_number
from pathcheck.packet.tcp_flags import SYN
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.parser.configuration import SourceText, read_configuration
from pathcheck.results.account import LineClass

FORMS = ("wildcard", "prefix")
"""Two spellings of one list: wildcard masks, and prefix lengths."""

UNASSIGNED_PROTOCOL = 253
"""RFC 3692: a number for experiments, so that no criterion of layer 4 can hold."""


@cache
def device_of(text: str, assume: Assumptions | None = None) -> Device:
    """Read one device; each of its lines has to be understood."""
    source = SourceText("quay-a.cfg", text.encode())
    parsed = read_configuration((source,), default_name="quay-a", assume=assume or Assumptions())
    (device,) = parsed.devices
    (account,) = parsed.accounts
    assert account.refused is None
    assert not [record for record in account.records if record.line_class is not LineClass.UNMODELLED], account.records
    return device


def list_text(name: str, lines: Iterable[str], family: Family = "ipv4") -> str:
    """Write a list in one block."""
    header = f"ip access-list extended {name}" if family == "ipv4" else f"ipv6 access-list {name}"
    return "\n".join(["hostname quay-a", header, *(f" {line}" for line in lines), ""])


def address_words(text: str, form: str) -> str:
    """Write `any` or a prefix as a list line does."""
    if text == "any":
        return text
    prefix = Prefix.parse(text)
    if form == "prefix":
        return str(prefix)
    if prefix.length == 32:
        return f"host {prefix.first}"
    return f"{prefix.first} {Address(4, prefix.hostmask)}"


def rule_lines(rules: Iterable[Mapping[str, Any]], form: str) -> list[str]:
    """Write rules of action, source and destination as lines."""
    return [
        f"{rule['action']} ip {address_words(rule.get('source', 'any'), form)} "
        f"{address_words(rule.get('destination', 'any'), form)}{' log' if rule.get('log') else ''}"
        for rule in rules
    ]


def packet_of(fields: Mapping[str, Any]) -> Packet:
    """Make the packet of a case; one without a protocol has an unassigned one, and TCP is a new connection."""
    source = Address.parse(fields["source"])
    word = fields.get("protocol", UNASSIGNED_PROTOCOL)
    protocol = protocol_number(str(word), source.version)
    assert protocol is not None
    icmp = protocol in (ICMP, ICMPV6)
    return Packet(
        source=source,
        destination=Address.parse(fields["destination"]),
        protocol=protocol,
        source_port=fields.get("source_port", 0),
        destination_port=fields.get("destination_port", 0),
        icmp_type=fields.get("icmp_type", 0) if icmp else 0,
        icmp_code=fields.get("icmp_code", 0) if icmp else 0,
        flags=SYN if protocol == 6 else 0,
        fragment=fields.get("fragment", False),
    )


def decide(device: Device, family: Family, name: str, packet: Packet) -> tuple[Action, int | None]:
    """Return the action and the number of the deciding line among the list's lines, from 1; None is the end."""
    access_list = device.access_list(family, name)
    assert access_list is not None
    numbers = {line.span: number for number, line in enumerate(access_list.lines, 1)}
    by_hand = evaluate_list(device, family, name, packet)
    assert by_hand.doubts == ()
    assert by_hand.action is not None
    # Packet sets.
    parts = [part for part in filter_packets(device, family, name, _one(packet)) if not part.packets.is_empty]
    assert [part.action for part in parts] == [by_hand.action]
    assert parts[0].use.span == by_hand.use.span
    # The batch.
    (batched,) = decide_batch(device, family, name, [packet])
    assert batched.action == by_hand.action
    assert batched.use.span == by_hand.use.span
    return by_hand.action, None if by_hand.use.span is None else numbers[by_hand.use.span]


def parts_of(device: Device, family: Family, name: str) -> tuple[Part, ...]:
    """Return what each line decides of all packets."""
    full = packet_space(4 if family == "ipv4" else 6).full
    return filter_packets(device, family, name, full)


def permitted(device: Device, family: Family, name: str) -> PacketSet:
    """Return the packets that a list permits."""
    result = packet_space(4 if family == "ipv4" else 6).empty
    for part in parts_of(device, family, name):
        assert part.action is not None
        if part.action is Action.PERMIT:
            result = result | part.packets
    return result


def idle_lines(device: Device, family: Family, name: str) -> list[int]:
    """Return the numbers, from 1, of the lines that decide no packet."""
    access_list = device.access_list(family, name)
    assert access_list is not None
    acting = {part.use.span for part in parts_of(device, family, name) if not part.packets.is_empty}
    return [number for number, line in enumerate(access_list.lines, 1) if line.span not in acting]


def _one(packet: Packet) -> PacketSet:
    """Return the set of one packet."""
    return packet_space(packet.version).of_packet(packet)
