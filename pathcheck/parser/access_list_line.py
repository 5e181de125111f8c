"""One line of an access list: its grammar, and how its words become a :class:`~pathcheck.model.access_list.Line`.

`[SEQ] permit|deny PROTOCOL SOURCE [PORTS] DESTINATION [PORTS] [OPTIONS...]`; in a standard
list `[SEQ] permit|deny SOURCE [log]`.

What the words of a shape say (protocol, names of ports, flags, options) is worked
out once and kept as a recipe; for each line only the values are looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pathcheck.model.access_list import Action, IcmpMatch, Line
from pathcheck.model.object_group import GroupReference
from pathcheck.packet.address import IPVersion
from pathcheck.packet.dscp import DSCP_NAMES, PRECEDENCE_NAMES, dscp_number, precedence_dscp, precedence_number
from pathcheck.packet.icmp import ICMP_NAMES, icmp_match
from pathcheck.packet.port import PORT_NAMES, port_number
from pathcheck.packet.protocol import ICMP, ICMPV6, PROTOCOL_NAMES, TCP, has_ports, protocol_number
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ESTABLISHED, FLAG_NAMES, FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.parser.address_form import (
    FormFault,
    MaskReading,
    Note,
    dotted_match,
    host_match,
    masked_match,
    prefix_match,
)
from pathcheck.parser.grammar import (
    ADDRESS,
    ADDRESS6,
    ANY_WORD,
    COMMA,
    MASKED,
    NAME,
    NUMBER,
    PREFIX,
    PREFIX6,
    Grammar,
    Misfit,
    OneOrMore,
    Opt,
    Plan,
    WrongLine,
    ZeroOrMore,
    number,
    one_word,
    terminal,
    word,
)

if TYPE_CHECKING:
    import pyparsing as pp

    from pathcheck.parser.commands import CommandLine

__all__ = ["ENTRY_WORDS", "EntryReader", "WrongValue", "ports_of"]

_ALL_PORT_NAMES = sorted({name for names in PORT_NAMES.values() for name in names})
_ALL_ICMP_NAMES = sorted({name for names in ICMP_NAMES.values() for name in names})
_ALL_PROTOCOLS = ["ip", "ipv6", *PROTOCOL_NAMES]
_USUAL_PROTOCOLS = (
    "ip", "ipv6", "tcp", "udp", "icmp", "esp", "ahp", "gre", "ospf", "eigrp", "igmp", "pim", "sctp", "vrrp", "ipinip",
)  # fmt: skip
_GROUP_WORDS = ("object-group", "addrgroup", "net-group")
_TESTS = ("eq", "neq", "lt", "gt")

_DOUBTS: dict[str, tuple[int, str]] = {
    # word: how many words follow it, and why the line may match less than the rest says
    "time-range": (1, "it acts only at the times of a time range"),
    "tos": (1, "it compares the type of service, which is not modelled"),
    "option": (1, "it compares IP options, which are not modelled"),
    "reflect": (1, "it takes part in stateful filtering, which is not modelled"),
    "tracked": (0, "it tracks the state of connections, which is not modelled"),
    "vlan": (1, "it compares the VLAN, which is not modelled"),
    "auth": (0, "it compares the authentication header, which is not modelled"),
    "routing": (0, "it compares the routing header, which is not modelled"),
    "routing-type": (1, "it compares the routing header, which is not modelled"),
    "undetermined-transport": (0, "it matches packets whose layer 4 cannot be read, which are not modelled"),
    "flow-label": (1, "it compares the flow label, which is not modelled"),
    "mobility": (0, "it compares the mobility header, which is not modelled"),
    "mobility-type": (1, "it compares the mobility header, which is not modelled"),
    "dest-option": (0, "it compares the destination options header, which is not modelled"),
    "dest-option-type": (1, "it compares the destination options header, which is not modelled"),
    "hbh": (0, "it compares the hop-by-hop options header, which is not modelled"),
}
_SEVERAL_FLAGS = "devices differ on whether one or all of the flags must be set"

ENTRY_WORDS = sorted({
    "any", "host", "eq", "neq", "lt", "gt", "range", "object-group", "addrgroup", "portgroup", "established", "log",
    "log-input", "dscp", "precedence", "ttl", "fragments", "match-all", "match-any", "sequence", "count",
    *_DOUBTS, *FLAG_NAMES, *_ALL_PROTOCOLS, *_ALL_ICMP_NAMES, *_ALL_PORT_NAMES,
})  # fmt: skip
"""Words that can stand in a line, for "did you mean"."""


# --- grammars --------------------------------------------------------------------------------------------------------


def _end(side: str, version: IPVersion, *, bare: bool = False, masks: bool = True) -> pp.ParserElement:
    """Any | host A | A MASK | A/N | A/MASK | object-group NAME; with `bare` also A alone."""
    address = ADDRESS if version == 4 else ADDRESS6
    choices = (
        word("any")(f"{side}_any")
        | one_word(("any4", "any6"), "`any4` or `any6`")(f"{side}_any_of")
        | word("host") - address(f"{side}_host")
        | one_word(_GROUP_WORDS, "`object-group`") - NAME(f"{side}_group")
        | (PREFIX if version == 4 else PREFIX6)(f"{side}_prefix")
    )
    if version == 4:
        choices = choices | MASKED(f"{side}_masked")
        choices = choices | COMMA(f"{side}_comma") - word("wildcard") - word("bits") - address(f"{side}_mask")
    if bare and masks:
        choices = choices | address(f"{side}_address") + Opt(address(f"{side}_mask"))
    elif bare:
        choices = choices | address(f"{side}_address")
    else:
        choices = choices | address(f"{side}_address") - address.copy().set_name("a mask")(f"{side}_mask")
    found: pp.ParserElement = choices.set_name(
        f"a {side} (`any`, `host A`, `A MASK`, `A/LENGTH` or `object-group NAME`)"
    )
    return found


def _ports(side: str) -> pp.ParserElement:
    """eq|neq PORT... | lt|gt PORT | range PORT PORT | portgroup NAME."""
    port = one_word(("<number>", *_ALL_PORT_NAMES), "a port number or a known port name")
    choices = (
        one_word(("eq", "neq"), "`eq`")(f"{side}_test") - OneOrMore(port(f"{side}_port*"))
        | one_word(("lt", "gt"), "`lt`")(f"{side}_test") - port(f"{side}_port*")
        | word("range")(f"{side}_test") - port(f"{side}_port*") - port(f"{side}_port*")
        | word("portgroup") - NAME(f"{side}_portgroup")
    )
    if side == "destination":
        choices = choices | word("object-group") - NAME(f"{side}_portgroup")
    found: pp.ParserElement = choices
    return found


def _options(*, layer4: bool) -> pp.ParserElement:
    """The words behind the destination, in any order."""
    dscp = one_word(("<number>", *DSCP_NAMES), "a DSCP value, 0 to 63, or its name")
    precedence = one_word(("<number>", *PRECEDENCE_NAMES), "a precedence, 0 to 7, or its name")
    sign = one_word([sign + flag for sign in "+-" for flag in FLAG_NAMES], "a flag with `+` or `-`, as `+ack`")
    without = [text for text, (count, _) in _DOUBTS.items() if count == 0]
    with_one = [text for text, (count, _) in _DOUBTS.items() if count == 1 and text != "reflect"]
    one = (
        one_word(("log", "log-input"), "`log`")("log")
        | one_word(with_one, "an option")("doubt*") - ANY_WORD
        | word("reflect")("doubt*") - NAME + Opt(word("timeout")("timeout") - NUMBER)
        | one_word(without, "an option")("doubt*")
        | word("sequence") - number("a sequence number")("sequence")
        | word("count")
    )
    if layer4:
        ttl = (
            word("ttl")("ttl*")
            - (one_word(_TESTS, "`eq`, `neq`, `lt`, `gt` or `range`")("ttl_test*") - NUMBER
               | word("range")("ttl_test*") - NUMBER - NUMBER)
        )  # fmt: skip
        one = (
            word("established")("established")
            | one
            | word("dscp") - dscp("dscp")
            | word("precedence") - precedence("precedence")
            | word("fragments")("fragments")
            | one_word(list(FLAG_NAMES), "a flag")("flag*")
            | one_word(("match-all", "match-any"), "`match-all`")("flag_rule") - OneOrMore(sign("flag_sign*"))
            | ttl
            | one_word(_ALL_ICMP_NAMES, "an ICMP type")("icmp_name")
            | number("an ICMP type")("icmp_type") + Opt(number("an ICMP code")("icmp_code"))
        )
    found: pp.ParserElement = ZeroOrMore(one)
    return found


def _extended(version: IPVersion, *, bare: bool = False) -> pp.ParserElement:
    """PROTOCOL SOURCE [PORTS] DESTINATION [PORTS] [OPTIONS...]."""
    # What a protocol's name means is worked out once for a shape, so the names must be told from others.
    protocol = (
        one_word(("object-group", "service-group"), "a group") - NAME("protocol_group")
        | one_word(("<number>", *_ALL_PROTOCOLS, "ipv4", "any"), "a protocol")("protocol")
        | terminal(r"(?!<)\S+|<(?:name|fits).*>", "a protocol", tells_apart=False)("protocol")
    )
    found: pp.ParserElement = (
        protocol.set_name("a protocol")
        - _end("source", version, bare=bare, masks=not bare)
        - Opt(_ports("source"))
        - _end("destination", version, bare=bare, masks=not bare)
        - Opt(_ports("destination"))
        - _options(layer4=True)
    )
    return found


def _standard(version: IPVersion) -> pp.ParserElement:
    """SOURCE [log]."""
    found: pp.ParserElement = _end("source", version, bare=True) - _options(layer4=False)
    return found


# --- recipes ---------------------------------------------------------------------------------------------------------

_Values = Sequence[str]
_Notes = list[tuple[int, Note]]
_End = Callable[[_Values, MaskReading, _Notes], "AddressMatch | GroupReference"]
_Numbers = Callable[[_Values], Ranges]


class WrongValue(Exception):  # noqa: N818 - never leaves the room: it becomes a finding
    """A word is wrong; becomes a WrongLine once the line is known."""

    def __init__(self, misfit: Misfit) -> None:
        super().__init__(misfit)
        self.misfit = misfit


@dataclass(slots=True)
class _Recipe:
    """How the values of a shape's lines become a Line."""

    plan: Plan
    protocol: int | None
    source: _End
    destination: _End
    protocol_group: int | None = None
    by_number: int | None = None
    source_ports: Ranges | _Numbers | GroupReference | None = None
    destination_ports: Ranges | _Numbers | GroupReference | None = None
    icmp: IcmpMatch | Callable[[_Values], IcmpMatch] | None = None
    flags: FlagMatch | None = None
    dscp: Ranges | _Numbers | None = None
    fragments: bool = False
    log: str | None = None
    doubt: str | None = None
    several_flags: tuple[FlagMatch, FlagMatch] | None = None
    options: tuple[tuple[int, int], ...] = ()
    sequence: int | None = None


class _EntryGrammar(Grammar):
    """A grammar of list lines that keeps recipes."""

    def __init__(self, build: Callable[[], pp.ParserElement], version: IPVersion, standard: bool) -> None:
        super().__init__(build, known=ENTRY_WORDS)
        self.version = version
        self.standard = standard

    def prepare(self, plan: Plan, words: Sequence[str]) -> _Recipe | Misfit:
        """Work out what the words of the shape say."""
        try:
            return _recipe(plan, words, self.version, self.standard)
        except WrongValue as wrong:
            return wrong.misfit


def _recipe(
    plan: Plan, words: Sequence[str], version: IPVersion, standard: bool, numbered: int | None = None
) -> _Recipe:
    """Return the recipe of a shape; `numbered` is the protocol where the line gives it as a number."""
    any_address = AddressMatch.any(version)
    recipe = _Recipe(plan, None, _address("source", plan, words, version), lambda _w, _r, _n: any_address)
    if "sequence" in plan:
        recipe.sequence = plan["sequence"][0]
    if "log" in plan:
        recipe.log = words[plan["log"][0]].lower()
    _doubts(recipe, plan, words)
    if standard:
        return recipe
    recipe.destination = _address("destination", plan, words, version)
    protocol = _protocol(recipe, plan, words, version, numbered)
    if recipe.by_number is not None and numbered is None:
        return recipe
    recipe.source_ports = _port_part("source", recipe, plan, words, protocol)
    recipe.destination_ports = _port_part("destination", recipe, plan, words, protocol)
    _flags(recipe, plan, words, protocol)
    _icmp(recipe, plan, words, version, protocol)
    _dscp(recipe, plan, words)
    recipe.fragments = "fragments" in plan
    return recipe


def _protocol(
    recipe: _Recipe, plan: Plan, words: Sequence[str], version: IPVersion, numbered: int | None
) -> int | None:
    """Put the protocol into a recipe and return it."""
    if "protocol_group" in plan:
        recipe.protocol_group = plan["protocol_group"][0]
        return None
    index = plan["protocol"][0]
    text = words[index].lower()
    if numbered is not None:
        recipe.protocol = numbered
    elif text.isascii() and text.isdigit():
        recipe.by_number = index
    elif text in (("ip", "ipv4", "any") if version == 4 else ("ip", "ipv6", "any")):
        recipe.protocol = None
    else:
        found = protocol_number(text, version)
        if found is None:
            # It may be the bare name of a service group; which groups there are is asked line by line.
            recipe.protocol_group = index
        recipe.protocol = found
    return recipe.protocol


def _address(side: str, plan: Plan, words: Sequence[str], version: IPVersion) -> _End:
    """Return what reads one end of a line."""
    if f"{side}_any" in plan:
        any_address = AddressMatch.any(version)
        return lambda _words, _reading, _notes: any_address
    if f"{side}_any_of" in plan:
        index = plan[f"{side}_any_of"][0]
        if words[index][-1] != str(version):
            raise WrongValue(Misfit(index, "", f"`{words[index]}` in an IPv{version} list", "write `any`"))
        any_address = AddressMatch.any(version)
        return lambda _words, _reading, _notes: any_address
    if f"{side}_group" in plan:
        index = plan[f"{side}_group"][0]
        return lambda words, _reading, _notes: GroupReference(words[index], "address")
    if f"{side}_prefix" in plan:
        return _noted(plan[f"{side}_prefix"][0], prefix_match)
    if f"{side}_masked" in plan:
        return _noted(plan[f"{side}_masked"][0], masked_match)
    if f"{side}_comma" in plan:
        return _with_mask(plan[f"{side}_comma"][0], plan[f"{side}_mask"][0], shown=True)
    if f"{side}_mask" in plan:
        return _with_mask(plan[f"{side}_address"][0], plan[f"{side}_mask"][0])
    return _one_host(plan[f"{side}_host" if f"{side}_host" in plan else f"{side}_address"][0])


def _one_host(index: int) -> _End:
    """Read one address."""

    def read(words: _Values, _reading: MaskReading, _notes: _Notes) -> AddressMatch:
        try:
            return host_match(words[index])
        except FormFault as fault:
            raise WrongValue(Misfit(index, "", str(fault))) from None

    return read


def _noted(index: int, form: Callable[[str], tuple[AddressMatch, Note | None]]) -> _End:
    """Read a form of one word."""

    def read(words: _Values, _reading: MaskReading, notes: _Notes) -> AddressMatch:
        try:
            match, note = form(words[index])
        except FormFault as fault:
            raise WrongValue(Misfit(index, "", str(fault), fault.help)) from None
        if note is not None:
            notes.append((index, note))
        return match

    return read


def _with_mask(index: int, mask: int, *, shown: bool = False) -> _End:
    """Read an address with a dotted mask; `shown` with words between them that tell that it is a wildcard mask."""

    def read(words: _Values, reading: MaskReading, notes: _Notes) -> AddressMatch:
        address = words[index]
        if shown:
            address, reading = address.rstrip(","), "wildcard"
        try:
            match, found = dotted_match(address, words[mask], reading)
        except FormFault as fault:
            raise WrongValue(Misfit(mask if fault.part else index, "", str(fault), fault.help)) from None
        for note in found:
            notes.append((mask if note.code == "PC407" else index, note))
        return match

    return read


# --- ports -----------------------------------------------------------------------------------------------------------


def _port_part(
    side: str, recipe: _Recipe, plan: Plan, words: Sequence[str], protocol: int | None
) -> Ranges | _Numbers | GroupReference | None:
    """Return the ports of one end."""
    named = plan.get(f"{side}_test") or plan.get(f"{side}_portgroup")
    if named is None:
        return None
    if recipe.protocol_group is not None and "protocol_group" not in plan:
        raise WrongValue(Misfit(recipe.protocol_group, "a protocol"))
    if "protocol_group" in plan:
        raise WrongValue(
            Misfit(named[0], "", "a service group says the ports already", "take the ports out of the line")
        )
    if protocol is None or not has_ports(protocol):
        name = words[plan["protocol"][0]]
        message = f"`{words[named[0]]}` needs a protocol with ports (tcp, udp or sctp), and the protocol is `{name}`"
        raise WrongValue(Misfit(named[0], "", message))
    if f"{side}_portgroup" in plan:
        return GroupReference("", "port")
    test, places = words[plan[f"{side}_test"][0]].lower(), plan[f"{side}_port"]
    if not any(words[place].isascii() and words[place].isdigit() for place in places):
        return ports_of(test, words, places, protocol)
    if test == "eq" and len(places) == 1:
        return _one_port(places[0], protocol)
    return lambda words: ports_of(test, words, places, protocol)


def _one_port(place: int, protocol: int) -> _Numbers:
    """Read `eq NUMBER`."""
    places = (place,)

    def read(words: _Values) -> Ranges:
        found = _SINGLE_PORTS.get(words[place])
        if found is None:
            found = ports_of("eq", words, places, protocol)
            if len(_SINGLE_PORTS) > 70_000:
                _SINGLE_PORTS.clear()
            _SINGLE_PORTS[words[place]] = found
        return found

    return read


_SINGLE_PORTS: dict[str, Ranges] = {}


def ports_of(test: str, words: Sequence[str], places: Sequence[int], protocol: int | None) -> Ranges:
    """Return the ports that a test and its numbers or names leave.

    Raises
    ------
    WrongValue
        A word is no port of the protocol, or a range ends before it begins.
    """
    numbers = []
    for place in places:
        found = port_number(words[place], protocol)
        if found is None:
            name = {6: "tcp", 17: "udp", 132: "sctp"}.get(protocol or 0, "")
            if words[place].isdigit():
                raise WrongValue(Misfit(place, "", f"`{words[place]}` is no port: ports go up to 65535"))
            raise WrongValue(Misfit(place, "", f"`{words[place]}` is no port name of {name or 'tcp or udp'}"))
        numbers.append(found)
    if test == "range":
        low, high = numbers
        if low > high:
            message = f"the range `{words[places[0]]} {words[places[1]]}` ends before it begins"
            raise WrongValue(Misfit(places[0], "", message, f"write `range {words[places[1]]} {words[places[0]]}`"))
        return Ranges.of((low, high))
    if test == "lt":
        return Ranges.of((0, numbers[0] - 1))
    if test == "gt":
        return Ranges.of((numbers[0] + 1, 65535))
    listed = Ranges.of(*((number, number) for number in numbers))
    return listed.complement(65535) if test == "neq" else listed


# --- options ---------------------------------------------------------------------------------------------------------


def _flags(recipe: _Recipe, plan: Plan, words: Sequence[str], protocol: int | None) -> None:
    """Put what is asked of TCP flags into a recipe."""
    first = plan.get("established") or plan.get("flag") or plan.get("flag_rule")
    if first is None:
        return
    if protocol != TCP:
        raise WrongValue(Misfit(first[0], "", f"`{words[first[0]]}` needs the protocol tcp"))
    if "flag_rule" in plan and ("flag" in plan or "established" in plan):
        raise WrongValue(
            Misfit(plan["flag_rule"][0], "", f"`{words[plan['flag_rule'][0]]}` beside other words on flags")
        )
    if "flag_rule" in plan:
        care = value = 0
        cubes = []
        for place in plan["flag_sign"]:
            sign, bit = words[place][0], FLAG_NAMES[words[place][1:].lower()]
            if care & bit:
                raise WrongValue(Misfit(place, "", f"the flag `{words[place][1:]}` is named twice"))
            care |= bit
            value |= bit if sign == "+" else 0
            cubes.append((bit, bit if sign == "+" else 0))
        every = words[plan["flag_rule"][0]].lower() == "match-all"
        recipe.flags = FlagMatch.of((care, value)) if every else FlagMatch.of(*cubes)
        return
    alternatives = list(ESTABLISHED.cubes) if "established" in plan else []
    bits = [FLAG_NAMES[words[place].lower()] for place in plan.get("flag", ())]
    wide = FlagMatch.of(*alternatives, *((bit, bit) for bit in bits))
    together = 0
    for bit in bits:
        together |= bit
    narrow = (
        FlagMatch.of(*((care | together, value | together) for care, value in alternatives))
        if alternatives
        else FlagMatch.of((together, together))
    )
    recipe.flags = wide
    if wide != narrow:
        recipe.several_flags = (wide, narrow)


def _icmp(recipe: _Recipe, plan: Plan, words: Sequence[str], version: IPVersion, protocol: int | None) -> None:
    """Put the ICMP type and code into a recipe."""
    named = plan.get("icmp_name") or plan.get("icmp_type")
    if named is None:
        return
    place = named[0]
    if protocol != (ICMP if version == 4 else ICMPV6):
        if "icmp_name" in plan:
            raise WrongValue(Misfit(place, "", f"`{words[place]}` needs the protocol icmp"))
        raise WrongValue(Misfit(place, "an option or the end of the line"))
    if "icmp_name" in plan and "icmp_type" in plan:
        raise WrongValue(Misfit(plan["icmp_type"][0], "an option or the end of the line"))
    if "icmp_name" in plan:
        found = icmp_match(words[place], version)
        if found is None:
            raise WrongValue(Misfit(place, "", f"`{words[place]}` is no ICMP type of IPv{version} that is known"))
        recipe.icmp = IcmpMatch(*found)
        return
    code_place = plan["icmp_code"][0] if "icmp_code" in plan else None

    def read(words: _Values) -> IcmpMatch:
        for index, what in ((place, "type"), (code_place, "code")):
            if index is not None and (len(words[index]) > 10 or int(words[index]) > 255):
                raise WrongValue(Misfit(index, "", f"`{words[index]}` is no ICMP {what}: it goes up to 255"))
        return IcmpMatch(int(words[place]), None if code_place is None else int(words[code_place]))

    recipe.icmp = read


def _dscp(recipe: _Recipe, plan: Plan, words: Sequence[str]) -> None:
    """Put DSCP values into a recipe; `precedence` is their top three bits."""
    if "dscp" not in plan and "precedence" not in plan:
        return

    def read(words: _Values) -> Ranges:
        values = Ranges.of((0, 63))
        if "dscp" in plan:
            found = dscp_number(words[plan["dscp"][0]])
            if found is None:
                raise WrongValue(Misfit(plan["dscp"][0], "a DSCP value, 0 to 63, or its name"))
            values &= Ranges.single(found)
        if "precedence" in plan:
            found = precedence_number(words[plan["precedence"][0]])
            if found is None:
                raise WrongValue(Misfit(plan["precedence"][0], "a precedence, 0 to 7, or its name"))
            values &= precedence_dscp(found)
        return values

    places = (*plan.get("dscp", ()), *plan.get("precedence", ()))
    recipe.dscp = read if any(words[place].isdigit() for place in places) else read(words)


def _doubts(recipe: _Recipe, plan: Plan, words: Sequence[str]) -> None:
    """Put the options that are not modelled into a recipe."""
    spans: list[tuple[int, int]] = []
    reasons: list[str] = []
    for place in plan.get("doubt", ()):
        count, reason = _DOUBTS[words[place].lower()]
        if words[place].lower() == "reflect" and "timeout" in plan and plan["timeout"][0] == place + 2:
            count = 3
        spans.append((place, place + count + 1))
        reasons.append(reason)
    for place, test in zip(plan.get("ttl", ()), plan.get("ttl_test", ()), strict=True):
        spans.append((place, test + (3 if words[test].lower() == "range" else 2)))
        reasons.append("it compares the time to live, which is not modelled")
    recipe.options = tuple(sorted(spans))
    recipe.doubt = "; ".join(dict.fromkeys(reasons)) or None


# --- reading ---------------------------------------------------------------------------------------------------------


class EntryReader:
    """Reads the lines of one kind of list: `standard` or not, IPv4 or IPv6, `bare` addresses as hosts or not."""

    def __init__(self, version: IPVersion, *, standard: bool, bare: bool = False) -> None:
        self.version: IPVersion = version
        self.standard = standard
        if standard:
            self._grammar = _EntryGrammar(lambda: _standard(version), version, True)
        else:
            self._grammar = _EntryGrammar(lambda: _extended(version, bare=bare), version, False)

    def read(
        self,
        line: CommandLine,
        action: Action,
        sequence: int,
        reading: MaskReading,
        several_flags: str,
        groups: frozenset[str],
    ) -> tuple[Line, list[tuple[int, Note]]]:
        """Return the line, with notes on words by their index.

        Parameters
        ----------
        line
            Its `start` is behind `permit` or `deny`.
        sequence
            The number that the line has unless a word of it says another.
        reading, several_flags
            Settings of the device.
        groups
            Names of the groups that the text opens anywhere.

        Raises
        ------
        WrongLine
            The line cannot be read.
        """
        words = line.words[line.start :]
        recipe = self._grammar.plan(words)
        added = 0
        if isinstance(recipe, Misfit):
            longer = self._with_protocol(words, recipe)
            if longer is None:
                raise self._fault(line, self._clearer(recipe, words))
            words, recipe, added = longer, self._grammar.plan(longer), 1
        try:
            entry, notes = self._build(recipe, words, line, action, sequence, reading, several_flags, groups)
        except WrongValue as wrong:
            misfit = wrong.misfit
            raise self._fault(line, misfit._replace(place=misfit.place - added)) from None
        return entry, [(place - added, note) for place, note in notes] if added else notes

    def _with_protocol(self, words: list[str], misfit: Misfit) -> list[str] | None:
        """Return the words with the protocol that old IPv6 lines leave out, None where that is not what is wrong."""
        if self.version == 4 or self.standard or not words or misfit.message is not None:
            return None
        if words[0].lower() not in ("any", "host") and ":" not in words[0]:
            return None
        longer = ["ipv6", *words]
        return None if isinstance(self._grammar.plan(longer), Misfit) else longer

    def _fault(self, line: CommandLine, misfit: Misfit) -> WrongLine:
        """Return the error; a word in the place of a protocol is compared with protocols only."""
        if misfit.message is None and misfit.expected == "a protocol":
            return line.wrong(line.start + misfit.place, misfit.expected, known=_USUAL_PROTOCOLS, help=misfit.help)
        return self._grammar.fault(line, misfit)

    def _clearer(self, misfit: Misfit, words: Sequence[str]) -> Misfit:
        """Say more about some usual mistakes."""
        if misfit.message is not None or misfit.place >= len(words):
            return misfit
        found = words[misfit.place].lower()
        if self.standard and misfit.place == 0 and (found in _ALL_PROTOCOLS or found.isdigit()):
            cure = "use an extended list for a protocol, a destination or ports"
            return Misfit(misfit.place, "a source, which is all that a standard list compares", None, cure)
        if misfit.expected == "the end of the line":
            return Misfit(misfit.place, "an option or the end of the line", None, misfit.help)
        return misfit

    def _build(
        self,
        recipe: _Recipe,
        words: list[str],
        line: CommandLine,
        action: Action,
        sequence: int,
        reading: MaskReading,
        several_flags: str,
        groups: frozenset[str],
    ) -> tuple[Line, _Notes]:
        """Put the values of a line into its model."""
        if recipe.by_number is not None:
            text = words[recipe.by_number]
            if len(text) > 10 or int(text) > 255:
                raise WrongValue(Misfit(recipe.by_number, "", f"`{text}` is no protocol: its number goes up to 255"))
            recipe = _recipe(recipe.plan, words, self.version, self.standard, int(text))
        notes: _Notes = []
        protocol: int | GroupReference | None = recipe.protocol
        if recipe.protocol_group is not None:
            protocol = GroupReference(words[recipe.protocol_group], "service")
            if "protocol_group" not in recipe.plan and protocol.name not in groups:
                raise WrongValue(Misfit(recipe.protocol_group, "a protocol"))
        source_ports: Any = recipe.source_ports
        if source_ports is not None and source_ports.__class__ is not Ranges:
            source_ports = self._numbers(source_ports, words, recipe, "source_portgroup")
        destination_ports: Any = recipe.destination_ports
        if destination_ports is not None and destination_ports.__class__ is not Ranges:
            destination_ports = self._numbers(destination_ports, words, recipe, "destination_portgroup")
        icmp, dscp = recipe.icmp, recipe.dscp
        if recipe.sequence is not None:
            sequence = _sequence(words, recipe.sequence)
        flags, doubt, options = recipe.flags, recipe.doubt, ""
        if recipe.options:
            options = " ".join(" ".join(words[first:end]) for first, end in recipe.options)
        if recipe.several_flags is not None:
            wide, narrow = recipe.several_flags
            flags = narrow if several_flags == "all" else wide
            if several_flags == "uncertain":
                doubt = f"{doubt}; {_SEVERAL_FLAGS}" if doubt else _SEVERAL_FLAGS
        return (
            Line(
                sequence,
                action,
                protocol,
                recipe.source(words, reading, notes),
                recipe.destination(words, reading, notes),
                source_ports,
                destination_ports,
                icmp(words) if callable(icmp) else icmp,
                flags,
                dscp(words) if callable(dscp) else dscp,
                recipe.fragments,
                recipe.log,
                doubt,
                options,
                span=line.source.span,
            ),
            notes,
        )

    @staticmethod
    def _numbers(part: Any, words: list[str], recipe: _Recipe, group: str) -> Ranges | GroupReference:
        """Return ports, or the group of them."""
        if isinstance(part, GroupReference):
            return GroupReference(words[recipe.plan[group][0]], "port")
        found: Ranges = part(words)
        return found


def _sequence(words: Sequence[str], place: int) -> int:
    """Read a sequence number, 1 to 2**32 - 1."""
    if len(words[place]) > 10 or not 1 <= int(words[place]) <= 4294967295:
        raise WrongValue(Misfit(place, "a sequence number from 1 to 4294967295"))
    return int(words[place])
