"""A baseline: the findings of a report, to be known the next time."""

from __future__ import annotations

import json

from pathcheck.results.finding_report import FindingReport

__all__ = ["render_baseline"]

_UNKNOWABLE = ("PC384", "PC385")
_HEAD = """\
# Findings that were there when this was written. `pathcheck check --baseline` fails on others only.
# What is known by is the fingerprint; the rest is for readers. Write it anew with `--write-baseline`."""


def render_baseline(report: FindingReport) -> str:
    """Return the file as YAML; waived findings and those about waivers are left out, so that they come back."""
    rows = []
    for item in report.items:
        finding = item.finding
        if item.waiver is not None or finding.code in _UNKNOWABLE:
            continue
        words = {
            "fingerprint": item.fingerprint,
            "code": finding.code,
            "device": finding.device,
            "acl": finding.acl,
            "text": finding.span.words[:200] if finding.span else None,
        }
        # What JSON writes is YAML, too.
        pairs = ", ".join(f"{key}: {_quoted(value)}" for key, value in words.items() if value)
        rows.append((finding.code, finding.device or "", item.fingerprint, f"  - {{{pairs}}}"))
    lines = [row for *_, row in sorted(rows)]
    return "\n".join([_HEAD, "findings:" if lines else "findings: []", *lines])


def _quoted(value: str) -> str:
    """Text in quotation marks; what YAML does not take as it stands is escaped."""
    return json.dumps(value).replace("\x7f", "\\u007f")
