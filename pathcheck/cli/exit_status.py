"""What the exit statuses mean. They are part of the contract with scripts and CI."""

from __future__ import annotations

from pathcheck.results.finding import Finding, Severity
from pathcheck.results.verdict import Verdict

__all__ = [
    "BROKEN",
    "HOLDS",
    "INTERNAL_FAULT",
    "INTERRUPTED",
    "UNCERTAIN",
    "UNREADABLE",
    "gravest",
    "of_findings",
    "of_verdict",
]

HOLDS = 0
"""Permitted, no finding at or above the threshold, all required flows hold."""
BROKEN = 1
"""Denied or partly, findings, a required flow broken."""
UNREADABLE = 2
"""Usage, or input that cannot be read."""
UNCERTAIN = 3
"""Something that is not modelled could change the answer."""
INTERNAL_FAULT = 70
"""A fault of the program (the number that sysexits.h gives to internal errors)."""
INTERRUPTED = 130
"""Stopped from the keyboard (128 and the number of the signal, as shells do)."""

_GRAVITY = (INTERNAL_FAULT, UNREADABLE, UNCERTAIN, BROKEN, HOLDS)


def of_verdict(verdict: Verdict) -> int:
    """Return the status of one answer."""
    if verdict is Verdict.PERMITTED:
        return HOLDS
    return UNCERTAIN if verdict is Verdict.UNCERTAIN else BROKEN


def of_findings(findings: tuple[Finding, ...], threshold: Severity = Severity.WARNING) -> int:
    """Return the status of a report: whether a finding is as grave as the threshold."""
    order = list(Severity)
    limit = order.index(threshold)
    return BROKEN if any(order.index(finding.severity) <= limit for finding in findings) else HOLDS


def gravest(statuses: list[int]) -> int:
    """Return the gravest of several: 70, then 2, 3, 1, 0."""
    return min(statuses, key=_GRAVITY.index, default=HOLDS)
