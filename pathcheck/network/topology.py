"""Who owns an address, who is on a subnet, what is cabled to what."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from pathcheck.dataplane.interface_state import InterfaceState, channel_members, channel_number, interface_state
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.model.interface import Interface, InterfaceAddress
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.source import Span

if TYPE_CHECKING:
    import networkx

__all__ = ["Attachment", "Cable", "Topology"]

_LOOKED_UP = 8
"""Addresses of a prefix that are looked up one by one; of more, those that there are are found by their order."""


@dataclass(frozen=True, slots=True)
class Attachment:
    """One address of one interface: where a device is attached to a subnet."""

    device: str
    interface: str
    address: InterfaceAddress

    @property
    def end(self) -> LinkEnd:
        """The device and interface, without the address."""
        return LinkEnd(self.device, self.interface)

    @property
    def prefix(self) -> Prefix:
        """The subnet that the address is on."""
        return self.address.prefix


@dataclass(frozen=True, slots=True)
class Cable:
    """A cable as seen from one end."""

    near: LinkEnd
    far: LinkEnd
    span: Span | None


class Topology:
    """The devices of a fleet by their addresses, subnets and cables; made once for each fleet.

    Everything is worked out when it is first asked for, so that one flow over
    a large fleet pays for what it meets.

    Parameters
    ----------
    config
        The fleet. It must not change as long as the topology is used.
    """

    def __init__(self, config: FleetConfig) -> None:
        self.config = config
        self._states: dict[tuple[str, str], InterfaceState] = {}
        self._logical: dict[LinkEnd, LinkEnd] = {}
        self._subinterfaces: dict[str, dict[str, tuple[Interface, ...]]] = {}

    @property
    def devices(self) -> Iterable[Device]:
        """All devices, in the order of their names."""
        return self.config.devices.values()

    def device(self, name: str) -> Device:
        """Return the device of that name; a name that is not in the fleet raises KeyError."""
        return self.config.devices[name]

    def interface(self, end: LinkEnd) -> Interface | None:
        """Return the interface at an end, None where the device's text does not have it."""
        device = self.config.devices.get(end.device)
        return device.interfaces.get(end.interface) if device else None

    def state(self, device: str, interface: str) -> InterfaceState:
        """Return whether an interface is up; one that the device's text does not have raises KeyError."""
        key = (device, interface)
        if key not in self._states:
            owner = self.config.devices[device]
            self._states[key] = interface_state(owner, owner.interfaces[interface])
        return self._states[key]

    def is_up(self, attachment: Attachment) -> bool:
        """Whether the interface of an attachment is up."""
        state = self.state(attachment.device, attachment.interface)
        return state.up and state.member_of is None

    def may_be_up(self, attachment: Attachment) -> bool:
        """Whether the interface of an attachment is up, or something that is not modelled could make it so."""
        state = self.state(attachment.device, attachment.interface)
        return (state.up or bool(state.doubts)) and state.member_of is None

    @cached_property
    def attachments(self) -> tuple[Attachment, ...]:
        """Each address of each interface, up or down, by device and in the order of the text."""
        return tuple(
            Attachment(device.name, interface.name, address)
            for device in self.devices
            for interface in device.interfaces.values()
            for address in interface.addresses
        )

    @cached_property
    def _by_address(self) -> dict[Address, list[Attachment]]:
        found: dict[Address, list[Attachment]] = defaultdict(list)
        for attachment in self.attachments:
            found[attachment.address.address].append(attachment)
        return dict(found)

    @cached_property
    def _by_subnet(self) -> dict[tuple[IPVersion, int], dict[int, list[Attachment]]]:
        """Attachments by version and length of their subnet, then by its value; link-local addresses left out."""
        found: dict[tuple[IPVersion, int], dict[int, list[Attachment]]] = defaultdict(lambda: defaultdict(list))
        for attachment in self.attachments:
            if attachment.address.role != "link-local":
                prefix = attachment.prefix
                found[prefix.version, prefix.length][prefix.value].append(attachment)
        return {key: dict(values) for key, values in sorted(found.items())}

    @cached_property
    def _sorted_subnets(self) -> dict[tuple[IPVersion, int], list[int]]:
        return {key: sorted(subnets) for key, subnets in self._by_subnet.items()}

    def owners(self, address: Address) -> tuple[Attachment, ...]:
        """Return the interfaces that have an address, up or down."""
        return tuple(self._by_address.get(address, ()))

    def owned_within(self, prefix: Prefix) -> tuple[Attachment, ...]:
        """Return the attachments, up or down, whose own address lies in a prefix, in the order of the addresses."""
        if prefix.size <= _LOOKED_UP:
            addresses: Iterable[Address] = (
                Address(prefix.version, value) for value in range(prefix.value, prefix.value + prefix.size)
            )
        else:
            known = self._sorted_addresses
            addresses = known[bisect_left(known, prefix.first) : bisect_right(known, prefix.last)]
        return tuple(attachment for address in addresses for attachment in self._by_address.get(address, ()))

    @cached_property
    def _sorted_addresses(self) -> tuple[Address, ...]:
        return tuple(sorted(self._by_address))

    def on_subnet_of(self, address: Address) -> tuple[Attachment, ...]:
        """Return the attachments, up or down, whose subnet holds an address; longest subnet first."""
        width = WIDTH[address.version]
        found: list[Attachment] = []
        for (version, length), subnets in reversed(self._by_subnet.items()):
            if version == address.version:
                value = address.value >> (width - length) << (width - length)
                found.extend(subnets.get(value, ()))
        return tuple(found)

    def overlapping(self, prefix: Prefix) -> tuple[Attachment, ...]:
        """Return the attachments, up or down, whose subnet shares an address with a prefix, by subnet."""
        return tuple(
            attachment
            for subnet in self._subnets_over(prefix)
            for attachment in self._by_subnet[subnet.version, subnet.length][subnet.value]
        )

    def _subnets_over(self, prefix: Prefix) -> Iterator[Prefix]:
        """Return each subnet of the fleet that overlaps a prefix: the wider ones, then those inside it."""
        for (version, length), subnets in self._by_subnet.items():
            if version != prefix.version:
                continue
            if length <= prefix.length:
                subnet = Prefix.containing(prefix.first, length)
                if subnet.value in subnets:
                    yield subnet
            else:
                values = self._sorted_subnets[version, length]
                inside = slice(bisect_left(values, prefix.value), bisect_left(values, prefix.value + prefix.size))
                yield from (Prefix(version, value, length) for value in values[inside])

    def subnets(self) -> tuple[Prefix, ...]:
        """Return each subnet that an interface of the fleet is on, in order."""
        return tuple(sorted({a.prefix for a in self.attachments if a.address.role != "link-local"}))

    @cached_property
    def _cables(self) -> dict[LinkEnd, list[Cable]]:
        found: dict[LinkEnd, list[Cable]] = defaultdict(list)
        for link in self.config.links:
            found[link.a].append(Cable(link.a, link.b, link.span))
            found[link.b].append(Cable(link.b, link.a, link.span))
        return dict(found)

    @cached_property
    def _cabled_devices(self) -> frozenset[str]:
        return frozenset(end.device for end in self._cables)

    def is_cabled(self, device: str) -> bool:
        """Whether any link names the device: then its cabling counts as given."""
        return device in self._cabled_devices

    def cables_of(self, device: str, interface: str) -> tuple[Cable, ...]:
        """Return the cables on an interface; those of a port channel's members count as the channel's."""
        ends = [interface]
        found = self.interface(LinkEnd(device, interface))
        if found is not None and found.kind == "port-channel":
            ends += [member.name for member in channel_members(self.device(device), found)]
        return tuple(cable for end in ends for cable in self._cables.get(LinkEnd(device, end), ()))

    def cables_at(self, device: str) -> tuple[Cable, ...]:
        """Return all cables of a device, in the order in which the fleet's file gives them."""
        return self._cables_by_device.get(device, ())

    @cached_property
    def _cables_by_device(self) -> dict[str, tuple[Cable, ...]]:
        found: dict[str, list[Cable]] = defaultdict(list)
        for cables in self._cables.values():
            for cable in cables:
                found[cable.near.device].append(cable)
        return {device: tuple(cables) for device, cables in found.items()}

    def logical(self, end: LinkEnd) -> LinkEnd:
        """Return the port channel that a port is a member of, else the port itself."""
        if end not in self._logical:
            self._logical[end] = self._channel_or_port(end)
        return self._logical[end]

    def _channel_or_port(self, end: LinkEnd) -> LinkEnd:
        port = self.interface(end)
        if port is None or port.channel_group is None:
            return end
        for interface in self.device(end.device).interfaces.values():
            if interface.kind == "port-channel" and channel_number(interface) == port.channel_group:
                return LinkEnd(end.device, interface.name)
        return end

    def subinterfaces(self, device: str, parent: str) -> tuple[Interface, ...]:
        """Return the sub-interfaces of an interface, in the order of the text."""
        if device not in self._subinterfaces:
            found: dict[str, list[Interface]] = defaultdict(list)
            for interface in self.device(device).interfaces.values():
                if interface.parent is not None:
                    found[interface.parent].append(interface)
            self._subinterfaces[device] = {name: tuple(below) for name, below in found.items()}
        return self._subinterfaces[device].get(parent, ())

    @cached_property
    def graph(self) -> networkx.Graph[tuple[str, ...]]:
        """Return devices, interfaces, subnets and cables as one graph.

        Nodes are `("device", NAME)`, `("interface", DEVICE, NAME)` and
        `("subnet", PREFIX)`; an edge between two interfaces is a cable and has
        the attribute `span`. Interfaces that only a link names are there too.

        Notes
        -----
        The library takes a fifth of a second to import, so what every flow
        needs does not go through it.
        """
        import networkx

        graph: networkx.Graph[tuple[str, ...]] = networkx.Graph()
        for device in self.devices:
            graph.add_node(("device", device.name))
            for name in device.interfaces:
                graph.add_edge(("device", device.name), ("interface", device.name, name))
        for attachment in self.attachments:
            if attachment.address.role != "link-local":
                graph.add_edge(
                    ("interface", attachment.device, attachment.interface), ("subnet", str(attachment.prefix))
                )
        for link in self.config.links:
            ends = [("interface", end.device, end.interface) for end in (link.a, link.b)]
            for node in ends:
                graph.add_edge(("device", node[1]), node)
            graph.add_edge(*ends, span=link.span)
        return graph
