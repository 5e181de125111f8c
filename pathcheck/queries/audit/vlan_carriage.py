"""The way of each VLAN over the cables: where it ends, and which end is wrong.

Two questions, each VLAN by VLAN over the cables that `links` gives. Do the routed interfaces of one
subnet reach each other? And do the access ports of a VLAN reach a routed interface of it, where
the switches that they are cabled to have one? One fault on a cable is one finding, whatever it cuts off.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field

from pathcheck.dataplane.interface_state import svi_vlan
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.interface import Interface
from pathcheck.model.vlan import ALWAYS_PRESENT
from pathcheck.network.layer2 import CarriageFault, Segment
from pathcheck.network.topology import Attachment
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.audit.fleet_view import FleetView, in_order, is_host_address, listed
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["Cut", "cut_vlans", "vlans_not_carried"]


@dataclass(slots=True)
class Cut:
    """A fault on the cables, with all that it keeps apart.

    `segments` are the VLANs and ports of devices that are kept apart, `apart` the same in words.
    """

    fault: CarriageFault
    segments: set[Segment] = field(default_factory=set)
    apart: dict[str, None] = field(default_factory=dict)
    spans: list[Span] = field(default_factory=list)


def cut_vlans(view: FleetView) -> list[Cut]:
    """Return each fault on the cables that keeps interfaces of one subnet, or ports of one VLAN, apart."""
    cuts: dict[tuple[str, Span | None], Cut] = {}
    for found in (_subnets_apart(view), _ports_apart(view)):
        for fault, segments, what, spans in found:
            cut = cuts.setdefault((fault.why, fault.span), Cut(fault))
            cut.segments.update(segments)
            cut.apart.setdefault(what)
            cut.spans += spans
    return list(cuts.values())


def vlans_not_carried(
    cuts: Collection[Cut],
    *,
    undefined: Collection[tuple[str, int]],
    mismatched: Collection[LinkEnd],
) -> Iterator[Finding]:
    """Return PC321 for each cut whose cause is not told by another finding.

    Parameters
    ----------
    undefined
        Devices and VLANs that PC311 tells of.
    mismatched
        Ends of cables that PC322, PC323 or PC325 tell of.
    """
    for cut in cuts:
        fault = cut.fault
        if fault.kind == "undefined-vlan" and (fault.device, fault.vlan) in undefined:
            continue
        if fault.kind in ("mismatch", "access-vlan", "routed") and any(end in mismatched for end in fault.ends):
            continue
        yield finding(
            "PC321",
            f"{fault.why}, so frames do not get from {listed(cut.apart)}",
            span=fault.span,
            device=fault.device,
            because=tuple(span for span in in_order(cut.spans) if span != fault.span)[:4],
            help=_CURES.get(fault.kind, "correct the VLANs of the two ends, or the links in `fleet.yaml`"),
        )


_CURES = {
    "not-allowed": "add the VLAN to the allowed list of that port",
    "undefined-vlan": "define the VLAN on that device",
    "shut-vlan": "turn the VLAN on again on that device",
    "down": "turn the port on, or lead the VLAN another way",
    "no-cable": "correct the addresses if these are two subnets; else a cable is missing, or its entry in `links`",
}

_Found = Iterator[tuple[CarriageFault, tuple[Segment, ...], str, list[Span]]]


# --- routed interfaces of one subnet ---------------------------------------------------------------------------------


def _subnets_apart(view: FleetView) -> _Found:
    """Return the faults that keep routed interfaces of one table and subnet apart."""
    ends_on: dict[tuple[str | None, Prefix], dict[LinkEnd, Attachment]] = defaultdict(dict)
    for item in view.attachments:
        interface = view.interface(item)
        wired = interface.kind in ("svi", "physical", "subinterface", "port-channel", "management")
        if (
            wired
            and item.address.role != "link-local"
            and not is_host_address(item)
            and _is_cabled(view, item, interface)
        ):
            ends_on[interface.vrf, item.prefix].setdefault(item.end, item)
    for (_, prefix), ends in ends_on.items():
        if len(ends) > 1:
            yield from _islands_apart(view, prefix, list(ends.values()))


def _is_cabled(view: FleetView, item: Attachment, interface: Interface) -> bool:
    """Whether the cables of an interface are given. That it is down for want of a port does not matter here."""
    if not view.topology.is_cabled(item.device):
        return False
    return interface.kind != "management" or bool(view.topology.cables_of(item.device, item.interface))


def _islands_apart(view: FleetView, prefix: Prefix, ends: list[Attachment]) -> _Found:
    """Return the fault between the largest part of a subnet and each other part."""
    islands: dict[frozenset[Segment], list[Attachment]] = defaultdict(list)
    for item in ends:
        segment = view.layer2.segment(item.end)
        if segment is not None:
            islands[view.layer2.island(segment)].append(item)
    if len(islands) < 2:
        return
    parts = sorted(islands.values(), key=lambda part: (-len(part), not _routes(view, part)))
    main = sorted(parts[0], key=lambda item: not view.routing(item.device, prefix.version).on)
    taken = {item.address.address for item in main if item.address.role != "virtual"}
    for part in parts[1:]:
        # Who has an address of the others does not belong here, which is a finding of its own.
        rest = [one for one in part if one.address.address not in taken]
        if not rest:
            continue
        item = rest[0]
        carriage = view.layer2.between(main[0].end, item.end)
        if not carriage.carried and carriage.fault is not None:
            segments = (view.layer2.segment(item.end), view.layer2.segment(main[0].end))
            yield (
                carriage.fault,
                tuple(segment for segment in segments if segment is not None),
                f"{item.end} to {main[0].end} ({prefix})",
                [item.address.span, main[0].address.span],
            )


def _routes(view: FleetView, part: list[Attachment]) -> bool:
    """Whether one of some interfaces belongs to a device that routes."""
    return any(view.routing(item.device, item.prefix.version).on for item in part)


# --- ports of a VLAN -------------------------------------------------------------------------------------------------


def _ports_apart(view: FleetView) -> _Found:
    """Return the faults that keep access ports of a VLAN apart from its routed interface, or from their neighbours."""
    regions = _Regions(view)
    gateways: dict[tuple[str, int], list[Segment]] = defaultdict(list)
    routed: set[Segment] = set()
    for region, vlan, segment in regions.routed_interfaces():
        routed.add(segment)
        gateways[region, vlan].append(segment)
    stations = {
        device.name: _station_ports(view, device) for device in view.devices if view.topology.is_cabled(device.name)
    }
    for name, ports in stations.items():
        near = regions.neighbours.get(name, {})
        for vlan, (port, span) in ports.items():
            start = Segment(name, vlan=vlan)
            if start in routed or not near:
                continue
            island = view.layer2.island(start)
            if not island.isdisjoint(routed):
                continue
            goals = [segment for segment in gateways.get((regions.of(name), vlan), ()) if segment not in island]
            goals.sort(key=lambda segment: segment.device not in near)
            if not goals:
                others = (Segment(other, vlan=vlan) for other in near if vlan in stations.get(other, {}))
                goals = [segment for segment in others if segment not in island]
            for goal in goals[:1]:
                carriage = view.layer2.carriage(goal, start)
                if not carriage.carried and carriage.fault is not None:
                    what = f"the ports of {name} in VLAN {vlan} ({port}) to {goal}"
                    yield carriage.fault, (start, goal), what, [span]


class _Regions:
    """Devices that cables between switch ports join, whatever VLANs these carry."""

    def __init__(self, view: FleetView) -> None:
        self._view = view
        self._leads: dict[str, str] = {}
        self.neighbours: dict[str, dict[str, None]] = defaultdict(dict)
        self._routers: list[tuple[str, Device, str]] = []
        for link in view.config.links:
            ends = [view.topology.logical(end) for end in (link.a, link.b)]
            ports = [view.topology.interface(end) for end in ends]
            switching = [port is not None and port.switch_port is not None for port in ports]
            a, b = ends[0].device, ends[1].device
            if all(switching) and a != b:
                self._leads[self.of(a)] = self.of(b)
                self.neighbours[a].setdefault(b)
                self.neighbours[b].setdefault(a)
            elif any(switching) and None not in ports:
                switch, router = (ends[0], ends[1]) if switching[0] else (ends[1], ends[0])
                self._routers.append((switch.device, view.config.devices[router.device], router.interface))

    def of(self, device: str) -> str:
        """Return the name of a device's region: that of one of its devices."""
        while (lead := self._leads.get(device, device)) != device:
            self._leads[device] = self._leads.get(lead, lead)
            device = lead
        return device

    def routed_interfaces(self) -> Iterator[tuple[str, int, Segment]]:
        """Return the routed interfaces of VLANs with an address: region, VLAN, segment."""
        for device in self._view.devices:
            for interface in device.interfaces.values():
                vlan = svi_vlan(interface) if interface.kind == "svi" else None
                if vlan is not None and interface.addresses and not interface.shutdown:
                    yield self.of(device.name), vlan, Segment(device.name, vlan=vlan)
        for switch, router, port in self._routers:
            for interface in router.interfaces.values():
                own = interface.name == port or interface.parent == port
                if own and interface.addresses and not interface.shutdown:
                    yield self.of(switch), interface.vlan or 0, Segment(router.name, port=interface.name)


def _station_ports(view: FleetView, device: Device) -> dict[int, tuple[str, Span]]:
    """Return the VLANs in which stations can be connected to a device, each with a port and the line of its VLAN."""
    found: dict[int, tuple[str, Span]] = {}
    for interface in device.interfaces.values():
        port = interface.switch_port
        if port is None or port.mode != "access" or port.access_vlan is None or interface.shutdown:
            continue
        if interface.channel_group is not None or view.topology.cables_of(device.name, interface.name):
            continue
        exists = port.access_vlan in device.vlans or port.access_vlan in ALWAYS_PRESENT or not device.has_vlan_section
        if exists:
            found.setdefault(port.access_vlan, (interface.name, dict(port.spans).get("access", interface.span)))
    return found
