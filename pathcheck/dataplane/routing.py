"""Whether a device routes, for one IP version."""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.model.device import Device
from pathcheck.packet.address import IPVersion
from pathcheck.results.path import Reading
from pathcheck.source import Span

__all__ = ["RoutingState", "routing_state"]


@dataclass(frozen=True, slots=True)
class RoutingState:
    """Whether packets that are not the device's own are forwarded.

    Parameters
    ----------
    on
        The answer.
    why
        One clause without a final stop.
    span
        The line that says it, None where none does.
    readings
        The assumption it rests on where no line says it.
    """

    on: bool
    why: str
    span: Span | None = None
    readings: tuple[Reading, ...] = ()


def routing_state(device: Device, version: IPVersion) -> RoutingState:
    """Tell whether a device routes one IP version.

    Notes
    -----
    Common practice, no source. For IPv4 `assume.routing` with `on` or `off`
    is stronger than the text; then the text's own line; then the kind of
    device that the text describes: one with a default gateway, no static route
    and at most one address apart from its management port is a switch that
    does not route. For IPv6 the text's own line comes first, then
    `assume.routing: off`; without either it routes.
    """
    assumed = device.assume.routing
    if version == 6:
        if device.ipv6_routing is not None:
            return _as_written(device.ipv6_routing, device.ipv6_routing_span)
        if assumed != "by-text":
            return _as_assumed(device, assumed)
        return RoutingState(True, "the text does not turn IPv6 routing off", None, (_by_text(device, "IPv6", True),))
    if assumed != "by-text":
        return _as_assumed(device, assumed)
    if device.routing is not None:
        return _as_written(device.routing, device.routing_span)
    gateway = next((gateway for gateway in device.gateways if gateway.address.version == 4), None)
    if gateway is None or any(route.prefix.version == 4 for route in device.static_routes) or _addressed(device) > 1:
        return RoutingState(True, "the text describes a router", None, (_by_text(device, "IPv4", True),))
    why = "the text has a default gateway, no static route and at most one address"
    return RoutingState(False, why, gateway.span, (_by_text(device, "IPv4", False),))


def _as_written(on: bool, span: Span | None) -> RoutingState:
    """Return what a line of the text says."""
    return RoutingState(on, f"the text turns routing {'on' if on else 'off'}", span)


def _as_assumed(device: Device, assumed: str) -> RoutingState:
    """Return what the settings say."""
    reading = Reading("routing", assumed, f"whether `{device.name}` routes")
    return RoutingState(assumed == "on", f"routing is assumed to be {assumed}", None, (reading,))


def _by_text(device: Device, what: str, on: bool) -> Reading:
    """Return the reading of a text that is silent."""
    return Reading("routing", "by-text", f"`{device.name}` is taken to {'route' if on else 'not route'} {what}")


def _addressed(device: Device) -> int:
    """Count the interfaces with an IPv4 address, known or not, that are no management ports."""
    return sum(
        1
        for interface in device.interfaces.values()
        if interface.kind != "management"
        and (
            any(address.address.version == 4 for address in interface.addresses)
            or interface.borrowed is not None
            or interface.unknown_address is not None
        )
    )
