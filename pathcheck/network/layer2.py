"""Whether frames get from one interface to another: VLANs, trunks and cables, hop by hop.

A segment is one broadcast domain as one device sees it: a VLAN of a switch, or
a routed port or sub-interface. A cable joins a segment of one end to a segment
of the other if a frame gets across in both directions: how it leaves (untagged,
or with a tag) must be how the other end takes it in.

Only cabling that `links` gives is checked. Where a device has none, the subnet
is assumed to be carried.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from pathcheck.dataplane.interface_state import interface_state, svi_vlan
from pathcheck.model.access_list import Direction, ListBinding
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.interface import Interface, SwitchPort
from pathcheck.model.unmodelled import DeviceScope, LayerTwoScope
from pathcheck.model.vlan import ALWAYS_PRESENT
from pathcheck.network.topology import Cable, Topology
from pathcheck.results.path import Doubt
from pathcheck.source import Span

__all__ = ["Carriage", "CarriageFault", "FaultKind", "LayerTwo", "PortPassage", "Segment"]

FaultKind = Literal[
    "down", "undefined-vlan", "shut-vlan", "not-allowed", "access-vlan", "mismatch", "routed", "no-cable"
]
"""What is wrong where frames do not get across."""

UNTAGGED = 0
DEFAULT_VLAN = 1


@dataclass(frozen=True, slots=True, order=True)
class Segment:
    """A VLAN of a device (`vlan` set), or a routed port or sub-interface of it (`port` set)."""

    device: str
    vlan: int | None = None
    port: str | None = None

    def __str__(self) -> str:
        return f"VLAN {self.vlan} on {self.device}" if self.port is None else f"{self.device}:{self.port}"


@dataclass(frozen=True, slots=True, order=True)
class PortPassage:
    """A switch port that frames pass, and in which direction: where a list on the port acts."""

    device: str
    port: str
    direction: Direction


@dataclass(frozen=True, slots=True)
class CarriageFault(Doubt):
    """Why frames do not get across, and where.

    Parameters
    ----------
    kind
        What is wrong.
    device
        The device whose configuration is blamed.
    ends
        The port that is blamed; both ends of the cable where they do not fit each other.
    vlan
        The VLAN on that device, where there is one.
    """

    kind: FaultKind
    device: str
    ends: tuple[LinkEnd, ...] = ()
    vlan: int | None = None


@dataclass(frozen=True, slots=True)
class Carriage:
    """Whether frames get from one interface to another.

    Parameters
    ----------
    carried
        True where they do. False with a `fault` where they do not. With
        `doubts` it is not known.
    assumed
        The devices or interfaces whose cabling is not given, so that carriage
        was assumed.
    passages
        The switch ports with a list that frames pass, in order.
    fault
        The end that is wrong, with its line.
    doubts
        The lines that leave it open whether frames get across.
    drop_doubts
        Lists on ports that may or may not be on the way.
    """

    carried: bool
    assumed: tuple[str, ...] = ()
    passages: tuple[PortPassage, ...] = ()
    fault: CarriageFault | None = None
    doubts: tuple[Doubt, ...] = ()
    drop_doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class _Crossing:
    """A step over a cable from one segment to another; it is certain where there are no doubts."""

    near: LinkEnd
    far: LinkEnd
    segment: Segment
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class _Refusal:
    """Frames of the segment do not get over the cable."""

    fault: CarriageFault


@dataclass(frozen=True, slots=True)
class _Port:
    """One end of a cable as it may act: routed, access or trunk."""

    device: Device
    name: str
    interface: Interface | None
    acts_as: str

    @property
    def switch_port(self) -> SwitchPort:
        found = self.interface.switch_port if self.interface else None
        return found if found is not None else SwitchPort()

    def span(self, *subjects: str) -> Span | None:
        """Return where the first of some settings stands, else where the interface stands."""
        spans = dict(self.switch_port.spans)
        for subject in subjects:
            if subject in spans:
                return spans[subject]
        return self.interface.span if self.interface else None

    @property
    def end(self) -> LinkEnd:
        """The port as the end of a cable."""
        return LinkEnd(self.device.name, self.name)

    def fault(self, kind: FaultKind, why: str, *subjects: str, vlan: int | None = None) -> CarriageFault:
        """Blame the port, by the line of the first of some settings."""
        return CarriageFault(why, self.span(*subjects), kind, self.device.name, (self.end,), vlan)

    def __str__(self) -> str:
        return f"{self.device.name}:{self.name}"


class LayerTwo:
    """The layer-2 view of a fleet; answers are kept.

    Parameters
    ----------
    topology
        Owners, states and cables.
    """

    def __init__(self, topology: Topology) -> None:
        self._topology = topology
        self._carriages: dict[tuple[LinkEnd, LinkEnd], Carriage] = {}
        self._islands: dict[Segment, frozenset[Segment]] = {}
        self._doubts_of_islands: dict[frozenset[Segment], tuple[Doubt, ...]] = {}
        self._kept_steps: dict[Segment, tuple[_Crossing | _Refusal, ...]] = {}
        self._components: dict[Segment, tuple[Segment, ...]] = {}
        self._downs: dict[LinkEnd, CarriageFault | None] = {}
        self._choices: dict[tuple[LinkEnd, LinkEnd], tuple[tuple[_Port, _Port], ...]] = {}

    def between(self, a: LinkEnd, b: LinkEnd) -> Carriage:
        """Return whether frames that leave interface `a` reach interface `b`; both have addresses."""
        key = (a, b)
        if key not in self._carriages:
            self._carriages[key] = self._between(a, b)
        return self._carriages[key]

    def _between(self, a: LinkEnd, b: LinkEnd) -> Carriage:
        if a == b:
            return Carriage(True)
        assumed = self._without_cabling(a, b)
        if assumed:
            return Carriage(True, assumed=assumed)
        start, goal = self.segment(a), self.segment(b)
        if start is None or goal is None:
            open_end = a if start is None else b
            interface = self._topology.interface(open_end)
            why = f"the text does not tell which VLAN {open_end} is in"
            return Carriage(True, doubts=(Doubt(why, interface.span if interface else None),))
        return self.carriage(start, goal)

    def carriage(self, start: Segment, goal: Segment) -> Carriage:
        """Return whether frames of one segment reach another over the cables that are given."""
        for certain in (True, False):
            way = self._way(start, goal, certain) if goal in self.island(start) else None
            if way is not None:
                doubts = tuple(dict.fromkeys(doubt for step in way for doubt in step.doubts))
                passages, drop_doubts = self._port_lists_on(way, start)
                return Carriage(True, passages=passages, doubts=doubts, drop_doubts=drop_doubts)
        # Frames would have to leave what they reach, and get into what the other end is reached from.
        leaving, entering = self._island_doubts(start), self._island_doubts(goal)
        if leaving and entering:
            return Carriage(True, doubts=tuple(dict.fromkeys((*leaving, *entering))))
        return Carriage(False, fault=self._fault(start, goal))

    def _without_cabling(self, a: LinkEnd, b: LinkEnd) -> tuple[str, ...]:
        """Return what has no cabling given: a device that no link names, or its management port.

        Management ports stand apart: they are commonly on a network of their
        own, which the list of cables leaves out.
        """
        found = []
        for end in (a, b):
            if not self._topology.is_cabled(end.device):
                found.append(end.device)
                continue
            interface = self._topology.interface(end)
            is_management = interface is not None and interface.kind == "management"
            if is_management and not self._topology.cables_of(end.device, end.interface):
                found.append(str(end))
        return tuple(dict.fromkeys(found))

    def segment(self, end: LinkEnd) -> Segment | None:
        """Return the segment that an interface with an address is on, None where the text does not tell."""
        interface = self._topology.interface(end)
        if interface is None:
            return None
        if interface.kind == "svi":
            vlan = svi_vlan(interface)
            return Segment(end.device, vlan=vlan) if vlan is not None else None
        if interface.kind == "subinterface" and interface.vlan is None and not interface.untagged:
            return None
        return Segment(end.device, port=end.interface)

    def interfaces_on(self, segment: Segment) -> tuple[LinkEnd, ...]:
        """Return the routed interfaces of a segment's device that are on the segment."""
        device = self._topology.device(segment.device)
        ends = (LinkEnd(device.name, name) for name, interface in device.interfaces.items() if _is_routed(interface))
        return tuple(end for end in ends if self.segment(end) == segment)

    def segment_behind(self, end: LinkEnd) -> Segment | None:
        """Return the segment that untagged frames are in which enter a switch port; None on any other port."""
        port = self._topology.interface(self._topology.logical(end))
        if port is None or port.switch_port is None:
            return None
        trunk = port.switch_port.mode == "trunk"
        vlan = port.switch_port.native if trunk else port.switch_port.access_vlan
        return Segment(end.device, vlan=vlan or DEFAULT_VLAN)

    def entered_untagged(self, end: LinkEnd) -> tuple[Segment | CarriageFault, ...]:
        """Return where untagged frames get that enter a port, or what is wrong: one for each way in which it may act.

        So enter frames of a station, and of a switch that has no configuration yet.
        """
        end = self._topology.logical(end)
        device, interface = self._topology.device(end.device), self._topology.interface(end)
        shut = self._shut(end)
        if shut is not None:
            return (shut,)
        ports = (_Port(device, end.interface, interface, mode) for mode in _modes(device, interface))
        return tuple(dict.fromkeys(self._enter(UNTAGGED, port) for port in ports))

    # ---- ways over cables -------------------------------------------------------------------

    def _way(self, start: Segment, goal: Segment, certain: bool) -> list[_Crossing] | None:
        """Return the steps of a shortest way between two segments, None where there is none."""
        came_by: dict[Segment, tuple[Segment, _Crossing] | None] = {start: None}
        border = [start]
        while border and goal not in came_by:
            reached = []
            for segment in border:
                for step in self._steps(segment):
                    if isinstance(step, _Crossing) and step.segment not in came_by and not (certain and step.doubts):
                        came_by[step.segment] = (segment, step)
                        reached.append(step.segment)
            border = [segment for segment in reached if segment.port is None]  # no frame goes on from a routed port
        if goal not in came_by:
            return None
        way: list[_Crossing] = []
        here = came_by[goal]
        while here is not None:
            way.append(here[1])
            here = came_by[here[0]]
        return way[::-1]

    def component(self, start: Segment) -> tuple[Segment, ...]:
        """Return every segment that frames of a segment may reach, itself first; kept for it."""
        if start in self._components:
            return self._components[start]
        found = {start: None}
        border = [start]
        while border:
            reached = []
            for segment in border:
                for step in self._steps(segment):
                    if isinstance(step, _Crossing) and step.segment not in found:
                        found[step.segment] = None
                        reached.append(step.segment)
            border = [segment for segment in reached if segment.port is None]
        self._components[start] = tuple(found)
        return self._components[start]

    def island(self, segment: Segment) -> frozenset[Segment]:
        """Return every segment that frames of a segment may reach, itself too; kept for all of them.

        Frames that get across a cable get back over it, so that all of an island have the same one.
        """
        if segment not in self._islands:
            found = frozenset(self.component(segment))
            self._islands.update(dict.fromkeys(found, found))
        return self._islands[segment]

    def _steps(self, segment: Segment) -> Iterable[_Crossing | _Refusal]:
        """Return what happens to frames of a segment on each cable that they could take."""
        if segment not in self._kept_steps:
            self._kept_steps[segment] = tuple(
                step
                for cable in self._cables_at(segment)
                if cable.far.device in self._topology.config.devices
                for step in self._cross(segment, cable)
            )
        return self._kept_steps[segment]

    def _cables_at(self, segment: Segment) -> Iterator[Cable]:
        topology = self._topology
        if segment.port is not None:
            interface = topology.interface(LinkEnd(segment.device, segment.port))
            parent = interface.parent if interface else None
            yield from topology.cables_of(segment.device, parent or segment.port)
            return
        yield from topology.cables_at(segment.device)

    def _cross(self, segment: Segment, cable: Cable) -> list[_Crossing | _Refusal]:
        """Return the segments that frames reach over a cable: one, or several where a port may act in several ways."""
        topology = self._topology
        shut = [self._shut(end) for end in (cable.near, cable.far)]
        for fault in shut:
            if fault is not None:
                return [_Refusal(fault)]
        near, far = topology.logical(cable.near), topology.logical(cable.far)
        found: dict[Segment, _Crossing] = {}
        refusals: list[_Refusal] = []
        if (near, far) not in self._choices:
            self._choices[near, far] = tuple(self._ways_to_act(near, far))
        for near_port, far_port in self._choices[near, far]:
            outcome = self._over(segment, near_port, far_port)
            if isinstance(outcome, Segment):
                found[outcome] = _Crossing(near, far, outcome, self._crossing_doubts(segment, outcome))
            else:
                refusals.append(_Refusal(outcome))
        if found and (refusals or len(found) > 1):
            why = f"the text does not tell how {near} and {far} settle on access or trunk"
            port = topology.interface(near)
            open_mode = Doubt(why, port.span if port else None)
            return [_Crossing(step.near, step.far, step.segment, (*step.doubts, open_mode)) for step in found.values()]
        if found or not refusals:
            return [*found.values()]
        doubts = self._doubts_despite(segment, near, far)
        if doubts:
            return [_Crossing(near, far, Segment(far.device, vlan=segment.vlan), doubts)]
        return [refusals[0]]

    def _doubts_despite(self, segment: Segment, near: LinkEnd, far: LinkEnd) -> tuple[Doubt, ...]:
        """Return the lines that could let a VLAN over a cable which does not carry it by the text.

        A VLAN that a device does not define may come from a database kept elsewhere, one that a
        trunk does not allow may be mapped to another. Each switch that keeps the VLAN off must have
        such a line; where both let it on and only do not fit each other, one of the two.
        """
        vlan = segment.vlan
        if vlan is None or self._only_routes(near) or self._only_routes(far):
            return ()
        open_ends = {end: tuple(self._doubts_at(Segment(end.device, vlan=vlan))) for end in (near, far)}
        closed = [end for end in (near, far) if not self._lets_on(end, vlan)]
        if not all(open_ends[end] for end in closed):
            return ()
        return tuple(dict.fromkeys(doubt for end in closed or (near, far) for doubt in open_ends[end]))

    def _lets_on(self, end: LinkEnd, vlan: int) -> bool:
        """Whether a port carries a VLAN in some way in which it may act."""
        device, interface = self._topology.device(end.device), self._topology.interface(end)
        ways = (_Port(device, end.interface, interface, mode) for mode in _modes(device, interface) if mode != "routed")
        return any(not isinstance(self._leave(Segment(end.device, vlan=vlan), way), CarriageFault) for way in ways)

    def _shut(self, end: LinkEnd) -> CarriageFault | None:
        """Say why no frame passes a port or its port channel, None where frames pass."""
        if end not in self._downs:
            self._downs[end] = self._why_shut(end)
        return self._downs[end]

    def _why_shut(self, end: LinkEnd) -> CarriageFault | None:
        topology = self._topology
        for port in dict.fromkeys((end, topology.logical(end))):
            interface = topology.interface(port)
            if interface is not None:
                state = interface_state(topology.device(port.device), interface)
                if not state.up:
                    return CarriageFault(f"{port} is down: {state.why}", state.span, "down", port.device, (port,))
        return None

    def _ways_to_act(self, near: LinkEnd, far: LinkEnd) -> Iterator[tuple[_Port, _Port]]:
        """Return each pair of ways in which the two ends of a cable may act."""
        topology = self._topology
        devices = [topology.device(end.device) for end in (near, far)]
        ports = [topology.interface(end) for end in (near, far)]
        modes = [_modes(device, port) for device, port in zip(devices, ports, strict=True)]
        # Common practice, no source: a port that negotiates becomes a trunk only if one of the two asks for it and
        # the other is not fixed as something else; then both become one.
        one_asks = any(_asks_for_trunk(port) for port in ports)
        negotiate = [len(choices) > 1 for choices in modes]
        for this, other in ((0, 1), (1, 0)):
            if negotiate[this] and not ("trunk" in modes[other] and one_asks):
                modes[this] = tuple(mode for mode in modes[this] if mode != "trunk")
        for near_mode in modes[0]:
            for far_mode in modes[1]:
                if all(negotiate) and {near_mode, far_mode} == {"access", "trunk"}:
                    continue
                yield (
                    _Port(devices[0], near.interface, ports[0], near_mode),
                    _Port(devices[1], far.interface, ports[1], far_mode),
                )

    def _over(self, segment: Segment, near: _Port, far: _Port) -> Segment | CarriageFault:
        """Return the segment at the far end that frames of a segment get into and back from, else what is wrong."""
        tag = self._leave(segment, near)
        if isinstance(tag, CarriageFault):
            return tag
        reached = self._enter(tag, far)
        if isinstance(reached, CarriageFault):
            return reached
        back = self._leave(reached, far)
        if isinstance(back, CarriageFault):
            return back
        returned = self._enter(back, near)
        if returned != segment:
            how, taken = _tagging(tag), _tagging(back)
            return CarriageFault(
                f"{near} sends frames of {segment} {how}, {far} sends frames of {reached} {taken}: "
                f"{_mismatch(near, far)}",
                near.span("native", "access", "mode"),
                "mismatch",
                near.device.name,
                (near.end, far.end),
                segment.vlan,
            )
        return reached

    def _leave(self, segment: Segment, port: _Port) -> int | CarriageFault:
        """Return the tag with which frames of a segment leave a port (0 for none), else what is wrong."""
        if port.acts_as == "routed":
            if segment.port == port.name:
                return UNTAGGED
            interface = port.device.interfaces.get(segment.port) if segment.port else None
            if interface is not None and interface.parent == port.name and (interface.untagged or interface.vlan):
                return UNTAGGED if interface.untagged else interface.vlan or UNTAGGED
            return port.fault("routed", f"{port} is a routed port, which carries no VLAN")
        vlan = segment.vlan
        if vlan is None:
            return port.fault("routed", f"{port} is a switch port", "mode")
        return self._absent_vlan(port, vlan) or self._tag_of(port, vlan)

    def _tag_of(self, port: _Port, vlan: int) -> int | CarriageFault:
        """Return the tag of a VLAN's frames on a switch port, else why the port does not carry the VLAN."""
        settings = port.switch_port
        if port.acts_as == "access":
            own = settings.access_vlan or DEFAULT_VLAN
            if vlan == own:
                return UNTAGGED
            if vlan == settings.voice_vlan:
                return vlan
            why = f"{port} is an access port in VLAN {own}, not in VLAN {vlan}"
            return port.fault("access-vlan", why, "access", "mode", vlan=vlan)
        if settings.allowed is not None and vlan not in settings.allowed:
            return port.fault("not-allowed", f"the trunk {port} does not allow VLAN {vlan}", "allowed", vlan=vlan)
        return UNTAGGED if vlan == (settings.native or DEFAULT_VLAN) else vlan

    def _enter(self, tag: int, port: _Port) -> Segment | CarriageFault:
        """Return the segment that a frame gets into at a port, else what is wrong."""
        if port.acts_as == "routed":
            return self._enter_routed(tag, port)
        settings = port.switch_port
        if port.acts_as == "access":
            if tag not in (UNTAGGED, settings.voice_vlan):
                own = settings.access_vlan or DEFAULT_VLAN
                why = f"{port} is an access port in VLAN {own}, which takes no frames tagged with VLAN {tag}"
                return port.fault("access-vlan", why, "access", "mode", vlan=tag)
            vlan = tag or settings.access_vlan or DEFAULT_VLAN
        else:
            vlan = tag or settings.native or DEFAULT_VLAN
            if settings.allowed is not None and vlan not in settings.allowed:
                return port.fault("not-allowed", f"the trunk {port} does not allow VLAN {vlan}", "allowed", vlan=vlan)
        return self._absent_vlan(port, vlan) or Segment(port.device.name, vlan=vlan)

    def _enter_routed(self, tag: int, port: _Port) -> Segment | CarriageFault:
        """Return the routed port or sub-interface that takes a frame."""
        for interface in self._topology.subinterfaces(port.device.name, port.name):
            if interface.untagged if tag == UNTAGGED else interface.vlan == tag:
                if interface.shutdown:
                    end = LinkEnd(port.device.name, interface.name)
                    place = interface.shutdown_span or interface.span
                    return CarriageFault(f"{end} is shut down", place, "down", end.device, (end,), interface.vlan)
                return Segment(port.device.name, port=interface.name)
        if tag == UNTAGGED:
            return Segment(port.device.name, port=port.name)
        return port.fault("routed", f"no sub-interface of {port} takes frames tagged with VLAN {tag}", vlan=tag)

    @staticmethod
    def _absent_vlan(port: _Port, vlan: int) -> CarriageFault | None:
        """Say why a device does not carry a VLAN at all; without a VLAN section "not defined" says nothing."""
        defined = port.device.vlans.get(vlan)
        if defined is not None:
            if not defined.shutdown:
                return None
            why = f"VLAN {vlan} is shut down on {port.device.name}"
            return CarriageFault(why, defined.span, "shut-vlan", port.device.name, (), vlan)
        if not port.device.has_vlan_section or vlan in ALWAYS_PRESENT:
            return None
        why = f"VLAN {vlan} is not defined on {port.device.name}"
        return port.fault("undefined-vlan", why, "allowed", "access", "mode", vlan=vlan)

    # ---- what leaves it open ----------------------------------------------------------------

    def _crossing_doubts(self, segment: Segment, reached: Segment) -> tuple[Doubt, ...]:
        """Return what leaves open whether frames get from one segment to the next over a cable that fits."""
        found = [*self._doubts_at(segment), *self._doubts_at(reached)]
        if segment.vlan is not None and reached.vlan is not None and segment.vlan != reached.vlan:
            why = f"untagged frames change from {segment} to {reached}, and spanning tree may block the port for it"
            found.append(Doubt(why, None))
        return tuple(dict.fromkeys(found))

    def _doubts_at(self, segment: Segment) -> Iterator[Doubt]:
        """Return the lines of a device that may change how frames of a segment are carried."""
        device = self._topology.device(segment.device)
        for line in device.unmodelled:
            scope = line.scope
            touches_vlan = (
                isinstance(scope, LayerTwoScope) and segment.vlan is not None and scope.vlan in (None, segment.vlan)
            )
            if touches_vlan or isinstance(scope, DeviceScope):
                yield Doubt(f"{line.what} on {device.name}", line.span)
        vlan = device.vlans.get(segment.vlan) if segment.vlan is not None else None
        if vlan is not None and vlan.trunk_groups:
            yield Doubt(f"VLAN {vlan.number} is limited to some trunks of {device.name}", vlan.span)

    def _island_doubts(self, start: Segment) -> tuple[Doubt, ...]:
        """Return the lines by which frames might leave the reach of a segment after all; kept for all of the reach."""
        island = self.island(start)
        if island not in self._doubts_of_islands:
            self._doubts_of_islands[island] = tuple(dict.fromkeys(self._component_doubts(start)))
        return self._doubts_of_islands[island]

    def _component_doubts(self, start: Segment) -> list[Doubt]:
        known = self._topology.config.devices
        found: list[Doubt] = []
        for segment in self.component(start):
            found.extend(self._doubts_at(segment))
            found.extend(
                Doubt(f"the configuration of {cable.far.device} was not read", cable.span)
                for cable in self._cables_at(segment)
                if cable.far.device not in known
            )
        return found

    # ---- lists on switch ports --------------------------------------------------------------

    def _port_lists_on(self, way: list[_Crossing], start: Segment) -> tuple[tuple[PortPassage, ...], tuple[Doubt, ...]]:
        """Return the ports with lists on a way, or doubts where frames may take other ways as well."""
        passages = [
            passage
            for step in way
            for passage in (
                PortPassage(step.near.device, step.near.interface, "out"),
                PortPassage(step.far.device, step.far.interface, "in"),
            )
            if self._has_port_list(passage)
        ]
        listed, cables = self._inner_port_lists(start)
        if not listed or cables == len(self.component(start)) - 1:
            return tuple(passages), ()
        return (), listed

    def _inner_port_lists(self, start: Segment) -> tuple[tuple[Doubt, ...], int]:
        """Return the lists on cabled ports within reach of a segment, and the number of cables there."""
        crossings = [
            (segment, step)
            for segment in self.component(start)
            if segment == start or segment.port is None
            for step in self._steps(segment)
            if isinstance(step, _Crossing)
        ]
        steps = [step for _, step in crossings]
        doubts = [
            Doubt(f"the list on the switch port {end} may be on the way", binding.span)
            for step in steps
            for end in (step.near, step.far)
            for binding in self._port_bindings(end)
        ]
        # A cable whose ends may act in several ways joins several pairs of segments.
        cables = {(frozenset((here, step.segment)), frozenset((step.near, step.far))) for here, step in crossings}
        return tuple(dict.fromkeys(doubts)), len(cables)

    def _has_port_list(self, passage: PortPassage) -> bool:
        end = LinkEnd(passage.device, passage.port)
        return any(binding.direction == passage.direction for binding in self._port_bindings(end))

    def _port_bindings(self, end: LinkEnd) -> list[ListBinding]:
        interface = self._topology.interface(end)
        return [binding for binding in interface.bindings if binding.port] if interface else []

    def inner_list_doubts(self, end: LinkEnd) -> tuple[Doubt, ...]:
        """Return the lists on cabled switch ports that a station's frames may pass before they reach an interface."""
        segment = self.segment(end)
        if segment is None or not self._topology.is_cabled(end.device):
            return ()
        return self._inner_port_lists(segment)[0]

    def station_ports(self, end: LinkEnd) -> tuple[LinkEnd, ...]:
        """Return the switch ports to which a station on an interface's subnet may be connected.

        Those that carry the VLAN untagged or tagged, are up, and have no cable
        to another device of the fleet.
        """
        segment = self.segment(end)
        if segment is None or segment.vlan is None:
            return ()
        segments = self.component(segment) if self._topology.is_cabled(end.device) else (segment,)
        return tuple(port for here in segments for port in self.free_ports(here))

    def free_ports(self, segment: Segment) -> tuple[LinkEnd, ...]:
        """Return the switch ports of a segment's device that carry the segment, are up and have no cable."""
        if segment.vlan is None:
            return ()
        found = []
        device = self._topology.device(segment.device)
        for name, interface in device.interfaces.items():
            port = LinkEnd(segment.device, name)
            if interface.switch_port is None or self._topology.logical(port) != port:
                continue
            if self._shut(port) is not None or self._topology.cables_of(segment.device, name):
                continue
            ways = [_Port(device, name, interface, mode) for mode in _modes(device, interface)]
            if any(not isinstance(self._leave(segment, way), CarriageFault) for way in ways):
                found.append(port)
        return tuple(found)

    # ---- blame ------------------------------------------------------------------------------

    def _fault(self, start: Segment, goal: Segment) -> CarriageFault:
        """Say where on the cables between two segments the first thing is wrong."""
        for segment in (start, goal):
            if segment.port is not None and not list(self._cables_at(segment)):
                return self._without_cable(f"no link names a cable on {segment}", segment)
        way = self._cable_way(start, goal)
        if way is None:
            return self._without_cable(f"no cables lead from {start} to {goal}", start)
        segment = start
        for cable in way:
            outcome = self._cross(segment, cable)
            refused = next((step.fault for step in outcome if isinstance(step, _Refusal)), None)
            if refused is not None:
                return refused
            segment = next(step.segment for step in outcome if isinstance(step, _Crossing))
        where = "in" if segment.vlan is not None and goal.vlan is not None else "at"
        return self._without_cable(f"frames of {start} arrive {where} {segment}, not {where} {goal}", goal)

    def _without_cable(self, why: str, segment: Segment) -> CarriageFault:
        """Blame the cabling of a segment."""
        end = () if segment.port is None else (LinkEnd(segment.device, segment.port),)
        return CarriageFault(why, self._segment_span(segment), "no-cable", segment.device, end, segment.vlan)

    def _cable_way(self, start: Segment, goal: Segment) -> list[Cable] | None:
        """Return the cables of a shortest way between the devices of two segments, whatever they carry.

        Between two VLANs a way over switch ports comes first: one over routed ports is hardly the one that was meant.
        """
        return self._shortest_cable_way(start, goal, True) or self._shortest_cable_way(start, goal, False)

    def _shortest_cable_way(self, start: Segment, goal: Segment, switched: bool) -> list[Cable] | None:
        """Return a shortest way; with `switched` no routed port is on it but one that is an end of the way."""
        topology = self._topology
        # Frames of a routed port start and end on its own cables only.
        last = {cable.far for cable in self._cables_at(goal)} if goal.port is not None else None
        came_by: dict[str, Cable | None] = {start.device: None}
        border = [start.device]
        while border and goal.device not in came_by:
            reached = []
            for device in border:
                for cable in self._cables_at(start) if device == start.device else topology.cables_at(device):
                    far = cable.far.device
                    if far in came_by or far not in topology.config.devices:
                        continue
                    at_end = far == goal.device and last is not None
                    if at_end and last is not None and cable.near not in last:
                        continue
                    first = device == start.device and start.port is not None
                    if switched and (
                        (not first and self._only_routes(cable.near)) or (not at_end and self._only_routes(cable.far))
                    ):
                        continue
                    came_by[far] = cable
                    reached.append(far)
            border = reached
        if goal.device not in came_by:
            return None
        way: list[Cable] = []
        step = came_by[goal.device]
        while step is not None:
            way.append(step)
            step = came_by[step.near.device]
        return way[::-1]

    def _only_routes(self, end: LinkEnd) -> bool:
        """Whether a port is a routed one by its text."""
        port = self._topology.logical(end)
        return _modes(self._topology.device(port.device), self._topology.interface(port)) == ("routed",)

    def _segment_span(self, segment: Segment) -> Span | None:
        """Return the line of the interface that stands for a segment."""
        device = self._topology.device(segment.device)
        for interface in device.interfaces.values():
            if interface.name == segment.port or (interface.kind == "svi" and interface.vlan == segment.vlan):
                return interface.span
        return None


def _modes(device: Device, interface: Interface | None) -> tuple[str, ...]:
    """Return what a port may act as by its own text: `access`, `trunk`, `routed`."""
    if interface is None or (interface.switch_port is None and _is_blank(device, interface)):
        return ("access", "trunk", "routed") if _switches(device) else ("routed",)
    if interface.switch_port is None:
        return ("routed",)
    mode = interface.switch_port.mode
    return (mode,) if mode in ("access", "trunk") else ("access", "trunk")


def _asks_for_trunk(interface: Interface | None) -> bool:
    """Whether the text of a port names trunking: a mode that wants it, or a line that only a trunk needs."""
    settings = interface.switch_port if interface else None
    if settings is None or settings.mode == "access":
        return False
    return settings.mode is not None or settings.allowed is not None or settings.native is not None


def _is_routed(interface: Interface) -> bool:
    """Whether an interface can have addresses of its own."""
    return interface.switch_port is None and interface.channel_group is None


def _is_blank(device: Device, interface: Interface) -> bool:
    """Whether the text leaves open if a physical port switches or routes."""
    says_routed = (
        interface.routed
        or interface.addresses
        or interface.unknown_address is not None
        or interface.borrowed is not None
        or interface.vrf is not None
        or interface.ipv6_enabled
    )
    return (
        interface.kind in ("physical", "port-channel")
        and not says_routed
        and not any(other.parent == interface.name for other in device.interfaces.values())
    )


def _switches(device: Device) -> bool:
    """Whether the text describes a device that has switch ports at all."""
    return device.has_vlan_section or any(
        interface.switch_port is not None or interface.kind == "svi" for interface in device.interfaces.values()
    )


def _tagging(tag: int) -> str:
    """Say how frames are sent."""
    return f"tagged with VLAN {tag}" if tag else "untagged"


def _mismatch(near: _Port, far: _Port) -> str:
    """Say which setting of two ports differs."""
    if near.acts_as == far.acts_as == "trunk":
        natives = [port.switch_port.native or DEFAULT_VLAN for port in (near, far)]
        return f"the native VLANs are {natives[0]} and {natives[1]}"
    return f"one is {_in_words(near)}, the other {_in_words(far)}"


def _in_words(port: _Port) -> str:
    """Say what a port acts as."""
    settings = port.switch_port
    if port.acts_as == "access":
        return f"an access port in VLAN {settings.access_vlan or DEFAULT_VLAN}"
    return f"a trunk with native VLAN {settings.native or DEFAULT_VLAN}" if port.acts_as == "trunk" else "a routed port"
