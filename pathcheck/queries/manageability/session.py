"""The session that the controller opens to each device, as a flow."""

from __future__ import annotations

from pathcheck.errors import InputError
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.flow import Flow
from pathcheck.packet.address import WIDTH
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import TCP
from pathcheck.packet.tcp_flags import NEW_CONNECTION

__all__ = ["controller_prefixes", "session_flow", "session_flows", "why_no_session"]


def controller_prefixes(config: FleetConfig) -> tuple[Prefix, ...]:
    """Return the addresses that the controller's sessions come from; none where the fleet does not name them."""
    source = config.session.source
    if source in config.places:
        return config.places[source].prefixes
    try:
        return (Prefix.parse_loose(source),)
    except (InputError, ValueError):
        return ()


def session_flow(config: FleetConfig, device: str) -> Flow | None:
    """Return the session to a device's management address; None where there is none to ask about.

    The session's reply belongs to it: ask :func:`pathcheck.queries.flow.follow` or `ask_flow` with the reply.
    """
    if why_no_session(config, device) is not None:
        return None
    address, session = config.devices[device].management, config.session
    assert address is not None
    return Flow(
        session.protocol,
        tuple(prefix for prefix in controller_prefixes(config) if prefix.version == address.version),
        (Prefix(address.version, address.value, WIDTH[address.version]),),
        source_named=session.source,
        destination_named=device,
        destination_ports=session.ports,
        flags=NEW_CONNECTION if session.protocol == TCP else None,
    )


def session_flows(config: FleetConfig) -> dict[str, Flow]:
    """Return the session of each device that has one, by the device's name."""
    flows = {name: session_flow(config, name) for name in config.devices}
    return {name: flow for name, flow in flows.items() if flow is not None}


def why_no_session(config: FleetConfig, device: str) -> str | None:
    """Say why there is no session to ask about; None where there is one."""
    address, source = config.devices[device].management, config.session.source
    if address is None:
        return f"`fleet.yaml` gives `{device}` no management address"
    prefixes = controller_prefixes(config)
    if not prefixes:
        return f"the fleet has no place `{source}`, so it is not known where the controller is"
    if all(prefix.version != address.version for prefix in prefixes):
        return f"`{source}` has no IPv{address.version} address, and the management address is `{address}`"
    return None
