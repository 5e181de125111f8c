"""Where packets get to that leave an interface: the devices that own the next hop, or nobody of the fleet."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from pathcheck.dataplane.routing import routing_state
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.interface import Interface
from pathcheck.network.layer2 import Carriage, LayerTwo
from pathcheck.network.topology import Attachment, Topology
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.results.path import Doubt

__all__ = ["Neighbour", "Neighbours", "Onward", "is_point_to_point"]

_LINK_LOCAL = Prefix.parse("fe80::/10")
"""RFC 4291 section 2.5.6."""


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A device that takes the packets, the interface where they arrive, and the way there."""

    end: LinkEnd
    carriage: Carriage
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class Onward:
    """What becomes of packets that leave an interface.

    Exactly one of these holds: there are `neighbours`, and each of them may
    take the packets; or `stranded` says why nobody can; or `unknown` says why
    it is not known; or no device of the fleet owns the next hop.

    Parameters
    ----------
    notes
        Whole sentences for the reader, without a final stop.
    """

    neighbours: tuple[Neighbour, ...] = ()
    stranded: Doubt | None = None
    unknown: tuple[Doubt, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def outside(self) -> bool:
        """Whether the packets leave the fleet."""
        return not (self.neighbours or self.stranded or self.unknown)


class Neighbours:
    """Finds neighbours; answers are kept.

    Parameters
    ----------
    topology, layer2
        Of one fleet.
    """

    def __init__(self, topology: Topology, layer2: LayerTwo) -> None:
        self._topology = topology
        self._layer2 = layer2
        self._kept: dict[tuple[LinkEnd, Address | IPVersion], Onward] = {}

    def owning(self, out: LinkEnd, address: Address) -> Onward:
        """Return who takes packets that leave `out` for an address on its subnet: a next hop, or the destination."""
        key = (out, address)
        if key not in self._kept:
            self._kept[key] = self._owning(out, address)
        return self._kept[key]

    def behind(self, out: LinkEnd, version: IPVersion) -> Onward:
        """Return who takes packets that leave `out` by a route that names no next hop.

        On a point-to-point link that is the other end (RFC 3021, RFC 6164). On
        a shared subnet it is each device there that routes, because each may
        answer for foreign addresses (common practice, no source).
        """
        key = (out, version)
        if key not in self._kept:
            self._kept[key] = self._behind(out, version)
        return self._kept[key]

    def by_route(self, out: LinkEnd, next_hop: Address | None, version: IPVersion) -> Onward:
        """Return who takes packets that a static route sends out of `out`; None is a route without a next hop.

        Where that is no known device, it may be one whose file is refused.
        """
        onward = self.behind(out, version) if next_hop is None else self.owning(out, next_hop)
        if not onward.outside:
            return onward
        who = "the other end of the link" if next_hop is None else f"the next hop `{next_hop}`"
        doubts = tuple(
            Doubt(f"{who} may be a device of `{refused.file}`, which is refused", None)
            for refused in self._topology.config.refused
            if refused.may_own(next_hop)
        )
        return Onward(unknown=doubts, notes=onward.notes) if doubts else onward

    def _owning(self, out: LinkEnd, address: Address) -> Onward:
        owners = [owner for owner in self._topology.owners(address) if not self._is_same_table(owner.end, out)]
        if address in _LINK_LOCAL:
            return self._owning_link_local(out, address, owners)
        subnets = self._subnets(out, address.version)
        on_subnet = [owner for owner in owners if any(owner.prefix.overlaps(subnet) for subnet in subnets)]
        if owners and not on_subnet:
            return self._by_cable(out, owners)
        return self._choose(out, on_subnet, f"`{address}`")

    def _owning_link_local(self, out: LinkEnd, address: Address, owners: list[Attachment]) -> Onward:
        """A link-local address is known by the link: the same subnet, or a cable."""
        version: IPVersion = 6
        on_link = [owner for owner in owners if self._share_a_subnet(owner.end, out, version)]
        if on_link:
            return self._choose(out, on_link, f"`{address}`")
        others = self._others_on_subnets(out, version)
        cabled = self._at_cables(out)
        by_cable = [owner for owner in owners if owner.end in cabled]
        if by_cable:
            return self._choose(out, by_cable, f"`{address}`")
        strangers = [*dict.fromkeys([*(other.end for other in others), *cabled])]
        if not strangers:
            return Onward()
        # An interface gives itself a link-local address that the text does not show.
        interface = self._topology.interface(strangers[0])
        why = f"the link-local address `{address}` may be that of {strangers[0]}, which the text does not give one"
        return Onward(unknown=(Doubt(why, interface.span if interface else None),))

    def _by_cable(self, out: LinkEnd, owners: list[Attachment]) -> Onward:
        """An address on no subnet of the interface: only the cables tell whether its owner is at the other end."""
        cabled = self._at_cables(out)
        at_end = [owner for owner in owners if owner.end in cabled]
        if at_end:
            return self._choose(out, at_end, f"`{owners[0].address.address}`")
        why = f"`{owners[0].address.address}` belongs to {owners[0].end}, which is on no subnet of {out}"
        return Onward(unknown=(Doubt(why, owners[0].address.span),))

    def _behind(self, out: LinkEnd, version: IPVersion) -> Onward:
        interface = self._topology.interface(out)
        subnets = self._subnets(out, version)
        if not subnets:
            cabled = sorted(self._at_cables(out), key=str)
            if cabled:
                return self._choose_ends(out, cabled, f"the other end of {out}")
            why = f"which device is at the other end of {out} is not in the text"
            return Onward(unknown=(Doubt(why, interface.span if interface else None),))
        others = self._others_on_subnets(out, version)
        if interface is not None and is_point_to_point(interface, subnets):
            return self._choose(out, others, f"the other end of {out}")
        routers = [
            other
            for other in others
            if other.address.role != "virtual" and routing_state(self._topology.device(other.device), version).on
        ]
        if not any(self._topology.may_be_up(router) for router in routers):
            routers = []
        onward = self._choose(out, routers, f"a device behind {out}")
        note = f"the route names {out} without a next hop: each device there that routes may answer (proxy ARP)"
        return replace(onward, notes=(*onward.notes, note))

    # ---- choosing ---------------------------------------------------------------------------

    def _choose(self, out: LinkEnd, owners: Iterable[Attachment], what: str) -> Onward:
        return self._choose_ends(out, list(dict.fromkeys(owner.end for owner in owners)), what)

    def _choose_ends(self, out: LinkEnd, ends: list[LinkEnd], what: str) -> Onward:
        """Return those ends that are up and to which frames get."""
        reached: list[Neighbour] = []
        faults: list[Doubt] = []
        for end in ends:
            state = self._topology.state(end.device, end.interface)
            if state.member_of is not None:
                continue
            if not state.up and not state.doubts:
                faults.append(Doubt(f"{what} is on {end}, which is down: {state.why}", state.span))
                continue
            carriage = self._layer2.between(out, end)
            if carriage.carried:
                reached.append(Neighbour(end, carriage, state.doubts))
            elif carriage.fault is not None:
                faults.append(carriage.fault)
        if reached:
            return Onward(neighbours=tuple(reached))
        # A wrong cable or VLAN says more than an interface that is down beside it.
        faults.sort(key=lambda fault: "which is down" in fault.why)
        return Onward(stranded=faults[0]) if faults else Onward()

    def _is_same_table(self, owner: LinkEnd, out: LinkEnd) -> bool:
        """Whether an interface belongs to the sender and the same VRF: then the address is its own."""
        if owner.device != out.device:
            return False
        interfaces = self._topology.device(out.device).interfaces
        return interfaces[owner.interface].vrf == interfaces[out.interface].vrf

    def _subnets(self, end: LinkEnd, version: IPVersion) -> list[Prefix]:
        """Return the subnets of an interface, its link-local one left out."""
        interface = self._topology.interface(end)
        return [
            address.prefix
            for address in (interface.addresses if interface else ())
            if address.address.version == version and address.role != "link-local"
        ]

    def _share_a_subnet(self, a: LinkEnd, b: LinkEnd, version: IPVersion) -> bool:
        theirs = self._subnets(b, version)
        return any(mine.overlaps(other) for mine in self._subnets(a, version) for other in theirs)

    def _others_on_subnets(self, out: LinkEnd, version: IPVersion) -> list[Attachment]:
        """Return the attachments of other tables to the subnets of an interface."""
        return [
            other
            for subnet in dict.fromkeys(self._subnets(out, version))
            for other in self._topology.overlapping(subnet)
            if not self._is_same_table(other.end, out)
        ]

    def _at_cables(self, out: LinkEnd) -> set[LinkEnd]:
        """Return the routed interfaces to which frames of an interface get over the cables that are given."""
        start = self._layer2.segment(out)
        if start is None or not self._topology.is_cabled(out.device):
            return set()
        found: set[LinkEnd] = set()
        for segment in self._layer2.component(start):
            if segment.device != out.device:
                found.update(self._layer2.interfaces_on(segment))
        return found


def is_point_to_point(interface: Interface, subnets: list[Prefix]) -> bool:
    """Whether a link has two ends only: RFC 3021, RFC 6164; a /30, serial lines and tunnels by common practice."""
    shortest = {4: 30, 6: 127}
    kinds = interface.name.lower().startswith(("serial", "pos", "multilink", "dialer"))
    return interface.kind == "tunnel" or kinds or all(net.length >= shortest[net.version] for net in subnets)
