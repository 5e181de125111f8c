"""RFC 1519, the predecessor of RFC 4632: the same allocation with dotted masks; routes are in test_route_tables.py."""

from __future__ import annotations

import pytest
from references.prefix_checks import check_range
from references.published import Case, published

from pathcheck.packet.prefix import Prefix

SOURCE = "rfc1519-cidr-original"


@pytest.mark.parametrize("case", published(SOURCE, "range_to_prefix"))
def test_allocation(case: Case) -> None:
    # RFC 1519 section 5.1.
    check_range(case)


@pytest.mark.parametrize("case", published(SOURCE, "count"))
def test_routes_that_stand_for_networks(case: Case) -> None:
    # RFC 1519 section 5.1, stated.
    prefixes = [Prefix.parse(text) for text in case.inputs["prefixes"]]
    assert len(prefixes) == case.expected["routes"]
    assert sum(prefix.size for prefix in prefixes) == case.expected["count_24"] * 256
    assert not any(a.overlaps(b) for i, a in enumerate(prefixes) for b in prefixes[:i])
