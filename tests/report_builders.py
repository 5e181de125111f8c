"""Reports of findings made by hand, for tests of formats."""

from __future__ import annotations

from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Severity
from pathcheck.results.finding_report import FindingReport, ReportedFinding
from pathcheck.source import Span

OF_SEVERITY = {Severity.ERROR: "PC101", Severity.WARNING: "PC102", Severity.NOTE: "PC103"}


def reported(
    number: int,
    severity: Severity = Severity.ERROR,
    *,
    message: str = "it never acts",
    changed: bool = True,
    **more: object,
) -> ReportedFinding:
    span = Span("quay-a.cfg", number, f" permit ip host 10.1.20.{number % 250} any", 2)
    item = finding(OF_SEVERITY[severity], message, span=span, device="quay-a", acl="TILLS")
    return ReportedFinding(item, f"{number:032x}", changed=changed, **more)  # type: ignore[arg-type]


def report_of(*items: ReportedFinding, **more: object) -> FindingReport:
    return FindingReport("check", tuple(items), **more)  # type: ignore[arg-type]
