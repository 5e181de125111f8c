"""Default gateways: of devices that do not route, and idle ones of devices that do."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from pathcheck.model.device import Device
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.static_route import DefaultGateway
from pathcheck.network.topology import Attachment
from pathcheck.packet.address import WIDTH, Address
from pathcheck.queries.audit.fleet_view import FleetView, in_order, is_open, listed
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding

__all__ = ["gateways"]


def gateways(view: FleetView, left_out: Collection[LinkEnd]) -> Iterator[Finding]:
    """Return PC305, PC306 and PC307, at most one for each gateway.

    Parameters
    ----------
    left_out
        Ends whose address is a finding already.
    """
    for device in view.whole_devices:
        for gateway in device.gateways:
            state = view.routing(device.name, gateway.address.version)
            if state.on and device.assume.gateway_while_routing == "idle":
                yield _idle(view, device, gateway)
            else:
                own = [item for item in _attached(device, gateway) if item.end not in left_out]
                found = _off_link(device, gateway, own) or _of_nobody(view, device, gateway)
                if found is not None:
                    yield found


def _idle(view: FleetView, device: Device, gateway: DefaultGateway) -> Finding:
    """A gateway that routing makes idle."""
    state = view.routing(device.name, gateway.address.version)
    taken = " (taken so, because its text describes a router: `routing`)" if state.readings else ""
    return finding(
        "PC307",
        f"the default gateway `{gateway.address}` does nothing, because `{device.name}` routes{taken}",
        span=gateway.span,
        device=device.name,
        because=in_order([state.span]),
        help="use a default route instead, and remove this line; or turn routing off",
    )


def _off_link(device: Device, gateway: DefaultGateway, own: list[Attachment]) -> Finding | None:
    """A gateway that is on no subnet of the device, or that no other station can be; None for any other."""
    if not own or _is_unknown(device, gateway):
        return None
    on_link = [item for item in own if gateway.address in item.prefix]
    mine = next((item for item in own if item.address.address == gateway.address), None)
    if mine is not None:
        message = f"the default gateway `{gateway.address}` is the device's own address, of `{mine.interface}`"
        because = mine
    elif not on_link:
        near = max(own, key=lambda item: _common_bits(item.prefix.first, gateway.address))
        message = f"the default gateway `{gateway.address}` is on no subnet of the device: the nearest is "
        message += f"{near.prefix} of `{near.interface}`{_octet(near, gateway.address)}"
        because = near
    elif any(gateway.address in item.prefix.reserved_addresses() for item in on_link):
        message = f"the default gateway `{gateway.address}` is the network or broadcast address of {on_link[0].prefix}"
        because = on_link[0]
    else:
        return None
    return finding(
        "PC305",
        message,
        span=gateway.span,
        device=device.name,
        because=(because.address.span,),
        help="take the address of a router on the device's subnet; nothing beyond it is reached until then",
    )


def _of_nobody(view: FleetView, device: Device, gateway: DefaultGateway) -> Finding | None:
    """A gateway that no router answers for although the fleet has routers on its subnet; None for any other.

    Where none of the fleet's routers is on the subnet, the gateway stands outside of the fleet.
    """
    address = gateway.address
    own = [item for item in _attached(device, gateway) if address in item.prefix]
    if not own:
        return None
    owners = [item for item in view.topology.owners(address) if _can_answer(view, item, own)]
    if any(view.routing(item.device, address.version).on for item in owners):
        return None
    routers = [
        item
        for item in view.topology.on_subnet_of(address)
        if view.routing(item.device, address.version).on and _can_answer(view, item, own)
    ]
    if not owners and (not routers or any(is_open(view.config.devices[item.device]) for item in routers)):
        return None
    if owners:
        message = f"the default gateway `{address}` is {owners[0].end}, a device that does not route"
    else:
        message = f"the default gateway `{address}` belongs to no device of the fleet"
    if routers:
        message += f"; on {own[0].prefix} {listed(f'{item.end} ({item.address.address})' for item in routers)} "
        message += "routes" if len(routers) == 1 else "route"
    return finding(
        "PC306",
        message,
        span=gateway.span,
        device=device.name,
        because=in_order(item.address.span for item in (*owners[:1], *routers[:2])),
        help="take the address of a router, or leave it if the gateway stands outside of the fleet",
    )


def _can_answer(view: FleetView, item: Attachment, own: list[Attachment]) -> bool:
    """Whether an address of another device is in use, and on a segment with one of some addresses."""
    if item.device == own[0].device or item.address.role == "link-local":
        return False
    return view.is_used(item) and any(view.may_meet(item, mine) for mine in own)


def _attached(device: Device, gateway: DefaultGateway) -> list[Attachment]:
    """Return the addresses of a device in the gateway's table and IP version."""
    return [
        Attachment(device.name, interface.name, address)
        for interface in device.interfaces.values()
        if interface.vrf == gateway.vrf and not interface.shutdown and interface.channel_group is None
        for address in interface.addresses
        if address.address.version == gateway.address.version and address.role in ("primary", "secondary")
    ]


def _is_unknown(device: Device, gateway: DefaultGateway) -> bool:
    """Whether the device may have addresses in the gateway's table that the text does not show."""
    return any(
        interface.vrf == gateway.vrf and (interface.unknown_address is not None or interface.borrowed is not None)
        for interface in device.interfaces.values()
    )


def _common_bits(a: Address, b: Address) -> int:
    """Return how many leading bits two addresses share."""
    return WIDTH[a.version] - (a.value ^ b.value).bit_length()


def _octet(near: Attachment, address: Address) -> str:
    """Say which octet alone keeps an IPv4 address off a subnet, where one does."""
    if address.version == 6:
        return ""
    for place in range(4):
        shift = 24 - 8 * place
        theirs = near.prefix.value >> shift & 255
        moved = address.value & ~(255 << shift) | theirs << shift
        if near.prefix.length >= 8 * (place + 1) and Address(4, moved) in near.prefix:
            return f", from which octet {place + 1} keeps it: {address.value >> shift & 255} instead of {theirs}"
    return ""
