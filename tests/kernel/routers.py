"""A fleet as network namespaces: the kernel's own routes and packet rules, made from the models.

Only what the kernel does in the same way is translated: next hops on a
connected subnet, equal-cost routes, distances as metrics, discard routes, lists on
routed interfaces and on terminal lines. A next hop that the kernel refuses is
left out of its table by the kernel's own judgement.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import TYPE_CHECKING

from kernel.rules import MARKING, WHOLE, list_rules

from pathcheck.model.access_list import AccessList, ListBinding
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.static_route import StaticRoute
from pathcheck.packet.address import Address

if TYPE_CHECKING:
    from kernel.lab import Lab

SHORE = "shore"
"""The namespace outside of the fleet, on the other side of each interface that no link names."""

REFUSALS = ("invalid gateway", "unreachable", "No route to host", "is down")


class Routers:
    """Each device a namespace of its name; `edges` are the interfaces behind which the shore is."""

    def __init__(self, lab: Lab, config: FleetConfig, stations: Iterable[Address]) -> None:
        self.lab = lab
        self.config = config
        self.edges: dict[str, str] = {}
        self.refused: list[StaticRoute] = []
        lab.namespace(SHORE)
        # The shore takes packets only for the test to see them, and answers nothing.
        drop = "table inet t {\nchain c { type filter hook prerouting priority -300; policy drop; }\n}\n"
        lab.run(SHORE, ["nft", "-f", "-"], drop)
        for device in config.devices.values():
            lab.namespace(device.name, forwards=True)
        self._cables()
        for device in config.devices.values():
            self._addresses(device)
        self._neighbours(tuple(stations))
        for device in config.devices.values():
            self._routes(device)
            lab.run(device.name, ["nft", "-f", "-"], rules(device))

    def _cables(self) -> None:
        linked = {(end.device, end.interface) for link in self.config.links for end in (link.a, link.b)}
        for link in self.config.links:
            self.lab.cable((link.a.device, link.a.interface), (link.b.device, link.b.interface))
        for device in self.config.devices.values():
            for interface in device.interfaces.values():
                if interface.kind != "loopback" and (device.name, interface.name) not in linked:
                    shore = f"shore{len(self.edges)}"
                    self.lab.cable((device.name, interface.name), (SHORE, shore))
                    self.edges[f"{device.name}:{interface.name}"] = shore

    def _addresses(self, device: Device) -> None:
        for interface in device.interfaces.values():
            name = "lo" if interface.kind == "loopback" else interface.name
            # The kernel keeps the addresses of an interface that is down as its own; network devices do not.
            for item in () if interface.shutdown else interface.addresses:
                flag = f"-{item.address.version}"
                text = f"{item.address}/{item.length}"
                self.lab.run(device.name, ["ip", flag, "address", "add", text, "dev", name])
            if interface.shutdown:
                self.lab.run(device.name, ["ip", "link", "set", name, "down"])

    def _neighbours(self, stations: tuple[Address, ...]) -> None:
        """Tell each device the hardware addresses of its neighbours, so that only the packets of the test travel."""
        for link in self.config.links:
            for near, far in ((link.a, link.b), (link.b, link.a)):
                hardware = self.lab.hardware_address(far.device, far.interface)
                for item in self.config.devices[far.device].interfaces[far.interface].addresses:
                    self._neighbour(near.device, near.interface, item.address, hardware)
        for edge, shore in self.edges.items():
            name, _, interface = edge.partition(":")
            hardware = self.lab.hardware_address(SHORE, shore)
            found = self.config.devices[name].interfaces[interface]
            for station in stations:
                own = any(station == item.address for item in found.addresses)
                if any(station in item.prefix for item in found.addresses) and not own and not found.shutdown:
                    self._neighbour(name, interface, station, hardware)

    def _neighbour(self, device: str, interface: str, address: Address, hardware: str) -> None:
        flag = f"-{address.version}"
        words = ["ip", flag, "neigh", "replace", str(address), "lladdr", hardware, "dev", interface, "nud", "permanent"]
        self.lab.run(device, words)

    def _routes(self, device: Device) -> None:
        groups: dict[tuple[object, int], list[StaticRoute]] = defaultdict(list)
        for route in device.static_routes:
            groups[route.prefix, route.distance].append(route)
        for (prefix, distance), routes in groups.items():
            usable = [route for route in routes if route.discard or self._is_accepted(device, route)]
            command = ["ip", f"-{routes[0].prefix.version}", "route", "add"]
            if usable and usable[0].discard:
                self.lab.run(device.name, [*command, "blackhole", str(prefix), "metric", str(distance)])
            elif usable:
                hops = [word for route in usable for word in ("nexthop", *way(route))]
                self.lab.run(device.name, [*command, str(prefix), "metric", str(distance), *hops])

    def _is_accepted(self, device: Device, route: StaticRoute) -> bool:
        """Whether the kernel takes a next hop; if not, the route is in no table."""
        words = [str(route.prefix), *way(route), "metric", "4242"]
        command = ["ip", f"-{route.prefix.version}", "route"]
        try:
            self.lab.run(device.name, [*command, "add", *words])
        except RuntimeError as error:
            if not any(text in str(error) for text in REFUSALS):
                raise
            self.refused.append(route)
            return False
        self.lab.run(device.name, [*command, "del", *words])
        return True


def way(route: StaticRoute) -> list[str]:
    words = ["via", str(route.next_hop)] if route.next_hop is not None else []
    return words + (["dev", route.interface] if route.interface is not None else [])


def rules(device: Device) -> str:
    """Return all rules of a device: lists `in` before routing, lists `out` on what is forwarded, terminal lines."""
    marking = "\n".join(MARKING)
    chains: dict[str, str] = {}

    def jump(binding: ListBinding) -> str:
        version = 4 if binding.family == "ipv4" else 6
        name = f"list{version}_{binding.list_name}"
        found: AccessList | None = device.access_list(binding.family, binding.list_name)
        chains[name] = "\n".join(list_rules(device, found, version))
        return f"meta protocol {'ip' if version == 4 else 'ip6'} jump {name}"

    into = [
        f'iifname "{interface.name}" {jump(binding)}'
        for interface in device.interfaces.values()
        for binding in interface.bindings
        if binding.direction == "in"
    ]
    out = [
        f'oifname "{interface.name}" {jump(binding)}'
        for interface in device.interfaces.values()
        for binding in interface.bindings
        if binding.direction == "out"
    ]
    assert len(device.terminal_lines) <= 1, "several blocks are alternatives, which the kernel does not have"
    # SYN with ACK answers a session of the device itself, so the lists on terminal lines do not ask it.
    sessions = [
        f"{WHOLE} meta l4proto 6 tcp dport {{ 22, 23 }} tcp flags & (syn | ack) != syn | ack {jump(binding)}"
        for block in device.terminal_lines
        for binding in block.bindings
        if binding.direction == "in"
    ]
    base = {"prerouting": into, "forward": out, "input": sessions}
    text = ["table inet t {"]
    for name, body in chains.items():
        text.append(f"chain {name} {{\n{body}\n}}")
    for hook, lines in base.items():
        body = "\n".join(lines)
        text.append(f"chain {hook} {{ type filter hook {hook} priority 0; policy accept;\n{marking}\n{body}\n}}")
    return "\n".join([*text, "}", ""])
