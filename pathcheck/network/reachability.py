"""Sets of packets carried through the fleet, split exactly wherever their ways part.

A walk follows every packet it is given over every equal-cost way. What becomes
of a packet depends only on the device and interface where it arrives, so a walk
that has grown large follows what it has already followed no second time: each
kind of end is still found with exactly the packets that meet it, only the
number of ways that are told apart is bounded.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, lru_cache

from pathcheck.dataplane.fib import Fib, FibEntry, Piece, ResolvedHop, build_fib
from pathcheck.dataplane.first_match import Part, filter_packets
from pathcheck.dataplane.routing import RoutingState, routing_state
from pathcheck.errors import CapacityError
from pathcheck.model.access_list import Action, Direction, Family, ListBinding
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.model.flow import EntryPoint
from pathcheck.model.interface import Interface
from pathcheck.model.unmodelled import DeviceScope, InterfaceScope, OwnScope, TranslationScope, Unmodelled
from pathcheck.network.layer2 import Carriage, LayerTwo
from pathcheck.network.neighbours import Neighbour, Neighbours, Onward
from pathcheck.network.topology import Topology
from pathcheck.packet.address import WIDTH, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import TCP
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, SYN, FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.results.path import Doubt, LineUse, Reading, RouteUse
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["End", "HopTrace", "Network", "Start", "Walk"]

TERMINAL_PORTS = Ranges.of((22, 23))
"""Sessions to the terminal lines: SSH and remote login, the ports of the service registry."""

LINES_APART = 8
"""So many permitting lines of one list are followed apart; more are followed together and the sample's is shown."""

ENDS_APART = 512
"""So many ends are kept apart; more are joined where they are of one kind and at one place."""

WAYS_APART = 256
"""So many steps are followed way by way; further ones only for packets that were not yet there."""

MOST_PARTS = 100_000
"""So many sets of packets one walk may part into: minutes of work, which a single question should not cost."""


@dataclass(frozen=True, slots=True)
class HopTrace:
    """One device on a way, with which part of the packets each line and route decides.

    Each of the tuples of pairs is empty where nothing was asked, and holds
    disjoint parts that together are the packets which passed there.
    """

    device: str
    into: str | None = None
    out: str | None = None
    in_lines: tuple[tuple[PacketSet, LineUse], ...] = ()
    routes: tuple[tuple[PacketSet, RouteUse], ...] = ()
    out_lines: tuple[tuple[PacketSet, LineUse], ...] = ()
    port_lines: tuple[tuple[PacketSet, LineUse], ...] = ()
    notes: tuple[str, ...] = ()
    faults: tuple[Doubt, ...] = ()

    def failing(self, *faults: Doubt) -> HopTrace:
        """Return the hop with what is wrong at it, noted as well."""
        return replace(self.noting(*map(_with_place, faults)), faults=(*self.faults, *faults))

    def noting(self, *notes: str) -> HopTrace:
        """Return the hop with more notes."""
        return replace(self, notes=tuple(dict.fromkeys((*self.notes, *notes)))) if notes else self


@dataclass(frozen=True, slots=True)
class Start:
    """Where packets enter the fleet.

    Parameters
    ----------
    at
        A device and interface; without the interface they start on the device.
    packets
        All of one IP version.
    destinations
        Prefixes that hold all their destinations.
    vrf
        The table of packets that start on the device.
    alternative
        Whether the same packets may enter elsewhere as well.
    ports
        The switch ports by one of which the packets come to the interface.
    doubts, notes
        What is known already.
    """

    at: EntryPoint
    packets: PacketSet
    destinations: tuple[Prefix, ...]
    vrf: str | None = None
    alternative: bool = False
    ports: tuple[LinkEnd, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class End:
    """What becomes of some packets.

    Parameters
    ----------
    packets
        Those that end so.
    hops
        The devices on the way.
    alternative
        Whether they may also take another way.
    doubts
        Not empty exactly where the reason is `unmodelled`.
    cycle
        For `looping`: the hops, as `device:interface`, that repeat.
    back_at, back_vrf
        Where answers to these packets start; None where that is not known.
    start
        Where the packets entered; None where no device took part.
    shown
        Those of the packets whose lines and routes `hops` holds.
    """

    packets: PacketSet
    reason: Reason
    hops: tuple[HopTrace, ...]
    alternative: bool
    start: Start | None
    shown: PacketSet
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()
    cycle: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    back_at: EntryPoint | None = None
    back_vrf: str | None = None


@dataclass(frozen=True, slots=True)
class _Step:
    """Packets at a device, with how they came there."""

    device: str
    into: str | None
    vrf: str | None
    packets: PacketSet
    destinations: tuple[Prefix, ...]
    start: Start
    hops: tuple[HopTrace, ...] = ()
    alternative: bool = False
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()
    notes: tuple[str, ...] = ()

    def with_hop(self, hop: HopTrace, **changes: object) -> _Step:
        """Return the step with its current hop written down."""
        return replace(self, hops=(*self.hops[:-1], hop), **changes)  # type: ignore[arg-type]

    @property
    def hop(self) -> HopTrace:
        """The hop at which the packets are."""
        return self.hops[-1]


class Network:
    """A fleet as packets see it; what is worked out for one question is kept for the next.

    Parameters
    ----------
    config
        The fleet. It must not change as long as the network is used.
    """

    def __init__(self, config: FleetConfig) -> None:
        self.config = config
        self._fibs: dict[tuple[str, str | None, IPVersion], Fib] = {}
        self._routing: dict[tuple[str, IPVersion], RoutingState] = {}
        self._doubtful: dict[str, _DoubtfulLines] = {}

    @property
    def told(self) -> FleetConfig:
        """The fleet that the evaluator is told when an answer is confirmed."""
        return self.config

    @cached_property
    def topology(self) -> Topology:
        """Owners, subnets and cables."""
        return Topology(self.config)

    @cached_property
    def layer2(self) -> LayerTwo:
        """Whether VLANs are carried."""
        return LayerTwo(self.topology)

    @cached_property
    def neighbours(self) -> Neighbours:
        """Who takes packets that leave an interface."""
        return Neighbours(self.topology, self.layer2)

    def fib(self, device: str, vrf: str | None, version: IPVersion) -> Fib:
        """Return the forwarding table of one VRF of a device."""
        key = (device, vrf, version)
        if key not in self._fibs:
            self._fibs[key] = build_fib(self.topology.device(device), vrf, version)
        return self._fibs[key]

    def routing(self, device: str, version: IPVersion) -> RoutingState:
        """Return whether a device forwards packets that are not its own."""
        key = (device, version)
        if key not in self._routing:
            self._routing[key] = routing_state(self.topology.device(device), version)
        return self._routing[key]

    def doubtful(self, device: str) -> _DoubtfulLines:
        """Return a device's unmodelled lines by what they touch."""
        if device not in self._doubtful:
            self._doubtful[device] = _DoubtfulLines(self.topology.device(device).unmodelled)
        return self._doubtful[device]


class _DoubtfulLines:
    """The unmodelled lines of a device, sorted by what they can touch."""

    def __init__(self, lines: Iterable[Unmodelled]) -> None:
        self._lines = [line for line in lines if isinstance(line.scope, (DeviceScope, OwnScope))]
        self._at_interfaces = [line for line in lines if isinstance(line.scope, InterfaceScope)]
        self._sides: dict[tuple[str | None, str], Unmodelled] = {
            (line.scope.interface, line.scope.side): line for line in lines if isinstance(line.scope, TranslationScope)
        }

    def on_device(self) -> tuple[Doubt, ...]:
        """Return the lines that touch each packet."""
        return tuple(_doubt(line) for line in self._lines if isinstance(line.scope, DeviceScope))

    def on_own_addresses(self) -> tuple[Doubt, ...]:
        """Return the lines that touch packets to the device itself."""
        return tuple(_doubt(line) for line in self._lines if isinstance(line.scope, OwnScope))

    def at(self, interface: str, direction: Direction) -> tuple[tuple[Doubt, ...], tuple[Doubt, ...]]:
        """Return the lines that may divert or change packets through an interface, and those that may only drop."""
        touching = [
            (line, line.scope)
            for line in self._at_interfaces
            if isinstance(line.scope, InterfaceScope)
            and line.scope.interface == interface
            and direction in line.scope.directions
        ]
        return (
            tuple(_doubt(line) for line, scope in touching if not scope.may_only_drop),
            tuple(_doubt(line) for line, scope in touching if scope.may_only_drop),
        )

    def sides_of(self, interface: str) -> tuple[str, ...]:
        """Return the sides of address translation that an interface is on, in order."""
        return tuple(sorted(side for name, side in self._sides if name == interface))

    def translation(self, into: str | None, out: str | None) -> tuple[Doubt, ...]:
        """Return the lines that translate packets between two interfaces; `out` None is the device itself."""
        found = []
        for side, other in (("inside", "outside"), ("outside", "inside")):
            first = self._sides.get((into, side))
            if out is None:
                # A packet to the outside address may be one that is translated and sent on inside.
                second = first if side == "outside" and any(key[1] == other for key in self._sides) else None
            else:
                second = self._sides.get((out, other))
            if first is not None and second is not None:
                found += [_doubt(first), _doubt(second)]
        return tuple(dict.fromkeys(found))


def _doubt(line: Unmodelled) -> Doubt:
    """Return an unmodelled line as the doubt that it casts."""
    return Doubt(line.what, line.span)


class Walk:
    """One walk of one set of packets of one IP version.

    Parameters
    ----------
    network
        The fleet.
    version
        4 or 6.

    Attributes
    ----------
    assumed
        Devices and interfaces whose cabling is not given, so that their subnets
        were assumed to be carried.
    bounded
        Whether ways were followed together because there were too many.
    """

    def __init__(self, network: Network, version: IPVersion) -> None:
        self._network = network
        self._topology = network.topology
        self._version: IPVersion = version
        self._family: Family = "ipv4" if version == 4 else "ipv6"
        self._space = packet_space(version)
        self._ends: dict[object, End] = {}
        self._todo: list[_Step] = []
        self._taken = 0
        self._split = 0
        self._followed: dict[tuple[str, str | None, bool], PacketSet] = {}
        self.assumed: dict[str, None] = {}
        self.bounded = False

    def run(self, starts: Sequence[Start]) -> tuple[End, ...]:
        """Follow all packets from all starts and return every end, in the order in which they were found.

        Raises
        ------
        CapacityError
            The packets part into too many sets on their ways.
        """
        steps = []
        for start in starts:
            interface = self._interface(start.at)
            vrf = interface.vrf if interface is not None else start.vrf
            steps.append(
                _Step(
                    start.at.device,
                    start.at.interface,
                    vrf,
                    start.packets,
                    start.destinations,
                    start,
                    alternative=start.alternative,
                    doubts=start.doubts,
                    notes=start.notes,
                )
            )
        self._todo = steps[::-1]
        while self._todo:
            self._take(self._todo.pop())
            if self._split > MOST_PARTS:
                raise CapacityError(
                    f"the flow parts into more than {MOST_PARTS:,} sets of packets on its ways through the fleet",
                    help="ask about fewer packets at once: name fewer sources, or a narrower destination",
                )
        return tuple(self._ends.values())

    def _interface(self, at: EntryPoint) -> Interface | None:
        return None if at.interface is None else self._topology.device(at.device).interfaces[at.interface]

    # ---- one device -------------------------------------------------------------------------

    def _take(self, step: _Step) -> None:
        """Follow one step: over the device, up to the next ones."""
        if step.packets.is_empty:
            return
        where = (step.device, step.into)
        repeated = next((n for n, hop in enumerate(step.hops) if (hop.device, hop.into) == where), None)
        if repeated is not None:
            cycle = tuple(f"{hop.device}:{hop.into}" for hop in step.hops[repeated:])
            self._end(step, Reason.LOOPING, cycle=cycle)
            return
        self._taken += 1
        key = (step.device, step.into, bool(step.doubts))
        followed = self._followed.get(key, self._space.empty)
        if self._taken > WAYS_APART:
            self.bounded = True
            step = replace(step, packets=step.packets - followed)
            if step.packets.is_empty:
                return
        self._followed[key] = followed | step.packets
        self._cross(replace(step, hops=(*step.hops, HopTrace(step.device, step.into))))

    def _cross(self, step: _Step) -> None:
        """Take packets over the device whose hop was begun."""
        doubts = self._network.doubtful(step.device).on_device()
        if doubts:
            self._end_in_doubt(step, doubts)
            return
        if step.into is None:
            self._route(step)
            return
        ports = step.start.ports if len(step.hops) == 1 else ()
        for entered in self._by_switch_ports(step, ports):
            for arrived in self._arrive(entered, step.into):
                self._route(arrived)

    def _arrive(self, step: _Step, into: str) -> Iterator[_Step]:
        """Let packets in at an interface: its state, its doubtful lines, its list."""
        state = self._topology.state(step.device, into)
        if not state.up or state.member_of is not None:
            why = f"{step.device}:{into} is down: {state.why}"
            if state.doubts:
                self._end_in_doubt(step, state.doubts)
            else:
                self._end(step.with_hop(step.hop.failing(Doubt(why, state.span))), Reason.STRANDED)
            return
        diverting, dropping = self._network.doubtful(step.device).at(into, "in")
        if diverting:
            self._end_in_doubt(step, diverting)
            return
        step = self._add(step, doubts=(*state.doubts, *dropping), readings=state.readings)
        bindings = self._bindings(step.device, into, "in")
        yield from self._through_lists(step, self._topology.device(step.device), bindings, "in_lines")

    def _bindings(self, device: str, interface: str, direction: Direction) -> list[ListBinding]:
        """Return the lists that act on routed packets through an interface."""
        found = self._topology.device(device).interfaces[interface]
        return [
            binding
            for binding in found.bindings
            if binding.direction == direction and binding.family == self._family and not binding.port
        ]

    def _through_lists(
        self, step: _Step, device: Device, bindings: Sequence[ListBinding], slot: str
    ) -> Iterator[_Step]:
        """Pass packets through lists one after the other; what is denied ends."""
        steps = [step]
        for binding in bindings:
            steps = [passed for one in steps for passed in self._through_list(one, device, binding.list_name, slot)]
        yield from steps

    def _through_list(self, step: _Step, device: Device, name: str, slot: str) -> Iterator[_Step]:
        """Pass packets through one list: end what is denied, yield what is or may be permitted."""
        parts = [part for part in filter_packets(device, self._family, name, step.packets) if not part.packets.is_empty]
        denied = [part for part in parts if part.action is Action.DENY]
        for group in self._grouped(denied, LINES_APART * 2):
            self._end(self._decided(step, group, slot), Reason.FILTERED)
        for group in self._grouped([part for part in parts if part.action is Action.PERMIT], LINES_APART):
            yield self._decided(step, group, slot)
        for group in self._grouped([part for part in parts if part.action is None], LINES_APART):
            doubts = tuple(doubt for part in group for doubt in part.doubts)
            yield self._add(self._decided(step, group, slot), doubts=doubts)

    def _grouped(self, parts: list[Part], most: int) -> list[list[Part]]:
        """Return the parts one by one where they are few, else together."""
        if len(parts) <= most and self._taken <= WAYS_APART:
            return [[part] for part in parts]
        return [parts] if parts else []

    def _decided(self, step: _Step, parts: list[Part], slot: str) -> _Step:
        """Return the step narrowed to some parts of a list's decision, with the lines that decided."""
        packets = self._union(part.packets for part in parts)
        uses = tuple((part.packets, part.use) for part in parts)
        hop = replace(step.hop, **{slot: (*getattr(step.hop, slot), *uses)})  # type: ignore[arg-type]
        readings = tuple(reading for part in parts for reading in part.readings)
        return self._add(step.with_hop(hop, packets=packets), readings=readings)

    # ---- routing ----------------------------------------------------------------------------

    def _route(self, step: _Step) -> None:
        """Send packets where the table says; the device's own addresses come first."""
        fib = self._network.fib(step.device, step.vrf, self._version)
        pieces = [piece for destination in step.destinations for piece in fib.pieces(destination)]
        alike: dict[Piece, list[Prefix]] = {}
        for piece in pieces:
            alike.setdefault(replace(piece, prefixes=()), []).extend(piece.prefixes)
        self._split += len(alike)
        for piece, prefixes in alike.items():
            packets = step.packets if len(alike) == 1 else step.packets & self._bound_for(prefixes)
            if packets.is_empty:
                continue
            part = self._add(replace(step, packets=packets, destinations=tuple(prefixes)), readings=piece.readings)
            if piece.entry is not None and piece.entry.source == "local":
                self._deliver(part, piece.entry)
            else:
                self._forward(part, piece)

    def _bound_for(self, prefixes: Iterable[Prefix]) -> PacketSet:
        """Return all packets whose destination is in one of the prefixes."""
        return _bound_for(self._version, tuple(prefixes))

    def _forward(self, step: _Step, piece: Piece) -> None:
        """Send packets on by one entry of the table, or end them."""
        if step.into is not None:
            routing = self._network.routing(step.device, self._version)
            step = self._add(step, readings=routing.readings)
            if not routing.on:
                why = Doubt(f"{step.device} does not route IPv{self._version}: {routing.why}", routing.span)
                self._end(step.with_hop(step.hop.failing(why)), Reason.UNROUTED)
                return
        entry = piece.entry
        if piece.doubts:
            routed = self._routed(step, entry, entry.hops[0] if entry.hops else None) if entry is not None else step
            self._end_in_doubt(routed, piece.doubts)
            return
        if entry is None:
            self._end_without_route(step, piece)
            return
        if len(entry.hops) + entry.discard > 1:
            step = replace(step, alternative=True)
        if entry.discard:
            self._end(self._routed(step, entry, None), Reason.DISCARDED)
        for hop in reversed(entry.hops):
            self._leave(self._routed(step, entry, hop), entry, hop)

    def _routed(self, step: _Step, entry: FibEntry, hop: ResolvedHop | None) -> _Step:
        """Return the step with the route that it follows written down."""
        use = RouteUse(
            entry.prefix,
            entry.source,
            hop.next_hop if hop else None,
            hop.interface if hop else None,
            hop.span if hop else (entry.spans[0] if entry.spans else None),
        )
        trace = replace(step.hop, routes=((step.packets, use),), out=hop.interface if hop else None)
        return step.with_hop(trace)

    def _end_without_route(self, step: _Step, piece: Piece) -> None:
        """End packets that no route of the table matches: stranded where a written route could not be used."""
        faults = [
            Doubt(f"the route to {route.prefix} is not in the table: {route.why}", route.route.span)
            for route in piece.stranded
        ]
        reason = Reason.STRANDED if piece.stranded else Reason.UNROUTED
        self._end(step.with_hop(step.hop.failing(*faults)), reason)

    # ---- the device's own addresses ---------------------------------------------------------

    def _deliver(self, step: _Step, entry: FibEntry) -> None:
        """Deliver packets to the device itself: the lists that guard it, then its terminal lines."""
        device = self._topology.device(step.device)
        lines = self._network.doubtful(step.device)
        diverting = (*entry.doubts, *lines.on_own_addresses(), *lines.translation(step.into, None))
        if diverting:
            self._end_in_doubt(step, diverting)
            return
        guards = [
            binding for binding in device.control_plane if binding.direction == "in" and binding.family == self._family
        ]
        for guarded in self._through_lists(step, device, guards, "port_lines"):
            self._reach_terminals(guarded, device)

    def _reach_terminals(self, step: _Step, device: Device) -> None:
        """Let sessions to the terminal lines meet their lists; blocks with different lists are alternatives."""
        session = step.packets & _terminal_sessions(self._version)
        blocks: dict[str | None, None] = {}
        for block in device.terminal_lines:
            if not block.accepts_sessions:
                continue
            guards = [it for it in block.bindings if it.direction == "in" and it.family == self._family]
            blocks[guards[0].list_name if guards else None] = None
        if session.is_empty or not any(blocks):
            self._arrived(step)
            return
        rest = step.packets - session
        if not rest.is_empty:
            self._arrived(replace(step, packets=rest))
        for name in blocks:
            part = replace(step, packets=session, alternative=step.alternative or len(blocks) > 1)
            if name is None:
                note = f"a block of terminal lines of {device.name} has no list"
                self._arrived(part.with_hop(part.hop.noting(note)))
                continue
            for passed in self._through_list(part, device, name, "port_lines"):
                self._arrived(passed)

    def _arrived(self, step: _Step) -> None:
        """End packets at the device that owns their destination."""
        self._end(step, Reason.ARRIVED, back_at=EntryPoint(step.device), back_vrf=step.vrf)

    # ---- leaving ----------------------------------------------------------------------------

    def _leave(self, step: _Step, entry: FibEntry, hop: ResolvedHop) -> None:
        """Send packets out of an interface: translation, doubtful lines, the list, then the neighbours."""
        device, out = self._topology.device(step.device), hop.interface
        lines = self._network.doubtful(step.device)
        diverting, dropping = lines.at(out, "out")
        diverting = (*lines.translation(step.into, out), *diverting)
        if diverting:
            self._end_in_doubt(step, diverting)
            return
        step = self._add(step, doubts=dropping)
        bindings = self._bindings(step.device, out, "out")
        if bindings and step.into is None:
            meet = device.assume.own_packets == "meet-out"
            about = f"the list `{bindings[0].list_name}` on {step.device}:{out} and packets of the device itself"
            step = self._add(step, readings=(Reading("own_packets", device.assume.own_packets, about),))
            bindings = bindings if meet else []
        for passed in self._through_lists(step, device, bindings, "out_lines"):
            self._hand_on(passed, entry, hop)

    def _hand_on(self, step: _Step, entry: FibEntry, hop: ResolvedHop) -> None:
        """Give packets to whoever owns the next hop, or the destination on a connected subnet."""
        end = LinkEnd(step.device, hop.interface)
        if hop.next_hop is None and entry.source == "connected":
            self._onto_subnet(step, end)
        else:
            onward = self._network.neighbours.by_route(end, hop.next_hop, self._version)
            self._onward(step, onward, Reason.HANDED_OVER)

    def _onto_subnet(self, step: _Step, end: LinkEnd) -> None:
        """Deliver packets on a connected subnet: to the devices that own a destination, the rest to stations."""
        rest = step.packets
        owned = dict.fromkeys(
            owner.address.address
            for destination in step.destinations
            for owner in self._topology.owned_within(destination)
            if owner.end != end
        )
        for address in owned:
            own = Prefix(address.version, address.value, WIDTH[address.version])
            part = rest & self._bound_for([own])
            if part.is_empty:
                continue
            rest -= part
            self._onward(
                replace(step, packets=part, destinations=(own,)),
                self._network.neighbours.owning(end, address),
                Reason.ARRIVED,
            )
        if not rest.is_empty:
            self._end(replace(step, packets=rest), Reason.ARRIVED, back_at=EntryPoint(step.device, end.interface))

    def _onward(self, step: _Step, onward: Onward, outside: Reason) -> None:
        """Go on to each neighbour, or end."""
        step = step.with_hop(step.hop.noting(*onward.notes))
        if onward.unknown:
            self._end_in_doubt(step, onward.unknown)
        elif onward.stranded is not None:
            self._end(step.with_hop(step.hop.failing(onward.stranded)), Reason.STRANDED)
        elif onward.outside:
            back = EntryPoint(step.device, step.hop.out)
            self._end(step, outside, back_at=back)
        else:
            alternative = step.alternative or len(onward.neighbours) > 1
            for neighbour in reversed(onward.neighbours):
                self._go_to(replace(step, alternative=alternative), neighbour)

    def _go_to(self, step: _Step, neighbour: Neighbour) -> None:
        """Carry packets to a neighbour's interface, through the lists on switch ports on the way."""
        carriage = neighbour.carriage
        for name in carriage.assumed:
            self.assumed[name] = None
        step = self._add(step, doubts=(*carriage.doubts, *carriage.drop_doubts, *neighbour.doubts))
        vrf = self._topology.device(neighbour.end.device).interfaces[neighbour.end.interface].vrf
        for passed in self._over_ports(step, carriage):
            self._follow(replace(passed, device=neighbour.end.device, into=neighbour.end.interface, vrf=vrf))

    def _follow(self, step: _Step) -> None:
        """Note packets that have come to a device and are still to be followed."""
        self._todo.append(step)

    def _over_ports(self, step: _Step, carriage: Carriage) -> Iterator[_Step]:
        """Pass the lists on the switch ports of a way through layer 2."""
        steps = [step]
        for passage in carriage.passages:
            device = self._topology.device(passage.device)
            for binding in device.interfaces[passage.port].bindings:
                if binding.port and binding.direction == passage.direction and binding.family == self._family:
                    steps = [
                        passed
                        for one in steps
                        for passed in self._through_list(one, device, binding.list_name, "port_lines")
                    ]
        yield from steps

    # ---- entering from a station ------------------------------------------------------------

    def _by_switch_ports(self, step: _Step, ports: Sequence[LinkEnd]) -> Iterator[_Step]:
        """Let packets in by one of several switch ports: certain is what the lists of all of them agree on."""
        lists: dict[tuple[str, str] | None, ListBinding | None] = {}
        for port in ports:
            bindings = [
                binding
                for binding in self._topology.device(port.device).interfaces[port.interface].bindings
                if binding.port and binding.direction == "in" and binding.family == self._family
            ]
            for binding in bindings:
                lists[port.device, binding.list_name] = binding
            if not bindings:
                lists[None] = None
        named = [(key[0], binding) for key, binding in lists.items() if key is not None and binding is not None]
        if not named:
            yield step
        elif len(lists) == 1:
            yield from self._through_list(step, self._topology.device(named[0][0]), named[0][1].list_name, "port_lines")
        else:
            yield from self._by_any_list(step, named, unlisted=None in lists)

    def _by_any_list(self, step: _Step, named: Sequence[tuple[str, ListBinding]], unlisted: bool) -> Iterator[_Step]:
        """Split packets by what several lists, one of which acts, have in common."""
        passed = step.packets
        dropped = self._space.empty if unlisted else step.packets
        deciding: list[Part] = []
        for device, binding in named:
            parts = filter_packets(self._topology.device(device), self._family, binding.list_name, step.packets)
            passed &= self._union(part.packets for part in parts if part.action is Action.PERMIT)
            dropped &= self._union(part.packets for part in parts if part.action is Action.DENY)
            deciding.extend(part for part in parts if part.action is Action.DENY)
        if not dropped.is_empty:
            uses = tuple((part.packets & dropped, part.use) for part in deciding)
            hop = replace(step.hop, port_lines=tuple(use for use in uses if not use[0].is_empty))
            self._end(step.with_hop(hop, packets=dropped), Reason.FILTERED)
        if not passed.is_empty:
            yield replace(step, packets=passed)
        unknown = step.packets - passed - dropped
        if not unknown.is_empty:
            why = "which switch port the packets enter by is not known, and this list acts on one of them"
            doubts = tuple(Doubt(why, binding.span) for _, binding in named)
            yield self._add(replace(step, packets=unknown), doubts=doubts)

    def _union(self, sets: Iterable[PacketSet]) -> PacketSet:
        return self._space.union(sets)

    # ---- ends -------------------------------------------------------------------------------

    def _add(self, step: _Step, *, doubts: Sequence[Doubt] = (), readings: Sequence[Reading] = ()) -> _Step:
        """Return the step with more doubts, which may only drop its packets, and readings."""
        if not doubts and not readings:
            return step
        return replace(
            step,
            doubts=tuple(dict.fromkeys((*step.doubts, *doubts))),
            readings=tuple(dict.fromkeys((*step.readings, *readings))),
        )

    def _end_in_doubt(self, step: _Step, doubts: Sequence[Doubt]) -> None:
        """End packets of which nobody can say where they get to."""
        self._end(self._add(step, doubts=doubts), Reason.UNMODELLED)

    def _end(
        self,
        step: _Step,
        reason: Reason,
        *,
        cycle: tuple[str, ...] = (),
        back_at: EntryPoint | None = None,
        back_vrf: str | None = None,
    ) -> None:
        """Write down what becomes of packets; what may only have been dropped before is denied in any case."""
        if reason.verdict is Verdict.PERMITTED and step.doubts:
            reason = Reason.UNMODELLED
        end = End(
            step.packets,
            reason,
            step.hops,
            step.alternative,
            step.start,
            shown=step.packets,
            doubts=step.doubts if reason is Reason.UNMODELLED else (),
            readings=step.readings,
            cycle=cycle,
            notes=step.notes,
            back_at=back_at,
            back_vrf=back_vrf,
        )
        key: object = len(self._ends)
        if self._taken > WAYS_APART or len(self._ends) >= ENDS_APART:
            last = step.hops[-1]
            key = (reason, last.device, last.into, last.out, step.alternative, back_at, back_vrf)
        same = self._ends.get(key)
        if same is not None:
            self.bounded = True
            end = replace(
                same,
                packets=same.packets | end.packets,
                doubts=tuple(dict.fromkeys((*same.doubts, *end.doubts))),
                readings=tuple(dict.fromkeys((*same.readings, *end.readings))),
            )
        self._ends[key] = end


@cache
def _terminal_sessions(version: IPVersion) -> PacketSet:
    """Return the packets of sessions that end on terminal lines.

    SYN with ACK answers a session that the device opened itself (RFC 9293 section 3.5), so it is none of them.
    """
    anywhere = AddressMatch.any(version)
    flags = FlagMatch.of((SYN, 0), (ACK, 0))
    box = Box(anywhere, anywhere, protocols=Ranges.single(TCP), destination_ports=TERMINAL_PORTS, flags=flags)
    return packet_space(version).of(box)


@lru_cache(maxsize=4096)
def _bound_for(version: IPVersion, prefixes: tuple[Prefix, ...]) -> PacketSet:
    """Return all packets whose destination is in one of the prefixes."""
    anywhere = AddressMatch.any(version)
    return packet_space(version).of_boxes([Box(anywhere, AddressMatch.prefix(prefix)) for prefix in prefixes])


def _with_place(doubt: Doubt) -> str:
    """Return what a doubt or fault says, with its line."""
    return f"{doubt.why} ({doubt.span})" if doubt.span else doubt.why
