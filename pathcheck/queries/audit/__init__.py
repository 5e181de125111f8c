"""The address plan, the VLANs, the cables and the names of a fleet: what cannot work, and why.

One subject a file. One cause is one finding: what follows from a fault that another
finding tells of is left out.
"""

from pathcheck.queries.audit.fleet_audit import audit_fleet

__all__ = ["audit_fleet"]
