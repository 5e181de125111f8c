"""RFC 950: the AND rule with contiguous and other masks. Other masks are what wildcard masks still are."""

from __future__ import annotations

import pytest
from references.published import Case, published

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix, netmask_length
from pathcheck.packet.special_purpose import address_type
from pathcheck.packet.wildcard import AddressMatch

SOURCE = "rfc0950-subnetting"


def under_netmask(address: str, mask: str) -> AddressMatch:
    """Return the addresses that are equal to one under a netmask, as a wildcard match."""
    inverse = Address.parse(mask).value ^ (1 << 32) - 1
    return AddressMatch.wildcard(Address.parse(address), Address(4, inverse))


@pytest.mark.parametrize("case", published(SOURCE, "same_subnet"))
def test_same_subnet(case: Case) -> None:
    # RFC 950 section 2.2 and appendix II; addresses beside the printed ones derived.
    inputs, expected = case.inputs, case.expected
    other = inputs.get("gateway", inputs.get("other"))
    match = under_netmask(inputs["host"], inputs["mask"])
    assert (Address.parse(other) in match) == expected["same_subnet"]
    assert str(Address(4, under_netmask(other, inputs["mask"]).value)) == expected.get(
        "masked_gateway", expected.get("masked_other")
    )
    if "masked_host" in expected:
        assert str(Address(4, match.value)) == expected["masked_host"]
        assert (match.as_prefix() is not None) == expected["contiguous"]
        assert (netmask_length(Address.parse(inputs["mask"])) is not None) == expected["contiguous"]


@pytest.mark.parametrize("case", published(SOURCE, "masked_match_count"))
def test_how_many_match(case: Case) -> None:
    # RFC 950 appendix II (3), derived.
    match = under_netmask(case.inputs["base"], case.inputs["mask"])
    assert str(Address(4, match.free)) == case.inputs["equivalent_wildcard"]
    assert match.size == case.expected["addresses"]
    within = AddressMatch.prefix(Prefix.parse(case.inputs["within"]))
    assert within.covers(match)
    assert within.size // match.size == case.expected["subnets"]


@pytest.mark.parametrize("case", published(SOURCE, "send_decision"))
def test_direct_or_by_the_gateway(case: Case) -> None:
    # RFC 950 section 2.2.
    length = netmask_length(Address.parse(case.inputs["mask"]))
    assert length is not None
    subnet = Prefix.containing(Address.parse(case.inputs["my_address"]), length)
    assert (Address.parse(case.inputs["destination"]) in subnet) == (case.expected["send"] == "direct")


@pytest.mark.parametrize("case", published(SOURCE, "subnet_count_obsolete"))
def test_hosts_of_a_subnet(case: Case) -> None:
    # RFC 950 section 2.1. That the first and the last subnet are not used is obsolete (RFC 1878).
    length = netmask_length(Address.parse(case.inputs["mask"]))
    assert length == case.inputs["base_prefix_length"] + case.inputs["subnet_bits"]
    subnet = Prefix.containing(Address.parse("128.99.4.1"), length)
    assert subnet.size == 2 ** case.expected["host_bits"]
    assert subnet.size - len(subnet.reserved_addresses()) == case.expected["hosts_per_subnet"]
    subnets = Prefix.containing(subnet.first, case.inputs["base_prefix_length"]).size // subnet.size
    assert subnets - 2 == case.expected["subnets_excluding_zero_and_ones"]


@pytest.mark.parametrize("case", published(SOURCE, "broadcast"))
def test_broadcast_of_a_network(case: Case) -> None:
    # RFC 950 section 2.1, stated.
    assert str(Prefix.parse(case.inputs["network"]).last) == case.inputs["address"]
    assert Prefix.parse(case.inputs["network"]).last in Prefix.parse(case.inputs["network"]).reserved_addresses()


@pytest.mark.parametrize("case", published(SOURCE, "special"))
def test_host_on_this_network(case: Case) -> None:
    # RFC 950 section 2.1, stated.
    assert address_type(Address.parse(case.inputs["address"])) == "this network"
