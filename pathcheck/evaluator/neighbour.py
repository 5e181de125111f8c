"""Who takes packets that leave an interface: a scan over all interfaces of the fleet."""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.evaluator.access_list import MAYBE, NO, YES
from pathcheck.evaluator.index import index_of
from pathcheck.evaluator.interface import Carriage, End, cable_reach, carried, is_up
from pathcheck.evaluator.route import routes_packets
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.interface import InterfaceAddress
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix

__all__ = ["Onward", "owners", "takers"]


@dataclass(frozen=True, slots=True)
class Onward:
    """What becomes of packets behind an interface.

    Parameters
    ----------
    takers
        The interfaces of the fleet that may take them, equal alternatives, with what is known of the way there.
    fate
        Where there are none: `outside` (nobody of the fleet), `stranded` or `unknown`.
    why
        The reason for a fate, in words.
    """

    takers: tuple[tuple[End, Carriage], ...] = ()
    fate: str = "outside"
    why: str = ""


def owners(config: FleetConfig, address: Address) -> list[tuple[End, InterfaceAddress]]:
    """Return each interface that has an address, up or down."""
    return index_of(config).owners.get(address, [])


def takers(config: FleetConfig, out: End, version: int, next_hop: Address | None) -> Onward:
    """Find who takes packets for an address on the link of `out`; None is a route that names no next hop."""
    subnets = _subnets(config, out, version)
    if next_hop is None:
        return _behind(config, out, version, subnets)
    owning = [(end, item) for end, item in owners(config, next_hop) if not _is_same_table(config, end, out)]
    if next_hop in Prefix.parse("fe80::/10"):
        near = [end for end, _ in owning if _touch(subnets, _subnets(config, end, version))]
        near = near or [end for end, _ in owning if end in _cabled(config, out)]
        if not near and (_others(config, out, version) or _cabled(config, out)):
            return Onward(fate="unknown", why=f"a device on the link may have given itself {next_hop}")
        return _choose(config, out, near)
    on_subnet = [end for end, item in owning if _touch(subnets, [item.prefix])]
    if owning and not on_subnet:
        on_subnet = [end for end, _ in owning if end in _cabled(config, out)]
        if not on_subnet:
            return Onward(fate="unknown", why=f"{next_hop} is on no subnet of {out[0]}:{out[1]}")
    return _choose(config, out, on_subnet)


def _behind(config: FleetConfig, out: End, version: int, subnets: list[Prefix]) -> Onward:
    """Who takes packets for any address: the other end of the link, else each router of the subnet."""
    interface = config.devices[out[0]].interfaces[out[1]]
    if not subnets:
        cabled = _cabled(config, out)
        if not cabled:
            return Onward(fate="unknown", why=f"who is at the other end of {out[0]}:{out[1]} is not in the text")
        return _choose(config, out, cabled)
    others = _others(config, out, version)
    serial = interface.name.lower().startswith(("serial", "pos", "multilink", "dialer"))
    # RFC 3021, RFC 6164; a /30 has two stations as well.
    if interface.kind == "tunnel" or serial or all(net.length >= (30 if version == 4 else 127) for net in subnets):
        return _choose(config, out, [end for end, _ in others])
    routers = [
        end
        for end, item in others
        if item.role != "virtual" and routes_packets(config.devices[end[0]], version) and _up(config, end) != NO
    ]
    return _choose(config, out, routers)


def _choose(config: FleetConfig, out: End, ends: list[End]) -> Onward:
    """Keep the ends that are up and to which frames get."""
    found: list[tuple[End, Carriage]] = []
    stranded = ""
    for end in dict.fromkeys(ends):
        interface = config.devices[end[0]].interfaces[end[1]]
        if interface.channel_group is not None:
            continue
        up, why = is_up(config.devices[end[0]], interface)
        way = carried(config, out, end)
        if up == NO:
            stranded = stranded or why
        elif way.answer[0] == NO:
            stranded = way.answer[1]
        elif up == MAYBE and way.answer[0] == YES:
            found.append((end, Carriage((MAYBE, why), way.lists, way.maybe_lists)))
        else:
            found.append((end, way))
    if found:
        return Onward(tuple(found))
    if stranded:
        return Onward(fate="stranded", why=stranded)
    return Onward()


def _cabled(config: FleetConfig, out: End) -> list[End]:
    """Return the interfaces of other devices to which a cable leads."""
    return [end for end in cable_reach(config, out) if end[0] != out[0]]


def _up(config: FleetConfig, end: End) -> int:
    """Whether an interface is up."""
    device = config.devices[end[0]]
    return is_up(device, device.interfaces[end[1]])[0]


def _subnets(config: FleetConfig, end: End, version: int) -> list[Prefix]:
    """Return the subnets of an interface, its link-local one left out."""
    addresses = config.devices[end[0]].interfaces[end[1]].addresses
    return [item.prefix for item in addresses if item.address.version == version and item.role != "link-local"]


def _touch(some: list[Prefix], others: list[Prefix]) -> bool:
    """Whether two interfaces share a subnet."""
    return any(one.overlaps(other) for one in some for other in others)


def _is_same_table(config: FleetConfig, end: End, out: End) -> bool:
    """Whether an interface is in the sender's own table, so that the address is its own."""
    here = config.devices[out[0]].interfaces
    return end[0] == out[0] and here[end[1]].vrf == here[out[1]].vrf


def _others(config: FleetConfig, out: End, version: int) -> list[tuple[End, InterfaceAddress]]:
    """Return the addresses of others on the subnets of an interface."""
    subnets = _subnets(config, out, version)
    return [
        ((device.name, interface.name), item)
        for device in config.devices.values()
        for interface in device.interfaces.values()
        for item in interface.addresses
        if item.role != "link-local" and _touch(subnets, [item.prefix])
        if not _is_same_table(config, (device.name, interface.name), out)
    ]
