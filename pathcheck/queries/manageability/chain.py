"""The chain between the controller and a device, link by link, where the walk says that it breaks.

The walk has decided. Each link is asked in its order whether it is what breaks; a link is
only blamed for what the walk met, or for what keeps packets from the device in any case. So the
chain never contradicts the verdict, and where no link explains it the path is named.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cached_property

from pathcheck.dataplane.interface_state import interface_state, svi_vlan
from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.model.flow import EntryPoint
from pathcheck.model.interface import Interface, InterfaceAddress
from pathcheck.model.vlan import ALWAYS_PRESENT
from pathcheck.network.entry import flow_packets
from pathcheck.network.layer2 import Carriage
from pathcheck.network.reachability import End, HopTrace, Network, Start, Walk
from pathcheck.network.reply import replies_to
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.queries.flow import Followed, network_of
from pathcheck.queries.manageability.judging import closed_lines, fails, reached
from pathcheck.queries.stops import Stop, carriage_stop, stop_at
from pathcheck.results.manageability import LINK_KINDS, ChainLink, LinkKind, LinkState, ManagementAnswer
from pathcheck.results.path import Doubt, LineUse, RouteUse
from pathcheck.results.verdict import Reason, Verdict
from pathcheck.source import Span

__all__ = ["explain"]

_ORDER = {kind: place for place, kind in enumerate(LINK_KINDS)}


def explain(config: FleetConfig, found: ManagementAnswer, followed: Followed) -> ManagementAnswer:
    """Return the answer with its chain: whole where it holds, else up to the link that breaks or is not known."""
    chain = _Chain(config, found.device, followed)
    if found.holds is False:
        broken = chain.first_broken()
        return replace(found, broken=broken, links=(*chain.links_before(broken), broken))
    if found.holds is None:
        uncertain = chain.first_uncertain()
        return replace(found, uncertain=uncertain, links=(*chain.links_before(uncertain), uncertain))
    return replace(found, links=tuple(chain.links_before(None)))


class _Chain:
    """The chain of one device."""

    def __init__(self, config: FleetConfig, name: str, followed: Followed) -> None:
        self.config = config
        self.network: Network = network_of(config)
        self.device = config.devices[name]
        self.followed = followed
        self.flow = followed.flow
        self.address = Address(self.flow.destination[0].version, self.flow.destination[0].value)
        self.version: IPVersion = self.address.version

    # ---- what is known of the device --------------------------------------------------------

    @cached_property
    def own(self) -> tuple[Interface, InterfaceAddress] | None:
        """The interface that has the management address, one that is up where there are several."""
        found = [
            (interface, address)
            for interface in self.device.interfaces.values()
            for address in interface.addresses
            if address.address == self.address
        ]
        found.sort(key=lambda item: not self.network.topology.state(self.device.name, item[0].name).up)
        return found[0] if found else None

    @cached_property
    def answers(self) -> tuple[End, ...]:
        """What becomes of the device's answers: those that the walk met, else those that it would send."""
        # What answers packets that came to somebody else is no answer of the device.
        start = EntryPoint(self.device.name)
        met = tuple(end for end in self.followed.back if end.start is not None and end.start.at == start)
        if met:
            return met
        if self.own is None or self.own[0].channel_group is not None:
            return ()
        packets = replies_to(flow_packets(self.flow, self.version))
        return Walk(self.network, self.version).run([Start(start, packets, self.flow.source, self.own[0].vrf)])

    @cached_property
    def gateways(self) -> tuple[tuple[LinkEnd, Address, RouteUse], ...]:
        """Where the device's own table sends answers that need a router: its interface, the next hop, the route."""
        found: dict[tuple[LinkEnd, Address], RouteUse] = {}
        for end in self.answers:
            hop = end.hops[0] if end.hops else None
            for _, use in hop.routes if hop is not None and hop.device == self.device.name else ():
                if use.next_hop is not None and use.interface is not None:
                    found.setdefault((LinkEnd(self.device.name, use.interface), use.next_hop), use)
        return tuple((out, address, use) for (out, address), use in found.items())

    def uplinks(self) -> list[tuple[LinkEnd, LinkEnd, Carriage]]:
        """Each way from the device to an owner of one of its gateways: both interfaces, and whether frames pass."""
        topology, layer2 = self.network.topology, self.network.layer2
        return [
            (out, owner.end, layer2.between(out, owner.end))
            for out, address, _ in self.gateways
            for owner in topology.owners(address)
            if owner.device != self.device.name
        ]

    # ---- the first link that breaks ---------------------------------------------------------

    def first_broken(self) -> ChainLink:
        """Return the first link, in the order of the chain, that the walk's failure rests on."""
        static = self.broken_address() or self.broken_interface()
        if static is not None:
            return static
        found = [self.at_end(end, back=False) for end in self.followed.there if fails(end, self.device.name)]
        found += [self.at_end(end, back=True) for end in self.answers if fails(end, None)]
        if not found:
            # Packets that may have come to somebody else, whose answers are lost for certain.
            found = [self.at_end(end, back=True) for end in self.followed.back if fails(end, None)]
        carried = self.broken_uplink()
        if carried is not None and any(link.kind in ("gateway", "route", "way-back", "path") for link in found):
            found.append(carried)
        return min(found, key=lambda link: _ORDER[link.kind])

    def broken_address(self) -> ChainLink | None:
        """The management address is on no interface of the device."""
        if self.own is not None:
            return None
        name = self.device.name
        near = [
            (interface, address)
            for interface in self.device.interfaces.values()
            for address in interface.addresses
            if address.role != "link-local" and self.address in address.prefix
        ]
        others = [owner for owner in self.network.topology.owners(self.address) if owner.device != name]
        message = f"no interface of {name} has the management address {self.address}"
        if near:
            message += f"; `{near[0][0].name}`, on its subnet, has {near[0][1].address}"
        elif others:
            message += f"; {others[0].end} has it"
        span = near[0][1].span if near else self.device.management_span
        because = [self.device.management_span] if near else [owner.address.span for owner in others[:1]]
        return ChainLink(
            "address",
            "broken",
            message,
            span,
            name,
            because=tuple(it for it in because if it is not None),
            help="give the interface the address that `fleet.yaml` names, or correct `management` there",
        )

    def broken_interface(self) -> ChainLink | None:
        """The interface that has the management address is down for certain."""
        assert self.own is not None
        interface, _ = self.own
        end = LinkEnd(self.device.name, interface.name)
        state = self.network.topology.state(*_pair(end))
        if state.doubts or (state.up and state.member_of is None):
            return None
        if interface.kind != "svi" or interface.shutdown:
            why = f"a member of {state.member_of}" if state.member_of else state.why
            help_ = "remove the line that shuts it down" if interface.shutdown else "bring it up, or move the address"
            return self._link("interface", f"`{end.interface}` is down: {why}", state.span, help_)
        number = svi_vlan(interface)
        vlan = self.device.vlans.get(number or 0)
        if vlan is not None and vlan.shutdown:
            return self._link("vlan", f"VLAN {number} is shut down", vlan.span, "remove the line that shuts it down")
        if self.device.has_vlan_section and vlan is None and number not in ALWAYS_PRESENT:
            return self._link(
                "vlan", f"VLAN {number} of `{interface.name}` is not defined", interface.span, f"define `vlan {number}`"
            )
        return self.broken_port(interface, number or 0)

    def broken_port(self, svi: Interface, vlan: int) -> ChainLink:
        """No port that is up carries the VLAN of the management interface: the port that should is named."""
        candidates: list[tuple[bool, bool, bool, int, ChainLink]] = []
        for port in self.device.interfaces.values():
            settings = port.switch_port
            if settings is None or port.channel_group is not None:
                continue
            cabled = bool(self.network.topology.cables_of(self.device.name, port.name))
            spans = dict(settings.spans)
            # Without a mode and without a line on trunks, a port is an access port (common practice, no source).
            plain = settings.mode is None and settings.allowed is None and settings.native is None
            is_access = settings.mode == "access" or plain
            if is_access:
                carries = vlan in (settings.access_vlan or 1, settings.voice_vlan)
            else:
                carries = settings.allowed is None or vlan in settings.allowed
            state = interface_state(self.device, port)
            if carries and not state.up:
                link = self._link(
                    "uplink",
                    f"`{port.name}`, which carries VLAN {vlan}, is down: {state.why}",
                    state.span,
                    "bring the port up",
                )
            elif not carries and not is_access:
                link = self._link(
                    "uplink",
                    f"the trunk `{port.name}` does not allow VLAN {vlan}, and no other port that is up carries it",
                    spans.get("allowed", port.span),
                    f"allow VLAN {vlan} on it",
                )
            elif not carries and cabled:
                link = self._link(
                    "uplink",
                    f"`{port.name}` is an access port in VLAN {settings.access_vlan or 1}, and no port that is up "
                    f"carries VLAN {vlan}",
                    spans.get("access", port.span),
                    f"make it a port that carries VLAN {vlan}",
                )
            else:
                continue
            candidates.append((not cabled, not carries, is_access, len(candidates), link))
        if candidates:
            return min(candidates, key=lambda item: item[:4])[4]
        return self._link(
            "interface",
            f"`{svi.name}` is down: no port that is up carries VLAN {vlan}",
            svi.span,
            f"let a port carry VLAN {vlan}",
        )

    def broken_uplink(self) -> ChainLink | None:
        """Frames get to no router that the device's answers are sent to."""
        ways = self.uplinks()
        if not ways or any(carriage.carried for _, _, carriage in ways):
            return None
        fault = ways[0][2].fault
        return _link(carriage_stop(fault), "uplink") if fault is not None else None

    # ---- what the walk met ------------------------------------------------------------------

    def at_end(self, end: End, *, back: bool) -> ChainLink:
        """Return the link that breaks at an end of the walk."""
        sources, port = _addresses(self.flow.source), self.flow.destination_ports
        stop = stop_at(
            self.network,
            end,
            self.version,
            subject="answers to the controller" if back else "the session",
            target=f"the controller ({sources})" if back else str(self.address),
            permit=f"{self.address} port {port} to {sources}" if back else f"{sources} to {self.address} port {port}",
            sender=self.device.name if back else None,
        )
        return _link(stop, self.kind_of(stop, end, back))

    def kind_of(self, stop: Stop, end: End, back: bool) -> LinkKind:
        """Return which link of the chain it is that stops the packets."""
        match stop.kind:
            case "guard" if stop.device == self.device.name and not back:
                return "guard"
            case "list" | "guard":
                return "list-back" if back else "list"
            case "carriage":
                own = stop.at_start or self.is_last(end.hops[-1])
                return "uplink" if own else "way-back" if back else "route"
            case "down":
                return "uplink" if stop.at_start and back else "way-back" if back else "route"
            case "route":
                return "gateway" if stop.at_start and back else "way-back" if back else "route"
            case _:
                return "path"

    def is_last(self, hop: HopTrace) -> bool:
        """Whether a hop is a router on the subnet of the management address, about to send to the device."""
        if self.own is None or hop.out is None:
            return False
        interface = self.config.devices[hop.device].interfaces[hop.out]
        return any(address.prefix.overlaps(self.own[1].prefix) for address in interface.addresses)

    # ---- uncertain --------------------------------------------------------------------------

    def first_uncertain(self) -> ChainLink:
        """Return the first thing that leaves the session open."""
        for back, ends in ((False, self.followed.there), (True, self.followed.back)):
            for end in ends:
                if end.reason.verdict is Verdict.UNCERTAIN and end.doubts:
                    return self._doubtful(end.doubts[0], end, back)
        closed = closed_lines(self.config, self.device.name)
        if closed is not None:
            message = (
                f"each terminal line of {self.device.name} is closed to sessions, so it is not known what takes them"
            )
            return ChainLink("guard", "uncertain", message, closed.span, self.device.name)
        return ChainLink("path", "uncertain", "something on the path is not modelled")

    def _doubtful(self, doubt: Doubt, end: End, back: bool) -> ChainLink:
        hop = end.hops[-1] if end.hops else None
        kind: LinkKind = "path"
        if hop is not None and hop.device == self.device.name and not back:
            kind = "guard"
        elif hop is not None:
            kind = "gateway" if back and len(end.hops) == 1 else _way(back)
        what = "answers to the controller" if back else "the session"
        at = f" at {hop.device}" if hop is not None else ""
        return ChainLink(
            kind,
            "uncertain",
            f"what becomes of {what}{at} is not known: {doubt.why}",
            doubt.span,
            hop.device if hop is not None else None,
        )

    # ---- links that hold --------------------------------------------------------------------

    def links_before(self, last: ChainLink | None) -> Iterator[ChainLink]:
        """Yield the links that hold, up to one that does not."""
        for link in self._holding():
            if last is not None and _ORDER[link.kind] >= _ORDER[last.kind]:
                return
            yield link

    def _holding(self) -> Iterator[ChainLink]:
        """Yield each link of the chain as it is where it holds."""
        if self.own is None:
            return
        interface, address = self.own
        yield self._held("address", f"`{interface.name}` has {self.address}/{address.length}", address.span)
        number = svi_vlan(interface) if interface.kind == "svi" else None
        if number is not None:
            yield from self._held_vlan(number)
        state = self.network.topology.state(self.device.name, interface.name)
        if state.up and not state.doubts:
            yield self._held("interface", f"`{interface.name}` is up: {state.why}", state.span)
        yield from self._held_uplink()
        yield from self._held_gateway()
        yield from self._held_ways()

    def _held_vlan(self, number: int) -> Iterator[ChainLink]:
        """Yield that the VLAN is there, or that this is assumed."""
        vlan = self.device.vlans.get(number)
        if vlan is not None:
            yield self._held("vlan", f"VLAN {number} is defined", vlan.span)
        elif number in ALWAYS_PRESENT:
            yield self._held("vlan", f"VLAN {number} exists always", None)
        elif not self.device.has_vlan_section:
            message = f"the text of {self.device.name} has no VLAN section: VLAN {number} is taken as defined"
            yield ChainLink("vlan", "assumed", message, None, self.device.name)

    def _held_uplink(self) -> Iterator[ChainLink]:
        """Yield that the VLAN gets to the router, or that this is assumed."""
        for near, far, carriage in self.uplinks()[:2]:
            if carriage.assumed:
                names = ", ".join(carriage.assumed)
                message = f"no cabling is given for {names}: {near.interface} is taken to reach {far}"
                yield ChainLink("uplink", "assumed", message, None, self.device.name)
            elif carriage.carried and not carriage.doubts:
                yield self._held("uplink", f"frames of `{near.interface}` get to {far} and back", None)

    def _held_gateway(self) -> Iterator[ChainLink]:
        """Yield the routers that the device's answers got to, or that they need none."""
        onward = {(end.hops[0].out, use.next_hop) for end in self.answers for use in _next_hops(end)}
        for out, next_hop, use in [it for it in self.gateways if (it[0].interface, it[1]) in onward][:2]:
            owners = [it for it in self.network.topology.owners(next_hop) if it.device != self.device.name]
            owned = f" of {owners[0].end}" if owners else ""
            what = "default gateway" if use.source == "gateway" else f"route to {use.prefix}, next hop"
            yield self._held("gateway", f"{what} {next_hop}{owned}, by `{out.interface}`", use.span)
        if self.answers and not self.gateways and all(end.reason is Reason.ARRIVED for end in self.answers):
            yield self._held("gateway", "the controller is on a subnet of the device: none is needed", None)

    def _held_ways(self) -> Iterator[ChainLink]:
        """Yield the ways there and back, and the lists on them, each where all packets go it."""
        there = [end for end in self.followed.there if self._is_at_device(end)]
        if len(there) < len(self.followed.there):
            there = []
        back = list(self.answers) if all(end.reason is Reason.ARRIVED for end in self.answers) else []
        both: tuple[tuple[LinkKind, LinkKind, list[End]], ...] = (
            ("route", "list", there),
            ("way-back", "list-back", back),
        )
        for kind, _, ends in both:
            ways = list(dict.fromkeys(map(_over, ends)))
            more = f", and {len(ways) - 1} more way{'s' if len(ways) > 2 else ''}" if len(ways) > 1 else ""
            if ways:
                yield self._held(kind, ways[0] + more, None)
        guards = {it.list_name for block in self.device.terminal_lines for it in block.bindings}
        guards |= {it.list_name for it in self.device.control_plane}
        for _, kind, ends in both:
            uses = _uses([hop for end in ends for hop in end.hops], ("in_lines", "port_lines", "out_lines"))
            met = [it for it in uses if not (it[0] == self.device.name and it[1].acl in guards)]
            if ends and all(use.action == "permit" for _, use in met):
                yield self._permitted(kind, met, "none is met")
        if there and all(end.reason is Reason.ARRIVED for end in there):
            at_device = _uses([end.hops[-1] for end in there if end.hops], ("port_lines",))
            yield self._permitted("guard", [it for it in at_device if it[1].acl in guards], "none is applied")

    def _is_at_device(self, end: End) -> bool:
        """Whether packets got to the device itself, whatever became of them there."""
        if reached(end, self.device.name):
            return True
        last = end.hops[-1] if end.hops else None
        return last is not None and last.device == self.device.name and last.out is None and not last.faults

    def _permitted(self, kind: LinkKind, uses: list[tuple[str, LineUse]], none: str) -> ChainLink:
        """Return that lists let the packets through; one without a line to do so is only taken to."""
        words = [f"`{use.acl}` of {name}, {_line_words(use)}" for name, use in uses]
        message = "; ".join(words[:4]) + (f"; and {len(words) - 4} more" if len(words) > 4 else "")
        assumed = any(use.span is None for _, use in uses)
        span = uses[0][1].span if len(uses) == 1 else None
        state: LinkState = "assumed" if assumed else "holds"
        return ChainLink(kind, state, f"permitted by {message}" if words else none, span, self.device.name)

    def _held(self, kind: LinkKind, message: str, span: Span | None) -> ChainLink:
        return ChainLink(kind, "holds", message, span, self.device.name)

    def _link(
        self, kind: LinkKind, message: str, span: Span | None, help_: str | None, device: str | None = None
    ) -> ChainLink:
        return ChainLink(kind, "broken", message, span, device or self.device.name, help=help_)


def _link(stop: Stop, kind: LinkKind) -> ChainLink:
    """Return a stop as the link that breaks."""
    return ChainLink(
        kind, "broken", stop.message, stop.span, stop.device, stop.acl, because=stop.because, help=stop.help
    )


def _addresses(prefixes: Sequence[Prefix]) -> str:
    """Return prefixes as words, single addresses without a length."""
    return ", ".join(str(it.first) if it.size == 1 else str(it) for it in prefixes)


def _pair(end: LinkEnd) -> tuple[str, str]:
    return end.device, end.interface


def _way(back: bool) -> LinkKind:
    return "way-back" if back else "route"


def _next_hops(end: End) -> Iterator[RouteUse]:
    """Yield the routes by which packets left the device where they started."""
    if len(end.hops) > 1:
        yield from (use for _, use in end.hops[0].routes)


def _over(end: End) -> str:
    """The devices of a way."""
    return "over " + ", ".join(hop.device for hop in end.hops) if end.hops else "on one subnet"


def _uses(hops: list[HopTrace], slots: tuple[str, ...]) -> list[tuple[str, LineUse]]:
    """Return the lines that decide at hops, once each."""
    found = ((hop.device, use) for hop in hops for slot in slots for _, use in getattr(hop, slot))
    return list(dict.fromkeys(found))


def _line_words(use: LineUse) -> str:
    return f"line {use.span.line}" if use.span is not None else f"{use.text} (undefined or empty)"
