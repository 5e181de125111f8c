"""`fleet.yaml`: what configuration text cannot say, checked value by value.

The file is checked alone here; whether the devices it names exist is known
only when the fleet's texts are read, so names keep their places.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from pathcheck.errors import nearest
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.fleet_config import JOB_PARTS, Bootstrap, JobPart, Link, LinkEnd, Place, Session
from pathcheck.model.interface import canonical_name
from pathcheck.packet.address import Address
from pathcheck.packet.port import port_number
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import PORT_PROTOCOLS, PROTOCOL_NAMES, TCP
from pathcheck.packet.ranges import Ranges
from pathcheck.parser.yaml_text import Complaints, YamlNode, YamlText, load_yaml
from pathcheck.source import Span

__all__ = ["DeviceEntry", "FileName", "FleetFile", "read_fleet_file"]

_KEYS = ("devices", "links", "places", "assume", "bootstrap", "session", "required_flows", "waivers", "jobs")
_DEVICE_KEYS = ("files", "serial", "management", "assume")
_BOOTSTRAP_KEYS = ("file", "devices", "vlan", "subnet", "pool", "gateway", "dhcp", "server", "protocols", "call_home")
_CALL_HOME = "a service over TCP by its port's name or as `tcp/PORT`, or `none`"
_SESSION_KEYS = ("protocol", "port", "source")
_MOST_PLACE_PARTS = 1_000_000
_PLACE_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_.-]*")
_TAKEN_WORDS = frozenset({"any", "host"})


@dataclass(frozen=True, slots=True)
class FileName:
    """A file's path, relative to the fleet's folder with `/` between its parts, and where it is named."""

    path: str
    span: Span = field(compare=False)


@dataclass(frozen=True, slots=True)
class DeviceEntry:
    """What the file says about one device.

    Parameters
    ----------
    files
        Its files in order; empty where the folder's conventions decide.
    assume
        Settings of its own, by key.
    span
        Where its name stands.
    """

    name: str
    files: tuple[FileName, ...] = ()
    serial: str | None = None
    management: Address | None = None
    assume: Mapping[str, str] = field(default_factory=dict)
    management_span: Span | None = field(default=None, compare=False)
    serial_span: Span | None = field(default=None, compare=False)
    span: Span = field(compare=False, kw_only=True)


@dataclass(frozen=True, slots=True)
class FleetFile:
    """The whole file, checked; the defaults are those of a fleet without one."""

    devices: Mapping[str, DeviceEntry] = field(default_factory=dict)
    links: tuple[Link, ...] = ()
    places: Mapping[str, Place] = field(default_factory=dict)
    assume: Mapping[str, str] = field(default_factory=dict)
    bootstrap: tuple[Bootstrap, ...] = ()
    session: Session = field(default_factory=Session)
    required_flows: FileName | None = None
    waivers: FileName | None = None
    jobs: tuple[tuple[JobPart, ...], ...] = ()

    def assumptions(self, device: str | None = None) -> Assumptions:
        """Return the settings that hold for a device; those of the fleet where it has none of its own."""
        entry = self.devices.get(device) if device is not None else None
        return Assumptions().with_settings({**self.assume, **(entry.assume if entry else {})})


def read_fleet_file(file: str, data: bytes) -> FleetFile:
    r"""Read and check the file.

    Raises
    ------
    InputError
        With the first fault in the order of the file and the others behind it.

    Examples
    --------
    >>> fleet = read_fleet_file("fleet.yaml", b"places: {tills: [10.1.20.0/24, spare], spare: 10.1.21.7}\n")
    >>> [str(prefix) for prefix in fleet.places["tills"].prefixes]
    ['10.1.20.0/24', '10.1.21.7/32']
    """
    node = load_yaml(file, data)
    return FleetFile() if node is None else _Reader().read(node)


class _Reader:
    """Reads each part of the file and collects the faults of all of them."""

    def __init__(self) -> None:
        self._said = Complaints()

    def read(self, node: YamlNode) -> FleetFile:
        """The whole file."""
        found = self._said.fields(node, "`fleet.yaml`", _KEYS)
        parts = {name: value for name, (_, value) in found.items() if not _is_nothing(value)}
        places = self._places(parts["places"]) if "places" in parts else {}
        fleet = FleetFile(
            devices=self._devices(parts["devices"]) if "devices" in parts else {},
            links=self._links(parts["links"]) if "links" in parts else (),
            places=places,
            assume=self._assume(parts["assume"]) if "assume" in parts else {},
            bootstrap=self._bootstraps(parts["bootstrap"]) if "bootstrap" in parts else (),
            session=self._session(parts["session"], places) if "session" in parts else Session(),
            required_flows=(
                self._file(parts["required_flows"], "the file of required flows") if "required_flows" in parts else None
            ),
            waivers=self._file(parts["waivers"], "the file of waivers") if "waivers" in parts else None,
            jobs=self._jobs(parts["jobs"]) if "jobs" in parts else (),
        )
        self._said.settle()
        return fleet

    # -- devices

    def _devices(self, node: YamlNode) -> dict[str, DeviceEntry]:
        """NAME: {files, serial, management, assume}."""
        devices: dict[str, DeviceEntry] = {}
        owner: dict[str, str] = {}
        for key, value in self._entries(node, "devices by name"):
            name = self._name(key, "the name of a device")
            if name is None:
                continue
            found = {} if _is_nothing(value) else self._said.fields(value, f"the device `{name}`", _DEVICE_KEYS)
            files: list[FileName] = []
            if "files" in found:
                for item in self._said.one_or_more(found["files"][1]):
                    path = self._file(item, "a file of the device")
                    if path is None:
                        continue
                    if path.path in owner:
                        self._said.add(f"the file `{path.path}` belongs to `{owner[path.path]}` already", path.span)
                    owner[path.path] = name
                    files.append(path)
            said = self._said
            devices[name] = DeviceEntry(
                name=name,
                files=tuple(files),
                serial=said.text(found["serial"][1], "a serial number") if "serial" in found else None,
                management=(
                    said.parsed(found["management"][1], "the device's management address", Address.parse)
                    if "management" in found
                    else None
                ),
                assume=self._assume(found["assume"][1]) if "assume" in found else {},
                management_span=found["management"][1].span if "management" in found else None,
                serial_span=found["serial"][1].span if "serial" in found else None,
                span=key.span,
            )
        return devices

    def _assume(self, node: YamlNode) -> dict[str, str]:
        """KEY: VALUE of the readings."""
        choices = Assumptions.choices()
        settings: dict[str, str] = {}
        for name, (_, value) in self._said.fields(node, "`assume`", choices).items():
            choice = self._said.choice(value, f"a value of `{name}`", choices[name])
            if choice is not None:
                settings[name] = choice
        return settings

    # -- links

    def _links(self, node: YamlNode) -> tuple[Link, ...]:
        """List of `DEVICE:INTERFACE DEVICE:INTERFACE`."""
        links: list[Link] = []
        cabled: dict[LinkEnd, Span] = {}
        for item in self._said.items(node, "a list of links"):
            text = self._said.text(item, "a link `DEVICE:INTERFACE DEVICE:INTERFACE`")
            if text is None:
                continue
            words = text.split()
            ends = [end for end in map(_link_end, words) if end is not None]
            if len(words) != 2 or len(ends) != 2:
                self._said.add(
                    f"expected a link `DEVICE:INTERFACE DEVICE:INTERFACE`, found `{text}`",
                    item.span,
                    "write interface names without blanks, as `Ethernet1`",
                )
                continue
            for end in ends:
                if end in cabled:
                    self._said.add(f"`{end}` has a cable in line {cabled[end].line} already", item.span)
                cabled[end] = item.span
            links.append(Link(ends[0], ends[1], item.span))
        return tuple(links)

    # -- places

    def _places(self, node: YamlNode) -> dict[str, Place]:
        """NAME: an address, a prefix, another place, or a list of these."""
        parts: dict[str, list[tuple[Prefix | str, Span]]] = {}
        spans: dict[str, Span] = {}
        for key, value in self._entries(node, "places by name"):
            if not _PLACE_NAME.fullmatch(key.value) or key.value.lower() in _TAKEN_WORDS:
                self._said.add(
                    f"`{key.value}` cannot name a place: expected a letter, then letters, digits, `_`, `-` or `.`,"
                    " and neither `any` nor `host`",
                    key.span,
                )
                continue
            spans[key.value] = key.span
            items = self._said.one_or_more(value)
            if not items:
                self._said.add(f"the place `{key.value}` is empty", value.span)
            parts[key.value] = [part for item in items if (part := self._place_part(item)) is not None]
        for name, items_of in parts.items():
            for item_of, span in items_of:
                if isinstance(item_of, str) and item_of not in parts:
                    near = nearest(item_of, parts)
                    self._said.add(
                        f"expected an address, a prefix or a place, found `{item_of}` in the place `{name}`",
                        span,
                        f"did you mean `{near}`?" if near else None,
                    )
        order = self._place_order(parts)
        resolved: dict[str, tuple[Prefix, ...]] = {}
        total = 0
        for name in order:
            prefixes: dict[Prefix, None] = {}
            for item, _ in parts[name]:
                more = resolved.get(item, ()) if isinstance(item, str) else (item,)
                total += len(more)
                if total <= _MOST_PLACE_PARTS:
                    prefixes.update(dict.fromkeys(more))
            resolved[name] = tuple(prefixes)
            if total > _MOST_PLACE_PARTS:
                self._said.add(f"the places hold more than {_MOST_PLACE_PARTS} prefixes together", spans[name])
                break
        return {name: Place(name, resolved.get(name, ()), spans[name]) for name in parts}

    def _place_part(self, node: YamlNode) -> tuple[Prefix | str, Span] | None:
        """One item of a place: a prefix, or the name of another place."""
        text = self._said.text(node, "an address, a prefix or a place")
        if text is None:
            return None
        if _PLACE_NAME.fullmatch(text) and ":" not in text:
            return text, node.span
        prefix = self._said.parsed(node, "an address, a prefix or a place", Prefix.parse)
        return None if prefix is None else (prefix, node.span)

    def _place_order(self, parts: Mapping[str, list[tuple[Prefix | str, Span]]]) -> list[str]:
        """Return the places so that each stands behind those it holds; places in a cycle are noted."""
        order: list[str] = []
        done: set[str] = set()
        for start in parts:
            trail: list[tuple[str, Iterator[tuple[Prefix | str, Span]]]] = []
            if start not in done:
                trail.append((start, iter(parts[start])))
            on_trail = {start}
            while trail:
                name, rest = trail[-1]
                for part, span in rest:
                    if not isinstance(part, str) or part not in parts or part in done:
                        continue
                    if part in on_trail:
                        names = [step for step, _ in trail]
                        cycle = [*names[names.index(part) :], part]
                        shown = cycle if len(cycle) <= 8 else [*cycle[:4], "...", *cycle[-3:]]
                        self._said.add(f"places that contain themselves: {' -> '.join(shown)}", span)
                        continue
                    on_trail.add(part)
                    trail.append((part, iter(parts[part])))
                    break
                else:
                    trail.pop()
                    on_trail.discard(name)
                    done.add(name)
                    order.append(name)
        return order

    # -- bootstrap, session, files

    def _bootstraps(self, node: YamlNode) -> tuple[Bootstrap, ...]:
        """List of {file, devices, vlan, subnet, pool, gateway, dhcp, server, protocols, call_home}."""
        return tuple(
            entry
            for item in self._said.items(node, "a list of bootstrap entries")
            if (entry := self._bootstrap(item)) is not None
        )

    def _bootstrap(self, node: YamlNode) -> Bootstrap | None:
        """One entry; `file` is the only key that it must have."""
        said = self._said
        found = {name: value for name, (_, value) in said.fields(node, "a bootstrap entry", _BOOTSTRAP_KEYS).items()}
        if "file" not in found:
            said.add("a bootstrap entry needs the key `file`", node.span)
            return None
        path = self._file(found["file"], "a bootstrap file")
        listed = said.items(found["devices"], "a list of devices") if "devices" in found else ()
        names = [(name, item.span) for item in listed if (name := said.text(item, "the name of a device")) is not None]

        def address(key: str, what: str) -> Address | None:
            return said.parsed(found[key], what, Address.parse) if key in found else None

        return Bootstrap(
            file=path.path if path else "",
            devices=tuple(name for name, _ in names),
            vlan=said.integer(found["vlan"], "a VLAN", 1, 4094) if "vlan" in found else None,
            subnet=said.parsed(found["subnet"], "the subnet's prefix", Prefix.parse) if "subnet" in found else None,
            pool=said.parsed(found["pool"], "a pool `FIRST-LAST`", _pool) if "pool" in found else None,
            gateway=address("gateway", "the gateway's address"),
            dhcp=address("dhcp", "the address of the DHCP server"),
            server=address("server", "the address of the file server"),
            protocols=tuple(
                word
                for item in (said.one_or_more(found["protocols"]) if "protocols" in found else ())
                if (word := said.parsed(item, "a protocol by its port's name or as `tcp/PORT`", _service)) is not None
            ),
            call_home=(said.parsed(found["call_home"], _CALL_HOME, _call_home) if "call_home" in found else None)
            or "https",
            span=node.span,
            spans={
                **{key: value.span for key, value in found.items()},
                **{f"devices/{name}": span for name, span in names},
            },
        )

    def _session(self, node: YamlNode, places: Mapping[str, Place]) -> Session:
        """{protocol, port, source} of the controller's session."""
        said, default = self._said, Session()
        found = {name: value for name, (_, value) in said.fields(node, "`session`", _SESSION_KEYS).items()}
        protocol, ports, source = default.protocol, default.ports, default.source
        if "protocol" in found:
            names = [name for name, number in PROTOCOL_NAMES.items() if number in PORT_PROTOCOLS]
            protocol = PROTOCOL_NAMES.get(
                said.choice(found["protocol"], "a protocol with ports", names) or "", protocol
            )
        if "port" in found:
            ports = said.parsed(found["port"], "a port", lambda word: _port(word, protocol)) or ports
        if "source" in found:
            word = said.text(found["source"], "a place or an address")
            prefix = None if word in places else said.parsed(found["source"], "a place or an address", _ends)
            if word is not None and (word in places or prefix is not None):
                source = word
        return Session(protocol, ports, source, node.span)

    def _jobs(self, node: YamlNode) -> tuple[tuple[JobPart, ...], ...]:
        """List of jobs, each a part or a list of parts that are pushed together."""
        taken: dict[str, Span] = {}
        jobs: list[tuple[JobPart, ...]] = []
        for item in self._said.items(node, "a list of jobs"):
            job: list[JobPart] = []
            for part in self._said.one_or_more(item):
                word = self._said.choice(part, "a part of the configuration", JOB_PARTS)
                if word is None:
                    continue
                if word in taken:
                    self._said.add(f"the part `{word}` is in a job already, in line {taken[word].line}", part.span)
                    continue
                taken[word] = part.span
                job += [known for known in JOB_PARTS if known == word]
            if job:
                jobs.append(tuple(job))
            elif not self._said.one_or_more(item):
                self._said.add("a job needs at least one part", item.span)
        return tuple(jobs)

    def _file(self, node: YamlNode, what: str) -> FileName | None:
        """A path inside the fleet's folder."""
        text = self._said.text(node, what)
        if text is None:
            return None
        parts = [part for part in text.replace("\\", "/").split("/") if part not in ("", ".")]
        if ".." in parts or text.startswith(("/", "\\")) or not parts or "\0" in text:
            self._said.add(f"expected {what} by a path inside the fleet's folder, found `{text}`", node.span)
            return None
        return FileName("/".join(parts), node.span)

    def _name(self, key: YamlText, what: str) -> str | None:
        """A name that flows and links can use."""
        if key.value.strip() and not re.search(r"[\s:/\\]", key.value):
            return key.value
        self._said.add(f"expected {what} without blanks, `:` and `/`, found `{key.value}`", key.span)
        return None

    def _entries(self, node: YamlNode, what: str) -> tuple[tuple[YamlText, YamlNode], ...]:
        """The entries of a mapping whose keys are free."""
        mapping = self._said.map(node, what)
        return () if mapping is None else mapping.entries


def _is_nothing(node: YamlNode) -> bool:
    """Whether a key has no value."""
    return isinstance(node, YamlText) and node.is_nothing


def _link_end(word: str) -> LinkEnd | None:
    """DEVICE:INTERFACE."""
    device, colon, interface = word.partition(":")
    return LinkEnd(device, canonical_name(interface)) if device and colon and interface else None


def _pool(text: str) -> tuple[Address, Address]:
    """FIRST-LAST."""
    first, dash, last = text.partition("-")
    if not dash:
        raise ValueError(f"`{text}` is no range `FIRST-LAST`")
    pool = (Address.parse(first.strip()), Address.parse(last.strip()))
    if pool[0].version != pool[1].version:
        raise ValueError(f"`{text}` mixes two IP versions")
    if pool[0] > pool[1]:
        raise ValueError(f"the range `{text}` ends before it begins")
    return pool


def _service(word: str) -> str:
    """The name of a port, or PROTOCOL/PORT."""
    protocol, slash, port = word.partition("/")
    if slash and protocol in ("tcp", "udp") and port_number(port, PROTOCOL_NAMES[protocol]) is not None:
        return word
    if not slash and not word.isdigit() and port_number(word, None) is not None:
        return word
    raise ValueError(f"`{word}` is no port that is known by name")


def _call_home(word: str) -> str:
    """A TCP service, or `none`."""
    if word == "none":
        return word
    if _service(word).startswith("udp/") or port_number(word.removeprefix("tcp/"), TCP) is None:
        raise ValueError(f"`{word}` is no service over TCP")
    return word


def _port(word: str, protocol: int) -> Ranges:
    """A port by number or name."""
    number = port_number(word, protocol)
    if number is None:
        raise ValueError(f"`{word}` is neither a port number nor a known port name")
    return Ranges.single(number)


def _ends(word: str) -> Prefix:
    """An address or a prefix where a place could stand as well."""
    if _PLACE_NAME.fullmatch(word):
        raise ValueError(f"`{word}` is no place of this file")
    return Prefix.parse(word)
