"""Models back to configuration text, in the wildcard-mask form.

Reading what is written gives the same model. Lines that are not modelled, or
could not be read, are written as they stood, in the block they belong to; where
that block is not known, a line that nobody knows takes their place, so that what
was uncertain stays uncertain.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from operator import eq

from pathcheck.model.access_list import AccessList, Entry, IcmpMatch, Line, ListBinding, Remark, UnreadLine
from pathcheck.model.device import Device, TerminalLines
from pathcheck.model.interface import Interface, InterfaceAddress, SwitchPort
from pathcheck.model.object_group import GroupMember, GroupReference, ObjectGroup, ServiceMatch
from pathcheck.model.own_traffic import DhcpRelay, ManagementServer, ServerKind
from pathcheck.model.static_route import DefaultGateway, StaticRoute
from pathcheck.model.unmodelled import (
    LATE_VRF,
    InterfaceScope,
    LayerTwoScope,
    ListScope,
    NoScope,
    OwnScope,
    RouteScope,
    Scope,
    TranslationScope,
)
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import ICMP, protocol_name
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ESTABLISHED, FLAG_NAMES, FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.source import Span

__all__ = ["write_device", "write_entry", "write_list", "write_route"]

_EACH_PORT = 65535
_DATA_ENDINGS = (".yaml", ".yml", ".json")


def write_device(device: Device) -> str:
    """Write a device's configuration as text.

    Parameters
    ----------
    device
        Read from text or built from parts.

    Returns
    -------
    str
        Lines that end with a line feed. Read with the device's own assumptions,
        they give the same device; what `fleet.yaml` adds is not in them.

    Raises
    ------
    ValueError
        The model holds something that no line can say, such as ports that are neither
        a range nor single ports nor the opposite of these. No text gives such a model.
    """
    writing = _Writing(device)
    return "".join(f"{line}\n" for line in writing.lines())


def write_list(access_list: AccessList, *, masks: str = "wildcard") -> str:
    """Write one access list, its header and its lines.

    Parameters
    ----------
    masks
        The setting `dotted_mask` with which the text is to be read.

    Raises
    ------
    ValueError
        As :func:`write_device`.
    """
    return "".join(f"{line}\n" for line in _list_lines(access_list, masks, ()))


def write_entry(entry: Entry, *, version: IPVersion = 4, standard: bool = False, masks: str = "wildcard") -> str:
    """Write one line of a list, without indentation.

    Raises
    ------
    ValueError
        As :func:`write_device`.
    """
    if isinstance(entry, UnreadLine):
        return entry.text
    if isinstance(entry, Remark):
        number = "" if entry.sequence is None else f"{entry.sequence} "
        return f"{number}remark {entry.text}".rstrip()
    return _Entry(entry, version, standard, masks).text()


def write_route(route: StaticRoute) -> str:
    """Write a static route.

    Examples
    --------
    >>> write_route(StaticRoute(Prefix.parse("10.9.0.0/16"), Address.parse("10.1.99.1"), span=Span("", 1, "")))
    'ip route 10.9.0.0 255.255.0.0 10.1.99.1'
    """
    six = route.prefix.version == 6
    words = ["ipv6" if six else "ip", "route"]
    if route.vrf is not None:
        words.extend(("vrf", route.vrf))
    words.append(str(route.prefix) if six else f"{route.prefix.first} {Address(4, route.prefix.netmask)}")
    if route.discard:
        words.append("Null0")
    if route.interface is not None:
        words.append(route.interface)
    if route.next_hop is not None:
        words.append(str(route.next_hop))
    if route.next_hop_vrf is not None:
        words.extend(("nexthop-vrf", route.next_hop_vrf) if route.next_hop_vrf else ("global",))
    if route.distance != 1:
        words.append(str(route.distance))
    if route.name and " " not in route.name:
        words.extend(("name", route.name))
    if route.tag is not None:
        words.extend(("tag", str(route.tag)))
    if route.permanent:
        words.append("permanent")
    if route.tracked is not None:
        _, quote, object_name = route.tracked.partition("`")
        words.extend(("track", object_name.rstrip("`")) if quote else ("bfd",))
    if " " in route.name:
        # Only a description, which takes the rest of the line, may have blanks.
        words.extend(("description", route.name))
    return " ".join(words)


# --- a device --------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Writing:
    """The writing of one device; `waiting` are the lines that are not modelled and not yet written."""

    device: Device
    waiting: dict[tuple[Span, str], tuple[Scope, ...]] = field(default_factory=dict)

    def lines(self) -> Iterator[str]:
        """Yield all lines; names are defined before they are used, although no order is needed."""
        device = self.device
        self._gather()
        yield f"hostname {device.name}"
        yield "!"
        for name in device.vrfs:
            yield from (f"vrf definition {name}", "!")
        for answer, line in ((device.routing, "ip routing"), (device.ipv6_routing, "ipv6 unicast-routing")):
            if answer is not None:
                yield line if answer else f"no {line}"
        yield from self._vlans()
        for group in device.groups.values():
            yield from (*_group_lines(group), "!")
        for access_list in device.access_lists.values():
            extra = self._take(partial(_is_list, access_list))
            yield from (*_list_lines(access_list, device.assume.dotted_mask, extra), "!")
        for interface in device.interfaces.values():
            late = self._late_vrf(interface)
            extra = self._take(partial(_is_interface, interface.name))
            extra += [_relay_line(relay) for relay in device.relays if relay.interface == interface.name]
            yield from (*_interface_lines(interface, extra, late_vrf=late), "!")
        yield from map(write_route, device.static_routes)
        yield from map(_server_line, device.servers)
        for gateway in device.gateways:
            yield from _gateway_lines(gateway)
        # A line inside a block that touches the device's own packets alone does so in this block, whatever it is.
        extra = self._take(partial(eq, OwnScope()), inside=True)
        if device.control_plane or extra:
            yield "control-plane"
            for bound in device.control_plane:
                yield f" {'ip' if bound.family == 'ipv4' else 'ipv6'} access-group {bound.list_name} {bound.direction}"
            yield from (f" {line}" for line in extra)
            yield "!"
        for block in device.terminal_lines:
            yield from (*_terminal_lines(block), "!")
        yield from self._rest()

    def _vlans(self) -> Iterator[str]:
        """The VLAN database."""
        for vlan in self.device.vlans.values():
            yield f"vlan {vlan.number}"
            if vlan.name:
                yield f" name {vlan.name}"
            if vlan.shutdown:
                yield " shutdown"
            for group in vlan.trunk_groups:
                yield f" trunk group {group}"
            for line in self._take(partial(eq, LayerTwoScope(vlan.number))):
                yield f" {line}"
            yield "!"
        if self.device.has_vlan_section and not self.device.vlans:
            # A section that defines nothing any more still says that VLANs are defined in the text.
            yield from ("vlan 4094", "!", "no vlan 4094")

    def _gather(self) -> None:
        """Note which lines have to be written as they stood, each once for each block it belongs to."""
        written = {interface.unknown_address for interface in self.device.interfaces.values()}
        found: dict[Span, list[Scope]] = {}
        for item in self.device.unmodelled:
            # Which interfaces there are is written from the model.
            if item.span not in written and not item.span.words.lower().startswith(("interface ", "int ")):
                found.setdefault(item.span, []).append(item.scope)
        for use in self.device.list_uses:
            # A use inside a block that is not written decides nothing, so it may go.
            if not use.span.text[:1].isspace():
                found.setdefault(use.span, [])
        for span, scopes in found.items():
            blocks: dict[str, Scope] = {
                scope.interface: scope
                for scope in scopes
                if isinstance(scope, (InterfaceScope, TranslationScope)) and scope.interface in self.device.interfaces
            }
            blocks = blocks or {
                str(scope.vlan): scope
                for scope in scopes
                if isinstance(scope, LayerTwoScope) and scope.vlan in self.device.vlans
            }
            if not blocks and any(isinstance(scope, RouteScope) and scope.distance == 0 for scope in scopes):
                blocks = self._block_above(span)
            for name, scope in blocks.items():
                self.waiting[span, name] = (scope,)
            if not blocks:
                self.waiting[span, ""] = tuple(scopes)

    def _block_above(self, span: Span) -> dict[str, Scope]:
        """The interface whose block a line stands in: a connected route that is not shown is an address of it."""
        above = [
            (interface.span.line, name)
            for name, interface in self.device.interfaces.items()
            if interface.span.file == span.file and interface.span.line < span.line
        ]
        name = max(above, default=(0, ""))[1]
        return {name: InterfaceScope(name)} if name else {}

    def _late_vrf(self, interface: Interface) -> bool:
        """Whether a line that stood behind the addresses, and is written there, says the VRF."""
        return any(
            item.what == LATE_VRF and item.scope == InterfaceScope(interface.name)
            for item in self.device.unmodelled
            if not item.span.file.endswith(_DATA_ENDINGS)
        )

    def _take(self, wanted: Callable[[Scope], bool], *, inside: bool = False) -> list[str]:
        """Return, and strike off, the lines that a block holds; `inside` asks for lines that stood in a block."""
        found = [
            (span, name)
            for (span, name), scopes in self.waiting.items()
            if scopes and all(map(wanted, scopes)) and (span.text[:1].isspace() or not inside)
        ]
        for key in found:
            del self.waiting[key]
        return [_as_written(span) for span, _ in found]

    def _rest(self) -> Iterator[str]:
        """The lines that stand in no block that is written."""
        for (span, _), scopes in self.waiting.items():
            # What touches nothing needs no line in its place, where it cannot be written as it stood.
            if not span.text[:1].isspace() or any(scope != NoScope() for scope in scopes):
                yield from self._raw(span)

    def _raw(self, span: Span) -> Iterator[str]:
        """A line that stood at the margin as it is, any other as one that nobody knows."""
        if span.file.endswith(_DATA_ENDINGS) or span.text[:1].isspace():
            yield f"unmodelled-line {span.file.replace(' ', '_')} {span.line}"
        else:
            yield span.words
        yield "!"


def _is_interface(name: str, scope: Scope) -> bool:
    """Whether a line with that scope stands in the interface's block."""
    return isinstance(scope, (InterfaceScope, TranslationScope)) and scope.interface == name


def _is_list(access_list: AccessList, scope: Scope) -> bool:
    """Whether a line with that scope stands in the list's block."""
    return isinstance(scope, ListScope) and (scope.family, scope.name) == (access_list.family, access_list.name)


def _as_written(span: Span) -> str:
    """Return a line as it stood; of data, a line that nobody knows."""
    return "unreadable-data" if span.file.endswith(_DATA_ENDINGS) else span.words


# --- servers and relays ----------------------------------------------------------------------------------------------

_SERVER_WORDS: dict[ServerKind, tuple[str, str]] = {
    "dns": ("ip name-server", "port"),
    "ntp": ("ntp server", "port"),
    "syslog": ("logging host", "port"),
    "snmp-trap": ("snmp-server host", "udp-port"),
    "radius": ("radius-server host", "auth-port"),
    "radius-accounting": ("radius-server host", "auth-port 0 acct-port"),
    "tacacs": ("tacacs-server host", "port"),
}
"""What stands in front of the address, and in front of the port."""


def _server_line(server: ManagementServer) -> str:
    """HEAD ADDRESS [vrf NAME] [transport tcp] [PORT-WORD N] [source-interface IF]."""
    head, port = _SERVER_WORDS[server.kind]
    words = [head, str(server.address)]
    if server.vrf is not None:
        words.extend(("vrf", server.vrf))
    if server.tcp:
        words.append("transport tcp")
    if server.port is not None:
        words.extend((port, str(server.port)))
    if server.source_interface is not None:
        words.extend(("source-interface", server.source_interface))
    return " ".join(words)


def _relay_line(relay: DhcpRelay) -> str:
    """{ip helper-address | ipv6 dhcp relay destination} [vrf NAME | global] ADDRESS."""
    head = "ip helper-address" if relay.server.version == 4 else "ipv6 dhcp relay destination"
    table = "" if relay.vrf is None else f"vrf {relay.vrf} " if relay.vrf else "global "
    return f"{head} {table}{relay.server}"


# --- groups ----------------------------------------------------------------------------------------------------------

_GROUP_HEADERS = {
    ("address", None): "object-group network",
    ("address", "ipv4"): "object-group ip address",
    ("address", "ipv6"): "object-group ipv6 address",
    ("port", None): "object-group ip port",
    ("service", None): "object-group service",
    ("protocol", None): "object-group protocol",
    ("icmp", None): "object-group icmp-type",
}


def _group_lines(group: ObjectGroup) -> Iterator[str]:
    """A group and its members."""
    yield f"{_GROUP_HEADERS[group.kind, group.family]} {group.name}"
    unread: set[Span] = set()
    for member in group.members:
        if member.value is None:
            if member.span not in unread:
                unread.add(member.span)
                yield f" {_as_written(member.span)}"
            continue
        number = "" if member.sequence is None else f"{member.sequence} "
        yield f" {number}{_member_text(member, group)}"


def _member_text(member: GroupMember, group: ObjectGroup) -> str:
    """One line of a group."""
    value = member.value
    if isinstance(value, GroupReference):
        return f"group-object {value.name}"
    if isinstance(value, AddressMatch):
        prefix = value.as_prefix()
        if prefix is None:
            if group.family != "ipv4":
                raise ValueError(
                    f"`{value}` cannot be a member of the group `{group.name}`: its mask is not contiguous"
                )
            return f"{Address(4, value.value)} {Address(4, value.free)}"
        return f"host {prefix.first}" if prefix.length == WIDTH[prefix.version] else str(prefix)
    if isinstance(value, ServiceMatch):
        return _service_text(value)
    assert value is not None
    if group.kind == "port":
        return " ".join(_port_words(value))
    if group.kind == "protocol":
        return f"protocol-object {'ip' if value == Ranges.of((0, 255)) else _single(value)}"
    return f"icmp-object {_icmp_words(value)}"


def _service_text(service: ServiceMatch) -> str:
    """[service-object] PROTOCOL [source PORTS] [destination PORTS] | icmp TYPE."""
    if service.protocol is None:
        return "service-object ip"
    if service.icmp is not None:
        return f"service-object {'icmp' if service.protocol == ICMP else 'icmp6'} {_icmp_words(service.icmp)}"
    words = ["service-object", protocol_name(service.protocol, 4)]
    if service.source_ports is not None:
        words.extend(("source", *_port_words(service.source_ports)))
    if service.destination_ports is not None:
        words.extend(("destination", *_port_words(service.destination_ports)))
    return " ".join(words)


def _icmp_words(numbers: Ranges) -> str:
    """TYPE [CODE]."""
    if len(numbers.spans) == 1:
        low, high = numbers.spans[0]
        if low == high:
            return f"{low >> 8} {low & 255}"
        if low & 255 == 0 and high == low + 255:
            return str(low >> 8)
    raise ValueError(f"the ICMP types and codes `{numbers}` cannot be written in one line")


def _single(numbers: Ranges) -> int:
    """Return the only number of a set."""
    if numbers.size != 1:
        raise ValueError(f"the numbers `{numbers}` cannot be written in one line")
    return numbers.spans[0][0]


# --- access lists ----------------------------------------------------------------------------------------------------


def _list_lines(access_list: AccessList, masks: str, extra: Sequence[str]) -> Iterator[str]:
    """A list: header, entries in order, and what else stood in its block."""
    header = _list_header(access_list)
    yield header
    version: IPVersion = 6 if access_list.family == "ipv6" else 4
    for entry in access_list.entries:
        text = write_entry(entry, version=version, standard=access_list.standard, masks=masks)
        if isinstance(entry, UnreadLine) and _stands_alone(text):
            yield from (text, header)
        else:
            yield f" {text}"
    yield from (f" {line}" for line in extra)


def _list_header(access_list: AccessList) -> str:
    """The line that opens the list, in a form that allows its name."""
    name = access_list.name
    if access_list.family == "ipv6":
        return f"standard ipv6 access list {name}" if access_list.standard else f"ipv6 access-list {name}"
    if access_list.standard:
        return f"ip access-list standard {name}"
    number = int(name) if name.isascii() and name.isdigit() and len(name) < 6 else None
    if name.isdigit() and not (number is not None and (100 <= number <= 199 or 2000 <= number <= 2699)):
        # A number that is none of an extended list comes from the form that has no such numbers.
        return f"access-list ip {name}"
    return f"ip access-list extended {name}"


def _stands_alone(text: str) -> bool:
    """Whether a line that could not be read is a command of its own, not a line in a list's block."""
    words = text.lower().split()
    return "access-list" in words[:2]


@dataclass(slots=True)
class _Entry:
    """The writing of one line of a list."""

    line: Line
    version: IPVersion
    standard: bool
    masks: str

    def text(self) -> str:
        """The whole line."""
        line = self.line
        words = [str(line.sequence), line.action.value]
        if not self.standard:
            words.append(self._protocol())
        words.append(self._address(line.source))
        if not self.standard:
            words.extend(self._ports(line.source_ports))
            words.append(self._address(line.destination))
            words.extend(self._ports(line.destination_ports))
            if line.icmp is not None:
                words.append(self._icmp(line.icmp))
            if line.flags is not None:
                words.extend(_flag_words(line.flags, line.doubt, self.line))
            if line.dscp is not None:
                words.append(_dscp_words(line.dscp))
        if line.fragments:
            words.append("fragments")
        if line.log is not None:
            words.append(line.log)
        if line.options:
            words.append(line.options)
        return " ".join(words)

    def _protocol(self) -> str:
        """A protocol by name, or a group of services or protocols."""
        protocol = self.line.protocol
        if protocol is None:
            return "ip" if self.version == 4 else "ipv6"
        if isinstance(protocol, GroupReference):
            return f"object-group {protocol.name}"
        return protocol_name(protocol, self.version)

    def _address(self, match: AddressMatch | GroupReference) -> str:
        """Any, a host, an address with its mask, a prefix, or a group."""
        if isinstance(match, GroupReference):
            return f"object-group {match.name}"
        if match.is_any:
            return "any"
        prefix = match.as_prefix()
        if prefix is not None and prefix.length == WIDTH[match.version]:
            return f"host {prefix.first}"
        if prefix is not None and (match.version == 6 or self.masks != "wildcard"):
            return str(prefix)
        # Of the two forms with a dotted mask only the one that a `show` prints means a wildcard mask always.
        between = " " if self.masks == "wildcard" or match.version == 6 else ", wildcard bits "
        return f"{Address(match.version, match.value)}{between}{Address(match.version, match.free)}"

    def _ports(self, ports: Ranges | GroupReference | None) -> list[str]:
        """Ports as a test, or a group of them."""
        if ports is None:
            return []
        if isinstance(ports, GroupReference):
            return ["portgroup", ports.name]
        return _port_words(ports)

    def _icmp(self, icmp: IcmpMatch | GroupReference) -> str:
        """Type and code by number."""
        if isinstance(icmp, GroupReference):
            raise ValueError(f"the ICMP group `{icmp.name}` cannot be written in a line of a list")
        return str(icmp.type) if icmp.code is None else f"{icmp.type} {icmp.code}"


def _port_words(ports: Ranges) -> list[str]:
    """eq, neq, lt, gt or range."""
    if not ports:
        return ["gt", str(_EACH_PORT)]
    if len(ports.spans) == 1:
        low, high = ports.spans[0]
        return ["eq", str(low)] if low == high else ["range", str(low), str(high)]
    for word, listed in (("eq", ports), ("neq", ports.complement(_EACH_PORT))):
        if all(low == high for low, high in listed.spans):
            return [word, *(str(low) for low, _ in listed.spans)]
    # Neighbouring ports are one range, so a list of single ports can hold ranges of a few.
    for word, listed in (("eq", ports), ("neq", ports.complement(_EACH_PORT))):
        if listed.size <= 256:
            return [word, *(str(port) for low, high in listed.spans for port in range(low, high + 1))]
    raise ValueError(f"the ports `{ports}` cannot be written in one line")


def _flag_words(flags: FlagMatch, doubt: str | None, line: Line) -> list[str]:
    """established, flag words, match-all or match-any."""
    names = {bit: name for name, bit in FLAG_NAMES.items()}
    if flags == ESTABLISHED:
        return ["established"]
    single = [care for care, _ in flags.cubes if care.bit_count() == 1]
    several = len(single) == len(flags.cubes) > 1
    if several and doubt is not None and "flags" in doubt and all(value for _, value in flags.cubes):
        # Whether one or all of these must be set is what the doubt is about, so they stay plain words.
        return [names[care] for care in single]
    if len(flags.cubes) == 1:
        care, value = flags.cubes[0]
        return [
            "match-all",
            *(f"{'+' if value & bit else '-'}{name}" for name, bit in FLAG_NAMES.items() if care & bit),
        ]
    if not flags.cubes:
        raise ValueError(f"flags that match nothing, in line {line.sequence}, cannot be written in one line")
    if several:
        return ["match-any", *(f"{'+' if value else '-'}{names[care]}" for care, value in flags.cubes)]
    common = flags.cubes[0][0]
    for care, _ in flags.cubes:
        common &= care
    rest = FlagMatch.of(*((care & ~common, value & ~common) for care, value in flags.cubes))
    if all(value & common == common for _, value in flags.cubes) and rest == ESTABLISHED:
        return ["established", *(name for name, bit in FLAG_NAMES.items() if common & bit)]
    raise ValueError(f"the TCP flags of line {line.sequence} cannot be written in one line")


def _dscp_words(dscp: Ranges) -> str:
    """Dscp N, precedence N, or a contradiction of both where no value is left."""
    if not dscp:
        return "dscp 0 precedence 7"
    low, high = dscp.spans[0]
    if len(dscp.spans) == 1 and low == high:
        return f"dscp {low}"
    if len(dscp.spans) == 1 and low % 8 == 0 and high == low + 7:
        return f"precedence {low >> 3}"
    raise ValueError(f"the DSCP values `{dscp}` cannot be written in one line")


# --- interfaces ------------------------------------------------------------------------------------------------------


def _interface_lines(interface: Interface, extra: Sequence[str], *, late_vrf: bool) -> Iterator[str]:
    """An interface; the VRF stands in front of the addresses, which it would take away.

    With `late_vrf` it stands among the extra lines; one that ends a VRF needs one in front.
    """
    yield f"interface {interface.name}"
    if interface.description:
        yield f" description {interface.description}"
    if interface.routed:
        yield " no switchport"
    if interface.switch_port is not None:
        yield from _switch_port_lines(interface.switch_port)
    if interface.vlan is not None and interface.kind != "svi":
        yield f" encapsulation dot1q {interface.vlan}{' native' if interface.untagged else ''}"
    if late_vrf and interface.vrf is None:
        yield " vrf forwarding unmodelled"
    elif interface.vrf is not None and not late_vrf:
        yield f" vrf forwarding {interface.vrf}"
    yield from _address_lines(interface)
    yield from _binding_lines(interface)
    if interface.channel_group is not None:
        yield f" channel-group {interface.channel_group} mode active"
    yield from (f" {line}" for line in extra)
    if interface.shutdown:
        yield " shutdown"


def _address_lines(interface: Interface) -> Iterator[str]:
    """Addresses, borrowed ones, and lines that leave the address open."""
    unknown = interface.unknown_address
    has_primary = any(held.address.version == 4 and held.role == "primary" for held in interface.addresses)
    if interface.borrowed is not None and not has_primary:
        yield f" ip unnumbered {interface.borrowed}"
    said = False
    for held in interface.addresses:
        if unknown is not None and held.span == unknown:
            said = True
            yield f" {_unknown_text(unknown)}"
        else:
            yield f" {_address_text(held)}"
    if unknown is not None and not said:
        yield f" {_unknown_text(unknown)}"
    if interface.borrowed is not None and has_primary:
        yield f" ipv6 unnumbered {interface.borrowed}"
    enables = any(held.address.version == 6 and held.role != "virtual" for held in interface.addresses)
    if interface.ipv6_enabled and not enables:
        yield " ipv6 enable"
    if enables and not interface.ipv6_enabled:
        yield " no ipv6 enable"


def _unknown_text(span: Span) -> str:
    """The line that leaves the address open; data says it in the same words."""
    return "ip address dhcp" if span.file.endswith(_DATA_ENDINGS) else span.words


def _address_text(held: InterfaceAddress) -> str:
    """One address."""
    if held.role == "virtual":
        return f"{'ip' if held.address.version == 4 else 'ipv6'} virtual-router address {held.address}/{held.length}"
    if held.address.version == 6:
        return f"ipv6 address {held.address}/{held.length}{' link-local' if held.role == 'link-local' else ''}"
    mask = Address(4, Prefix.containing(held.address, held.length).netmask)
    return f"ip address {held.address} {mask}{' secondary' if held.role == 'secondary' else ''}"


def _binding_lines(interface: Interface) -> Iterator[str]:
    """Lists of an interface; on a switch port the plain form means the port as well."""
    plain: set[tuple[str, str]] = set()
    for bound in interface.bindings:
        key = (bound.family, bound.direction)
        port = bound.port and (interface.switch_port is None or key in plain)
        plain.add(key)
        yield f" {_binding_text(bound, port=port)}"


def _binding_text(bound: ListBinding, *, port: bool) -> str:
    """One list of an interface."""
    if bound.family == "ipv4":
        words = "ip port access-group" if port else "ip access-group"
    else:
        words = "ipv6 port traffic-filter" if port else "ipv6 traffic-filter"
    return f"{words} {bound.list_name} {bound.direction}"


def _switch_port_lines(port: SwitchPort) -> Iterator[str]:
    """What a switch port does with VLANs."""
    lines = []
    if port.mode is not None:
        lines.append(f" switchport mode {'dynamic auto' if port.mode == 'dynamic' else port.mode}")
    if port.access_vlan is not None:
        lines.append(f" switchport access vlan {port.access_vlan}")
    if port.voice_vlan is not None:
        lines.append(f" switchport voice vlan {port.voice_vlan}")
    if port.native is not None:
        lines.append(f" switchport trunk native vlan {port.native}")
    if port.allowed is not None:
        lines.append(f" switchport trunk allowed vlan {port.allowed or 'none'}")
    yield from lines or [" switchport"]


# --- the rest --------------------------------------------------------------------------------------------------------


def _gateway_lines(gateway: DefaultGateway) -> Iterator[str]:
    """The default gateway of a device that does not route."""
    if gateway.vrf is None:
        yield f"ip default-gateway {gateway.address}"
    else:
        yield f"ip default-gateway vrf {gateway.vrf} {gateway.address}"


def _terminal_lines(block: TerminalLines) -> Iterator[str]:
    """A block of terminal lines with the lists that guard it."""
    yield f"line vty {block.first} {block.last}"
    for bound in block.bindings:
        family = "ipv6 access-class" if bound.family == "ipv6" else "access-class"
        yield f" {family} {bound.list_name} {bound.direction}"
    if not block.accepts_sessions:
        yield " transport input none"
