"""A fleet as network namespaces of this machine: what its kernel does with real packets.

The third opinion. Its translator shares no code with the sets of packets nor
with the forwarding tables of the engine: the kernel chooses routes, decides
lists and drops what it drops. What no kernel decides (which interfaces are up,
who is at the other end of a wire) is taken from the evaluator.
"""

from pathcheck.rehearsal.laboratory import Laboratory, Sending
from pathcheck.rehearsal.namespace import lacking
from pathcheck.rehearsal.trace import Decision, Step, Trace

__all__ = ["Decision", "Laboratory", "Sending", "Step", "Trace", "lacking"]
