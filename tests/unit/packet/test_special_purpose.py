"""Addresses that no router forwards, in the words that a reader gets."""

import pytest

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.special_purpose import (
    address_type,
    is_documentation,
    is_private,
    never_forwarded,
    reserved_interface_identifier,
    special_block,
)


@pytest.mark.parametrize(
    ("source", "destination", "why"),
    [
        # RFC 1812 sections 5.3.7 and 5.3.5.1; RFC 3927 section 7; RFC 4291 sections 2.5.2 to 2.7.
        ("0.0.0.0", None, "an address of network 0 is no source"),
        ("255.255.255.255", None, "a broadcast address is no source"),
        (None, "255.255.255.255", "a limited broadcast stays on its link"),
        ("169.254.1.1", "10.1.1.1", "a link-local address stays on its link"),
        ("10.1.1.1", "fe80::1", "a link-local address stays on its link"),
        ("ff02::1", None, "a multicast address is no source"),
        (None, "::", "the unspecified address is no destination"),
        ("10.1.1.1", "224.0.0.5", None),
        ("10.1.1.1", "203.0.113.1", None),
        (None, None, None),
    ],
)
def test_never_forwarded(source: str | None, destination: str | None, why: str | None) -> None:
    ends = [None if text is None else Address.parse(text) for text in (source, destination)]
    assert never_forwarded(source=ends[0], destination=ends[1]) == why


def test_an_ordinary_address_is_nothing_special() -> None:
    address = Address.parse("11.12.13.14")
    assert special_block(address) is None
    assert not is_private(address)
    assert address_type(address) == "unicast"
    assert not is_documentation(Prefix.parse("0.0.0.0/0"))
    assert reserved_interface_identifier(address) is None
