"""Servers, relays and routing neighbours: lines that change no forwarding and name what the device has to reach.

The lines keep the class that the tables give them, `ignored` or `unmodelled`. A line that names a server by
a host name, or in a form that is not known, says nothing here; none of them is ever wrong.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from pathcheck.model.interface import Interface, canonical_name
from pathcheck.model.own_traffic import DhcpRelay, ManagementServer, RoutingPeer, ServerKind
from pathcheck.packet.address import Address
from pathcheck.parser import harmless
from pathcheck.parser.commands import Command, CommandLine, Context, Handler, Result, Tables, modelled
from pathcheck.parser.unmodelled import Protocols
from pathcheck.results.account import LineClass
from pathcheck.source import Span

__all__ = ["COMMANDS", "MODES", "OwnTraffic", "RoutingPeers"]

_GROUP_VRF: dict[ServerKind, ServerKind] = {"radius-accounting": "radius"}


# --- servers and relays ----------------------------------------------------------------------------------------------


@dataclass(slots=True)
class OwnTraffic:
    """What a device's text names."""

    servers: dict[tuple[ServerKind, Address, str | None], ManagementServer] = field(default_factory=dict)
    sources: dict[tuple[ServerKind, str | None], str] = field(default_factory=dict)
    by_group: set[ServerKind] = field(default_factory=set)
    """Kinds whose servers get their table from a group, in which they stand by name."""
    relays: dict[tuple[str, Address, str | None], DhcpRelay] = field(default_factory=dict)
    looks_up: bool = True
    relays_work: bool = True
    last: tuple[ServerKind, Address, str | None] | None = None

    def add(self, server: ManagementServer) -> None:
        """Keep a server; a later line about the same one replaces the earlier."""
        self.last = (server.kind, server.address, server.vrf)
        self.servers[self.last] = server

    def forget(self, kind: ServerKind, address: Address, vrf: str | None) -> None:
        """Take a server away."""
        self.servers.pop((kind, address, vrf), None)

    def finish(self, interfaces: Iterable[str]) -> tuple[tuple[ManagementServer, ...], tuple[DhcpRelay, ...]]:
        """Return the servers with their source interfaces, and the relays of interfaces that there are."""
        servers = []
        for server in self.servers.values():
            group = _GROUP_VRF.get(server.kind, server.kind)
            if (server.kind == "dns" and not self.looks_up) or (server.vrf is None and group in self.by_group):
                continue
            source = server.source_interface or self.sources.get((group, server.vrf))
            servers.append(replace(server, source_interface=source))
        order = list(interfaces)
        relays = [it for it in self.relays.values() if self.relays_work and it.interface in order]
        return tuple(servers), tuple(sorted(relays, key=lambda it: order.index(it.interface)))


@dataclass(slots=True)
class _Words:
    """The words of a line about servers, sorted by what they say."""

    addresses: list[Address] = field(default_factory=list)
    options: dict[str, str] = field(default_factory=dict)
    flags: set[str] = field(default_factory=set)

    def number(self, name: str) -> int | None:
        """Return an option that is a port."""
        text = self.options.get(name, "")
        return int(text) if text.isascii() and text.isdecimal() and 0 < len(text) < 6 and int(text) < 65536 else None

    @property
    def vrf(self) -> str | None:
        """The table that the line names."""
        name = self.options.get("vrf") or self.options.get("use-vrf")
        return None if name is None or name.lower() in ("default", "global") else name


_OPTIONS = frozenset(
    {"vrf", "use-vrf", "port", "udp-port", "auth-port", "acct-port", "source", "source-interface", "transport"}
)


def _sorted_words(words: Sequence[str]) -> _Words:
    """Sort words; an interface's name of two words (`Vlan 20`) is one."""
    found = _Words()
    place = 0
    while place < len(words):
        word = words[place].lower()
        place += 1
        if word in _OPTIONS and place < len(words):
            value = words[place]
            place += 1
            if word.startswith("source") and value.isalpha() and place < len(words) and words[place][:1].isdigit():
                value += words[place]
                place += 1
            found.options[word] = value
            if word == "transport" and value.lower() not in ("udp", "tcp"):
                found.flags.add(value.lower())
            continue
        try:
            found.addresses.append(Address.parse(words[place - 1]))
        except ValueError:
            found.flags.add(word)
    return found


def _server(kind: ServerKind, port: str, *, most: int = 1, back: int = 0) -> Handler:
    """Return the handler of a line that names servers.

    At most `most` addresses are; the first is the last of `back` words of the head.
    """

    def handler(context: Context, line: CommandLine) -> Result:
        own = context.part(OwnTraffic)
        own.last = None
        words = _sorted_words(line.words[line.start - back :])
        if words.flags & {"tls", "secure", "beep", "xml", "filtered"} and kind == "syslog":
            return LineClass.IGNORED
        given = words.options.get("source-interface") or words.options.get("source")
        source = canonical_name(given) if given is not None else None
        transport = words.options.get("transport", "udp").lower()
        for address in words.addresses[:most]:
            if line.negated:
                own.forget(kind, address, words.vrf)
                if kind == "radius":
                    own.forget("radius-accounting", address, words.vrf)
                continue
            if kind == "radius" and words.number("acct-port"):
                own.add(
                    ManagementServer(
                        "radius-accounting", address, words.number("acct-port"), vrf=words.vrf, source_interface=source,
                        span=line.span,
                    )
                )  # fmt: skip
            if kind == "radius" and words.number(port) == 0:
                continue  # port 0 says that the server is not asked for this (common practice, no source)
            tcp = kind == "syslog" and transport == "tcp"
            own.add(ManagementServer(kind, address, words.number(port), tcp, words.vrf, source, span=line.span))
        return LineClass.IGNORED

    return handler


def _source(*kinds: ServerKind) -> Handler:
    """Return the handler of `... source-interface IF [vrf NAME]`."""

    def handler(context: Context, line: CommandLine) -> Result:
        sources = context.part(OwnTraffic).sources
        words = _sorted_words(["source", *line.tail])
        name = words.options.get("source")
        for kind in kinds:
            if line.negated:
                sources.pop((kind, words.vrf), None)
            elif name is not None:
                sources[kind, words.vrf] = canonical_name(name)
        return LineClass.IGNORED

    return handler


def _log_vrf(context: Context, line: CommandLine) -> Result:
    """logging vrf NAME {host ADDRESS ... | source-interface IF}"""
    tail = line.tail
    if len(tail) > 2 and tail[1].lower() in ("host", "source-interface"):
        rest = CommandLine(line.source, [*tail[2:], "vrf", tail[0]])
        rest.negated = line.negated
        return (_server("syslog", "port") if tail[1].lower() == "host" else _source("syslog"))(context, rest)
    return LineClass.IGNORED


def _lookup(context: Context, line: CommandLine) -> Result:
    """[no] ip domain lookup: whether names are looked up at all"""
    if not line.tail:
        context.part(OwnTraffic).looks_up = not line.negated
    return LineClass.IGNORED


def _relays_work(context: Context, line: CommandLine) -> Result:
    """[no] service dhcp: whether the device serves or relays requests at all"""
    context.part(OwnTraffic).relays_work = not line.negated
    return LineClass.IGNORED


def _later_port(context: Context, line: CommandLine) -> Result:
    """port NUMBER, below a server's header"""
    own = context.part(OwnTraffic)
    text = line.tail[0] if line.tail else ""
    if own.last in own.servers and own.last is not None and text.isdecimal() and 0 < int(text[:6]) < 65536:
        own.servers[own.last] = replace(own.servers[own.last], port=int(text))
    return None


def _group_table(kind: ServerKind) -> Handler:
    """Return the handler of a line that gives the servers of a group their table."""

    def handler(context: Context, _line: CommandLine) -> Result:
        context.part(OwnTraffic).by_group.add(kind)
        return None

    return handler


def _in_block(handler: Handler) -> Handler:
    """Return the handler for a line of a block that is taken as a whole, which keeps its class."""

    def inside(context: Context, line: CommandLine) -> Result:
        handler(context, line)
        return None

    return inside


def _relay(context: Context, line: CommandLine) -> Result:
    """{ip helper-address | ipv6 dhcp relay destination} [vrf NAME | global] ADDRESS"""
    relays = context.part(OwnTraffic).relays
    words = _sorted_words(line.tail)
    vrf = "" if "global" in words.flags else words.options.get("vrf") or words.options.get("use-vrf")
    for draft in line.subject or ():
        if line.negated and not words.addresses:
            for key in [key for key in relays if key[0] == draft.name]:
                del relays[key]
        for address in words.addresses[:1]:
            key = (draft.name, address, vrf)
            if line.negated:
                relays.pop(key, None)
            else:
                relays[key] = DhcpRelay(draft.name, address, vrf, span=line.span)
    return LineClass.IGNORED


# --- routing protocols -----------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Neighbour:
    """A BGP neighbour while the block is read."""

    span: Span
    is_peer: bool = False
    group: str | None = None
    source: str | None = None
    shutdown: bool = False


@dataclass(slots=True)
class RoutingPeers:
    """The neighbours and networks of routing protocols; their routes are not modelled."""

    neighbours: dict[tuple[str | None, str], _Neighbour] = field(default_factory=dict)
    networks: dict[tuple[str, str | None], list[tuple[Address, int, Span]]] = field(default_factory=dict)
    passive: dict[tuple[str, str | None], dict[str, bool]] = field(default_factory=dict)
    on_interface: dict[tuple[str, str], Span] = field(default_factory=dict)

    def finish(self, interfaces: dict[str, Interface]) -> tuple[RoutingPeer, ...]:
        """Return one peer for each neighbour, and one for each interface on which a protocol speaks."""
        found: list[RoutingPeer] = []
        for (vrf, name), neighbour in self.neighbours.items():
            group = self.neighbours.get((vrf, neighbour.group or "")) or self.neighbours.get(
                (None, neighbour.group or "")
            )
            try:
                address = Address.parse(name)
            except ValueError:
                continue
            if not neighbour.is_peer or neighbour.shutdown or (group is not None and group.shutdown):
                continue
            source = neighbour.source or (group.source if group else None)
            found.append(RoutingPeer("bgp", address, vrf=vrf, source_interface=source, span=neighbour.span))
        spoken: dict[tuple[str, str], RoutingPeer] = {}
        for (protocol, vrf), networks in self.networks.items():
            passive = self.passive.get((protocol, vrf), {})
            for name, interface in interfaces.items():
                span = _covering(interface, networks) if interface.vrf == vrf else None
                if span is not None and not passive.get(name, passive.get("default", False)):
                    spoken.setdefault((protocol, name), _speaking(protocol, name, vrf, span))
        for (protocol, name), span in self.on_interface.items():
            own = interfaces.get(name)
            if own is None:
                continue
            passive = self.passive.get((protocol, own.vrf), {})
            if not passive.get(name, passive.get("default", False)):
                spoken.setdefault((protocol, name), _speaking(protocol, name, own.vrf, span))
        return (*found, *spoken.values())


def _speaking(protocol: str, interface: str, vrf: str | None, span: Span) -> RoutingPeer:
    return RoutingPeer(protocol, interface=interface, vrf=vrf, span=span)  # type: ignore[arg-type]


def _covering(interface: Interface, networks: Sequence[tuple[Address, int, Span]]) -> Span | None:
    """Return the line of the network that holds the interface's primary address."""
    if interface.kind in ("loopback", "discard"):
        return None
    own = [it.address for it in interface.addresses if it.address.version == 4 and it.role == "primary"]
    for address, care, span in networks:
        if any(it.value & care == address.value & care for it in own):
            return span
    return None


def _protocol_of(context: Context) -> str | None:
    """Return the protocol whose block is read: that of its header."""
    words = context.part(Protocols).header
    name = words[1] if len(words) > 1 and words[0] == "router" else ""
    return {"bgp": "bgp", "ospf": "ospf", "ospfv2": "ospf", "rip": "rip", "eigrp": "eigrp"}.get(name)


def _neighbour(context: Context, line: CommandLine) -> Result:
    """neighbor NAME [remote-as N | peer-group NAME | update-source IF | shutdown]"""
    if _protocol_of(context) != "bgp" or not line.tail:
        return None
    known = context.part(RoutingPeers).neighbours
    vrf = context.part(Protocols).vrf
    key = (vrf, line.tail[0])
    words = [word.lower() for word in line.tail[1:]]
    if line.negated:
        if not words or words[0] in ("remote-as", "peer-group"):
            known.pop(key, None)
        elif words[0] == "shutdown" and key in known:
            known[key].shutdown = False
        return None
    one = known.setdefault(key, _Neighbour(line.span))
    match words[:1]:
        case ["remote-as"]:
            one.is_peer, one.span = True, line.span
        case ["peer-group"] | ["peer"] if len(line.tail) > 2:
            one.is_peer, one.group = True, line.tail[-1]
        case ["update-source"] if len(line.tail) > 2:
            one.source = canonical_name("".join(line.tail[2:4]))
        case ["shutdown"]:
            one.shutdown = True
    return None


def _network(context: Context, line: CommandLine) -> Result:
    """network ADDRESS [WILDCARD] [area N]: the interfaces on which OSPF, RIP or EIGRP speaks"""
    protocol = _protocol_of(context)
    if protocol in (None, "bgp") or line.negated or not line.tail:
        return None
    text, _, length = line.tail[0].partition("/")
    try:
        address = Address.parse(text)
        wildcard = Address.parse(line.tail[1]) if len(line.tail) > 1 and line.tail[1][:1].isdigit() else None
    except ValueError:
        return None
    if address.version != 4:
        return None
    if length.isdecimal() and int(length) <= 32:
        care = (1 << 32) - (1 << (32 - int(length)))
    elif wildcard is not None:
        # Both masks are taken: a netmask begins with ones, a wildcard mask does not.
        care = wildcard.value if wildcard.value >> 31 else wildcard.value ^ 0xFFFFFFFF
    else:
        # Without a mask the class of the address says how much counts (common practice, no source).
        bits = 8 if address.value >> 31 == 0 else 16 if address.value >> 30 == 2 else 24
        care = (1 << 32) - (1 << (32 - bits))
    assert protocol is not None
    key = (protocol, context.part(Protocols).vrf)
    context.part(RoutingPeers).networks.setdefault(key, []).append((address, care, line.span))
    return None


def _passive(context: Context, line: CommandLine) -> Result:
    """[no] passive-interface {default | IF}: no message is sent there"""
    protocol = _protocol_of(context)
    if protocol is not None and line.tail:
        name = "default" if line.tail[0].lower() == "default" else canonical_name("".join(line.tail))
        key = (protocol, context.part(Protocols).vrf)
        context.part(RoutingPeers).passive.setdefault(key, {})[name] = not line.negated
    return None


# --- tables ----------------------------------------------------------------------------------------------------------


def _seen(head: str, handler: Handler) -> Command:
    """Return the row of a line that is ignored and looked at."""
    return Command(head, LineClass.IGNORED, handler)


def _below_header(kind: ServerKind) -> tuple[Command, ...]:
    """Return the rows of a server's own block, or of a group of servers."""
    port = "auth-port" if kind == "radius" else "port"
    looked_at = (
        *(_seen(head, _in_block(_server(kind, port))) for head in ("address", "server-private")),
        *(_seen(head, _in_block(_group_table(kind))) for head in ("ip vrf forwarding", "use-vrf", "vrf")),
        _seen("port", _later_port),
        *(_seen(head, _in_block(_source(kind))) for head in (f"ip {kind} source-interface", "source-interface")),
    )
    heads = {row.head for row in looked_at}
    rows = [row for row in harmless.COMMANDS["aaa"] if isinstance(row, Command) and row.head not in heads]
    return (*rows, *looked_at)


MODES = ()

COMMANDS: Tables = {
    "top": (
        *(_seen(head, _server("ntp", "port")) for head in ("ntp server", "ntp peer", "sntp server")),
        *(_seen(head, _source("ntp")) for head in ("ntp source", "ntp source-interface")),
        *(_seen(head, _server("dns", "port", most=8)) for head in ("ip name-server", "name-server")),
        *(
            _seen(f"{head} source-interface", _source("dns"))
            for head in ("ip domain lookup", "ip domain-lookup", "ip name-server", "ip dns")
        ),
        *(_seen(head, _lookup) for head in ("ip domain lookup", "ip domain-lookup")),
        *(_seen(head, _server("syslog", "port")) for head in ("logging host", "logging server")),
        *(_seen(head, _server("syslog", "port", back=1)) for head in ("logging <address>", "logging <address6>")),
        _seen("logging vrf", _log_vrf),
        _seen("logging source-interface", _source("syslog")),
        _seen("snmp-server host", _server("snmp-trap", "udp-port")),
        *(
            _seen(f"snmp-server {words}", _source("snmp-trap"))
            for words in ("trap-source", "source-interface traps", "source-interface informs")
        ),
        _seen("radius-server host", _server("radius", "auth-port")),
        _seen("tacacs-server host", _server("tacacs", "port")),
        *(_seen(head, _source("radius")) for head in ("ip radius source-interface", "radius-server source-interface")),
        *(_seen(head, _source("tacacs")) for head in ("ip tacacs source-interface", "tacacs-server source-interface")),
        *(
            Command(head, LineClass.IGNORED, opens=mode)
            for mode, heads in {
                "radius server": ("radius server", "aaa group server radius"),
                "tacacs server": ("tacacs server", "aaa group server tacacs+", "aaa group server tacacs"),
            }.items()
            for head in heads
        ),
        _seen("service dhcp", _relays_work),
    ),
    "radius server": _below_header("radius"),
    "tacacs server": _below_header("tacacs"),
    "interface": (
        _seen("ip helper-address", _relay),
        _seen("ipv4 helper-address", _relay),
        _seen("ipv6 dhcp relay destination", _relay),
        _seen("ipv6 helper-address", _relay),
    ),
    "routing protocol": (
        modelled("neighbor", _neighbour),
        modelled("network", _network),
        modelled("passive-interface", _passive),
    ),
}  # fmt: skip
