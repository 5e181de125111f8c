"""Groups of addresses, ports, services, protocols and ICMP types.

A group's address with a dotted mask is the best-hidden trap of all: in a
`network` group the mask is a netmask although the lists of the same device take
wildcard masks. The numbers decide where they can; where they cannot, the
member is kept as one that could not be read, and lines with the group are uncertain.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Literal

from pathcheck.model.object_group import GroupKind, GroupMember, GroupReference, ObjectGroup, ServiceMatch
from pathcheck.model.unmodelled import DeviceScope, NoScope, Scope
from pathcheck.packet.address import Address
from pathcheck.packet.icmp import ICMP_NAMES, icmp_match
from pathcheck.packet.port import PORT_NAMES
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import ICMP, ICMPV6, PROTOCOL_NAMES, TCP, UDP, has_ports, protocol_number
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.parser.access_list_line import WrongValue, ports_of
from pathcheck.parser.address_form import (
    FormFault,
    Note,
    dotted_match,
    host_match,
    masked_match,
    number_of,
    prefix_match,
)
from pathcheck.parser.commands import (
    HANDLED,
    Command,
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
    unmodelled,
)
from pathcheck.parser.grammar import (
    ADDRESS,
    ADDRESS6,
    MASKED,
    NAME,
    NUMBER,
    PREFIX,
    PREFIX6,
    Grammar,
    Match,
    OneOrMore,
    Opt,
    one_word,
    terminal,
    word,
)
from pathcheck.parser.lines import LineKind, TextLine
from pathcheck.source import Span

if TYPE_CHECKING:
    import pyparsing as pp

__all__ = ["COMMANDS", "MODES", "Groups", "announced_groups"]

Value = AddressMatch | Ranges | ServiceMatch | GroupReference | None


class GroupDraft:
    """A group while the text is read; `masks` is how a dotted mask is meant in this form of group."""

    def __init__(
        self,
        name: str,
        kind: GroupKind,
        span: Span,
        family: Literal["ipv4", "ipv6"] | None = None,
        masks: Literal["netmask", "wildcard"] = "netmask",
        protocols: tuple[int, ...] = (),
    ) -> None:
        self.name = name
        self.kind: GroupKind = kind
        self.span = span
        self.family = family
        self.masks = masks
        self.protocols = protocols
        self.members: list[GroupMember] = []


class Groups:
    """The groups of one device while its text is read.

    Attributes
    ----------
    announced
        Names of all groups that the device's text opens anywhere: a list line may
        use a group's bare name where a protocol stands, before the group comes.
    """

    def __init__(self) -> None:
        self.announced: frozenset[str] = frozenset()
        self.drafts: dict[tuple[GroupKind, str], GroupDraft] = {}

    def finish(self, context: Context) -> dict[tuple[GroupKind, str], ObjectGroup]:
        """Return the groups; those that are empty, contain themselves or name an undefined one are noted."""
        found = {}
        for key, draft in self.drafts.items():
            members = tuple(draft.members)
            found[key] = ObjectGroup(draft.name, draft.kind, members, draft.family, span=draft.span)
        for draft in self.drafts.values():
            if not draft.members:
                context.report("PC411", f"the group `{draft.name}` is empty", draft.span)
            for member in draft.members:
                nested = member.value
                if isinstance(nested, GroupReference) and (nested.kind, nested.name) not in found:
                    message = f"the {nested.kind} group `{nested.name}` is not defined"
                    context.report("PC411", message, member.span, because=(draft.span,))
        for cycle in _cycles(self.drafts):
            names = " > ".join(f"`{draft.name}`" for draft in (*cycle, cycle[0]))
            spans = tuple(draft.span for draft in cycle[1:])
            context.report(
                "PC411", f"the group `{cycle[0].name}` contains itself: {names}", cycle[0].span, because=spans
            )
        return found


def _cycles(drafts: dict[tuple[GroupKind, str], GroupDraft]) -> Iterable[list[GroupDraft]]:
    """Return each cycle of nested groups once, without recursion: chains may be long."""
    state: dict[tuple[GroupKind, str], int] = {}
    for start in drafts:
        if start in state:
            continue
        path: list[tuple[GroupKind, str]] = [start]
        waiting = [_nested(drafts, start)]
        state[start] = 1
        while path:
            if not waiting[-1]:
                state[path.pop()] = 2
                waiting.pop()
                continue
            following = waiting[-1].pop()
            if state.get(following) == 1:
                yield [drafts[key] for key in path[path.index(following) :]]
            elif following not in state:
                state[following] = 1
                path.append(following)
                waiting.append(_nested(drafts, following))


def _nested(drafts: dict[tuple[GroupKind, str], GroupDraft], key: tuple[GroupKind, str]) -> list[tuple[GroupKind, str]]:
    """Return the defined groups that a group contains, the first last."""
    found = [
        (member.value.kind, member.value.name)
        for member in drafts[key].members
        if isinstance(member.value, GroupReference)
    ]
    return [nested for nested in reversed(found) if nested in drafts]


_HEADER = re.compile(
    r"object-group +(?:ip|ipv6)? *(?:network|service|protocol|icmp-type|address|port|v6-network)"
    r" +(?:ipv[46] +(?=\S))?(\S+)",
    re.IGNORECASE,
)


def announced_groups(lines: Iterable[TextLine]) -> frozenset[str]:
    """Return the names of the groups that lines open, without reading them."""
    found = set()
    for line in lines:
        if line.text[:6].lower() == "object" and line.kind is LineKind.COMMAND:
            header = _HEADER.match(line.text)
            if header:
                found.add(header[1])
    return frozenset(found)


# --- grammars of members ---------------------------------------------------------------------------------------------

_PORT_WORDS = sorted({name for names in PORT_NAMES.values() for name in names})
_ICMP_WORDS = sorted({name for names in ICMP_NAMES.values() for name in names})


def _nested_group() -> pp.ParserElement:
    """group-object NAME."""
    return one_word(("group-object", "group"), "`group-object`") - NAME("group")


def _address_member() -> pp.ParserElement:
    """[N] [network-object] (any | host A | A/N | A/MASK | A [MASK] | range A B | group-object NAME)."""
    member = (
        word("any")("any")
        | word("host") - (ADDRESS("host") | ADDRESS6("host")).set_name("an address")
        | word("range") - ADDRESS("first") - ADDRESS("last")
        | _nested_group()
        | PREFIX("prefix")
        | PREFIX6("prefix")
        | MASKED("masked")
        | ADDRESS("address") + Opt(ADDRESS("mask"))
        | ADDRESS6("host")
    ).set_name("an address, `host A`, `range A B` or `group-object NAME`")
    return Opt(NUMBER("sequence")) + Opt(word("network-object")) + member


def _port_tests(side: str, *, bare: bool) -> pp.ParserElement:
    """eq|neq PORT... | lt|gt PORT | range PORT PORT; with `bare` also a port alone."""
    port = one_word(("<number>", *_PORT_WORDS), "a port number or a known port name")
    tests = (
        one_word(("eq", "neq"), "`eq`")(f"{side}_test") - OneOrMore(port(f"{side}_port*"))
        | one_word(("lt", "gt"), "`lt`")(f"{side}_test") - port(f"{side}_port*")
        | word("range")(f"{side}_test") - port(f"{side}_port*") - port(f"{side}_port*")
    )
    return tests | port(f"{side}_port*") if bare else tests


def _port_member() -> pp.ParserElement:
    """[N] [port-object] (eq PORT... | ... | group-object NAME)."""
    member = (_port_tests("destination", bare=False) | _nested_group()).set_name("`eq`, `range` or `group-object`")
    return Opt(NUMBER("sequence")) + Opt(word("port-object")) + member


def _icmp_type() -> pp.ParserElement:
    """ICMP type by name, or by number with a code."""
    return one_word(_ICMP_WORDS, "an ICMP type")("icmp_name") | NUMBER("icmp_type") + Opt(NUMBER("icmp_code"))


def _service_member() -> pp.ParserElement:
    """[service-object] (PROTOCOL [source PORTS] [destination] [PORTS] | icmp [TYPE] | group-object NAME)."""
    ports = Opt(word("source") - _port_tests("source", bare=True)) + Opt(
        Opt(word("destination")) + _port_tests("destination", bare=True)
    )
    icmp = one_word(("icmp", "icmp6", "icmpv6"), "icmp")("protocol") + Opt(_icmp_type())
    other = terminal("<number>|[a-z][a-z0-9.-]*", "a protocol")("protocol") + ports
    return Opt(word("service-object")) + (_nested_group() | icmp | other)


def _protocol_member() -> pp.ParserElement:
    """[protocol-object] (PROTOCOL | group-object NAME)."""
    protocol = terminal("<number>|[a-z][a-z0-9.-]*", "a protocol")("protocol")
    return Opt(word("protocol-object")) + (_nested_group() | protocol)


def _icmp_member() -> pp.ParserElement:
    """[icmp-object] (TYPE | group-object NAME)."""
    return Opt(word("icmp-object")) + (_nested_group() | _icmp_type())


_GRAMMARS: dict[GroupKind, Grammar] = {
    "address": Grammar(_address_member, ("host", "range", "group-object", "network-object", "any")),
    "port": Grammar(_port_member, ("eq", "neq", "lt", "gt", "range", "group-object", *_PORT_WORDS)),
    "service": Grammar(_service_member, (*PROTOCOL_NAMES, "eq", "range", "source", "destination", *_PORT_WORDS)),
    "protocol": Grammar(_protocol_member, tuple(PROTOCOL_NAMES)),
    "icmp": Grammar(_icmp_member, tuple(_ICMP_WORDS)),
}


# --- members ---------------------------------------------------------------------------------------------------------


def _addresses(context: Context, draft: GroupDraft, match: Match) -> list[AddressMatch | None]:
    """Return what an address member stands for; None where a mask can be read in two ways."""
    line = match.line
    if match.has("any"):
        return [AddressMatch.any(version) for version in (4, 6) if draft.family in (None, f"ipv{version}")]
    try:
        if match.has("first"):
            first, last = match.address("first"), match.address("last")
            assert first is not None
            assert last is not None
            if first > last:
                message = f"the range `{first}` to `{last}` ends before it begins"
                raise line.wrong_value(match.index("first") or 0, message)
            return [AddressMatch.prefix(prefix) for prefix in Prefix.covering_range(first, last)]
        if match.has("prefix") or match.has("masked"):
            part, read = ("prefix", prefix_match) if match.has("prefix") else ("masked", masked_match)
            found, note = read(match.word(part) or "")
            if note is not None:
                _report(context, match, part, note)
            return [found]
        if match.has("mask"):
            return [_masked(context, draft, match)]
        return [host_match(match.word("host") or match.word("address") or "")]
    except FormFault as fault:
        name = "mask" if fault.part else next(name for name in _FORMS if match.has(name))
        raise line.wrong_value(match.index(name) or 0, str(fault), help=fault.help) from None


_FORMS = ("prefix", "masked", "host", "address")
"""The parts of a member that say one address or prefix."""


def _masked(context: Context, draft: GroupDraft, match: Match) -> AddressMatch | None:
    """Read `ADDRESS MASK` by what the numbers can be; note it where that is not what this form of group means."""
    address_text, mask_text = match.word("address") or "", match.word("mask") or ""
    value, mask = number_of(address_text), number_of(mask_text, 1)
    inverse = mask ^ 0xFFFFFFFF
    as_netmask, as_wildcard = not inverse & (inverse + 1), not mask & (mask + 1)
    if as_netmask and as_wildcard:
        fits_netmask, fits_wildcard = not value & inverse, not value & mask
        everything = (mask == 0) == (draft.masks == "netmask") and not value
        if not everything and (fits_netmask == fits_wildcard or fits_netmask != (draft.masks == "netmask")):
            message = f"`{mask_text}` can be a netmask and a wildcard mask, and `{address_text}` does not tell which"
            _report(context, match, "mask", Note("PC407", message, "write `any` or `host`"))
            return None
        reading = draft.masks
    else:
        reading = "netmask" if as_netmask else "wildcard"
        if not as_netmask and not as_wildcard and draft.masks == "netmask":
            message = f"`{mask_text}` is no netmask, which this form of group takes"
            _report(context, match, "mask", Note("PC407", message, "write the address as a prefix, `A/LENGTH`"))
            return None
        if reading != draft.masks:
            words = {"netmask": "a netmask", "wildcard": "a wildcard mask"}
            message = (
                f"`{mask_text}` was read as {words[reading]}, though this form of group takes {words[draft.masks]}"
            )
            _report(context, match, "mask", Note("PC407", message, "write the address as a prefix, `A/LENGTH`"))
    if reading == "netmask":
        if value & inverse:
            message = f"`{address_text}` has host bits set behind the netmask `{mask_text}`, which count as zero"
            _report(context, match, "address", Note("PC406", message, f"write `{Address(4, value & mask)}`"))
        return AddressMatch(4, value & mask, mask)
    found, notes = dotted_match(address_text, mask_text, "wildcard")
    for note in notes:
        _report(context, match, "address", note)
    return found


def _report(context: Context, match: Match, name: str, note: Note) -> None:
    """Turn a note on a part into a finding."""
    context.report(note.code, note.message, match.line.span_of(match.index(name) or 0), help=note.help)


def _ports(match: Match, side: str, protocol: int | None) -> Ranges | None:
    """Return the ports of one side."""
    places = match.indexes(f"{side}_port")
    if not places:
        return None
    test = (match.word(f"{side}_test") or "eq").lower()
    try:
        return ports_of(test, match.line.words, places, protocol)
    except WrongValue as wrong:
        misfit = wrong.misfit
        raise match.line.wrong_value(misfit.place, misfit.message or misfit.expected, help=misfit.help) from None


def _icmp_numbers(match: Match, version: int) -> Ranges | None:
    """Return ICMP types and codes as `type * 256 + code`."""
    if match.has("icmp_name"):
        found = icmp_match(match.word("icmp_name") or "", version)
        if found is None:
            index = match.index("icmp_name") or 0
            raise match.line.wrong(index, f"an ICMP type of IPv{version}", known=list(ICMP_NAMES[version]))
        icmp_type, code = found
    elif match.has("icmp_type"):
        icmp_type = match.number("icmp_type", 0, 255, "an ICMP type") or 0
        code = match.number("icmp_code", 0, 255, "an ICMP code")
    else:
        return None
    return Ranges.of((icmp_type << 8, icmp_type << 8 | 255)) if code is None else Ranges.single(icmp_type << 8 | code)


def _services(match: Match) -> list[ServiceMatch]:
    """Return what a service member stands for; `tcp-udp` is both."""
    index = match.index("protocol") or 0
    text = (match.word("protocol") or "").lower()
    if text == "tcp-udp":
        protocols: tuple[int | None, ...] = (TCP, UDP)
    elif text in ("ip", "any"):
        protocols = (None,)
    else:
        number = protocol_number(text, 4)
        if number is None:
            raise match.line.wrong(index, "a protocol", known=list(PROTOCOL_NAMES))
        protocols = (number,)
    if match.has("source_port") or match.has("destination_port"):
        for protocol in protocols:
            if protocol is None or not has_ports(protocol):
                place = (match.indexes("source_port") or match.indexes("destination_port"))[0]
                message = f"a port needs a protocol with ports (tcp, udp or sctp), and the protocol is `{text}`"
                raise match.line.wrong_value(place, message)
    icmp = _icmp_numbers(match, 6 if protocols == (ICMPV6,) else 4) if protocols[0] in (ICMP, ICMPV6) else None
    return [
        ServiceMatch(protocol, _ports(match, "source", protocol), _ports(match, "destination", protocol), icmp)
        for protocol in protocols
    ]


def _values(context: Context, draft: GroupDraft, match: Match) -> Sequence[Value]:
    """Return the values of one line of a group; a range of addresses gives several."""
    nested = match.word("group")
    if nested is not None:
        return [GroupReference(nested, draft.kind)]
    if draft.kind == "address":
        return _addresses(context, draft, match)
    if draft.kind == "port":
        found = [_ports(match, "destination", protocol) for protocol in draft.protocols or (None,)]
        if len(set(found)) > 1:
            place = match.indexes("destination_port")[0]
            raise match.line.wrong_value(place, "the name means another port in TCP than in UDP", help="use a number")
        return found[:1]
    if draft.kind == "service":
        return _services(match)
    if draft.kind == "icmp":
        return [_icmp_numbers(match, 4)]
    text = (match.word("protocol") or "").lower()
    if text in ("ip", "any"):
        return [Ranges.of((0, 255))]
    number = protocol_number(text, 4)
    if number is None:
        raise match.line.wrong(match.index("protocol") or 0, "a protocol", known=list(PROTOCOL_NAMES))
    return [Ranges.single(number)]


def _read_member(context: Context, line: CommandLine) -> Result:
    """One line of a group."""
    draft: GroupDraft = line.subject
    line.start = 1 if line.negated else 0
    try:
        match = _GRAMMARS[draft.kind].read(line)
        sequence = match.number("sequence", 1, 4294967295, "a sequence number")
        values = _values(context, draft, match)
    except WrongLine as fault:
        if not line.negated:
            draft.members.append(GroupMember(None, why=fault.message, span=line.span))
            fault.scope = HANDLED
        raise
    if line.negated:
        return _remove_members(context, draft, values, sequence, line)
    for value in values:
        why = "its mask can be read in two ways" if value is None else None
        draft.members.append(GroupMember(value, sequence, why, span=line.span))
    return None


def _remove_members(
    context: Context, draft: GroupDraft, values: Sequence[Value], sequence: int | None, line: CommandLine
) -> Result:
    """Take out the members that a `no` line names."""
    kept = [
        member
        for member in draft.members
        if member.value not in values or (sequence is not None and member.sequence != sequence)
    ]
    if len(kept) == len(draft.members):
        context.report("PC408", f"the line removes nothing from the group `{draft.name}`", line.span)
    draft.members = kept
    return None


def _remove_sequence(context: Context, line: CommandLine) -> Result:
    """No N."""
    draft: GroupDraft = line.subject
    number = line.number_at(line.start - 1, 1, 4294967295, "a sequence number")
    kept = [member for member in draft.members if member.sequence != number]
    if len(kept) == len(draft.members):
        context.report("PC408", f"the line removes nothing from the group `{draft.name}`", line.span)
    draft.members = kept
    return None


def _unread_member(_context: Context, line: CommandLine) -> Scope | object:
    """Keep a line in a group that is no member as one that could not be read."""
    draft = line.subject
    if not isinstance(draft, GroupDraft):
        return DeviceScope()
    draft.members.append(GroupMember(None, why="it could not be read", span=line.span))
    return HANDLED


# --- headers ---------------------------------------------------------------------------------------------------------


def _open(
    kind: GroupKind,
    family: Literal["ipv4", "ipv6"] | None = None,
    masks: Literal["netmask", "wildcard"] = "netmask",
) -> Handler:
    """Return the handler of `object-group ... NAME`, and the same with `no` in front."""

    def read(context: Context, line: CommandLine) -> Result:
        groups = context.part(Groups)
        name_place, only = line.start, family
        if kind == "address" and family is None and len(line.words) == name_place + 2:
            # `network ipv4 NAME`; a group may itself be called `ipv4`.
            versions: dict[str, Literal["ipv4", "ipv6"]] = {"ipv4": "ipv4", "ipv6": "ipv6"}
            only = versions.get(line.words[name_place].lower())
            name_place += only is not None
        if name_place >= len(line.words):
            raise line.wrong(name_place, "the name of a group")
        name, actual = line.words[name_place], kind
        protocols: tuple[int, ...] = ()
        rest = [text.lower() for text in line.words[name_place + 1 :]]
        if kind == "service" and rest:
            # `object-group service NAME tcp` holds ports, without that word it holds protocols with ports.
            if len(rest) > 1 or rest[0] not in _PORT_PROTOCOLS:
                raise line.wrong(name_place + 1, "`tcp`, `udp`, `tcp-udp` or the end of the line")
            actual, protocols = "port", _PORT_PROTOCOLS[rest[0]]
        elif rest:
            raise line.wrong(name_place + 1, "the end of the line")
        if line.negated:
            if groups.drafts.pop((actual, name), None) is None:
                context.report("PC408", f"the line removes nothing: the group `{name}` is not defined", line.span)
            return None
        draft = groups.drafts.get((actual, name))
        if draft is None:
            draft = GroupDraft(name, actual, line.span, only, masks, protocols)
            groups.drafts[actual, name] = draft
        return Enter(f"{actual} group", draft)

    return read


_PORT_PROTOCOLS = {"tcp": (TCP,), "udp": (UDP,), "tcp-udp": (TCP, UDP)}


def _group_mode(kind: GroupKind, expected: str) -> Mode:
    return Mode(f"{kind} group", unknown=_unread_member, expected=expected, garbled=_looks_like_member)


def _looks_like_member(_line: CommandLine) -> bool:
    """Nothing tells for certain that a garbled line was meant for a group."""
    return False


def _members(*heads: str) -> tuple[Command, ...]:
    return (
        *(modelled(head, _read_member) for head in (*heads, "group-object", "<number>")),
        modelled("no <number>", _remove_sequence),
        *ignored("description"),
    )


MODES = (
    _group_mode("address", "an address, `host A`, `range A B` or `group-object NAME`"),
    _group_mode("port", "`eq`, `range` or `group-object NAME`"),
    _group_mode("service", "a protocol or `group-object NAME`"),
    _group_mode("protocol", "a protocol or `group-object NAME`"),
    _group_mode("icmp", "an ICMP type or `group-object NAME`"),
)

COMMANDS: Tables = {
    "top": (
        modelled("object-group network", _open("address"), opens="address group"),
        modelled("object-group v6-network", _open("address", "ipv6"), opens="address group"),
        modelled("object-group ip address", _open("address", "ipv4", "wildcard"), opens="address group"),
        modelled("object-group ipv6 address", _open("address", "ipv6"), opens="address group"),
        modelled("object-group ip port", _open("port"), opens="port group"),
        modelled("object-group service", _open("service"), opens="service group"),
        modelled("object-group protocol", _open("protocol"), opens="protocol group"),
        modelled("object-group icmp-type", _open("icmp"), opens="icmp group"),
        # What an object of that form means is said only by lists and translations of a dialect that is not read.
        unmodelled("object network", "named object", NoScope(), opens="unmodelled block"),
        unmodelled("object service", "named object", NoScope(), opens="unmodelled block"),
        unmodelled("object-group security", "group of labels", NoScope(), opens="unmodelled block"),
    ),
    "address group": _members(
        *("host", "any", "range", "network-object", "group"),
        *("<address>", "<prefix>", "<masked>", "<address6>", "<prefix6>"),
    ),
    "port group": _members("eq", "neq", "lt", "gt", "range", "port-object"),
    "service group": _members("service-object", "tcp-udp", "ip", *sorted(set(PROTOCOL_NAMES))),
    "protocol group": _members("protocol-object", "ip", *sorted(set(PROTOCOL_NAMES))),
    "icmp group": _members("icmp-object", *_ICMP_WORDS),
}
