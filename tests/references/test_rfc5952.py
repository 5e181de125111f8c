"""RFC 5952: one text for each IPv6 address."""

from __future__ import annotations

import pytest
from references.published import Case, published

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix

SOURCE = "rfc5952-ipv6-canonical"


@pytest.mark.parametrize("case", published(SOURCE, "canonical", "address_parse"))
def test_canonical_text(case: Case) -> None:
    # RFC 5952 sections 1, 2, 4, 5 and 6.
    address = Address.parse(case.inputs["text"])
    assert str(address) == case.expected["canonical"]
    assert Address.parse(str(address)) == address
    if "also_equal" in case.expected:
        assert Address.parse(case.expected["also_equal"]) == address
    if "recommended_for_port" in case.expected:
        inside = case.expected["recommended_for_port"].partition("[")[2].partition("]")[0]
        assert Address.parse(inside) != address


@pytest.mark.parametrize("case", published(SOURCE, "address_equal"))
def test_equal_addresses(case: Case) -> None:
    # RFC 5952 sections 3.1.2, 3.2.3, 3.3.2 and 3.3.3.
    a, b = Address.parse(case.inputs["a"]), Address.parse(case.inputs["b"])
    assert (a == b) == (str(a) == str(b)) == case.expected["equal"]


@pytest.mark.parametrize("case", published(SOURCE, "prefix_equal"))
def test_equal_prefixes(case: Case) -> None:
    # RFC 5952 sections 3.1.3 and 7.
    a, b = Prefix.parse(case.inputs["a"]), Prefix.parse(case.inputs["b"])
    assert (a == b) == case.expected["equal"]
    assert str(a) == str(b) == case.expected["canonical"]
