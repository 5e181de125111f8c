"""All findings of a fleet in one list: of reading, lists, routes, the audit and required flows."""

from __future__ import annotations

from collections.abc import Callable

from pathcheck.fleet import LoadedFleet
from pathcheck.queries.audit import audit_fleet
from pathcheck.queries.line_review import review_fleet, without_covered
from pathcheck.queries.required_flows import required_flow_findings
from pathcheck.queries.route_review import review_routes
from pathcheck.results.finding import Finding

__all__ = ["check_fleet"]


def check_fleet(loaded: LoadedFleet, *, advance: Callable[[int], None] = lambda _: None) -> tuple[Finding, ...]:
    """Return each finding once, in the order of file, line and code.

    Parameters
    ----------
    advance
        Hears how many steps of the review are done, three for each line of a list.
    """
    found = {
        *loaded.report.findings,
        *review_fleet(loaded, advance=advance),
        *audit_fleet(loaded),
        *review_routes(loaded.config),
        *required_flow_findings(loaded),
    }
    return tuple(sorted(without_covered(found), key=_place))


def _place(item: Finding) -> tuple[str, int, str, str]:
    """File, line, code, message; findings without a place stand first."""
    return (item.span.file, item.span.line, item.code, item.message) if item.span else ("", 0, item.code, item.message)
