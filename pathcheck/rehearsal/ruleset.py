"""The packet rules of a namespace: the lists of its device, and a record of what each packet met.

Each rule that decides writes the packet's number with a code of its own into a
set, so that afterwards the sets tell for each single packet on which interface
it came, which line decided, where the kernel's table sent it, and where it ended.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pathcheck.model.access_list import Action, Direction, ListBinding
from pathcheck.packet.address import IPVersion
from pathcheck.rehearsal.plan import DISCARDED, UNROUTED, Port, Table
from pathcheck.rehearsal.rules import LATER, MARKING, WHOLE, list_rules
from pathcheck.rehearsal.trace import Decision

__all__ = ["DELIVERED", "EXHAUSTED", "OWN", "OWN_MARK", "Codes", "table_rules", "wire_rules", "wire_sets"]

OWN_MARK = 0x5A
"""On packets that the laboratory lets a device send; the kernel's own messages have none and stay inside."""

_SIZE = 1_000_000
_NUMBER: dict[int, str] = {4: "ip id", 6: "ip6 flowlabel"}
_PROTOCOL: dict[int, str] = {4: "ip", 6: "ip6"}

OWN, DELIVERED, EXHAUSTED = 2, 3, 4
"""Codes: the packet is for the device itself; it was given to it; its time to live is over."""

_FIRST_CODE = 16


@dataclass(slots=True)
class Codes:
    """What the codes in a namespace's records stand for.

    Attributes
    ----------
    decisions
        By code: the port (None for the device itself), `in`, `out` or `own`, and the line.
    """

    decisions: dict[int, tuple[Port | None, str, Decision]] = field(default_factory=dict)

    def new(self, port: Port | None, where: str, decision: Decision) -> int:
        """Return a code for a line at its place."""
        code = _FIRST_CODE + len(self.decisions)
        self.decisions[code] = (port, where, decision)
        return code


def table_rules(table: Table) -> tuple[str, Codes]:
    """Return all rules of a table's namespace, and what their codes mean."""
    writing = _Writing(table)
    return writing.text(), writing.codes


class _Writing:
    """The work on one table."""

    def __init__(self, table: Table) -> None:
        self.table = table
        self.device = table.device
        self.codes = Codes()
        self.chains: list[str] = []
        self.uses = 0

    def text(self) -> str:
        """Return the rules."""
        into = [f'iifname "{port.name}" {rule}' for port in self.table.ports for rule in self._at(port, "in")]
        out = [f'oifname "{port.name}" {rule}' for port in self.table.ports for rule in self._at(port, "out")]
        own_out = out if self.device.assume.own_packets == "meet-out" else []
        for version in (4, 6):
            self._records(version)
            self._own(version)
        local = [
            # The kernel puts fragments to its own addresses together before `input`; nothing would complete these.
            *MARKING,
            *(f"{LATER} meta protocol {_PROTOCOL[v]} fib daddr type local goto finish{v}" for v in (4, 6)),
            f"ip ttl 1 meta mark set {EXHAUSTED} goto keep4",
            f"ip6 hoplimit 1 meta mark set {EXHAUSTED} goto keep6",
        ]
        ours = f"meta mark != {OWN_MARK} drop"
        traps = [f'oifname {{ "{UNROUTED}", "{DISCARDED}" }} drop']
        hooks = {
            "prerouting": ("-300", [*_record("came", "iifname"), *into, *local]),
            "input": ("0", [f"meta protocol {_PROTOCOL[version]} goto finish{version}" for version in (4, 6)]),
            "forward": (
                "0", [*_record("sent", "iifname . oifname . rt {protocol} nexthop"), *traps, *out]
            ),
            "output": (
                "-300",
                [ours, *_record("left", "oifname . rt {protocol} nexthop"), *traps, *own_out],
            ),
        }  # fmt: skip
        text = ["table inet rehearsal {"]
        for version in (4, 6):
            text += _set_text(f"came{version}", f"{_NUMBER[version]} . iifname")
            text += _set_text(f"met{version}", f"{_NUMBER[version]} . meta mark")
            target = f"{_PROTOCOL[version]} daddr"
            text += _set_text(f"sent{version}", f"{_NUMBER[version]} . iifname . oifname . {target}")
            text += _set_text(f"left{version}", f"{_NUMBER[version]} . oifname . {target}")
        text += self.chains
        for hook, (priority, rules) in hooks.items():
            body = "\n".join(rules)
            text.append(f"chain {hook} {{\ntype filter hook {hook} priority {priority}; policy accept;\n{body}\n}}")
        return "\n".join([*text, "}", ""])

    def _records(self, version: IPVersion) -> None:
        """Write the chains that record the mark of a packet; what they do then is a rule of its own."""
        update = f"update @met{version} {{ {_NUMBER[version]} . meta mark }}"
        for name, verdict in (("keep", "accept"), ("permit", "return"), ("deny", "drop")):
            self._chain(f"{name}{version}", [update, verdict])

    def _own(self, version: IPVersion) -> None:
        """Write the chain of packets to the device itself: control plane, then terminal lines."""
        rules = [f"meta mark set {OWN} jump permit{version}"]
        guards = [it for it in self.device.control_plane if it.direction == "in" and _version(it) == version]
        rules += [f"jump {self._use(None, 'own', binding)}" for binding in guards]
        blocks = dict.fromkeys(
            tuple(it for it in block.bindings if it.direction == "in" and _version(it) == version)
            for block in self.device.terminal_lines
            if block.accepts_sessions
        )
        if any(blocks):
            # SYN with ACK answers a session of the device itself, so the lists on terminal lines do not ask it.
            session = f"{WHOLE} meta l4proto 6 tcp dport {{ 22, 23 }} tcp flags & (syn | ack) != syn | ack"
            rules += [*MARKING, f"{session} {self._one_of(version, list(blocks))}"]
        self._chain(f"finish{version}", [*rules, f"meta mark set {DELIVERED} goto deny{version}"])

    def _one_of(self, version: IPVersion, blocks: Sequence[tuple[ListBinding, ...]]) -> str:
        """Return the rule that takes one block of terminal lines: a session ends on any of them."""
        names = []
        for number, bindings in enumerate(blocks):
            jumps = [f"jump {self._use(None, 'own', binding)}" for binding in bindings]
            names.append(f"terminal{version}_{number}")
            self._chain(names[-1], jumps)
        if len(names) == 1:
            return f"jump {names[0]}"
        choice = ", ".join(f"{number} : jump {name}" for number, name in enumerate(names))
        return f"numgen random mod {len(names)} vmap {{ {choice} }}"

    def _at(self, port: Port, direction: Direction) -> list[str]:
        """Return the rules that take packets through the lists of an interface."""
        bindings = [it for it in port.interface.bindings if it.direction == direction and not it.port]
        return [f"meta protocol {_PROTOCOL[_version(it)]} jump {self._use(port, direction, it)}" for it in bindings]

    def _use(self, port: Port | None, where: str, binding: ListBinding) -> str:
        """Write a list as a chain for one place where it is applied, and return its name."""
        version = _version(binding)
        known: dict[tuple[object, Action], int] = {}
        rules = list(MARKING)
        for tests, action, line in list_rules(self.device, binding.family, binding.list_name):
            key = (id(line), action)
            if key not in known:
                decision = Decision(binding.list_name, action.value, line.span if line is not None else None)
                known[key] = self.codes.new(port, where, decision)
            goto = "permit" if action is Action.PERMIT else "deny"
            rules.append(f"{tests} meta mark set {known[key]} goto {goto}{version}".strip())
        self.uses += 1
        self._chain(f"use{self.uses}", rules)
        return f"use{self.uses}"

    def _chain(self, name: str, rules: Sequence[str]) -> None:
        body = "\n".join(rules)
        self.chains.append(f"chain {name} {{\n{body}\n}}")


def wire_rules(port: Port, others: Sequence[Port]) -> str:
    """Return the rules at the far end of a port: frames go to whoever has their hardware address, else nowhere."""
    forwards = "\n".join(f'ether daddr {other.hardware} fwd to "{other.name}"' for other in others)
    return (
        f"chain {port.name} {{\n"
        f'type filter hook ingress device "{port.name}" priority 0; policy accept;\n'
        f"{chr(10).join(_record('out', 'iifname'))}\n{forwards}\ndrop\n}}"
    )


def wire_sets() -> str:
    """Return the sets in which frames are recorded that were seen on the wires."""
    lines = [line for version in (4, 6) for line in _set_text(f"out{version}", f"{_NUMBER[version]} . iifname")]
    return "\n".join(lines)


def _record(name: str, key: str) -> list[str]:
    """Rules that write the packet's number and a key into a set."""
    return [
        f"meta protocol {protocol} update @{name}{version} "
        f"{{ {_NUMBER[version]} . {key.replace('{protocol}', protocol)} }}"
        for version, protocol in _PROTOCOL.items()
    ]


def _set_text(name: str, key: str) -> list[str]:
    return [f"set {name} {{", f"typeof {key}", f"size {_SIZE}", "flags dynamic", "}"]


def _version(binding: ListBinding) -> IPVersion:
    return 4 if binding.family == "ipv4" else 6
