"""The stages of one blank switch, in their order.

References
----------
Lease: RFC 2131 sections 3.1 and 4.1 (from 0.0.0.0 port 68 to 255.255.255.255 port 67; a relay and the server speak
from port 67 to port 67), 4.4.5 (renewal by unicast, then by broadcast). Relay: RFC 1542 section 4.1. Boot file name:
RFC 2132 sections 9.4 and 9.5 (options 66 and 67). File by TFTP: RFC 1350 section 4 (the request goes to port 69, the
answer comes from a port that the server chooses). These, and that the list of an interface acts on requests that it
relays (common practice, no source), are from memory. Untagged frames of a switch without configuration are in the
access or native VLAN of the port at the other end: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property

from pathcheck.fleet import LoadedFleet
from pathcheck.model.access_list import Direction
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import Bootstrap, FleetConfig, LinkEnd
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.model.interface import Interface, InterfaceAddress
from pathcheck.model.own_traffic import DhcpRelay
from pathcheck.model.static_route import DefaultGateway
from pathcheck.network.layer2 import CarriageFault, Segment
from pathcheck.network.reachability import Network
from pathcheck.network.topology import Attachment
from pathcheck.packet.address import WIDTH, Address
from pathcheck.packet.packet import Packet
from pathcheck.packet.port import PORT_NAMES, port_number
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import PROTOCOL_NAMES, TCP, UDP
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import NEW_CONNECTION
from pathcheck.queries.audit.identity import bootstrap_device
from pathcheck.queries.bootstrap.judging import FREE_PORTS, judge_lists, judge_packets
from pathcheck.queries.flow import network_of
from pathcheck.queries.manageability import controller_prefixes, judge_management
from pathcheck.queries.own_traffic.needs import Need
from pathcheck.queries.stops import carriage_stop
from pathcheck.results.bootstrap import BootstrapAnswer, Stage, StageFlow, StageState
from pathcheck.results.path import Doubt
from pathcheck.source import Span

__all__ = ["Shared", "judge_switch", "shared_by"]

_CLIENT, _SERVER = 68, 67
"""Ports of DHCP, RFC 2131 section 4.1."""
_NOBODY, _EVERYBODY = Address.parse("0.0.0.0"), Address.parse("255.255.255.255")
"""From whom a switch without an address asks, and whom."""


@dataclass(slots=True)
class Shared:
    """What the switches of one entry have in common, so that many cost little more than one.

    Parameters
    ----------
    flows
        What was judged for switches in one segment, by the segment and the stage.
    started
        For those that stand at the end of their cables, and so are not in each other's way: a fleet in which as many
        of them as the pool has addresses are started, and the address of each.
    """

    flows: dict[tuple[Segment, str], tuple[StageFlow, ...]] = field(default_factory=dict)
    started: dict[str, tuple[FleetConfig, Address]] = field(default_factory=dict)


def shared_by(loaded: LoadedFleet, entry: Bootstrap) -> Shared:
    """Put those switches of an entry into one fleet that cannot be in each other's way."""
    shared, config, blank = Shared(), loaded.config, bootstrap_device(loaded, entry)
    if blank is None or entry.pool is None or entry.subnet is None:
        return shared
    chosen = _leasing(blank, entry)
    fixed = any(one.addresses and one.kind != "loopback" for one in blank.interfaces.values())
    listed = set(entry.devices)
    ends = [
        name
        for name in dict.fromkeys(entry.devices)
        if name in config.devices
        and not _may_forward(config, name, entry)
        and len({far.device for far in _far_ends(config, name)}) == 1
        and not listed & {far.device for far in _far_ends(config, name)}
    ]
    if chosen is None or fixed or len(ends) < 2 or not network_of(config).topology.overlapping(entry.subnet):
        return shared
    size = entry.pool[1].value - entry.pool[0].value + 1
    for start in range(0, len(ends), size):
        devices, addresses = dict(config.devices), {}
        for number, name in enumerate(ends[start : start + size]):
            address = addresses[name] = Address(entry.pool[0].version, entry.pool[0].value + number)
            made = _leased_to(blank, entry, chosen, address, entry.subnet)
            devices[name] = replace(made, name=name, management=address, management_span=entry.span)
        fleet = replace(config, devices=devices)
        shared.started.update({name: (fleet, address) for name, address in addresses.items()})
    return shared


def judge_switch(
    loaded: LoadedFleet, entry: Bootstrap, device: str | None, shared: Shared | None = None
) -> BootstrapAnswer:
    """Judge the stages of one switch.

    Parameters
    ----------
    device
        The host that it is to become; None for whatever switch comes.

    Notes
    -----
    With several cables the switch may start over any of them: the answer is the one for the cable that leads furthest.
    """
    config = loaded.config
    ports = _far_ends(config, device) if device is not None else []
    choices: list[LinkEnd | None] = [*ports] or [None]
    shared = shared if shared is not None else Shared()
    runs = [_Run(loaded, entry, device, port, shared).answer() for port in choices]
    return max(runs, key=_progress)


def _progress(answer: BootstrapAnswer) -> tuple[int, int]:
    """How far a switch gets: stages in front of the first that breaks, then in front of the first that is not known."""
    states = [stage.state for stage in answer.stages]
    broken = states.index("broken") if "broken" in states else len(states)
    unknown = states.index("uncertain") if "uncertain" in states else len(states)
    return broken, unknown


def _far_ends(config: FleetConfig, device: str) -> list[LinkEnd]:
    """The ports of other devices at the other ends of a device's cables."""
    found = []
    for link in config.links:
        for near, far in ((link.a, link.b), (link.b, link.a)):
            if near.device == device and far.device != device:
                found.append(far)
    return found


class _Run:
    """One switch at one port."""

    def __init__(
        self, loaded: LoadedFleet, entry: Bootstrap, device: str | None, port: LinkEnd | None, shared: Shared
    ) -> None:
        self.loaded = loaded
        self.shared = shared
        self.entry = entry
        self.device = device
        self.port = port
        self.config = self._already_there(loaded.config)
        self.network: Network = network_of(self.config)

    def _already_there(self, config: FleetConfig) -> FleetConfig:
        """The fleet without the switch; one that forwards nothing and is not on the subnet can stay, as is cheaper."""
        name = self.device
        if name is None:
            return config
        if not _may_forward(config, name, self.entry):
            return config
        others = {other: found for other, found in config.devices.items() if other != name}
        links = tuple(link for link in config.links if name not in (link.a.device, link.b.device))
        return replace(config, devices=others, links=links)

    def answer(self) -> BootstrapAnswer:
        """Judge each stage."""
        attachment = self.attachment()
        if attachment.state == "broken":
            # What else is wrong is seen only if the switch is taken to be on its subnet all the same.
            self.at, self.started = None, None
            note = f"the stages behind it are judged as if the switch were on {self.entry.subnet} all the same"
            attachment = replace(attachment, note=note)
        stages = [
            Stage("attachment", (attachment,)),
            Stage("lease", self.once("lease", self.lease)),
            Stage("file-name", (self.file_name(),)),
            Stage("transfer", self.once("transfer", self.transfer)),
        ]
        if self.entry.call_home != "none":
            stages.append(Stage("call-home", tuple(self.call_home())))
        stages.append(Stage("login", tuple(self.login())))
        if self.device is not None:
            stages.append(Stage("first-push", (self.first_push(self.device),)))
        shown = str(self.port) if self.port is not None else None
        return BootstrapAnswer(self.entry.file, self.device, tuple(stages), self.entry.span, shown)

    def once(self, stage: str, judge: Callable[[], Iterator[StageFlow]]) -> tuple[StageFlow, ...]:
        """Judge what is the same for all switches in one segment, unless it was judged before."""
        segment = self.segment
        if segment is None:
            return tuple(judge())
        key = (segment, stage)
        if key not in self.shared.flows:
            self.shared.flows[key] = tuple(judge())
        return self.shared.flows[key]

    @cached_property
    def segment(self) -> Segment | None:
        """The segment of the switch, where nothing else of its port counts: no list, no line that may do anything."""
        if self.at is None or self.port is None or self.config is not self.loaded.config:
            return None
        end = self.network.topology.logical(self.port)
        interface = self.network.topology.interface(end)
        entered = self.network.layer2.entered_untagged(self.port)
        doubtful = self.network.doubtful(end.device)
        plain = (
            interface is not None
            and not interface.bindings
            and not any(line for side in ("in", "out") for line in doubtful.at(end.interface, side))
        )
        return entered[0] if plain and len(entered) == 1 and isinstance(entered[0], Segment) else None

    # ---- what is known ----------------------------------------------------------------------

    @cached_property
    def on_subnet(self) -> tuple[Attachment, ...]:
        """The interfaces that have an address on the provisioning subnet, but the switch's own."""
        subnet = self.entry.subnet
        if subnet is None:
            return ()
        return tuple(
            item
            for item in self.network.topology.overlapping(subnet)
            if item.device != self.device and item.address.role in ("primary", "secondary", "virtual")
        )

    @cached_property
    def routers(self) -> tuple[Attachment, ...]:
        """Those of them that may be up."""
        return tuple(item for item in self.on_subnet if self.network.topology.may_be_up(item))

    @property
    def down(self) -> tuple[Attachment, ...]:
        """Those of them that are down for certain."""
        return tuple(item for item in self.on_subnet if not self.network.topology.may_be_up(item))

    @cached_property
    def leased(self) -> tuple[Prefix, ...]:
        """All addresses that the switch can be leased: the pool, else what is left of the subnet."""
        entry = self.entry
        if entry.pool is not None:
            return Prefix.covering_range(*entry.pool)
        if entry.subnet is None:
            return ()
        taken = {address for address in (entry.gateway, entry.dhcp, entry.server) if address is not None}
        taken |= {item.address.address for item in self.routers} | set(entry.subnet.reserved_addresses())
        hosts = [Prefix(it.version, it.value, WIDTH[it.version]) for it in taken if it in entry.subnet]
        return entry.subnet.without(hosts)

    @cached_property
    def at(self) -> EntryPoint | None:
        """Where packets of the switch enter."""
        return None if self.port is None else EntryPoint(self.port.device, self.port.interface)

    @property
    def _is_inside(self) -> bool:
        return bool(self.routers)

    def _owner(self, address: Address) -> str | None:
        """The device of the fleet whose own address it is."""
        owners = {item.device for item in self.network.topology.owners(address)}
        return next(iter(owners)) if len(owners) == 1 else None

    # ---- the provisioning VLAN --------------------------------------------------------------

    def attachment(self) -> StageFlow:
        """Whether untagged frames of the switch are in the provisioning VLAN, and get to its router."""
        entry, what = self.entry, "untagged frames of the switch get to the router of the provisioning subnet"
        if entry.subnet is None:
            return StageFlow(what, "not-judged", message="the entry names no `subnet`", span=entry.span)
        if not self.routers:
            if self.down:
                return self._all_down(what)
            why = f"no interface of the fleet is on {entry.subnet}, so its router is taken to be outside"
            return StageFlow(what, "not-judged", message=why, span=entry.place("subnet"))
        if self.port is None:
            who = (
                f"no link says where {self.device} is cabled" if self.device else "it is not known where a switch comes"
            )
            vlan = f"VLAN {entry.vlan} at " if entry.vlan is not None else ""
            on = ", ".join(dict.fromkeys(str(item.end) for item in self.routers))
            return StageFlow(what, "assumed", message=f"{who}: it is taken to be on the subnet of {vlan}{on}")
        return self._attached(what, self.port)

    def _all_down(self, what: str) -> StageFlow:
        """Each router of the subnet is down: for the switch's port, if that is the cause, else for what keeps it so."""
        if self.port is not None:
            found = self._attached(what, self.port)
            if found.state == "broken":
                return found
        item = self.down[0]
        state = self.network.topology.state(item.device, item.interface)
        why = f"{item.end}, the router of {self.entry.subnet}, is down: {state.why}"
        return StageFlow(what, "broken", "", why, state.span or item.address.span, item.device)

    def _attached(self, what: str, port: LinkEnd) -> StageFlow:
        """The same, for a port."""
        device = self.config.devices[port.device]
        interface = self.network.topology.interface(self.network.topology.logical(port))
        if interface is None:
            why = f"{port.device} has no interface `{port.interface}`, to which the switch is cabled"
            return StageFlow(
                what, "broken", "", why, self._link_span(), device.name, help="write the port, or correct the link"
            )
        entered = self.network.layer2.entered_untagged(port)
        found = [self._from_segment(what, port, interface, it) for it in entered]
        held = [it for it in found if it.state in ("holds", "assumed")]
        if len(held) in (0, len(found)):
            return next((it for it in found if it.state == "uncertain"), found[0])
        bad = next(it for it in found if it.state not in ("holds", "assumed"))
        why = f"the text does not say how {port} acts, and it may be so: {bad.message}"
        return StageFlow(what, "uncertain", "", why, bad.span, bad.device)

    def _from_segment(
        self, what: str, port: LinkEnd, interface: Interface, entered: Segment | CarriageFault
    ) -> StageFlow:
        """Whether frames that are in a segment get to a router of the subnet."""
        wanted = self.entry.vlan
        if isinstance(entered, CarriageFault) and (entered.kind == "down" or wanted in (None, entered.vlan)):
            stop = carriage_stop(entered)
            return StageFlow(what, "broken", "", stop.message, stop.span, stop.device, help=stop.help)
        if isinstance(entered, CarriageFault) or (entered.vlan is not None and wanted not in (None, entered.vlan)):
            switch_port = interface.switch_port
            trunk = switch_port is not None and switch_port.mode == "trunk"
            called, line = ("native", "trunk native") if trunk else ("access", "access")
            said = dict(switch_port.spans).get(called) if switch_port is not None else None
            return StageFlow(
                what,
                "broken",
                "",
                f"untagged frames of the switch enter {port} in VLAN {entered.vlan}, its {called} VLAN, and not in "
                f"VLAN {wanted}",
                said or interface.span,
                port.device,
                because=_given(self.entry.spans.get("vlan")),
                help=f"write `switchport {line} vlan {wanted}` there",
            )
        return self._carried(what, entered)

    def _carried(self, what: str, segment: Segment) -> StageFlow:
        """Whether a segment leads on to a router of the subnet; one that it leads to is enough."""
        layer2, topology = self.network.layer2, self.network.topology
        worst: StageFlow | None = None
        for item in self.routers or self.down:
            goal = layer2.segment(item.end)
            if goal is None:
                why = f"the text does not tell which VLAN {item.end} is in"
                worst = StageFlow(what, "uncertain", "", why, item.address.span, item.device)
            elif segment == goal:
                return StageFlow(what, "holds")
            elif not topology.is_cabled(item.device):
                why = f"no link joins {segment.device} and {item.device}: the VLAN is taken as carried"
                return StageFlow(what, "assumed", "", why)
            else:
                carriage = layer2.carriage(segment, goal)
                if carriage.carried and not carriage.doubts:
                    return StageFlow(what, "holds")
                if carriage.fault is None:
                    doubt = carriage.doubts[0]
                    worst = StageFlow(what, "uncertain", "", doubt.why, doubt.span, item.device)
                elif worst is None:
                    stop = carriage_stop(carriage.fault)
                    worst = StageFlow(what, "broken", "", stop.message, stop.span, stop.device, help=stop.help)
        assert worst is not None
        return worst

    def _link_span(self) -> Span | None:
        """The link of the switch and its port."""
        ends = {str(self.port)}
        return next((link.span for link in self.loaded.config.links if {str(link.a), str(link.b)} & ends), None)

    # ---- the lease --------------------------------------------------------------------------

    def lease(self) -> Iterator[StageFlow]:
        """Request, relay, answer; and the renewal as a note."""
        entry, what = self.entry, "the request for an address (DHCPDISCOVER) is heard"
        if entry.subnet is None or entry.subnet.version != 4:
            why = "the entry names no `subnet`" if entry.subnet is None else "leases of IPv6 addresses are not judged"
            yield StageFlow(what, "not-judged", message=why, span=entry.place("subnet"))
            return
        if not self.routers:
            yield StageFlow(what, "not-judged", message=f"no router of {entry.subnet} in the fleet is up")
            return
        if entry.dhcp is not None and entry.dhcp in entry.subnet:
            yield from self._lease_on_segment(what, entry.dhcp)
            return
        relays = [
            (item, relay)
            for item in self.routers
            for relay in self.config.devices[item.device].relays
            if relay.interface == item.interface and entry.dhcp in (None, relay.server)
        ]
        if not relays:
            yield self._no_relay(what)
            return
        # One relay that works is enough; where none does, the first is told.
        ways = [[*self._relayed(item, relay)] for item, relay in relays]
        yield from max(ways, key=lambda flows: min(_STANDING[flow.state] for flow in flows))

    def _no_relay(self, what: str) -> StageFlow:
        """No router of the subnet hands requests on."""
        dhcp = self.entry.dhcp
        for item in self.routers:
            doubts = self.network.doubtful(item.device).on_device()
            if doubts:
                why = f"no line of {item.device} that is understood relays requests, and one is not: {doubts[0].why}"
                return StageFlow(what, "uncertain", message=why, span=doubts[0].span, device=item.device)
        if dhcp is None:
            on = self.entry.subnet
            why = f"the entry names no `dhcp`, and nothing relays requests: a server is taken to be on {on}"
            return StageFlow(what, "assumed", message=why, span=self.entry.span)
        item = self.routers[0]
        others = [it for it in self.config.devices[item.device].relays if it.interface == item.interface]
        to = f" to {dhcp}" + (f", only to {', '.join(str(it.server) for it in others)}" if others else "")
        return StageFlow(
            what,
            "broken",
            message=f"{item.end}, the router of {self.entry.subnet}, does not relay requests for addresses{to}",
            span=others[0].span if others else item.address.span,
            device=item.device,
            because=_given(self.entry.spans.get("dhcp")),
            help=f"write `ip helper-address {dhcp}` on the interface",
        )

    def _discover(self, what: str, end: LinkEnd) -> StageFlow:
        """The broadcast, against the lists of the ports that it passes and that of the interface that hears it."""
        ports, doubts = self._ports_to(end, back=False)
        found = judge_lists(
            self.network,
            what,
            Packet(_NOBODY, _EVERYBODY, UDP, _CLIENT, _SERVER),
            [*ports, (end, "in", False)],
            subject="requests of a switch without an address (0.0.0.0 to 255.255.255.255, RFC 2131 section 4.1)",
            permit="permit udp host 0.0.0.0 eq bootpc host 255.255.255.255 eq bootps",
        )
        return found if found.state != "holds" or not doubts else _doubted(found, doubts[0])

    def _offer(self, end: LinkEnd, own: Address) -> Iterator[StageFlow]:
        """The answer on its last way, where a list can be in it: of a port, or of an interface that filters its own."""
        ports, doubts = self._ports_to(end, back=True)
        met = [(end, "out", False)] if self.config.devices[end.device].assume.own_packets == "meet-out" else []
        way: list[tuple[LinkEnd, Direction, bool]] = [*met, *ports]  # type: ignore[list-item]
        if not way and not doubts:
            return
        found = judge_lists(
            self.network,
            "the answer gets to the switch",
            Packet(own, _EVERYBODY, UDP, _SERVER, _CLIENT),
            way,
            subject="answers to a switch without an address",
            permit="permit udp any eq bootps any eq bootpc",
        )
        yield found if found.state != "holds" or not doubts else _doubted(found, doubts[0])

    def _ports_to(self, end: LinkEnd, *, back: bool) -> tuple[list[tuple[LinkEnd, Direction, bool]], tuple[Doubt, ...]]:
        """The switch ports with lists between the switch and an interface, and what may be a list on the way."""
        if self.port is None or self.at is None:
            return [], ()
        own = self.network.topology.logical(self.port)
        interface = self.network.topology.interface(own)
        last: list[tuple[LinkEnd, Direction, bool]] = []
        if interface is not None and any(binding.port for binding in interface.bindings):
            last.append((own, "out" if back else "in", True))
        entered = self.network.layer2.entered_untagged(self.port)
        start, goal = entered[0], self.network.layer2.segment(end)
        if isinstance(start, CarriageFault) or goal is None or start == goal:
            return last, ()
        if not self.network.topology.is_cabled(end.device):
            return last, ()
        carriage = self.network.layer2.carriage(*((goal, start) if back else (start, goal)))
        between: list[tuple[LinkEnd, Direction, bool]] = [
            (LinkEnd(passage.device, passage.port), passage.direction, True) for passage in carriage.passages
        ]
        return [*between, *last] if back else [*last, *between], carriage.drop_doubts

    def _lease_on_segment(self, what: str, server: Address) -> Iterator[StageFlow]:
        """The server is a station on the subnet, or a router of it."""
        own = [item for item in self.routers if item.address.address == server]
        if own:
            yield self._discover(what, own[0].end)
        else:
            yield StageFlow(what, "assumed", message=f"the server {server} is taken to be a station in the same VLAN")

    def _relayed(self, item: Attachment, relay: DhcpRelay) -> Iterator[StageFlow]:
        """The way over one relay."""
        yield self._discover("the request for an address (DHCPDISCOVER) is heard by the relay", item.end)
        interface = self.config.devices[item.device].interfaces[item.interface]
        vrf = interface.vrf if relay.vrf is None else relay.vrf or None
        own = next((it.address for it in interface.addresses if it.address.version == 4 and it.role == "primary"), None)
        if own is None:
            yield StageFlow(
                "the relay asks the server",
                "not-judged",
                message=f"which address {item.end} relays with is not known",
                span=relay.span,
                device=item.device,
            )
            return
        flow = Flow(
            UDP,
            (_host(own),),
            (_host(relay.server),),
            source_ports=Ranges.single(_SERVER),
            destination_ports=Ranges.single(_SERVER),
            vrf=vrf,
            at=EntryPoint(item.device),
        )
        need = Need(flow, "the relayed request", "the server's answer", item.device, self._owner(relay.server))
        yield judge_packets(self.network, "the relay asks the server, and its answer comes back", need)
        yield from self._offer(item.end, own)
        yield self._renewal(relay.server)

    def _renewal(self, server: Address) -> StageFlow:
        """The renewal by unicast; where it fails the switch asks by broadcast again, so it breaks nothing."""
        flow = Flow(
            UDP,
            self.leased,
            (_host(server),),
            source_ports=Ranges.single(_CLIENT),
            destination_ports=Ranges.single(_SERVER),
            at=self.at,
        )
        need = Need(flow, "the renewal", "its answer", None, self._owner(server))
        found = judge_packets(self.network, "the lease is renewed by unicast", need, inside=True)
        if found.state in ("holds", "not-judged"):
            return found
        may = "is" if found.state == "broken" else "may be"
        note = f"it {may} renewed by broadcast only (RFC 2131 section 4.4.5): {found.message}"
        return StageFlow(
            found.what, "holds", found.packets, span=found.span, device=found.device, acl=found.acl, note=note
        )

    # ---- the file ---------------------------------------------------------------------------

    def file_name(self) -> StageFlow:
        """What the lease carries: options 66 and 67."""
        entry, what = self.entry, "the lease names the boot file and its server (RFC 2132 sections 9.4 and 9.5)"
        if entry.file not in self.loaded.bootstrap_texts:
            return StageFlow(
                what,
                "broken",
                message=f"the bootstrap file `{entry.file}` is not in the fleet's folder",
                span=entry.place("file"),
                help="add the file, or name another",
            )
        if entry.server is None:
            why = "the entry names no `server`: the DHCP server has to say in option 66 where the file is"
            return StageFlow(what, "assumed", message=why, span=entry.span)
        return StageFlow(what, "holds", note=f"`{entry.file}` on {entry.server}")

    def transfer(self) -> Iterator[StageFlow]:
        """Each protocol by which files are fetched."""
        entry = self.entry
        missing = next((key for key, it in (("server", entry.server), ("protocols", entry.protocols)) if not it), None)
        if missing or not self.leased:
            why = f"the entry names no `{missing or 'subnet'}`"
            yield StageFlow("the file is fetched", "not-judged", message=why, span=entry.span)
            return
        for word in entry.protocols:
            protocol, port = _service(word)
            if (protocol, port) == (UDP, 69):
                yield from self._tftp()
            else:
                yield self._service(f"the file is fetched by {word}", protocol, port, "the request for the file")

    def _tftp(self) -> Iterator[StageFlow]:
        """The request to port 69, and the data between ports of both ends' choice."""
        assert self.entry.server is not None
        server = (_host(self.entry.server),)
        receiver = self._owner(self.entry.server)
        request = Flow(
            UDP, self.leased, server, source_ports=FREE_PORTS, destination_ports=Ranges.single(69), at=self.at
        )
        yield judge_packets(
            self.network,
            "the file is asked for by TFTP (RFC 1350 section 4)",
            Need(request, "the TFTP request", receiver=receiver),
        )
        # What the server sends is the answer to what the switch acknowledges: both between free ports.
        data = Flow(UDP, self.leased, server, source_ports=FREE_PORTS, destination_ports=FREE_PORTS, at=self.at)
        need = Need(
            data,
            "TFTP acknowledgements to the server's new port",
            "TFTP data from the server's new port",
            receiver=receiver,
        )
        found = judge_packets(
            self.network,
            "its data come from a new port of the server, and are acknowledged",
            need,
            inside=self._is_inside,
        )
        yield found

    def _service(self, what: str, protocol: int, port: int, subject: str) -> StageFlow:
        """A session, or a request with its answer, from each leased address to the file server."""
        assert self.entry.server is not None
        flow = Flow(
            protocol,
            self.leased,
            (_host(self.entry.server),),
            source_ports=FREE_PORTS,
            destination_ports=Ranges.single(port),
            flags=NEW_CONNECTION if protocol == TCP else None,
            at=self.at,
        )
        need = Need(flow, subject, "its answer", None, self._owner(self.entry.server))
        return judge_packets(self.network, what, need, inside=self._is_inside)

    # ---- with the bootstrap text loaded -----------------------------------------------------

    @cached_property
    def started(self) -> tuple[FleetConfig, Address, str] | StageFlow | None:
        """The fleet with the switch in it, as its bootstrap text makes it; a flow that says why there is none."""
        name, blank = self.device, bootstrap_device(self.loaded, self.entry)
        if name is None or blank is None:
            return None
        subnet, config = self.entry.subnet, self.loaded.config
        fixed = [
            (interface, address)
            for interface in blank.interfaces.values()
            for address in interface.addresses
            if address.role == "primary"
            and address.address.version == 4
            and interface.kind != "loopback"
            and not interface.shutdown
        ]
        by_lease = [
            interface
            for interface in blank.interfaces.values()
            if interface.unknown_address is not None and not interface.shutdown
        ]
        on_subnet = [item for item in fixed if subnet is not None and item[1].address in subnet]
        what = "the bootstrap text gives the switch an address"
        if on_subnet or (fixed and not by_lease):
            address = (on_subnet or fixed)[0][1].address
            return self._with(config, name, blank, address), address, "the address of the bootstrap text"
        if not by_lease:
            return StageFlow(
                what,
                "broken",
                message=f"`{self.entry.file}` gives no interface an address, fixed or by lease",
                span=Span(self.entry.file, 1, ""),
                help="write an address, or `ip address dhcp`, on the interface",
            )
        chosen = _leasing(blank, self.entry)
        if chosen is None:
            return StageFlow(
                what,
                "not-judged",
                message="several interfaces ask for a lease, and which one gets it is not known",
                span=by_lease[1].unknown_address,
            )
        if not self.leased or subnet is None:
            return None
        if name in self.shared.started:
            return *self.shared.started[name], "a leased one"
        address = self.leased[0].first
        made = _leased_to(blank, self.entry, chosen, address, subnet)
        return self._with(config, name, made, address), address, "a leased one"

    def _with(self, config: FleetConfig, name: str, blank: Device, address: Address) -> FleetConfig:
        """The fleet with a switch in the place of the host that it is to become."""
        made = replace(blank, name=name, management=address, management_span=self.entry.span)
        return replace(config, devices={**config.devices, name: made})

    def _controller(self) -> tuple[Prefix, ...]:
        """Where the controller is, by IPv4; the file server where nothing says it."""
        found = tuple(it for it in controller_prefixes(self.loaded.config) if it.version == 4)
        return found or ((_host(self.entry.server),) if self.entry.server is not None else ())

    def call_home(self) -> Iterator[StageFlow]:
        """What the switch opens to the controller."""
        word, controller = self.entry.call_home, self._controller()
        what = f"the switch calls the controller by {word}"
        if not controller:
            source = self.loaded.config.session.source
            yield StageFlow(what, "not-judged", message=f"no place `{source}` says where the controller is")
            return
        protocol, port = _service(word)
        receivers = {owner for it in controller if it.size == 1 and (owner := self._owner(it.first))}
        flow = Flow(
            protocol,
            self.leased,
            controller,
            source_ports=FREE_PORTS,
            destination_ports=Ranges.single(port),
            flags=NEW_CONNECTION,
            at=self.at,
        )
        receiver = next(iter(receivers)) if len(receivers) == 1 and len(controller) == 1 else None
        need = Need(flow, "the call home", "the controller's answer", None, receiver)
        started = self.started
        if isinstance(started, StageFlow):
            yield started
        elif started is not None:
            config, address, which = started
            name = self.device or ""
            own = replace(flow, source=(_host(address),), at=EntryPoint(name))
            yield judge_packets(
                network_of(config),
                f"{what}, from {address}, {which}",
                replace(need, flow=own, sender=name),
                inside=self._is_inside,
            )
        if self.leased and not (isinstance(started, tuple) and started[2] != "a leased one"):
            yield from self.once("call-home", lambda: self._each(f"{what}, from each leased address", need, False))
        elif started is None:
            yield StageFlow(
                what, "not-judged", message="which address the switch has is not known", span=self.entry.span
            )

    def login(self) -> Iterator[StageFlow]:
        """The controller's session to the switch."""
        session, controller = self.loaded.config.session, self._controller()
        what = "the controller opens its session to the switch"
        if not controller_prefixes(self.loaded.config):
            yield StageFlow(what, "not-judged", message=f"no place `{session.source}` says where the controller is")
            return
        started = self.started
        if isinstance(started, StageFlow):
            yield started
        elif started is not None:
            config, address, which = started
            yield _managed(config, self.device or "", f"{what} at {address}, {which}")
        if self.leased and not (isinstance(started, tuple) and started[2] != "a leased one"):
            flow = Flow(
                session.protocol,
                controller,
                self.leased,
                source_ports=FREE_PORTS,
                destination_ports=session.ports,
                flags=NEW_CONNECTION if session.protocol == TCP else None,
            )
            need = Need(flow, "the session", "the switch's answer")
            yield from self.once("login", lambda: self._each(f"{what} at each leased address", need, True))
        elif started is None:
            yield StageFlow(
                what, "not-judged", message="which address the switch has is not known", span=self.entry.span
            )

    def _each(self, what: str, need: Need, towards: bool) -> Iterator[StageFlow]:
        """Judge packets of all addresses that can be leased."""
        yield judge_packets(self.network, what, need, inside=self._is_inside, towards=towards)

    def first_push(self, name: str) -> StageFlow:
        """The session with the host's own configuration: address and VLAN are others now, and it is opened anew."""
        address = self.loaded.config.devices[name].management
        return _managed(
            self.loaded.config, name, f"the controller opens its session anew, to {address or 'the host'} of {name}"
        )


def _may_forward(config: FleetConfig, name: str, entry: Bootstrap) -> bool:
    """Whether a host, as it is configured, routes or is on the provisioning subnet."""
    subnet = entry.subnet
    if subnet is None:
        return True
    return network_of(config).routing(name, subnet.version).on or any(
        address.address.version == subnet.version and address.prefix.overlaps(subnet)
        for interface in config.devices[name].interfaces.values()
        for address in interface.addresses
    )


def _leasing(blank: Device, entry: Bootstrap) -> Interface | None:
    """The interface that asks for a lease: the one in the provisioning VLAN where there are several; None for none."""
    found = [it for it in blank.interfaces.values() if it.unknown_address is not None and not it.shutdown]
    in_vlan = [it for it in found if entry.vlan is not None and it.vlan == entry.vlan]
    return in_vlan[0] if in_vlan else found[0] if len(found) == 1 else None


def _leased_to(blank: Device, entry: Bootstrap, chosen: Interface, address: Address, subnet: Prefix) -> Device:
    """A switch once the server has answered: the address on its interface, and the gateway."""
    span = chosen.unknown_address or chosen.span
    own = InterfaceAddress(address, subnet.length, span=span)
    interface = replace(chosen, addresses=(*chosen.addresses, own), unknown_address=None)
    gateways = blank.gateways
    routed = any(route.prefix.length == 0 for route in blank.static_routes)
    if not gateways and not routed and entry.gateway is not None:
        gateways = (DefaultGateway(entry.gateway, span=entry.place("gateway") or span),)
    return replace(
        blank,
        interfaces={**blank.interfaces, chosen.name: interface},
        gateways=gateways,
        unmodelled=tuple(it for it in blank.unmodelled if it.span != span),
    )


_STANDING: dict[StageState, int] = {"broken": 0, "uncertain": 1, "not-judged": 2, "assumed": 3, "holds": 4}


def _managed(config: FleetConfig, device: str, what: str) -> StageFlow:
    """Judge the controller's session to a device of a fleet."""
    answer = judge_management(config, device)
    session = config.session
    packets = f"{_protocol(session.protocol)} {session.source} to {answer.address} port {session.ports}"
    if answer.why_not_judged is not None:
        return StageFlow(what, "not-judged", message=answer.why_not_judged)
    link = answer.broken or answer.uncertain
    if link is None:
        return StageFlow(what, "holds", packets)
    return StageFlow(
        what,
        "broken" if answer.broken is not None else "uncertain",
        packets,
        link.message,
        link.span,
        link.device,
        link.acl,
        link.because,
        link.help,
    )


def _protocol(number: int) -> str:
    """The name of a protocol with ports."""
    return next(name for name, it in PROTOCOL_NAMES.items() if it == number)


def _service(word: str) -> tuple[int, int]:
    """The protocol and port of a word such as `tftp` or `tcp/8443`."""
    name, slash, port = word.partition("/")
    if slash:
        protocol = PROTOCOL_NAMES[name]
        number = port_number(port, protocol)
    else:
        protocol = UDP if name.lower() in PORT_NAMES[UDP] and name.lower() not in PORT_NAMES[TCP] else TCP
        number = port_number(name, protocol)
    assert number is not None
    return protocol, number


def _host(address: Address) -> Prefix:
    """An address alone."""
    return Prefix(address.version, address.value, WIDTH[address.version])


def _doubted(found: StageFlow, doubt: Doubt) -> StageFlow:
    """What holds unless something on the way does otherwise."""
    return replace(found, state="uncertain", message=doubt.why, span=doubt.span)


def _given(*spans: Span | None) -> tuple[Span, ...]:
    """The spans that there are."""
    return tuple(span for span in spans if span is not None)
