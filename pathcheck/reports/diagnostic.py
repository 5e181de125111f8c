"""One error or one line of a file, as text that points at the word it is about."""

from __future__ import annotations

from pathcheck.errors import PathcheckError
from pathcheck.source import Span

__all__ = ["quote_line", "render_error"]

_WIDEST = 160


def render_error(error: PathcheckError) -> str:
    """Return an error as text: what is wrong, the line with the place marked, what to do."""
    parts = [f"error: {error.message}"]
    if error.span is not None:
        parts.append(f"  --> {error.span.file}:{error.span.line}:{error.span.column}")
        parts.append(quote_line(error.span, mark=True))
    if error.help:
        parts.append(f"  help: {error.help}")
    return "\n".join(parts)


def quote_line(span: Span, *, mark: bool = False, indent: str = "  ") -> str:
    """Return the line with its number, its columns marked below if wanted; a very long line is cut around them."""
    number = str(span.line)
    text = "".join(character if character.isprintable() else " " for character in span.text)
    start = 0
    if len(text) > _WIDEST:
        start = max(0, span.column - 1 - _WIDEST // 2) if mark else 0
        text = ("..." if start else "") + text[start : start + _WIDEST] + "..."
    lines = [f"{indent}{number} | {text}"]
    if mark:
        before = span.column - 1 - start + (3 if start else 0)
        width = max(1, (span.end or span.column + 1) - span.column)
        lines.append(f"{indent}{' ' * len(number)} | {' ' * before}{'^' * min(width, _WIDEST)}")
    return "\n".join(lines)
