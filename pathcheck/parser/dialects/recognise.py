"""Which dialect a text is in, told by its own lines and never by a product name.

The wildcard-mask and the prefix-length dialect are read, mixed in one file too.
The others share words with them, so half-parsing one would give confident
nonsense: they are refused whole. A file is refused only on lines that the two
dialects that are read do not have, and only if it has next to no lines of theirs.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pathcheck.parser.lines import LineKind, TextLine

__all__ = ["BINARY", "EMPTY", "HIERARCHICAL", "NETMASK", "READ", "RULE_NUMBER", "SET_STYLE", "VLAN_CENTRIC"]
__all__ += ["Dialect", "recognise"]


@dataclass(frozen=True, slots=True)
class Dialect:
    """A dialect by its trait; `refused` says why its files are refused whole, None where they are read."""

    trait: str
    refused: str | None = None


def _not_read(trait: str) -> Dialect:
    """Return a dialect that is recognised and refused."""
    return Dialect(trait, f"this dialect is not read: {trait}")


READ = Dialect("wildcard-mask or prefix-length form")
EMPTY = Dialect("no command at all")
BINARY = Dialect("binary", "this is no text: it is full of control characters; configuration is text in UTF-8")
NETMASK = _not_read("netmask form (interfaces with names and levels, list name on every line)")
RULE_NUMBER = _not_read("rule-number form (`rule 5 permit`, `ip route-static`)")
SET_STYLE = _not_read("set style (`set ...` on every line)")
HIERARCHICAL = _not_read("hierarchical form (braces and semicolons)")
VLAN_CENTRIC = _not_read("VLAN-centric form (ports are listed under the VLAN)")

_LOOK_AT = 4000
"""Commands that are looked at; a dialect shows within far fewer."""

_OUTWEIGHS = 4
"""Lines of a dialect that is refused for each line that only the dialects that are read have."""

_CONTROL = re.compile("[\x00-\x02\x04-\x07\x0b\x0e-\x1a\x1c-\x1f\x7f]")

_EVIDENCE = re.compile(
    r"(?P<netmask>nameif \S|security-level \d|access-list \S+ (?:line \d+ )?extended (?:permit|deny) "
    r"|access-group \S+ (?:in|out) interface \S|access-group \S+ global$|same-security-traffic permit"
    r"|object network \S|nat \([^()]+,[^()]+\) |(?:route|ipv6 route) (?!vrf)[a-z][\w-]* \d+\.\d+\.\d+\.\d+ \d+\.\d)"
    r"|(?P<rule_number>rule (?:\d+ )?(?:permit|deny)(?: (?:ip|tcp|udp|icmp|gre|ospf|igmp|source|\d+)\b|$)"
    r"|(?:ip|ipv6) route-static |acl (?:number |name |ipv6 |basic |advanced |\d)|sysname \S|undo \S|vlan batch "
    r"|port (?:link-type|trunk allow-pass|trunk permit|default vlan|access vlan) |user-interface |display \S"
    r"|interface vlan(?:-interface|if) ?\d|(?:traffic|packet)-filter (?:\d+ )?(?:inbound|outbound))"
    r"|(?P<set_style>(?:set|delete|edit) (?:interfaces?|firewall|system|protocols|policy|policy-options|nat|service"
    r"|vpn|routing-options|security|applications|vlans?|groups|zone-policy|vrf|forwarding-options|snmp|chassis"
    r"|routing-instances|class-of-service|container|high-availability|qos|access) \S)"
    r"|(?P<hierarchical>.*[{;]$|\}+;?,?$)"
    r"|(?P<vlan_centric>(?:no )?(?:un)?tagged (?:\d|[A-Za-z]{1,4}\d|ethe))"
    r"|(?P<ours>(?:ip|ipv[46]|mac) access-list |access-list (?:\d+ |ip |ipv6 |mac )|(?:ip|ipv6) route (?=[\dv:])"
    r"|ip access-group |service (?:timestamps|password)|ip routing$|ipv6 unicast-routing"
    r"|access-class |router static$)"
    r"|(?P<terminal>line (?:vty|con) )"
    r"|(?P<switching>(?:no )?switchport\b|vlan (?:access|trunk) |encapsulation dot1q|interface vlan ?\d)",
    re.IGNORECASE,
)


def recognise(lines: Sequence[TextLine]) -> Dialect:
    """Tell the dialect of a file from its lines.

    Parameters
    ----------
    lines
        All lines of one file, as :func:`pathcheck.parser.lines.split_lines` cuts them.

    Returns
    -------
    Dialect
        `READ` or `EMPTY`, or one whose `refused` says why the file is refused.
    """
    if _is_binary(lines):
        return BINARY
    commands = [line for line in lines if line.kind is LineKind.COMMAND][:_LOOK_AT]
    if not commands:
        return EMPTY
    found: Counter[str] = Counter()
    for line in commands:
        match = _EVIDENCE.match(line.text)
        # In a route map or a policy a `set` stands indented, so only one at the margin counts.
        if match and match.lastgroup and not (match.lastgroup == "set_style" and line.indent):
            found[match.lastgroup] += 1
    ours = found["ours"] + found["terminal"] + found["switching"]
    if found["hierarchical"] >= max(2, len(commands) // 4, _OUTWEIGHS * ours):
        return HIERARCHICAL
    # Small devices of the netmask form have switch ports, and some of the rule-number form have `line vty`.
    for name, shared, dialect in (
        ("netmask", "switching", NETMASK),
        ("rule_number", "terminal", RULE_NUMBER),
        ("set_style", "", SET_STYLE),
    ):
        if found[name] and found[name] >= _OUTWEIGHS * (ours - found[shared]):
            return dialect
    # The VLAN-centric form writes routes and lists like the forms that are read; only its ports differ.
    if found["vlan_centric"] and not found["switching"]:
        return VLAN_CENTRIC
    return READ


def _is_binary(lines: Iterable[TextLine]) -> bool:
    """Whether one character in fifty is a control character that no text has."""
    length = control = 0
    for line in lines:
        length += len(line.span.text) + 1
        control += len(_CONTROL.findall(line.span.text))
        if length > 100_000:
            break
    return control * 50 > length
