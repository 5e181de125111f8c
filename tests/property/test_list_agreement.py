"""The engine on sets of packets and the evaluator on one packet: two opinions on the same list."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from strategies import BASE, FLAGS, list_devices, own_icmp, packets

from pathcheck.dataplane.first_match import Part, filter_packets
from pathcheck.evaluator import evaluate_list
from pathcheck.model.device import Device
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packetset.algebra import packet_space

SLOW = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


def opinions_agree(device: Device, parts: tuple[Part, ...], one: Packet) -> None:
    """The packet is in exactly one part, and both say the same of it."""
    family = "ipv4" if one.version == 4 else "ipv6"
    holding = [part for part in parts if one in part.packets]
    assert len(holding) == 1, f"{one} is in {len(holding)} parts"
    part, alone = holding[0], evaluate_list(device, family, "A", one)
    assert part.action == alone.action, f"{one}: the engine says {part}, the evaluator {alone}"
    assert (part.use.text, part.use.span) == (alone.use.text, alone.use.span), f"{one}: another line decides"
    assert set(alone.readings) <= set(part.readings), f"{one}: the engine does not name {alone.readings}"
    if alone.action is None:
        assert set(alone.doubts) <= set(part.doubts), f"{one}: the engine does not name {alone.doubts}"


@pytest.mark.parametrize("version", [4, 6])
@given(data=st.data())
@settings(parent=SLOW, max_examples=60)
def test_random_packets(data: st.DataObject, version: IPVersion) -> None:
    device = data.draw(list_devices(version))
    parts = filter_packets(device, "ipv4" if version == 4 else "ipv6", "A", packet_space(version).full)
    for one in data.draw(st.lists(packets(version), min_size=5, max_size=25)):
        opinions_agree(device, parts, one)


def small_space(version: IPVersion) -> Iterator[Packet]:
    """Each packet whose fields have one of a few values, every combination that can exist."""
    addresses = [Address(version, BASE[version] + offset) for offset in (0, 1)]
    for source, destination, dscp, fragment in product(addresses, addresses, (0, 46), (False, True)):
        for protocol in (6, 17, own_icmp(version), 50):
            fields: list[dict[str, int]] = [{}]
            if not fragment and protocol in (6, 17):
                some_flags = FLAGS if protocol == 6 else (0,)
                fields = [
                    {"source_port": one, "destination_port": other, "flags": flags}
                    for one, other, flags in product((0, 22), (1, 80), some_flags)
                ]
            elif not fragment and protocol == own_icmp(version):
                fields = [{"icmp_type": kind, "icmp_code": code} for kind, code in product((0, 8, 135), (0, 4))]
            yield from (
                Packet(source, destination, protocol, dscp=dscp, fragment=fragment, **field) for field in fields
            )


@pytest.mark.parametrize("version", [4, 6])
@given(data=st.data())
@settings(parent=SLOW, max_examples=12)
def test_each_packet_of_a_small_space(data: st.DataObject, version: IPVersion) -> None:
    device = data.draw(list_devices(version, most=5))
    parts = filter_packets(device, "ipv4" if version == 4 else "ipv6", "A", packet_space(version).full)
    for one in small_space(version):
        opinions_agree(device, parts, one)


@pytest.mark.parametrize("version", [4, 6])
@given(data=st.data())
@settings(parent=SLOW, max_examples=40)
def test_each_printed_sample_is_decided_alike(data: st.DataObject, version: IPVersion) -> None:
    device = data.draw(list_devices(version))
    family = "ipv4" if version == 4 else "ipv6"
    for part in filter_packets(device, family, "A", packet_space(version).full):
        sample = part.packets.sample()
        assert sample is not None
        opinions_agree(device, (part,), sample)
