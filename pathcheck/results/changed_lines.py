"""Which lines of a fleet's files changed since a revision."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pathcheck.source import Span

__all__ = ["ChangedLines"]


@dataclass(frozen=True, slots=True)
class ChangedLines:
    """The lines that changed, in the files as they are now.

    Parameters
    ----------
    revision
        As it was asked for.
    lines
        By file, relative to the fleet's folder: ranges of lines, both ends inclusive, in order. Where
        lines were only removed, the two lines beside the gap stand for them.
    whole
        Files that are new, so that all their lines are; a name that ends with `/` is a folder.
    """

    revision: str
    lines: Mapping[str, tuple[tuple[int, int], ...]] = field(default_factory=dict)
    whole: frozenset[str] = frozenset()

    def touch(self, span: Span) -> bool:
        """Tell whether a line changed; one that stands for its whole file, if anything of the file did."""
        if span.file in self.whole or any(span.file.startswith(name) for name in self.whole if name.endswith("/")):
            return True
        ranges = self.lines.get(span.file, ())
        if not span.text.strip():
            return bool(ranges)
        return any(first <= span.line <= last for first, last in ranges)
