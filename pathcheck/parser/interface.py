"""Interfaces: names and ranges of names, addresses, VRF, state, lists, redundant gateways, switch ports.

A later line wins over an earlier one for what an interface has once; `secondary`
addresses, IPv6 addresses and `allowed vlan add` add up. Whether an interface is a
switch port, which VRF it is in and what an access VLAN's name means is decided
when the whole text is read, since lines may come in any order.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal

from pathcheck.model.access_list import Direction, Family, ListBinding
from pathcheck.model.interface import (
    AddressRole,
    Interface,
    InterfaceAddress,
    SwitchPort,
    canonical_name,
    interface_kind,
)
from pathcheck.model.unmodelled import (
    LATE_VRF,
    DeviceScope,
    InterfaceScope,
    LayerTwoScope,
    OwnScope,
    RouteScope,
    Scope,
)
from pathcheck.packet.address import WIDTH, Address
from pathcheck.packet.prefix import Prefix, netmask_length
from pathcheck.packet.ranges import Ranges
from pathcheck.parser.commands import (
    HANDLED,
    CommandLine,
    Context,
    Enter,
    Handler,
    Mode,
    Result,
    Tables,
    WrongLine,
    ignored,
    modelled,
)
from pathcheck.parser.grammar import (
    ADDRESS,
    ADDRESS6,
    NAME,
    NUMBER,
    PREFIX,
    PREFIX6,
    REST,
    Grammar,
    Match,
    Opt,
    one_word,
    word,
)
from pathcheck.parser.unmodelled import note, through, vlan_numbers
from pathcheck.parser.vlan import Vlans
from pathcheck.results.account import LineClass
from pathcheck.source import Span

__all__ = ["COMMANDS", "MODES", "InterfaceDraft", "Interfaces", "interface_names", "read_binding"]

_EACH_VLAN = Ranges.of((1, 4094))
_MOST_IN_A_RANGE = 4096
_ELSEWHERE_DOUBT = "address from elsewhere"


# --- what is gathered ------------------------------------------------------------------------------------------------


class InterfaceDraft:
    """An interface while the text is read; the fields are those of the model."""

    def __init__(self, name: str, span: Span) -> None:
        self.name = name
        self.span = span
        # A port that is called just so belongs to the VRF of its name (common practice, no source).
        self.vrf: str | None = "mgmt" if name == "mgmt" else None
        self.description = ""
        self.primary: InterfaceAddress | None = None
        self.others: dict[tuple[Address, AddressRole], InterfaceAddress] = {}
        self.bindings: dict[tuple[Family, Direction, bool], ListBinding] = {}
        self.shutdown: Span | None = None
        self.routed = False
        self.switching: dict[str, Span] = {}
        self.mode: Literal["access", "trunk", "dynamic"] | None = None
        self.access_vlan: int | str | None = None
        self.voice_vlan: int | None = None
        self.allowed: Ranges | None = None
        self.native: int | None = None
        self.vlan: int | None = None
        self.untagged = False
        self.channel_group: int | None = None
        self.borrowed: str | None = None
        self.unknown: dict[Family, Span] = {}
        self.ipv6_enabled = False
        self.unknown_lines: list[Span] = []
        self.doubts: list[tuple[str, Span, dict[str, Any]]] = []
        """What, where, and the fields of a RouteScope in the interface's VRF."""

    @property
    def addresses(self) -> list[InterfaceAddress]:
        """All addresses, the primary one first."""
        return [*([self.primary] if self.primary else []), *self.others.values()]

    def forget(self, version: int) -> None:
        """Take away all addresses of one IP version."""
        if version == 4:
            self.primary = None
            self.borrowed = None
        self.settle("ipv4" if version == 4 else "ipv6")
        self.others = {key: value for key, value in self.others.items() if value.address.version != version}

    def settle(self, family: Family) -> None:
        """Forget that addresses of a family come from elsewhere, since a later line says otherwise."""
        self.unknown.pop(family, None)
        self.doubts = [item for item in self.doubts if item[0] != _ELSEWHERE_DOUBT or item[2]["family"] != family]

    def doubt_connected(self, what: str, span: Span, family: Family, within: Prefix | None = None) -> None:
        """Note that the interface may have a connected route that the text does not show."""
        fields: dict[str, Any] = {"family": family, "distance": 0}
        if within is not None:
            fields.update(within=within, exact=True)
        self.doubts.append((what, span, fields))


class Interfaces:
    """All interfaces of a device."""

    def __init__(self) -> None:
        self.drafts: dict[str, InterfaceDraft] = {}

    def open(self, name: str, span: Span) -> InterfaceDraft:
        """Return the interface of a canonical name, a new one where the text has not named it yet."""
        draft = self.drafts.get(name)
        if draft is None:
            draft = self.drafts[name] = InterfaceDraft(name, span)
        return draft

    def finish(self, context: Context) -> dict[str, Interface]:
        """Return the interfaces by name; what depends on the whole text is settled here."""
        return {name: _finish(draft, context) for name, draft in self.drafts.items()}


def _finish(draft: InterfaceDraft, context: Context) -> Interface:
    """Settle what an interface is, now that all its lines are read."""
    for what, span, fields in draft.doubts:
        if draft.shutdown is not None and fields["distance"] == 0:
            continue
        context.add_unmodelled(what, RouteScope(vrf=draft.vrf, **fields), span)
    kind = interface_kind(draft.name)
    addresses = tuple(_with_length(item, draft.addresses) for item in draft.addresses)
    switch_port = None
    if draft.switching and not draft.routed and kind in ("physical", "port-channel"):
        span = next(iter(draft.switching.values()))
        if addresses:
            context.add_unmodelled("an address on a switch port", InterfaceScope(draft.name), span)
        else:
            switch_port = SwitchPort(
                draft.mode,
                _access_vlan(draft, context),
                draft.voice_vlan,
                draft.allowed,
                draft.native,
                tuple(draft.switching.items()),
            )
            for unknown in draft.unknown_lines:
                context.add_unmodelled("unknown line", LayerTwoScope(), unknown)
    number = draft.name[4:]
    return Interface(
        name=draft.name,
        kind=kind,
        vrf=draft.vrf,
        description=draft.description,
        addresses=addresses,
        bindings=tuple(
            replace(binding, port=True) if switch_port is not None else binding for binding in draft.bindings.values()
        ),
        shutdown=draft.shutdown is not None,
        switch_port=switch_port,
        routed=draft.routed,
        vlan=int(number) if draft.name.startswith("Vlan") and number.isdecimal() else draft.vlan,
        untagged=draft.untagged,
        channel_group=draft.channel_group,
        borrowed=draft.borrowed,
        unknown_address=draft.unknown.get("ipv4") or draft.unknown.get("ipv6"),
        ipv6_enabled=draft.ipv6_enabled,
        shutdown_span=draft.shutdown,
        span=draft.span,
    )


def _with_length(item: InterfaceAddress, among: Sequence[InterfaceAddress]) -> InterfaceAddress:
    """Give a redundant gateway's address, written without a length, that of the subnet that holds it."""
    if item.role != "virtual" or item.length != WIDTH[item.address.version]:
        return item
    lengths = [
        other.length for other in among if other.role not in ("virtual", "link-local") and item.address in other.prefix
    ]
    return replace(item, length=max(lengths)) if lengths else item


def _access_vlan(draft: InterfaceDraft, context: Context) -> int | None:
    """Return the access VLAN's number, also where the text gives its name."""
    if not isinstance(draft.access_vlan, str):
        return draft.access_vlan
    number = context.part(Vlans).named(draft.access_vlan)
    if number is None:
        context.add_unmodelled(
            f"access VLAN `{draft.access_vlan}`, which no VLAN is named", LayerTwoScope(), draft.switching["access"]
        )
    return number


# --- headers ---------------------------------------------------------------------------------------------------------

_PART = re.compile(
    r"(?P<type>[A-Za-z](?:[A-Za-z-]*[A-Za-z])?)? ?(?P<first>\d[\d/.:]*)"
    r"(?: ?- ?(?:(?P<last_type>[A-Za-z](?:[A-Za-z-]*[A-Za-z])?) ?)?(?P<last>\d[\d/.:]*))?"
)
_HEADER_OPTIONS = frozenset({"point-to-point", "multipoint", "multi-chassis", "static", "module"})


def interface_names(text: str) -> list[str] | None:
    """Return the canonical names that a name or a range of names stands for, None where it is neither.

    Examples
    --------
    >>> interface_names("gi0/1 - 3, fa0/1")
    ['GigabitEthernet0/1', 'GigabitEthernet0/2', 'GigabitEthernet0/3', 'FastEthernet0/1']
    >>> interface_names("Vlan 20")
    ['Vlan20']
    """
    names: list[str] = []
    type_word = ""
    for part in text.split(","):
        found = _PART.fullmatch(" ".join(part.split()))
        if found is None:
            return None
        type_word = found["type"] or ("" if "/" in found["first"] and not type_word else type_word)
        last_type = found["last_type"]
        if last_type and canonical_name(last_type + "0") != canonical_name(type_word + "0"):
            return None
        stem, first = _cut_number(found["first"])
        last_stem, last = _cut_number(found["last"]) if found["last"] else (stem, first)
        if last_stem not in ("", stem) or last < first or last - first >= _MOST_IN_A_RANGE:
            return None
        names += [canonical_name(f"{type_word}{stem}{number}") for number in range(first, last + 1)]
        if len(names) > _MOST_IN_A_RANGE:
            return None
    return names


def _cut_number(text: str) -> tuple[str, int]:
    """Return a name's number without its last part, and that part; a part that is no number counts as -1."""
    digits = re.search(r"\d{1,9}$", text)
    return (text[: digits.start()], int(digits[0])) if digits else (text, -1)


def _read_header(context: Context, line: CommandLine) -> Result:
    """interface [range | preconfigure] NAME [option], no interface NAME, default interface NAME"""
    words = line.tail
    start = line.start
    if len(words) > 1 and (words[0].lower() in ("ra", "ran", "rang", "range", "preconfigure")):
        words, start = words[1:], start + 1
    options = []
    while len(words) > 1 and words[-1].lower() in (*_HEADER_OPTIONS, "l2transport"):
        options.append(words[-1].lower())
        words = words[:-1]
    if not words:
        raise line.wrong(start, "the name of an interface")
    text = " ".join(words)
    names = interface_names(text)
    if names is None:
        if len(words) > 2 or not re.fullmatch(r"[A-Za-z][\w/.:-]*", text.replace(" ", "")) or words[0] == "macro":
            raise line.wrong(start, "the name of an interface", scope=DeviceScope())
        names = [canonical_name(text.replace(" ", ""))]
    interfaces = context.part(Interfaces)
    if line.negated:
        known = [name for name in names if interfaces.drafts.pop(name, None)]
        if line.words[0].lower() == "no":
            if not known:
                context.report("PC408", f"no interface `{names[0]}` stands before this line", line.span)
            return None
    drafts = tuple(interfaces.open(name, line.span) for name in names)
    if "l2transport" in options:
        note(context, line, "layer 2 over other networks", LayerTwoScope())
    return Enter("interface", drafts)


# --- addresses -------------------------------------------------------------------------------------------------------

_ELSEWHERE = word("dhcp", "dh")("elsewhere") | word("negotiated", "neg")("elsewhere") | word("pool")("elsewhere")
_EXTRA = Opt((word("tag") | word("route-tag"))("tag") + NUMBER("tag_number")) + Opt(word("track") + REST("track"))
_MASK = one_word(("<address>",), "a netmask")
_IP_ADDRESS = Grammar(
    lambda: (
        (_ELSEWHERE + Opt(REST("more")))
        | (word("virtual")("virtual") - (PREFIX("prefix") | ADDRESS("address") + ADDRESS("mask")) + Opt(_secondary()))
        | ((PREFIX("prefix") | ADDRESS("address") - _MASK("mask")) + Opt(_secondary()) + _EXTRA)
    ).set_name("an address with a netmask or a length"),
    known=("dhcp", "negotiated", "secondary", "virtual"),
)
_IPV6_ADDRESS = Grammar(
    lambda: (
        (word("dhcp")("elsewhere") + Opt(REST("more")))
        | ((word("autoconfig", "auto") | word("auto-config"))("elsewhere") + Opt(REST("more")))
        | word("use-link-local-only")("enable")
        | (word("virtual")("virtual") - PREFIX6("prefix"))
        | (word("link-local")("link_local") - (PREFIX6("prefix") | ADDRESS6("address")))
        | (ADDRESS6("address") - word("link-local", "link")("link_local"))
        | (
            PREFIX6("prefix")
            + Opt(
                word("eui-64", "eui")("eui")
                | word("anycast", "any")("anycast")
                | word("link-local", "link")("link_local")
                | _secondary()
            )
            + _EXTRA
        )
        | (NAME("general") + PREFIX6("part") + Opt(word("eui-64", "eui")))
    ).set_name("an IPv6 address with a length"),
    known=("autoconfig", "dhcp", "eui-64", "link-local", "anycast"),
)


def _secondary() -> Any:
    """secondary"""
    return word("secondary", "sec")("secondary")


def _dotted(match: Match) -> tuple[Address, int]:
    """ADDRESS MASK | ADDRESS/LENGTH, with a mask that an interface can have."""
    line = match.line
    if match.has("prefix"):
        found = match.address_and_length("prefix")
        index = match.index("prefix")
        assert found is not None
        assert index is not None
        address, length = found
    else:
        index = match.index("address")
        mask_index = match.index("mask")
        assert index is not None
        assert mask_index is not None
        address = line.address_at(index)
        mask = line.address_at(mask_index)
        found_length = netmask_length(mask)
        if found_length is None:
            inverse = Address(4, mask.value ^ 0xFFFFFFFF)
            cure = f"did you mean `{inverse}`?" if netmask_length(inverse) is not None else None
            raise line.wrong_value(mask_index, f"`{mask}` is no netmask: its ones do not stand together", help=cure)
        length = found_length
    if length == 0:
        raise line.wrong_value(index, "an interface cannot have a prefix length of 0")
    if address in Prefix.containing(address, length).reserved_addresses():
        which = "network" if address == Prefix.containing(address, length).first else "broadcast"
        message = f"`{address}` is the {which} address of its subnet, which no station can have"
        prefix = Prefix.containing(address, length)
        inside = f"`{Address(4, prefix.first.value + 1)}` to `{Address(4, prefix.last.value - 1)}`"
        raise line.wrong_value(index, message, help=f"stations of `{prefix}` have {inside}", code="PC304")
    if address.version == 4 and (address.value >> 28 == 14 or address.value >> 24 in (0, 127)):
        raise line.wrong_value(index, f"`{address}` cannot be the address of an interface")
    return address, length


def _read_ip_address(context: Context, line: CommandLine) -> Result:
    """[no] ip address ..."""
    drafts: tuple[InterfaceDraft, ...] = line.subject or ()
    if line.negated and not line.tail:
        for draft in drafts:
            draft.forget(4)
        return None
    try:
        match = _IP_ADDRESS.read(line)
        if match.has("elsewhere"):
            return _from_elsewhere(context, line, "ipv4")
        address, length = _dotted(match)
    except WrongLine as fault:
        if not line.negated:
            _lose_address(context, line, "ipv4")
            fault.scope = HANDLED
        raise
    role: AddressRole = "virtual" if match.has("virtual") else "secondary" if match.has("secondary") else "primary"
    item = InterfaceAddress(address, length, role, span=line.span)
    for draft in drafts:
        if line.negated:
            _remove_address(context, draft, item, line)
        elif role == "primary":
            draft.primary = item
            draft.borrowed = None
            draft.settle("ipv4")
        else:
            draft.others[address, role] = item
    return None


def _remove_address(context: Context, draft: InterfaceDraft, item: InterfaceAddress, line: CommandLine) -> None:
    """No ip address A M [secondary]: take that address away."""
    if draft.primary == item:
        draft.primary = None
    elif draft.others.pop((item.address, item.role), None) is None:
        context.report("PC408", f"`{draft.name}` has no such address before this line", line.span)


def _lose_address(context: Context, line: CommandLine, family: Family) -> None:
    """Note what a wrong address line leaves open: the interface has an address that is not known."""
    readable = None
    for text in line.tail:
        try:
            readable = Address.parse(text.partition("/")[0])
            break
        except ValueError:
            continue
    for draft in line.subject or ():
        what = "line that could not be read"
        draft.doubt_connected(what, line.span, family)
        draft.unknown[family] = line.span
        context.add_unmodelled(what, InterfaceScope(draft.name), line.span)
        if family == "ipv6":
            draft.ipv6_enabled = True
        # Neighbours that use the address as next hop still mean this device.
        if readable is not None:
            item = InterfaceAddress(readable, WIDTH[readable.version], "primary", span=line.span)
            if family == "ipv4" and "sec" not in line.words[-1].lower():
                draft.primary = item
            else:
                draft.others[readable, "primary" if family == "ipv6" else "secondary"] = replace(
                    item, role="primary" if family == "ipv6" else "secondary"
                )


def _from_elsewhere(context: Context, line: CommandLine, family: Family) -> Result:
    """Ip address dhcp and the like: the address, and routes with it, come from somebody else."""
    if line.negated:
        for draft in line.subject or ():
            draft.settle(family)
        return None
    for draft in line.subject or ():
        if family == "ipv4":
            draft.primary = None
        else:
            draft.ipv6_enabled = True
        draft.unknown[family] = line.span
        draft.doubt_connected(_ELSEWHERE_DOUBT, line.span, family)
    context.report("PC412", "the address of the interface comes from elsewhere", line.span)
    return LineClass.UNMODELLED


def _read_ipv6_address(context: Context, line: CommandLine) -> Result:
    """[no] ipv6 address ..."""
    drafts: tuple[InterfaceDraft, ...] = line.subject or ()
    if line.negated and not line.tail:
        for draft in drafts:
            draft.forget(6)
        return None
    try:
        match = _IPV6_ADDRESS.read(line)
        if match.has("elsewhere"):
            return _from_elsewhere(context, line, "ipv6")
        found = match.address_and_length("prefix")
        if found is None and match.has("address"):
            address = match.address("address")
            assert address is not None
            found = address, 64
    except WrongLine as fault:
        if not line.negated:
            _lose_address(context, line, "ipv6")
            fault.scope = HANDLED
        raise
    for draft in drafts:
        draft.ipv6_enabled = draft.ipv6_enabled or not line.negated
    if found is None and not match.has("general"):
        return None
    if match.has("general") or match.has("eui"):
        if line.negated:
            return None
        within = Prefix.containing(*found) if found is not None else None
        for draft in drafts:
            draft.doubt_connected("an address whose parts come from elsewhere", line.span, "ipv6", within)
            if within is None:
                draft.unknown["ipv6"] = line.span
        context.report("PC412", "an address whose parts come from elsewhere is not modelled", line.span)
        return LineClass.UNMODELLED
    assert found is not None
    role: AddressRole = "link-local" if match.has("link_local") else "virtual" if match.has("virtual") else "primary"
    if found[0].value >> 118 == 0x3FA and role == "primary":
        role = "link-local"
    item = InterfaceAddress(found[0], found[1], role, span=line.span)
    for draft in drafts:
        if line.negated:
            _remove_address(context, draft, item, line)
            continue
        if role == "link-local":
            draft.others = {key: value for key, value in draft.others.items() if key[1] != "link-local"}
        draft.others[found[0], role] = item
    return None


def _read_unnumbered(_context: Context, line: CommandLine) -> Result:
    """[no] {ip | ipv4 | ipv6} unnumbered IF"""
    names = interface_names(" ".join(line.tail))
    if not line.negated and (not names or len(names) != 1):
        raise line.wrong(line.start, "the interface whose address is used")
    for draft in line.subject or ():
        draft.borrowed = None if line.negated or not names else names[0]
        if line.words[0].lower() == "ipv6":
            draft.ipv6_enabled = not line.negated
        elif not line.negated:
            draft.primary = None
    return None


def _read_dhcp_here(context: Context, line: CommandLine) -> Result:
    """Ip dhcp, alone, on a management port: an address by DHCP. With more words it is about relays and snooping."""
    return LineClass.IGNORED if line.tail else _from_elsewhere(context, line, "ipv4")


def _read_ipv6_enable(_context: Context, line: CommandLine) -> Result:
    """[no] ipv6 enable"""
    for draft in line.subject or ():
        draft.ipv6_enabled = not line.negated
    return None


# --- redundant gateways ----------------------------------------------------------------------------------------------


def _read_virtual(context: Context, line: CommandLine) -> Result:
    """... {A | A/N | A M} [secondary | mac M | ...]: an address that several devices own together."""
    words = line.tail
    if words and words[0].lower() in ("link-local", "primary", "secondary") and len(words) > 1:
        line.start += 1
        words = words[1:]
    if words and words[0].lower() == "mac":
        return LineClass.IGNORED
    if not words and line.words[0].lower() == "hsrp" and len(line.words) == 3:
        return _open_group(context, line)
    if not words or words[0].lower() == "autoconfig":
        if line.negated:
            return None
        return note(context, line, "a gateway address that is learned", through("in")(context, line))
    text, slash, length_text = words[0].partition("/")
    try:
        address = Address.parse(text)
    except ValueError as fault:
        raise line.wrong_value(line.start, str(fault), scope=through()(context, line)) from None
    width = WIDTH[address.version]
    length = width
    if slash:
        if not (length_text.isascii() and length_text.isdecimal() and 0 < int(length_text[:4]) <= width):
            raise line.wrong(line.start, f"a prefix length up to {width}", scope=through()(context, line))
        length = int(length_text)
    elif len(words) > 1 and words[1][:1].isdigit() and address.version == 4 and words[1].count(".") == 3:
        length = netmask_length(line.address_at(line.start + 1)) or width
    item = InterfaceAddress(address, length, "virtual", span=line.span)
    for draft in line.subject or ():
        if line.negated:
            draft.others.pop((address, "virtual"), None)
        else:
            draft.others[address, "virtual"] = item
    return None


def _open_group(_context: Context, line: CommandLine) -> Result:
    """vrrp N [address-family F], hsrp N: a block about one redundant gateway."""
    return LineClass.IGNORED if line.negated else Enter("redundant gateway", line.subject)


def _open_group_or_ignore(context: Context, line: CommandLine) -> Result:
    """vrrp N WORD ...: an option of a redundant gateway, or the header of a block."""
    if not line.tail or line.tail[0].lower() in ("address-family", "ipv4", "ipv6"):
        return _open_group(context, line)
    return LineClass.IGNORED


def _open_gateways(_context: Context, line: CommandLine) -> Result:
    """router {hsrp | vrrp}: a block about redundant gateways, interface by interface"""
    return LineClass.IGNORED if line.negated else Enter("redundant gateways")


def _gateway_interface(context: Context, line: CommandLine) -> Result:
    """interface NAME, inside router hsrp or router vrrp"""
    names = interface_names(" ".join(line.tail))
    if not names or len(names) > 1:
        raise line.wrong(line.start, "the name of an interface", scope=DeviceScope())
    return Enter("redundant gateway", (context.part(Interfaces).open(names[0], line.span),))


# --- state, VRF and the like -----------------------------------------------------------------------------------------


def _read_description(_context: Context, line: CommandLine) -> Result:
    """[no] description TEXT"""
    text = "" if line.negated else line.text_from(line.start)
    for draft in line.subject or ():
        draft.description = text
    return None


def _read_shutdown(_context: Context, line: CommandLine) -> Result:
    """[no] shutdown"""
    if line.tail and line.words[line.start - 1].lower() == "sh":
        return LineClass.IGNORED  # `sh run` asks to show something, from a prompt outside of any block
    if line.tail and line.tail[0].lower() != "force":
        raise line.wrong(line.start, "the end of the line")
    for draft in line.subject or ():
        draft.shutdown = None if line.negated else line.span
    return None


def _read_vrf(context: Context, line: CommandLine) -> Result:
    """vrf {forwarding | member | attach} NAME, vrf NAME"""
    if line.negated:
        name = None
    elif not line.tail:
        raise line.wrong(line.start, "the name of a VRF")
    else:
        name = None if line.tail[0].lower() == "default" else line.tail[0]
        if len(line.tail) > 1 and line.tail[1].lower() != "downstream":
            raise line.wrong(line.start + 1, "the end of the line")
    for draft in line.subject or ():
        lost = [item for item in draft.addresses if item.role != "link-local"]
        if lost and draft.vrf != name:
            # Most devices take the addresses away when an interface changes its VRF; some keep them.
            message = f"this line takes the addresses of `{draft.name}` away that stand before it"
            cure = "put the VRF line in front of the addresses"
            context.report("PC414", message, line.span, because=tuple(item.span for item in lost), help=cure)
            scopes: list[Scope] = [InterfaceScope(draft.name), OwnScope()]
            context.add_unmodelled(LATE_VRF, scopes, line.span)
        draft.vrf = name
    return None


def _read_channel(_context: Context, line: CommandLine) -> Result:
    """channel-group N [mode M], lag N, bundle id N [mode M]"""
    number = None if line.negated else line.number_at(line.start, 0, 65535, "the number of a port channel")
    for draft in line.subject or ():
        draft.channel_group = number
    return None


_ENCAPSULATION = Grammar(
    lambda: (
        Opt(word("vlan"))
        + NUMBER("vlan")
        + Opt(word("native", "nat")("native"))
        + Opt(word("exact"))
        + Opt((word("second-dot1q") | word("inner"))("second") + REST("rest"))
    ),
    known=("native", "second-dot1q"),
)


def _read_encapsulation(context: Context, line: CommandLine) -> Result:
    """encapsulation dot1q [vlan] N [native]"""
    if line.negated:
        for draft in line.subject or ():
            draft.vlan, draft.untagged = None, False
        return None
    match = _ENCAPSULATION.read(line)
    number = match.number("vlan", 1, 4094, "a VLAN, 1 to 4094")
    for draft in line.subject or ():
        draft.vlan, draft.untagged = number, match.has("native")
    if match.has("second"):
        return note(context, line, "tags in other tags", LayerTwoScope())
    return None


def _read_autostate(context: Context, line: CommandLine) -> Result:
    """No autostate: the SVI is up without a port."""
    if not line.negated:
        return LineClass.IGNORED
    scopes = [
        LayerTwoScope(int(draft.name[4:]) if draft.name.startswith("Vlan") and draft.name[4:].isdecimal() else None)
        for draft in line.subject or ()
    ]
    return note(context, line, "an SVI that is up without a port", scopes)


# --- lists -----------------------------------------------------------------------------------------------------------

_DIRECTIONS: dict[str, Direction] = {
    "in": "in",
    "out": "out",
    "ingress": "in",
    "egress": "out",
    "input": "in",
    "output": "out",
    "routed-in": "in",
    "routed-out": "out",
    "inbound": "in",
    "outbound": "out",
}


def read_binding(line: CommandLine, family: Family, *, port: bool = False) -> ListBinding:
    """NAME {in | out | ingress | egress} [options], from the word behind the head.

    Raises
    ------
    WrongLine
        Where the direction is missing or no direction.
    """
    words = line.tail
    if not words:
        raise line.wrong(line.start, "the name of an access list")
    if len(words) < 2 or words[1].lower() not in _DIRECTIONS:
        raise line.wrong(line.start + 1, "`in` or `out`", known=tuple(_DIRECTIONS))
    for index, option in enumerate(words[2:], start=line.start + 2):
        if option.lower() not in (
            "hardware-count",
            "interface-statistics",
            "compress",
            "level",
            "vrf-also",
            "0",
            "1",
            "2",
            "3",
        ):
            raise line.wrong(index, "the end of the line")
    return ListBinding(words[0], family, _DIRECTIONS[words[1].lower()], port, span=line.span)


def _list_on_interface(family: Family, *, port: bool = False) -> Handler:
    """Return the handler of a line that applies a list to an interface."""

    def handler(context: Context, line: CommandLine) -> Result:
        drafts: tuple[InterfaceDraft, ...] = line.subject or ()
        if line.negated:
            _unbind(context, line, drafts, family, port)
            return None
        binding = read_binding(line, family, port=port)
        for draft in drafts:
            draft.bindings[family, binding.direction, port] = binding
        return None

    return handler


def _unbind(context: Context, line: CommandLine, drafts: Sequence[InterfaceDraft], family: Family, port: bool) -> None:
    """No ip access-group [NAME] [in | out]"""
    words = [word.lower() for word in line.tail]
    directions = [_DIRECTIONS[word] for word in words if word in _DIRECTIONS] or ["in", "out"]
    for draft in drafts:
        gone = [draft.bindings.pop((family, direction, port), None) for direction in directions]
        if not any(gone):
            context.report("PC408", f"no list is applied to `{draft.name}` before this line", line.span)


# --- switch ports ----------------------------------------------------------------------------------------------------

_MODES: tuple[tuple[str, Literal["access", "trunk", "dynamic"]], ...] = (
    ("access", "access"),
    ("trunk", "trunk"),
    ("dynamic", "dynamic"),
)


def _each_switching(line: CommandLine, what: str) -> Sequence[InterfaceDraft]:
    """Return the interfaces of a switch-port line, with the line noted as their latest on that."""
    drafts: tuple[InterfaceDraft, ...] = line.subject or ()
    for draft in drafts:
        draft.switching.pop(what, None)
        draft.switching[what] = line.span
    return drafts


def _read_switchport(context: Context, line: CommandLine) -> Result:
    """[no] switchport, alone"""
    if line.tail:
        message = f"unknown line: `{line.tail[0][:60]}` is not known behind `switchport`"
        context.report("PC402", message, line.span_of(line.start))
        context.add_unmodelled("unknown line", LayerTwoScope(), line.span)
        return LineClass.UNKNOWN
    for draft in line.subject or ():
        draft.routed = line.negated
        if not line.negated:
            draft.switching["switchport"] = line.span
    return None


def _read_routing(_context: Context, line: CommandLine) -> Result:
    """[no] routing: the turned-round form of `no switchport`"""
    for draft in line.subject or ():
        draft.routed = not line.negated
        if line.negated:
            draft.switching["switchport"] = line.span
    return None


def _read_mode(context: Context, line: CommandLine) -> Result:
    """switchport mode {access | trunk | dynamic ...}"""
    if line.negated:
        for draft in line.subject or ():
            draft.mode = None
            draft.switching.pop("mode", None)
        return None
    if not line.tail:
        raise line.wrong(line.start, "`access`, `trunk` or `dynamic`")
    given = line.tail[0].lower()
    for name, mode in _MODES:
        if name.startswith(given):
            for draft in _each_switching(line, "mode"):
                draft.mode = mode
            return None
    if given.startswith(("dot1q", "private", "fex", "mon", "tap", "tool", "edge", "mac", "hybrid")):
        return note(context, line, f"the port mode `{given}`", LayerTwoScope())
    raise line.wrong(line.start, "`access`, `trunk` or `dynamic`", known=[name for name, _ in _MODES])


def _vlan_at(line: CommandLine) -> int:
    """A VLAN's number behind the head."""
    return line.number_at(line.start, 1, 4094, "a VLAN, 1 to 4094")


def _read_access(context: Context, line: CommandLine) -> Result:
    """switchport access vlan {N | NAME | dynamic}"""
    if line.negated:
        for draft in line.subject or ():
            draft.access_vlan = None
            draft.switching.pop("access", None)
        return None
    words = line.tail
    if words and words[0].lower() == "dynamic":
        return note(context, line, "an access VLAN that is given by a server", LayerTwoScope())
    if words and words[0].lower() == "name" and len(words) > 1:
        words = words[1:]
    value: int | str
    value = words[0] if words and not words[0][0].isdigit() and words[0].isprintable() else _vlan_at(line)
    for draft in _each_switching(line, "access"):
        draft.access_vlan = value
    return None


def _read_turned_access(context: Context, line: CommandLine) -> Result:
    """vlan access N: the turned-round form, which says the mode too"""
    result = _read_access(context, line)
    for draft in line.subject or ():
        draft.mode = None if line.negated else "access"
        draft.routed = False
    return result


def _read_allowed(_context: Context, line: CommandLine) -> Result:
    """switchport trunk allowed vlan {LIST | add LIST | remove LIST | except LIST | none | all}"""
    if line.negated:
        for draft in line.subject or ():
            draft.allowed = None
            draft.switching.pop("allowed", None)
        return None
    words = [word.lower() for word in line.tail]
    if not words:
        raise line.wrong(line.start, "a list of VLANs")
    how = words[0] if words[0] in ("add", "remove", "except", "none", "all") else ""
    if how in ("none", "all") and len(words) > 1:
        raise line.wrong(line.start + 1, "the end of the line")
    listed = None
    if how not in ("none", "all"):
        listed = vlan_numbers("".join(words[1:] if how else words))
        if listed is None:
            raise line.wrong(line.start + bool(how), "a list of VLANs, as `10,20,30-39`")
    for draft in _each_switching(line, "allowed"):
        draft.allowed = _allowed(draft.allowed, how, listed)
    return None


def _allowed(before: Ranges | None, how: str, listed: Ranges | None) -> Ranges | None:
    """Return the VLANs that a trunk carries after a line; None for all."""
    if how == "all":
        return None
    if how == "none" or listed is None:
        return Ranges.of()
    if how == "except":
        return _EACH_VLAN & listed.complement(4094)
    if how == "add":
        return None if before is None else before | listed
    if how == "remove":
        return (before or _EACH_VLAN if before is None else before) & listed.complement(4094)
    return listed


def _read_turned_allowed(context: Context, line: CommandLine) -> Result:
    """vlan trunk allowed {LIST | all}: such lines add up, and say the mode too"""
    for draft in line.subject or ():
        draft.routed = False
        draft.mode = None if line.negated else "trunk"
    if line.tail and line.tail[0][0].isdigit() and not line.negated:
        listed = vlan_numbers("".join(line.tail))
        if listed is None:
            raise line.wrong(line.start, "a list of VLANs, as `10,20,30-39`")
        for draft in line.subject or ():
            before = draft.allowed if "allowed" in draft.switching else Ranges.of()
            draft.switching["allowed"] = line.span
            draft.allowed = None if before is None else before | listed
        return None
    return _read_allowed(context, line)


def _read_native(context: Context, line: CommandLine) -> Result:
    """switchport trunk native vlan {N | tag}"""
    if line.negated:
        for draft in line.subject or ():
            draft.native = None
            draft.switching.pop("native", None)
        return None
    if line.tail and line.tail[0].lower() == "tag":
        return note(context, line, "tagged native VLAN", LayerTwoScope())
    number = _vlan_at(line)
    for draft in _each_switching(line, "native"):
        draft.native = number
    if len(line.tail) > 1:
        if line.tail[1].lower() == "tag":
            return note(context, line, "tagged native VLAN", LayerTwoScope(number))
        raise line.wrong(line.start + 1, "the end of the line")
    return None


def _read_turned_native(context: Context, line: CommandLine) -> Result:
    """vlan trunk native N [tag]: the turned-round form, which says the mode too"""
    for draft in line.subject or ():
        draft.routed = False
        draft.mode = None if line.negated else "trunk"
        if "allowed" not in draft.switching:
            draft.allowed = None
    return _read_native(context, line)


def _read_voice(_context: Context, line: CommandLine) -> Result:
    """switchport voice vlan {N | dot1p | none | untagged}"""
    number = None
    if not line.negated and line.tail and line.tail[0].lower() not in ("dot1p", "none", "untagged", "detect", "name"):
        number = _vlan_at(line)
    for draft in _each_switching(line, "voice") if number else line.subject or ():
        draft.voice_vlan = number
    return None


def _read_host(_context: Context, line: CommandLine) -> Result:
    """Switchport host: a short word for an access port."""
    for draft in _each_switching(line, "mode"):
        draft.mode = "access"
    return None


def _read_trunk_group(_context: Context, _line: CommandLine) -> Result:
    """Switchport trunk group NAME: which VLANs it limits is known from the VLANs, so nothing is kept here."""
    return None


# --- tables ----------------------------------------------------------------------------------------------------------


def _unknown(context: Context, line: CommandLine) -> object:
    """Return what an unknown line in an interface's block can touch; on a switch port that is layer 2 too."""
    for draft in line.subject or ():
        draft.unknown_lines.append(line.span)
    return through()(context, line)


def _layer2(_context: Context, line: CommandLine) -> Sequence[Scope]:
    """Return what a wrong line on a switch port can touch: VLANs, and what stands on the port."""
    return [LayerTwoScope(), *(InterfaceScope(draft.name) for draft in line.subject or ())]


def _list_touch(context: Context, line: CommandLine) -> object:
    """Return what a wrong line that applies a list can touch."""
    return through(may_only_drop=True)(context, line)


MODES = (
    Mode("interface", unknown=_unknown),
    Mode("redundant gateway", unknown=through()),
    Mode("redundant gateways", unknown=DeviceScope()),
)

COMMANDS: Tables = {
    "top": (
        modelled("int|erface", _read_header, touches=DeviceScope(), opens="interface"),
        modelled("router hsrp", _open_gateways),
        modelled("router vrrp", _open_gateways),
    ),
    "redundant gateways": (
        modelled("interface", _gateway_interface, opens="unmodelled block"),
        ignored("message", "logging", "bfd"),
    ),
    "interface": (
        modelled("description", _read_description),
        modelled("sh|utdown", _read_shutdown),
        modelled("ip address", _read_ip_address),
        modelled("ipv4 address", _read_ip_address),
        modelled("ip static", _read_ip_address),
        modelled("ip dhcp", _read_dhcp_here),
        modelled("ipv6 address", _read_ipv6_address),
        modelled("ipv6 link-local", _read_ipv6_address),
        modelled("ipv6 enable", _read_ipv6_enable),
        modelled("ip unnumbered", _read_unnumbered, touches=through()),
        modelled("ipv4 unnumbered", _read_unnumbered, touches=through()),
        modelled("ipv6 unnumbered", _read_unnumbered, touches=through()),
        modelled("vrf", _read_vrf, touches=DeviceScope()),
        modelled("vrf forwarding", _read_vrf, touches=DeviceScope()),
        modelled("vrf member", _read_vrf, touches=DeviceScope()),
        modelled("vrf attach", _read_vrf, touches=DeviceScope()),
        modelled("ip vrf forwarding", _read_vrf, touches=DeviceScope()),
        modelled("ip vrf", _read_vrf, touches=DeviceScope()),
        modelled("channel-group", _read_channel, touches=_layer2),
        modelled("lag", _read_channel, touches=_layer2),
        modelled("bundle id", _read_channel, touches=_layer2),
        modelled("encap|sulation dot1q", _read_encapsulation, touches=through()),
        modelled("encapsulation isl", _read_encapsulation, touches=through()),
        modelled("autostate", _read_autostate),
        # --- lists ---
        modelled("ip access-group", _list_on_interface("ipv4"), touches=_list_touch),
        modelled("ipv4 access-group", _list_on_interface("ipv4"), touches=_list_touch),
        modelled("ip port access-group", _list_on_interface("ipv4", port=True), touches=_list_touch),
        modelled("apply access-list ip", _list_on_interface("ipv4"), touches=_list_touch),
        modelled("ipv6 traffic-filter", _list_on_interface("ipv6"), touches=_list_touch),
        modelled("ipv6 access-group", _list_on_interface("ipv6"), touches=_list_touch),
        modelled("ipv6 port traffic-filter", _list_on_interface("ipv6", port=True), touches=_list_touch),
        modelled("apply access-list ipv6", _list_on_interface("ipv6"), touches=_list_touch),
        # --- redundant gateways; who answers for them does not matter, since several owners are all followed ---
        *(
            modelled(f"{protocol}{number} {family}", _read_virtual, touches=through())
            for protocol in ("standby", "vrrp", "glbp", "hsrp")
            for number in ("", " <number>")
            for family in ("ip", "ipv4", "ipv6")
        ),
        ignored("standby", "vrrp", "glbp", "hsrp", "standby <number>", "glbp <number>", "ip vrrp", "vrrp version"),
        modelled("vrrp <number>", _open_group_or_ignore),
        modelled("hsrp <number>", _open_group_or_ignore),
        modelled("vrrp <number> address-family", _open_group),
        modelled("ip virtual-router address", _read_virtual, touches=through()),
        modelled("ipv6 virtual-router address", _read_virtual, touches=through()),
        modelled("active-gateway ip", _read_virtual, touches=through()),
        modelled("active-gateway ipv6", _read_virtual, touches=through()),
        modelled("vip", _read_virtual, touches=through()),
        ignored("active-gateway", "ip virtual-router", "ipv6 virtual-router"),
        # --- switch ports ---
        modelled("sw|itchport", _read_switchport, touches=_layer2),
        modelled("routing", _read_routing),
        modelled("switchport mode", _read_mode, touches=_layer2),
        modelled("switchport access vlan", _read_access, touches=_layer2),
        modelled("switchport trunk allowed vlan", _read_allowed, touches=_layer2),
        modelled("switchport trunk native vlan", _read_native, touches=_layer2),
        modelled("switchport trunk group", _read_trunk_group),
        modelled("switchport voice vlan", _read_voice, touches=_layer2),
        modelled("switchport phone vlan", _read_voice, touches=_layer2),
        modelled("switchport host", _read_host),
        modelled("vlan access", _read_turned_access, touches=_layer2),
        modelled("vlan trunk allowed", _read_turned_allowed, touches=_layer2),
        modelled("vlan trunk native", _read_turned_native, touches=_layer2),
    ),
    "redundant gateway": (
        modelled("address", _read_virtual, touches=through()),
        modelled("ip", _read_virtual, touches=through()),
        modelled("ipv4", _read_virtual, touches=through()),
        modelled("ipv6", _read_virtual, touches=through()),
        modelled("vip", _read_virtual, touches=through()),
        modelled("virtual-ip", _read_virtual, touches=through()),
        modelled("hsrp <number> ipv4", _read_virtual, touches=through()),
        modelled("vrrp <number> ipv4", _read_virtual, touches=through()),
        modelled("hsrp ipv4", _read_virtual, touches=through()),
        ignored(
            "hsrp",
            "vrrp",
            "address-family",
            "hsrp <number>",
            "vrrp <number>",
            "priority",
            "preempt",
            "timers",
            "track",
            "authentication",
            "name",
            "description",
            "shutdown",
            "version",
            "match-address",
            "vrrpv2",
            "advertise",
            "mac-address",
            "object-track",
            "delay",
            "accept-mode",
            "follow",
            "bfd",
            "session",
            "vrrs",
        ),
    ),
}  # fmt: skip
