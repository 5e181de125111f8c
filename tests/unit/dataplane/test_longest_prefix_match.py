"""Edges of the prefix table that the properties do not reach."""

from __future__ import annotations

import pytest

from pathcheck.dataplane.longest_prefix_match import PrefixTable, prefixes_between
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix


def test_the_other_ip_version_has_no_place_in_a_table() -> None:
    table = PrefixTable(4, {Prefix.parse("10.0.0.0/8"): "a", Prefix.parse("0.0.0.0/0"): "b"})
    assert table.inside(Prefix.parse("2001:db8::/32")) == []
    assert list(table.covering(Prefix.parse("2001:db8::/32"))) == []
    assert table.lookup(Address.parse("2001:db8::1")) is None
    with pytest.raises(ValueError, match="`2001:db8::/32` is of another IP version than the table"):
        table.split(Prefix.parse("2001:db8::/32"))
    with pytest.raises(ValueError, match="a table of IPv4 prefixes holds no prefix of the other version"):
        PrefixTable(4, {Prefix.parse("2001:db8::/32"): "a"})


def test_the_fewest_prefixes_between_two_addresses() -> None:
    assert [str(prefix) for prefix in prefixes_between(4, 0, 1 << 32)] == ["0.0.0.0/0"]
    assert [str(prefix) for prefix in prefixes_between(4, 1, 8)] == ["0.0.0.1/32", "0.0.0.2/31", "0.0.0.4/30"]
    assert [str(prefix) for prefix in prefixes_between(4, 4, 7)] == ["0.0.0.4/31", "0.0.0.6/32"]
    assert list(prefixes_between(6, 5, 5)) == []
