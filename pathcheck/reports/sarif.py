"""Findings in the Static Analysis Results Interchange Format, SARIF 2.1.0 (OASIS standard, errata 01).

What the rules of SARIF leave open is chosen so that the hosts of code take the log:
paths are relative to the working folder, each result has a fingerprint that outlives
edits elsewhere in the file, and the log stays within the limits that hosts are known to
have. These limits are from memory, no host's documentation was at hand: see `MOST_RESULTS`
and the others. No times and no machine's names are written, so that the same input gives
the same bytes.
"""

from __future__ import annotations

import json
from importlib.metadata import version
from typing import Any
from urllib.parse import quote

from pathcheck.reports.region_words import packet_words
from pathcheck.results.catalogue import CATALOGUE, Rule
from pathcheck.results.finding import Finding, Severity
from pathcheck.results.finding_report import FindingReport, ReportedFinding
from pathcheck.source import Span

__all__ = ["FINGERPRINT", "MOST_RELATED", "MOST_RESULTS", "MOST_TEXT", "render_sarif"]

SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
FINGERPRINT = "pathcheckFinding/v1"
"""The key of our fingerprint; section 3.27.17 of the standard has the name end with a version."""
MOST_RESULTS = 5000
"""Results of a run; hosts refuse more than about 25,000 and show 5,000."""
MOST_TEXT = 1000
"""Characters of a message."""
MOST_RELATED = 100
"""Related places of a result."""
_MOST_SNIPPET = 500
_LEVELS = {Severity.ERROR: "error", Severity.WARNING: "warning", Severity.NOTE: "note"}
_BASE = "%SRCROOT%"

Object = dict[str, Any]


def render_sarif(report: FindingReport) -> str:
    """Return the log, of one run; findings that are waived or known are in it and marked so."""
    kept = _most_important(report)
    cut = {
        "results": len(report.items) - len(kept),
        "messages": sum(len(_text(item.finding)) > MOST_TEXT for item in kept),
        "relatedLocations": sum(max(0, len(item.finding.because) - MOST_RELATED) for item in kept),
    }
    codes = list(report.rules)
    run: Object = {
        "tool": {
            "driver": {
                "name": "pathcheck",
                "version": version("pathcheck"),
                "semanticVersion": version("pathcheck"),
                "rules": [_rule(rule) for rule in report.rules.values()],
            }
        },
        "automationDetails": {"id": f"pathcheck/{report.command}/"},
        "columnKind": "unicodeCodePoints",
        "originalUriBaseIds": {_BASE: {"description": {"text": "The folder in which pathcheck was run."}}},
        "invocations": [{"executionSuccessful": True, "toolExecutionNotifications": _notifications(cut)}],
        "results": [_result(item, report, codes) for item in kept],
        "properties": {"cut": cut},
    }
    if report.revision is not None:
        run["properties"]["changedSince"] = report.revision
    return json.dumps({"$schema": SCHEMA, "version": "2.1.0", "runs": [run]}, ensure_ascii=False, indent=1)


def _most_important(report: FindingReport) -> list[ReportedFinding]:
    """The findings of the log: where there are too many, open ones on changed lines stay, then the graver."""
    if len(report.items) <= MOST_RESULTS:
        return list(report.items)
    order = list(Severity)

    def rank(number: int) -> tuple[bool, bool, int, int]:
        item = report.items[number]
        return (not item.is_open, not item.changed, order.index(item.finding.severity), number)

    kept = sorted(range(len(report.items)), key=rank)[:MOST_RESULTS]
    return [report.items[number] for number in sorted(kept)]


def _rule(rule: Rule) -> Object:
    """One kind of finding."""
    summary = rule.summary[:1].upper() + rule.summary[1:] + "."
    page = rule.code in CATALOGUE
    more = f" `pathcheck explain {rule.code}` says more, with a bad and a good example." if page else ""
    return {
        "id": rule.code,
        "name": rule.name,
        "shortDescription": {"text": summary},
        "help": {"text": f"{summary}{more}"},
        "defaultConfiguration": {"level": _LEVELS[rule.severity]},
    }


def _notifications(cut: Object) -> list[Object]:
    """What was left out, in words."""
    words = {
        "results": "results were left out, the less important ones",
        "messages": f"messages were cut at {MOST_TEXT} characters",
        "relatedLocations": f"related places were left out, those beyond {MOST_RELATED} of a result",
    }
    return [
        {
            "descriptor": {"id": f"cut-{key}"},
            "level": "warning",
            "message": {"text": f"{number} {words[key]}; the JSON report has all of it."},
        }
        for key, number in cut.items()
        if number
    ]


def _result(item: ReportedFinding, report: FindingReport, codes: list[str]) -> Object:
    """One finding."""
    finding = item.finding
    text = _text(finding)
    result: Object = {
        "ruleId": finding.code,
        "ruleIndex": codes.index(finding.code),
        "level": _LEVELS[finding.severity],
        "message": {"text": text if len(text) <= MOST_TEXT else f"{text[: MOST_TEXT - 3]}..."},
        "partialFingerprints": {FINGERPRINT: item.fingerprint},
    }
    location: Object = {}
    if finding.span is not None:
        location["physicalLocation"] = _place(finding.span, report)
    if finding.device is not None:
        location["logicalLocations"] = _logical(finding)
    if location:
        result["locations"] = [location]
    if finding.because:
        result["relatedLocations"] = [
            {"id": number, "message": {"text": "because of this line"}, "physicalLocation": _place(span, report)}
            for number, span in enumerate(finding.because[:MOST_RELATED], 1)
        ]
    if report.baseline is not None:
        result["baselineState"] = "unchanged" if item.known else "new"
    if item.waiver is not None:
        waiver = item.waiver
        words = f"{waiver.reason} (owner {waiver.owner}, until {waiver.until})"
        result["suppressions"] = [{"kind": "external", "status": "accepted", "justification": words}]
    if report.revision is not None:
        result["properties"] = {"changed": item.changed}
    return result


def _text(finding: Finding) -> str:
    """The message with its packet and the cure; it is plain text, so brackets in it open no link (section 3.11.6)."""
    text = finding.message
    if finding.sample is not None:
        text += f"; for example {packet_words(finding.sample)}"
    text += f"; help: {finding.help}" if finding.help else ""
    text = "".join(character if character.isprintable() else " " for character in text)
    return text.replace("\\", "\\\\").replace("[", "\\[").replace("]", "\\]") if "](" in text else text


def _logical(finding: Finding) -> list[Object]:
    """The device, and the list on it."""
    device: Object = {"name": finding.device, "fullyQualifiedName": finding.device, "kind": "device"}
    if finding.acl is None:
        return [device]
    name = f"{finding.device}/{finding.acl}"
    return [{"name": finding.acl, "fullyQualifiedName": name, "kind": "access list"}]


def _place(span: Span, report: FindingReport) -> Object:
    """A line of a file; columns count characters, and the end is the one behind the last (section 3.30)."""
    path = report.path(span.file)
    address = quote(path, safe="/")
    artifact: Object = {"uri": f"file://{address}"} if path.startswith("/") else {"uri": address, "uriBaseId": _BASE}
    region: Object = {"startLine": max(span.line, 1)}
    if span.text.strip():
        first = max(span.column, 1)
        region["startColumn"] = first
        region["endColumn"] = max(span.end if span.end else len(span.text) + 1, first)
        if len(span.text) <= _MOST_SNIPPET:
            region["snippet"] = {"text": span.text}
    return {"artifactLocation": artifact, "region": region}
