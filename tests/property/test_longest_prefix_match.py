"""Longest match against a scan of the whole table with the standard library, and against a radix tree."""

from __future__ import annotations

import ipaddress
import itertools

import pytest
import radix
from hypothesis import given, settings
from hypothesis import strategies as st

from pathcheck.dataplane.longest_prefix_match import PrefixTable
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.prefix import Prefix

BITS = {4: 0x0A01_1400, 6: 0x2001_0DB8_0020_0000_0000_0000_0000_0000}


def near_prefixes(version: IPVersion) -> st.SearchStrategy[Prefix]:
    """Prefixes that cover each other often: any length, the bits few and shared."""
    width = WIDTH[version]
    low = st.integers(0, 63)
    far = st.integers(0, (1 << width) - 1)
    values = low.map(lambda bits: BITS[version] | bits) | far | st.sampled_from([0, (1 << width) - 1])
    lengths = st.integers(width - 7, width) | st.integers(0, width)
    return st.builds(lambda value, length: Prefix.containing(Address(version, value), length), values, lengths)


def tables(version: IPVersion) -> st.SearchStrategy[dict[Prefix, str]]:
    return st.lists(near_prefixes(version), max_size=20).map(lambda found: {prefix: str(prefix) for prefix in found})


def addresses(version: IPVersion) -> st.SearchStrategy[Address]:
    return near_prefixes(version).map(lambda prefix: prefix.last) | near_prefixes(version).map(lambda one: one.first)


@pytest.mark.parametrize("version", [4, 6])
@given(data=st.data())
def test_lookup_is_what_a_scan_and_a_radix_tree_find(version: IPVersion, data: st.DataObject) -> None:
    values = data.draw(tables(version))
    table = PrefixTable(version, values)
    tree = radix.Radix()
    for text in values.values():
        tree.add(text)
    for address in data.draw(st.lists(addresses(version), min_size=1, max_size=10)):
        # RFC 4632 section 5.1: the longest prefix that holds the destination.
        one = ipaddress.ip_address(str(address))
        holding = [net for net in map(ipaddress.ip_network, values.values()) if one in net]
        scanned = str(max(holding, key=lambda net: net.prefixlen)) if holding else None
        found = table.lookup(address)
        assert (found[1] if found else None) == scanned
        node = tree.search_best(str(address))
        # The tree writes some IPv6 prefixes with dotted ends, which is the same prefix in another spelling.
        assert (str(ipaddress.ip_network(node.prefix)) if node else None) == scanned


@pytest.mark.parametrize("version", [4, 6])
@given(data=st.data())
@settings(deadline=None)
def test_split_is_exact(version: IPVersion, data: st.DataObject) -> None:
    values = data.draw(tables(version))
    table = PrefixTable(version, values)
    whole = data.draw(near_prefixes(version))
    pieces = [(owner, prefix) for owner, prefixes in table.split(whole) for prefix in prefixes]
    in_order = sorted((prefix for _, prefix in pieces), key=lambda prefix: prefix.value)
    for earlier, later in itertools.pairwise(in_order):
        assert earlier.value + earlier.size == later.value, "a gap, or an overlap"
    assert in_order[0].first == whole.first
    assert in_order[-1].last == whole.last
    for owner, prefix in pieces:
        for address in (prefix.first, prefix.last):
            found = table.lookup(address)
            assert (found[0] if found else None) == owner
        assert not any(prefix.covers(inner) and inner != prefix for inner in values if inner != owner)


@pytest.mark.parametrize("version", [4, 6])
@given(data=st.data())
def test_covering_and_inside_are_what_a_scan_finds(version: IPVersion, data: st.DataObject) -> None:
    values = data.draw(tables(version))
    table = PrefixTable(version, values)
    one = data.draw(near_prefixes(version))
    covering = sorted((prefix for prefix in values if prefix.covers(one)), key=lambda prefix: -prefix.length)
    assert [prefix for prefix, _ in table.covering(one)] == covering
    assert table.inside(one) == sorted(prefix for prefix in values if one.covers(prefix) and prefix != one)


@given(st.integers(0, (1 << 128) - 1) | st.integers(0, 1 << 40))
def test_addresses_are_written_as_the_standard_library_writes_them(value: int) -> None:
    # RFC 5952 section 4. Mapped addresses are left out: the library writes them in hexadecimal (section 5 allows both).
    if value >> 32 != 0xFFFF:
        assert str(Address(6, value)) == str(ipaddress.IPv6Address(value))
