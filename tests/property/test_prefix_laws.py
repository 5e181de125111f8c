"""Prefixes cut and joined: held against sets of addresses in a space small enough to list."""

from hypothesis import given
from hypothesis import strategies as st

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix

SPACE = Prefix.parse("10.1.2.192/26")
prefixes_of_the_space = st.builds(
    lambda value, length: Prefix.containing(Address(4, value), length),
    st.integers(SPACE.value, SPACE.last.value),
    st.integers(SPACE.length, 32),
)


def members(*prefixes: Prefix) -> set[int]:
    return {value for prefix in prefixes for value in range(prefix.value, prefix.value + prefix.size)}


@given(prefixes_of_the_space, st.lists(prefixes_of_the_space, max_size=6))
def test_without_is_the_difference_in_fewest_prefixes(whole: Prefix, others: list[Prefix]) -> None:
    rest = whole.without(others)
    assert members(*rest) == members(whole) - members(*others)
    assert rest == Prefix.merged(rest)


@given(st.lists(prefixes_of_the_space, min_size=1, max_size=6))
def test_spanning_is_the_longest_that_covers_all(prefixes: list[Prefix]) -> None:
    spanning = Prefix.spanning(prefixes)
    assert all(spanning.covers(prefix) for prefix in prefixes)
    if spanning.length < 32:
        assert not any(all(half.covers(prefix) for prefix in prefixes) for half in spanning.halves())


@given(prefixes_of_the_space.filter(lambda prefix: prefix.length < 32))
def test_halves_are_the_whole(prefix: Prefix) -> None:
    low, high = prefix.halves()
    assert Prefix.merged((low, high)) == (prefix,)
    assert not low.overlaps(high)
