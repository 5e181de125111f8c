"""Static routes, default gateways, and whether the device routes at all.

Behind the next hop the options may stand in any order. A prefix with host bits is
wrong, as devices refuse it; what a wrong line can touch is its prefix in its table.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from pathcheck.model.access_list import Family
from pathcheck.model.interface import canonical_name, interface_kind
from pathcheck.model.static_route import DefaultGateway, StaticRoute
from pathcheck.model.unmodelled import InterfaceScope, NoScope, RouteScope, Scope
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix, netmask_length
from pathcheck.parser.commands import (
    CommandLine,
    Context,
    Enter,
    Mode,
    Result,
    Tables,
    WrongLine,
    ignored,
    modelled,
    unmodelled,
)
from pathcheck.parser.grammar import (
    ADDRESS,
    ADDRESS6,
    ANY_WORD,
    NAME,
    NUMBER,
    PREFIX,
    PREFIX6,
    REST,
    Grammar,
    Match,
    Opt,
    ZeroOrMore,
    one_word,
    terminal,
    word,
)
from pathcheck.parser.interface import InterfaceDraft, Interfaces
from pathcheck.parser.unmodelled import note
from pathcheck.results.account import LineClass
from pathcheck.source import Span

__all__ = ["COMMANDS", "MODES", "Routing", "RoutingParts", "read_route"]


# --- what is gathered ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RoutingParts:
    """What the text says about routing, as the fields of the device's model."""

    static_routes: tuple[StaticRoute, ...]
    gateways: tuple[DefaultGateway, ...]
    routing: bool | None
    ipv6_routing: bool | None
    routing_span: Span | None
    ipv6_routing_span: Span | None


class Routing:
    """Static routes, gateways and the switches of routing of one device."""

    def __init__(self) -> None:
        # A dictionary, since the same line twice is one route.
        self.routes: dict[StaticRoute, None] = {}
        self.gateways: dict[str | None, DefaultGateway] = {}
        self.routing: bool | None = None
        self.ipv6_routing: bool | None = None
        self.routing_span: Span | None = None
        self.ipv6_routing_span: Span | None = None
        self.watched: dict[Address, Span] = {}
        self.unrouted: dict[str, Span] = {}
        self.on_ports: list[tuple[InterfaceDraft, Address, Span]] = []

    def finish(self, context: Context) -> RoutingParts:
        """Return everything; a route over a next hop that is watched may be absent."""
        routes = [
            replace(route, tracked=route.tracked or "it follows the state of a session with its next hop")
            if route.next_hop in self.watched
            else route
            for route in self.routes
        ]
        drafts = context.part(Interfaces).drafts.values()
        for vrf, span in self.unrouted.items():
            # Through a single interface nothing is forwarded anyhow; what the device sends itself goes all the same.
            inside = [draft.name for draft in drafts if draft.vrf == vrf and interface_kind(draft.name) != "loopback"]
            scopes: list[Scope] = [InterfaceScope(name, may_only_drop=True) for name in inside]
            context.add_unmodelled("a VRF without routing", scopes if len(inside) > 1 else NoScope(), span)
        for draft, address, span in self.on_ports:
            # A management port's own gateway; the port may have gone again since.
            if draft in drafts:
                routes.append(StaticRoute(Prefix.everything(4), address, vrf=draft.vrf, span=span))
        return RoutingParts(
            tuple(routes),
            tuple(self.gateways.values()),
            self.routing,
            self.ipv6_routing,
            self.routing_span,
            self.ipv6_routing_span,
        )


# --- grammar ---------------------------------------------------------------------------------------------------------

_DISCARD = ("null0", "nullroute", "blackhole", "reject", "discard")
_KNOWN = ("name", "tag", "track", "permanent", "vrf", "global", "distance", "metric", "bfd", "null0", "multicast")


def _hop(address: Any) -> Any:
    """[vrf NAME] {discard | dhcp | ADDRESS | IF [ADDRESS]}"""
    expected = "a next hop: an address, an interface or `Null0`"
    interface = terminal(r"[a-z][a-z-]*", expected)("type") + terminal(
        r"<number>|\d+[/:.][\d/.:]*", "the number of the interface"
    )("port")
    single = terminal(r"[a-z][a-z-]*\d[\w/.:-]*|\d+/[\d/.:]*|mgmt", expected)("interface")
    discard = one_word(_DISCARD, expected)("discard") | word("null")("discard") + Opt(NUMBER)
    return Opt((word("vrf") | word("egress-vrf")) + NAME("hop_vrf")) + (
        discard | word("dhcp")("dhcp") | address("next_hop") | (single | interface) + Opt(address("next_hop"))
    ).set_name(expected)


def _options() -> Any:
    """What stands behind the hop, in any order."""
    quoted = terminal(r'"[^"]+', "a name")("name") + ZeroOrMore(terminal(r'[^"]+', "a name"))
    return ZeroOrMore(
        word("permanent", "perm")("permanent")
        | word("name") - (quoted + terminal(r'[^"]*"', "the end of the name") | ANY_WORD("name"))
        | word("description") - REST("description")
        | word("tag") - NUMBER("tag")
        | word("track") - ANY_WORD("track")
        | word("bfd")("bfd")
        | one_word(("fast-detect", "multihop"), "`fast-detect`")
        | one_word(("minimum-interval", "multiplier"), "`minimum-interval`") - NUMBER("interval")
        | one_word(("distance", "preference", "pref"), "`distance`") - NUMBER("distances*")
        | one_word(("metric", "weight"), "`metric`") - NUMBER("metric")
        | word("global")("global")
        | one_word(("nexthop-vrf", "next-hop-vrf"), "`nexthop-vrf`") - NAME("hop_vrf")
        | word("vrf") - NAME("table")
        | word("multicast")("multicast")
        | word("unicast")
        | NUMBER("distances*")
    )


def _build(prefix: Any, address: Any) -> Any:
    """[vrf NAME] PREFIX HOP OPTIONS"""
    return Opt(word("vrf") - NAME("vrf")) + prefix.set_name("the prefix of a route") + _hop(address) + _options()


_IPV4 = Grammar(
    lambda: _build(PREFIX("prefix") | ADDRESS("net") - one_word(("<address>",), "a netmask")("mask"), ADDRESS),
    known=_KNOWN,
)
_IPV6 = Grammar(lambda: _build(PREFIX6("prefix"), ADDRESS6), known=_KNOWN)


# --- reading ---------------------------------------------------------------------------------------------------------


def read_route(context: Context, line: CommandLine, family: Family, vrf: str | None = None) -> Result:
    """[no] PREFIX HOP OPTIONS, from the word behind the head, in a table that the block may name.

    Raises
    ------
    WrongLine
        With the route's prefix as scope, as far as that can be read.
    """
    if line.negated:
        return _remove(context, line, family, vrf)
    try:
        match = (_IPV4 if family == "ipv4" else _IPV6).read(line)
        route = _route(match, vrf)
    except WrongLine as fault:
        fault.scope = _scope_of(line, family, vrf)
        raise
    if match.has("multicast"):
        return note(context, line, "a multicast route", NoScope())
    if match.has("dhcp"):
        scope = RouteScope(route.vrf, family, route.prefix, route.distance, exact=True)
        return note(context, line, "a route whose next hop comes by DHCP", scope)
    context.part(Routing).routes.setdefault(route, None)
    return None


def _route(match: Match, vrf: str | None) -> StaticRoute:
    """Build a route from a line that the grammar has read."""
    line = match.line
    prefix = match.prefix("prefix") or _dotted_prefix(match)
    distances = match.indexes("distances")
    if len(distances) > 1:
        raise line.wrong(distances[1], "one distance")
    distance = line.number_at(distances[0], 1, 255, "a distance, 1 to 255") if distances else 1
    next_hop = match.address("next_hop")
    hop_index = match.index("next_hop")
    interface = match.word("interface")
    if match.has("type"):
        interface = f"{match.word('type')}{match.word('port')}"
    if next_hop is not None and hop_index is not None:
        if next_hop.value == 0:
            raise line.wrong_value(hop_index, f"`{next_hop}` is nobody's address, so it cannot be a next hop")
        if next_hop.version == 6 and next_hop.value >> 118 == 0x3FA and interface is None:
            message = f"`{next_hop}` is a link-local address, which says nothing without an interface"
            raise line.wrong_value(hop_index, message, help="name the interface in front of it")
    hop_vrf = match.word("hop_vrf")
    if hop_vrf is not None and hop_vrf.lower() in ("default", "global"):
        hop_vrf = ""
    table = match.word("table") or match.word("vrf") or vrf
    if match.has("table") and (vrf is not None or match.has("vrf")):
        # Where the table is known already, a VRF behind the next hop is the one in which that is looked up.
        hop_vrf, table = match.word("table"), match.word("vrf") or vrf
    tracked = None
    if match.has("track"):
        tracked = f"it follows the state of `{match.word('track')}`"
    elif match.has("bfd"):
        tracked = "it follows the state of a session with its next hop"
    name = match.text("description") if match.has("description") else _name(match)
    return StaticRoute(
        prefix,
        next_hop,
        None if match.has("discard") or interface is None else canonical_name(interface),
        match.has("discard"),
        None if table is None or table.lower() == "default" else table,
        "" if match.has("global") else hop_vrf,
        distance,
        name or "",
        match.number("tag", 0, 4294967295, "a tag"),
        tracked,
        match.has("permanent"),
        span=line.span,
    )


def _name(match: Match) -> str:
    """Return the name, without the quotation marks that may hold several words together."""
    index = match.index("name")
    if index is None:
        return ""
    text = match.line.words[index]
    if text.startswith('"') and not (len(text) > 1 and text.endswith('"')):
        text = match.line.text_from(index)
        text = text[: text.find('"', 1) + 1]
    return text.strip('"')


def _dotted_prefix(match: Match) -> Prefix:
    """ADDRESS NETMASK, without host bits."""
    line = match.line
    index, mask_index = match.index("net"), match.index("mask")
    assert index is not None
    assert mask_index is not None
    address, mask = line.address_at(index), line.address_at(mask_index)
    length = netmask_length(mask)
    if length is None:
        inverse = Address(4, mask.value ^ 0xFFFFFFFF)
        cure = f"did you mean `{inverse}`?" if netmask_length(inverse) is not None else None
        raise line.wrong_value(mask_index, f"`{mask}` is no netmask: its ones do not stand together", help=cure)
    prefix = Prefix.containing(address, length)
    if prefix.first != address:
        message = f"`{address}` has host bits set behind the length of `{mask}`; the prefix is `{prefix}`"
        raise line.wrong_value(index, message, help=f"write `{prefix.first} {mask}`")
    return prefix


def _target_words(line: CommandLine, vrf: str | None) -> tuple[str | None, Prefix | None, list[str]]:
    """Return the table and the prefix of a line as far as they can be read, and the words behind."""
    words = line.tail
    if len(words) > 1 and words[0].lower() == "vrf":
        vrf, words = words[1], words[2:]
    prefix = None
    try:
        if words and "/" in words[0]:
            prefix, words = Prefix.parse_loose(words[0]), words[1:]
        elif len(words) > 1:
            length = netmask_length(Address.parse(words[1]))
            if length is not None:
                prefix, words = Prefix.containing(Address.parse(words[0]), length), words[2:]
    except ValueError:
        prefix = None
    return vrf, prefix, words


def _scope_of(line: CommandLine, family: Family, vrf: str | None) -> RouteScope:
    """Return what a wrong route can touch: its prefix in its table, all of the table where that is not known."""
    table, prefix, words = _target_words(line, vrf)
    for index, text in enumerate(words):
        if text.lower() == "vrf" and vrf is None and index + 1 < len(words):
            table = words[index + 1]
    return RouteScope(table, family, prefix, 1, exact=prefix is not None)


def _remove(context: Context, line: CommandLine, family: Family, vrf: str | None) -> Result:
    """No ip route PREFIX [HOP OPTIONS]: take away the routes that it names."""
    table, prefix, words = _target_words(line, vrf)
    if prefix is None:
        raise line.wrong(line.start, "the prefix of a route", scope=RouteScope(table, family))
    named = None
    if words:
        try:
            named = _route((_IPV4 if family == "ipv4" else _IPV6).read(line), vrf)
        except WrongLine as fault:
            fault.scope = _scope_of(line, family, vrf)
            raise
        table = named.vrf
    routes = context.part(Routing).routes
    gone = [
        route
        for route in routes
        if (route.prefix, route.vrf) == (prefix, table)
        and (named is None or _way(route) == _way(named) or (named.interface is None and _hop_of(route, named)))
    ]
    for route in gone:
        del routes[route]
    if not gone:
        context.report("PC408", f"no such route to `{prefix}` stands before this line", line.span)
    return None


def _way(route: StaticRoute) -> tuple[object, ...]:
    """Return what tells routes to one prefix apart."""
    return route.next_hop, route.interface, route.discard


def _hop_of(route: StaticRoute, named: StaticRoute) -> bool:
    """Whether a removal names the next hop of a route, but not its interface."""
    return named.next_hop is not None and route.next_hop == named.next_hop


def _read_ip_route(context: Context, line: CommandLine) -> Result:
    """ip route ..."""
    if line.tail and line.tail[0].isdecimal():
        message = "unknown line: a number in front of the prefix is the form of another kind of device"
        context.report("PC402", message, line.span_of(line.start))
        context.add_unmodelled("unknown line", RouteScope(family="ipv4"), line.span)
        return LineClass.UNKNOWN
    return read_route(context, line, "ipv4")


def _read_ipv6_route(context: Context, line: CommandLine) -> Result:
    """ipv6 route ..."""
    return read_route(context, line, "ipv6")


def _read_watched(context: Context, line: CommandLine) -> Result:
    """ip route static bfd [IF] ADDRESS: routes over that next hop follow its state."""
    for text in line.tail:
        try:
            address = Address.parse(text)
        except ValueError:
            continue
        if line.negated:
            context.part(Routing).watched.pop(address, None)
        else:
            context.part(Routing).watched[address] = line.span
        return None
    return note(context, line, "routes that follow the state of a session", RouteScope())


# --- the block of static routes --------------------------------------------------------------------------------------


def _open_routes(_context: Context, line: CommandLine) -> Result:
    """Router static: its block begins in the global table."""
    return LineClass.IGNORED if line.negated else Enter("static routes", (None, None))


def _open_family(_context: Context, line: CommandLine) -> Result:
    """address-family {ipv4 | ipv6} unicast, inside router static"""
    vrf = (line.subject or (None, None))[0]
    given = line.tail[0].lower() if line.tail else ""
    if given not in ("ipv4", "ipv6"):
        raise line.wrong(line.start, "`ipv4` or `ipv6`", known=("ipv4", "ipv6"))
    return Enter("static routes", (vrf, given))


def _open_table(_context: Context, line: CommandLine) -> Result:
    """vrf NAME, inside router static"""
    if not line.tail:
        raise line.wrong(line.start, "the name of a VRF")
    return Enter("static routes", (line.tail[0], None))


def _read_listed(context: Context, line: CommandLine) -> Result:
    """PREFIX HOP OPTIONS, inside router static"""
    line.start = 1 if line.negated else 0
    family: Family = "ipv6" if ":" in line.words[line.start] else "ipv4"
    return read_route(context, line, family, (line.subject or (None, None))[0])


def _touch_listed(_context: Context, line: CommandLine) -> RouteScope:
    """Return what an unknown line of the block can touch."""
    vrf, family = line.subject or (None, None)
    return RouteScope(vrf, family)


# --- gateways and the switches of routing ----------------------------------------------------------------------------


def _read_gateway(context: Context, line: CommandLine) -> Result:
    """[no] ip default-gateway [vrf NAME] ADDRESS"""
    vrf = None
    if len(line.tail) > 1 and line.tail[0].lower() == "vrf":
        vrf = line.tail[1]
        line.start += 2
    gateways = context.part(Routing).gateways
    if line.negated:
        if gateways.pop(vrf, None) is None:
            context.report("PC408", "no default gateway stands before this line", line.span)
        return None
    address = line.address_at(line.start)
    if address.version != 4 or address.value == 0 or len(line.tail) > 1:
        raise line.wrong(line.start + (1 if len(line.tail) > 1 else 0), "one IPv4 address")
    gateways[vrf] = DefaultGateway(address, vrf, span=line.span)
    return None


def _read_port_gateway(context: Context, line: CommandLine) -> Result:
    """default-gateway ADDRESS on a management port"""
    routing = context.part(Routing)
    drafts = line.subject or ()
    routing.on_ports = [item for item in routing.on_ports if item[0] not in drafts]
    if not line.negated:
        address = line.address_at(line.start)
        routing.on_ports += [(draft, address, line.span) for draft in drafts]
    return None


def _read_routing(context: Context, line: CommandLine) -> Result:
    """[no] ip routing [vrf NAME]"""
    if len(line.tail) > 1 and line.tail[0].lower() == "vrf":
        return _route_in_vrf(context, line)
    if line.tail and line.tail[0].lower() != "ipv6":
        raise line.wrong(line.start, "the end of the line")
    routing = context.part(Routing)
    routing.routing, routing.routing_span = not line.negated, line.span
    return None


def _route_in_vrf(context: Context, line: CommandLine) -> Result:
    """[no] {ip routing | ipv6 unicast-routing} vrf NAME"""
    unrouted = context.part(Routing).unrouted
    if not line.negated:
        unrouted.pop(line.tail[1], None)
        return None
    unrouted[line.tail[1]] = line.span
    context.report("PC412", "a VRF without routing is not modelled", line.span)
    return LineClass.UNMODELLED


def _read_ipv6_routing(context: Context, line: CommandLine) -> Result:
    """[no] ipv6 unicast-routing [vrf NAME]"""
    if len(line.tail) > 1 and line.tail[0].lower() == "vrf":
        return _route_in_vrf(context, line)
    routing = context.part(Routing)
    routing.ipv6_routing, routing.ipv6_routing_span = not line.negated, line.span
    return None


# --- tables ----------------------------------------------------------------------------------------------------------

_GATEWAY_TOUCHES = RouteScope(family="ipv4", within=Prefix.everything(4), distance=1, exact=True)

MODES = (Mode("static routes", unknown=_touch_listed),)

COMMANDS: Tables = {
    "top": (
        modelled("ip route", _read_ip_route),
        modelled("ipv6 route", _read_ipv6_route),
        modelled("ip route static bfd", _read_watched),
        modelled("ipv6 route static bfd", _read_watched),
        unmodelled("ip route static", "how routes are looked up", RouteScope(family="ipv4")),
        ignored("ip route static adjust-time", "ip route profile", "ip route-cache"),
        modelled("router static", _open_routes),
        modelled("ip default-gateway", _read_gateway, touches=_GATEWAY_TOUCHES),
        modelled("default-gateway", _read_gateway, touches=_GATEWAY_TOUCHES),
        modelled("ip routing", _read_routing),
        modelled("ipv6 unicast-routing", _read_ipv6_routing),
        modelled("ipv6 routing", _read_ipv6_routing),
    ),
    "static routes": (
        modelled("address-family", _open_family, opens="unmodelled block"),
        modelled("vrf", _open_table, opens="unmodelled block"),
        modelled("<prefix>", _read_listed),
        modelled("<address>", _read_listed),
        modelled("<prefix6>", _read_listed),
        ignored("maximum", "description"),
    ),
    "interface": (modelled("default-gateway", _read_port_gateway, touches=_GATEWAY_TOUCHES),),
}
