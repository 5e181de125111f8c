"""All pairs of prefixes that share addresses, by one sweep over their order.

Two prefixes share addresses only where one covers the other. In the order of first
address and length, what covers a prefix stands before it, and nothing that ends before
it begins can cover anything later; so a stack of the open prefixes gives each pair once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

from pathcheck.packet.prefix import Prefix

__all__ = ["overlapping_pairs"]

Item = TypeVar("Item")


def overlapping_pairs(items: Iterable[Item], prefix: Callable[[Item], Prefix]) -> Iterator[tuple[Item, Item]]:
    """Yield each pair of items whose prefixes share an address, the wider one first.

    Parameters
    ----------
    items
        Anything that has a prefix; equal prefixes are a pair, too.
    prefix
        Tells the prefix of an item.

    Notes
    -----
    Time grows with n log n and the number of pairs.

    Examples
    --------
    >>> nets = [Prefix.parse(text) for text in ("10.1.2.0/24", "10.2.0.0/16", "10.1.0.0/16")]
    >>> [(str(a), str(b)) for a, b in overlapping_pairs(nets, lambda net: net)]
    [('10.1.0.0/16', '10.1.2.0/24')]
    """
    opened: list[tuple[Prefix, Item]] = []
    for net, item in sorted(((prefix(item), item) for item in items), key=lambda pair: pair[0]):
        while opened and not opened[-1][0].covers(net):
            opened.pop()
        for _, other in opened:
            yield other, item
        opened.append((net, item))
