"""RFC 6890 with RFC 8190 and RFC 9637: special-purpose blocks; RFC 5737, RFC 3849 and RFC 9637: documentation."""

from __future__ import annotations

import pytest
from references.prefix_checks import check_range
from references.published import Case, published

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.special_purpose import SPECIAL_BLOCKS, is_documentation, special_block

SOURCE = "rfc6890-special-purpose"
DOCUMENTATION = "rfc5737-3849-9637-documentation"


@pytest.mark.parametrize("case", published(SOURCE, "special_block"))
def test_registry_row(case: Case) -> None:
    # RFC 6890 section 2.2, with the changes of RFC 8190 and the row of RFC 9637.
    (block,) = (block for block in SPECIAL_BLOCKS if block.prefix == Prefix.parse(case.inputs["block"]))
    expected = case.expected
    assert block.source == expected["source"]
    assert block.destination == expected["destination"]
    assert block.forwardable == expected["forwardable"]
    assert block.globally_reachable == (None if expected["global"] == "N/A" else expected["global"])
    assert block.reserved_by_protocol == expected["reserved_by_protocol"]
    number = expected["rfc"].partition(",")[0].removeprefix("RFC")
    assert block.document.removeprefix("RFC ").split()[0] == ("6890" if "this document" in number else number)
    # RFC 6890 section 2.2.1: no destination, so neither forwardable nor global.
    assert block.destination or not (block.forwardable or block.globally_reachable)


@pytest.mark.parametrize("case", published(SOURCE, "special_lookup"))
def test_longest_row(case: Case) -> None:
    # RFC 6890 section 2.2, lookups derived.
    block = special_block(Address.parse(case.inputs["address"]))
    expected = case.expected["block"]
    assert (None if block is None else block.prefix) == (None if expected is None else Prefix.parse(expected))


@pytest.mark.parametrize("case", published(DOCUMENTATION, "documentation_block"))
def test_documentation_block(case: Case) -> None:
    # RFC 5737 sections 3 and 5, RFC 3849 section 2, RFC 9637 section 6.
    prefix = Prefix.parse(case.inputs["prefix"])
    assert is_documentation(prefix) == case.expected["documentation"]
    if "first" in case.expected:
        assert (str(prefix.first), str(prefix.last)) == (case.expected["first"], case.expected["last"])
        assert not is_documentation(Prefix.containing(prefix.first, prefix.length - 1))


def test_no_row_beside_the_registry() -> None:
    given = {Prefix.parse(case.values[0].inputs["block"]) for case in published(SOURCE, "special_block")}
    assert {block.prefix for block in SPECIAL_BLOCKS} == given


@pytest.mark.parametrize("case", published("rfc2544-filter-order", "range_to_prefix"))
def test_block_for_benchmarks(case: Case) -> None:
    # RFC 2544 appendix C.2.2 misprints the first address; RFC 6890 section 2.2.2 table 12 has the same block.
    check_range(case)
    block = special_block(Address.parse(case.inputs["first"]))
    assert block is not None
    assert (str(block.prefix), block.name) == (case.expected["prefix"], "benchmarking")
