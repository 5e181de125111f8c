"""Code points by name: RFC 2474, RFC 2597, RFC 3246, RFC 5865, RFC 8622; precedence: RFC 791."""

import pytest

from pathcheck.packet.dscp import (
    DSCP_NAMES,
    PRECEDENCE_NAMES,
    dscp_name,
    dscp_number,
    precedence_dscp,
    precedence_number,
)


@pytest.mark.parametrize(
    ("name", "bits"),
    [
        # RFC 2597 section 6: class in the first three bits, drop precedence in the next two.
        ("af11", "001010"), ("af12", "001100"), ("af13", "001110"), ("af21", "010010"), ("af33", "011110"),
        ("af41", "100010"), ("af43", "100110"),
        # RFC 3246 section 2.7, RFC 5865 section 4, RFC 8622 section 4.
        ("ef", "101110"), ("va", "101100"), ("le", "000001"),
        # RFC 2474 section 4.2.2.
        ("default", "000000"), ("cs0", "000000"), ("cs6", "110000"), ("cs7", "111000"),
    ],
)  # fmt: skip
def test_name(name: str, bits: str) -> None:
    assert dscp_number(name) == dscp_number(name.upper()) == int(bits, 2)


def test_each_name_reads_back() -> None:
    for name, number in DSCP_NAMES.items():
        assert dscp_number(name) == number
        assert dscp_number(dscp_name(number) or "") == number
    assert dscp_name(63) is None


@pytest.mark.parametrize("word", ["64", "-1", "af44", "af51", "cs8", "", "４"])
def test_what_is_no_code_point(word: str) -> None:
    assert dscp_number(word) is None


def test_precedence_is_the_top_three_bits() -> None:
    # RFC 791 section 3.1, RFC 2474 section 4.2.2.
    assert precedence_number("flash-override") == 4
    assert precedence_number("8") is None
    assert {str(precedence_dscp(number)) for number in PRECEDENCE_NAMES.values()} == {
        f"{8 * number}-{8 * number + 7}" for number in range(8)
    }
    assert all(dscp_number(f"cs{number}") in precedence_dscp(number) for number in range(8))
