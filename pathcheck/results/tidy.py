"""A list made shorter without changing what it decides."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pathcheck.model.access_list import AccessList
from pathcheck.results.path import Doubt
from pathcheck.source import Span

__all__ = ["FileChange", "TidyChange", "TidyProof", "TidyResult"]


@dataclass(frozen=True, slots=True)
class TidyChange:
    """One line that is gone, or that takes in others.

    Parameters
    ----------
    kind
        `removed`, or `merged` for a line that is now part of `into`.
    code
        The finding that says why it could go; empty for `merged`.
    why
        In words.
    because
        Lines that decide its packets.
    into
        The text of the line that it became a part of; empty for `removed`.
    logging
        What changes in what is logged; empty if nothing does.
    """

    kind: str
    span: Span
    why: str
    code: str = ""
    because: tuple[Span, ...] = ()
    into: str = ""
    logging: str = ""


@dataclass(frozen=True, slots=True)
class TidyProof:
    """How it was shown that both lists decide each packet alike.

    Parameters
    ----------
    sets_equal
        The sets of permitted packets are equal. A list of which this is not so is never given out.
    finished
        Whether the second method, which shares nothing with the sets, came to its end.
    cells
        Into how many cells, each decided alike throughout, the second method split the packets that could differ.
    packets
        How many packets, corners of the cells, the evaluator decided by both lists.
    bound
        The work after which the second method gives up, in words.
    """

    sets_equal: bool
    finished: bool
    cells: int
    packets: int
    bound: str


@dataclass(frozen=True, slots=True)
class TidyResult:
    """An equivalent list.

    Parameters
    ----------
    before, after
        The same object where there is nothing to tidy.
    changes
        In the order of the list.
    remarks
        Remarks that are gone because all their lines are.
    text
        The shorter list as configuration text; kept lines as they are written.
    as_written
        Whether `text` keeps the spelling of the file; else it is written anew.
    new_texts
        New text by place of the entry in `before.entries`, None for one that is gone.
    notes
        Whole sentences without a final stop.
    doubts
        Lines that may match or not; they were neither changed nor crossed.
    """

    device: str
    before: AccessList
    after: AccessList
    changes: tuple[TidyChange, ...]
    remarks: tuple[Span, ...]
    proof: TidyProof
    text: str
    as_written: bool
    new_texts: tuple[tuple[int, str | None], ...] = ()
    notes: tuple[str, ...] = ()
    doubts: tuple[Doubt, ...] = ()

    @property
    def is_tidy(self) -> bool:
        """Whether nothing could be made shorter."""
        return not self.changes


@dataclass(frozen=True, slots=True)
class FileChange:
    """One file before and after; `file` is relative to the fleet's folder.

    `secrets` holds the lines with secrets, before, and what is shown of each.
    """

    file: str
    before: bytes = field(repr=False)
    after: bytes = field(repr=False)
    secrets: Mapping[bytes, bytes] = field(default_factory=dict, repr=False)
