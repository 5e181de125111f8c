"""A fleet in one state that takes notes of what is read from it: it tells in which other states the same is read.

Each value that a walk reads from a changed device is looked at in the device's other states too. Where it is the
same, the walk would have gone the same way; so the states in which all values are the same are those for which the
walk's verdict holds. Nothing is told to the walk: whatever it reads of a device it reads through these views, and
a device without jobs is the same object in each state.

Values are compared by what a verdict can depend on. Where a line stands in its file is none of it; a line of a list
that cannot match one of the packets asked about is none of it either.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from pathcheck.dataplane.compiled_list import CompiledList, compiled_list
from pathcheck.dataplane.fib import Fib, Piece, build_fib
from pathcheck.dataplane.interface_state import InterfaceState, interface_state
from pathcheck.dataplane.routing import RoutingState, routing_state
from pathcheck.errors import UnknownNameError
from pathcheck.model.access_list import AccessList, Family
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig, JobPart, LinkEnd
from pathcheck.model.interface import Interface, SwitchPort
from pathcheck.model.unmodelled import Unmodelled
from pathcheck.network.layer2 import Carriage, LayerTwo, Segment
from pathcheck.network.reachability import Network
from pathcheck.network.topology import Attachment, Cable, Topology
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.packetset.algebra import PacketSet
from pathcheck.queries.rollout.cover import holds_in
from pathcheck.queries.rollout.jobs import list_scoped
from pathcheck.queries.rollout.states import Position, Space
from pathcheck.results.path import Doubt

__all__ = ["Notes", "WatchedFleets"]

T = TypeVar("T")

_LAYOUT: tuple[JobPart, ...] = ("ports", "addresses", "bindings")
"""The parts that an interface is made of."""

_FORWARDING: tuple[JobPart, ...] = ("vlans", "ports", "addresses", "routes", "gateway")
"""The parts that a forwarding table is made of."""

_PLAIN = frozenset({"name", "files", "assume", "serial"})
"""What is the same in each state."""

_PARTS_OF: dict[str, tuple[JobPart, ...]] = {
    "management": ("addresses",),
    "groups": ("lists",),
    "has_vlan_section": ("vlans",),
    "vrfs": ("addresses",),
    "static_routes": ("routes",),
    "gateways": ("gateway",),
    "routing": ("routes",),
    "ipv6_routing": ("routes",),
    "terminal_lines": ("bindings",),
    "control_plane": ("bindings",),
    "list_uses": ("bindings",),
}

_ABSENT = object()


@dataclass
class Notes:
    """What one judgement depends on: by chain the places where everything that was read is as it is here.

    Parameters
    ----------
    packets
        The packets that are asked about and their replies, of each IP version; None while that is not known.
    """

    position: Position
    masks: dict[int, int] = field(default_factory=dict)
    packets: tuple[PacketSet, ...] | None = None

    def narrow(self, masks: Mapping[int, int]) -> None:
        """Note what a value depends on."""
        for chain, mask in masks.items():
            self.masks[chain] = self.masks.get(chain, mask) & mask


class WatchedFleets:
    """Watched views of all states of a rollout; what was found out for one is kept for the others.

    Parameters
    ----------
    space
        The states.
    """

    def __init__(self, space: Space) -> None:
        self.space = space
        self._found: dict[tuple[str, Hashable, tuple[int, ...]], tuple[Any, dict[int, int]]] = {}
        self._topologies: dict[int, tuple[Device, Topology]] = {}
        self._still = Topology(FleetConfig(dict(space.still), links=space.frame.links))
        self._still_answers: dict[Hashable, tuple[Attachment, ...]] = {}
        self._meetings: dict[Hashable, tuple[int, ...]] = {}
        self._lists: list[CompiledList] = []
        self._remembered: dict[Hashable, list[tuple[dict[int, int], Any]]] = {}
        self._own_unmodelled = {name: self._moves_unmodelled(name) for name in space.changed}

    def network(self, notes: Notes) -> WatchedNetwork:
        """Return the fleet in a state as packets see it, taking notes."""
        devices: dict[str, Any] = dict(self.space.still)
        for name in self.space.changed:
            devices[name] = WatchedDevice(self, name, notes)
        config = replace(self.space.frame, devices={name: devices[name] for name in sorted(devices)})
        return WatchedNetwork(self, config, notes)

    def read(
        self,
        name: str,
        notes: Notes,
        parts: Sequence[JobPart],
        key: Hashable,
        value: Callable[[Device], T],
        compared: Callable[[T], object] = lambda value: value,
    ) -> T:
        """Read a value of a changed device, and note in which of its states it is the same.

        Parameters
        ----------
        parts
            All that the value can depend on.
        key
            Names the value among those of the device.
        compared
            What of the value matters.
        """
        done = tuple(notes.position[number] for number in self.space.owned[name])
        found = self._found.get((name, key, done))
        if found is None:
            found = self._found[name, key, done] = self._look_around(name, done, parts, value, compared)
        notes.narrow(found[1])
        return found[0]  # type: ignore[no-any-return]

    def _look_around(
        self,
        name: str,
        done: tuple[int, ...],
        parts: Sequence[JobPart],
        value: Callable[[Device], T],
        compared: Callable[[T], object],
    ) -> tuple[T, dict[int, int]]:
        """Return a value, and the places of the device's chains in which it is the same."""
        space, chains, owned = self.space, self.space.changed[name].chains, self.space.owned[name]
        here = value(space.device_at(name, done))
        wanted = compared(here)
        box = [[place] for place in done]
        for number, chain in enumerate(chains):
            if not any(part in parts for part in chain.parts):
                box[number] = list(range(len(chain.levels)))
        free = [number for number, places in enumerate(box) if len(places) > 1]
        for number, chain in enumerate(chains):
            if number in free:
                continue
            for place in range(len(chain.levels)):
                if place != done[number] and all(
                    compared(value(space.device_at(name, other))) == wanted
                    for other in _corners(box, done, number, place, free)
                ):
                    box[number].append(place)
        masks = {}
        for number, places in enumerate(box):
            if len(places) < len(chains[number].levels):
                masks[owned[number]] = sum(1 << place for place in places)
        return here, masks

    def parts_with_unmodelled(self, name: str, parts: Sequence[JobPart]) -> Sequence[JobPart]:
        """Return parts, and all others as well where lines that are not modelled come and go with no known job."""
        return (
            [part for chain in self.space.changed[name].chains for part in chain.parts]
            if self._own_unmodelled[name]
            else parts
        )

    def _moves_unmodelled(self, name: str) -> bool:
        """Whether a device's unmodelled lines are not the same in all of its states; those of a list go with it."""
        changed = self.space.changed[name]
        of_lists = {frozenset(_unmodelled(list_scoped(device))) for device in changed.variants["lists"]}
        return len(of_lists) > 1 or _unmodelled(changed.before.unmodelled) != _unmodelled(changed.after.unmodelled)

    def topology_of(self, device: Device) -> Topology:
        """Return the addresses of one device in one state."""
        kept = self._topologies.get(id(device))
        if kept is None:
            alone = FleetConfig({device.name: device}, links=self.space.frame.links)
            kept = self._topologies[id(device)] = (device, Topology(alone))
        return kept[1]

    def remembered(self, key: Hashable, notes: Notes, ask: Callable[[], T]) -> T:
        """Return an answer that was found in a state where the same is read, else ask; either way note what it read.

        Whoever is asked must read anew all that it needs: what it kept from another question was read there.
        """
        known = self._remembered.setdefault(key, [])
        for masks, answer in known:
            if holds_in(masks, notes.position):
                notes.narrow(masks)
                return answer  # type: ignore[no-any-return]
        outer, notes.masks = notes.masks, {}
        try:
            answer = ask()
        finally:
            inner, notes.masks = notes.masks, outer
            notes.narrow(inner)
        known.append((inner, answer))
        return answer

    def plain(self, position: Position) -> FleetConfig:
        """Return the fleet in a state without notes."""
        return self.space.fleet(position)

    def still_answer(self, key: Hashable, ask: Callable[[Topology], tuple[Attachment, ...]]) -> tuple[Attachment, ...]:
        """Return what the devices without jobs answer."""
        if key not in self._still_answers:
            self._still_answers[key] = ask(self._still)
        return self._still_answers[key]

    def list_key(self, device: Device, found: AccessList | None, packets: tuple[PacketSet, ...] | None) -> object:
        """Return what of a list can decide some packets: the lines that may match one of them."""
        if found is None or packets is None:
            return found
        asked = next((one for one in packets if f"ipv{one.version}" == found.family), None)
        # A list that is being entered is the beginning of the whole one, whose lines are looked at once.
        whole = self.space.changed[device.name].after.access_list(found.family, found.name)
        if whole is None or found.lines != whole.lines[: len(found.lines)]:
            whole = found
        complete = replace(device, access_lists={(whole.family, whole.name): whole})
        compiled = compiled_list(complete, whole.family, whole.name)
        key = (id(compiled), asked)
        if key not in self._meetings:
            self._lists.append(compiled)  # so that its identity stays its own
            meeting = () if asked is None else compiled.meeting(asked)
            self._meetings[key] = tuple(
                index for index in meeting if asked is not None and not asked.isdisjoint(compiled.sets(index).may)
            )
        meets = tuple(found.lines[index] for index in self._meetings[key] if index < len(found.lines))
        refused = all(compiled.line(index).refusal for index in range(len(found.lines)))
        return found.is_empty, refused, meets


def _unmodelled(lines: Iterable[Unmodelled]) -> set[object]:
    """Return unmodelled lines by what a verdict can depend on."""
    return {(line.what, line.scope) for line in lines}


def _corners(
    box: Sequence[Sequence[int]], done: Sequence[int], number: int, place: int, free: Sequence[int]
) -> Iterator[tuple[int, ...]]:
    """Yield the states of a box moved to one place of one chain; chains that cannot matter stay where they are."""
    from itertools import product

    ranges = [
        (place,) if chain == number else (done[chain],) if chain in free else places for chain, places in enumerate(box)
    ]
    return iter(product(*ranges))


class WatchedDevice:
    """A changed device in one state, as the model of a device."""

    __slots__ = ("_fleets", "_notes", "name")

    def __init__(self, fleets: WatchedFleets, name: str, notes: Notes) -> None:
        self._fleets = fleets
        self._notes = notes
        self.name = name

    def __getattr__(self, attribute: str) -> Any:
        plain = self._fleets.space.device(self.name, self._notes.position)
        if attribute in _PLAIN or attribute.endswith("_span"):
            return getattr(plain, attribute)
        if attribute == "interfaces":
            return WatchedInterfaces(self._fleets, self.name, self._notes)
        if attribute == "vlans":
            return WatchedVlanTable(self._fleets, self.name, self._notes, "vlans", ("vlans",))
        if attribute == "access_lists":
            return WatchedMapping(self._fleets, self.name, self._notes, "access_lists", ("lists",))
        if attribute == "unmodelled":
            parts = self._fleets.parts_with_unmodelled(self.name, ())
            return self._fleets.read(self.name, self._notes, parts, attribute, lambda one: one.unmodelled, tuple)
        return self._fleets.read(
            self.name, self._notes, _PARTS_OF[attribute], attribute, lambda one: getattr(one, attribute), _settled
        )

    def access_list(self, family: Family, name: str) -> AccessList | None:
        """Return a list; noted is what of it can decide the packets that are asked about."""
        packets = self._notes.packets
        return self._fleets.read(
            self.name,
            self._notes,
            ("lists",),
            ("list", family, name, packets),
            lambda one: (one, one.access_list(family, name)),
            lambda pair: self._fleets.list_key(*pair, packets),
        )[1]


def _settled(value: object) -> object:
    """Return what of a value matters: of a table of places in files only the names."""
    return (
        frozenset(value) if isinstance(value, Mapping) and any(hasattr(it, "file") for it in value.values()) else value
    )


class WatchedMapping(Mapping[Any, Any]):
    """A mapping of a changed device: each value is noted when it is read, and the keys when all are."""

    def __init__(
        self, fleets: WatchedFleets, name: str, notes: Notes, attribute: str, parts: tuple[JobPart, ...]
    ) -> None:
        self._fleets, self._name, self._notes, self._attribute, self._parts = fleets, name, notes, attribute, parts

    def __getitem__(self, key: Any) -> Any:
        found = self._look((self._attribute, key), lambda one: getattr(one, self._attribute).get(key, _ABSENT))
        if found is _ABSENT:
            raise KeyError(key)
        return found

    def __iter__(self) -> Iterator[Any]:
        return iter(self._look((self._attribute, "keys"), lambda one: tuple(getattr(one, self._attribute)), frozenset))

    def __len__(self) -> int:
        return sum(1 for _ in self)

    def _look(self, key: Hashable, value: Callable[[Device], T], compared: Callable[[T], object] = lambda it: it) -> T:
        return self._fleets.read(self._name, self._notes, self._parts, key, value, compared)


class WatchedVlanTable(WatchedMapping):
    """The VLANs of a changed device: what they are called does not matter."""

    def __getitem__(self, key: Any) -> Any:
        found = self._look(
            ("vlan", key),
            lambda one: one.vlans.get(key),
            lambda vlan: vlan and (vlan.shutdown, vlan.trunk_groups),
        )
        if found is None:
            raise KeyError(key)
        return found


class WatchedInterfaces(WatchedMapping):
    """The interfaces of a changed device, each of them watched."""

    def __init__(self, fleets: WatchedFleets, name: str, notes: Notes) -> None:
        super().__init__(fleets, name, notes, "interfaces", _LAYOUT)

    def __getitem__(self, key: Any) -> Any:
        there = self._look(("interface", key), lambda one: key in one.interfaces)
        if not there:
            raise KeyError(key)
        return WatchedInterface(self._fleets, self._name, self._notes, key)


class WatchedInterface:
    """One interface of a changed device in one state, as the model of an interface."""

    __slots__ = ("_fleets", "_notes", "_owner", "name")

    def __init__(self, fleets: WatchedFleets, owner: str, notes: Notes, name: str) -> None:
        self._fleets, self._owner, self._notes, self.name = fleets, owner, notes, name

    def __getattr__(self, attribute: str) -> Any:
        name = self.name
        if attribute in ("span", "shutdown_span", "kind", "parent", "description"):  # by the name, or no meaning
            plain = self._fleets.space.device(self._owner, self._notes.position)
            return getattr(plain.interfaces[name], attribute)

        def value(one: Device) -> Any:
            found = one.interfaces.get(name)
            return _ABSENT if found is None else getattr(found, attribute)

        if attribute == "switch_port":
            there = self._fleets.read(
                self._owner, self._notes, _LAYOUT, ("interface", name, attribute), value, lambda it: it is None
            )
            return None if there is None else WatchedSwitchPort(self._fleets, self._owner, self._notes, name)
        compared = _is_none if attribute == "unknown_address" else _itself
        return self._fleets.read(self._owner, self._notes, _LAYOUT, ("interface", name, attribute), value, compared)


def _itself(value: object) -> object:
    return value


def _is_none(value: object) -> bool:
    return value is None


class WatchedSwitchPort:
    """What a switch port of a changed device does with VLANs: each setting is noted by itself."""

    __slots__ = ("_fleets", "_interface", "_notes", "_owner")

    def __init__(self, fleets: WatchedFleets, owner: str, notes: Notes, interface: str) -> None:
        self._fleets, self._owner, self._notes, self._interface = fleets, owner, notes, interface

    def __getattr__(self, attribute: str) -> Any:
        if attribute == "spans":
            plain = self._fleets.space.device(self._owner, self._notes.position)
            port = plain.interfaces[self._interface].switch_port
            return port.spans if port is not None else ()
        if attribute == "allowed":
            limited = self.look(attribute, lambda port: port.allowed is not None)
            return WatchedVlans(self) if limited else None
        return self.look(attribute, lambda port: getattr(port, attribute))

    def look(self, key: Hashable, ask: Callable[[SwitchPort], Any]) -> Any:
        """Read one setting."""
        interface = self._interface

        def value(one: Device) -> Any:
            found = one.interfaces.get(interface)
            return _ABSENT if found is None or found.switch_port is None else ask(found.switch_port)

        return self._fleets.read(self._owner, self._notes, _LAYOUT, ("port", interface, key), value)


class WatchedVlans:
    """The VLANs that a trunk of a changed device allows: noted is which of them are asked for."""

    __slots__ = ("_port",)

    def __init__(self, port: WatchedSwitchPort) -> None:
        self._port = port

    def __contains__(self, vlan: int) -> bool:
        return bool(self._port.look(("allowed", vlan), lambda port: port.allowed is None or vlan in port.allowed))


class WatchedFib:
    """A forwarding table of a changed device: noted is what becomes of the destinations that are asked about."""

    def __init__(self, fleets: WatchedFleets, name: str, notes: Notes, vrf: str | None, version: IPVersion) -> None:
        self._fleets, self._name, self._notes, self._vrf, self._version = fleets, name, notes, vrf, version

    def pieces(self, prefix: Prefix) -> list[Piece]:
        """As those of the table."""
        vrf, version = self._vrf, self._version

        def value(one: Device) -> list[Piece] | None:
            try:
                return build_fib(one, vrf, version).pieces(prefix)
            except UnknownNameError:
                return None

        parts = self._fleets.parts_with_unmodelled(self._name, _FORWARDING)
        found = self._fleets.read(self._name, self._notes, parts, ("fib", vrf, version, prefix), value, _pieces_key)
        if found is None:
            build_fib(self._fleets.space.device(self._name, self._notes.position), vrf, version)
            raise AssertionError(vrf)
        return found


def _pieces_key(pieces: list[Piece] | None) -> object:
    """Return what a walk sees of a table's answer."""
    if pieces is None:
        return None
    return [
        (
            piece.prefixes,
            bool(piece.doubts),
            bool(piece.stranded),
            piece.entry
            and (
                piece.entry.source,
                piece.entry.discard,
                tuple((hop.interface, hop.next_hop) for hop in piece.entry.hops),
            ),
        )
        for piece in pieces
    ]


class WatchedTopology(Topology):
    """Owners and subnets of a fleet in one state; the devices without jobs are looked up in tables made once."""

    def __init__(self, fleets: WatchedFleets, config: FleetConfig, notes: Notes) -> None:
        super().__init__(config)
        self._fleets = fleets
        self._notes = notes

    def state(self, device: str, interface: str) -> InterfaceState:
        """As of any topology; noted is only whether the interface is up."""
        if device not in self._fleets.space.changed:
            return super().state(device, interface)

        def value(one: Device) -> InterfaceState | None:
            found = one.interfaces.get(interface)
            return None if found is None else interface_state(one, found)

        parts = self._fleets.parts_with_unmodelled(device, ("vlans", *_LAYOUT))
        found = self._fleets.read(device, self._notes, parts, ("state", interface), value, _state_key)
        if found is None:
            raise KeyError(interface)
        return found

    def owners(self, address: Address) -> tuple[Attachment, ...]:
        """Return the interfaces that have an address, up or down."""
        found = self._all(("owners", address), lambda one: one.owners(address))
        return tuple(sorted(found, key=lambda one: one.device))

    def owned_within(self, prefix: Prefix) -> tuple[Attachment, ...]:
        """Return the attachments, up or down, whose own address lies in a prefix, in the order of the addresses."""
        found = self._all(("within", prefix), lambda one: one.owned_within(prefix))
        return tuple(sorted(found, key=lambda one: (one.address.address, one.device)))

    def on_subnet_of(self, address: Address) -> tuple[Attachment, ...]:
        """Return the attachments, up or down, whose subnet holds an address; longest subnet first."""
        found = self._all(("subnet", address), lambda one: one.on_subnet_of(address))
        return tuple(sorted(found, key=lambda one: (-one.prefix.length, one.device)))

    def overlapping(self, prefix: Prefix) -> tuple[Attachment, ...]:
        """Return the attachments, up or down, whose subnet shares an address with a prefix, by subnet."""
        found = self._all(("overlapping", prefix), lambda one: one.overlapping(prefix))
        return tuple(sorted(found, key=lambda one: (one.prefix.length, one.prefix.value, one.device)))

    def logical(self, end: LinkEnd) -> LinkEnd:
        """Return the port channel that a port is a member of, else the port itself."""
        if end.device not in self._fleets.space.changed:
            return super().logical(end)
        return self._alone(end.device, ("logical", end), lambda one: one.logical(end))

    def cables_of(self, device: str, interface: str) -> tuple[Cable, ...]:
        """Return the cables on an interface; those of a port channel's members count as the channel's."""
        if device not in self._fleets.space.changed:
            return super().cables_of(device, interface)
        return self._alone(device, ("cables", interface), lambda one: one.cables_of(device, interface))

    def subinterfaces(self, device: str, parent: str) -> tuple[Interface, ...]:
        """Return the sub-interfaces of an interface, in the order of the text."""
        if device not in self._fleets.space.changed:
            return super().subinterfaces(device, parent)
        names = self._alone(
            device, ("below", parent), lambda one: tuple(it.name for it in one.subinterfaces(device, parent))
        )
        return tuple(self.device(device).interfaces[name] for name in names)

    def _alone(self, device: str, key: Hashable, ask: Callable[[Topology], T]) -> T:
        """Return what a changed device alone decides."""
        return self._fleets.read(
            device, self._notes, _LAYOUT, key, lambda one: ask(self._fleets.topology_of(one)), _itself
        )

    def _all(self, key: Hashable, ask: Callable[[Topology], tuple[Attachment, ...]]) -> list[Attachment]:
        """Return what all devices answer, and note which of the changed ones would answer otherwise elsewhere."""
        found = list(self._fleets.still_answer(key, ask))
        for name in self._fleets.space.changed:
            found += self._fleets.read(
                name, self._notes, _LAYOUT, key, lambda one: ask(self._fleets.topology_of(one)), tuple
            )
        return found


def _state_key(state: InterfaceState | None) -> object:
    """Return what a walk sees of an interface's state."""
    return state and (state.up, state.member_of, bool(state.doubts))


class WatchedLayerTwo(LayerTwo):
    """The layer-2 view of a fleet in one state: what one device alone decides is noted as a whole."""

    def __init__(self, fleets: WatchedFleets, topology: Topology, notes: Notes) -> None:
        super().__init__(topology)
        self._fleets = fleets
        self._notes = notes

    def carriage(self, start: Segment, goal: Segment) -> Carriage:
        """Return whether frames of one segment reach another over the cables that are given."""
        return self._remembered(("carriage", start, goal), lambda anew: LayerTwo.carriage(anew, start, goal))

    def component(self, start: Segment) -> tuple[Segment, ...]:
        """Return every segment that frames of a segment may reach, itself first."""
        return self._remembered(("component", start), lambda anew: LayerTwo.component(anew, start))

    def station_ports(self, end: LinkEnd) -> tuple[LinkEnd, ...]:
        """Return the switch ports to which a station on an interface's subnet may be connected."""
        return self._remembered(("stations", end), lambda anew: LayerTwo.station_ports(anew, end))

    def inner_list_doubts(self, end: LinkEnd) -> tuple[Doubt, ...]:
        """Return the lists on cabled switch ports that a station's frames may pass before they reach an interface."""
        return self._remembered(("inner lists", end), lambda anew: LayerTwo.inner_list_doubts(anew, end))

    def _remembered(self, key: Hashable, ask: Callable[[LayerTwo], T]) -> T:
        """Ask a view that has kept nothing: what one question left behind would hide from the next what was read."""
        anew = WatchedLayerTwo(self._fleets, self._topology, self._notes)
        return self._fleets.remembered(key, self._notes, lambda: ask(anew))

    def interfaces_on(self, segment: Segment) -> tuple[LinkEnd, ...]:
        """Return the routed interfaces of a segment's device that are on the segment."""
        if segment.device not in self._fleets.space.changed:
            return super().interfaces_on(segment)
        return self._alone(_LAYOUT, ("on", segment), segment.device, lambda one: one.interfaces_on(segment))

    def free_ports(self, segment: Segment) -> tuple[LinkEnd, ...]:
        """Return the switch ports of a segment's device that carry the segment, are up and have no cable."""
        if segment.device not in self._fleets.space.changed:
            return super().free_ports(segment)
        parts = self._fleets.parts_with_unmodelled(segment.device, ("vlans", *_LAYOUT))
        return self._alone(parts, ("free", segment), segment.device, lambda one: one.free_ports(segment))

    def _alone(
        self,
        parts: Sequence[JobPart],
        key: Hashable,
        device: str,
        ask: Callable[[LayerTwo], tuple[LinkEnd, ...]],
    ) -> tuple[LinkEnd, ...]:
        return self._fleets.read(
            device, self._notes, parts, key, lambda one: ask(LayerTwo(self._fleets.topology_of(one))), tuple
        )


class WatchedNetwork(Network):
    """A fleet in one state as packets see it, taking notes of what is read."""

    def __init__(self, fleets: WatchedFleets, config: FleetConfig, notes: Notes) -> None:
        super().__init__(config)
        self._fleets = fleets
        self._notes = notes
        self._view = WatchedTopology(fleets, config, notes)
        self._layer2 = WatchedLayerTwo(fleets, self._view, notes)

    @property
    def topology(self) -> Topology:
        """Owners, subnets and cables."""
        return self._view

    @property
    def layer2(self) -> LayerTwo:
        """Whether VLANs are carried."""
        return self._layer2

    @property
    def told(self) -> FleetConfig:
        """The fleet without notes: what the evaluator reads of it says nothing about the walk."""
        return self._fleets.plain(self._notes.position)

    def fib(self, device: str, vrf: str | None, version: IPVersion) -> Fib:
        """Return the forwarding table of one VRF of a device."""
        if device not in self._fleets.space.changed:
            return super().fib(device, vrf, version)
        return WatchedFib(self._fleets, device, self._notes, vrf, version)  # type: ignore[return-value]

    def routing(self, device: str, version: IPVersion) -> RoutingState:
        """Return whether a device forwards packets that are not its own."""
        if device not in self._fleets.space.changed:
            return super().routing(device, version)
        return self._fleets.read(
            device,
            self._notes,
            _FORWARDING,
            ("routing", version),
            lambda one: routing_state(one, version),
            lambda state: state.on,
        )
