"""RFC 6164: /127 links, and interface identifiers that are reserved."""

from __future__ import annotations

import pytest
from references.published import Case, published

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.special_purpose import reserved_interface_identifier

SOURCE = "rfc6164-slash127"


@pytest.mark.parametrize("case", published(SOURCE, "usable_hosts"))
def test_both_addresses_are_stations(case: Case) -> None:
    # RFC 6164 section 6.
    prefix = Prefix.parse(case.inputs["prefix"])
    assert [str(prefix.first), str(prefix.last)] == case.expected["usable"]
    assert prefix.size == 2
    assert prefix.reserved_addresses() == ()


@pytest.mark.parametrize("case", published(SOURCE, "count"))
def test_addresses_left_on_a_long_link(case: Case) -> None:
    # RFC 6164 section 5.2, stated.
    prefix = Prefix.containing(Address.parse("2001:db8:0:1::"), case.inputs["prefix_length"])
    assert prefix.size - case.inputs["taken"] == case.expected["unassigned"]


@pytest.mark.parametrize("case", published(SOURCE, "assignable"))
def test_reserved_identifiers(case: Case) -> None:
    # RFC 6164 section 6 (a) and (b), RFC 2526 section 2.
    reserved = reserved_interface_identifier(Address.parse(case.inputs["address"]))
    assert (reserved is None) == case.expected["should_assign"]


@pytest.mark.parametrize("case", published(SOURCE, "range_count"))
def test_range_of_reserved_identifiers(case: Case) -> None:
    # RFC 6164 section 6 (b) prints ff7f and counts 128; RFC 2526 section 2 begins at ff80, as is done here.
    low = Address.parse(f"2001:db8:0:1:{case.expected['corrected_first']}")
    high = Address.parse(f"2001:db8:0:1:{case.inputs['last']}")
    reserved = [v for v in range(low.value - 2, high.value + 1) if reserved_interface_identifier(Address(6, v))]
    assert (reserved[0], reserved[-1]) == (low.value, high.value)
    assert len(reserved) == case.expected["count_printed"]
