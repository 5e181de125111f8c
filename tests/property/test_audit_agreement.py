"""The audit's sweep finds the overlaps and duplicates that the standard library finds pair by pair."""

from __future__ import annotations

import ipaddress
import random
from itertools import combinations
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from model_builders import device, fleet, interface

from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.queries.audit.addresses import duplicates
from pathcheck.queries.audit.fleet_view import FleetView
from pathcheck.queries.audit.overlap_sweep import overlapping_pairs
from pathcheck.queries.audit.subnets import different_masks, overlaps

Plan = dict[LinkEnd, tuple[str | None, str]]
"""By interface: its VRF, and its address with a length."""


def made(plan: Plan) -> FleetConfig:
    """A fleet of interfaces with one address each."""
    by_device: dict[str, list[Any]] = {}
    for end, (vrf, address) in plan.items():
        by_device.setdefault(end.device, []).append(interface(end.interface, address, vrf=vrf))
    return fleet(*(device(name, *parts) for name, parts in by_device.items()))


def pairwise(plan: Plan) -> tuple[set[frozenset[LinkEnd]], set[frozenset[LinkEnd]]]:
    """Overlaps on one device and table, and equal addresses in tables of one name, pair by pair."""
    read = {end: (vrf, ipaddress.ip_interface(address)) for end, (vrf, address) in plan.items()}
    overlapping, equal = set(), set()
    for (a, (vrf_a, one)), (b, (vrf_b, other)) in combinations(read.items(), 2):
        if vrf_a != vrf_b or one.version != other.version:
            continue
        if a.device == b.device and one.network.overlaps(other.network):
            overlapping.add(frozenset((a, b)))
        if one.ip == other.ip:
            equal.add(frozenset((a, b)))
    return overlapping, equal


def audited(plan: Plan) -> tuple[set[frozenset[LinkEnd]], set[frozenset[LinkEnd]]]:
    """The same as the audit finds it."""
    view = FleetView(made(plan))
    overlapping = {frozenset((a.end, b.end)) for a, b in overlaps(view)}
    equal = {frozenset((a.end, b.end)) for group in duplicates(view) for a, b in combinations(group, 2)}
    return overlapping, equal


def random_plan(seed: int, size: int, devices: int) -> Plan:
    """A plan whose addresses come close to each other, with some equal ones."""
    draw = random.Random(seed)
    plan: Plan = {}
    for number in range(size):
        end = LinkEnd(f"quay-{draw.randrange(devices)}", f"Ethernet{number}")
        vrf = draw.choice([None, None, None, "TILLS"])
        if draw.random() < 0.2:
            address = (
                f"2001:db8:{draw.randrange(4):x}::{draw.randrange(1, 200):x}/{draw.choice([64, 112, 120, 127, 128])}"
            )
        else:
            host = draw.randrange(1, 60 * size)
            address = f"{ipaddress.IPv4Address((10 << 24) + host)}/{draw.choice([20, 24, 25, 27, 30, 31, 32])}"
        plan[end] = (vrf, address)
    return plan


@pytest.mark.parametrize(("size", "devices"), [(2000, 200), (700, 1)])
def test_large_fleets(size: int, devices: int) -> None:
    plan = random_plan(size, size, devices)
    expected = pairwise(plan)
    assert all(expected), "the plan holds faults of both kinds"
    assert audited(plan) == expected


near_addresses = st.builds(
    "10.0.{}.{}/{}".format, st.integers(0, 1), st.integers(1, 254), st.sampled_from([16, 23, 24, 25, 30, 31, 32])
)


@settings(max_examples=60)
@given(
    st.dictionaries(
        st.builds(
            LinkEnd, st.sampled_from(["quay-a", "quay-b"]), st.sampled_from(["Ethernet1", "Ethernet2", "Loopback0"])
        ),
        st.tuples(st.sampled_from([None, "TILLS"]), near_addresses),
    )
)
def test_small_fleets(plan: Plan) -> None:
    assert audited(plan) == pairwise(plan)


@settings(max_examples=60)
@given(st.lists(near_addresses, max_size=12))
def test_the_sweep_gives_each_pair_once(addresses: list[str]) -> None:
    from pathcheck.packet.prefix import Prefix

    nets = [ipaddress.ip_interface(text).network for text in addresses]
    expected = sorted(tuple(sorted((i, j))) for (i, a), (j, b) in combinations(enumerate(nets), 2) if a.overlaps(b))
    found = overlapping_pairs(range(len(nets)), lambda index: Prefix.parse(str(nets[index])))
    assert sorted(tuple(sorted(pair)) for pair in found) == expected


@settings(max_examples=60)
@given(st.lists(near_addresses, min_size=2, max_size=6))
def test_a_mask_is_blamed_exactly_where_subnets_of_two_devices_differ(addresses: list[str]) -> None:
    plan: Plan = {LinkEnd(f"quay-{number}", "Ethernet1"): (None, text) for number, text in enumerate(addresses)}
    nets = [network for text in addresses if (network := ipaddress.ip_interface(text).network).prefixlen < 32]
    clash = any(a != b and a.overlaps(b) for a, b in combinations(nets, 2))
    assert bool(list(different_masks(FleetView(made(plan))))) == clash
