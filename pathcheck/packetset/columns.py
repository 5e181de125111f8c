"""Rows as columns: what is asked of a whole table at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pathcheck.packetset.box_table import BoxTable, Points

__all__ = ["Columns", "columns_of", "points_as_columns"]

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Columns:
    """Rows as arrays of one number a row; addresses as words, the highest first, source before destination."""

    values: tuple[Array, ...]
    cares: tuple[Array, ...]
    lows: tuple[Array, ...]
    highs: tuple[Array, ...]
    flag_cares: Array
    flag_values: Array

    def __len__(self) -> int:
        return len(self.flag_cares)

    def take(self, which: Array | slice) -> Columns:
        """Return some of them."""
        return Columns(
            tuple(column[which] for column in self.values),
            tuple(column[which] for column in self.cares),
            tuple(column[which] for column in self.lows),
            tuple(column[which] for column in self.highs),
            self.flag_cares[which],
            self.flag_values[which],
        )

    def meet(self, other: Columns) -> Columns:
        """Return what each row shares with the one beside it, which overlaps it."""
        return Columns(
            tuple(mine | theirs for mine, theirs in zip(self.values, other.values, strict=True)),
            tuple(mine | theirs for mine, theirs in zip(self.cares, other.cares, strict=True)),
            tuple(np.maximum(mine, theirs) for mine, theirs in zip(self.lows, other.lows, strict=True)),
            tuple(np.minimum(mine, theirs) for mine, theirs in zip(self.highs, other.highs, strict=True)),
            self.flag_cares | other.flag_cares,
            self.flag_values | other.flag_values,
        )


def columns_of(table: BoxTable) -> Columns:
    """Return all rows of a table."""
    return Columns(
        tuple(table.values),
        tuple(table.cares),
        tuple(table.lows),
        tuple(table.highs),
        table.flag_cares,
        table.flag_values,
    )


def points_as_columns(points: Points) -> Columns:
    """Return points as rows that hold nothing else."""
    full = np.uint8(255)
    return Columns(
        points.words,
        tuple(np.full_like(word, ~word.dtype.type(0)) for word in points.words),
        points.intervals,
        points.intervals,
        np.full_like(points.flags, full),
        points.flags,
    )
