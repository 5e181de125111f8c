"""Terminal lines and the control plane: the lists that guard the device itself."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from pathcheck.model.access_list import Direction, Family, ListBinding
from pathcheck.model.device import ListUse, TerminalLines
from pathcheck.model.unmodelled import OwnScope
from pathcheck.parser.commands import (
    CommandLine,
    Context,
    Enter,
    Handler,
    Mode,
    Result,
    Tables,
    ignored,
    modelled,
    unmodelled,
)
from pathcheck.parser.interface import read_binding
from pathcheck.parser.list_use import note_lists
from pathcheck.parser.unmodelled import note
from pathcheck.results.account import LineClass
from pathcheck.source import Span

__all__ = ["COMMANDS", "MODES", "ControlPlane", "Terminals"]

_LAST_LINE = 1999
_LINES_WITHOUT_NUMBERS = (0, 15)


@dataclass(slots=True)
class _Terminal:
    """One terminal line; lines of one block have the same header."""

    span: Span
    lists: dict[Family, ListBinding] = field(default_factory=dict)
    accepts: bool = True


class Terminals:
    """The terminal lines of a device, each by number, since blocks may overlap."""

    def __init__(self) -> None:
        self.lines: dict[int, _Terminal] = {}

    def finish(self, _context: Context) -> tuple[TerminalLines, ...]:
        """Return the lines in blocks of equal lists and headers."""
        blocks: list[TerminalLines] = []
        for number, terminal in sorted(self.lines.items()):
            block = TerminalLines(number, number, tuple(terminal.lists.values()), terminal.accepts, span=terminal.span)
            last = blocks[-1] if blocks else None
            if (
                last
                and last.last == number - 1
                and last.span == block.span
                and replace(block, first=last.first) == (replace(last, last=number))
            ):
                blocks[-1] = replace(last, last=number)
            else:
                blocks.append(block)
        return tuple(blocks)


class ControlPlane:
    """The lists that guard each packet to the device."""

    def __init__(self) -> None:
        self.bindings: dict[Family, ListBinding] = {}

    def finish(self, _context: Context) -> tuple[ListBinding, ...]:
        """Return the lists, one for each family at most."""
        return tuple(self.bindings.values())


# --- terminal lines --------------------------------------------------------------------------------------------------


def _read_header(context: Context, line: CommandLine) -> Result:
    """line {vty | con | aux | tty | default} [FIRST [LAST]], line FIRST [LAST]"""
    words = [word.lower() for word in line.tail]
    if not words:
        raise line.wrong(line.start, "`vty`, `console` or another kind of line")
    if line.negated:
        return LineClass.IGNORED
    if not ("vty".startswith(words[0]) or words[0] == "default"):
        return Enter("terminal lines", None)
    first, last = _LINES_WITHOUT_NUMBERS
    if len(words) > 1:
        first = last = line.number_at(line.start + 1, 0, _LAST_LINE, "the number of a line")
    if len(words) > 2:
        last = line.number_at(line.start + 2, first, _LAST_LINE, "the number of the last line")
    terminals = context.part(Terminals).lines
    numbers = range(first, last + 1)
    for number in numbers:
        known = terminals.get(number)
        # A block that is opened again goes on; another one that takes some of its lines keeps their lists.
        if known is None or (known.span != line.span and not _same_block(context, numbers)):
            lists, accepts = (dict(known.lists), known.accepts) if known else ({}, True)
            terminals[number] = _Terminal(line.span, lists, accepts)
    return Enter("terminal lines", tuple(numbers))


def _same_block(context: Context, numbers: range) -> bool:
    """Whether these lines are all of one block already."""
    terminals = context.part(Terminals).lines
    spans = {terminals[number].span for number in numbers if number in terminals}
    return len(spans) == 1 and all(number in terminals for number in numbers)


def _access_class(family: Family) -> Handler:
    """Return the handler of a line that guards terminal lines by a list."""

    def handler(context: Context, line: CommandLine) -> Result:
        words = line.tail
        if words and words[0].lower() in ("ingress", "egress", "ipv4", "ipv6") and len(words) > 1:
            # The direction in front of the name.
            line.words[line.start], line.words[line.start + 1] = words[1], words[0]
            words = line.tail
        numbers = line.subject
        terminals = context.part(Terminals).lines
        if line.negated:
            gone = [terminals[number].lists.pop(family, None) for number in numbers or ()]
            if not any(gone):
                context.report("PC408", "no list guards these lines before this line", line.span)
            return None
        limited = len(words) > 2 and words[2].lower() == "vrf"
        if limited:
            note_lists(context, line, "sessions from one VRF")
            return note(context, line, "a list for the sessions of one VRF", OwnScope())
        if len(words) == 2 and words[1].lower() in ("vrf-also",):
            raise line.wrong(line.start + 1, "`in` or `out`")
        binding = read_binding(line, family)
        if numbers is None or binding.direction == "out":
            what = (
                "sessions that are opened from the device" if binding.direction == "out" else "a line of another kind"
            )
            context.list_uses.append(ListUse(binding.list_name, family, what, span=line.span))
            return LineClass.MODELLED if binding.direction == "out" else LineClass.IGNORED
        for number in numbers:
            terminals[number].lists[family] = binding
        return None

    return handler


def _read_transport(context: Context, line: CommandLine) -> Result:
    """transport input {none | PROTOCOL ...}: with `none` no session ends on the lines"""
    terminals = context.part(Terminals).lines
    for number in line.subject or ():
        terminals[number].accepts = line.negated or [word.lower() for word in line.tail] != ["none"]
    return None


def _service_list(family: Family) -> Handler:
    """Return the handler of a list under the service for SSH, which guards its sessions as terminal lines do."""

    def handler(context: Context, line: CommandLine) -> Result:
        if any(word.lower() == "vrf" for word in line.tail):
            note_lists(context, line, "sessions from one VRF")
            return note(context, line, "a list for the sessions of one VRF", OwnScope())
        terminals = context.part(Terminals).lines
        if line.negated:
            for terminal in terminals.values():
                terminal.lists.pop(family, None)
            return None
        binding = read_binding(line, family)
        first, last = _LINES_WITHOUT_NUMBERS
        for number in range(first, last + 1):
            terminals.setdefault(number, _Terminal(line.source.span)).lists[family] = binding
        return None

    return handler


def _open_service(_context: Context, _line: CommandLine) -> Result:
    """management ssh: a block about a service"""
    return Enter("session service")


def _guarded_service(context: Context, line: CommandLine) -> Result:
    """ssh server ... access-list NAME and the like: a list that guards the service, in a way that is not modelled."""
    words = [word.lower() for word in line.words]
    for keyword in ("access-list", "access-class", "access-group", "allow-list"):
        if keyword in words and not line.negated:
            note_lists(context, line, "sessions to the device", at=words.index(keyword) + 1 - line.start)
            return note(context, line, "a list that guards a service", OwnScope())
    return LineClass.IGNORED


# --- the control plane -----------------------------------------------------------------------------------------------


def _open_control_plane(_context: Context, line: CommandLine) -> Result:
    """control-plane, system control-plane"""
    return LineClass.IGNORED if line.negated else Enter("control plane")


def _guard(family: Family) -> Handler:
    """Return the handler of a list inside the control plane's block."""

    def handler(context: Context, line: CommandLine) -> Result:
        if any(word.lower() == "vrf" for word in line.tail):
            note_lists(context, line, "the control plane of one VRF")
            return note(context, line, "a list for the control plane of one VRF", OwnScope())
        bindings = context.part(ControlPlane).bindings
        if line.negated:
            bindings.pop(family, None)
        else:
            bindings[family] = read_binding(line, family)
        return None

    return handler


def _turned_guard(family: Family) -> Handler:
    """Return the handler of `apply access-list FAMILY NAME control-plane [vrf NAME]`."""

    def handler(context: Context, line: CommandLine) -> Result:
        words = line.tail
        if len(words) < 2 or words[1].lower() != "control-plane":
            raise line.wrong(line.start + min(len(words), 1), "`control-plane`", known=("control-plane",))
        if len(words) > 3 and words[2].lower() == "vrf" and words[3].lower() != "default":
            note_lists(context, line, "the control plane of one VRF")
            return note(context, line, "a list for the control plane of one VRF", OwnScope())
        direction: Direction = "in"
        binding = ListBinding(words[0], family, direction, span=line.span)
        bindings = context.part(ControlPlane).bindings
        if line.negated:
            bindings.pop(family, None)
        else:
            bindings[family] = binding
        return None

    return handler


MODES = (
    Mode("terminal lines", unknown=OwnScope()),
    Mode("control plane", unknown=OwnScope()),
    Mode("session service", unknown=OwnScope()),
)

COMMANDS: Tables = {
    "top": (
        modelled("line", _read_header, touches=OwnScope(), opens="terminal lines"),
        modelled("control-plane", _open_control_plane),
        modelled("system control-plane", _open_control_plane),
        modelled("management ssh", _open_service),
        modelled("apply access-list ip", _turned_guard("ipv4"), touches=OwnScope()),
        modelled("apply access-list ipv6", _turned_guard("ipv6"), touches=OwnScope()),
        modelled("ssh server", _guarded_service),
        modelled("ip ssh server", _guarded_service),
        modelled("ip ssh access-class", _guarded_service),
        modelled("telnet", _guarded_service),
    ),
    "terminal lines": (
        modelled("access-class", _access_class("ipv4"), touches=OwnScope()),
        modelled("ip access-class", _access_class("ipv4"), touches=OwnScope()),
        modelled("ipv6 access-class", _access_class("ipv6"), touches=OwnScope()),
        modelled("transport input", _read_transport),
    ),
    "control plane": (
        modelled("ip access-group", _guard("ipv4"), touches=OwnScope()),
        modelled("ipv6 access-group", _guard("ipv6"), touches=OwnScope()),
        ignored("scale-factor", "exit-control-plane"),
        unmodelled("management-plane", "guarded management", OwnScope(), opens="unmodelled block"),
        unmodelled("management-interface", "guarded management", OwnScope()),
        unmodelled("inband", "guarded management", OwnScope(), opens="unmodelled block"),
    ),
    "session service": (
        modelled("ip access-group", _service_list("ipv4"), touches=OwnScope()),
        modelled("ipv6 access-group", _service_list("ipv6"), touches=OwnScope()),
        ignored("shutdown", "idle-timeout", "authentication", "hostkey", "cipher", "key-exchange", "mac", "connection"),
        ignored("server-port", "client-alive", "log-level", "known-hosts", "rekey", "fips", "user", "login", "vrf"),
        ignored("logging", "default", "dscp", "password"),
    ),
}
