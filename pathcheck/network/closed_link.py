"""Links on which all stations are known: cables between routed ports of the fleet, and nothing between them."""

from __future__ import annotations

from pathcheck.model.fleet_config import LinkEnd
from pathcheck.network.reachability import Network

__all__ = ["others_at_cable"]


def others_at_cable(network: Network, end: LinkEnd) -> tuple[LinkEnd, ...] | None:
    """Return the interfaces at the other end of a routed port's cable; None where others could be on the subnet.

    None too where the text of the other end leaves an address open, or a line
    that is not modelled could give it one.
    """
    layer2, topology = network.layer2, network.topology
    segment = layer2.segment(end)
    if segment is None or segment.port is None or not topology.cables_of(end.device, end.interface):
        return None
    others = [one for one in layer2.component(segment) if one != segment]
    if not others or any(one.port is None for one in others):
        return None
    found: list[LinkEnd] = []
    for one in others:
        lines = network.doubtful(one.device)
        for far in layer2.interfaces_on(one):
            interface = topology.device(far.device).interfaces[far.interface]
            open_address = interface.unknown_address is not None or interface.borrowed is not None
            if open_address or lines.on_device() or any(lines.at(far.interface, "in")):
                return None
            found.append(far)
    return tuple(found) or None
