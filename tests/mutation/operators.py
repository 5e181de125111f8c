"""The mutation operators: those of the library that swap one thing for its neighbour, and three of our own.

The library would also replace each operator by every other; nearly all of these die at once (`a // b` for `a & b` of
two sets is a type error) and would only make the score look better.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import parso
from cosmic_ray.operators.operator import Example, Operator
from cosmic_ray.operators.provider import OperatorProvider

__all__ = ["operators"]

_OF_THE_LIBRARY = (
    *(
        f"ReplaceBinaryOperator_{pair}"
        for pair in (
            *("Add_Sub", "Sub_Add", "Mul_Add", "FloorDiv_Mul", "Mod_FloorDiv", "Pow_Mul", "RShift_LShift"),
            *("LShift_RShift", "BitOr_BitAnd", "BitAnd_BitOr", "BitXor_BitAnd", "BitXor_BitOr"),
        )
    ),
    *(
        f"ReplaceComparisonOperator_{pair}"
        for pair in (
            *("Eq_NotEq", "NotEq_Eq", "Lt_LtE", "Lt_GtE", "LtE_Lt", "LtE_Gt", "Gt_GtE", "Gt_LtE", "GtE_Gt", "GtE_Lt"),
            *("Is_IsNot", "IsNot_Is"),
        )
    ),
    *(f"ReplaceUnaryOperator_Delete_{name}" for name in ("Not", "USub", "Invert")),
    *("AddNot", "ReplaceTrueWithFalse", "ReplaceFalseWithTrue", "ReplaceAndWithOr", "ReplaceOrWithAnd"),
    *("ReplaceBreakWithContinue", "ReplaceContinueWithBreak", "NumberReplacer", "ZeroIterationForLoop"),
    "ExceptionReplacer",
)


def operators() -> dict[str, type[Operator]]:
    """Return the operators by name; the order is fixed."""
    library = OperatorProvider()
    own = (SwapIn, RemoveStatement, RemoveReturned)
    return {name: library[name] for name in _OF_THE_LIBRARY} | {one.__name__: one for one in own}


class SwapIn(Operator):
    """`in` for `not in` and the other way round."""

    def mutation_positions(self, node: Any) -> Iterator[tuple[Any, Any]]:
        if node.type == "comparison":
            for child in node.children[1::2]:
                if _words(child) in ("in", "not in"):
                    yield child.start_pos, child.end_pos

    def mutate(self, node: Any, index: int) -> Any:
        places = [
            place for place in range(1, len(node.children), 2) if _words(node.children[place]) in ("in", "not in")
        ]
        place = places[index]
        other = " in" if _words(node.children[place]) == "not in" else " not in"
        node.children[place] = parso.parse(other)
        return node

    @classmethod
    def examples(cls) -> tuple[Example, ...]:
        return (Example("a in b", "a not in b"), Example("a not in b", "a in b"))


class RemoveStatement(Operator):
    """A call, an augmented assignment or an assignment to an item or attribute that is left out."""

    def mutation_positions(self, node: Any) -> Iterator[tuple[Any, Any]]:
        if _acts(node):
            yield node.children[0].start_pos, node.children[0].end_pos

    def mutate(self, node: Any, index: int) -> Any:
        assert index == 0
        old = node.children[0]
        # As many lines as before, so that no function moves.
        lines = old.end_pos[0] - old.start_pos[0]
        text = _prefix(old) + ("(" + "\n" * lines + ")" if lines else "pass")
        node.children[0] = parso.parse(text)
        return node

    @classmethod
    def examples(cls) -> tuple[Example, ...]:
        return (Example("f(a)\n", "pass\n"), Example("a += b\n", "pass\n"), Example("a[b] = c\n", "pass\n"))


class RemoveReturned(Operator):
    """A function returns None instead of what it returns."""

    def mutation_positions(self, node: Any) -> Iterator[tuple[Any, Any]]:
        if node.type == "return_stmt" and _words(node.children[1]) != "None":
            yield node.children[1].start_pos, node.children[1].end_pos

    def mutate(self, node: Any, index: int) -> Any:
        assert index == 0
        old = node.children[1]
        lines = old.end_pos[0] - old.start_pos[0]
        node.children[1] = parso.parse(" (None" + "\n" * lines + ")" if lines else " None")
        return node

    @classmethod
    def examples(cls) -> tuple[Example, ...]:
        return (Example("def f():\n    return a\n", "def f():\n    return None\n"),)


def _acts(node: Any) -> bool:
    """Whether this is a line whose statement does something that a later line may need."""
    if node.type != "simple_stmt":
        return False
    first = node.children[0]
    if first.type == "atom_expr":
        return bool(_words(first.children[-1]).startswith("("))  # a call
    if first.type != "expr_stmt":
        return False
    target, sign = first.children[0], first.children[1]
    if sign.type == "annassign":
        return False
    return _words(sign) != "=" or target.type == "atom_expr"


def _words(node: Any) -> str:
    return " ".join(node.get_code().split())


def _prefix(node: Any) -> str:
    return str(node.get_first_leaf().prefix)
