"""Dead lines by an SMT solver: one question a line, all lines before it as one formula."""

from __future__ import annotations

from typing import Any

import z3

__all__ = ["dead_lines"]


def dead_lines(fields: list[tuple[Any, ...]]) -> int:
    """Count the lines whose packets earlier lines hold together."""
    source, destination = z3.BitVec("source", 32), z3.BitVec("destination", 32)
    protocol = z3.BitVec("protocol", 8)
    ports = z3.BitVec("source port", 16), z3.BitVec("destination port", 16)

    def formula(line: tuple[Any, ...]) -> z3.BoolRef:
        value, care, to_value, to_care, number, low, high, to_low, to_high = line
        parts = [source & care == value, destination & to_care == to_value]
        if number is not None:
            parts.append(protocol == number)
        for port, first, last in ((ports[0], low, high), (ports[1], to_low, to_high)):
            if (first, last) != (0, 65535):
                parts += [z3.UGE(port, first), z3.ULE(port, last)]
        return z3.And(parts)

    solver = z3.Solver()
    dead = 0
    for line in fields:
        held = formula(line)
        dead += solver.check(held) == z3.unsat
        solver.add(z3.Not(held))
    return dead
