"""Required flows as JUnit XML: one case for each, at most one child a case, the message on the first line.

There is no standard behind this form; what is written here is the part that the
readers of it have in common (common practice, no source). No times and no host
names are written, so that the same input gives the same bytes.
"""

from __future__ import annotations

import re
from xml.etree import ElementTree

from pathcheck.reports.requirement_report import first_line, requirement_text
from pathcheck.results.requirement import RequirementReport, Standing

__all__ = ["render_junit"]

_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 section 2.2 leaves out."""


def render_junit(report: RequirementReport, *, tolerate_uncertain: bool = False) -> str:
    """Return the report; what is uncertain is a failure, or, where it is tolerated, a skipped case.

    An unanswered flow is an error. Nothing but what holds for certain is a passed case.
    """
    children = {
        Standing.BROKEN: "failure",
        Standing.UNCERTAIN: "skipped" if tolerate_uncertain else "failure",
        Standing.UNANSWERED: "error",
    }
    counts = dict.fromkeys(("failure", "skipped", "error"), 0)
    suite = ElementTree.Element("testsuite")
    for item in report.requirements:
        case = ElementTree.SubElement(suite, "testcase", name=_text(item.flow.name), classname=_text(report.file))
        child = children.get(item.standing)
        if child is None:
            continue
        counts[child] += 1
        message = _text(first_line(item))
        element = ElementTree.SubElement(case, child, message=message)
        if child != "skipped":
            element.set("type", item.standing.value)
        element.text = "\n".join([message, *(_text(line) for line in requirement_text(item))])
    totals = {
        "name": "required flows",
        "tests": str(len(report.requirements)),
        "failures": str(counts["failure"]),
        "errors": str(counts["error"]),
        "skipped": str(counts["skipped"]),
    }
    suite.attrib.update(totals)
    root = ElementTree.Element("testsuites", {key: value for key, value in totals.items() if key != "skipped"})
    root.append(suite)
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode")


def _text(text: str) -> str:
    """Text that XML can hold."""
    return _NOT_XML.sub("\ufffd", text)
