"""Every exception a user of the library can meet.

::

    PathcheckError
    +-- UsageError (ValueError)        the question is put wrongly
    |   +-- FlowError                  a flow's words cannot be read
    |   +-- UnknownNameError (LookupError)
    |                                  no device, list, place or VRF of that name
    +-- InputError (ValueError)        a file cannot be read as what it should be
    |   +-- RefusedFileError           a dialect that is not read, or no text at all
    +-- CapacityError                  the question is too large for this machine
    +-- LaboratoryError                the machine did not do what a rehearsal needs
    |   +-- OutOfTimeError             it took longer than was allowed
    +-- InternalFault                  the engine and its second opinion disagree
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

from pathcheck.source import Span

__all__ = [
    "CapacityError",
    "FlowError",
    "InputError",
    "InternalFault",
    "LaboratoryError",
    "OutOfTimeError",
    "PathcheckError",
    "RefusedFileError",
    "UnknownNameError",
    "UsageError",
    "nearest",
]


class PathcheckError(Exception):
    """Base of all errors that pathcheck raises on purpose.

    Parameters
    ----------
    message
        One sentence, lower case, no final stop; the bad value is quoted.
    span
        Where the cause stands, if it stands in a file.
    help
        What the reader can do about it.
    """

    def __init__(self, message: str, *, span: Span | None = None, help: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.span = span
        self.help = help

    def __str__(self) -> str:
        place = f"{self.span.file}:{self.span.line}:{self.span.column}: " if self.span else ""
        cure = f" ({self.help})" if self.help else ""
        return f"{place}{self.message}{cure}"


class UsageError(PathcheckError, ValueError):
    """The question is put wrongly."""


class FlowError(UsageError):
    """The words of a flow cannot be read."""


class UnknownNameError(UsageError, LookupError):
    """No device, list, interface, place or VRF has that name."""


class InputError(PathcheckError, ValueError):
    """A file cannot be read as what it should be.

    `others` are further faults of the same file, in the order of its lines, so
    that one run shows them all.
    """

    def __init__(
        self,
        message: str,
        *,
        span: Span | None = None,
        help: str | None = None,
        others: tuple[InputError, ...] = (),
    ) -> None:
        super().__init__(message, span=span, help=help)
        self.others = others

    def __str__(self) -> str:
        return "\n".join((super().__str__(), *(str(error) for error in self.others)))


class RefusedFileError(InputError):
    """The file is refused whole: a dialect that is not read, or no text."""


class CapacityError(PathcheckError):
    """The question is too large for the resources that were given."""


class LaboratoryError(PathcheckError):
    """The machine did not do what the laboratory of a rehearsal asked of it."""


class OutOfTimeError(LaboratoryError):
    """A rehearsal took longer than was allowed."""


class InternalFault(PathcheckError):  # noqa: N818 - a fault of ours, not an error of the user
    """The engine and the independent evaluator disagree. Never the user's fault."""


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that is most like `word`, if one is close; of equal ones that with the same letters."""
    found = get_close_matches(word, list(known), n=3, cutoff=0.6)
    swapped = [each for each in found if sorted(each) == sorted(word)]
    return next(iter([*swapped, *found]), None)
