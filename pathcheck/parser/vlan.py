"""VLANs: the database of a device."""

from __future__ import annotations

from dataclasses import replace

from pathcheck.model.unmodelled import InterfaceScope, LayerTwoScope, NoScope, Scope
from pathcheck.model.vlan import SHARED_DATABASE, Vlan
from pathcheck.parser.commands import CommandLine, Context, Enter, Mode, Result, Tables, ignored, modelled, unmodelled
from pathcheck.parser.unmodelled import note, vlan_numbers
from pathcheck.results.account import LineClass
from pathcheck.source import Span

__all__ = ["COMMANDS", "MODES", "Vlans"]


class Vlans:
    """The VLANs that a device's text defines."""

    def __init__(self) -> None:
        self.vlans: dict[int, Vlan] = {}
        self.has_section = False

    def open(self, number: int, span: Span) -> None:
        """Define a VLAN, if it is not yet."""
        self.has_section = True
        if number not in self.vlans:
            self.vlans[number] = Vlan(number, span=span)

    def named(self, name: str) -> int | None:
        """Return the number of the VLAN of that name."""
        return next((number for number, vlan in self.vlans.items() if vlan.name == name), None)

    def finish(self, _context: Context) -> dict[int, Vlan]:
        """Return the VLANs by number."""
        return dict(sorted(self.vlans.items()))


def _read_vlan(context: Context, line: CommandLine) -> Result:
    """[no] vlan LIST [name NAME]"""
    words = line.tail
    name = ""
    if len(words) > 2 and words[-2].lower() == "name":
        name, words = words[-1], words[:-2]
    numbers = vlan_numbers("".join(words)) if words else None
    if numbers is None:
        raise line.wrong(line.start, "a VLAN or a list of VLANs, 1 to 4094, as `10,20,30-39`")
    vlans = context.part(Vlans)
    each = tuple(number for low, high in numbers.spans for number in range(low, high + 1))
    if line.negated:
        gone = [vlans.vlans.pop(number, None) for number in each]
        if not any(gone):
            context.report("PC408", f"VLAN {numbers} is not defined before this line", line.span)
        return None
    for number in each:
        vlans.open(number, line.span)
        if name:
            vlans.vlans[number] = replace(vlans.vlans[number], name=name.strip('"'))
    return Enter("vlan", each)


def _change(context: Context, line: CommandLine, **fields: object) -> None:
    """Change fields of the VLANs of the block."""
    vlans = context.part(Vlans).vlans
    for number in line.subject or ():
        if number in vlans:
            vlans[number] = replace(vlans[number], **fields)  # type: ignore[arg-type]


def _read_name(context: Context, line: CommandLine) -> Result:
    """[no] name TEXT"""
    _change(context, line, name="" if line.negated else line.text_from(line.start).strip('"'))
    return None


def _read_shutdown(context: Context, line: CommandLine) -> Result:
    """[no] shutdown"""
    _change(context, line, shutdown=not line.negated)
    return None


def _read_state(context: Context, line: CommandLine) -> Result:
    """state {active | suspend}"""
    given = line.tail[0].lower() if line.tail else ""
    if not line.negated and given not in ("active", "suspend"):
        raise line.wrong(line.start, "`active` or `suspend`", known=("active", "suspend"))
    _change(context, line, shutdown=given == "suspend" and not line.negated)
    return None


def _read_trunk_group(context: Context, line: CommandLine) -> Result:
    """[no] trunk group NAME"""
    if not line.tail:
        raise line.wrong(line.start, "the name of a trunk group")
    vlans = context.part(Vlans).vlans
    for number in line.subject or ():
        groups = tuple(group for group in vlans[number].trunk_groups if group != line.tail[0])
        _change(context, line, trunk_groups=groups if line.negated else (*groups, line.tail[0]))
    return None


def _read_vtp_mode(context: Context, line: CommandLine) -> Result:
    """vtp mode {client | server | transparent | off}"""
    given = line.tail[0].lower() if line.tail else ""
    if line.negated or given[:2] in ("tr", "of"):
        return LineClass.IGNORED
    # A client takes its VLANs from others, and a server may be told of them by others.
    return note(context, line, SHARED_DATABASE, LayerTwoScope())


def _touch(_context: Context, line: CommandLine) -> Scope | list[Scope]:
    """Return what a line in a VLAN's block can touch."""
    numbers = line.subject or ()
    return LayerTwoScope() if not 0 < len(numbers) <= 16 else [LayerTwoScope(number) for number in numbers]


def _touch_all(context: Context, line: CommandLine) -> list[Scope]:
    """Return what a filter on a VLAN can touch: bridged packets, and routed ones through its SVI."""
    scopes = _touch(context, line)
    routed = [InterfaceScope(f"Vlan{number}", may_only_drop=True) for number in line.subject or ()]
    return [*(scopes if isinstance(scopes, list) else [scopes]), *routed]


MODES = (Mode("vlan", unknown=_touch),)

COMMANDS: Tables = {
    "top": (
        modelled("vlan", _read_vlan, touches=LayerTwoScope(), opens="vlan"),
        modelled("vtp mode", _read_vtp_mode),
        ignored("vtp"),
        ignored("vlan configuration", "vlan database", opens="ignored block"),
        unmodelled("vlan translation", "mapping of VLANs", LayerTwoScope()),
    ),
    "vlan": (
        modelled("name", _read_name),
        modelled("shutdown", _read_shutdown),
        modelled("state", _read_state, touches=_touch),
        modelled("trunk group", _read_trunk_group, touches=_touch),
        ignored("description", "mtu", "ip igmp", "ipv6 mld", "voice", "media", "said", "no remote-span", "tb-vlan1"),
        ignored("ip dhcp", "dhcpv4-snooping", "client", "spanning-tree", "mac-learn", "no private-vlan", "igmp"),
        unmodelled("private-vlan", "private VLAN", _touch),
        unmodelled("vn-segment", "overlay", _touch),
        unmodelled("vxlan", "overlay", _touch),
        unmodelled("remote-span", "mirroring", _touch),
        unmodelled("mode fabricpath", "overlay", _touch),
        unmodelled("service-policy", "service policy", _touch_all),
        unmodelled("apply", "list on a VLAN", _touch_all),
        unmodelled("ip arp inspection", "ARP inspection", NoScope()),
        unmodelled("arp inspection", "ARP inspection", NoScope()),
    ),
}  # fmt: skip
