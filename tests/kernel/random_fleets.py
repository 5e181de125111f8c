"""Random lists, packets and fleets whose parts meet often, each from one seed."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace

from model_builders import access_list, bound, device, fleet, gateway, group, interface, route, span

from pathcheck.model.access_list import AccessList, Action, Family, IcmpMatch, Line, ListBinding
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device, TerminalLines
from pathcheck.model.fleet_config import Link, LinkEnd
from pathcheck.model.interface import Interface
from pathcheck.model.object_group import GroupReference, ObjectGroup, ServiceMatch
from pathcheck.model.static_route import StaticRoute
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, FIN, PSH, RST, SYN, URG, FlagMatch
from pathcheck.packet.wildcard import AddressMatch

PORTS = (0, 1, 22, 23, 53, 80, 443, 1023, 1024, 49152, 65534, 65535)
OWN_ICMP: dict[int, int] = {4: 1, 6: 58}
DSCP = (0, 8, 46, 63)
FLAGS = (0, SYN, ACK, RST, SYN | ACK, FIN | ACK, PSH | ACK, SYN | RST, URG, 255)
PROTOCOLS = (6, 6, 6, 17, 17, 47, 50, 89, 103, 132, 255)

# ---- lists ------------------------------------------------------------------------------------------------


def some_ranges(chance: random.Random, numbers: Sequence[int] = PORTS) -> Ranges:
    spans = []
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        low, high = sorted((chance.choice(numbers), chance.choice(numbers)))
        spans.append((low, low if chance.random() < 0.5 else high))
    found = Ranges.of(*spans)
    kind = chance.random()
    if kind < 0.15:
        return found.complement(max(numbers))  # neq
    return Ranges(()) if kind < 0.18 else found


def some_match(chance: random.Random, version: IPVersion, near: Sequence[Address]) -> AddressMatch:
    """Any, hosts, prefixes and masks with holes, around addresses that packets have."""
    address, width = chance.choice(near), WIDTH[version]
    kind = chance.random()
    if kind < 0.2:
        return AddressMatch.any(version)
    if kind < 0.4:
        return AddressMatch.host(address)
    if kind < 0.75:
        lengths = (8, 16, 22, 24, 25, 28, 30, 31) if version == 4 else (32, 48, 56, 64, 120, 127)
        return AddressMatch.prefix(Prefix.containing(address, chance.choice(lengths)))
    # A wildcard mask with holes: a few free bits low down, or a free octet in the middle.
    free = chance.choice((0xFE, 0x5, 0xF0, 0xFF00, 0xFF00FF, 0xAA, 1 << (width - 8), 0xFD << 8))
    return AddressMatch.wildcard(address, Address(version, free))


def some_line(chance: random.Random, version: IPVersion, sequence: int, near: Sequence[Address]) -> Line:
    """One line of any kind that is certain."""
    protocol: int | GroupReference | None = chance.choice((None, None, 6, 6, 6, 17, OWN_ICMP[version], 50, 132))
    action = chance.choice((Action.PERMIT, Action.PERMIT, Action.DENY))
    fields: dict[str, object] = {}
    if protocol in (6, 17, 132):
        for name in ("source_ports", "destination_ports"):
            kind = chance.random()
            if kind < (0.15 if name == "source_ports" else 0.5):
                fields[name] = some_ranges(chance)
            elif kind > 0.92 and protocol != 132:
                fields[name] = GroupReference("WEB", "port")
    if protocol == 6 and chance.random() < 0.3:
        cubes = (FlagMatch.of((ACK, 0)), FlagMatch.of((SYN | ACK, SYN)), FlagMatch(()), FlagMatch.exactly(SYN))
        fields["flags"] = chance.choice((ESTABLISHED, ESTABLISHED, ESTABLISHED, *cubes))
    if protocol == OWN_ICMP[version] and chance.random() < 0.8:
        kinds = (8, 0, 3, 13) if version == 4 else (128, 129, 1, 135)
        single = IcmpMatch(chance.choice(kinds), chance.choice((None, None, 0, 1)))
        fields["icmp"] = single if chance.random() < 0.8 else GroupReference(f"PINGS{version}", "icmp")
    if protocol is None and chance.random() < 0.06:
        protocol = GroupReference("CARRIERS", "protocol")
    if protocol is None and chance.random() < 0.1:
        protocol = GroupReference(f"DESK{version}", "service")
    if protocol is None and chance.random() < 0.05:
        fields["destination_ports"] = some_ranges(chance)
    ends: list[AddressMatch | GroupReference] = [some_match(chance, version, near) for _ in range(2)]
    if chance.random() < 0.08:
        ends[chance.randrange(2)] = GroupReference(f"PIERS{version}", "address")
    return Line(
        sequence,
        action,
        protocol,
        ends[0],
        ends[1],
        dscp=some_ranges(chance, DSCP) if chance.random() < 0.1 else None,
        fragments=not fields and chance.random() < 0.08,
        span=span(f"{sequence} {action}", sequence),
        **fields,  # type: ignore[arg-type]
    )


def some_list(
    chance: random.Random, name: str, version: IPVersion, near: Sequence[Address], most: int = 8
) -> AccessList:
    """A list that lets some packets through and not all."""
    family: Family = "ipv4" if version == 4 else "ipv6"
    lines = [some_line(chance, version, 10 * place, near) for place in range(1, chance.randint(1, most) + 1)]
    if chance.random() < 0.5:
        anywhere = AddressMatch.any(version)
        last = 10 * len(lines) + 10
        lines.append(Line(last, Action.PERMIT, None, anywhere, anywhere, span=span(f"{last} permit ip", last)))
    found = access_list(name, *lines, family=family)
    # The file's name tells lists apart where only the place of a line is compared.
    return replace(found, entries=tuple(replace(it, span=replace(it.span, file=f"{name}.cfg")) for it in lines))


def some_groups(chance: random.Random, near: dict[IPVersion, Sequence[Address]]) -> list[ObjectGroup]:
    """The groups that lines refer to."""
    web = [some_ranges(chance) for _ in range(2)]
    carriers = Ranges.of((chance.choice((6, 17)), 17)), Ranges.single(chance.choice((50, 89)))
    found = [group("WEB", "port", *web), group("CARRIERS", "protocol", *carriers)]
    for version, addresses in near.items():
        services = (
            ServiceMatch(6, None, some_ranges(chance)),
            ServiceMatch(17, some_ranges(chance)),
            ServiceMatch(chance.choice((None, 50, 132)) if chance.random() < 0.3 else 50),
            ServiceMatch(OWN_ICMP[version], icmp=Ranges.of((8 << 8, 8 << 8 | 255), (128 << 8, 129 << 8 | 4))),
        )
        found.append(group(f"DESK{version}", "service", *services))
        # From within one type to within another, and a whole one.
        pings = Ranges.of((3 << 8 | 1, 8 << 8)), Ranges.of((128 << 8, 128 << 8 | 255))
        found.append(group(f"PINGS{version}", "icmp", *pings))
        nested = GroupReference(f"SHEDS{version}", "address")
        members = [some_match(chance, version, addresses) for _ in range(3)]
        found.append(group(f"SHEDS{version}", "address", *members[:2]))
        found.append(group(f"PIERS{version}", "address", nested, members[2]))
    return found


def some_readings(chance: random.Random) -> Assumptions:
    keys = ("fragments", "undefined_list", "ipv6_end", "own_packets")
    return Assumptions().with_settings({key: chance.choice(Assumptions.choices()[key]) for key in keys})


# ---- packets ----------------------------------------------------------------------------------------------


def some_packet(chance: random.Random, source: Address, destination: Address) -> Packet:
    """A packet of any kind that the model knows, between two addresses."""
    version = source.version
    dscp = chance.choice(DSCP) if chance.random() < 0.2 else 0
    kind = chance.random()
    if kind < 0.15:
        protocol = chance.choice((6, 6, 17, OWN_ICMP[version], 50))
        return Packet(source, destination, protocol, dscp=dscp, fragment=True)
    if kind < 0.3:
        kinds = (8, 0, 3, 11, 13) if version == 4 else (128, 129, 1, 3, 135, 136)
        code = chance.choice((0, 0, 1, 4, 13))
        return Packet(source, destination, OWN_ICMP[version], icmp_type=chance.choice(kinds), icmp_code=code, dscp=dscp)
    protocol = chance.choice(PROTOCOLS)
    fields: dict[str, int] = {}
    if protocol in (6, 17, 132):
        fields = {"source_port": some_port(chance), "destination_port": some_port(chance)}
    if protocol == 6:
        fields["flags"] = chance.choice(FLAGS)
    return Packet(source, destination, protocol, dscp=dscp, **fields)


def some_port(chance: random.Random) -> int:
    port = chance.choice(PORTS)
    return port if chance.random() < 0.7 else max(0, min(65535, port + chance.choice((-1, 1))))


# ---- fleets -----------------------------------------------------------------------------------------------


class Drawing:
    """One random fleet: quays in a net of cables, with subnets of stations, VRFs, lists and routes.

    Attributes
    ----------
    config
        The fleet.
    stations
        By IP version, addresses that stations could have or routes lead to.
    """

    def __init__(self, seed: object, *, most: int = 5) -> None:
        self.chance = random.Random(str(seed))
        self.count = self.chance.randint(2, most)
        self.names = [f"quay-{number}" for number in range(1, self.count + 1)]
        self.interfaces: dict[str, list[Interface]] = {name: [] for name in self.names}
        self.neighbours: dict[tuple[str, str | None], dict[IPVersion, list[tuple[str, str]]]] = {}
        self.near_hops: dict[tuple[str, str | None], list[tuple[str, str]]] = {}
        self.links: list[Link] = []
        self.stations: dict[IPVersion, list[Address]] = {4: [], 6: []}
        self.prefixes: dict[IPVersion, list[Prefix]] = {4: [], 6: []}
        self._subnets()
        self._wires()
        self._loopbacks()
        self._outside()
        self.config = fleet(*(self._device(name) for name in self.names))
        self.config = replace(self.config, links=tuple(self.links))

    # ---- layer 3 ------------------------------------------------------------------------------------------

    def _port(self, name: str, *addresses: str, kind: str = "Ethernet", **more: object) -> Interface:
        number = 1 + sum(it.name.startswith(kind) for it in self.interfaces[name])
        made = interface(f"{kind}{number}", *addresses, **more)
        self.interfaces[name].append(made)
        return made

    def _neighbour(self, at: tuple[str, str | None], version: IPVersion, address: str, port: str) -> None:
        self.neighbours.setdefault(at, {4: [], 6: []})[version].append((address, port))

    def _subnets(self) -> None:
        """Subnets of stations; some are shared by two quays, some are in a VRF, some are shut down."""
        for number, name in enumerate(self.names, 1):
            for place in range(self.chance.choice((1, 1, 2))):
                four, six = f"10.{number}.{place}", f"2001:db8:{number}:{place}"
                vrf = "TILLS" if self.chance.random() < 0.15 else None
                addresses = [f"{four}.1/24", f"{six}::1/64"]
                if self.chance.random() < 0.2:
                    addresses.append(f"10.{number}.{100 + place}.1/26 secondary")
                kind = self.chance.choice(("Ethernet", "Ethernet", "GigabitEthernet"))
                self._port(name, *addresses, kind=kind, vrf=vrf, shutdown=self.chance.random() < 0.06)
                self.prefixes[4].append(Prefix.parse(f"{four}.0/24"))
                self.prefixes[6].append(Prefix.parse(f"{six}::/64"))
                for last in (1, 2, 7, 9, 100, 200):
                    self.stations[4].append(Address.parse(f"{four}.{last}"))
                    self.stations[6].append(Address.parse(f"{six}::{last}"))
                if vrf is None and self.chance.random() < 0.3:
                    self._share(name, self.interfaces[name][-1].name, four, six)

    def _share(self, name: str, port: str, four: str, six: str) -> None:
        """Put a second quay, seldom a third, on a subnet: more than two routers on one wire."""
        others = [other for other in self.names if other != name]
        virtual = (f"{four}.254/24 virtual", f"{six}::fe/64 virtual") if self.chance.random() < 0.4 else ()
        if virtual:
            # A redundant gateway: its address belongs to each member.
            shared = interface(port, *virtual).addresses
            mine = next(at for at, it in enumerate(self.interfaces[name]) if it.name == port)
            first = self.interfaces[name][mine]
            self.interfaces[name][mine] = replace(first, addresses=(*first.addresses, *shared))
            self.stations[4].append(Address.parse(f"{four}.254"))
            self.stations[6].append(Address.parse(f"{six}::fe"))
        for last, other in enumerate(self.chance.sample(others, min(len(others), self.chance.choice((1, 1, 2)))), 2):
            is_member = virtual and last == 2
            its = self._port(other, f"{four}.{last}/24", f"{six}::{last}/64", *(virtual if is_member else ()))
            if virtual and not is_member:
                self._neighbour((other, None), 4, f"{four}.254", its.name)
                self._neighbour((other, None), 6, f"{six}::fe", its.name)
            for version, dot in ((4, f"{four}."), (6, f"{six}::")):
                self._neighbour((name, None), version, f"{dot}{last}", port)
                self._neighbour((other, None), version, f"{dot}1", its.name)

    def _wires(self) -> None:
        """A tree of cables, and some more; a few in the VRF."""
        pairs = [(self.chance.choice(self.names[:at]), name) for at, name in enumerate(self.names) if at]
        pairs += [tuple(self.chance.sample(self.names, 2)) for _ in range(self.chance.randint(0, self.count))]  # type: ignore[misc]
        cabled = self.chance.random() < 0.5
        for number, (a, b) in enumerate(pairs):
            vrf = "TILLS" if self.chance.random() < 0.15 else None
            length, longer = self.chance.choice(((30, 64), (31, 127), (29, 64)))
            first = 0 if length == 31 else 1
            base, six = f"172.16.{number}", f"2001:db8:f:{number}"
            ends = []
            for name, last in ((a, first), (b, first + 1)):
                down = self.chance.random() < 0.05
                addresses = (f"{base}.{last}/{length}", f"{six}::{last}/{longer}", f"fe80::{last + 1}/64 link-local")
                ends.append(self._port(name, *addresses, vrf=vrf, shutdown=down))
            for near, last, end in ((a, first + 1, 0), (b, first, 1)):
                self._neighbour((near, vrf), 4, f"{base}.{last}", ends[end].name)
                self._neighbour((near, vrf), 6, f"{six}::{last}", ends[end].name)
                self.near_hops.setdefault((near, vrf), []).append((f"fe80::{last + 1}", ends[end].name))
            for last in (first, first + 1):
                self.stations[4].append(Address.parse(f"{base}.{last}"))
                self.stations[6].append(Address.parse(f"{six}::{last}"))
            if cabled:
                self.links.append(Link(LinkEnd(a, ends[0].name), LinkEnd(b, ends[1].name)))

    def _loopbacks(self) -> None:
        for number, name in enumerate(self.names, 1):
            if self.chance.random() < 0.6:
                self._port(name, f"10.255.0.{number}/32", f"2001:db8:ff::{number}/128", kind="Loopback")
                self.stations[4].append(Address.parse(f"10.255.0.{number}"))
                self.stations[6].append(Address.parse(f"2001:db8:ff::{number}"))

    def _outside(self) -> None:
        """Destinations of no subnet of the fleet; one quay leads outside."""
        gate = self.chance.choice(self.names)
        port = self._port(gate, "192.0.2.1/29", "2001:db8:fe::1/64")
        self._neighbour((gate, None), 4, "192.0.2.2", port.name)
        self._neighbour((gate, None), 6, "2001:db8:fe::2", port.name)
        for text in ("198.51.100.0/24", "10.0.0.0/8", "10.77.0.0/16", "0.0.0.0/0", "10.255.0.0/24", "203.0.113.0/24"):
            self.prefixes[4].append(Prefix.parse(text))
        for text in ("2001:db8:77::/48", "2001:db8::/32", "::/0", "2001:db8:ff::/64"):
            self.prefixes[6].append(Prefix.parse(text))
        self.stations[4] += map(Address.parse, ("198.51.100.9", "10.77.3.4", "203.0.113.5", "192.0.2.2"))
        self.stations[6] += map(Address.parse, ("2001:db8:77::5", "2001:db8:fe::2", "2001:db8:8000::1"))

    # ---- routes and lists ---------------------------------------------------------------------------------

    def _routes(self, name: str) -> list[StaticRoute]:
        """Routes of each kind, to near and far, good and bad."""
        made: list[StaticRoute] = []
        for vrf in (None, "TILLS"):
            for version, hops in self.neighbours.get((name, vrf), {4: [], 6: []}).items():
                for prefix in self.chance.sample(self.prefixes[version], len(self.prefixes[version])):
                    if self.chance.random() < 0.3 or not hops:
                        continue
                    if prefix.length in (24, 64) and self.chance.random() < 0.15:
                        prefix = self.chance.choice(prefix.halves())
                    count = self.chance.choice((1, 1, 1, 2, 2, 3))
                    made += [self._route(prefix, version, hops, vrf) for _ in range(count)]
                    if version == 6 and self.chance.random() < 0.15 and (near := self.near_hops.get((name, vrf))):
                        hop, port = self.chance.choice(near)
                        made.append(route(str(prefix), hop, interface=port, vrf=vrf))
        return list({str(it): it for it in made}.values())

    def _route(
        self, prefix: Prefix, version: IPVersion, hops: Sequence[tuple[str, str]], vrf: str | None
    ) -> StaticRoute:
        distance = self.chance.choice((1, 1, 1, 1, 1, 5, 200, 255))
        kind = self.chance.random()
        address, port = self.chance.choice(hops)
        words = str(prefix)
        if kind < 0.08:
            return route(words, discard=True, distance=self.chance.choice((1, 1, 250)), vrf=vrf)
        if kind < 0.12:
            return route(words, interface=port, distance=distance, vrf=vrf)
        if kind < 0.2:
            return route(words, address, interface=port, distance=distance, vrf=vrf)
        if kind < 0.4:
            # Looked up through other routes, or not to be found at all.
            return route(words, str(self.chance.choice(self.stations[version])), distance=distance, vrf=vrf)
        return route(words, address, distance=distance, vrf=vrf)

    def _bindings(self, lists: list[AccessList]) -> tuple[ListBinding, ...]:
        found = []
        for direction in ("in", "out"):
            for family in ("ipv4", "ipv6"):
                if self.chance.random() < 0.35:
                    named = [one.name for one in lists if one.family == family] + ["NOWHERE"]
                    found.append(bound(self.chance.choice(named[:-1] * 6 + named), direction, family))  # type: ignore[arg-type]
        return tuple(found)

    def _device(self, name: str) -> Device:
        """The quay with its lists, where its routes and interfaces are known."""
        near: dict[IPVersion, Sequence[Address]] = dict(self.stations)
        lists = [some_list(self.chance, f"L{at}-{v}-{name}", v, near[v]) for v in near for at in range(2)]
        ports = [replace(it, bindings=self._bindings(lists)) for it in self.interfaces[name]]
        terminal = []
        for first in range(self.chance.choice((0, 1, 1, 2))):
            guards = [bound(one.name, "in", one.family) for one in lists if self.chance.random() < 0.3]
            by_family = {it.family: it for it in guards}
            opened = self.chance.random() < 0.8
            terminal.append(TerminalLines(first, first, tuple(by_family.values()), opened, span=span("line vty")))
        control = [bound(one.name, "in", one.family) for one in lists if self.chance.random() < 0.1]
        routes = self._routes(name)
        silent = self.chance.random() < 0.07
        last_hops = self.neighbours.get((name, None), {4: []})[4]
        gateways = [gateway(self.chance.choice(last_hops)[0])] if last_hops and self.chance.random() < 0.3 else []
        readings = some_readings(self.chance).with_settings(
            {
                "recursion": self.chance.choice(("any-but-default", "any-but-default", "any", "connected")),
                "gateway_while_routing": self.chance.choice(("idle", "default-route")),
            }
        )
        return device(
            name,
            *ports,
            *lists,
            *some_groups(self.chance, near),
            *routes,
            *gateways,
            terminal_lines=tuple(terminal),
            control_plane=tuple({it.family: it for it in control}.values()),
            vrfs={"TILLS": span("vrf TILLS")},
            routing=not silent,
            ipv6_routing=False if silent else None,
            assume=readings,
        )
