"""Results as JSON documents; their shapes are part of the contract."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from pathcheck.packet.packet import Packet
from pathcheck.packet.protocol import ICMP, ICMPV6, TCP, has_ports
from pathcheck.packet.tcp_flags import FLAG_NAMES
from pathcheck.reports.caution import CAUTION
from pathcheck.reports.region_words import box_words
from pathcheck.results.account import FileAccount, LineClass, ReadingReport
from pathcheck.results.finding import Finding
from pathcheck.results.finding_report import FindingReport, ReportedFinding
from pathcheck.results.path import Doubt, FlowAnswer, Hop, LineUse, ListAnswer, Path, Reading, RouteUse
from pathcheck.results.region import Region
from pathcheck.results.requirement import Requirement, RequirementPart, RequirementReport, Standing
from pathcheck.source import Span

__all__ = [
    "findings_document",
    "flow_document",
    "line_words",
    "list_document",
    "parse_document",
    "region_words",
    "render_json",
    "requirement_document",
    "sample_words",
]

Document = dict[str, Any]


def render_json(document: Mapping[str, Any], *, one_line: bool = False) -> str:
    """Return the document as text, without a line end.

    Unless it has to be one line, each key and each item of a list of objects has a line of its own: that reads
    and compares well, and an indented text of long lists would take longer than finding what stands in it.
    """
    if one_line:
        return _encode(document)
    parts = []
    for key, value in document.items():
        if isinstance(value, list) and value and isinstance(value[0], Mapping):
            items = ",\n  ".join(map(_encode, value))
            parts.append(f" {_encode(key)}: [\n  {items}\n ]")
        else:
            parts.append(f" {_encode(key)}: {_encode(value)}")
    return "{\n" + ",\n".join(parts) + "\n}"


def _encode(value: Any) -> str:
    """One value on one line."""
    return json.dumps(value, ensure_ascii=False)


def flow_document(answer: FlowAnswer, *, caution: bool = True) -> Document:
    """Return the document of one flow through the fleet."""
    document: Document = {
        "schema": "pathcheck/flow/1",
        "flow": answer.flow,
        **_answer(answer),
        "reply": None if answer.reply is None else _answer(answer.reply),
    }
    if caution:
        document["caution"] = CAUTION
    return document


def list_document(answer: ListAnswer, *, caution: bool = True) -> Document:
    """Return the document of one flow through one list alone."""
    document: Document = {
        "schema": "pathcheck/flow/1",
        "flow": answer.flow,
        "device": answer.device,
        "acl": answer.acl,
        "verdict": answer.verdict,
        "reason": answer.reason,
        "line": line_words(answer.line),
        "lines": [{**_used(use), "part": [region_words(region) for region in part]} for use, part in answer.lines],
        "sample": sample_words(answer.sample),
    }
    _add(document, answer.doubts, answer.readings, answer.notes)
    if caution:
        document["caution"] = CAUTION
    return document


def requirement_document(report: RequirementReport) -> Document:
    """Return the document of all required flows."""
    counts = report.counts
    return {
        "schema": "pathcheck/require/1",
        "results": [_requirement(item) for item in report.requirements],
        "counts": {
            "holds": counts[Standing.HOLDS],
            "broken": counts[Standing.BROKEN],
            "uncertain": counts[Standing.UNCERTAIN],
            **({"unanswered": counts[Standing.UNANSWERED]} if counts[Standing.UNANSWERED] else {}),
        },
        "caution": CAUTION,
    }


def _requirement(item: Requirement) -> Document:
    """One required flow: what was wanted, how it stands, and what shows it."""
    required, gravest = item.flow, item.gravest
    detail: Document = {"standing": item.standing, "reply_required": required.reply}
    if required.span is not None:
        detail |= {"file": required.span.file, "line": required.span.line}
    for key, value in (("owner", required.owner), ("required_because", required.reason)):
        if value is not None:
            detail[key] = value
    if gravest.evidence is not None:
        evidence = gravest.evidence
        detail |= {
            "direction": evidence.direction,
            "why": evidence.why,
            "device": evidence.device,
            "sample": sample_words(evidence.sample),
            "decided_by": _place(evidence.span),
            "path": None if evidence.path is None else _path(evidence.path),
        }
    detail["flows"] = [_required_part(part) for part in item.parts]
    return {
        "name": required.name,
        "expect": required.expect,
        "holds": item.holds,
        "verdict": item.verdict,
        "reason": item.reason,
        "detail": detail,
    }


def _required_part(part: RequirementPart) -> Document:
    """One flow of a required flow, without its paths."""
    document: Document = {"flow": part.words, "standing": part.standing}
    if part.answer is not None:
        document |= {"verdict": part.answer.verdict, "reason": part.answer.reason}
    if isinstance(part.answer, FlowAnswer) and part.answer.reply is not None:
        document["reply"] = {"verdict": part.answer.reply.verdict, "reason": part.answer.reply.reason}
    if part.fault is not None:
        document |= {"error": part.fault, "line": part.span.line, "column": part.span.column}
        if part.help:
            document["help"] = part.help
    return document


def parse_document(report: ReadingReport, models: Mapping[str, Any] | None = None) -> Document:
    """Return the account of lines; with models, if they are given."""
    document: Document = {
        "schema": "pathcheck/parse/1",
        "files": [_account(account) for account in report.files],
        "findings": [finding_words(finding) for finding in report.findings],
    }
    if models is not None:
        document["models"] = models
    return document


def findings_document(report: FindingReport) -> Document:
    """Return a report of findings: the open ones, then, where there are any, those that are known and waived."""
    document: Document = {
        "schema": "pathcheck/findings/1",
        "findings": [_reported(item, report) for item in report.open],
        "counts": {severity.value: number for severity, number in report.counts.items()},
    }
    if report.revision is not None:
        document["changed_since"] = report.revision
    if report.baseline is not None:
        document["baseline"] = {"file": report.baseline, "gone": report.gone}
        document["known"] = [_reported(item, report) for item in report.known]
    if report.waived:
        document["waived"] = [_reported(item, report) for item in report.waived]
    document["caution"] = CAUTION
    return document


def _reported(item: ReportedFinding, report: FindingReport) -> Document:
    """One finding with what is known about it."""
    document = {**finding_words(item.finding), "fingerprint": item.fingerprint}
    if report.revision is not None:
        document["changed"] = item.changed
    if item.waiver is not None:
        waiver = item.waiver
        document["waiver"] = {
            "reason": waiver.reason,
            "owner": waiver.owner,
            "until": str(waiver.until),
            "file": waiver.span.file,
            "line": waiver.span.line,
        }
    return document


def finding_words(finding: Finding) -> Document:
    """Return one finding."""
    document: Document = {
        "code": finding.code,
        "name": finding.name,
        "severity": finding.severity,
        "device": finding.device,
        "acl": finding.acl,
        "file": finding.span.file if finding.span else None,
        "line": finding.span.line if finding.span else None,
        "column": finding.span.column if finding.span else None,
        "text": finding.span.words if finding.span else None,
        "message": finding.message,
        "because": [_place(span) for span in finding.because],
        "sample": sample_words(finding.sample),
    }
    if finding.help:
        document["help"] = finding.help
    return document


def region_words(region: Region) -> Document:
    """Return one region."""
    document: Document = {**box_words(region.box), "sample": sample_words(region.sample)}
    if region.size is not None:
        document["size"] = region.size
    return document


def _answer(answer: FlowAnswer) -> Document:
    """Verdict, reason and paths."""
    document: Document = {
        "verdict": answer.verdict,
        "reason": answer.reason,
        "paths": [_path(path) for path in answer.paths],
    }
    if answer.notes:
        document["notes"] = list(answer.notes)
    return document


def _path(path: Path) -> Document:
    """One path with its hops."""
    document: Document = {
        "verdict": path.verdict,
        "reason": path.reason,
        "share": path.share,
        "hops": [_hop(hop) for hop in path.hops],
        "sample": sample_words(path.sample),
    }
    if path.share != "all" and path.regions:
        document["part"] = [region_words(region) for region in path.regions]
    if path.cycle:
        document["cycle"] = list(path.cycle)
    _add(document, path.doubts, path.readings, path.notes)
    return document


def _hop(hop: Hop) -> Document:
    """One device on the way."""
    document: Document = {
        "device": hop.device,
        "in": hop.into,
        "out": hop.out,
        "in_line": line_words(hop.in_line),
        "route": _route(hop.route),
        "out_line": line_words(hop.out_line),
    }
    if hop.port_line is not None:
        document["port_line"] = line_words(hop.port_line)
    if hop.notes:
        document["notes"] = list(hop.notes)
    if hop.faults:
        document["faults"] = [{"why": fault.why, **_place(fault.span)} for fault in hop.faults]
    return document


def line_words(use: LineUse | None) -> Document | None:
    """Return a deciding line, null where no list is applied."""
    return None if use is None else _used(use)


def _used(use: LineUse) -> Document:
    """A deciding line; the implicit end has no file and no line."""
    return {
        "acl": use.acl,
        "file": use.span.file if use.span else None,
        "line": use.span.line if use.span else None,
        "text": use.text,
        "action": use.action,
    }


def _route(route: RouteUse | None) -> Document | None:
    """The route that was followed."""
    if route is None:
        return None
    return {
        "prefix": str(route.prefix),
        "next_hop": None if route.next_hop is None else str(route.next_hop),
        "interface": route.interface,
        "source": route.source,
        "file": route.span.file if route.span else None,
        "line": route.span.line if route.span else None,
    }


def sample_words(packet: Packet | None) -> Document | None:
    """One packet, with the fields that it has."""
    if packet is None:
        return None
    document: Document = {
        "source": str(packet.source),
        "destination": str(packet.destination),
        "protocol": packet.protocol,
    }
    if packet.fragment:
        document["fragment"] = True
    elif has_ports(packet.protocol):
        document["source_port"] = packet.source_port
        document["destination_port"] = packet.destination_port
    if packet.protocol == TCP and not packet.fragment:
        document["flags"] = [name for name, bit in FLAG_NAMES.items() if packet.flags & bit]
    if packet.protocol in (ICMP, ICMPV6) and not packet.fragment:
        document["icmp_type"], document["icmp_code"] = packet.icmp_type, packet.icmp_code
    if packet.dscp:
        document["dscp"] = packet.dscp
    return document


def _add(
    document: Document, doubts: tuple[Doubt, ...], readings: tuple[Reading, ...], notes: tuple[str, ...]
) -> None:  # fmt: skip
    """Add what makes an answer uncertain, what it rested on and what else to know, where there is any."""
    if doubts:
        document["doubts"] = [{"why": doubt.why, **_place(doubt.span)} for doubt in doubts]
    if readings:
        document["assumed"] = [{"key": item.key, "value": item.value, "about": item.about} for item in readings]
    if notes:
        document["notes"] = list(notes)


def _place(span: Span | None) -> Document:
    """File, line and text of a span."""
    if span is None:
        return {"file": None, "line": None, "text": None}
    return {"file": span.file, "line": span.line, "text": span.words}


def _account(account: FileAccount) -> Document:
    """The account of one file."""
    document: Document = {"file": account.file, "device": account.device, "lines": account.lines}
    document |= {kind.value: account.counts.get(kind, 0) for kind in LineClass}
    if account.refused is not None:
        document["refused"] = account.refused
    return document
