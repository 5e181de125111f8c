from __future__ import annotations

from dataclasses import replace

import pytest

from pathcheck.packet.box import Box
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, SYN, FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSpace, packet_space
from pathcheck.packetset.encoding import Layout

OFFICE, QUAY = (AddressMatch.prefix(Prefix.parse(text)) for text in ("10.1.20.0/24", "10.1.99.10/32"))


def test_connection_is_answered_with_ack_and_ends_swapped() -> None:
    space = packet_space(4)
    asked = Box(
        OFFICE, QUAY, Ranges.single(6), Ranges.of((49152, 65535)), Ranges.single(443), flags=FlagMatch.exactly(SYN)
    )
    # RFC 9293 section 3.5 figure 6: SYN is answered by SYN and ACK.
    expected = Box(
        QUAY,
        OFFICE,
        Ranges.single(6),
        Ranges.single(443),
        Ranges.of((49152, 65535)),
        flags=FlagMatch.exactly(SYN | ACK),
    )
    assert space.of(asked).reply() == space.of(expected)


@pytest.mark.parametrize(("version", "request_type", "reply_type", "protocol"), [(4, 8, 0, 1), (6, 128, 129, 58)])
def test_echo_is_answered_by_echo_reply_only(version: int, request_type: int, reply_type: int, protocol: int) -> None:
    # RFC 792 page 14 and RFC 4443 sections 4.1 and 4.2.
    space = packet_space(version)
    icmp = replace(Box.everything(version), protocols=Ranges.single(protocol))
    replies = replace(icmp, icmp=Ranges.of((reply_type << 8, reply_type << 8 | 255)))
    assert space.of(icmp).reply() == space.of(replies)
    requests = Ranges.of((request_type << 8, request_type << 8 | 255))
    assert (space.of(icmp) - space.of(replace(icmp, icmp=requests))).reply() == space.empty


@pytest.mark.parametrize(("version", "foreign"), [(4, 58), (6, 1)])
def test_icmp_of_the_other_version_is_answered_by_nothing(version: int, foreign: int) -> None:
    # Nothing of that kind can be an echo request here; its type is no port that could be swapped.
    space = packet_space(version)
    other = replace(Box.everything(version), protocols=Ranges.single(foreign))
    assert space.of(other).reply() == space.empty
    assert (space.full - space.of(other)).reply() == space.full.reply()


def test_layout_without_the_needed_bits_is_refused() -> None:
    space = PacketSpace(Layout(4, address=(0,), flags=(1,)), nodes=1 << 12)
    with pytest.raises(ValueError, match="without the ACK flag"):
        space.full.reply()
    space = PacketSpace(Layout(6, address=(0,), word=(15, 0)), nodes=1 << 12)
    with pytest.raises(ValueError, match="without the type of echo replies"):
        space.full.reply()
