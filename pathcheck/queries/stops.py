"""What keeps packets from going on where a walk ends, in words and with the line that says so."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from pathcheck.model.access_list import Direction, Family
from pathcheck.model.device import Device
from pathcheck.model.interface import Interface
from pathcheck.network.layer2 import CarriageFault
from pathcheck.network.reachability import End, HopTrace, Network
from pathcheck.packet.address import IPVersion
from pathcheck.results.path import LineUse, RouteUse
from pathcheck.results.verdict import Reason
from pathcheck.source import Span

__all__ = ["Stop", "StopKind", "carriage_stop", "route_of", "stop_at"]

StopKind = Literal["list", "guard", "carriage", "down", "route", "elsewhere", "path"]
"""`guard` is a list that guards a device itself, `down` an interface that a route needs, `elsewhere` an arrival at
somebody else."""


@dataclass(frozen=True, slots=True)
class Stop:
    """Why packets do not get to where they should.

    Parameters
    ----------
    message
        One clause without a final stop.
    span
        The line that says it, None where no line does.
    device
        Where it happens.
    at_start
        Whether that is the device that sends the packets.
    because, help
        Other lines that explain it, and what to do.
    """

    kind: StopKind
    message: str
    span: Span | None = None
    device: str | None = None
    at_start: bool = False
    acl: str | None = None
    because: tuple[Span, ...] = ()
    help: str | None = None


def stop_at(
    network: Network, end: End, version: IPVersion, *, subject: str, target: str, permit: str, sender: str | None = None
) -> Stop:
    """Return why packets that ended did not get to where they should.

    Parameters
    ----------
    subject
        What the packets are, as `the session`.
    target
        Where they should get to, as an address.
    permit
        What a list would have to permit, behind the word `permit`.
    sender
        The device that sends them, if one does.
    """
    return _Stopping(network, end, version, subject, target, permit, sender).stop()


def carriage_stop(fault: CarriageFault, *, at_start: bool = False) -> Stop:
    """Return that a VLAN is not carried, with what to do."""
    help_ = {
        "not-allowed": f"allow VLAN {fault.vlan} on the trunk",
        "undefined-vlan": f"define `vlan {fault.vlan}` on {fault.device}",
        "shut-vlan": f"remove the line that shuts VLAN {fault.vlan} down",
        "down": "remove the line that shuts the port down",
        "no-cable": "add the cable to `links`, or correct it there",
    }.get(fault.kind, "make both ends of the cable fit each other")
    return Stop("carriage", fault.why, fault.span, fault.device, at_start, help=help_)


def route_of(hop: HopTrace) -> RouteUse | None:
    """Return the route that packets follow at a hop."""
    return hop.routes[0][1] if hop.routes else None


@dataclass(slots=True)
class _List:
    """A list that denies: what it is called in words, and where it is applied."""

    device: Device
    where: str
    is_guard: bool = False
    binding: Span | None = None


@dataclass(slots=True)
class _Stopping:
    """The work on one end."""

    network: Network
    end: End
    version: IPVersion
    subject: str
    target: str
    permit: str
    sender: str | None

    @property
    def family(self) -> Family:
        """The family of lists that the packets meet."""
        return "ipv4" if self.version == 4 else "ipv6"

    def stop(self) -> Stop:
        """Return the stop."""
        if not self.end.hops:
            return self.path()
        hop = self.end.hops[-1]
        start = len(self.end.hops) == 1 and hop.device == self.sender
        match self.end.reason:
            case Reason.FILTERED:
                return self.filtered(hop)
            case Reason.STRANDED if hop.faults and isinstance(hop.faults[0], CarriageFault):
                return carriage_stop(hop.faults[0], at_start=start)
            case Reason.UNROUTED | Reason.STRANDED:
                return self.unrouted(hop, start)
            case Reason.DISCARDED:
                use = route_of(hop)
                what = f"by the discard route to {use.prefix}" if use else "by a discard route"
                return self.route(hop, start, f"{hop.device} discards what goes to {self.target}, {what}")
            case Reason.HANDED_OVER:
                return self.handed_over(hop, start)
            case Reason.LOOPING:
                way = " to ".join((*self.end.cycle, *self.end.cycle[:1]))
                use = route_of(hop) or next((it for one in self.end.hops if (it := route_of(one))), None)
                help_ = "send them towards their destination on each device"
                message = f"packets to {self.target} go round: {way}"
                return Stop("route", message, use.span if use else None, hop.device, help=help_)
            case Reason.ARRIVED:
                return self.elsewhere(hop)
            case _:
                return self.path()

    # ---- routes -----------------------------------------------------------------------------

    def route(self, hop: HopTrace, start: bool, message: str, span: Span | None = None) -> Stop:
        """Blame the table of a device."""
        use = route_of(hop)
        place = span or (use.span if use is not None else None)
        return Stop("route", message, place, hop.device, start, help=self.route_help(hop, start))

    def route_help(self, hop: HopTrace, start: bool) -> str:
        """Say what to do about a table."""
        device = self.network.config.devices[hop.device]
        if start and not self.network.routing(device.name, self.version).on:
            return f"name a router on a subnet of {device.name} as default gateway"
        return f"give {hop.device} a route to {self.target} whose next hop it can reach"

    def unrouted(self, hop: HopTrace, start: bool) -> Stop:
        """No route, one that cannot be used, or an interface that is down."""
        device = self.network.config.devices[hop.device]
        if hop.faults:
            fault = hop.faults[0]
            down = self.down_below(device, fault.span)
            if down is not None:
                return replace(down, at_start=start)
            words, use = fault.why, route_of(hop)
            gateway = next((it.address for it in device.gateways if it.span == fault.span), None)
            if gateway is not None:
                words = f"the default gateway {gateway} cannot be used: {words.partition(': ')[2] or words}"
            because = (use.span,) if use is not None and use.span is not None and use.span != fault.span else ()
            help_ = self.route_help(hop, start)
            if "down" in words and not (start and gateway is not None):
                help_ = "bring it up, or take another way"
            return Stop("route", words, fault.span, hop.device, start, because=because, help=help_)
        if hop.into is not None:
            state = self.network.topology.state(hop.device, hop.into)
            if not state.up:
                message = f"{hop.device}:{hop.into} is down: {state.why}"
                return Stop("route", message, state.span, hop.device, start, help="bring it up")
        routes = self.network.routing(device.name, self.version).on
        what = "no default gateway and no route" if start and not device.gateways and not routes else "no route"
        anchor = self.anchor(device, hop, start)
        place = (anchor.addresses[0].span if start and anchor.addresses else anchor.span) if anchor else None
        table = f" in VRF `{anchor.vrf}`" if anchor is not None and anchor.vrf is not None else ""
        return self.route(hop, start, f"{hop.device} has {what} to {self.target}{table}", place)

    def down_below(self, device: Device, span: Span | None) -> Stop | None:
        """Return that an interface is down which a route or gateway needs; None where that is not why it is idle."""
        hops = [(it.next_hop, it.vrf) for it in device.static_routes if it.span == span]
        hops += [(it.address, it.vrf) for it in device.gateways if it.span == span]
        for interface in device.interfaces.values():
            state = self.network.topology.state(device.name, interface.name)
            if state.up or state.doubts:
                continue
            for next_hop, vrf in hops:
                on_link = any(next_hop in it.prefix for it in interface.addresses) if next_hop is not None else False
                if on_link and interface.vrf == vrf:
                    where = f"`{interface.name}` of {device.name}"
                    message = f"{where}, on which the next hop {next_hop} is, is down: {state.why}"
                    because = (span,) if span is not None and span != state.span else ()
                    return Stop("down", message, state.span, device.name, because=because, help="bring it up")
        return None

    def anchor(self, device: Device, hop: HopTrace, start: bool) -> Interface | None:
        """Return the interface that stands for a table without a route: where packets come in, or get their address."""
        if not start:
            return device.interfaces.get(hop.into or "")
        packet = self.end.packets.sample()
        for interface in device.interfaces.values():
            if packet is not None and any(it.address == packet.source for it in interface.addresses):
                return interface
        return None

    def handed_over(self, hop: HopTrace, start: bool) -> Stop:
        """A next hop that belongs to nobody."""
        use = route_of(hop)
        next_hop = use.next_hop if use is not None else None
        what = "gateway" if start and use is not None and use.source == "gateway" else "next hop"
        named = f"the {what} {next_hop} of {hop.device}" if next_hop else f"what is behind {hop.device}:{hop.out}"
        message = (
            f"{named} belongs to no device of the fleet: {self.subject} would leave it and not reach {self.target}"
        )
        help_ = "take the address of a router of the fleet"
        return Stop("route", message, use.span if use else None, hop.device, start, help=help_)

    def elsewhere(self, hop: HopTrace) -> Stop:
        """The packets came to somebody else."""
        back = self.end.back_at
        where = hop.device if back is not None and back.interface is None else "a station"
        use = route_of(hop)
        return Stop(
            "elsewhere",
            f"packets to {self.target} arrive at {where}, which is not what they are for",
            use.span if use else None,
            hop.device,
            help="let one device have the address, on the subnet that is routed to",
        )

    def path(self) -> Stop:
        """What nothing else explains, with the path."""
        way = ", ".join(dict.fromkeys(hop.device for hop in self.end.hops)) or "no device"
        notes = "; ".join(note for hop in self.end.hops for note in hop.notes)
        message = f"{self.subject} ends {self.end.reason.value} on the path over {way}" + (
            f" ({notes})" if notes else ""
        )
        return Stop("path", message, None, help="ask `pathcheck flow` for the whole path")

    # ---- lists ------------------------------------------------------------------------------

    def filtered(self, hop: HopTrace) -> Stop:
        """A list on the way denies."""
        found = self.deny(hop)
        if found is None:
            return self.path()
        use, where = found
        access_list = where.device.access_list(self.family, use.acl)
        without = "not defined" if access_list is None else "" if access_list.lines else "empty"
        if use.span is not None:
            line = f"`{use.span.words}`"
        elif without:
            line = f"it is {without}, which is read as `undefined_list: denies-all`"
        else:
            line = f"its {use.text}"
        span = use.span or (access_list.span if access_list is not None else where.binding)
        because = (where.binding,) if where.binding is not None and where.binding != span else ()
        place = f"in front of line {use.span.line}" if use.span is not None else f"in `{use.acl}`"
        help_ = f"define `{use.acl}`, and permit {self.permit} in it" if without else f"permit {self.permit} {place}"
        return Stop(
            "guard" if where.is_guard else "list",
            f"the list `{use.acl}` {where.where} denies {self.subject}: {line}",
            span,
            where.device.name,
            acl=use.acl,
            because=because,
            help=help_,
        )

    def deny(self, hop: HopTrace) -> tuple[LineUse, _List] | None:
        """Return the line that denied the packets, and where its list is applied."""
        slots: tuple[tuple[str, Direction | None, str | None], ...] = (
            ("out_lines", "out", hop.out),
            ("port_lines", None, None),
            ("in_lines", "in", hop.into),
        )
        for slot, direction, interface in slots:
            for packets, use in reversed(getattr(hop, slot)):
                if use.action == "deny" and not packets.isdisjoint(self.end.packets):
                    return use, self.where(hop, use, direction, interface)
        return None

    def where(self, hop: HopTrace, use: LineUse, direction: Direction | None, interface: str | None) -> _List:
        """Return where a list is applied."""
        device = self.network.config.devices[hop.device]
        if direction is not None and interface is not None:
            spans = [
                it.span
                for it in device.interfaces[interface].bindings
                if it.list_name == use.acl and it.direction == direction and it.family == self.family
            ]
            return _List(device, f"({direction} on {device.name}:{interface})", binding=spans[0] if spans else None)
        for block in device.terminal_lines:
            for it in block.bindings:
                if it.list_name == use.acl and it.direction == "in" and it.family == self.family:
                    return _List(device, f"of the terminal lines of {device.name}", True, it.span)
        for it in device.control_plane:
            if it.list_name == use.acl and it.family == self.family:
                return _List(device, f"that guards {device.name} itself", True, it.span)
        return self.on_port(device, use)

    def on_port(self, device: Device, use: LineUse) -> _List:
        """A list on a switch port of any device on the way."""
        for other in (device, *self.network.config.devices.values()):
            if use.span is not None and use.span.file not in other.files:
                continue
            for name, port in other.interfaces.items():
                for it in port.bindings:
                    if it.port and it.list_name == use.acl and it.family == self.family:
                        return _List(other, f"(on the switch port {other.name}:{name})", binding=it.span)
        return _List(device, "on a switch port")
