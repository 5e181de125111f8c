"""RFC 3021: /31 links have neither network nor broadcast address."""

from __future__ import annotations

import pytest
from references.prefix_checks import check_usable
from references.published import Case, published

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.special_purpose import address_type, never_forwarded

SOURCE = "rfc3021-slash31"


@pytest.mark.parametrize("case", published(SOURCE, "usable_hosts"))
def test_usable_addresses(case: Case) -> None:
    # RFC 3021 sections 1 and 2.1.
    check_usable(case)


@pytest.mark.parametrize("case", published(SOURCE, "source_ok"))
def test_who_may_be_a_source(case: Case) -> None:
    # RFC 3021 sections 3.1 and 3.3.
    reserved = Prefix.parse(case.inputs["link_prefix"]).reserved_addresses()
    assert (Address.parse(case.inputs["source"]) not in reserved) == case.expected["allowed"]


@pytest.mark.parametrize("case", published(SOURCE, "count", where=lambda case: "saved" in case.expected))
def test_saved_addresses(case: Case) -> None:
    # RFC 3021 section 1, stated.
    sizes = [Prefix.parse(text).size for text in ("192.0.2.0/30", "192.0.2.0/31")]
    assert sizes == [case.inputs["addresses_per_link_30"], case.inputs["addresses_per_link_31"]]
    assert case.inputs["links"] * (sizes[0] - sizes[1]) == case.expected["saved"]


@pytest.mark.parametrize("case", published(SOURCE, "broadcast", where=lambda case: "kind" in case.expected))
def test_last_address_is_a_station(case: Case) -> None:
    # RFC 3021 section 3.3.
    prefix, destination = Prefix.parse(case.inputs["connected_prefix"]), Address.parse(case.inputs["destination"])
    assert destination == prefix.last
    assert destination not in prefix.reserved_addresses()


@pytest.mark.parametrize("case", published(SOURCE, "count", where=lambda case: "class_c_networks" in case.expected))
def test_addresses_as_networks(case: Case) -> None:
    # RFC 3021 section 1, stated as an approximation: as many networks of 256 as 1000 addresses need.
    size = Prefix.parse("192.0.2.0/24").size
    assert -(-case.inputs["addresses"] // size) == case.expected["class_c_networks"]
    assert case.inputs["addresses"] % size  # which is why the source calls them equivalent, not equal


@pytest.mark.parametrize(
    "case", published(SOURCE, "broadcast", where=lambda case: "broadcast_address" in case.expected)
)
def test_only_the_limited_broadcast_is_left(case: Case) -> None:
    # RFC 3021 section 2.2: no address of the link is one for all; the limited broadcast is, and stays on it.
    assert Prefix.parse(case.inputs["connected_prefix"]).reserved_addresses() == ()
    limited = Address.parse(case.expected["broadcast_address"])
    assert address_type(limited) == "limited broadcast"
    assert never_forwarded(destination=limited) == "a limited broadcast stays on its link"
