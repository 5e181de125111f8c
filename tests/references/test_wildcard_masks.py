"""Wildcard masks, derived from the AND rule of RFC 950 section 2.2 and the printed lines of RFC 6192 appendix A.1."""

from __future__ import annotations

import pytest
from references.published import Case, published

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix, netmask_length
from pathcheck.packet.wildcard import AddressMatch

SOURCE = "wildcard-masks-derived"
PRINTED = "rfc6192-control-plane-acl"


def match_of(pair: dict[str, str]) -> AddressMatch:
    """Read a base address with a wildcard mask."""
    return AddressMatch.wildcard(Address.parse(pair["base"]), Address.parse(pair["wildcard"]))


@pytest.mark.parametrize("case", published(SOURCE, "wildcard_meaning"))
def test_meaning(case: Case) -> None:
    # Derived.
    match, expected = match_of(case.inputs), case.expected
    assert match.size == expected["addresses_matched"]
    prefix = match.as_prefix()
    assert (prefix is not None) == expected["contiguous"]
    assert (None if prefix is None else str(prefix)) == expected["equivalent_prefix"]
    assert str(Address(4, match.value)) == expected["normalized_base"]


@pytest.mark.parametrize("case", published(SOURCE, "wildcard_match") + published(PRINTED, "wildcard_match"))
def test_member(case: Case) -> None:
    # Derived; the lines with RFC 6192 ids are printed in its appendix A.1.
    assert (Address.parse(case.inputs["address"]) in match_of(case.inputs)) == case.expected["match"]


@pytest.mark.parametrize("case", published(SOURCE, "wildcard_relation"))
def test_relation(case: Case) -> None:
    # Derived.
    a, b = match_of(case.inputs["a"]), match_of(case.inputs["b"])
    relation = (
        "equal" if a == b
        else "a covers b" if a.covers(b)
        else "b covers a" if b.covers(a)
        else "overlap" if a.overlaps(b)
        else "disjoint"
    )  # fmt: skip
    assert relation == case.expected["relation"]
    assert a.overlaps(b) == b.overlaps(a) == (relation != "disjoint")


@pytest.mark.parametrize("case", published(PRINTED, "wildcard_check"))
def test_wrong_masks_of_rfc_6192(case: Case) -> None:
    # RFC 6192 section 3.1 (intended prefix) and appendix A.1 (line), both stated; what the line matches is arithmetic.
    match, intended, expected = match_of(case.inputs), Prefix.parse(case.inputs["intended_prefix"]), case.expected
    assert (match.as_prefix() is not None) == expected["contiguous"]
    looks_like_netmask = netmask_length(Address.parse(case.inputs["wildcard"])) not in (None, 0)
    assert looks_like_netmask == expected["looks_like_netmask"]
    assert match.size == expected["addresses_matched"]
    assert intended.size == expected["intended_addresses"]
    hit = [v for v in range(intended.value, intended.value + intended.size) if Address(4, v) in match]
    assert [str(Address(4, value)) for value in hit] == expected["intended_addresses_that_match"]
    correct = AddressMatch.wildcard(Address.parse(case.inputs["base"]), Address.parse(expected["correct_wildcard"]))
    assert correct.as_prefix() == intended
