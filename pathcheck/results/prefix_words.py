"""Several prefixes in few words."""

from __future__ import annotations

from collections.abc import Sequence

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix

__all__ = ["prefix_words"]

_MOST = 6


def prefix_words(prefixes: Sequence[Prefix]) -> str:
    """Return disjoint prefixes of one IP version as text: listed, or as one with exceptions, or as a count.

    Examples
    --------
    >>> block = Prefix.parse("10.30.0.0/16")
    >>> prefix_words(block.without([Prefix.parse("10.30.20.0/24")]))
    '10.30.0.0/16 except 10.30.20.0/24'
    """
    given = Prefix.merged(prefixes) if len(prefixes) < 1000 else tuple(sorted(prefixes))
    if len(given) <= 2:
        return ", ".join(map(str, given))
    hull = Prefix.spanning(given)
    holes = _between(hull, given) if len(given) < 1000 else ()
    if holes and len(holes) < min(len(given), _MOST + 1):
        return f"{hull} except {', '.join(map(str, holes))}"
    if len(given) <= _MOST:
        return ", ".join(map(str, given))
    if holes and len(holes) < len(given):
        return f"{hull} except {len(holes)} prefixes within {Prefix.spanning(holes)}"
    return f"{len(given)} prefixes within {hull}, the first {given[0]}"


def _between(hull: Prefix, given: Sequence[Prefix]) -> tuple[Prefix, ...]:
    """What the hull holds beside the prefixes, as few as possible."""
    found: list[Prefix] = []
    at = hull.value
    for prefix in given:
        if at < prefix.value:
            found.extend(_range(hull, at, prefix.value - 1))
        at = prefix.value + prefix.size
    if at < hull.value + hull.size:
        found.extend(_range(hull, at, hull.value + hull.size - 1))
    return tuple(found)


def _range(hull: Prefix, first: int, last: int) -> tuple[Prefix, ...]:
    return Prefix.covering_range(Address(hull.version, first), Address(hull.version, last))
