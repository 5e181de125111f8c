"""RFC 1878: the table of masks, and subnets with their hosts and broadcast addresses."""

from __future__ import annotations

import pytest
from references.prefix_checks import check_size
from references.published import Case, published

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix, netmask_length

SOURCE = "rfc1878-subnet-table"


@pytest.mark.parametrize("case", published(SOURCE, "mask"))
def test_mask(case: Case) -> None:
    # RFC 1878, table of masks; the wildcard mask derived.
    check_size(case)
    prefix = Prefix.containing(Address.parse("172.16.99.201"), case.inputs["prefix_length"])
    assert ".".join(f"{prefix.netmask >> shift & 255:02X}" for shift in (24, 16, 8, 0)) == case.expected["mask_hex"]


@pytest.mark.parametrize("case", published(SOURCE, "subnet"))
def test_subnet(case: Case) -> None:
    # RFC 1878, tables 1-1 and 1-2; the misprinted rows are held against arithmetic.
    prefix, expected = Prefix.parse(case.inputs["concrete"]), case.expected
    assert str(Address(4, prefix.netmask)) == case.inputs["mask"]
    assert str(prefix.first) == expected["network"]
    assert str(prefix.last) == expected["broadcast"]
    reserved = prefix.reserved_addresses()
    assert [str(address) for address in reserved] == [expected["network"], expected["broadcast"]]
    assert str(Address(4, prefix.value + 1)) == expected["first_host"]
    assert str(Address(4, prefix.last.value - 1)) == expected["last_host"]


@pytest.mark.parametrize("case", published(SOURCE, "subnet_count", "subnet_count_obsolete"))
def test_number_of_subnets_and_hosts(case: Case) -> None:
    # RFC 1878, tables 1-1 and 1-2; tables 2-1 and 2-2 count as was usual before, without the first and the last subnet.
    base = Prefix.containing(Address.parse("172.16.0.0"), case.inputs["base_prefix_length"])
    length = netmask_length(Address.parse(case.inputs["mask"]))
    assert length == base.length + case.inputs["subnet_bits"]
    subnet = Prefix.containing(base.first, length)
    assert subnet.size - len(subnet.reserved_addresses()) == case.expected["hosts_per_subnet"]
    subnets = base.size // subnet.size
    if case.kind == "subnet_count":
        assert subnets == case.expected["subnets"]
    else:
        assert subnets - 2 == case.expected["subnets_excluding_zero_and_ones"]
