"""VRFs: their definitions, and the routes that stand inside them."""

from __future__ import annotations

from pathcheck.model.unmodelled import DeviceScope, NoScope, RouteScope
from pathcheck.parser.commands import CommandLine, Context, Enter, Mode, Result, Tables, ignored, modelled, unmodelled
from pathcheck.parser.static_route import Routing, read_route
from pathcheck.parser.unmodelled import Protocols, note
from pathcheck.results.account import LineClass
from pathcheck.source import Span

__all__ = ["COMMANDS", "MODES", "Vrfs"]


class Vrfs:
    """The VRFs that a device's text defines."""

    def __init__(self) -> None:
        self.vrfs: dict[str, Span] = {}

    def finish(self, _context: Context) -> dict[str, Span]:
        """Return the VRFs by name, with the place of their definition."""
        return self.vrfs


def _read_header(context: Context, line: CommandLine) -> Result:
    """{vrf definition | vrf instance | vrf context | ip vrf | vrf} NAME"""
    if not line.tail:
        raise line.wrong(line.start, "the name of a VRF")
    if len(line.tail) > 1:
        raise line.wrong(line.start + 1, "the end of the line")
    name = line.tail[0]
    vrfs = context.part(Vrfs).vrfs
    if line.negated:
        if vrfs.pop(name, None) is None:
            context.report("PC408", f"no VRF `{name}` is defined before this line", line.span)
        routing = context.part(Routing)
        routing.routes = {route: None for route in routing.routes if route.vrf != name}
        return None
    vrfs.setdefault(name, line.span)
    return Enter("vrf", name)


def _table(line: CommandLine) -> str | None:
    """Return the VRF of the block; the global table may have a block of its own."""
    name: str | None = line.subject
    return None if name is None or name.lower() == "default" else name


def _read_ip_route(context: Context, line: CommandLine) -> Result:
    """ip route ..., in the table of the block"""
    return read_route(context, line, "ipv4", _table(line))


def _read_ipv6_route(context: Context, line: CommandLine) -> Result:
    """ipv6 route ..., in the table of the block"""
    return read_route(context, line, "ipv6", _table(line))


def _read_target(context: Context, line: CommandLine) -> Result:
    """route-target {import | export | both} ...: what comes in depends on a routing protocol that carries it."""
    given = line.tail[0].lower() if line.tail else ""
    if not line.negated and not given.startswith("ex") and line.subject is not None:
        context.part(Protocols).imports.append((line.subject, line.span))
    return LineClass.IGNORED


def _read_import(context: Context, line: CommandLine) -> Result:
    """import ...: routes of another table, by a map or by target"""
    given = line.tail[0].lower() if line.tail else ""
    if line.negated:
        return LineClass.IGNORED
    if given == "route-target":
        context.part(Protocols).imports.append((line.subject, line.span))
        return Enter("route targets", line.subject)
    return note(context, line, "routes of another table", RouteScope(vrf=_table(line)))


def _read_export(_context: Context, line: CommandLine) -> Result:
    """export ...: what others may take"""
    return LineClass.IGNORED if line.negated or len(line.tail) != 1 else Enter("route targets", line.subject)


def _read_shutdown(context: Context, line: CommandLine) -> Result:
    """[no] shutdown of a whole VRF"""
    return LineClass.IGNORED if line.negated else note(context, line, "a VRF that is shut down", DeviceScope())


def _unknown(_context: Context, line: CommandLine) -> RouteScope:
    """Return what an unknown line in a VRF's block can touch."""
    return RouteScope(vrf=_table(line))


MODES = (Mode("vrf", unknown=_unknown),)

COMMANDS: Tables = {
    "top": (
        *(
            modelled(head, _read_header, touches=DeviceScope(), opens="vrf")
            for head in ("vrf definition", "vrf instance", "vrf context", "ip vrf", "vrf")
        ),
        ignored("vrf upgrade-cli", "vrf rd-auto"),
    ),
    "vrf": (
        modelled("ip route", _read_ip_route),
        modelled("ipv6 route", _read_ipv6_route),
        modelled("route-target", _read_target),
        modelled("import", _read_import),
        modelled("export", _read_export),
        modelled("shutdown", _read_shutdown),
        ignored("rd", "description", "address-family", "maximum", "vpn", "mode", "mdt", "bgp"),
        ignored("ip domain-name", "ip domain-list", "ip domain-lookup", "ip name-server", "ip host", "snmp", "logging"),
        ignored("ip auto-discard", "protection", "context", "label", "inter-as-hybrid"),
        unmodelled("ip pim", "multicast", NoScope()),
        unmodelled("ip multicast", "multicast", NoScope()),
        unmodelled("ip igmp", "multicast", NoScope()),
        unmodelled("ip msdp", "multicast", NoScope()),
        unmodelled("vni", "overlay", _unknown),
        unmodelled("route-replicate", "routes of another table", _unknown),
        unmodelled("evpn", "overlay", _unknown),
        unmodelled("ip mroute", "multicast", NoScope()),
    ),
    "route targets": (ignored("<word>"),),
}  # fmt: skip
