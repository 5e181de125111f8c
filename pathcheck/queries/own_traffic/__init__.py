"""What devices have to reach for themselves: servers that lines name, relayed requests, routing neighbours."""

from pathcheck.queries.own_traffic.findings import server_findings
from pathcheck.queries.own_traffic.interfaces import interface_needs
from pathcheck.queries.own_traffic.servers import judge_servers

__all__ = ["interface_needs", "judge_servers", "server_findings"]
