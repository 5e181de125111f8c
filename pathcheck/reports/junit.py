"""Required flows and findings as JUnit XML: at most one child a case, the message on the first line.

There is one case for each required flow. Of the other findings there is one case for each
code on each device where it was found, and one, of no device, for each code that was looked for
and not found. There is no standard behind this form; what is written here is the part that the
readers of it have in common (common practice, no source). No times and no host
names are written, so that the same input gives the same bytes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from xml.etree import ElementTree

from pathcheck.reports.requirement_report import first_line, requirement_text
from pathcheck.reports.terminal import Paint, finding_lines
from pathcheck.results.finding_report import FindingReport, ReportedFinding
from pathcheck.results.requirement import Requirement, RequirementReport, Standing

__all__ = ["render_finding_junit", "render_junit"]

_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 section 2.2 leaves out."""
_ABOUT_FLOWS = ("PC381", "PC382", "PC383")
_KINDS = {"tests": "testcase", "failures": "failure", "errors": "error", "skipped": "skipped"}


def render_junit(report: RequirementReport, *, tolerate_uncertain: bool = False) -> str:
    """Return the required flows; what is uncertain is a failure, or, where it is tolerated, a skipped case.

    An unanswered flow is an error. Nothing but what holds for certain is a passed case.
    """
    children = {
        Standing.BROKEN: "failure",
        Standing.UNCERTAIN: "skipped" if tolerate_uncertain else "failure",
        Standing.UNANSWERED: "error",
    }
    suite = ElementTree.Element("testsuite", name="required flows")
    for item in report.requirements:
        _flow_case(suite, report.file, item, children.get(item.standing))
    return _document([suite])


def render_finding_junit(report: FindingReport) -> str:
    """Return the required flows, if they were asked, and all other findings.

    A case fails if one of its findings makes the command fail, as the options say; it is skipped if all are
    too mild for that, not on changed lines, known or waived, and the message says which.
    """
    suites = []
    if report.requirements is not None:
        suites.append(_flow_suite(report, report.requirements))
    findings = ElementTree.Element("testsuite", name="findings")
    cases: dict[tuple[str, str], list[ReportedFinding]] = {}
    for item in report.items:
        if report.requirements is None or item.finding.code not in _ABOUT_FLOWS:
            cases.setdefault((item.finding.code, item.finding.device or "fleet"), []).append(item)
    found = {code for code, _ in cases}
    looked_for = report.looked_for - set(_ABOUT_FLOWS if report.requirements is not None else ())
    for code in report.rules:
        if code not in found and code in looked_for:
            _case(findings, "fleet", _name(code, report))
        for owner, items in sorted((owner, items) for (each, owner), items in cases.items() if each == code):
            _finding_case(findings, owner, code, items, report)
    return _document([*suites, findings])


def _flow_suite(report: FindingReport, requirements: RequirementReport) -> ElementTree.Element:
    """One case for each required flow, judged as the report judges its finding."""
    suite = ElementTree.Element("testsuite", name="required flows")
    by_place = {item.finding.span: item for item in report.items if item.finding.code in _ABOUT_FLOWS}
    for item in requirements.requirements:
        if item.holds:
            _flow_case(suite, requirements.file, item, None)
            continue
        reported = by_place.get(item.gravest.span if item.standing is Standing.UNANSWERED else item.flow.span)
        fails = reported is None or report.fails(reported)
        child = ("error" if item.standing is Standing.UNANSWERED else "failure") if fails else "skipped"
        why = "" if reported is None or fails else f"{_why_not(reported, report)}: "
        _flow_case(suite, requirements.file, item, child, why)
    return suite


def _flow_case(
    suite: ElementTree.Element, file: str, item: Requirement, child: str | None, lead: str = ""
) -> None:  # fmt: skip
    """One required flow."""
    case = _case(suite, file, item.flow.name)
    if child is not None:
        _child(case, child, item.standing.value, [lead + first_line(item), *requirement_text(item)])


def _finding_case(
    suite: ElementTree.Element, owner: str, code: str, items: Sequence[ReportedFinding], report: FindingReport
) -> None:
    """One code on one device."""
    case = _case(suite, owner, _name(code, report))
    failing = [item for item in items if report.fails(item)]
    shown = failing or items
    more = f" (and {len(shown) - 1} more)" if len(shown) > 1 else ""
    why = "" if failing else f"{_why_not(items[0], report)}: "
    span = shown[0].finding.span
    place = f"{span}: " if span else ""
    text = [f"{why}{place}{shown[0].finding.message}{more}"]
    for item in (*failing, *(item for item in items if item not in failing)):
        aside = "" if item in failing or not failing else f"  [{_why_not(item, report)}]"
        head, *rest = finding_lines(item.finding, Paint())
        text += [head + aside, *rest]
    _child(case, "failure" if failing else "skipped", items[0].finding.severity.value, text)


def _why_not(item: ReportedFinding, report: FindingReport) -> str:
    """Why a finding fails nothing."""
    if item.waiver is not None:
        return f"waived until {item.waiver.until} by {item.waiver.owner}, {item.waiver.reason}"
    if item.known:
        return "known from the baseline"
    if report.only_changed and not item.changed:
        return f"not on a line changed since {report.revision}"
    return f"a {item.finding.severity}, which is milder than what fails"


def _name(code: str, report: FindingReport) -> str:
    """A code with its name."""
    name = report.rules[code].name
    return code if code == name else f"{code} {name}"


def _case(suite: ElementTree.Element, owner: str, name: str) -> ElementTree.Element:
    """Add a case."""
    return ElementTree.SubElement(suite, "testcase", name=_text(name), classname=_text(owner))


def _child(case: ElementTree.Element, kind: str, what: str, lines: Sequence[str]) -> None:
    """Give a case its child; the message is the first line of its text as well."""
    message = _text(" ".join(lines[0].split()))
    element = ElementTree.SubElement(case, kind, message=message)
    if kind != "skipped":
        element.set("type", what)
    element.text = "\n".join([message, *(_text(line) for line in lines[1:])])


def _document(suites: Sequence[ElementTree.Element]) -> str:
    """Count the cases of the suites, and put them under one root."""
    root = ElementTree.Element("testsuites", name="pathcheck")
    for suite in suites:
        for key, kind in _KINDS.items():
            suite.set(key, str(sum(1 for _ in suite.iter(kind))))
        root.append(suite)
    for key in ("tests", "failures", "errors"):
        root.set(key, str(sum(int(suite.get(key, "0")) for suite in suites)))
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode")


def _text(text: str) -> str:
    """Text that XML can hold."""
    return _NOT_XML.sub("\ufffd", text)
