"""One packet through a whole fleet: device after device, each equal-cost way by itself."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from pathcheck.errors import UnknownNameError
from pathcheck.evaluator.access_list import MAYBE, NO, YES, evaluate_list
from pathcheck.evaluator.interface import Carriage, End, is_up
from pathcheck.evaluator.neighbour import owners, takers
from pathcheck.evaluator.route import Way, best_ways, own_interfaces, routes_packets
from pathcheck.model.access_list import Action, Direction, ListBinding
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.model.flow import EntryPoint
from pathcheck.model.unmodelled import DeviceScope, InterfaceScope, OwnScope, TranslationScope
from pathcheck.packet.packet import Packet
from pathcheck.packet.tcp_flags import ACK, SYN
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["Outcome", "Trail", "evaluate_packet"]

Trail = tuple[tuple[str, str | None, str | None], ...]
"""The devices on a way: name, interface where the packet arrived, interface by which it left."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One end of one way.

    Parameters
    ----------
    reason
        `unmodelled` where something that is not modelled could change it.
    device, interface
        Where it ended; the interface is None where that is not at one.
    trail
        The way there.
    why
        What decided, in words; for `unmodelled` what makes it uncertain.
    """

    reason: Reason
    device: str
    interface: str | None
    trail: Trail
    why: str = field(default="", compare=False)


def evaluate_packet(
    config: FleetConfig,
    packet: Packet,
    at: EntryPoint,
    vrf: str | None = None,
    ports: Sequence[LinkEnd] = (),
) -> frozenset[Outcome]:
    """Follow one packet from where it enters to each of its ends.

    Parameters
    ----------
    config
        The fleet.
    packet
        One packet, taken as unicast.
    at
        The device and interface where it arrives; without an interface it is
        the device's own and starts in the table `vrf`.
    ports
        The switch ports by one of which it gets to that interface; none where that is not asked.

    Returns
    -------
    frozenset
        One outcome for each way; the same packet may take any of them.

    Raises
    ------
    UnknownNameError
        The fleet has no such device, or the device no such interface.

    References
    ----------
    RFC 1812 section 5.2 (forwarding: longest match in 5.2.4.3). The page
    `docs/meaning.md` says what each step means and where that comes from.
    """
    device = config.devices.get(at.device)
    if device is None or (at.interface is not None and at.interface not in device.interfaces):
        raise UnknownNameError(f"the fleet has no `{at.device}` with an interface `{at.interface}`")
    return frozenset(_Walk(config, packet).enter(at, vrf, ports))


class _Walk:
    """One packet on its way; `doubt` is what may have dropped it already, empty for nothing."""

    def __init__(self, config: FleetConfig, packet: Packet) -> None:
        self.config = config
        self.packet = packet

    def enter(self, at: EntryPoint, vrf: str | None, ports: Sequence[LinkEnd]) -> Iterator[Outcome]:
        """Let the packet in; a list on one of the ports counts for certain only if all of them agree."""
        answers = {self.pass_port_lists(port.device, port.interface, "in") for port in ports}
        actions = {action for action, _ in answers}
        hidden = any(isinstance(line.scope, DeviceScope) for line in self.config.devices[at.device].unmodelled)
        if actions == {Action.DENY} and not hidden:
            trail = ((at.device, at.interface, None),)
            yield self.end(Reason.FILTERED, trail, "", "the list on the switch port")
            return
        doubt = "" if actions <= {Action.PERMIT} else "which switch port the packet enters by is not known"
        yield from self.arrive(at.device, at.interface, vrf, (), doubt)

    def arrive(self, name: str, into: str | None, vrf: str | None, trail: Trail, doubt: str) -> Iterator[Outcome]:
        """Take the packet in at a device."""
        device = self.config.devices[name]
        looping = any(hop[:2] == (name, into) for hop in trail)
        trail = (*trail, (name, into, None))
        if looping:
            yield self.end(Reason.LOOPING, trail[:-1], doubt, "it is back where it was")
            return
        for line in device.unmodelled:
            if isinstance(line.scope, DeviceScope):
                yield self.end(Reason.UNMODELLED, trail, doubt, line.what)
                return
        if into is None:
            yield from self.at_device(device, None, vrf, trail, doubt)
            return
        interface = device.interfaces[into]
        up, why = is_up(device, interface)
        if up == NO:
            yield self.end(Reason.STRANDED, trail, doubt, why)
            return
        doubt = doubt or (why if up == MAYBE else "")
        diverted, dropped = self.unmodelled_at(device, into, "in")
        if diverted:
            yield self.end(Reason.UNMODELLED, trail, doubt, diverted)
            return
        lists = [item for item in interface.bindings if item.direction == "in" and not item.port]
        action, why = self.pass_lists(device, lists)
        if action is Action.DENY:
            yield self.end(Reason.FILTERED, trail, doubt, why)
            return
        yield from self.at_device(device, into, interface.vrf, trail, doubt or dropped or ("" if action else why))

    def at_device(
        self, device: Device, into: str | None, vrf: str | None, trail: Trail, doubt: str
    ) -> Iterator[Outcome]:
        """Deliver the packet to the device, or look up its way."""
        own = own_interfaces(device, vrf, self.packet.destination)
        if any(up == YES for _, (up, _) in own):
            yield from self.deliver(device, into, trail, doubt)
            return
        if own:
            yield self.end(Reason.UNMODELLED, trail, doubt, own[0][1][1])
            return
        if into is not None and not routes_packets(device, self.packet.version):
            yield self.end(Reason.UNROUTED, trail, doubt, "the device does not route")
            return
        choice = best_ways(device, vrf, self.packet.destination)
        if choice.doubts:
            yield self.end(Reason.UNMODELLED, trail, doubt, choice.doubts[0])
        elif not choice.ways:
            reason = Reason.STRANDED if choice.stranded else Reason.UNROUTED
            yield self.end(reason, trail, doubt, "no route that can be used matches")
        else:
            for way in sorted(choice.ways, key=str):
                yield from self.leave(device, into, way, trail, doubt)

    def deliver(self, device: Device, into: str | None, trail: Trail, doubt: str) -> Iterator[Outcome]:
        """Give the packet to the device itself: control plane, then terminal lines."""
        lines = [line.what for line in device.unmodelled if isinstance(line.scope, OwnScope)]
        lines += self.translations(device, into, None)
        if lines:
            yield self.end(Reason.UNMODELLED, trail, doubt, lines[0])
            return
        action, why = self.pass_lists(device, [item for item in device.control_plane if item.direction == "in"])
        if action is Action.DENY:
            yield self.end(Reason.FILTERED, trail, doubt, why)
            return
        doubt = doubt or ("" if action else why)
        # Sessions end on any free block of terminal lines, so each block is an alternative. SYN with ACK opens none.
        answers = self.packet.flags & SYN and self.packet.flags & ACK
        session = self.packet.protocol == 6 and self.packet.destination_port in (22, 23) and not answers
        for bindings in {block.bindings for block in device.terminal_lines if session and block.accepts_sessions} or {
            ()
        }:
            action, why = self.pass_lists(device, [item for item in bindings if item.direction == "in"])
            if action is Action.DENY:
                yield self.end(Reason.FILTERED, trail, doubt, why)
            else:
                yield self.end(Reason.ARRIVED, trail, doubt or ("" if action else why), "its own address")

    def leave(self, device: Device, into: str | None, way: Way, trail: Trail, doubt: str) -> Iterator[Outcome]:
        """Send the packet out by one way."""
        out = way.interface
        if out is None:
            yield self.end(Reason.DISCARDED, trail, doubt, "a discard route")
            return
        trail = (*trail[:-1], (device.name, into, out))
        diverted, dropped = self.unmodelled_at(device, out, "out")
        diverting = self.translations(device, into, out) + ([diverted] if diverted else [])
        if diverting:
            yield self.end(Reason.UNMODELLED, trail, doubt, diverting[0])
            return
        lists = [item for item in device.interfaces[out].bindings if item.direction == "out" and not item.port]
        if into is None and device.assume.own_packets == "skip-out":
            lists = []
        action, why = self.pass_lists(device, lists)
        if action is Action.DENY:
            yield self.end(Reason.FILTERED, trail, doubt, why)
            return
        doubt = doubt or dropped or ("" if action else why)
        target = self.packet.destination if way.connected else way.next_hop
        if way.connected and all(end == (device.name, out) for end, _ in owners(self.config, self.packet.destination)):
            yield self.end(Reason.ARRIVED, trail, doubt, "a station of the subnet")
            return
        onward = takers(self.config, (device.name, out), self.packet.version, target)
        if onward.fate == "unknown":
            yield self.end(Reason.UNMODELLED, trail, doubt, onward.why)
        elif onward.fate == "stranded":
            yield self.end(Reason.STRANDED, trail, doubt, onward.why)
        elif not onward.takers and not way.connected and any(one.may_own(target) for one in self.config.refused):
            yield self.end(Reason.UNMODELLED, trail, doubt, "a refused file may have the next hop")
        elif not onward.takers:
            yield self.end(Reason.ARRIVED if way.connected else Reason.HANDED_OVER, trail, doubt, "nobody of the fleet")
        for end, carriage in onward.takers:
            yield from self.carry(end, carriage, trail, doubt)

    def carry(self, end: End, carriage: Carriage, trail: Trail, doubt: str) -> Iterator[Outcome]:
        """Take the packet over cables and switch ports to the next device."""
        doubt = doubt or (carriage.answer[1] if carriage.answer[0] == MAYBE else "")
        if carriage.maybe_lists:
            doubt = doubt or "a list on a switch port may be on the way"
        for name, port, direction in carriage.lists:
            action, why = self.pass_port_lists(name, port, direction)
            if action is Action.DENY:
                yield self.end(Reason.FILTERED, trail, doubt, why)
                return
            doubt = doubt or ("" if action else why)
        vrf = self.config.devices[end[0]].interfaces[end[1]].vrf
        yield from self.arrive(end[0], end[1], vrf, trail, doubt)

    def end(self, reason: Reason, trail: Trail, doubt: str, why: str) -> Outcome:
        """End a way; what would pass is uncertain if something may have dropped the packet before."""
        device, into, out = trail[-1]
        if doubt and reason.verdict is Verdict.PERMITTED:
            reason, why = Reason.UNMODELLED, doubt
        return Outcome(reason, device, out or into, trail, why)

    def pass_lists(self, device: Device, bindings: Sequence[ListBinding]) -> tuple[Action | None, str]:
        """Pass lists one after the other: one denial is enough, one uncertain list leaves it open."""
        result: tuple[Action | None, str] = (Action.PERMIT, "")
        for binding in bindings:
            if binding.family == f"ipv{self.packet.version}":
                decision = evaluate_list(device, binding.family, binding.list_name, self.packet)
                if decision.action is Action.DENY:
                    return Action.DENY, f"{binding.list_name}: {decision.use.text}"
                if decision.action is None:
                    result = None, decision.doubts[0].why
        return result

    def pass_port_lists(self, name: str, port: str, direction: Direction) -> tuple[Action | None, str]:
        """Pass the lists on a switch port."""
        device = self.config.devices[name]
        bindings = device.interfaces[port].bindings
        return self.pass_lists(device, [item for item in bindings if item.port and item.direction == direction])

    def unmodelled_at(self, device: Device, interface: str, direction: Direction) -> tuple[str, str]:
        """Return a line that may divert or change packets at an interface, and one that may only drop them."""
        found = {True: "", False: ""}
        for line in device.unmodelled:
            scope = line.scope
            if isinstance(scope, InterfaceScope) and scope.interface == interface and direction in scope.directions:
                found[scope.may_only_drop] = found[scope.may_only_drop] or line.what
        return found[False], found[True]

    def translations(self, device: Device, into: str | None, out: str | None) -> list[str]:
        """Return the lines that may translate addresses between two interfaces; no `out` is the device itself."""
        sides = [
            (u.scope.interface, u.scope.side, u.what)
            for u in device.unmodelled
            if isinstance(u.scope, TranslationScope)
        ]
        # What comes to the device's address from outside may be translated and sent on inside.
        return [
            what
            for entered, side, what in sides
            for left, other, _ in sides
            if entered == into and side != other and (left == out or (out is None and side == "outside"))
        ]
