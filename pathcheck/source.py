"""Where a piece of text stands: file, line and columns.

Spans are carried by everything that is read, so that every answer can point
at the line it rests on. They never take part in a comparison of meaning.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Span"]


@dataclass(frozen=True, slots=True)
class Span:
    """A piece of one line of one file.

    Parameters
    ----------
    file
        Path as the user would type it, relative to the fleet's folder.
    line
        1-based line number.
    text
        The line as written, without its line end.
    column
        1-based column of the first character meant, counted in characters
        of the line as written (a tab is one column).
    end
        1-based column behind the last character meant; 0 means the end of
        the line.
    """

    file: str
    line: int
    text: str
    column: int = 1
    end: int = 0

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"

    @property
    def words(self) -> str:
        """The line without the white space around it, for quoting."""
        return self.text.strip()

    def at(self, column: int, end: int = 0) -> Span:
        """Return the same line with other columns."""
        return Span(self.file, self.line, self.text, column, end)
