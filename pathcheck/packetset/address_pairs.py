"""Which of some masked addresses relate to which of others, found by look-up.

For each mask that occurs, what is left of an address under the mask either is a value that
occurs with it or is not. Only masks that are no prefixes can overlap without one holding the
other, and are compared one by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Distinct", "Kind", "distinct", "has_gaps", "related"]

Array = NDArray[Any]

Kind = Literal["overlaps", "holds", "lies in"]
"""What a row of the table does to what is asked for: share packets with it, hold all of it, lie in it."""


@dataclass(frozen=True, slots=True)
class Distinct:
    """The different addresses with their masks: numbers of 32 bits by mask and value, or Python's own for IPv6."""

    values: Array
    cares: Array
    width: int

    def __len__(self) -> int:
        return len(self.values)


def distinct(values: tuple[Array, ...], cares: tuple[Array, ...]) -> tuple[Distinct, Array]:
    """The different pairs of value and mask, and which of them each row has."""
    if len(values) == 1:
        keys = cares[0].astype(np.uint64) << np.uint64(32) | values[0].astype(np.uint64)
        found, index = np.unique(keys, return_inverse=True)
        return (
            Distinct((found & np.uint64(0xFFFFFFFF)).astype(np.int64), (found >> np.uint64(32)).astype(np.int64), 32),
            index.reshape(-1),
        )
    numbered: dict[tuple[int, int], int] = {}
    rows = zip(*(column.tolist() for column in (*values, *cares)), strict=True)
    index = np.fromiter(
        (
            numbered.setdefault((high << 64 | low, care << 64 | low_care), len(numbered))
            for high, low, care, low_care in rows
        ),
        dtype=np.int64,
        count=len(values[0]),
    )
    pairs = np.array(list(numbered), dtype=object).reshape(-1, 2)
    return Distinct(pairs[:, 0], pairs[:, 1], 128), index


def related(kind: Kind, asked: Distinct, known: Distinct) -> tuple[Array, Array]:
    """Return which value that is asked for relates to which known one, each pair once, in the order of the first."""
    parts = []
    if kind != "lies in":
        parts.append(_held(asked, known))
    if kind != "holds":
        inner, outer = _held(known, asked)
        if kind == "overlaps":  # two that are equal hold each other: such a pair was found above
            other = (known.values[inner] != asked.values[outer]) | (known.cares[inner] != asked.cares[outer])
            inner, outer = inner[other], outer[other]
        parts.append((outer, inner))
    if kind == "overlaps":
        parts.append(_crossing(asked, known))
    left, right = (np.concatenate([part[side] for part in parts]) for side in (0, 1))
    order = np.argsort(left, kind="stable")
    return left[order], right[order]


def _held(inner: Distinct, outer: Distinct) -> tuple[Array, Array]:
    """Pairs of an inner and an outer value that holds it."""
    return (_held_numbers if inner.width <= 32 else _held_words)(inner, outer)


def _held_numbers(inner: Distinct, outer: Distinct) -> tuple[Array, Array]:
    """The same for numbers of a machine word; the outer ones stand by mask, then by value."""
    left, right = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    edges = [0, *(np.flatnonzero(outer.cares[1:] != outer.cares[:-1]) + 1).tolist(), len(outer)]
    for start, stop in pairwise(edges):
        if start == stop:
            continue
        care, values = int(outer.cares[start]), outer.values[start:stop]
        fitting = np.flatnonzero(inner.cares & care == care)
        wanted = inner.values[fitting] & care
        at = np.searchsorted(values, wanted)
        at[at == len(values)] = 0
        hit = values[at] == wanted
        left.append(fitting[hit])
        right.append(at[hit] + start)
    return np.concatenate(left), np.concatenate(right)


def _held_words(inner: Distinct, outer: Distinct) -> tuple[Array, Array]:
    """The same for numbers that are longer than a machine word."""
    by_care: dict[int, dict[int, int]] = {}
    for place, (value, care) in enumerate(zip(outer.values.tolist(), outer.cares.tolist(), strict=True)):
        by_care.setdefault(care, {})[value] = place
    left: list[int] = []
    right: list[int] = []
    rows = list(enumerate(zip(inner.values.tolist(), inner.cares.tolist(), strict=True)))
    for care, places in by_care.items():
        for place, (value, its_care) in rows:
            if its_care & care == care:
                holder = places.get(value & care)
                if holder is not None:
                    left.append(place)
                    right.append(holder)
    return np.array(left, dtype=np.int64), np.array(right, dtype=np.int64)


def _crossing(asked: Distinct, known: Distinct) -> tuple[Array, Array]:
    """Pairs that overlap without one holding the other: one of the two is no prefix."""
    left, right = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    odd_asked, odd_known = _odd(asked), _odd(known)
    for place in odd_asked:
        met = np.flatnonzero(_cross(known, asked, place))
        left.append(np.full(len(met), place))
        right.append(met)
    prefixes = np.ones(len(asked), dtype=bool)
    prefixes[odd_asked] = False
    for place in odd_known:
        met = np.flatnonzero(_cross(asked, known, place) & prefixes)
        left.append(met)
        right.append(np.full(len(met), place))
    return np.concatenate(left), np.concatenate(right)


def _cross(some: Distinct, others: Distinct, place: int) -> Array:
    """Which values overlap one of the others, neither holding the other."""
    value, care = others.values[place], others.cares[place]
    shared = some.cares & care
    met: Array = ((some.values ^ value) & shared == 0) & (shared != care) & (shared != some.cares)
    return met


def _odd(known: Distinct) -> list[int]:
    """Those whose masks are not those of prefixes: whose ones do not stand together at the top."""
    full = (1 << known.width) - 1
    if known.width <= 32:
        free = ~known.cares & full
        odd: list[int] = np.flatnonzero(free & (free + 1)).tolist()
        return odd
    frees = [~care & full for care in known.cares.tolist()]
    return [place for place, free in enumerate(frees) if free & (free + 1)]


def has_gaps(known: Distinct) -> bool:
    """Whether a mask is not that of a prefix, or not looked at because it is longer than a machine word."""
    return known.width > 32 or len(_odd(known)) > 0
