"""Several prefixes in few words."""

import pytest

from pathcheck.packet.prefix import Prefix
from pathcheck.results.prefix_words import prefix_words


def without(block: str, *holes: str) -> tuple[Prefix, ...]:
    return Prefix.parse(block).without([Prefix.parse(hole) for hole in holes])


@pytest.mark.parametrize(
    ("prefixes", "words"),
    [
        ([Prefix.parse("10.0.0.0/25"), Prefix.parse("10.0.0.128/25")], "10.0.0.0/24"),
        ([Prefix.parse("10.0.0.0/24"), Prefix.parse("10.0.2.0/24")], "10.0.0.0/24, 10.0.2.0/24"),
        (without("10.30.0.0/16", "10.30.20.0/24"), "10.30.0.0/16 except 10.30.20.0/24"),
        (without("::/0", "2001:db8::/32"), "::/0 except 2001:db8::/32"),
        ([Prefix.parse(f"10.{n}.0.0/24") for n in range(5)], ", ".join(f"10.{n}.0.0/24" for n in range(5))),
        ([Prefix.parse(f"10.{n}.0.0/24") for n in range(40)], "40 prefixes within 10.0.0.0/10, the first 10.0.0.0/24"),
        (without("10.0.0.0/8", *(f"10.{8 * n}.0.0/16" for n in range(9))),
         "10.0.0.0/8 except 9 prefixes within 10.0.0.0/9"),
    ],
)  # fmt: skip
def test_words(prefixes: list[Prefix], words: str) -> None:
    assert prefix_words(prefixes) == words
