"""The share that a permit really decides, against a count of sets of packets."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st
from model_builders import access_list, line

from pathcheck.dataplane.list_space import line_boxes
from pathcheck.model.device import Device
from pathcheck.packet.address import Address
from pathcheck.packet.box import Box
from pathcheck.packet.protocol import TCP, UDP
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import SYN, FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import packet_space
from pathcheck.queries.line_review.broad_permits import BROAD, _conversations, broad_permits, decided_share
from pathcheck.queries.line_review.dead_lines import find_dead_lines
from pathcheck.queries.line_review.reviewed_list import ReviewedList

HALVES = ["any", "0.0.0.0 127.255.255.255", "128.0.0.0 127.255.255.255", "0.0.0.0 63.255.255.255", "10.0.0.0/8",
          "0.0.0.0 255.255.255.254", "192.0.0.0 31.255.255.255"]  # fmt: skip
PORTS = [None, None, "1024-65535", "0-32767", "443"]


@st.composite
def reviewed_lists(draw: st.DrawFn) -> ReviewedList:
    lines = []
    for number in range(draw(st.integers(1, 6))):
        protocol = draw(st.sampled_from(["ip", "tcp", "udp"]))
        ports = {} if protocol == "ip" else {"destination_ports": draw(st.sampled_from(PORTS))}
        action = draw(st.sampled_from(["permit", "deny"]))
        ends = draw(st.sampled_from(HALVES)), draw(st.sampled_from(HALVES))
        lines.append(line(action, protocol, *ends, sequence=10 * number + 10, **ports))
    found = access_list("QUAY", *lines)
    return ReviewedList(Device("core", access_lists={("ipv4", "QUAY"): found}), found)


def conversations(protocol: int) -> Box:
    any_address = AddressMatch.any(4)
    flags = FlagMatch.of((255, SYN)) if protocol == TCP else None
    return Box(any_address, any_address, Ranges.single(protocol), flags=flags, fragment=False)


@settings(deadline=None)
@given(reviewed_lists())
def test_shares_are_exact_and_none_is_missed(reviewed: ReviewedList) -> None:
    space = packet_space(4)
    dead = find_dead_lines(reviewed, lambda _: None)
    found = {item.span.line for item in broad_permits(reviewed, dead) if item.span}
    left = space.full
    expected = set()
    for index, each in enumerate(reviewed.lines):
        held = space.of_boxes(line_boxes(reviewed.device, each, "ipv4"))
        for protocol, (_, kind) in zip((TCP, UDP), _conversations(reviewed), strict=True):
            whole = space.of(conversations(protocol))
            share = (held & left & whole).count() / whole.count()
            if share > BROAD:
                assert decided_share(reviewed, index, kind) == (share, True)
                if each.action == "permit":
                    expected.add(each.span.line)
        left -= held
    assert found == expected


def test_what_a_doubtful_line_may_take_is_not_counted() -> None:
    doubtful = line("deny", sequence=10, doubt="a time range")
    found = access_list("QUAY", doubtful, line("permit", sequence=20))
    reviewed = ReviewedList(Device("core", access_lists={("ipv4", "QUAY"): found}), found)
    assert broad_permits(reviewed, find_dead_lines(reviewed, lambda _: None)) == []


def test_hundreds_of_small_denies_leave_it_broad() -> None:
    denies = [line("deny", "tcp", f"10.{number}.0.0/16", sequence=number + 1) for number in range(250)]
    found = access_list("QUAY", *denies, line("permit", "tcp", sequence=1000))
    reviewed = ReviewedList(Device("core", access_lists={("ipv4", "QUAY"): found}), found)
    (item,) = broad_permits(reviewed, find_dead_lines(reviewed, lambda _: None))
    assert "at least 99 % of all new TCP connections" in item.message


def test_ipv6_counts_global_unicast_addresses() -> None:
    # RFC 4291 section 2.4; 2000::/3 is an eighth of the space.
    both = {"version": 6, "source": "2000::/3", "destination": "2000::/3"}
    found = access_list("QUAY", line("permit", "udp", **both), family="ipv6")
    reviewed = ReviewedList(Device("core", access_lists={("ipv6", "QUAY"): found}), found)
    (item,) = broad_permits(reviewed, find_dead_lines(reviewed, lambda _: None))
    assert "100 % of all new UDP datagrams" in item.message
    assert Address.parse("2000::").value >> 125 == 1


def test_a_share_is_exact_while_few_lines_stand_before_and_settled_by_the_largest_of_many() -> None:
    def share(*denies: str) -> tuple[float, bool]:
        before = [line("deny", "tcp", source, sequence=number) for number, source in enumerate(denies, 1)]
        found = access_list("QUAY", *before, line("permit", "tcp", sequence=1000))
        reviewed = ReviewedList(Device("core", access_lists={("ipv4", "QUAY"): found}), found)
        (_, kind), *_ = _conversations(reviewed)
        return decided_share(reviewed, len(before), kind)

    small = [f"10.{number}.0.0/16" for number in range(200)]
    assert share(*small[:20]) == (1 - 20 / 65536, True)
    assert share(*small[:64]) == (1 - 64 / 65536, True)
    # What one large line leaves is seen although it stands behind many, and twice the same counts once.
    large = ["128.0.0.0/1", "128.0.0.0/2", "192.0.0.0/2", "128.0.0.0/1"]
    found, exact = share(*small, *large)
    assert 0.5 - 200 / 65536 - 1e-6 <= found <= 0.5 and not exact
    assert share(*small, *large, "64.0.0.0/2")[0] <= BROAD
