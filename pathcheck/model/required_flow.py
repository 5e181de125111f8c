"""What must stay open and what must stay closed, as somebody wrote it down."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from pathcheck.source import Span

__all__ = ["Expectation", "RequiredFlow", "RequiredWords"]


class Expectation(StrEnum):
    """What a flow must be: `open`, each packet of it passes, or `closed`, none does."""

    OPEN = "open"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class RequiredWords:
    """One flow in the words of the command line, options included.

    The names in it mean something only together with a fleet, so they are kept
    as written: the same words can be asked of two fleets.
    """

    text: str
    span: Span = field(compare=False)


@dataclass(frozen=True, slots=True)
class RequiredFlow:
    """One entry of the file of required flows.

    Parameters
    ----------
    name
        By which reports call it; unique in its file.
    flows
        At least one; the expectation holds for each of them.
    reply
        Whether the reply of each packet must come back; never true of what is to be closed.
    owner, reason
        Whom to ask and why it is wanted, for the reports.
    always
        Whether it must hold in each state of a rollout as well.
    span
        Where its name stands.
    """

    name: str
    flows: tuple[RequiredWords, ...]
    expect: Expectation
    reply: bool = False
    owner: str | None = None
    reason: str | None = None
    always: bool = False
    span: Span | None = field(default=None, compare=False)
