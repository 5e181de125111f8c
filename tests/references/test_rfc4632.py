"""RFC 4632 (CIDR): notation, sizes, aggregates and filters; the tables of routes are in test_route_tables.py."""

from __future__ import annotations

import pytest
from references.prefix_checks import by_mask, check_prefix_text, check_range, check_size
from references.published import Case, published

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix, netmask_length

SOURCE = "rfc4632-cidr"


@pytest.mark.parametrize("case", published(SOURCE, "prefix_size"))
def test_block_size(case: Case) -> None:
    # RFC 4632 section 3.1, sizes stated; wildcard masks derived.
    check_size(case)


@pytest.mark.parametrize("case", published(SOURCE, "prefix_notation"))
def test_notation(case: Case) -> None:
    # RFC 4632 sections 3.1 and 5.3.
    if "mask" in case.inputs:
        assert by_mask(case.inputs["network"], case.inputs["mask"]) == Prefix.parse(case.expected["prefix"])
        return
    for old, new in zip(case.inputs["old"], case.expected["new"], strict=True):
        assert Prefix.parse(new).first == Address.parse(old)


@pytest.mark.parametrize("case", published(SOURCE, "prefix_parse"))
def test_prefix_text(case: Case) -> None:
    # RFC 4632 sections 3.1, 5.1, 5.2 and the figure of 6.1.
    check_prefix_text(case)


@pytest.mark.parametrize("case", published(SOURCE, "address_parse"))
def test_misprinted_address(case: Case) -> None:
    # RFC 4632 section 5.3 prints five octets.
    with pytest.raises(ValueError, match="expected four octets, found 5"):
        Address.parse(case.inputs["text"])


@pytest.mark.parametrize("case", published(SOURCE, "mask_valid"))
def test_masks_are_contiguous(case: Case) -> None:
    # RFC 4632 section 5.1: masks of routes are left-contiguous.
    lengths = [netmask_length(Address.parse(mask)) for mask in case.inputs["masks"]]
    assert [length is not None for length in lengths] == case.expected["contiguous"]


@pytest.mark.parametrize("case", published(SOURCE, "range_to_prefix"))
def test_allocation(case: Case) -> None:
    # RFC 4632 section 6.1.
    check_range(case)


@pytest.mark.parametrize("case", published(SOURCE, "smallest_prefix"))
def test_smallest_block_for_a_client(case: Case) -> None:
    # RFC 4632 section 6.1: a client that needs fewer addresses than a bound.
    length, bound = case.expected["prefix_length"], case.inputs["addresses_fewer_than"]
    block = Prefix.containing(Address.parse("10.24.0.0"), length)
    assert block.size == bound == case.expected["count_24"] * 256
    assert block.halves()[0].size < bound - 1


@pytest.mark.parametrize("case", published(SOURCE, "aggregate"))
def test_aggregate(case: Case) -> None:
    # RFC 4632 section 6.1, client prefixes stated, aggregation derived.
    merged = Prefix.merged(Prefix.parse(text) for text in case.inputs["prefixes"])
    assert [str(prefix) for prefix in merged] == case.expected["aggregated"]
    if len(merged) == 1:
        assert Prefix.spanning(Prefix.parse(text) for text in case.inputs["prefixes"]) == merged[0]


@pytest.mark.parametrize("case", published(SOURCE, "subtract"))
def test_holes(case: Case) -> None:
    # RFC 4632 section 6.1: holes form in a block, the exact hole derived.
    rest = Prefix.parse(case.inputs["block"]).without(Prefix.parse(text) for text in case.inputs["remove"])
    assert [str(prefix) for prefix in rest] == case.expected["remaining"]
    if "addresses" in case.expected:
        assert sum(prefix.size for prefix in rest) == case.expected["addresses"]
