"""RFC 4291: IPv6 text, prefixes, types of addresses and what no router forwards."""

from __future__ import annotations

import pytest
from references.prefix_checks import check_prefix_text, check_range
from references.published import Case, published

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.special_purpose import address_type, never_forwarded, reserved_interface_identifier

SOURCE = "rfc4291-ipv6-addressing"


@pytest.mark.parametrize("case", published(SOURCE, "address_parse"))
def test_address_text(case: Case) -> None:
    # RFC 4291 section 2.2 (1).
    assert str(Address.parse(case.inputs["text"])) == case.expected["canonical"]


@pytest.mark.parametrize("case", published(SOURCE, "address_equal"))
def test_forms_of_one_address(case: Case) -> None:
    # RFC 4291 section 2.2 (2) and (3).
    a, b = Address.parse(case.inputs["a"]), Address.parse(case.inputs["b"])
    assert (a == b) == case.expected["equal"]
    if "hex_form" in case.expected:
        assert Address.parse(case.expected["hex_form"]) == a
    if "type" in case.expected:
        assert address_type(a).endswith(case.expected["type"])


@pytest.mark.parametrize("case", published(SOURCE, "prefix_parse"))
def test_prefix_text(case: Case) -> None:
    # RFC 4291 section 2.3.
    text = case.inputs["text"]
    if case.expected.get("legal_for_that_prefix") is False:
        with pytest.raises(ValueError, match="`"):
            Prefix.parse(text)
        if not case.expected["parses_as_address"]:
            with pytest.raises(ValueError, match="no IPv6 address"):
                Prefix.parse_loose(text)
            return
        loose = Prefix.parse_loose(text)
        assert str(loose) == case.expected["network_if_masked"]
        assert loose != Prefix.parse("2001:db8:0:cd30::/60")
    else:
        check_prefix_text(case)


@pytest.mark.parametrize("case", published(SOURCE, "interface_parse"))
def test_address_with_its_prefix(case: Case) -> None:
    # RFC 4291 section 2.3.
    address, _, length = case.inputs["text"].partition("/")
    assert str(Address.parse(address)) == case.expected["address"]
    assert str(Prefix.containing(Address.parse(address), int(length))) == case.expected["network"]


@pytest.mark.parametrize("case", published(SOURCE, "address_type_prefix"))
def test_prefix_of_a_type(case: Case) -> None:
    # RFC 4291 section 2.4, stated: inside the prefix is the type, next to it is not.
    prefix = Prefix.parse(case.expected["prefix"])
    assert address_type(prefix.first) == address_type(prefix.last) == case.inputs["type"]
    for outside in (prefix.value - 1, prefix.last.value + 1):
        if 0 <= outside < 1 << 128:
            assert address_type(Address(6, outside)) != case.inputs["type"]


@pytest.mark.parametrize("case", published(SOURCE, "address_type"))
def test_type_of_an_address(case: Case) -> None:
    # RFC 4291 sections 2.4 and 2.5.7.
    assert address_type(Address.parse(case.inputs["address"])) == case.expected["type"]


@pytest.mark.parametrize("case", published(SOURCE, "martian"))
def test_what_no_router_forwards(case: Case) -> None:
    # RFC 4291 sections 2.5.2, 2.5.3, 2.5.6 and 2.7; "invalid" and "never_forward" are both refusals.
    ends = {end: Address.parse(text) for end, text in case.inputs.items()}
    assert never_forwarded(**ends) is not None
    # The same address at the other end is judged on its own.
    assert never_forwarded(source=Address.parse("2001:db8::1"), destination=Address.parse("2001:db8::2")) is None


@pytest.mark.parametrize("case", published(SOURCE, "range_to_prefix"))
def test_solicited_node_range(case: Case) -> None:
    # RFC 4291 section 2.7.1, stated.
    check_range(case)


@pytest.mark.parametrize("case", published(SOURCE, "anycast"))
def test_anycast_address_of_the_routers(case: Case) -> None:
    # RFC 4291 section 2.6.1.
    first = Prefix.parse(case.inputs["prefix"]).first
    assert str(first) == case.expected["subnet_router_anycast"]
    assert reserved_interface_identifier(first) is not None
