"""RFC 1918: private blocks and their edges."""

from __future__ import annotations

import pytest
from references.prefix_checks import check_prefix_text, check_range
from references.published import Case, published

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.special_purpose import is_private, special_block

SOURCE = "rfc1918-private"


@pytest.mark.parametrize("case", published(SOURCE, "range_to_prefix"))
def test_private_block(case: Case) -> None:
    # RFC 1918 section 3, stated.
    check_range(case)
    block = special_block(Address.parse(case.inputs["first"]))
    assert block is not None
    assert block.prefix == Prefix.parse(case.expected["prefix"])


@pytest.mark.parametrize("case", published(SOURCE, "prefix_parse"))
def test_short_text_is_refused(case: Case) -> None:
    # RFC 1918 section 3 leaves zero octets out; a configuration never does.
    check_prefix_text(case)


@pytest.mark.parametrize("case", published(SOURCE, "private"))
def test_edges(case: Case) -> None:
    # RFC 1918 section 3, edges derived.
    assert is_private(Address.parse(case.inputs["address"])) == case.expected["private"]
