"""Checks of prefixes, masks and addresses that several sources share; each runs the project's values on one case."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix, netmask_length
from pathcheck.packet.wildcard import AddressMatch

if TYPE_CHECKING:
    from references.published import Case


def dotted(number: int) -> str:
    """Write 32 bits as an address."""
    return str(Address(4, number))


def by_mask(network: str, mask: str) -> Prefix:
    """Read a network with a dotted netmask, strictly."""
    length = netmask_length(Address.parse(mask))
    assert length is not None
    address = Address.parse(network)
    return Prefix(address.version, address.value, length)


def check_size(case: Case) -> None:
    """Addresses, blocks and masks of a length."""
    length, expected = case.inputs["prefix_length"], case.expected
    prefix = Prefix.containing(Address.parse("172.16.99.201"), length)
    assert prefix.size == expected["addresses"]
    if "power_of_two" in expected:
        assert prefix.size == 2 ** expected["power_of_two"]
    if "blocks" in expected:
        assert Prefix.everything(4).size // prefix.size == expected["blocks"]
    if "mask" in expected:
        assert dotted(prefix.netmask) == expected["mask"]
        assert netmask_length(Address.parse(expected["mask"])) == length
        assert dotted(prefix.hostmask) == expected["wildcard"]
        match = AddressMatch.wildcard(prefix.first, Address.parse(expected["wildcard"]))
        assert match.as_prefix() == prefix
        assert match.size == expected["addresses"]


def check_range(case: Case) -> None:
    """A range of addresses that is one prefix."""
    first, last = Address.parse(case.inputs["first"]), Address.parse(case.inputs["last"])
    expected = case.expected
    prefix = Prefix.parse(expected["prefix"])
    assert Prefix.covering_range(first, last) == (prefix,)
    assert (prefix.first, prefix.last) == (first, last)
    if "mask" in expected:
        assert by_mask(expected.get("network", str(first)), expected["mask"]) == prefix
    if "addresses" in expected:
        assert prefix.size == expected["addresses"]
    if "power_of_two" in expected:
        assert prefix.size == 2 ** expected["power_of_two"]
    if "host_bits" in expected:
        assert prefix.size == 2 ** expected["host_bits"]
    if "count_24" in expected:
        assert prefix.size == expected["count_24"] * Prefix.parse("192.0.2.0/24").size
    if "hex_first" in expected:
        assert prefix.value == int(expected["hex_first"], 16)
        assert prefix.netmask == int(expected["hex_mask"], 16)
        assert prefix.last.value & ~0xFF == int(expected["hex_last_network"], 16)


def check_prefix_text(case: Case) -> None:
    """Whether a text is a prefix, with which host bits."""
    text, expected = case.inputs["text"], case.expected
    if expected.get("valid") is True:
        assert str(Prefix.parse(text)) == expected.get("network", text)
        if "addresses" in expected:
            assert Prefix.parse(text).size == expected["addresses"]
        if "prefix_bits_hex" in expected:
            prefix = Prefix.parse(text)
            assert f"{prefix.value >> 128 - prefix.length:X}" == expected["prefix_bits_hex"]
        return
    # Not valid, or valid only with host bits that must not be read as a prefix.
    with pytest.raises(ValueError, match="`") as refusal:
        Prefix.parse(text)
    if expected.get("host_bits_set"):
        assert "host bits" in str(refusal.value)
        assert str(Prefix.parse_loose(text)) == expected["network_if_masked"]
        if "intended" in expected:
            assert Prefix.parse_loose(text) != Prefix.parse(expected["intended"])
    else:
        with pytest.raises(ValueError, match="address"):
            Prefix.parse_loose(text)
        with pytest.raises(ValueError, match="address"):
            Address.parse(text.partition("/")[0])
    if "full_form" in expected:
        Prefix.parse(expected["full_form"])


def check_usable(case: Case) -> None:
    """Which addresses of a prefix stations may have."""
    prefix = Prefix.parse(case.inputs["prefix"])
    reserved = prefix.reserved_addresses()
    usable = [
        Address(prefix.version, value)
        for value in range(prefix.value, prefix.value + prefix.size)
        if Address(prefix.version, value) not in reserved
    ]
    assert [str(address) for address in usable] == case.expected["usable"]
    if case.expected.get("directed_broadcast"):
        assert [str(address) for address in reserved] == [
            case.expected["network"],
            case.expected["directed_broadcast"],
        ]
    else:
        assert reserved == ()
