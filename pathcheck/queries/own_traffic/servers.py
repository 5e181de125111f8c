"""The servers that a device's lines name: whether its packets get there, and the answers back.

Ports: DNS 53 (RFC 1035 section 4.2), NTP 123 (RFC 5905 section 7.2), syslog 514 (RFC 5426 section 3.3),
SNMP notifications 162 (RFC 3417 section 3.2), RADIUS 1812 and 1813 (RFC 2865 section 3, RFC 2866 section 3; before
these 1645 and 1646, which both sections tell of), TACACS+ 49 (RFC 8907 section 4.1).
"""

from __future__ import annotations

from collections.abc import Iterator

from pathcheck.model.device import Device
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.model.own_traffic import ManagementServer, ServerKind
from pathcheck.network.reachability import Network
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import TCP, UDP
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import NEW_CONNECTION
from pathcheck.queries.own_traffic.needs import Need, judge_need
from pathcheck.results.own_traffic import NeedAnswer, ServerAnswer
from pathcheck.results.path import Doubt

__all__ = ["host", "judge_servers", "own_addresses"]

_PORTS: dict[ServerKind, tuple[int, ...]] = {
    "dns": (53,), "ntp": (123,), "syslog": (514,), "snmp-trap": (162,), "radius": (1812, 1645),
    "radius-accounting": (1813, 1646), "tacacs": (49,),
}  # fmt: skip
"""Where the text names no port; with two of them it depends on the device which one it takes."""

_CALLED: dict[ServerKind, tuple[str, str, str | None]] = {
    "dns": ("DNS", "name queries", "their answers"),
    "ntp": ("NTP", "time requests", "their answers"),
    "syslog": ("syslog", "log messages", None),
    "snmp-trap": ("SNMP notifications", "notifications", None),
    "radius": ("RADIUS", "requests for authentication", "their answers"),
    "radius-accounting": ("RADIUS accounting", "accounting requests", "their answers"),
    "tacacs": ("TACACS+", "requests for authentication", "their answers"),
}
"""What the server is, what is sent to it, and what it answers."""

_ORDER = tuple(_CALLED)


def judge_servers(network: Network, device: str) -> tuple[ServerAnswer, ...]:
    """Judge each server that the lines of a device name: names first, then time, log and authentication.

    Raises
    ------
    CapacityError
        The packets part into too many sets.
    """
    owner = network.config.devices[device]
    return tuple(_judge(network, owner, it) for it in sorted(owner.servers, key=lambda it: _ORDER.index(it.kind)))


def _judge(network: Network, device: Device, server: ManagementServer) -> ServerAnswer:
    """Judge one server."""
    kind, subject, answers = _CALLED[server.kind]
    ports = (server.port,) if server.port is not None else _PORTS[server.kind]
    shown = " or ".join(map(str, ports))
    sources, open_ = own_addresses(network, device, server.address, server.vrf, server.source_interface)
    if server.tcp and server.port is None:
        open_ = Doubt("the text names no port for TCP", None)
    if open_ is not None or not sources:
        doubt = open_ or Doubt("which address the device's packets have is not known", None)
        need = NeedAnswer(None, doubt.why, doubt.span or server.span, device.name)
        return ServerAnswer(device.name, kind, server.address, shown, None, server.span, need)
    owners = {it.device for it in network.topology.owners(server.address)} - {device.name}
    tcp = server.tcp or server.kind == "tacacs"
    found = [
        judge_need(
            network,
            Need(
                Flow(
                    TCP if tcp else UDP,
                    tuple(host(source) for source, _ in sources),
                    (host(server.address),),
                    destination_ports=Ranges.single(port),
                    flags=NEW_CONNECTION if tcp else None,
                    vrf=server.vrf,
                    at=EntryPoint(device.name),
                ),
                subject,
                answers if not server.tcp else "answers",
                device.name,
                next(iter(owners)) if len(owners) == 1 else None,
                {source: out for source, out in sources if out is not None},
            ),
        )
        for port in ports
    ]
    return ServerAnswer(device.name, kind, server.address, shown, sources[0][0], server.span, _joint(found))


def _joint(found: list[NeedAnswer]) -> NeedAnswer:
    """Return the answer for several ports that are possible: certain where they agree."""
    if len({it.holds for it in found}) == 1:
        return found[0]
    other = next(it for it in found if not it.holds)
    if other.holds is None:
        return other
    message = f"it depends on the port that the device takes: {other.message}"
    return NeedAnswer(None, message, other.span, other.device)


def own_addresses(
    network: Network, device: Device, towards: Address, vrf: str | None, source_interface: str | None
) -> tuple[tuple[tuple[Address, str | None], ...], Doubt | None]:
    """Return the addresses that a device's own packets may have; what leaves them open where they are not known.

    With each stands the interface by which the packets leave that have it; None where each way is open to them.

    That of the interface which a line names as their source, else that of the interface by which they
    leave (RFC 1122 section 3.3.4.3 leaves the choice to the system; common practice).
    """
    version: IPVersion = towards.version
    if source_interface is not None:
        if source_interface not in device.interfaces:
            why = f"{device.name} has no interface `{source_interface}`, whose address its packets should have"
            return (), Doubt(why, None)
        given = tuple((it, None) for it in _first_address(device, source_interface, version))
        if not given:
            why = f"`{source_interface}`, whose IPv{version} address its packets should have, has none"
            return (), Doubt(why, None)
        if not network.topology.state(device.name, source_interface).up:
            return (), Doubt(f"`{source_interface}`, whose address its packets should have, is down", None)
        return given, None
    outs: list[str] = []
    for piece in network.fib(device.name, vrf, version).pieces(host(towards)):
        if piece.doubts:
            doubt = piece.doubts[0]
            why = f"by which interface packets to {towards} leave {device.name} is not known: {doubt.why}"
            return (), Doubt(why, doubt.span)
        if piece.entry is not None:
            outs += [hop.interface for hop in piece.entry.hops]
    if not outs:
        # Nothing leaves for there, whatever address it would have.
        outs = [name for name in device.interfaces if device.interfaces[name].vrf == vrf]
        return tuple((it, None) for name in outs for it in _first_address(device, name, version))[:1], None
    found = tuple((it, name) for name in dict.fromkeys(outs) for it in _first_address(device, name, version))
    if len(found) < len(set(outs)):
        return (), Doubt("the interface by which they leave has no address of its own", None)
    return found, None


def _first_address(device: Device, interface: str, version: IPVersion) -> Iterator[Address]:
    """Yield the address that an interface gives to packets: its first one that is no link-local or shared one."""
    for item in device.interfaces[interface].addresses:
        if item.address.version == version and item.role == "primary":
            yield item.address
            return


def host(address: Address) -> Prefix:
    """Return an address as a prefix."""
    return Prefix(address.version, address.value, WIDTH[address.version])
