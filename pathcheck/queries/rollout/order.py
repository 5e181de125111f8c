"""A safe order of the jobs, or the proof that there is none: a way through the states that meets no obstacle.

An obstacle is a box of states that must not be entered. Chains that no obstacle names together cannot disturb each
other: what is safe for each group of chains by itself is safe for all of them in any mixture. So each group is
searched alone, and a group is as large as what truly hangs together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from pathcheck.queries.rollout.cover import Masks, holds_in

__all__ = ["Guard", "Search", "TooManyStatesError", "blocked_chains", "connected_groups", "find_order"]


class TooManyStatesError(Exception):
    """A group of jobs has more states than are searched."""


@dataclass(frozen=True, slots=True)
class Guard:
    """A chain that cannot move in some states: its device cannot be managed there."""

    chain: int
    box: Masks


@dataclass
class Search:
    """One group of chains, and the ways through its states.

    Parameters
    ----------
    chains
        Their numbers.
    ends
        How many steps each has, by number.
    """

    chains: tuple[int, ...]
    ends: Mapping[int, int]
    obstacles: Sequence[Masks]
    guards: Sequence[Guard]
    rank: Sequence[int]
    most: int
    visited: int = field(init=False, default=0)
    _naming: dict[int, list[Masks]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        for box in self.obstacles:
            for chain in box:
                self._naming.setdefault(chain, []).append(box)

    def run(self) -> tuple[int, ...] | None:
        """Return the chains in the order in which their steps are done; None where no order is safe.

        An order in which no job comes between the steps of another is looked for first.

        Raises
        ------
        TooManyStatesError
            The bound was hit.
        """
        if all(self.ends[chain] == 1 for chain in self.chains):
            return self._run(whole=True)
        return self._run(whole=True) or self._run(whole=False)

    def _run(self, *, whole: bool) -> tuple[int, ...] | None:
        """Search; `whole` asks for jobs that run to their end before the next one."""
        here = dict.fromkeys(self.chains, 0)
        if not self._is_free(here):
            return None
        dead: set[tuple[int | None, ...]] = set()
        done: list[int] = []

        def key(last: int | None) -> tuple[int | None, ...]:
            """Name the state; with whole jobs it matters which one is under way."""
            under_way = whole and last is not None and 0 < here[last] < self.ends[last]
            return (*here.values(), last if under_way else None)

        moves = [self._moves(here, None, whole)]
        while moves:
            if all(here[chain] == self.ends[chain] for chain in self.chains):
                return tuple(done)
            chain = next(moves[-1], None)
            if chain is None:
                dead.add(key(done[-1] if done else None))
                moves.pop()
                if done:
                    here[done.pop()] -= 1
                continue
            if not self._may_move(chain, here):
                continue
            here[chain] += 1
            if key(chain) in dead or not self._is_free(here, chain):
                here[chain] -= 1
                continue
            self.visited += 1
            if self.visited > self.most:
                raise TooManyStatesError
            done.append(chain)
            moves.append(self._moves(here, chain, whole))
        return None

    def _moves(self, here: Mapping[int, int], last: int | None, whole: bool) -> Iterator[int]:
        """Return the chains that have steps left: first the one that moved last, then in their order."""
        if whole and last is not None and here[last] < self.ends[last]:
            return iter((last,))
        left = [chain for chain in self.chains if here[chain] < self.ends[chain]]
        return iter(sorted(left, key=lambda chain: (chain != last, self.rank[chain])))

    def _is_free(self, here: Mapping[int, int], moved: int | None = None) -> bool:
        """Whether a state is in no obstacle; one that does not name the chain that moved cannot have been entered."""
        boxes = self.obstacles if moved is None else self._naming.get(moved, ())
        return not any(holds_in(box, here) for box in boxes)

    def _may_move(self, chain: int, here: Mapping[int, int]) -> bool:
        return not any(guard.chain == chain and holds_in(guard.box, here) for guard in self.guards)


def find_order(
    ends: Sequence[int],
    obstacles: Sequence[Masks],
    guards: Sequence[Guard] = (),
    *,
    rank: Sequence[int] | None = None,
    most: int = 200_000,
) -> tuple[int, ...] | None:
    """Find an order in which all steps can be done without entering an obstacle.

    Parameters
    ----------
    ends
        How many steps each chain has.
    obstacles
        Boxes of states that must not be entered.
    guards
        States in which a chain cannot move.
    rank
        Which chain goes first where nothing else decides; the order of the chains where left out.
    most
        How many states are entered at most.

    Returns
    -------
    tuple
        A chain's number for each step; None where no order is safe.

    Raises
    ------
    TooManyStatesError
        The bound was hit.
    """
    ranks = rank if rank is not None else range(len(ends))
    if not all(obstacles):
        return None  # an obstacle that holds every state
    queues: list[list[int]] = []
    left = most
    too_many = False
    for chains in connected_groups(len(ends), obstacles, guards):
        search = _search(chains, ends, obstacles, guards, ranks, left)
        try:
            found = search.run()
        except TooManyStatesError:
            too_many, left = True, most  # another group may still show that there is none
            continue
        left -= search.visited
        if found is None:
            return None
        queues.append(list(found))
    if too_many:
        raise TooManyStatesError
    return _merged(queues, ranks)


def _search(
    chains: tuple[int, ...],
    ends: Sequence[int],
    obstacles: Sequence[Masks],
    guards: Sequence[Guard],
    ranks: Sequence[int],
    most: int,
) -> Search:
    """Return the search of one group, with the obstacles and guards that are its own."""
    members = set(chains)
    return Search(
        chains,
        {chain: ends[chain] for chain in chains},
        [box for box in obstacles if members.issuperset(box)],
        [guard for guard in guards if guard.chain in members],
        ranks,
        most,
    )


def blocked_chains(
    ends: Sequence[int], obstacles: Sequence[Masks], guards: Sequence[Guard] = (), *, most: int = 200_000
) -> frozenset[int]:
    """Return the chains of the groups that have no safe order; those that have too many states are left out."""
    found: set[int] = set()
    for chains in connected_groups(len(ends), obstacles, guards):
        try:
            order = _search(chains, ends, obstacles, guards, range(len(ends)), most).run()
        except TooManyStatesError:
            continue
        if order is None:
            found.update(chains)
    return frozenset(found)


def connected_groups(count: int, obstacles: Sequence[Masks], guards: Sequence[Guard]) -> list[tuple[int, ...]]:
    """Put chains together that an obstacle or a guard names together."""
    leader = list(range(count))

    def find(chain: int) -> int:
        while leader[chain] != chain:
            leader[chain] = leader[leader[chain]]
            chain = leader[chain]
        return chain

    for names in (*(tuple(box) for box in obstacles), *((guard.chain, *guard.box) for guard in guards)):
        for chain in names[1:]:
            leader[find(chain)] = find(names[0])
    groups: dict[int, list[int]] = {}
    for chain in range(count):
        groups.setdefault(find(chain), []).append(chain)
    return [tuple(group) for group in groups.values()]


def _merged(queues: list[list[int]], ranks: Sequence[int]) -> tuple[int, ...]:
    """Put the orders of the groups together: each keeps its order, and a job goes on that has begun."""
    merged: list[int] = []
    heads = [0] * len(queues)
    last: int | None = None
    for _ in range(sum(map(len, queues))):
        open_ones = [number for number, queue in enumerate(queues) if heads[number] < len(queue)]
        best = min(open_ones, key=lambda n: (queues[n][heads[n]] != last, ranks[queues[n][heads[n]]]))
        last = queues[best][heads[best]]
        heads[best] += 1
        merged.append(last)
    return tuple(merged)
