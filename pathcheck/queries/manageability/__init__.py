"""Whether the controller can open its session to a device: the verdict of the walk, and the chain that explains it."""

from pathcheck.queries.manageability.judging import judge_management, session_holds
from pathcheck.queries.manageability.report import judge_fleet, management_findings
from pathcheck.queries.manageability.session import controller_prefixes, session_flow, session_flows

__all__ = [
    "controller_prefixes",
    "judge_fleet",
    "judge_management",
    "management_findings",
    "session_flow",
    "session_flows",
    "session_holds",
]
