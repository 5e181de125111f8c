"""A waiver: a finding that somebody has decided to live with, why, and until when."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from pathcheck.source import Span

__all__ = ["Waiver"]


@dataclass(frozen=True, slots=True)
class Waiver:
    """One entry of the file of waivers; which findings it is for, and who answers for it.

    Parameters
    ----------
    reason, owner
        Why the findings are lived with, and who is to be asked.
    until
        The last day on which it holds.
    fingerprint
        That of the one finding it is for; None where `code` and the others say which.
    code, file, device, acl, text
        Each that is not None must be that of the finding; white space in `text` does not count.
    """

    reason: str
    owner: str
    until: date
    fingerprint: str | None = None
    code: str | None = None
    file: str | None = None
    device: str | None = None
    acl: str | None = None
    text: str | None = None
    span: Span = field(compare=False, kw_only=True)
