"""Longest match over prefixes: exact for one address, and for a whole prefix at once."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping
from typing import Generic, TypeVar

from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.prefix import Prefix

__all__ = ["PrefixTable", "prefixes_between"]

T = TypeVar("T")


class PrefixTable(Generic[T]):
    """Values by prefix, of one IP version; not changed once it is made.

    Parameters
    ----------
    version
        4 or 6.
    values
        Prefix to value. A prefix of the other IP version raises ValueError.

    Notes
    -----
    A lookup tries each prefix length that occurs, longest first, in one
    dictionary: real tables have few lengths, and there is no tree to keep.
    What lies inside a prefix is a slice of the prefixes in order, because a
    prefix sorts before all that it covers and those stand together.

    Examples
    --------
    >>> table = PrefixTable(4, {Prefix.parse("10.0.0.0/8"): "a", Prefix.parse("10.1.0.0/16"): "b"})
    >>> table.lookup(Address.parse("10.1.2.3"))
    (Prefix(version=4, value=167837696, length=16), 'b')
    >>> [(str(key), [str(piece) for piece in pieces]) for key, pieces in table.split(Prefix.parse("10.0.0.0/15"))]
    [('10.0.0.0/8', ['10.0.0.0/16']), ('10.1.0.0/16', ['10.1.0.0/16'])]

    References
    ----------
    RFC 4632 section 5.1, RFC 1812 section 5.2.4.3: of all prefixes that hold the
    destination the longest is taken.
    """

    __slots__ = ("_by_length", "_keys", "_lengths", "_prefixes", "_values", "version")

    def __init__(self, version: IPVersion, values: Mapping[Prefix, T]) -> None:
        if any(prefix.version != version for prefix in values):
            raise ValueError(f"a table of IPv{version} prefixes holds no prefix of the other version")
        self.version: IPVersion = version
        self._values = dict(values)
        self._prefixes = sorted(values)
        self._keys = [(prefix.value, prefix.length) for prefix in self._prefixes]
        self._by_length: dict[int, dict[int, Prefix]] = {}
        for prefix in self._prefixes:
            self._by_length.setdefault(prefix.length, {})[prefix.value] = prefix
        self._lengths = sorted(self._by_length, reverse=True)

    def __len__(self) -> int:
        return len(self._prefixes)

    def __iter__(self) -> Iterator[Prefix]:
        return iter(self._prefixes)

    def __getitem__(self, prefix: Prefix) -> T:
        return self._values[prefix]

    def covering(self, prefix: Prefix) -> Iterator[tuple[Prefix, T]]:
        """Yield each prefix of the table that covers another one or is it, longest first, with its value."""
        if prefix.version != self.version:
            return
        width = WIDTH[self.version]
        for length in self._lengths:
            if length <= prefix.length:
                shift = width - length
                found = self._by_length[length].get(prefix.value >> shift << shift)
                if found is not None:
                    yield found, self._values[found]

    def lookup(self, address: Address) -> tuple[Prefix, T] | None:
        """Return the longest prefix that holds an address with its value, None where there is none."""
        return next(self.covering(Prefix(address.version, address.value, WIDTH[address.version])), None)

    def inside(self, prefix: Prefix) -> list[Prefix]:
        """Return the prefixes of the table that lie inside another one and are longer, in order."""
        if prefix.version != self.version:
            return []
        low = bisect_right(self._keys, (prefix.value, prefix.length))
        high = bisect_left(self._keys, (prefix.value + prefix.size, 0))
        return self._prefixes[low:high]

    def split(self, prefix: Prefix) -> list[tuple[Prefix | None, list[Prefix]]]:
        """Cut a prefix into pieces by the longest match of their addresses.

        Returns
        -------
        list
            Prefix of the table, None where no prefix of the table matches, and
            the addresses that it wins as disjoint prefixes in order. Together
            they are exactly `prefix`; the prefixes of the table come in order,
            those that win nothing are left out. None comes last.

        Raises
        ------
        ValueError
            The prefix is of the other IP version.
        """
        if prefix.version != self.version:
            raise ValueError(f"`{prefix}` is of another IP version than the table")
        won: dict[Prefix | None, list[tuple[int, int]]] = {}
        for low, high, owner in self.runs(prefix):
            won.setdefault(owner, []).append((low, high))
        owners = sorted(owner for owner in won if owner is not None)
        return [
            (owner, [piece for low, high in won[owner] for piece in prefixes_between(self.version, low, high)])
            for owner in (*owners, *([None] if None in won else []))
        ]

    def runs(self, prefix: Prefix) -> Iterator[tuple[int, int, Prefix | None]]:
        """Yield the addresses of a prefix in order, as runs with one longest match.

        Yields
        ------
        tuple
            The first address of the run and the first behind it, as numbers,
            and the prefix of the table that wins it, None where none matches.
            A prefix has several runs where longer ones lie inside it.
        """
        outer = next(self.covering(prefix), None)
        # A walk over the addresses with the prefixes that are open at the moment, the innermost last.
        open_prefixes: list[tuple[Prefix | None, int]] = [(outer[0] if outer else None, prefix.value + prefix.size)]
        at = prefix.value
        steps = [*((inner.value, inner) for inner in self.inside(prefix)), (prefix.value + prefix.size, None)]
        for start, inner in steps:
            # Give what lies before `start` to the open prefixes, and close those that end there.
            while True:
                owner, end = open_prefixes[-1]
                if at < min(end, start):
                    yield at, min(end, start), owner
                    at = min(end, start)
                if end > start or len(open_prefixes) == 1:
                    break
                open_prefixes.pop()
            if inner is not None:
                open_prefixes.append((inner, inner.value + inner.size))


def prefixes_between(version: IPVersion, low: int, high: int) -> Iterator[Prefix]:
    """Yield the fewest prefixes that hold the addresses from `low` up to but not including `high`, in order."""
    width = WIDTH[version]
    while low < high:
        # The largest block that begins here: limited by the alignment of its first address and by what is left.
        bits = min((low & -low).bit_length() - 1 if low else width, (high - low).bit_length() - 1)
        yield Prefix(version, low, width - bits)
        low += 1 << bits
