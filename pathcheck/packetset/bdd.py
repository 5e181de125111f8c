"""The one place that knows the library of binary decision diagrams.

A diagram is reduced and ordered, and each manager keeps one copy of each, so
two diagrams are the same function exactly if their handles are equal. The
manager holds a bounded number of nodes; when they run out it first drops what
nobody refers to any more, and only then gives up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import wraps
from time import monotonic, sleep
from typing import Concatenate, ParamSpec, Protocol, TypeVar, cast

from oxidd.bdd import BDDFunction, BDDManager, BDDSubstitution
from oxidd.util import BooleanOperator, DDMemoryError

from pathcheck.errors import CapacityError

__all__ = ["CACHE", "NODES", "Diagrams", "Node", "Substitution", "out_of_nodes", "spends_nodes"]

Node = BDDFunction
"""A handle of one diagram; equal handles are equal functions. `&`, `|` and `~` work on it."""
Substitution = BDDSubstitution

NODES = 1 << 23
"""Nodes that one manager may hold. The room is reserved, not used: a full one took 0.4 GiB."""
CACHE = 1 << 18
"""Results of operations that are kept. The room is used at once, so more would slow down every start."""
_PATIENCE = 60.0
"""Seconds after which a collection is not waited for any longer."""


class Diagrams:
    """The diagrams over one number of variables.

    Parameters
    ----------
    variables
        How many variables there are; variable 0 is on top.
    nodes
        Largest number of nodes held at a time.
    cache
        Number of results of operations that are kept.
    """

    __slots__ = ("_manager", "_negated", "_variables", "false", "nodes", "true")

    def __init__(self, variables: int, nodes: int = NODES, cache: int = CACHE) -> None:
        self.nodes = nodes
        # One thread: diagrams of lists are too small to gain from more, and answers stay repeatable.
        self._manager = BDDManager(nodes, cache, 1)
        self._manager.add_vars(variables)
        self.true: Node = self._manager.true()
        self.false: Node = self._manager.false()
        self._variables = [self._manager.var(index) for index in range(variables)]
        self._negated = [self._manager.not_var(index) for index in range(variables)]

    def literal(self, variable: int, value: object) -> Node:
        """Return the function that is true where the variable has the value."""
        return self._variables[variable] if value else self._negated[variable]

    def conjunction(self, literals: Iterable[tuple[int, object]]) -> Node:
        """Return the function that is true where each `(variable, value)` holds."""
        node = self.true
        # From the lowest variable upwards each step adds one node on top.
        for variable, value in sorted(literals, reverse=True):
            node = (self._variables[variable] if value else self._negated[variable]) & node
        return node

    def cube(self, variables: Iterable[int]) -> Node:
        """Return a set of variables in the form in which quantifiers want it."""
        return self.conjunction((variable, True) for variable in variables)

    @staticmethod
    def difference(node: Node, other: Node) -> Node:
        """Return what is in the first and not in the second, in one step."""
        return other.imp_strict(node)

    @staticmethod
    def some(node: Node, within: Node, cube: Node) -> Node:
        """Return where some values of the cube's variables are in both functions."""
        return node.apply_exists(BooleanOperator.AND, within, cube)

    @staticmethod
    def each(node: Node, within: Node, cube: Node) -> Node:
        """Return where all values of the cube's variables that are in `within` are in the function."""
        return within.apply_forall(BooleanOperator.IMP, node, cube)

    def swap(self, pairs: Iterable[tuple[int, int]]) -> Substitution:
        """Return the exchange of the variables of each pair, to be used with `node.substitute`."""
        exchange = []
        for first, second in pairs:
            exchange += [(first, self._variables[second]), (second, self._variables[first])]
        return BDDFunction.make_substitution(exchange)

    def collect(self) -> None:
        """Drop the nodes that nobody refers to.

        The library collects by itself too, in a thread of its own, and refuses
        a second collection meanwhile; what that thread frees can be used only
        after it ended. So wait until a collection of ours was done.
        """
        end = monotonic() + _PATIENCE
        while True:
            before = self._manager.gc_count()
            self._manager.gc()
            if self._manager.gc_count() > before or monotonic() > end:
                return
            sleep(0.002)


@contextmanager
def out_of_nodes(nodes: int) -> Iterator[None]:
    """Raise a `CapacityError` where the library runs out of its nodes."""
    try:
        yield
    except DDMemoryError as error:
        raise CapacityError(
            f"the sets of packets need more than the {nodes:,} nodes that there is room for",
            help="ask about fewer packets at once: a narrower flow, one list or one device; long lists of ranges "
            "that overlap in both addresses need most",
        ) from error


class _HasDiagrams(Protocol):
    def make_room(self) -> int:
        """Drop what is not needed; return the largest number of nodes."""


P = ParamSpec("P")
Result = TypeVar("Result")
Owner = TypeVar("Owner", bound=_HasDiagrams)


def spends_nodes(
    method: Callable[Concatenate[Owner, P], Result],
) -> Callable[Concatenate[Owner, P], Result]:
    """Let a method that runs out of nodes make room and try once more.

    The owner of the method says what can be dropped (`make_room`).

    Raises
    ------
    CapacityError
        The nodes do not suffice. Says how many there are and what to do.
    """

    @wraps(method)
    def guarded(self: Owner, *args: P.args, **kwargs: P.kwargs) -> Result:
        try:
            return method(self, *args, **kwargs)
        except DDMemoryError:
            nodes = self.make_room()
        with out_of_nodes(nodes):
            return method(self, *args, **kwargs)

    return cast("Callable[Concatenate[Owner, P], Result]", guarded)
