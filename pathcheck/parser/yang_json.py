"""Access lists and static routes as JSON of the standard data models.

RFC 8519 (access lists and where they are attached) and RFC 8349 (static
routes) are read, encoded as RFC 7951 says. That list model has no action for
packets that no entry matches; here the end of such a list acts like that of any
other list: the implicit deny, for IPv6 behind neighbour discovery.

What an entry compares and the program does not model makes the entry's match
uncertain; an entry that cannot be read makes it unknown; data of other models
makes the whole device uncertain. Nothing is dropped.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from pathcheck.model.access_list import AccessList, Action, Entry, Family, IcmpMatch, Line, ListBinding, UnreadLine
from pathcheck.model.interface import canonical_name
from pathcheck.model.static_route import StaticRoute
from pathcheck.model.unmodelled import DeviceScope, InterfaceScope, RouteScope, Scope, Unmodelled
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import ICMP, ICMPV6, TCP, UDP
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import FLAG_NAMES, FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.parser.yaml_text import YamlList, YamlMap, YamlNode, YamlText, brief, load_json
from pathcheck.results.account import LineClass, LineRecord
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["MODEL_KEYS", "YangData", "read_yang_json"]

MODEL_KEYS = ("ietf-access-control-list:acls", "ietf-routing:routing")
"""The top-level names that are read."""

_FAMILIES: dict[str, tuple[Family, ...]] = {
    "ipv4-acl-type": ("ipv4",),
    "ipv6-acl-type": ("ipv6",),
    "mixed-eth-ipv4-acl-type": ("ipv4",),
    "mixed-eth-ipv6-acl-type": ("ipv6",),
    "mixed-eth-ipv4-ipv6-acl-type": ("ipv4", "ipv6"),
    "eth-acl-type": ("ipv4", "ipv6"),
}
_VERSION: dict[Family, IPVersion] = {"ipv4": 4, "ipv6": 6}
_ACTIONS = {"accept": Action.PERMIT, "drop": Action.DENY, "reject": Action.DENY}
_FLAG_BITS = {**FLAG_NAMES, "cwr": FLAG_NAMES["cwr"]}
_STEP = 10


@dataclass(slots=True)
class YangData:
    """What a file says.

    Parameters
    ----------
    access_lists
        By family and name.
    bindings
        By canonical name of the interface, in the order of the file.
    records
        The lines of the file that are unmodelled, unknown or wrong.
    """

    access_lists: dict[tuple[Family, str], AccessList] = field(default_factory=dict)
    bindings: dict[str, list[ListBinding]] = field(default_factory=dict)
    static_routes: list[StaticRoute] = field(default_factory=list)
    unmodelled: list[Unmodelled] = field(default_factory=list)
    records: list[LineRecord] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def read_yang_json(file: str, data: bytes) -> YangData:
    """Read a JSON file of the two models.

    Raises
    ------
    InputError
        It is no JSON that can be read, or no object.
    """
    reader = _Reader()
    reader.top(load_json(file, data))
    return reader.data


class _Fault(Exception):  # noqa: N818 - inside this file only
    """A value is not what the model says it is."""

    def __init__(self, message: str, node: YamlNode) -> None:
        super().__init__(message)
        self.message = message
        self.span = node.span


class _Reader:
    """Reads the tree of nodes into models."""

    def __init__(self) -> None:
        self.data = YangData()

    # -- saying what is wrong

    def _wrong(self, fault: _Fault, scope: Scope | None) -> None:
        """Note a value that cannot be read; `scope` is what it could touch, None where a list says so itself."""
        self.data.records.append(LineRecord(fault.span, LineClass.WRONG, fault.message))
        self.data.findings.append(finding("PC401", fault.message, span=fault.span))
        if scope is not None:
            self.data.unmodelled.append(Unmodelled("line that could not be read", scope, span=fault.span))

    def _unknown(self, what: str, node: YamlNode, scope: Scope) -> None:
        """Note data that no table knows."""
        span = node.span
        message = f"`{what}` is not known here, so it could change forwarding"
        self.data.records.append(LineRecord(span, LineClass.UNKNOWN, message))
        self.data.findings.append(finding("PC402", message, span=span))
        self.data.unmodelled.append(Unmodelled("unknown line", scope, span=span))

    def _not_modelled(self, what: str, why: str, node: YamlNode, scope: Scope | None) -> None:
        """Note data that is known and not modelled."""
        span = node.span
        self.data.records.append(LineRecord(span, LineClass.UNMODELLED, why))
        self.data.findings.append(finding("PC412", why, span=span))
        if scope is not None:
            self.data.unmodelled.append(Unmodelled(what, scope, span=span))

    # -- the two models

    def top(self, node: YamlNode) -> None:
        """The whole file."""
        try:
            for key, value in _object(node, "an object"):
                if key.value == MODEL_KEYS[0]:
                    self._acls(value)
                elif key.value == MODEL_KEYS[1]:
                    self._routing(value)
                else:
                    self._unknown(brief(key.value), key, DeviceScope())
        except _Fault as fault:
            self._wrong(fault, DeviceScope())

    def _acls(self, node: YamlNode) -> None:
        """/acls."""
        attachments: list[YamlNode] = []
        for key, value in _object(node, "the object `acls`"):
            name = _leaf(key)
            if name == "acl":
                for item in _array(value, "the array `acl`"):
                    self._guarded(self._acl, item)
            elif name == "attachment-points":
                attachments.append(value)
            else:
                self._unknown(brief(name), key, DeviceScope())
        # The lists stand in any place of the file, so they are bound when all are read.
        for value in attachments:
            self._guarded(self._attachments, value)

    def _guarded(self, read: Callable[[YamlNode], None], node: YamlNode) -> None:
        """Read one item; a fault in it leaves the others, but what it could have meant touches the whole device."""
        try:
            read(node)
        except _Fault as fault:
            self._wrong(fault, DeviceScope())

    def _acl(self, node: YamlNode) -> None:
        """/acls/acl: name, type, aces."""
        parts = {_leaf(key): (key, value) for key, value in _object(node, "an object of `acl`")}
        if "name" not in parts:
            raise _Fault("an access list needs the leaf `name`", node)
        name = _string(parts["name"][1], "the name of an access list")
        entries = list(self._aces(parts["aces"][1])) if "aces" in parts else []
        families = self._families(parts, entries)
        faults: list[tuple[str, Span]] = []
        for leaf, (key, _) in parts.items():
            if leaf not in ("name", "type", "aces"):
                why = f"`{brief(leaf)}` is not known in an access list, so what the list decides is unknown"
                self.data.records.append(LineRecord(key.span, LineClass.UNKNOWN, why))
                self.data.findings.append(finding("PC402", why, span=key.span, acl=name))
                faults.append((why, key.span))
        for family in families:
            if (family, name) in self.data.access_lists:
                raise _Fault(f"the access list `{brief(name)}` stands twice", parts["name"][1])
            lines: list[Entry] = [
                UnreadLine(number, None, span.words, why, span=span) for number, (why, span) in enumerate(faults, 1)
            ]
            for number, entry in enumerate(entries, 1):
                line = self._entry(entry, family, number * _STEP)
                if line is not None:
                    lines.append(line)
            self.data.access_lists[family, name] = AccessList(
                name, family, False, tuple(lines), span=parts["name"][1].span
            )
        for entry in entries:
            self._note_entry(entry, name)

    def _families(self, parts: Mapping[str, tuple[YamlText, YamlNode]], entries: list[_Ace]) -> tuple[Family, ...]:
        """The families that a list acts on: by its type, else by what its entries name, else both."""
        if "type" in parts:
            word = _string(parts["type"][1], "the type of an access list").rpartition(":")[2]
            if word in _FAMILIES:
                return _FAMILIES[word]
            raise _Fault(f"expected a type of RFC 8519 as `ipv4-acl-type`, found `{brief(word)}`", parts["type"][1])
        named = {family for entry in entries for family in entry.families}
        return tuple(family for family in _VERSION if family in named) or ("ipv4", "ipv6")

    def _aces(self, node: YamlNode) -> Iterator[_Ace]:
        """/acls/acl/aces/ace."""
        seen: set[str] = set()
        for key, value in _object(node, "the object `aces`"):
            if _leaf(key) != "ace":
                raise _Fault(f"expected the array `ace`, found `{brief(key.value)}`", key)
            for item in _array(value, "the array `ace`"):
                entry = _read_ace(item)
                if entry.name in seen:
                    entry.wrong = entry.wrong or _Fault(f"the entry `{brief(entry.name)}` stands twice", item)
                seen.add(entry.name)
                yield entry

    def _entry(self, entry: _Ace, family: Family, sequence: int) -> Entry | None:
        """Return the entry as a line of a list of one family; None where it matches no packet of the family."""
        if entry.wrong is not None:
            return UnreadLine(sequence, entry.action, entry.span.words, entry.wrong.message, span=entry.span)
        if entry.families and family not in entry.families:
            return None
        version = _VERSION[family]
        try:
            return entry.line(version, sequence)
        except _Fault as fault:
            entry.wrong = fault
            return UnreadLine(sequence, entry.action, entry.span.words, fault.message, span=entry.span)

    def _note_entry(self, entry: _Ace, acl: str) -> None:
        """Account for an entry that is wrong, or not modelled in part."""
        if entry.wrong is not None:
            message = f"entry `{brief(entry.name)}` of `{brief(acl)}`: {entry.wrong.message}"
            self._wrong(_at(message, entry.wrong), None)
            return
        for what, node in entry.doubts:
            why = f"entry `{brief(entry.name)}` of `{brief(acl)}` compares {what}, which is not modelled"
            self._not_modelled(what, why, node, None)

    # -- where lists are attached

    def _attachments(self, node: YamlNode) -> None:
        """/acls/attachment-points/interface."""
        for key, value in _object(node, "the object `attachment-points`"):
            if _leaf(key) != "interface":
                self._unknown(brief(key.value), key, DeviceScope())
                continue
            for item in _array(value, "the array `interface`"):
                self._guarded(self._attachment, item)

    def _attachment(self, node: YamlNode) -> None:
        """interface-id, ingress, egress."""
        parts = {_leaf(key): (key, value) for key, value in _object(node, "an object of `interface`")}
        if "interface-id" not in parts:
            raise _Fault("an attachment point needs the leaf `interface-id`", node)
        name = canonical_name(_string(parts["interface-id"][1], "the name of an interface"))
        for leaf, (key, value) in parts.items():
            if leaf in ("ingress", "egress"):
                self._bind(name, value, "in" if leaf == "ingress" else "out")
            elif leaf != "interface-id":
                self._unknown(brief(leaf), key, InterfaceScope(name))

    def _bind(self, interface: str, node: YamlNode, direction: str) -> None:
        """acl-sets/acl-set: the lists of one direction, in order."""
        sets: list[YamlNode] = []
        for part, value in _object(node, "the object of one direction"):
            if _leaf(part) != "acl-sets":
                self._unknown(brief(part.value), part, InterfaceScope(interface))
                continue
            for inner, items in _object(value, "the object `acl-sets`"):
                if _leaf(inner) == "acl-set":
                    sets.extend(_array(items, "the array `acl-set`"))
                else:
                    self._unknown(brief(inner.value), inner, InterfaceScope(interface))
        taken: set[Family] = set()
        for item in sets:
            parts = {_leaf(part): (part, value) for part, value in _object(item, "an object of `acl-set`")}
            if "name" not in parts:
                raise _Fault("an attached access list needs the leaf `name`", item)
            name = _string(parts["name"][1], "the name of an access list")
            families = [family for family in _VERSION if (family, name) in self.data.access_lists] or ["ipv4", "ipv6"]
            for family in families:
                if family in taken:
                    why = f"a second list on `{interface}` in one direction; how it follows the first is not modelled"
                    scope = InterfaceScope(interface, ("in",) if direction == "in" else ("out",))
                    self._not_modelled("second access list", why, item, scope)
                    continue
                taken.add(family)
                self.data.bindings.setdefault(interface, []).append(
                    ListBinding(name, family, "in" if direction == "in" else "out", span=parts["name"][1].span)
                )

    # -- routes

    def _routing(self, node: YamlNode) -> None:
        """/routing: control-plane-protocols; ribs hold state, an identifier changes nothing."""
        for key, value in _object(node, "the object `routing`"):
            name = _leaf(key)
            if name == "control-plane-protocols":
                for inner, items in _object(value, "the object `control-plane-protocols`"):
                    if _leaf(inner) != "control-plane-protocol":
                        self._unknown(brief(inner.value), inner, RouteScope())
                        continue
                    for item in _array(items, "the array `control-plane-protocol`"):
                        self._guarded(self._protocol, item)
            elif name not in ("router-id", "interfaces", "ribs"):
                self._unknown(brief(name), key, DeviceScope())

    def _protocol(self, node: YamlNode) -> None:
        """type, name, static-routes."""
        parts = {_leaf(key): (key, value) for key, value in _object(node, "an object of `control-plane-protocol`")}
        if "type" not in parts:
            raise _Fault("a control-plane protocol needs the leaf `type`", node)
        kind = _string(parts["type"][1], "the type of a control-plane protocol").rpartition(":")[2]
        if kind == "direct":
            return
        if kind != "static":
            why = f"routes of the protocol `{brief(kind)}` are not in the text"
            self._not_modelled("routing protocol", why, parts["type"][1], RouteScope())
            return
        for leaf, (key, value) in parts.items():
            if leaf == "static-routes":
                for inner, item in _object(value, "the object `static-routes`"):
                    family = _leaf(inner)
                    if family in ("ipv4", "ipv6"):
                        self._routes(item, 4 if family == "ipv4" else 6)
                    else:
                        self._unknown(brief(inner.value), inner, RouteScope())
            elif leaf not in ("type", "name", "description"):
                self._unknown(brief(leaf), key, RouteScope())

    def _routes(self, node: YamlNode, version: IPVersion) -> None:
        """route: destination-prefix, next-hop, description."""
        family: Family = "ipv4" if version == 4 else "ipv6"
        for key, value in _object(node, "the object of one address family"):
            if _leaf(key) != "route":
                self._unknown(brief(key.value), key, RouteScope(family=family))
                continue
            for item in _array(value, "the array `route`"):
                try:
                    self._route(item, version)
                except _Fault as fault:
                    self._wrong(fault, RouteScope(family=family))

    def _route(self, node: YamlNode, version: IPVersion) -> None:
        """One route, with one next hop or a list of them."""
        parts = {_leaf(key): (key, value) for key, value in _object(node, "an object of `route`")}
        if "destination-prefix" not in parts:
            raise _Fault("a static route needs the leaf `destination-prefix`", node)
        place = parts["destination-prefix"][1]
        prefix = _prefix(place, version, "the destination")
        if str(prefix) != _string(place, "the destination"):
            self._note_bits(place, prefix)
        if "next-hop" not in parts:
            raise _Fault("a static route needs `next-hop`", node)
        name = _string(parts["description"][1], "a description") if "description" in parts else ""
        family: Family = "ipv4" if version == 4 else "ipv6"
        for leaf, (key, _) in parts.items():
            if leaf not in ("destination-prefix", "next-hop", "description"):
                self._unknown(brief(leaf), key, RouteScope(family=family, within=prefix, distance=0, exact=True))
        hops = {_leaf(key): (key, value) for key, value in _object(parts["next-hop"][1], "the object `next-hop`")}
        if "next-hop-list" in hops and len(hops) == 1:
            listed = [
                {_leaf(key): (key, value) for key, value in _object(item, "an object of `next-hop`")}
                for inner, items in _object(hops["next-hop-list"][1], "the object `next-hop-list`")
                for item in _array(items, f"the array `{brief(inner.value)}`")
            ]
            if not listed:
                raise _Fault("the list of next hops is empty", parts["next-hop"][1])
        else:
            listed = [hops]
        routes = [
            route
            for hop in listed
            if (route := self._hop(hop, prefix, version, name, node, parts["next-hop"][1])) is not None
        ]
        self.data.static_routes.extend(routes)

    def _hop(
        self,
        hop: Mapping[str, tuple[YamlText, YamlNode]],
        prefix: Prefix,
        version: IPVersion,
        name: str,
        node: YamlNode,
        place: YamlNode,
    ) -> StaticRoute | None:
        """outgoing-interface, next-hop-address, or special-next-hop."""
        scope = RouteScope(family="ipv4" if version == 4 else "ipv6", within=prefix, distance=0, exact=True)
        for leaf, (key, _) in hop.items():
            if leaf not in ("outgoing-interface", "next-hop-address", "special-next-hop", "index"):
                self._unknown(brief(leaf), key, scope)
        if "special-next-hop" in hop:
            special = hop["special-next-hop"][1]
            word = _string(special, "a special next hop")
            if word in ("blackhole", "unreachable", "prohibit"):
                return StaticRoute(prefix, discard=True, name=name, span=node.span)
            if word == "receive":
                self._not_modelled("route to the device itself", "a route to the device itself", special, scope)
                return None
            raise _Fault(f"expected a special next hop of RFC 8349 as `blackhole`, found `{brief(word)}`", special)
        interface = address = None
        if "outgoing-interface" in hop:
            interface = canonical_name(_string(hop["outgoing-interface"][1], "the name of an interface"))
        if "next-hop-address" in hop:
            address = _address(hop["next-hop-address"][1], version)
        if interface is None and address is None:
            raise _Fault("a next hop needs `next-hop-address`, `outgoing-interface` or `special-next-hop`", place)
        return StaticRoute(prefix, next_hop=address, interface=interface, name=name, span=node.span)

    def _note_bits(self, place: YamlNode, prefix: Prefix) -> None:
        """Note bits behind the length; the model allows them, and they count as zero (RFC 6991, section 4)."""
        text = _string(place, "a prefix")
        try:
            Prefix.parse(text)
        except ValueError:
            message = f"`{brief(text)}` has bits set behind its length; it is read as `{prefix}`"
            self.data.findings.append(finding("PC406", message, span=place.span))


# --- one entry -------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Ace:
    """An entry before it is known for which family it is wanted.

    `families` are those that its matches name, empty where they name none.
    `doubts` are fields that it compares and that are not modelled.
    """

    name: str
    span: Span
    node: YamlNode
    action: Action | None = None
    log: bool = False
    families: tuple[Family, ...] = ()
    parts: dict[str, dict[str, YamlNode]] = field(default_factory=dict)
    doubts: list[tuple[str, YamlNode]] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    wrong: _Fault | None = None

    def line(self, version: IPVersion, sequence: int) -> Line:
        """Return the line of a list of one IP version."""
        protocol: int | None = None
        source = destination = AddressMatch.any(version)
        dscp = source_ports = destination_ports = icmp = flags = None
        network = self.parts.get("ipv4" if version == 4 else "ipv6", {})
        if "protocol" in network:
            protocol = _number(network["protocol"], "a protocol", 0, 255)
        if "dscp" in network:
            dscp = Ranges.single(_number(network["dscp"], "a DSCP value", 0, 63))
        for leaf in ("source", "destination"):
            node = network.get(f"{leaf}-ipv{version}-network")
            if node is not None:
                match = AddressMatch.prefix(_prefix(node, version, f"the {leaf}"))
                source, destination = (match, destination) if leaf == "source" else (source, match)
        transports = {"tcp": TCP, "udp": UDP, "icmp": ICMP if version == 4 else ICMPV6}
        for leaf, number in transports.items():
            if leaf not in self.parts:
                continue
            if protocol not in (None, number):
                # The fields contradict each other: a line that matches nothing, for the review to find.
                protocol, source_ports = TCP, Ranges(())
                break
            protocol = number
            part = self.parts[leaf]
            if leaf == "icmp":
                icmp = _icmp(part)
                continue
            source_ports = _ports(part["source-port"]) if "source-port" in part else None
            destination_ports = _ports(part["destination-port"]) if "destination-port" in part else None
            if "flags" in part:
                flags = _flags(part["flags"])
        doubt = None
        if self.doubts:
            named = ", ".join(dict.fromkeys(what for what, _ in self.doubts))
            doubt = f"it compares {named}, which {'is' if ',' not in named else 'are'} not modelled"
        if self.action is None:
            raise _Fault("an entry needs `actions` with the leaf `forwarding`", self.node)
        return Line(
            sequence,
            self.action,
            protocol,
            source,
            destination,
            source_ports,
            destination_ports,
            icmp,
            flags,
            dscp,
            log="log" if self.log else None,
            doubt=doubt,
            options=" ".join(self.words),
            span=self.span,
        )


_MODELLED_LEAVES = {
    "ipv4": ("protocol", "dscp", "source-ipv4-network", "destination-ipv4-network"),
    "ipv6": ("protocol", "dscp", "source-ipv6-network", "destination-ipv6-network"),
    "tcp": ("source-port", "destination-port", "flags"),
    "udp": ("source-port", "destination-port"),
    "icmp": ("type", "code"),
    "eth": (),
}


def _read_ace(node: YamlNode) -> _Ace:
    """Name, matches, actions; what is wrong with them is kept with the entry."""
    entry = _Ace("", node.span, node)
    try:
        parts = {_leaf(key): (key, value) for key, value in _object(node, "an object of `ace`")}
        if "name" not in parts:
            raise _Fault("an entry needs the leaf `name`", node)
        entry.name = _string(parts["name"][1], "the name of an entry")
        if "actions" in parts:
            _read_actions(entry, parts["actions"][1])
        for leaf, (key, value) in parts.items():
            if leaf == "matches":
                _read_matches(entry, value)
            elif leaf not in ("name", "actions", "statistics"):
                raise _Fault(f"`{brief(leaf)}` is not known in an entry", key)
        if entry.action is None:
            raise _Fault("an entry needs `actions` with the leaf `forwarding`", node)
    except _Fault as fault:
        entry.wrong = fault
    return entry


def _read_actions(entry: _Ace, node: YamlNode) -> None:
    """Forwarding, logging."""
    for key, value in _object(node, "the object `actions`"):
        leaf = _leaf(key)
        if leaf == "forwarding":
            word = _string(value, "a forwarding action").rpartition(":")[2]
            if word not in _ACTIONS:
                raise _Fault(f"expected `accept`, `drop` or `reject`, found `{brief(word)}`", value)
            entry.action = _ACTIONS[word]
        elif leaf == "logging":
            entry.log = _string(value, "a logging action").rpartition(":")[2] != "log-none"
        else:
            raise _Fault(f"`{brief(leaf)}` is not known among actions", key)


def _read_matches(entry: _Ace, node: YamlNode) -> None:
    """The containers of fields; all that are named must match."""
    for key, value in _object(node, "the object `matches`"):
        container = _leaf(key)
        if container in ("egress-interface", "ingress-interface"):
            entry.doubts.append((f"`{container}`", key))
            entry.words.extend((container, brief(_string(value, "an interface"))))
            continue
        if container not in _MODELLED_LEAVES:
            raise _Fault(f"`{brief(container)}` is not known among matches", key)
        fields_of = {_leaf(part): what for part, what in _object(value, f"the object `{container}`")}
        entry.parts[container] = fields_of
        if container in ("ipv4", "ipv6"):
            entry.families = ("ipv4",) if container == "ipv4" else ("ipv6",)
        for part, what in _object(value, f"the object `{container}`"):
            leaf = _leaf(part)
            if leaf == "flags" and container == "tcp":
                # The model does not say whether other flags may be set; a match of at least these holds either way.
                if isinstance(what, YamlText) and what.value.strip():
                    entry.doubts.append(("whether other flags are set", part))
            elif leaf not in _MODELLED_LEAVES[container]:
                entry.doubts.append((f"`{container}` `{brief(leaf)}`", part))
                text = what.value if isinstance(what, YamlText) else ""
                entry.words.extend(("ttl", "eq", text) if leaf == "ttl" else (f"{container}-{leaf}", brief(text)))
    both = [name for name in ("ipv4", "ipv6") if name in entry.parts]
    transports = [name for name in ("tcp", "udp", "icmp") if name in entry.parts]
    for names in (both, transports):
        if len(names) > 1:
            raise _Fault(f"`{names[0]}` and `{names[1]}` exclude each other", node)


def _ports(node: YamlNode) -> Ranges:
    """Lower-port and upper-port, or operator and port."""
    parts = {_leaf(key): (key, value) for key, value in _object(node, "a range of ports or an operator")}
    for leaf, (key, _) in parts.items():
        if leaf not in ("lower-port", "upper-port", "operator", "port"):
            raise _Fault(f"`{brief(leaf)}` is not known among ports", key)
    if "lower-port" in parts or "upper-port" in parts:
        if len(parts) != 2 or "port" in parts or "operator" in parts:
            raise _Fault("a range of ports needs `lower-port` and `upper-port`, and nothing else", node)
        low, high = (_number(parts[leaf][1], f"`{leaf}`", 0, 65535) for leaf in ("lower-port", "upper-port"))
        if low > high:
            raise _Fault(f"the range of ports {low} to {high} ends before it begins", node)
        return Ranges.of((low, high))
    if "port" not in parts:
        raise _Fault("expected `port`, or `lower-port` and `upper-port`", node)
    port = _number(parts["port"][1], "`port`", 0, 65535)
    operator = _string(parts["operator"][1], "an operator") if "operator" in parts else "eq"
    spans = {"eq": (port, port), "lte": (0, port), "gte": (port, 65535)}
    if operator in spans:
        return Ranges.of(spans[operator])
    if operator == "neq":
        return Ranges.single(port).complement(65535)
    raise _Fault(f"expected `lte`, `gte`, `eq` or `neq`, found `{brief(operator)}`", parts["operator"][1])


def _icmp(part: Mapping[str, YamlNode]) -> IcmpMatch | None:
    """Type, code; a code without a type is not in the program's model of a line."""
    kind = _number(part["type"], "an ICMP type", 0, 255) if "type" in part else None
    code = _number(part["code"], "an ICMP code", 0, 255) if "code" in part else None
    if kind is None and code is not None:
        raise _Fault("an ICMP code without a type cannot be read", part["code"])
    return None if kind is None else IcmpMatch(kind, code)


def _flags(node: YamlNode) -> FlagMatch | None:
    """Names of flags, separated by blanks."""
    text = node.value if isinstance(node, YamlText) else None
    if text is None:
        raise _Fault("expected TCP flags as a text of names", node)
    bits = 0
    for word in text.split():
        if word not in _FLAG_BITS:
            raise _Fault(f"expected TCP flags out of {', '.join(_FLAG_BITS)}, found `{brief(word)}`", node)
        bits |= _FLAG_BITS[word]
    return FlagMatch.of((bits, bits)) if bits else None


# --- values ----------------------------------------------------------------------------------------------------------


def _object(node: YamlNode, what: str) -> tuple[tuple[YamlText, YamlNode], ...]:
    """Read an object."""
    if isinstance(node, YamlMap):
        return node.entries
    raise _Fault(f"expected {what}", node)


def _array(node: YamlNode, what: str) -> tuple[YamlNode, ...]:
    """Read an array."""
    if isinstance(node, YamlList):
        return node.items
    raise _Fault(f"expected {what}", node)


def _leaf(key: YamlText) -> str:
    """Return a name without the module in front (RFC 7951 section 4)."""
    return key.value.rpartition(":")[2]


def _string(node: YamlNode, what: str) -> str:
    """Read a text that is not empty."""
    if isinstance(node, YamlText) and not node.plain and node.value.strip():
        return node.value.strip()
    raise _Fault(f"expected {what} as a text", node)


def _number(node: YamlNode, what: str, lowest: int, highest: int) -> int:
    """Read a number within bounds, both inclusive."""
    if isinstance(node, YamlText) and node.plain and node.value.isascii() and node.value.isdigit():
        number = int(node.value[:20])
        if lowest <= number <= highest:
            return number
    raise _Fault(f"expected {what} as a number from {lowest} to {highest}", node)


def _prefix(node: YamlNode, version: IPVersion, what: str) -> Prefix:
    """Read a prefix; bits behind its length count as zero (RFC 6991 section 4)."""
    text = _string(node, what)
    try:
        prefix = Prefix.parse_loose(text)
    except ValueError as error:
        raise _Fault(f"expected {what} as a prefix: {error}", node) from None
    if prefix.version != version or "/" not in text:
        raise _Fault(f"expected {what} as an IPv{version} prefix, found `{brief(text)}`", node)
    return prefix


def _address(node: YamlNode, version: IPVersion) -> Address:
    """Read an address; a zone behind `%` names an interface, which the model gives elsewhere."""
    text = _string(node, "a next hop")
    try:
        address = Address.parse(text)
    except ValueError as error:
        raise _Fault(f"expected a next hop as an address: {error}", node) from None
    if address.version != version:
        raise _Fault(f"expected a next hop as an IPv{version} address, found `{brief(text)}`", node)
    return address


def _at(message: str, fault: _Fault) -> _Fault:
    """Return a fault with more words."""
    fault.message = message
    return fault
