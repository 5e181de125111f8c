"""A device's configuration as YAML data, in the shape that the documentation page on the data form describes.

Each item of the data means exactly the command lines that are written for it
here, in the order of the file. So data and raw lines of one device mix in any
way, and mean the same by construction. What is read from such a line is then
pointed back to the place of the item in the YAML file.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, is_dataclass, replace
from typing import Any, TypeVar

from pathcheck.errors import nearest
from pathcheck.model.access_list import UnreadLine
from pathcheck.parser.yaml_text import YamlList, YamlMap, YamlNode, YamlText, brief, load_yaml
from pathcheck.results.account import FileAccount, LineClass, LineRecord
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["DEVICE_KEYS", "NAME_KEYS", "WrittenForm", "point_back", "write_data_form"]

T = TypeVar("T")

NAME_KEYS = ("hostname", "device")
"""Keys that give the device its name."""

DEVICE_KEYS = (
    *NAME_KEYS, "vrfs", "routing", "ipv6_routing", "vlans", "access_lists", "ipv6_access_lists", "interfaces",
    "static_routes", "gateway", "terminal_lines", "cli",
)  # fmt: skip
"""Keys of the whole form."""

_VLAN_KEYS = ("name", "shutdown")
_LIST_KEYS = ("standard", "lines")
_LINE_KEYS = (
    "sequence", "action", "protocol", "source", "source_port", "destination", "destination_port", "icmp",
    "established", "flags", "dscp", "fragments", "log", "remark",
)  # fmt: skip
_INTERFACE_KEYS = (
    "description", "vrf", "routed", "encapsulation", "untagged", "addresses", "in", "out", "ipv6_in", "ipv6_out",
    "switch_port", "channel_group", "shutdown", "cli",
)  # fmt: skip
_SWITCH_PORT_KEYS = ("mode", "vlan", "voice_vlan", "allowed", "native")
_ROUTE_KEYS = ("prefix", "next_hop", "interface", "discard", "vrf", "distance", "name", "tag", "permanent")
_TERMINAL_KEYS = ("first", "last", "in", "out", "ipv6_in", "ipv6_out", "cli")

_FLAGS = {"true": True, "yes": True, "on": True, "false": False, "no": False, "off": False}
_GRAVITY = (LineClass.IGNORED, LineClass.MODELLED, LineClass.UNMODELLED, LineClass.UNKNOWN, LineClass.WRONG)

# No device knows a command of this name, so a line that begins with it is unknown in each mode.
_FAULT = "unreadable-data"


@dataclass(slots=True)
class WrittenForm:
    """The command lines of a YAML file, with the place in that file that each comes from.

    Parameters
    ----------
    lines
        The command lines.
    spans
        Where the item of each line stands.
    faults
        By index of a line: why its item could not be read.
    separators
        How many of the lines only end a block.
    yaml_lines
        How many lines the YAML file has, and how many of them are blank or comments.
    """

    file: str
    lines: list[str] = field(default_factory=list)
    spans: list[Span] = field(default_factory=list)
    faults: dict[int, str] = field(default_factory=dict)
    separators: int = 0
    yaml_lines: tuple[int, int] = (0, 0)

    @property
    def data(self) -> bytes:
        """The lines as a text to read."""
        return "".join(f"{line}\n" for line in self.lines).encode()

    def place(self, line: int) -> Span:
        """Return where the item of a 1-based line stands; the first line of the file where there is none."""
        return self.spans[line - 1] if 0 < line <= len(self.spans) else Span(self.file, 1, "")

    def emit(self, line: str, span: Span) -> None:
        """Add a line."""
        self.lines.append(line)
        self.spans.append(span)

    def fault(self, why: str, span: Span, indent: str = "") -> None:
        """Add a line that nobody knows, so that what the item could mean is in doubt."""
        self.faults[len(self.lines)] = why
        self.emit(f"{indent}{_FAULT}", span)


def write_data_form(file: str, data: bytes) -> WrittenForm:
    """Write the command lines of a YAML file in the data form.

    Raises
    ------
    InputError
        The file is no YAML that can be read. What is wrong inside the form does
        not raise: it becomes a line that is unknown.
    """
    form = WrittenForm(file)
    node = load_yaml(file, data)
    text = data.decode("utf-8-sig")
    rows = text.removesuffix("\n").split("\n") if text else []
    form.yaml_lines = (len(rows), sum(1 for row in rows if not row.strip() or row.lstrip().startswith("#")))
    if node is not None:
        _Form(form).device(node)
    return form


# --- from the lines back to the YAML file ----------------------------------------------------------------------------


def point_back(value: T, forms: Mapping[str, WrittenForm]) -> T:
    """Return what was read with each place in a written form turned into the place of its item.

    Parameters
    ----------
    value
        Devices, accounts and findings, and whatever holds them.
    forms
        By name of the YAML file.
    """
    moved: T = _Mover(forms).move(value)
    return moved


class _Mover:
    """Walks through what was read; whatever holds no such place stays the same object."""

    def __init__(self, forms: Mapping[str, WrittenForm]) -> None:
        self._forms = forms
        self._fields: dict[type, tuple[str, ...]] = {}

    def move(self, value: Any) -> Any:
        """Return the value with its places moved."""
        if isinstance(value, (str, int, bytes, type(None))):
            return value
        if isinstance(value, Span):
            form = self._forms.get(value.file)
            return value if form is None else form.place(value.line)
        if isinstance(value, FileAccount) and value.file in self._forms and value.refused is None:
            return self._account(value, self._forms[value.file])
        if isinstance(value, (tuple, list)):
            items = [self.move(item) for item in value]
            same = all(new is old for new, old in zip(items, value, strict=True))
            return value if same else type(value)(items)
        if isinstance(value, Mapping):
            changed = {key: self.move(item) for key, item in value.items()}
            return value if all(changed[key] is item for key, item in value.items()) else changed
        if is_dataclass(value) and not isinstance(value, type):
            return self._object(value)
        return value

    def _object(self, value: Any) -> Any:
        """Move the fields of a dataclass; an item's own fault takes the place of what was said of its line."""
        why = self._why(getattr(value, "span", None)) if isinstance(value, (Finding, LineRecord, UnreadLine)) else None
        names = self._fields.get(type(value))
        if names is None:
            names = self._fields[type(value)] = tuple(item.name for item in fields(value) if item.init)
        changes = {
            name: new for name in names if (new := self.move(old := getattr(value, name))) is not old
        }  # fmt: skip
        if why is not None:
            changes["message" if isinstance(value, Finding) else "why"] = why
            if isinstance(value, Finding):
                changes["help"] = None
        return replace(value, **changes) if changes else value

    def _why(self, span: Span | None) -> str | None:
        """Return the fault of the item that a line was written for."""
        form = self._forms.get(span.file) if span is not None else None
        return None if form is None or span is None else form.faults.get(span.line - 1)

    def _account(self, account: FileAccount, form: WrittenForm) -> FileAccount:
        """Count the lines of the YAML file instead of those written for it."""
        total, blank = form.yaml_lines
        records = self.move(account.records)
        gravest: dict[int, LineClass] = {}
        for record in records:
            before = gravest.get(record.span.line, LineClass.IGNORED)
            gravest[record.span.line] = max(before, record.line_class, key=_GRAVITY.index)
        counts = dict.fromkeys(LineClass, 0)
        for line_class in gravest.values():
            counts[line_class] += 1
        raw_ignored = max(0, account.counts.get(LineClass.IGNORED, 0) - form.separators)
        counts[LineClass.IGNORED] = min(blank + raw_ignored, total - sum(counts.values()))
        counts[LineClass.MODELLED] = total - sum(counts.values())
        return replace(account, lines=total, counts=counts, records=records)


# --- from YAML to lines ----------------------------------------------------------------------------------------------


class _Form:
    """Writes the lines of a device."""

    def __init__(self, form: WrittenForm) -> None:
        self._form = form

    def device(self, node: YamlNode) -> None:
        """The whole form."""
        parts: dict[str, Callable[[YamlNode], object]] = {
            "hostname": self._hostname,
            "device": self._hostname,
            "vrfs": self._vrfs,
            "routing": lambda value: self._switch("routing", value, "ip routing"),
            "ipv6_routing": lambda value: self._switch("ipv6_routing", value, "ipv6 unicast-routing"),
            "vlans": self._vlans,
            "access_lists": lambda value: self._lists(value, 4),
            "ipv6_access_lists": lambda value: self._lists(value, 6),
            "interfaces": self._interfaces,
            "static_routes": self._routes,
            "gateway": lambda value: self._line(value, "ip default-gateway {}", "the gateway's address"),
            "terminal_lines": self._terminal_lines,
            "cli": self._raw,
        }
        for key, value in self._entries(node, "a device", DEVICE_KEYS):
            parts[key.value](value)
            # A line at the margin ends whatever block the last item left open.
            self._form.emit("!", key.span)
            self._form.separators += 1

    # -- what each key means

    def _hostname(self, value: YamlNode) -> None:
        """NAME."""
        self._line(value, "hostname {}", "the name of the device")

    def _vrfs(self, value: YamlNode) -> None:
        """List of names."""
        for item in self._items(value, "a list of VRFs"):
            self._line(item, "vrf definition {}", "the name of a VRF")

    def _switch(self, key: str, value: YamlNode, line: str, indent: str = "") -> None:
        """True writes the line, false the line that undoes it."""
        answer = self._truth(value, f"`{key}`", indent)
        if answer is not None:
            self._form.emit(f"{indent}{'' if answer else 'no '}{line}", value.span)

    def _vlans(self, value: YamlNode) -> None:
        """NUMBER: nothing, a name, or {name, shutdown}; or a list of numbers and ranges."""
        if isinstance(value, YamlList):
            for item in value.items:
                self._line(item, "vlan {}", "a VLAN or a range of VLANs")
            return
        for number, about in self._entries(value, "VLANs by number", None):
            self._line(number, "vlan {}", "a VLAN")
            if isinstance(about, YamlMap):
                for part, what in self._entries(about, "a VLAN", _VLAN_KEYS, " "):
                    if part.value == "name":
                        self._line(what, " name {}", "the VLAN's name", free=True)
                    else:
                        self._switch("shutdown", what, "shutdown", " ")
            elif not _is_nothing(about):
                self._line(about, " name {}", "the VLAN's name", free=True)

    def _lists(self, value: YamlNode, version: int) -> None:
        """NAME: {standard, lines}, or the lines alone."""
        for name, about in self._entries(value, "access lists by name", None):
            parts = {"lines": about}
            if isinstance(about, YamlMap):
                parts = {part.value: what for part, what in self._entries(about, "an access list", _LIST_KEYS)}
            standard = "standard" in parts and self._truth(parts["standard"], "`standard`", "") is True
            kind = (
                "ipv6 access-list {}"
                if version == 6
                else f"ip access-list {'standard' if standard else 'extended'} {{}}"
            )
            if self._line(name, kind, "the name of an access list") and "lines" in parts:
                for item in self._items(parts["lines"], "a list of access-list lines", " "):
                    self._entry(item, version, standard)

    def _entry(self, node: YamlNode, version: int, standard: bool) -> None:
        """One line of a list: a raw line, or its parts."""
        if isinstance(node, YamlText):
            self._line(node, " {}", "an access-list line", free=True)
            return
        start = len(self._form.lines)
        found = {key.value: value for key, value in self._entries(node, "an access-list line", _LINE_KEYS, " ")}
        if len(self._form.lines) > start:
            return
        try:
            text = _entry_text(found, version, standard)
        except _Fault as fault:
            self._form.fault(str(fault), fault.node.span if fault.node is not None else node.span, " ")
        else:
            self._form.emit(f" {text}", node.span)

    def _interfaces(self, value: YamlNode) -> None:
        """NAME: {description, vrf, addresses, in, out, switch_port, ...}."""
        for name, about in self._entries(value, "interfaces by name", None):
            if not self._line(name, "interface {}", "the name of an interface", free=True) or _is_nothing(about):
                continue
            entries = self._entries(about, "an interface", _INTERFACE_KEYS, " ")
            # A VRF line removes the addresses before it, and an address needs a routed port.
            order = {"vrf": 0, "routed": 1, "encapsulation": 2}
            untagged = next((what for part, what in entries if part.value == "untagged"), None)
            for part, what in sorted(entries, key=lambda entry: order.get(entry[0].value, 3)):
                self._interface_part(part, what, untagged)

    def _interface_part(self, key: YamlText, value: YamlNode, untagged: YamlNode | None) -> None:
        """One key of an interface."""
        name = key.value
        if name == "description":
            self._line(value, " description {}", "a description", free=True)
        elif name == "vrf":
            self._line(value, " vrf forwarding {}", "the name of a VRF")
        elif name == "routed":
            answer = self._truth(value, "`routed`", " ")
            if answer is not None:
                self._form.emit(" no switchport" if answer else " switchport", key.span)
        elif name == "encapsulation":
            native = untagged is not None and self._truth(untagged, "`untagged`", " ") is True
            self._line(value, f" encapsulation dot1q {{}}{' native' if native else ''}", "a VLAN")
        elif name == "addresses":
            self._addresses(value)
        elif name in ("in", "out"):
            self._line(value, f" ip access-group {{}} {name}", "the name of an access list")
        elif name in ("ipv6_in", "ipv6_out"):
            self._line(value, f" ipv6 traffic-filter {{}} {name[5:]}", "the name of an access list")
        elif name == "switch_port":
            self._switch_port(value)
        elif name == "channel_group":
            self._line(value, " channel-group {} mode active", "the number of a port channel")
        elif name == "shutdown":
            self._switch("shutdown", value, "shutdown", " ")
        elif name == "cli":
            self._raw(value, " ")

    def _addresses(self, value: YamlNode) -> None:
        """ADDRESS/LENGTH, or a list of them; the first IPv4 address is the primary one."""
        primary = True
        for item in value.items if isinstance(value, YamlList) else (value,):
            text = item.value.strip() if isinstance(item, YamlText) else ""
            if ":" in text:
                local = "/" not in text
                self._line(
                    item, f" ipv6 address {{}}{' link-local' if local else ''}", "an IPv6 address with its length"
                )
            else:
                self._line(item, f" ip address {{}}{'' if primary else ' secondary'}", "an address with its length")
                primary = False

    def _switch_port(self, value: YamlNode) -> None:
        """{mode, vlan, voice_vlan, allowed, native}."""
        lines = {
            "mode": (" switchport mode {}", "`access` or `trunk`"),
            "vlan": (" switchport access vlan {}", "a VLAN"),
            "voice_vlan": (" switchport voice vlan {}", "a VLAN"),
            "allowed": (" switchport trunk allowed vlan {}", "VLANs as `10,20-29`, `all` or `none`"),
            "native": (" switchport trunk native vlan {}", "a VLAN"),
        }
        for key, what in self._entries(value, "a switch port", _SWITCH_PORT_KEYS, " "):
            line, expected = lines[key.value]
            if key.value == "allowed" and isinstance(what, YamlList):
                words = [item.value.strip() if isinstance(item, YamlText) else "" for item in what.items]
                if words and all(re.fullmatch(r"[0-9]+(-[0-9]+)?", word) for word in words):
                    self._form.emit(line.format(",".join(words)), what.span)
                else:
                    self._form.fault(f"expected {expected}, or a list of VLANs and ranges", what.span, " ")
            else:
                self._line(what, line, expected)

    def _routes(self, value: YamlNode) -> None:
        """List of {prefix, next_hop, interface, discard, vrf, distance, name, tag, permanent}."""
        for item in self._items(value, "a list of static routes"):
            start = len(self._form.lines)
            found = {part.value: what for part, what in self._entries(item, "a static route", _ROUTE_KEYS)}
            if len(self._form.lines) > start:
                continue
            try:
                text = _route_text(found, item)
            except _Fault as fault:
                self._form.fault(str(fault), fault.node.span if fault.node is not None else item.span)
            else:
                self._form.emit(text, item.span)

    def _terminal_lines(self, value: YamlNode) -> None:
        """List of {first, last, in, out, ipv6_in, ipv6_out}."""
        for item in self._items(value, "a list of terminal lines"):
            entries = self._entries(item, "a block of terminal lines", _TERMINAL_KEYS)
            found = {part.value: what for part, what in entries}
            try:
                first, last = (_word(found[name], f"`{name}`, a number") for name in ("first", "last"))
            except KeyError as missing:
                self._form.fault(f"a block of terminal lines needs the key `{missing.args[0]}`", item.span)
                continue
            except _Fault as fault:
                self._form.fault(str(fault), item.span)
                continue
            self._form.emit(f"line vty {first} {last}", item.span)
            for part, what in entries:
                if part.value in ("in", "out"):
                    self._line(what, f" access-class {{}} {part.value}", "the name of an access list")
                elif part.value in ("ipv6_in", "ipv6_out"):
                    self._line(what, f" ipv6 access-class {{}} {part.value[5:]}", "the name of an access list")
                elif part.value == "cli":
                    self._raw(what, " ")

    def _raw(self, value: YamlNode, indent: str = "") -> None:
        """Raw command lines: a block of text, or a list of lines."""
        for item in value.items if isinstance(value, YamlList) else (value,):
            if not isinstance(item, YamlText) or (not item.block and "\n" in item.value.strip()):
                self._form.fault(
                    "expected raw lines as a block that begins with `|`, or a list of lines", item.span, indent
                )
                continue
            for line, span in item.lines():
                self._form.emit(f"{indent}{line}", span)

    # -- values

    def _line(self, node: YamlNode, line: str, what: str, *, free: bool = False) -> bool:
        """Write a line with the value in it; `free` allows blanks in the value."""
        indent = " " if line.startswith(" ") else ""
        try:
            text = _free_text(node, what) if free else _word(node, what)
        except _Fault as fault:
            self._form.fault(str(fault), node.span, indent)
            return False
        self._form.emit(line.format(text), node.span)
        return True

    def _truth(self, node: YamlNode, what: str, indent: str) -> bool | None:
        """Read `true` or `false`."""
        try:
            return _truth(node, what)
        except _Fault as fault:
            self._form.fault(str(fault), node.span, indent)
            return None

    def _items(self, node: YamlNode, what: str, indent: str = "") -> tuple[YamlNode, ...]:
        """Read a list; nothing is an empty one."""
        if isinstance(node, YamlList):
            return node.items
        if not _is_nothing(node):
            self._form.fault(f"expected {what}", node.span, indent)
        return ()

    def _entries(
        self, node: YamlNode, what: str, known: tuple[str, ...] | None, indent: str = ""
    ) -> list[tuple[YamlText, YamlNode]]:
        """Read a mapping; keys that are not known become unknown lines."""
        if not isinstance(node, YamlMap):
            if not _is_nothing(node):
                self._form.fault(f"expected {what} as a mapping", node.span, indent)
            return []
        found = []
        for key, value in node.entries:
            if known is None or key.value in known:
                found.append((key, value))
                continue
            near = nearest(key.value, known)
            cure = f"; did you mean `{near}`?" if near else f"; known are {', '.join(f'`{one}`' for one in known)}"
            self._form.fault(f"unknown key `{brief(key.value)}` in {what}{cure}", key.span, indent)
        return found


class _Fault(Exception):  # noqa: N818 - inside this file only
    """An item cannot be written as a line."""

    def __init__(self, why: str, node: YamlNode | None = None) -> None:
        super().__init__(why)
        self.node = node


def _entry_text(found: Mapping[str, YamlNode], version: int, standard: bool) -> str:
    """Write a line of a list from its parts."""
    words = [_word(found["sequence"], "a sequence number")] if "sequence" in found else []
    if "remark" in found:
        other = next((name for name in found if name not in ("remark", "sequence")), None)
        if other is not None:
            raise _Fault(f"a remark has no `{other}`", found[other])
        return " ".join((*words, "remark", _free_text(found["remark"], "a remark")))
    if "action" not in found:
        raise _Fault("an access-list line needs the key `action`, `permit` or `deny`")
    action = _word(found["action"], "`permit` or `deny`")
    if action not in ("permit", "deny"):
        raise _Fault(f"expected `permit` or `deny`, found `{brief(action)}`", found["action"])
    words.append(action)
    if standard:
        other = next((name for name in found if name not in ("sequence", "action", "source", "log")), None)
        if other is not None:
            raise _Fault(f"a line of a standard list has no `{other}`", found[other])
    else:
        words.append(
            _word(found["protocol"], "a protocol") if "protocol" in found else ("ip" if version == 4 else "ipv6")
        )
    words.append(_address_text(found.get("source"), "a source"))
    if not standard:
        words.extend(_port_text(found.get("source_port")))
        words.append(_address_text(found.get("destination"), "a destination"))
        words.extend(_port_text(found.get("destination_port")))
    if "icmp" in found:
        words.append(_word(found["icmp"], "an ICMP type by name or as `TYPE/CODE`").replace("/", " "))
    if "established" in found and _truth(found["established"], "`established`"):
        words.append("established")
    if "flags" in found:
        node = found["flags"]
        flags = [_word(item, "a flag") for item in (node.items if isinstance(node, YamlList) else (node,))]
        if not flags or not all(re.fullmatch(r"[+-][A-Za-z]+", flag) for flag in flags):
            raise _Fault("expected flags as `[+syn, -ack]`, all of which must hold", node)
        words.extend(("match-all", *flags))
    if "dscp" in found:
        words.extend(("dscp", _word(found["dscp"], "a DSCP value")))
    words.extend(name for name in ("fragments", "log") if name in found and _truth(found[name], f"`{name}`"))
    return " ".join(words)


def _address_text(node: YamlNode | None, what: str) -> str:
    """Write any, an address, a prefix, or an address and a wildcard mask; nothing is any."""
    if node is None:
        return "any"
    text = _free_text(node, what)
    if " " not in text and "/" not in text and text != "any":
        return f"host {text}"
    return text


def _port_text(node: YamlNode | None) -> list[str]:
    """Write a port, a range, up to ten ports, or a test as `gt 1023`."""
    if node is None:
        return []
    if isinstance(node, YamlList):
        ports = [_word(item, "a port") for item in node.items]
        if not ports or any(re.fullmatch(r"[0-9]+-[0-9]+", port) for port in ports):
            raise _Fault("a line takes one range, or a list of single ports", node)
        return ["eq", *ports]
    text = _free_text(node, "a port")
    if text == "any":
        return []
    span = re.fullmatch(r"([0-9]+)-([0-9]+)", text)
    if span is not None:
        return ["range", span[1], span[2]]
    return text.split() if " " in text else ["eq", text]


def _route_text(found: Mapping[str, YamlNode], node: YamlNode) -> str:
    """Write a static route."""
    if "prefix" not in found:
        raise _Fault("a static route needs the key `prefix`", node)
    prefix = _word(found["prefix"], "a prefix")
    words = ["ipv6" if ":" in prefix else "ip", "route"]
    if "vrf" in found:
        words.extend(("vrf", _word(found["vrf"], "the name of a VRF")))
    words.append(prefix)
    discard = "discard" in found and _truth(found["discard"], "`discard`")
    ways = [name for name in ("next_hop", "interface") if name in found]
    if discard == bool(ways):
        raise _Fault("a static route needs `next_hop`, `interface` or both, or `discard: true`", node)
    if discard:
        words.append("Null0")
    if "interface" in found:
        words.append(_word(found["interface"], "the name of an interface"))
    if "next_hop" in found:
        words.append(_word(found["next_hop"], "an address"))
    if "distance" in found:
        words.append(_word(found["distance"], "a distance from 1 to 255"))
    for name in ("name", "tag"):
        if name in found:
            words.extend((name, _word(found[name], f"`{name}`")))
    if "permanent" in found and _truth(found["permanent"], "`permanent`"):
        words.append("permanent")
    return " ".join(words)


def _free_text(node: YamlNode, what: str) -> str:
    """Read a text of one line."""
    if isinstance(node, YamlText) and not node.is_nothing:
        text = node.value.strip()
        if text and not re.search(r"[\x00-\x1f\x7f]", text):
            return text
    raise _Fault(f"expected {what}, found {_found(node)}", node)


def _word(node: YamlNode, what: str) -> str:
    """Read one word."""
    text = _free_text(node, what)
    if re.search(r"\s", text):
        raise _Fault(f"expected {what} in one word, found `{brief(text)}`", node)
    return text


def _truth(node: YamlNode, what: str) -> bool:
    """Read `true` or `false`."""
    if isinstance(node, YamlText) and node.plain and node.value.lower() in _FLAGS:
        return _FLAGS[node.value.lower()]
    raise _Fault(f"expected {what} as `true` or `false`, found {_found(node)}", node)


def _is_nothing(node: YamlNode) -> bool:
    """Whether a key has no value."""
    return isinstance(node, YamlText) and node.is_nothing


def _found(node: YamlNode) -> str:
    """Name what stands in the place of a value."""
    if isinstance(node, YamlText):
        return "nothing" if not node.value.strip() else f"`{brief(node.value)}`"
    return "a list" if isinstance(node, YamlList) else "a mapping"
