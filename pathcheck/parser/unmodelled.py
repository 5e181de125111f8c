"""Table of the lines that can change forwarding and are not modelled, each with what it can touch.

Scopes and distances are common practice, no source. A routing protocol can add
routes of its VRF and family, none with a lower distance than the table says; what a
line on an interface does, it does to packets through that interface. A definition that acts only
where another line names it (a crypto map, a zone) touches nothing by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from pathcheck.model.access_list import Direction, Family
from pathcheck.model.interface import Interface
from pathcheck.model.unmodelled import (
    DeviceScope,
    InterfaceScope,
    LayerTwoScope,
    NoScope,
    OwnScope,
    RouteScope,
    Scope,
    TranslationScope,
)
from pathcheck.packet.ranges import Ranges
from pathcheck.parser.commands import (
    Command,
    CommandLine,
    Context,
    Handler,
    Mode,
    Result,
    Tables,
    ignored,
    modelled,
    unmodelled,
)
from pathcheck.parser.list_use import looks, note_lists, with_list
from pathcheck.results.account import LineClass
from pathcheck.source import Span

__all__ = ["COMMANDS", "MODES", "Policies", "Protocols", "note", "through", "vlan_numbers"]

NOTHING = NoScope()
MULTICAST = "multicast"
EACH_VLAN = LayerTwoScope()

Touch = Callable[[Context, CommandLine], Scope | Sequence[Scope]]


def note(context: Context, line: CommandLine, what: str, scopes: Scope | Sequence[Scope]) -> LineClass:
    """Note a line as unmodelled, for handlers that find out while they read."""
    context.report("PC412", f"{what} is not modelled", line.span)
    context.add_unmodelled(what, scopes, line.span)
    return LineClass.UNMODELLED


# --- on an interface -------------------------------------------------------------------------------------------------


def through(*directions: Direction, may_only_drop: bool = False) -> Touch:
    """Return what a line on an interface touches: packets through it, in both directions if none is named."""

    def touch(_context: Context, line: CommandLine) -> Sequence[Scope]:
        return [
            InterfaceScope(interface.name, directions or ("in", "out"), may_only_drop)
            for interface in line.subject or ()
        ]

    return touch


def _bridged(_context: Context, line: CommandLine) -> Sequence[Scope]:
    """Return what a line touches that hands the frames of an interface on: VLANs, and packets that would be routed."""
    return [EACH_VLAN, *(InterfaceScope(interface.name) for interface in line.subject or ())]


def _translation(_context: Context, line: CommandLine) -> Sequence[Scope]:
    """Ip nat inside | outside: packets between the two sides."""
    side = "inside" if line.words[line.start - 1].lower().startswith("i") else "outside"
    return [TranslationScope(interface.name, side) for interface in line.subject or ()]  # type: ignore[arg-type]


def _rate_limit(context: Context, line: CommandLine) -> Scope | Sequence[Scope]:
    """rate-limit {input | output} [access-group LIST] ..."""
    words = [word.lower() for word in line.words]
    if "access-group" in words:
        note_lists(context, line, "rate limiting", at=words.index("access-group") + 1 - line.start)
    return through("out" if "output" in words else "in", may_only_drop=True)(context, line)


def _monitored(_context: Context, line: CommandLine) -> Scope:
    """monitor session N destination interface IF, destination interface IF: the port takes in nothing else"""
    from pathcheck.model.interface import canonical_name

    words = [word.lower() for word in line.words]
    if "interface" not in words:
        return NOTHING
    return InterfaceScope(canonical_name("".join(line.words[words.index("interface") + 1 :][:2])), may_only_drop=True)


def _mirror(context: Context, line: CommandLine) -> Result:
    """destination interface IF, in the block of a monitor session"""
    return note(context, line, "mirroring", _monitored(context, line))


# --- policies --------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Policy:
    """What a policy map does to packets."""

    drops: bool = False
    changes: bool = False
    within: set[str] = field(default_factory=set)


@dataclass(slots=True)
class Policies:
    """Policy maps, and where they are applied; what they touch is known when the whole text is read."""

    maps: dict[str, _Policy] = field(default_factory=dict)
    current: _Policy = field(default_factory=_Policy)
    applied: list[tuple[str, tuple[str, ...], Direction, Span]] = field(default_factory=list)

    def finish(self, context: Context, interfaces: Mapping[str, Interface]) -> None:
        """Note what the applied policies can touch: nothing where they only queue.

        A policy of a port acts on the packets of what stands on it, too: its sub-interfaces, and its channel.
        """
        for name, applied, direction, span in self.applied:
            drops, changes = self._effect(name, set())
            if not drops and not changes:
                context.add_unmodelled("service policy that only queues", NOTHING, span)
                continue
            touched = dict.fromkeys(each for port in applied for each in _on_port(port, interfaces))
            scopes = [InterfaceScope(interface, (direction,), not changes) for interface in touched]
            context.add_unmodelled("service policy", scopes or OwnScope(), span)

    def _effect(self, name: str, seen: set[str]) -> tuple[bool, bool]:
        """Whether a policy may drop packets, and whether it may change them; one that is not in the text may both."""
        policy = self.maps.get(name)
        if policy is None:
            # A name that begins so is the device's own: limits of rates that it has without configuration too.
            own = name.startswith("system-")
            return not own, not own
        drops, changes = policy.drops, policy.changes
        for inner in policy.within - seen:
            seen.add(inner)
            inner_drops, inner_changes = self._effect(inner, seen)
            drops, changes = drops or inner_drops, changes or inner_changes
        return drops, changes


def _on_port(name: str, interfaces: Mapping[str, Interface]) -> Iterator[str]:
    """A port, the channel that it is a member of, and the sub-interfaces of both."""
    port = interfaces.get(name)
    channel = [] if port is None or port.channel_group is None else [f"Port-channel{port.channel_group}"]
    for parent in (name, *channel):
        yield parent
        yield from (other for other in interfaces if other.startswith(f"{parent}."))


def _policy_map(context: Context, line: CommandLine) -> Scope:
    """policy-map [type T] NAME"""
    policies = context.part(Policies)
    policies.current = _Policy()
    if line.tail:
        policies.current = policies.maps.setdefault(line.tail[-1], policies.current)
        if len(line.tail) > 2 and line.tail[0].lower() == "type" and line.tail[1].lower() not in ("qos", "queuing"):
            # Other types inspect, divert or guard the control plane.
            policies.current.drops = policies.current.changes = True
    return NOTHING


def _policy_line(*, drops: bool = False, changes: bool = False) -> Handler:
    """Return the handler of a line in a policy map."""

    def handler(context: Context, _line: CommandLine) -> Result:
        policy = context.part(Policies).current
        policy.drops |= drops
        policy.changes |= changes
        return None

    return handler


def _policy_set(context: Context, line: CommandLine) -> Result:
    """set {dscp | precedence | ...} inside a policy map: later lists may look at what it changes."""
    field_name = " ".join(line.tail[:2]).lower()
    if not field_name.startswith(("cos", "qos-group", "discard-class", "traffic-class", "queue", "mpls")):
        context.part(Policies).current.changes = True
    return None


def _nested_policy(context: Context, line: CommandLine) -> Result:
    """service-policy NAME inside a policy map."""
    if line.tail:
        context.part(Policies).current.within.add(line.tail[-1])
    return None


def _service_policy(context: Context, line: CommandLine) -> Result:
    """service-policy [type T] {input | output} NAME on an interface or the control plane."""
    words = [word.lower() for word in line.tail]
    if line.negated or not words:
        return LineClass.IGNORED
    direction: Direction = "out" if any("output".startswith(word) for word in words if len(word) > 2) else "in"
    interfaces = tuple(interface.name for interface in line.subject or ())
    context.report("PC412", "a service policy is not modelled", line.span)
    context.part(Policies).applied.append((line.words[-1], interfaces, direction, line.span))
    return LineClass.UNMODELLED


# --- routing protocols -----------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Protocols:
    """The routing protocol whose block is read, and whether the device runs BGP (which fills VRFs by route target)."""

    current: RouteScope = field(default_factory=RouteScope)
    vrf: str | None = None
    header: tuple[str, ...] = ()
    bgp: bool = False
    imports: list[tuple[str, Span]] = field(default_factory=list)

    def finish(self, context: Context) -> None:
        """Note the VRFs that take routes of others by route target, if a protocol carries them."""
        if self.bgp:
            for vrf, span in self.imports:
                context.add_unmodelled("routes of other VRFs", RouteScope(vrf=vrf, distance=20), span)


def _protocol(scope: RouteScope, *, bgp: bool = False) -> Touch:
    """Return what a routing protocol touches, in the VRF that its header names."""

    def touch(context: Context, line: CommandLine) -> Scope:
        protocols = context.part(Protocols)
        protocols.bgp |= bgp
        protocols.header = tuple(word.lower() for word in line.words[:2])
        vrf = _vrf_named(line)
        protocols.current = scope if vrf is None else replace(scope, vrf=vrf)
        protocols.vrf = vrf
        return protocols.current

    return touch


def _vrf_named(line: CommandLine) -> str | None:
    """... vrf NAME ... behind the head; None for the global table."""
    words = line.tail
    for word, following in pairwise(words):
        if word.lower() == "vrf":
            return None if following.lower() in ("default", "global") else following
    return None


def _protocol_vrf(context: Context, line: CommandLine) -> Result:
    """vrf NAME, inside a routing protocol: each family of that table"""
    vrf = next(iter(line.tail), None)
    protocols = context.part(Protocols)
    if line.negated or vrf is None or vrf.lower() in ("default", "global", "all"):
        return None
    protocols.vrf = vrf
    context.add_unmodelled("routing protocol", replace(protocols.current, vrf=vrf, family=None), line.span)
    return None


def _protocol_family(context: Context, line: CommandLine) -> Result:
    """address-family FAMILY ... [vrf NAME], inside a routing protocol: one family more, or one table more"""
    given = line.tail[0].lower() if line.tail else ""
    family: Family | None = "ipv4" if given in ("ipv4", "vpnv4") else "ipv6" if given in ("ipv6", "vpnv6") else None
    protocols = context.part(Protocols)
    vrf = _vrf_named(line)
    if line.negated:
        return None
    if vrf is not None:
        protocols.vrf = vrf
    scope = replace(protocols.current, vrf=vrf or protocols.vrf, family=family)
    if scope != protocols.current:
        context.add_unmodelled("routing protocol", scope, line.span)
    return None


def _protocol_distance(context: Context, line: CommandLine) -> Result:
    """distance ..., inside a routing protocol: it may come with less than its usual one"""
    protocols = context.part(Protocols)
    distances = [int(word) for word in line.tail if word.isdecimal() and len(word) < 4 and 1 <= int(word) <= 255]
    if distances and min(distances) < protocols.current.distance and not line.negated:
        for vrf in dict.fromkeys((protocols.current.vrf, protocols.vrf)):
            scope = replace(protocols.current, vrf=vrf, family=None, distance=min(distances))
            context.add_unmodelled("routing protocol", scope, line.span)
    return None


_DISTANCES = {"ospf": 110, "ospfv3": 110, "eigrp": 5, "rip": 120, "isis": 115}


def _protocol_on_interface(family: Family, protocol: str | None = None) -> Handler:
    """Return the handler of a line that runs a protocol on an interface, in the interface's VRF."""

    def handler(context: Context, line: CommandLine) -> Result:
        if line.negated:
            return LineClass.IGNORED
        name = protocol or (line.tail[0].lower() if line.tail else "")
        fields = {"family": family, "distance": _DISTANCES.get(name, 1)}
        for interface in line.subject or ():
            interface.doubts.append(("routing protocol", line.span, fields))
        context.report("PC412", "a routing protocol is not modelled", line.span)
        return LineClass.UNMODELLED

    return handler


# --- layer 2 ---------------------------------------------------------------------------------------------------------


def vlan_numbers(text: str) -> Ranges | None:
    """Return the VLANs of `10,20,30-39`; None where it is no such list."""
    spans = []
    for part in text.split(","):
        low, dash, high = part.strip().partition("-")
        high = high if dash else low
        if not (low.isdecimal() and high.isdecimal() and len(low) < 5 and len(high) < 5):
            return None
        if not 1 <= int(low) <= int(high) <= 4094:
            return None
        spans.append((int(low), int(high)))
    return Ranges.of(*spans)


def _vlan_filter(_context: Context, line: CommandLine) -> Sequence[Scope]:
    """vlan filter MAP vlan-list LIST: bridged and routed packets of these VLANs."""
    words = [word.lower() for word in line.tail]
    listed = vlan_numbers("".join(words[words.index("vlan-list") + 1 :])) if "vlan-list" in words else None
    if listed is None or listed.size > 64:
        return (DeviceScope(),)
    numbers = [number for low, high in listed.spans for number in range(low, high + 1)]
    return [
        *(InterfaceScope(f"Vlan{number}", may_only_drop=True) for number in numbers),
        *(LayerTwoScope(number) for number in numbers),
    ]


# --- commands kept for later -----------------------------------------------------------------------------------------

_EXEC = ("show", "sh", "en", "enable", "wr", "write", "copy", "clear", "ping", "end", "exit", "more", "dir", "term")
"""Words that begin a command which a script may give without changing the configuration."""


def _scripted(context: Context, line: CommandLine) -> Result:
    """action N cli command "...", cli ...: a command that the device gives itself, some time."""
    command = " ".join(line.tail).strip("\"' ").lower()
    command = command.removeprefix("command").strip("\"' ").removeprefix("do ")
    if not command or command.split()[0] in _EXEC or command.startswith("conf"):
        return None
    scope: Scope = DeviceScope()
    words = command.removeprefix("no ").split()
    if words[:2] == ["ip", "route"] and "vrf" not in words:
        scope = RouteScope(family="ipv4")
    elif words[0] in ("interface", "int", "logging", "snmp-server", "description", "ntp", "hostname"):
        scope = NOTHING
    return note(context, line, "a command that the device gives itself", scope)


def _ignored_words(text: str) -> tuple[Command, ...]:
    """Return the rows of commands that say nothing by themselves, one for each word of a text."""
    return ignored(*text.split())


def _routing(head: str, what: str, scope: RouteScope, *, bgp: bool = False) -> Command:
    """Return the row of a routing protocol, with the routes of the global table that it can bring."""
    return unmodelled(head, what, _protocol(scope, bgp=bgp), opens="routing protocol")


MODES = (
    Mode("routing protocol"),
    Mode("policy map"),
    Mode("crypto map"),
    Mode("scripted commands"),
    Mode("access map"),
)

COMMANDS: Tables = {
    "top": (
        # --- routing protocols ---
        _routing("router", "routing protocol", RouteScope()),
        _routing("router ospf", "OSPF", RouteScope(family="ipv4", distance=110)),
        _routing("router ospfv2", "OSPF", RouteScope(family="ipv4", distance=110)),
        _routing("router ospfv3", "OSPF", RouteScope(distance=110)),
        _routing("router ospf6", "OSPF", RouteScope(family="ipv6", distance=110)),
        _routing("router bgp", "BGP", RouteScope(family="ipv4", distance=20), bgp=True),
        # A summary of this protocol comes with distance 5.
        _routing("router eigrp", "EIGRP", RouteScope(family="ipv4", distance=5)),
        _routing("router rip", "RIP", RouteScope(family="ipv4", distance=120)),
        _routing("router ripng", "RIP", RouteScope(family="ipv6", distance=120)),
        _routing("router isis", "IS-IS", RouteScope(family="ipv4", distance=115)),
        _routing("router odr", "on-demand routing", RouteScope(family="ipv4", distance=160)),
        _routing("ipv6 router", "routing protocol", RouteScope(family="ipv6")),
        _routing("ipv6 router ospf", "OSPF", RouteScope(family="ipv6", distance=110)),
        _routing("ipv6 router rip", "RIP", RouteScope(family="ipv6", distance=120)),
        _routing("ipv6 router eigrp", "EIGRP", RouteScope(family="ipv6", distance=5)),
        unmodelled("router pim", MULTICAST, NOTHING, opens="unmodelled block"),
        unmodelled("router igmp", MULTICAST, NOTHING, opens="unmodelled block"),
        unmodelled("router mld", MULTICAST, NOTHING, opens="unmodelled block"),
        unmodelled("router msdp", MULTICAST, NOTHING, opens="unmodelled block"),
        unmodelled("router multicast", MULTICAST, NOTHING, opens="unmodelled block"),
        unmodelled("router general", "routes that leak between VRFs", RouteScope(), opens="unmodelled block"),
        ignored("router traffic-engineering", "router bfd", opens="ignored block"),
        unmodelled("router l2vpn", "layer 2 over other networks", EACH_VLAN, opens="unmodelled block"),
        unmodelled("router lisp", "location and identity separation", DeviceScope(), opens="unmodelled block"),
        unmodelled("ip default-network", "default network", RouteScope(family="ipv4")),
        unmodelled("no ip classless", "classful lookup", RouteScope(family="ipv4")),
        unmodelled("ip mobile", "mobile IP", RouteScope(family="ipv4"), opens="unmodelled block"),
        unmodelled("segment-routing", "segment routing", RouteScope(), opens="unmodelled block"),
        unmodelled("mpls", "labelled paths", NOTHING, opens="unmodelled block"),
        unmodelled("mpls static", "labelled paths", RouteScope(), opens="unmodelled block"),
        unmodelled("mpls traffic-eng", "labelled paths", NOTHING, opens="unmodelled block"),
        unmodelled("ipv4 virtual address", "an address that several devices share", OwnScope()),
        unmodelled("tag-switching", "labelled paths", NOTHING),
        # --- address translation ---
        unmodelled("ip nat", "address translation", NOTHING, opens="unmodelled block"),
        unmodelled("ip nat inside source list", "address translation", with_list("address translation", NOTHING)),
        unmodelled("ip nat inside destination list", "address translation", with_list("address translation", NOTHING)),
        unmodelled("ip nat outside source list", "address translation", with_list("address translation", NOTHING)),
        unmodelled("ip nat source list", "address translation", with_list("address translation", NOTHING)),
        unmodelled("ipv6 nat", "address translation", DeviceScope()),
        unmodelled("nat64", "address translation", DeviceScope(), opens="unmodelled block"),
        unmodelled("nat66", "address translation", DeviceScope(), opens="unmodelled block"),
        unmodelled("nptv6", "address translation", DeviceScope()),
        unmodelled("ip slb", "load balancing", DeviceScope(), opens="unmodelled block"),
        unmodelled("ip wccp", "redirection to a cache", NOTHING),
        # --- policies, zones, inspection ---
        unmodelled("ip local policy", "policy routing of own packets", DeviceScope()),
        unmodelled("ipv6 local policy", "policy routing of own packets", DeviceScope()),
        unmodelled("policy-map", "policy", _policy_map, opens="policy map"),
        unmodelled("policy", "policy", NOTHING, opens="policy map"),
        unmodelled("pbr", "policy routing", NOTHING, opens="unmodelled block"),
        unmodelled("traffic-policies", "traffic policy", DeviceScope(), opens="unmodelled block"),
        unmodelled("flowspec", "flow specification", DeviceScope(), opens="unmodelled block"),
        unmodelled("zone", "zone firewall", NOTHING, opens="unmodelled block"),
        unmodelled("zone-pair", "zone firewall", NOTHING, opens="unmodelled block"),
        unmodelled("ip inspect", "inspection", NOTHING, opens="unmodelled block"),
        unmodelled("ipv6 inspect", "inspection", NOTHING, opens="unmodelled block"),
        unmodelled("ip ips", "intrusion prevention", NOTHING, opens="unmodelled block"),
        unmodelled("ip urlfilter", "filter of names", NOTHING),
        unmodelled("ip admission", "admission control", NOTHING),
        unmodelled("ip auth-proxy", "admission control", NOTHING),
        unmodelled("ip tcp intercept", "TCP intercept", DeviceScope()),
        unmodelled("ip source-route", "source routing", NOTHING),
        unmodelled("ipv6 source-route", "source routing", NOTHING),
        unmodelled("cts role-based", "filter by security group", DeviceScope(), opens="unmodelled block"),
        ignored("cts"),
        # --- encrypted and other tunnels ---
        unmodelled("crypto map", "IPsec", NOTHING, opens="crypto map"),
        unmodelled("crypto dynamic-map", "IPsec", NOTHING, opens="crypto map"),
        unmodelled("crypto gdoi", "IPsec", NOTHING, opens="crypto map"),
        unmodelled("vpdn", "layer 2 tunnel", NOTHING),
        unmodelled("vpdn-group", "layer 2 tunnel", NOTHING, opens="unmodelled block"),
        unmodelled("bba-group", "layer 2 tunnel", NOTHING, opens="unmodelled block"),
        unmodelled("webvpn", "tunnels of clients", NOTHING, opens="unmodelled block"),
        unmodelled("l2tp-class", "layer 2 tunnel", NOTHING, opens="unmodelled block"),
        unmodelled("pseudowire-class", "layer 2 over other networks", NOTHING, opens="unmodelled block"),
        # --- layer 2 ---
        unmodelled("bridge", "bridging", EACH_VLAN),
        unmodelled("bridge-domain", "bridging", EACH_VLAN, opens="unmodelled block"),
        unmodelled("l2vpn", "layer 2 over other networks", EACH_VLAN, opens="unmodelled block"),
        unmodelled("l2", "layer 2 over other networks", EACH_VLAN, opens="unmodelled block"),
        unmodelled("evpn", "overlay", EACH_VLAN, opens="unmodelled block"),
        unmodelled("nv", "overlay", EACH_VLAN, opens="unmodelled block"),
        unmodelled("otv", "overlay", EACH_VLAN, opens="unmodelled block"),
        unmodelled("vxlan", "overlay", EACH_VLAN, opens="unmodelled block"),
        unmodelled("system nve", "overlay", EACH_VLAN),
        unmodelled("fabricpath", "overlay", EACH_VLAN, opens="unmodelled block"),
        unmodelled("vpc domain", "pair of switches", EACH_VLAN, opens="unmodelled block"),
        unmodelled("mlag", "pair of switches", EACH_VLAN, opens="unmodelled block"),
        unmodelled("vsx", "pair of switches", EACH_VLAN, opens="unmodelled block"),
        unmodelled("vlan dot1q tag native", "tagged native VLAN", EACH_VLAN),
        unmodelled("vlan access-map", "filter inside a VLAN", NOTHING, opens="access map"),
        unmodelled("vlan filter", "filter inside a VLAN", _vlan_filter),
        unmodelled("system default switchport", "defaults of ports", EACH_VLAN),
        unmodelled("mac-lockout", "MAC address that is kept out", NOTHING),
        unmodelled("smartlink", "backup link", EACH_VLAN, opens="unmodelled block"),
        unmodelled("mac address-table static", "fixed MAC address", NOTHING),
        unmodelled("mac-address-table static", "fixed MAC address", NOTHING),
        ignored("monitor session", "mirror session", "monitor-session", opens="mirroring"),
        unmodelled("monitor session <word> destination", "mirroring", _monitored),
        unmodelled("monitor session <number> destination", "mirroring", _monitored),
        # These act on frames of one host, so they are noted once.
        unmodelled("ip dhcp snooping", "DHCP snooping", NOTHING),
        unmodelled("dhcpv4-snooping", "DHCP snooping", NOTHING),
        unmodelled("ip arp inspection", "ARP inspection", NOTHING),
        unmodelled("ip source binding", "source binding", NOTHING),
        # Ports of a device that aggregates copies of packets forward nothing as a switch or router does.
        unmodelled("tap aggregation", "mirroring", DeviceScope(), opens="unmodelled block"),
        unmodelled("ip verify", "source guard", NOTHING),
        unmodelled("ipv6 source-guard", "source guard", NOTHING, opens="unmodelled block"),
        # --- multicast ---
        unmodelled("ip multicast-routing", MULTICAST, NOTHING),
        unmodelled("ipv6 multicast-routing", MULTICAST, NOTHING),
        unmodelled("multicast-routing", MULTICAST, NOTHING, opens="unmodelled block"),
        unmodelled("ip multicast", MULTICAST, NOTHING),
        unmodelled("ip pim", MULTICAST, NOTHING),
        unmodelled("ip pim rp-address <address>", MULTICAST, with_list(MULTICAST, NOTHING)),
        unmodelled("ip pim accept-register list", MULTICAST, with_list(MULTICAST, NOTHING)),
        unmodelled("ip pim ssm range", MULTICAST, with_list(MULTICAST, NOTHING)),
        unmodelled("ip msdp", MULTICAST, NOTHING),
        unmodelled("ip igmp", MULTICAST, NOTHING, opens="unmodelled block"),
        unmodelled("ip mroute", MULTICAST, NOTHING),
        unmodelled("ip mfib", MULTICAST, NOTHING),
        unmodelled("ip cgmp", MULTICAST, NOTHING),
        unmodelled("ip dvmrp", MULTICAST, NOTHING),
        unmodelled("ipv6 pim", MULTICAST, NOTHING),
        unmodelled("ipv6 mld", MULTICAST, NOTHING),
        unmodelled("ipv6 mroute", MULTICAST, NOTHING),
        unmodelled("ipv6 multicast", MULTICAST, NOTHING),
        unmodelled("ipv6 mfib", MULTICAST, NOTHING),
        unmodelled("igmp", MULTICAST, NOTHING, opens="unmodelled block"),
        unmodelled("mld", MULTICAST, NOTHING, opens="unmodelled block"),
        # --- commands kept for later, texts that stand for others ---
        unmodelled("event", "event applet", NOTHING, opens="scripted commands"),
        unmodelled("event-handler", "event applet", DeviceScope(), opens="unmodelled block"),
        unmodelled("kron policy-list", "scheduled commands", NOTHING, opens="scripted commands"),
        unmodelled("scheduler job", "scheduled commands", DeviceScope(), opens="unmodelled block"),
        unmodelled("job", "scheduled commands", DeviceScope(), opens="unmodelled block"),
        unmodelled("group", "lines that another line takes in", NOTHING, opens="unmodelled block"),
        unmodelled("apply-group", "lines that another line takes in", DeviceScope()),
        unmodelled("macro global apply", "lines that another line takes in", DeviceScope()),
        unmodelled("macro apply", "lines that another line takes in", DeviceScope()),
        unmodelled("port-profile", "lines that another line takes in", NOTHING, opens="unmodelled block"),
        unmodelled("define interface-range", "lines that another line takes in", NOTHING),
        ignored("end-group"),
        unmodelled("maintenance", "maintenance mode", NOTHING, opens="unmodelled block"),
        unmodelled("system mode maintenance", "maintenance mode", DeviceScope()),
    ),
    "routing protocol": (
        modelled("vrf", _protocol_vrf),
        modelled("address-family", _protocol_family),
        modelled("distance", _protocol_distance),
        looks("distribute-list", "a routing protocol"),
        looks("neighbor <word> distribute-list", "a routing protocol"),
        looks("neighbor <address> distribute-list", "a routing protocol"),
        looks("neighbor <address6> distribute-list", "a routing protocol"),
        looks("offset-list", "a routing protocol"),
        *_ignored_words("""
            redistribute auto-summary version router-id area default-information
            log-adjacency-changes bgp timers maximum-paths maximum-prefix eigrp default-metric summary-address
            aggregate-address rd route-target af-interface exit-af-interface topology exit-af-topology template peer
            remote-as update-source ebgp-multihop next-hop-self send-community activate advertisement-interval
            remove-private-as allowas-in soft-reconfiguration password description local-as net is-type metric-style
            metric nsf ispf auto-cost max-metric capability compatible graceful-restart synchronization variance
            traffic-share fast-reroute prefix-suppression mpls bfd nssa stub authentication hello-interval hold-time
            split-horizon bandwidth-percent soo maximum-path table-map import export inherit advertise prefix-list
            route-map set-overload-bit lsp-gen-interval spf-interval max-lsp-lifetime hostname-dynamic output-delay
            validate-update-source flash-update-threshold ignore no-summary default rfc1583compatibility
            shutdown-protocol vni retain fabric nexthop dampening session-group neighbor-group af-group use
        """),
    ),
    "policy map": (
        modelled("police", _policy_line(drops=True)),
        modelled("drop", _policy_line(drops=True)),
        modelled("inspect", _policy_line(drops=True, changes=True)),
        modelled("pass", _policy_line(drops=True)),
        modelled("set", _policy_set),
        modelled("service-policy", _nested_policy),
        modelled("redirect", _policy_line(drops=True, changes=True)),
        *_ignored_words("""
            class bandwidth priority shape fair-queue random-detect queue-limit queue-buffers trust description
            compression netflow-sampler account estimate log mtu pause congestion-control exceed-action conform-action
            violate-action
        """),
    ),
    "crypto map": (
        looks("match address", "IPsec"),
        *_ignored_words("set match description reverse-route redundancy qos client server identity"),
    ),
    "mirroring": (
        modelled("destination interface", _mirror),
        *_ignored_words("source filter description shut mode truncate enable"),
    ),
    "access map": (
        looks("match ip address", "a filter inside a VLAN"),
        looks("match ipv6 address", "a filter inside a VLAN"),
        *ignored("match", "action", "statistics"),
        modelled("action redirect", lambda context, line: note(context, line, "redirection in a VLAN", DeviceScope())),
    ),
    "scripted commands": (
        modelled("action <word> cli", _scripted),
        modelled("action <number> cli", _scripted),
        modelled("cli", _scripted),
        *_ignored_words("event action set description trigger authorization"),
        *ignored("action <word>", "action <number>"),
    ),
    "interface": (
        # --- address translation, policies, filters that are no list ---
        unmodelled("ip nat", "address translation", through()),
        unmodelled("ip nat inside", "address translation", _translation),
        unmodelled("ip nat outside", "address translation", _translation),
        unmodelled("ipv6 nat", "address translation", through()),
        unmodelled("nat64", "address translation", through()),
        unmodelled("nat66", "address translation", through()),
        unmodelled("ip policy", "policy routing", through("in")),
        unmodelled("ipv6 policy", "policy routing", through("in")),
        unmodelled("apply policy", "policy", through("in")),
        unmodelled("traffic-policy", "traffic policy", through()),
        modelled("service-policy", _service_policy),
        unmodelled("rate-limit", "rate limiting", _rate_limit),
        unmodelled("zone-member", "zone firewall", through(may_only_drop=True)),
        # Inspection opens lists of other interfaces for the packets that come back.
        unmodelled("ip inspect", "inspection", DeviceScope()),
        unmodelled("ipv6 inspect", "inspection", DeviceScope()),
        unmodelled("ip ips", "intrusion prevention", through(may_only_drop=True)),
        unmodelled("ip urlfilter", "filter of names", through(may_only_drop=True)),
        unmodelled("ip admission", "admission control", through()),
        unmodelled("ip auth-proxy", "admission control", through()),
        unmodelled("ip verify unicast", "check of the source", through("in", may_only_drop=True)),
        unmodelled("ip verify", "source guard", NOTHING),
        unmodelled("ip urpf", "check of the source", through("in", may_only_drop=True)),
        unmodelled("ipv4 verify", "check of the source", through("in", may_only_drop=True)),
        unmodelled("ipv6 verify", "check of the source", through("in", may_only_drop=True)),
        unmodelled("ipv6 source-guard", "source guard", NOTHING),
        unmodelled("cts role-based", "filter by security group", through(may_only_drop=True)),
        ignored("cts"),
        unmodelled("ip wccp", "redirection to a cache", through()),
        unmodelled("ipv6 wccp", "redirection to a cache", through()),
        unmodelled("ip directed-broadcast", "directed broadcasts", NOTHING),
        unmodelled("flowspec", "flow specification", through()),
        # --- tunnels and links that come and go ---
        unmodelled("crypto", "IPsec", through()),
        unmodelled("crypto map", "IPsec", through()),
        unmodelled("crypto ipsec df-bit", "IPsec", NOTHING),
        unmodelled("tunnel", "tunnel", through()),
        unmodelled("autoroute", "routes over a tunnel", RouteScope()),
        unmodelled("forwarding-adjacency", "routes over a tunnel", RouteScope()),
        unmodelled("ip nhrp", "tunnel", through()),
        unmodelled("ipv6 nhrp", "tunnel", through()),
        unmodelled("mpls", "labelled paths", NOTHING),
        unmodelled("mpls ip", "labelled paths", through()),
        unmodelled("mpls traffic-eng", "labelled paths", through()),
        unmodelled("mpls bgp", "labelled paths", through()),
        unmodelled("tag-switching", "labelled paths", through()),
        unmodelled("dialer", "link on demand", through()),
        unmodelled("dialer-group", "link on demand", through()),
        unmodelled("backup", "backup link", through()),
        unmodelled("encapsulation frame-relay", "link with many ends", through()),
        unmodelled("encapsulation x25", "link with many ends", through()),
        unmodelled("encapsulation lapb", "link with many ends", through()),
        unmodelled("frame-relay", "link with many ends", through()),
        unmodelled("x25", "link with many ends", through()),
        unmodelled("map-group", "link with many ends", through()),
        unmodelled("atm", "link with many ends", through()),
        unmodelled("pvc", "link with many ends", through(), opens="unmodelled block"),
        unmodelled("loopback", "port in loopback", through(may_only_drop=True)),
        unmodelled("ip vrf receive", "addresses in another VRF", DeviceScope()),
        unmodelled("ip vrf select", "VRF by source", through("in")),
        unmodelled("ip mobile", "mobile IP", RouteScope(family="ipv4")),
        # --- layer 2 ---
        unmodelled("bridge-group", "bridging", _bridged),
        unmodelled("bridge-domain", "bridging", EACH_VLAN),
        unmodelled("xconnect", "layer 2 over other networks", _bridged, opens="unmodelled block"),
        unmodelled("l2transport", "layer 2 over other networks", EACH_VLAN, opens="unmodelled block"),
        unmodelled("service instance", "layer 2 over other networks", EACH_VLAN, opens="unmodelled block"),
        unmodelled("rewrite", "rewriting of tags", EACH_VLAN),
        unmodelled("vn-segment", "overlay", EACH_VLAN),
        unmodelled("vxlan", "overlay", EACH_VLAN),
        unmodelled("member vni", "overlay", EACH_VLAN, opens="unmodelled block"),
        unmodelled("source-interface", "overlay", EACH_VLAN),
        unmodelled("source ip", "overlay", EACH_VLAN),
        unmodelled("host-reachability", "overlay", EACH_VLAN),
        unmodelled("global", "overlay", EACH_VLAN),
        unmodelled("vni", "overlay", EACH_VLAN, opens="unmodelled block"),
        unmodelled("evpn", "overlay", EACH_VLAN, opens="unmodelled block"),
        unmodelled("fabric forwarding", "overlay", EACH_VLAN),
        unmodelled("fabricpath", "overlay", EACH_VLAN),
        unmodelled("otv", "overlay", EACH_VLAN),
        unmodelled("vpc", "pair of switches", NOTHING),
        unmodelled("mlag", "pair of switches", NOTHING),
        unmodelled("vsx", "pair of switches", NOTHING),
        unmodelled("switch virtual", "pair of switches", EACH_VLAN),
        unmodelled("stackwise-virtual", "pair of switches", EACH_VLAN),
        unmodelled("switchport private-vlan", "private VLAN", EACH_VLAN),
        unmodelled("private-vlan", "private VLAN", EACH_VLAN),
        unmodelled("switchport vlan", "mapping of VLANs", EACH_VLAN),
        unmodelled("switchport vlan translation", "mapping of VLANs", EACH_VLAN),
        unmodelled("switchport tap", "mirroring", EACH_VLAN),
        unmodelled("switchport tool", "mirroring", EACH_VLAN),
        unmodelled("traffic-loopback", "port in loopback", through(may_only_drop=True)),
        unmodelled("switchport protected", "protected port", EACH_VLAN),
        unmodelled("switchport block", "protected port", EACH_VLAN),
        unmodelled("switchport isolated", "protected port", EACH_VLAN),
        unmodelled("switchport backup", "backup link", EACH_VLAN),
        unmodelled("switchport dot1q", "tags in other tags", EACH_VLAN),
        unmodelled("vlan mapping", "mapping of VLANs", EACH_VLAN),
        unmodelled("vlan translation", "mapping of VLANs", EACH_VLAN),
        unmodelled("mac access-group", "list of MAC addresses", through(may_only_drop=True)),
        unmodelled("apply access-list mac", "list of MAC addresses", through(may_only_drop=True)),
        # These act on frames of one host, so they are noted once.
        unmodelled("switchport port-security", "port security", NOTHING),
        unmodelled("port-security", "port security", NOTHING),
        unmodelled("ip dhcp snooping", "DHCP snooping", NOTHING),
        unmodelled("dhcpv4-snooping", "DHCP snooping", NOTHING),
        unmodelled("ip arp inspection", "ARP inspection", NOTHING),
        unmodelled("arp inspection", "ARP inspection", NOTHING),
        unmodelled("dot1x", "authentication of ports", NOTHING),
        unmodelled("mab", "authentication of ports", NOTHING),
        unmodelled("authentication", "authentication of ports", NOTHING),
        unmodelled("access-session", "authentication of ports", NOTHING),
        unmodelled("port-access", "authentication of ports", NOTHING),
        unmodelled("aaa", "authentication of ports", NOTHING, opens="unmodelled block"),
        unmodelled("device-tracking", "tracking of hosts", NOTHING),
        unmodelled("ipv6 snooping", "tracking of hosts", NOTHING),
        # --- multicast ---
        unmodelled("ip pim", MULTICAST, NOTHING),
        unmodelled("ip pim-sparse", MULTICAST, NOTHING),
        unmodelled("ip pim-dense", MULTICAST, NOTHING),
        unmodelled("ip igmp", MULTICAST, NOTHING),
        unmodelled("ip multicast", MULTICAST, NOTHING),
        unmodelled("ip cgmp", MULTICAST, NOTHING),
        unmodelled("ip dvmrp", MULTICAST, NOTHING),
        unmodelled("ip mfib", MULTICAST, NOTHING),
        unmodelled("ip mrouted", MULTICAST, NOTHING),
        unmodelled("ipv6 pim", MULTICAST, NOTHING),
        unmodelled("ipv6 mld", MULTICAST, NOTHING),
        unmodelled("ipv6 mfib", MULTICAST, NOTHING),
        unmodelled("multicast", MULTICAST, NOTHING),
        unmodelled("igmp", MULTICAST, NOTHING),
        unmodelled("pim", MULTICAST, NOTHING),
        # --- texts that stand for others ---
        unmodelled("source template", "lines that another line takes in", (DeviceScope(),)),
        unmodelled("inherit", "lines that another line takes in", (DeviceScope(),)),
        unmodelled("macro apply", "lines that another line takes in", (DeviceScope(),)),
        unmodelled("apply-group", "lines that another line takes in", (DeviceScope(),)),
        ignored("macro", "macro description"),
        # --- routing protocols that are switched on here ---
        modelled("ip ospf <number> area", _protocol_on_interface("ipv4", "ospf")),
        modelled("ip ospf area", _protocol_on_interface("ipv4", "ospf")),
        modelled("ipv6 ospf <number> area", _protocol_on_interface("ipv6", "ospf")),
        modelled("ospfv3 <number> ipv4 area", _protocol_on_interface("ipv4", "ospf")),
        modelled("ospfv3 <number> ipv6 area", _protocol_on_interface("ipv6", "ospf")),
        modelled("ipv6 rip <word> enable", _protocol_on_interface("ipv6", "rip")),
        modelled("ipv6 eigrp <number>", _protocol_on_interface("ipv6", "eigrp")),
        modelled("ip router", _protocol_on_interface("ipv4")),
        modelled("ipv6 router", _protocol_on_interface("ipv6")),
    ),
    "control plane": (modelled("service-policy", _service_policy),),
}  # fmt: skip
