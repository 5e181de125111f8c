"""The account of lines: what became of each line that was read."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["FileAccount", "LineClass", "LineRecord", "ReadingReport"]


class LineClass(StrEnum):
    """What a line is, exactly one of these."""

    MODELLED = "modelled"
    IGNORED = "ignored"
    UNMODELLED = "unmodelled"
    UNKNOWN = "unknown"
    WRONG = "wrong"


@dataclass(frozen=True, slots=True)
class LineRecord:
    """One line with its class; `why` says what was expected, or which table it stands in."""

    span: Span
    line_class: LineClass
    why: str = ""


@dataclass(frozen=True, slots=True)
class FileAccount:
    """The account of one file.

    Parameters
    ----------
    device
        The device it belongs to, None where it was refused.
    counts
        By class, each class present; they add up to `lines`.
    records
        The lines that are unmodelled, unknown or wrong, in order.
    refused
        Why the file was refused whole; its lines are then not counted.
    """

    file: str
    device: str | None
    lines: int
    counts: dict[LineClass, int]
    records: tuple[LineRecord, ...] = ()
    refused: str | None = None


@dataclass(frozen=True, slots=True)
class ReadingReport:
    """What reading a fleet gave besides the models."""

    files: tuple[FileAccount, ...] = ()
    findings: tuple[Finding, ...] = field(default=())
