"""What is built for a fleet, or for some devices of it: tables, ports, and who is at the other end of a wire.

Each table of a device (the global one, and each VRF) is one namespace, because
VRFs are separate tables. Each interface that carries routed packets is a port
of its table, whatever stands below it: VLANs and cables are not built. Who
hears what leaves a port is the evaluator's answer.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field

from pathcheck.evaluator.access_list import NO, YES
from pathcheck.evaluator.interface import is_up
from pathcheck.evaluator.neighbour import Onward, takers
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.model.interface import Interface
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.prefix import Prefix

__all__ = ["DISCARDED", "UNROUTED", "Plan", "Port", "Table", "Taker"]

UNROUTED, DISCARDED = "unrouted", "discarded"
"""Two interfaces in each namespace: where packets go that no route matches, and where discard routes lead."""


@dataclass(frozen=True, slots=True)
class Port:
    """A routed interface as an interface of a namespace.

    Parameters
    ----------
    number
        1..65535, of the whole rehearsal.
    state
        NO, MAYBE or YES: whether it is up.
    """

    number: int
    end: LinkEnd
    interface: Interface
    state: int

    @property
    def name(self) -> str:
        """The name that the kernel knows; an interface's own may be too long for it."""
        return f"p{self.number}"

    @property
    def hardware(self) -> str:
        """Its hardware address, locally administered (IEEE 802, from memory)."""
        return f"02:00:00:00:{self.number >> 8:02x}:{self.number & 255:02x}"

    def subnets(self, version: IPVersion) -> tuple[Prefix, ...]:
        """Return the subnets that stations can be on."""
        return tuple(
            item.prefix
            for item in self.interface.addresses
            if item.address.version == version and item.role != "link-local"
        )


@dataclass(frozen=True, slots=True)
class Table:
    """One table of one device.

    Parameters
    ----------
    number
        Its place among the tables of the rehearsal.
    vrf
        None for the global table.
    """

    number: int
    device: Device
    vrf: str | None
    ports: tuple[Port, ...]


@dataclass(frozen=True, slots=True)
class Taker:
    """Who takes packets for an address that leave a port.

    Parameters
    ----------
    fate
        `carried` (to `port`), `outside` (nobody of the fleet), `stranded`, `not-loaded` (`why` names the interface)
        or `unknown`.
    """

    fate: str
    port: Port | None = None
    why: str = ""


@dataclass(slots=True)
class Plan:
    """The tables of the devices that are loaded.

    Parameters
    ----------
    config
        The whole fleet.
    devices
        Names of the devices that are loaded.
    """

    config: FleetConfig
    devices: Collection[str]
    tables: tuple[Table, ...] = field(init=False)
    ports: dict[LinkEnd, Port] = field(init=False, default_factory=dict)
    table_of: dict[LinkEnd, Table] = field(init=False, default_factory=dict)
    _takers: dict[tuple[LinkEnd, int, Address | None], Taker] = field(init=False, default_factory=dict)
    _owned: list[Address] = field(init=False)

    def __post_init__(self) -> None:
        tables: list[Table] = []
        for name in sorted(self.devices):
            device = self.config.devices[name]
            by_vrf: dict[str | None, list[Port]] = {vrf: [] for vrf in (None, *device.vrfs)}
            for interface in device.interfaces.values():
                if _is_routed(interface):
                    end = LinkEnd(name, interface.name)
                    port = Port(len(self.ports) + 1, end, interface, is_up(device, interface)[0])
                    self.ports[end] = port
                    by_vrf.setdefault(interface.vrf, []).append(port)
            for vrf, ports in by_vrf.items():
                table = Table(len(tables), device, vrf, tuple(ports))
                tables.append(table)
                for port in ports:
                    self.table_of[port.end] = table
        self.tables = tuple(tables)
        self._owned = sorted(
            {
                item.address
                for device in self.config.devices.values()
                for interface in device.interfaces.values()
                for item in interface.addresses
            }
        )

    def table(self, device: str, vrf: str | None) -> Table:
        """Return a table of a device that is loaded."""
        return next(table for table in self.tables if table.device.name == device and table.vrf == vrf)

    def taker(self, port: Port, version: IPVersion, target: Address | None) -> Taker:
        """Tell who takes packets that leave a port for an address of its link.

        Parameters
        ----------
        target
            The next hop, or the destination on a connected subnet; None for a route that names no next hop.

        Notes
        -----
        Of several that may take them (a virtual address) it is the first that is loaded: one of
        the model's alternatives, as a link has one table of hardware addresses.
        """
        key = port.end, version, target
        if key not in self._takers:
            onward = takers(self.config, (port.end.device, port.end.interface), version, target)
            self._takers[key] = self._chosen(onward)
        return self._takers[key]

    def _chosen(self, onward: Onward) -> Taker:
        """The first that is loaded and certain."""
        if not onward.takers:
            return Taker(onward.fate, why=onward.why)
        certain = [end for end, carriage in onward.takers if carriage.answer[0] == YES and not carriage.maybe_lists]
        if not certain:
            return Taker("unknown", why=onward.takers[0][1].answer[1])
        for end, carriage in onward.takers:
            port = self.ports.get(LinkEnd(*end))
            if end in certain and port is not None:
                if carriage.lists:
                    return Taker("unknown", why="a list on a switch port is on the way, and those are not rehearsed")
                return Taker("carried", port)
        return Taker("not-loaded", why=":".join(certain[0]))

    def neighbours(self, port: Port, version: IPVersion) -> Iterator[tuple[Address, Taker]]:
        """Yield each address of the fleet that may be at the other end of a port, with who takes packets for it."""
        wanted = {address for subnet in port.subnets(version) for address in self._owned_within(subnet)}
        for route in self.table_of[port.end].device.static_routes:
            if route.next_hop is not None and route.next_hop.version == version:
                wanted.add(route.next_hop)
        own = {item.address for item in port.interface.addresses}
        for address in sorted(wanted - own):
            yield address, self.taker(port, version, address)

    def _owned_within(self, prefix: Prefix) -> Iterator[Address]:
        """Yield the addresses of the fleet's devices in a prefix."""
        for address in self._owned[bisect_left(self._owned, prefix.first) :]:
            if address not in prefix:
                return
            yield address

    def is_down(self, port: Port) -> bool:
        """Whether a port certainly carries nothing."""
        return port.state == NO


def _is_routed(interface: Interface) -> bool:
    """Whether an interface can carry routed packets."""
    return interface.switch_port is None and interface.channel_group is None and interface.kind != "discard"
