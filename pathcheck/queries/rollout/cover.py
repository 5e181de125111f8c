"""All states of a rollout judged by few of them: a verdict holds wherever what it was read from is the same.

A judge that is asked about one state also says of which other states its answer is true: for each chain it depends
on, the places of that chain where everything that was read is as it is here. Such a claim is a box of states. The
boxes are laid over the whole space until no state is left that none of them holds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

__all__ = ["Budget", "Claim", "Standing", "cover", "full_masks", "holds_in", "lowest", "widest_boxes"]


class Standing(StrEnum):
    """How something that must hold stands in a state; `open` where that is uncertain, or was not judged."""

    HOLDS = "holds"
    LOST = "lost"
    OPEN = "open"


Masks = Mapping[int, int]
"""By chain the places that are meant, as bits; a chain that is left out may stand anywhere."""


@dataclass(frozen=True, slots=True)
class Claim:
    """What is known of a box of states.

    Parameters
    ----------
    box
        By chain the places in it, as bits; chains that are left out may stand anywhere.
    seen
        The state that was judged; None where the states were not judged.
    """

    standing: Standing
    box: Masks
    seen: tuple[int, ...] | None


@dataclass
class Budget:
    """How many judgements may still be made, and in which states they were made."""

    left: int
    made: int = 0
    states: set[tuple[int, ...]] = field(default_factory=set)


Judge = Callable[[tuple[int, ...]], tuple[Standing, Masks]]
"""Takes a state; returns how it stands, and in which box of states it stands so."""


def full_masks(sizes: Sequence[int]) -> tuple[int, ...]:
    """Return all places of each chain."""
    return tuple((1 << size) - 1 for size in sizes)


def lowest(mask: int) -> int:
    """Return the first place of a mask."""
    return (mask & -mask).bit_length() - 1


def holds_in(box: Masks, position: Sequence[int] | Mapping[int, int]) -> bool:
    """Whether a state is in a box."""
    return all(mask >> position[chain] & 1 for chain, mask in box.items())


def cover(judge: Judge, sizes: Sequence[int], budget: Budget, within: Masks | None = None) -> tuple[Claim, ...]:
    """Judge all states.

    Parameters
    ----------
    judge
        Asked about as few states as it takes.
    sizes
        How many places each chain has.
    budget
        What is left open when it is used up is claimed as `open`, by states that nobody judged.
    within
        The only states that are of interest; None for all.

    Returns
    -------
    tuple
        Claims that together hold every state; those of one state agree.
    """
    everything = list(full_masks(sizes))
    for chain, mask in (within or {}).items():
        everything[chain] &= mask
    waiting = [tuple(everything)]
    claims: list[Claim] = []
    while waiting:
        region = waiting.pop()
        if any(_inside(region, claim.box) for claim in claims):
            continue
        if budget.left <= 0:
            full = full_masks(sizes)
            box = {chain: mask for chain, mask in enumerate(region) if mask != full[chain]}
            claims.append(Claim(Standing.OPEN, box, None))
            continue
        position = tuple(map(lowest, region))
        standing, claimed = judge(position)
        budget.left -= 1
        budget.made += 1
        budget.states.add(position)
        limits = {**claimed}
        for chain, mask in (within or {}).items():
            limits[chain] = limits.get(chain, mask) & mask
        claims.append(Claim(standing, limits, position))
        waiting.extend(_without(region, claimed))
    return tuple(claims)


def _inside(region: Sequence[int], box: Masks) -> bool:
    """Whether a box holds all of a region."""
    return all(not region[chain] & ~mask for chain, mask in box.items())


def _without(region: tuple[int, ...], box: Masks) -> list[tuple[int, ...]]:
    """Cut a box out of a region; return what is left, as disjoint regions, the one nearest to the start last."""
    left: list[tuple[int, ...]] = []
    kept = list(region)
    for chain, mask in sorted(box.items()):
        outside = kept[chain] & ~mask
        if outside:
            left.append((*kept[:chain], outside, *kept[chain + 1 :]))
            kept[chain] &= mask
    return left[::-1]


def widest_boxes(claims: Sequence[Claim], standing: Standing, within: Masks | None = None) -> tuple[Masks, ...]:
    """Return boxes that together hold exactly the states which stand so, each naming as few chains as it can.

    Parameters
    ----------
    claims
        Those of :func:`cover`: each state of interest is in one of them.
    within
        The states of interest, as for :func:`cover`.

    Notes
    -----
    A box may grow as long as it meets no claim of another standing: the claims leave no state out.
    """
    kept = within or {}
    others = [claim.box for claim in claims if claim.standing is not standing]
    found: dict[tuple[tuple[int, int], ...], Masks] = {}
    for claim in claims:
        if claim.standing is not standing:
            continue
        box = dict(claim.box)
        for chain in sorted(box):
            if chain in kept:
                continue
            narrow = box.pop(chain)
            if any(_meet(box, other) for other in others):
                box[chain] = _widened(box, chain, narrow, others)
        found[tuple(sorted(box.items()))] = box
    return tuple(
        box for box in found.values() if not any(box is not one and _holds(one, box) for one in found.values())
    )


def _widened(box: Masks, chain: int, narrow: int, others: Sequence[Masks]) -> int:
    """Return all places of one chain with which a box meets none of the others."""
    taken = [other[chain] for other in others if chain in other and _meet(box, {**other, chain: -1})]
    highest = max((mask.bit_length() for mask in (narrow, *taken)), default=0)
    return narrow | sum(1 << place for place in range(highest) if not any(mask >> place & 1 for mask in taken))


def _meet(one: Masks, other: Masks) -> bool:
    """Whether two boxes have a state in common."""
    return all(one[chain] & mask for chain, mask in other.items() if chain in one)


def _holds(one: Masks, other: Masks) -> bool:
    """Whether a box holds all of another one."""
    return all(chain in other and not other[chain] & ~mask for chain, mask in one.items())
