"""Finds every place of the core rooms at which an operator can change the source, and makes the changed source."""

from __future__ import annotations

import ast
import hashlib
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from cosmic_ray.ast import get_ast
from cosmic_ray.mutating import MutationVisitor
from operators import operators

__all__ = ["ROOMS", "Mutant", "body", "find_mutants", "mutated_source", "mutated_tree", "sample"]

ROOMS = {
    "evaluator": "pathcheck/evaluator",
    "packetset": "pathcheck/packetset",
    "dataplane": "pathcheck/dataplane",
    "line_review": "pathcheck/queries/line_review",
    "network": "pathcheck/network",
}


@dataclass(frozen=True)
class Mutant:
    """One change of one place.

    Parameters
    ----------
    occurrence
        Number of this place among those of the operator in the file, from 0.
    start, end
        Line (1-based) and column (0-based) of what is replaced.
    text
        The source line, without the space around it.
    function
        Qualified name of the outermost function it stands in, or empty: then it acts when the module is imported.
    lines
        First and last line of the statement, for the tests that reach it.
    key
        The same as long as the function's name, the line's text and the place in it are; not the line number.
    """

    room: str
    file: str
    operator: str
    occurrence: int
    start: tuple[int, int]
    end: tuple[int, int]
    text: str
    function: str
    lines: tuple[int, int]
    key: str


def find_mutants(tree: Path, room: str) -> list[Mutant]:
    """Return all mutants of a room, in the order of files and lines."""
    found: list[Mutant] = []
    for path in sorted((tree / ROOMS[room]).glob("*.py")):
        found += _of_file(room, path.relative_to(tree).as_posix(), path.read_text())
    return found


def sample(mutants: list[Mutant], size: int, seed: str) -> list[Mutant]:
    """Return `size` of the mutants at random.

    Each mutant draws its lot from its own key, so that the sample stays the same where the source does.
    """
    return sorted(mutants, key=lambda each: hashlib.sha256(f"{seed}\n{each.key}".encode()).digest())[:size]


def mutated_source(source: str, mutant: Mutant) -> str | None:
    """Return the source with the change, or None if it would not be Python."""
    return mutated_tree(get_ast(source), mutant)


def mutated_tree(tree: Any, mutant: Mutant) -> str | None:
    """Return the same for a syntax tree, which is changed by it."""
    visitor = MutationVisitor(mutant.occurrence, operators()[mutant.operator]())
    changed = visitor.walk(tree).get_code()
    if not visitor.mutation_applied:
        raise ValueError(f"no such place: {mutant}")
    try:
        compile(changed, mutant.file, "exec")
    except SyntaxError:
        return None
    return str(changed)


def body(source: str, mutant: Mutant) -> str:
    """Return a fingerprint of the function that the mutant stands in, or of the file outside of any."""
    return _bodies(source).get(mutant.function) or hashlib.sha256(source.encode()).hexdigest()[:16]


@cache
def _bodies(source: str) -> dict[str, str]:
    """Fingerprints of the outermost functions by qualified name."""
    lines = source.splitlines()
    found: defaultdict[str, str] = defaultdict(str)
    for start, end, name in _Shape(source).functions:
        found[name] += "\n".join(lines[start[0] - 1 : end[0]])
    return {name: hashlib.sha256(text.encode()).hexdigest()[:16] for name, text in found.items()}


def _of_file(room: str, file: str, source: str) -> list[Mutant]:
    """All mutants of one file that are not left out."""
    lines = source.splitlines()
    shape = _Shape(source)
    nodes = list(_nodes(get_ast(source)))
    found = []
    same: defaultdict[str, int] = defaultdict(int)
    for name, operator in operators().items():
        occurrence = -1
        for node in nodes:
            for start, end in operator().mutation_positions(node):
                occurrence += 1
                if shape.left_out(start):
                    continue
                text = lines[start[0] - 1].strip()
                function = shape.function(start)
                column = start[1] - (len(lines[start[0] - 1]) - len(lines[start[0] - 1].lstrip()))
                key = f"{file}::{function}::{text}::{column}::{name}"
                same[key] += 1
                found.append(
                    Mutant(
                        room,
                        file,
                        name,
                        occurrence,
                        start,
                        end,
                        text,
                        function,
                        shape.statement(start),
                        f"{key}::{same[key]}",
                    )
                )
    return sorted(found, key=lambda each: (each.start, each.operator, each.occurrence))


def _nodes(node: Any) -> Iterator[Any]:
    yield node
    for child in getattr(node, "children", ()):
        yield from _nodes(child)


class _Shape:
    """Where functions and statements of a file stand, and what is left out."""

    def __init__(self, source: str) -> None:
        tree = ast.parse(source)
        self._left_out: list[tuple[tuple[int, int], tuple[int, int]]] = []
        self._heads: list[tuple[tuple[int, int], tuple[int, int]]] = []
        self._defaults: list[tuple[tuple[int, int], tuple[int, int]]] = []
        self.functions: list[tuple[tuple[int, int], tuple[int, int], str]] = []
        self._statements: list[tuple[tuple[int, int], tuple[int, int], tuple[int, int]]] = []
        self._read(tree, (), False)

    def left_out(self, place: tuple[int, int]) -> bool:
        """Whether nothing happens there when the program runs: annotations, type checking, marks of data classes."""
        if any(start <= place < end for start, end in self._left_out):
            return True
        # Stars and slashes of a parameter list look like operators; its defaults are code.
        in_head = any(start <= place < end for start, end in self._heads)
        return in_head and not any(start <= place < end for start, end in self._defaults)

    def function(self, place: tuple[int, int]) -> str:
        """The outermost function whose body holds the place, or an empty text."""
        return next((name for start, end, name in self.functions if start <= place < end), "")

    def statement(self, place: tuple[int, int]) -> tuple[int, int]:
        """First and last line of the innermost statement's own text (not its block)."""
        around = [(end, start, lines) for start, end, lines in self._statements if start <= place < end]
        return min(around, key=lambda each: (each[0][0] - each[1][0], each[0]))[2] if around else (place[0], place[0])

    def _read(self, node: ast.AST, names: tuple[str, ...], inside: bool) -> None:
        for child in ast.iter_child_nodes(node):
            self._look(child)
            if isinstance(child, ast.ClassDef):
                self._read(child, (*names, child.name), inside)
            elif isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
                if not inside:
                    start = (child.body[0].lineno, 0)
                    self.functions.append((start, _end(child), ".".join((*names, child.name))))
                self._read(child, names, True)
            else:
                self._read(child, names, inside)

    def _look(self, node: ast.AST) -> None:
        """Remember what is left out and where statements stand."""
        for name in ("annotation", "returns"):
            if isinstance(part := getattr(node, name, None), ast.AST):
                self._left_out.append((_start(part), _end(part)))
        if isinstance(node, ast.ClassDef | ast.FunctionDef):
            self._left_out += [(_start(mark), _end(mark)) for mark in node.decorator_list]
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            self._left_out.append((_start(node), _end(node)))
        if isinstance(node, ast.FunctionDef):
            self._heads.append((_start(node), (node.body[0].lineno, 0)))
            given = [*node.args.defaults, *node.args.kw_defaults]
            self._defaults += [(_start(each), _end(each)) for each in given if each is not None]
        if isinstance(node, ast.stmt):
            body = getattr(node, "body", None)
            last = body[0].lineno - 1 if body else node.end_lineno or node.lineno
            self._statements.append((_start(node), _end(node), (node.lineno, max(last, node.lineno))))


def _start(node: Any) -> tuple[int, int]:
    return node.lineno, node.col_offset


def _end(node: Any) -> tuple[int, int]:
    return node.end_lineno, node.end_col_offset
