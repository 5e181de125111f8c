"""A folder of files as a fleet: which files are devices, and what `fleet.yaml` adds to them.

The conventions, without a `fleet.yaml`: each `*.cfg`, `*.conf` or `*.txt` in
the folder is a device, and so is each subfolder, its files read as one
configuration in name order. A subfolder that holds no such file itself but
folders that do stands for those. A data file (`*.yaml`, `*.yml`, `*.json`)
that says what a device is belongs to the device of its folder or of its name.
"""

from __future__ import annotations

import gc
import os
import re
import stat
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pathcheck.errors import InputError, nearest
from pathcheck.file_content import file_content
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import CATCH_ALL, FleetConfig, RefusedFile
from pathcheck.model.unmodelled import DeviceScope, Unmodelled
from pathcheck.results.account import FileAccount, ReadingReport
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

if TYPE_CHECKING:
    from pathcheck.parser.configuration import ParsedConfiguration
    from pathcheck.parser.fleet_file import DeviceEntry, FileName, FleetFile

__all__ = ["FLEET_FILE", "REQUIRED_FLOWS", "WAIVERS", "LoadedFleet", "ReadingMemory", "load_fleet", "load_fleet_files"]

FLEET_FILE = "fleet.yaml"
REQUIRED_FLOWS = "required-flows.yaml"
"""Where the required flows are unless `fleet.yaml` says otherwise."""
WAIVERS = "waivers.yaml"
"""Where the waivers are unless `fleet.yaml` says otherwise."""

_TEXT_ENDINGS = (".cfg", ".conf", ".txt")
_DATA_ENDINGS = (".yaml", ".yml", ".json")
_HOSTNAME = re.compile(rb"^[ \t]*hostname[ \t:]+(\S+)", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class LoadedFleet:
    """A fleet that was read.

    Parameters
    ----------
    folder
        The folder that file names are relative to.
    config
        Its devices, links, places and the rest.
    report
        The account of the lines of each file, and the findings of reading.
    required_flows, waivers
        The content of the file that `config.required_flows` or `config.waivers` names; None where there is none.
    bootstrap_texts
        What the bootstrap files say, by name; those that are not there are missing. They are no devices of the
        fleet, and their findings are not among those of the report.
    secrets
        A finding for each line with a secret that whoever reads the file has. They say nothing about the reading,
        so they are not among those of the report.
    """

    folder: Path
    config: FleetConfig
    report: ReadingReport
    required_flows: bytes | None = field(default=None, repr=False)
    waivers: bytes | None = field(default=None, repr=False)
    bootstrap_texts: Mapping[str, ParsedConfiguration] = field(default_factory=dict)
    secrets: tuple[Finding, ...] = ()


@dataclass(slots=True)
class ReadingMemory:
    """What was read before, for fleets that share most of their files: a device of the same text is the same object.

    So two states of a fleet cost little more than one, and which devices differ is seen at a glance.
    """

    parsed: dict[object, ParsedConfiguration] = field(default_factory=dict)
    devices: dict[object, tuple[Device, Device]] = field(default_factory=dict)

    def named(self, device: Device, **changes: Any) -> Device:
        """Return a device with what the fleet adds to its text; the same object for the same text and additions."""
        key = (id(device), tuple(changes.items()))
        if key not in self.devices:
            # The first of the pair keeps the identity in the key from being given to another device.
            self.devices[key] = (device, replace(device, **changes))
        return self.devices[key][1]


def load_fleet(path: str | Path, *, memory: ReadingMemory | None = None) -> LoadedFleet:
    """Read a folder as a fleet, or one file as a fleet of one device.

    Files and folders whose names begin with a dot are left out, and so are
    `.boot` files. A file that cannot be read, or is of a dialect that is not
    read, is refused in the report and does not keep the others from being read.

    Parameters
    ----------
    path
        The folder or file.
    memory
        What was read before, where another state of the same fleet was.

    Raises
    ------
    InputError
        There is no such folder, no configuration in it, or `fleet.yaml` has faults.
    """
    if not str(path):  # in Python the empty path is the folder in which the program runs; in a script it is a slip
        raise InputError("the path of the fleet is empty", help="`.` is this folder")
    place = Path(path)
    try:
        mode = place.stat().st_mode
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(f"the fleet `{path}` cannot be read: {why.lower()}") from None
    if not stat.S_ISDIR(mode):
        name = _shown(place.name)
        # Whatever the file is called, it is asked for by name.
        return _Loading({name: lambda: file_content(place)}, place.parent, name, memory or ReadingMemory()).load()
    files = {_shown(name): _reader(place / name) for name in _walk(place)}
    return _Loading(files, place, None, memory or ReadingMemory()).load()


def load_fleet_files(
    files: Mapping[str, bytes],
    folder: Path | None = None,
    *,
    single: str | None = None,
    memory: ReadingMemory | None = None,
) -> LoadedFleet:
    """Read a fleet whose files are in memory, such as those of a revision.

    Parameters
    ----------
    files
        Content by path, relative to the fleet's folder with `/` between its parts. Each is asked for
        when it is wanted; one that raises OSError then is refused as a file that cannot be read.
    folder
        Only kept for those who ask where the fleet is.
    single
        The only file that is read, whatever it is called.
    memory
        As for :func:`load_fleet`.

    Raises
    ------
    InputError
        As :func:`load_fleet`.
    """
    readers = {
        name: (lambda name=name: files[name])
        for name in sorted(files, key=lambda name: name.split("/"))
        if name == single or not any(part.startswith(".") for part in name.split("/"))
    }
    place = folder if folder is not None else Path()
    return _Loading(readers, place, single, memory or ReadingMemory()).load()


@dataclass(slots=True)
class _Unit:
    """Files that are read as one configuration.

    `entry` is the entry of `fleet.yaml` that lists the files, None where the
    conventions put them together.
    """

    name: str
    files: list[str]
    entry: DeviceEntry | None = None


@dataclass(slots=True)
class _Loading:
    """The reading of one fleet; `single` names the only file that was asked for."""

    files: Mapping[str, Callable[[], bytes]]
    folder: Path
    single: str | None
    memory: ReadingMemory
    devices: dict[str, Device] = field(default_factory=dict)
    hostnames: dict[str, Span] = field(default_factory=dict)
    accounts: list[FileAccount] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    refused_names: set[str] = field(default_factory=set)
    refused_texts: dict[str, bytes] = field(default_factory=dict)
    contents: dict[str, bytes] = field(default_factory=dict)
    searched: set[str] = field(default_factory=set)
    secrets: list[Finding] = field(default_factory=list)

    def load(self) -> LoadedFleet:
        """Read everything."""
        fleet_file = self._fleet_file()
        units = self._units(fleet_file)
        if not units:
            raise InputError(
                f"no configuration in `{self.folder}`",
                help=f"a device is a file {', '.join(f'`*{ending}`' for ending in _TEXT_ENDINGS)}, or a folder of them",
            )
        with _without_collector():
            for unit in units:
                self._read(unit, fleet_file)
        for name in self.files:
            if name.endswith("/"):
                self._data(name, None)
        self._check_names(fleet_file)
        refused = [
            RefusedFile(account.file, self.refused_texts.get(account.file))
            for account in self.accounts
            if account.refused is not None
        ]
        flows = self._required_flows(fleet_file)
        content = None if flows is None else self._data(flows, None)
        waivers = self._waivers(fleet_file)
        waived = None if waivers is None else self._data(waivers, None)
        blank = self._bootstrap_texts(fleet_file)
        config = FleetConfig(
            devices={name: self.devices[name] for name in sorted(self.devices)},
            links=fleet_file.links,
            places=fleet_file.places,
            bootstrap=fleet_file.bootstrap,
            required_flows=flows,
            session=fleet_file.session,
            waivers=waivers,
            jobs=fleet_file.jobs,
            refused=tuple(sorted(refused, key=lambda one: one.file)),
            entries={entry.name: entry.span for entry in fleet_file.devices.values()},
        )
        order = sorted(self.accounts, key=lambda account: account.file.split("/"))
        owners = {account.file: account.device for account in order}
        secrets = [replace(one, device=owners.get(one.span.file) if one.span else None) for one in self.secrets]
        report = ReadingReport(tuple(order), tuple(sorted(self.findings, key=_order)))
        return LoadedFleet(self.folder, config, report, content, waived, blank, tuple(sorted(secrets, key=_order)))

    # -- which files are devices

    def _fleet_file(self) -> FleetFile:
        """Read `fleet.yaml` if there is one."""
        from pathcheck.parser.fleet_file import FleetFile, read_fleet_file

        if "fleet.yml" in self.files and self.single is None:
            raise InputError(f"found `fleet.yml`; its name must be `{FLEET_FILE}`", span=Span("fleet.yml", 1, ""))
        if FLEET_FILE not in self.files or self.single is not None:
            return FleetFile()
        try:
            data = self.files[FLEET_FILE]()
        except OSError as error:
            raise InputError(f"`{FLEET_FILE}` cannot be read: {_why(error)}", span=Span(FLEET_FILE, 1, "")) from None
        self._search(FLEET_FILE, data)
        return read_fleet_file(FLEET_FILE, data)

    def _units(self, fleet_file: FleetFile) -> list[_Unit]:
        """Put the files together that are read as one configuration, in the order of their first files."""
        if self.single is not None:
            return [_Unit(_stem(self.single), [self.single])]
        units: list[_Unit] = []
        listed: set[str] = set()
        for entry in fleet_file.devices.values():
            files = [path for name in entry.files for path in self._listed(name)]
            if files:
                units.append(_Unit(entry.name, list(dict.fromkeys(files)), entry))
                listed.update(files)
        free = [name for name in self.files if name not in listed and name != FLEET_FILE]
        blank = {entry.file for entry in fleet_file.bootstrap}
        no_devices = {self._required_flows(fleet_file), self._waivers(fleet_file), *blank}
        free = [name for name in free if name not in no_devices]
        top = [name for name in free if "/" not in name]
        by_stem: dict[str, _Unit] = {}
        for name in top:
            if _ending(name) in _TEXT_ENDINGS:
                unit = _Unit(_stem(name), [name])
                units.append(unit)
                by_stem.setdefault(_stem(name), unit)
        for name in top:
            if _ending(name) in _DATA_ENDINGS:
                self._place_data_file(name, by_stem, units)
        units.extend(self._folder_units([name for name in free if "/" in name]))
        return sorted(units, key=lambda unit: unit.files[0].split("/"))

    def _required_flows(self, fleet_file: FleetFile) -> str | None:
        """Return the path of the required flows: what `fleet.yaml` says, else the usual name where it is there."""
        if fleet_file.required_flows is not None:
            return fleet_file.required_flows.path
        return REQUIRED_FLOWS if self.single is None and REQUIRED_FLOWS in self.files else None

    def _waivers(self, fleet_file: FleetFile) -> str | None:
        """Return the path of the waivers: what `fleet.yaml` says, else the usual name where it is there."""
        if fleet_file.waivers is not None:
            return fleet_file.waivers.path
        return WAIVERS if self.single is None and WAIVERS in self.files else None

    def _listed(self, name: FileName) -> list[str]:
        """Return the file that `fleet.yaml` lists, or the files of the folder that it lists."""
        if name.path in self.files:
            return [name.path]
        inside = [path for path in self.files if path.startswith(f"{name.path}/") and _is_configuration(path)]
        if inside:
            return inside
        near = nearest(name.path, self.files)
        raise InputError(
            f"no file `{name.path}` in the fleet's folder",
            span=name.span,
            help=f"did you mean `{near}`?" if near else None,
        )

    def _place_data_file(self, name: str, by_stem: dict[str, _Unit], units: list[_Unit]) -> None:
        """Put a data file of the top folder with the text of the same name, or make it a device if it is one."""
        from pathcheck.parser.device_files import is_device_data

        data = self._data(name, None)
        beside = by_stem.get(_stem(name))
        if data is None or not is_device_data(name, data, named=beside is not None):
            return
        if beside is not None:
            beside.files = sorted((*beside.files, name))
        else:
            unit = _Unit(_stem(name), [name])
            units.append(unit)
            by_stem[_stem(name)] = unit

    def _folder_units(self, names: Sequence[str]) -> list[_Unit]:
        """Make a device of each folder that holds text, with what is in the folders below it."""
        from pathcheck.parser.device_files import is_device_data

        homes = {name.rpartition("/")[0] for name in names if _ending(name) in _TEXT_ENDINGS}
        data_files = [name for name in names if _ending(name) in _DATA_ENDINGS]
        contents = {name: data for name in data_files if (data := self._data(name, None)) is not None}
        homes |= {name.rpartition("/")[0] for name, data in contents.items() if is_device_data(name, data, named=False)}
        units: dict[str, _Unit] = {}
        for name in names:
            parents = ["/".join(name.split("/")[:depth]) for depth in range(1, name.count("/") + 1)]
            # The topmost folder that holds configuration itself is the device.
            home = next((folder for folder in parents if folder in homes), None)
            # A folder that cannot be listed stands for files that nobody knows.
            if home is None or not (_is_configuration(name) or name.endswith("/")):
                continue
            if name in data_files and not (name in contents and is_device_data(name, contents[name], named=True)):
                continue
            units.setdefault(home, _Unit(home.rpartition("/")[2], [])).files.append(name)
        return list(units.values())

    def _data(self, name: str, device: str | None) -> bytes | None:
        """Read a file, or refuse it and return None."""
        if name in self.contents:
            return self.contents[name]
        if any(account.file == name for account in self.accounts):
            return None
        try:
            data = self.files[name]()
        except OSError as error:
            self._refuse(name, device, f"the file cannot be read: {_why(error)}")
            return None
        self.contents[name] = data
        self._search(name, data)
        return data

    def _search(self, name: str, data: bytes) -> None:
        """Note the secrets of a file, once."""
        if name in self.searched:
            return
        self.searched.add(name)
        from pathcheck.parser.secrets import secret_findings

        self.secrets += secret_findings(name, data)

    def _bootstrap_texts(self, fleet_file: FleetFile) -> dict[str, ParsedConfiguration]:
        """Read what blank switches load first."""
        from pathcheck.parser.device_files import read_device_files

        found = {}
        for name in dict.fromkeys(entry.file for entry in fleet_file.bootstrap):
            data = self._data(name, None) if name in self.files else None
            if data is not None:
                found[name] = read_device_files(
                    [(name, data)], default_name=_stem(name), assume=fleet_file.assumptions()
                )
        return found

    def _refuse(self, name: str, device: str | None, why: str) -> None:
        """Note a file that is not read at all."""
        self.accounts.append(FileAccount(name, None, 0, {}, (), refused=why))
        self.findings.append(finding("PC403", why, span=Span(name, 1, ""), device=device))
        self.refused_names.add(_stem(name))

    # -- reading

    def _read(self, unit: _Unit, fleet_file: FleetFile) -> None:
        """Read one configuration and take its devices in."""
        texts = [(name, data) for name in unit.files if (data := self._data(name, unit.name)) is not None]
        for name in unit.files:
            self.contents.pop(name, None)
        read = {name for name, _ in texts}
        doubts = tuple(
            Unmodelled("refused file", DeviceScope(), span=Span(name, 1, "")) for name in unit.files if name not in read
        )
        if doubts:
            self.refused_names.add(unit.name)
        if not texts:
            return
        parsed = self._parsed(texts, unit, fleet_file)
        refused = {account.file for account in parsed.accounts if account.refused is not None}
        if refused:
            self.refused_names.update({unit.name, *map(_stem, refused)})
            self.refused_texts.update((name, data) for name, data in texts if name in refused and _is_text(data))
        renamed: dict[str, str] = {}
        for number, device in enumerate(parsed.devices):
            name = device.name
            if unit.entry is not None and number == 0 and unit.name not in {one.name for one in parsed.devices}:
                self._note_other_name(unit.entry, name, texts)
                name = unit.name
            if name in self.devices:
                name = self._free_name(unit, texts)
                span = _hostname_span(device.name, texts)
                first = self.hostnames.get(device.name)
                self.findings.append(
                    finding(
                        "PC404",
                        f"a second device is named `{device.name}`; it is called `{name}` here",
                        span=span,
                        device=name,
                        because=(first,) if first is not None else (),
                        help="give each device a name of its own, or list its files in `fleet.yaml`",
                    )
                )
            else:
                self.hostnames[name] = _hostname_span(device.name, texts)
            if name != device.name:
                renamed[device.name] = name
            entry = fleet_file.devices.get(name)
            self.devices[name] = self.memory.named(
                device,
                name=name,
                unmodelled=(*device.unmodelled, *doubts),
                management=entry.management if entry else None,
                management_span=entry.management_span if entry else None,
                serial=entry.serial if entry else None,
                serial_span=entry.serial_span if entry else None,
            )
        self.accounts.extend(
            replace(account, device=renamed.get(account.device or "", account.device)) for account in parsed.accounts
        )
        self.findings.extend(replace(one, device=renamed.get(one.device or "", one.device)) for one in parsed.findings)

    def _parsed(self, texts: list[tuple[str, bytes]], unit: _Unit, fleet_file: FleetFile) -> ParsedConfiguration:
        """Read texts, unless they were read before under the same settings."""
        settings = tuple(
            (entry.name, *sorted(entry.assume.items())) for entry in fleet_file.devices.values() if entry.assume
        )
        key = (tuple(texts), unit.name, unit.entry is not None, *sorted(fleet_file.assume.items()), settings)
        if key not in self.memory.parsed:
            self.memory.parsed[key] = self._parsed_anew(texts, unit, fleet_file)
        return self.memory.parsed[key]

    def _parsed_anew(self, texts: list[tuple[str, bytes]], unit: _Unit, fleet_file: FleetFile) -> ParsedConfiguration:
        """Read texts with the settings that hold for each device in them."""
        from pathcheck.parser.device_files import read_device_files

        parsed = read_device_files(texts, default_name=unit.name, assume=fleet_file.assumptions(unit.name))
        used = fleet_file.assumptions(unit.name)
        # The name is known only now; a device whose own settings differ is read once more with them.
        for number, device in enumerate(parsed.devices):
            wanted = fleet_file.assumptions(unit.name if unit.entry and len(parsed.devices) == 1 else device.name)
            if wanted == used:
                continue
            again = read_device_files(texts, default_name=unit.name, assume=wanted)
            if len(parsed.devices) == 1:
                return again
            devices = list(parsed.devices)
            devices[number] = again.devices[number]
            kept = [one for one in parsed.findings if one.device != device.name]
            more = [one for one in again.findings if one.device == device.name]
            parsed = replace(parsed, devices=tuple(devices), findings=(*kept, *more))
        return parsed

    def _note_other_name(self, entry: DeviceEntry, hostname: str, texts: list[tuple[str, bytes]]) -> None:
        """Say that the text and `fleet.yaml` give a device two names."""
        self.findings.append(
            finding(
                "PC413",
                f"`{FLEET_FILE}` calls the device `{entry.name}`, its text `{hostname}`",
                span=_hostname_span(hostname, texts),
                device=entry.name,
                because=(entry.span,),
                help=f"it is called `{entry.name}` here; make the two names one",
            )
        )

    def _free_name(self, unit: _Unit, texts: list[tuple[str, bytes]]) -> str:
        """Return a name that no device has yet: the file's or folder's, then its path, then with a number."""
        for name in (unit.name, *(_stem(file) for file, _ in texts), *(file for file, _ in texts)):
            if name not in self.devices:
                return name
        number = 2
        while f"{unit.name}-{number}" in self.devices:
            number += 1
        return f"{unit.name}-{number}"

    # -- fleet.yaml against what was read

    def _check_names(self, fleet_file: FleetFile) -> None:
        """Refuse names in `fleet.yaml` that are nobody's; those of refused files are known."""
        errors: list[InputError] = []

        def check(name: str, span: Span | None) -> None:
            if name in self.devices or name in self.refused_names:
                return
            near = nearest(name, self.devices)
            known = ", ".join(f"`{device}`" for device in sorted(self.devices)[:8])
            errors.append(
                InputError(
                    f"no device `{name}` in the fleet",
                    span=span,
                    help=f"did you mean `{near}`?" if near else f"known devices: {known}",
                )
            )

        for entry in fleet_file.devices.values():
            check(entry.name, entry.span)
        for link in fleet_file.links:
            check(link.a.device, link.span)
            check(link.b.device, link.span)
        for bootstrap in fleet_file.bootstrap:
            for name in bootstrap.devices:
                if name not in CATCH_ALL:
                    check(name, bootstrap.place(f"devices/{name}"))
        errors += [
            InputError(f"no file `{named.path}` in the fleet's folder", span=named.span)
            for named in (fleet_file.required_flows, fleet_file.waivers)
            if named is not None and named.path not in self.files
        ]
        if errors:
            first, *others = sorted(errors, key=lambda error: error.span.line if error.span else 0)
            raise InputError(first.message, span=first.span, help=first.help, others=tuple(others))


@contextmanager
def _without_collector() -> Iterator[None]:
    """Pause the search for cycles for the whole fleet: it would walk through all that was read at each device."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def _walk(folder: Path) -> list[str]:
    """Return the paths of all files below a folder, hidden ones left out, in the order of their parts.

    Links to folders are followed once, so that a loop of links ends. A folder
    that cannot be listed stands for itself, with a `/` at its end.
    """
    found: list[str] = []
    seen: set[tuple[int, int]] = set()
    waiting = [(folder, "")]
    while waiting:
        place, prefix = waiting.pop()
        try:
            about = place.stat()
            names = [] if (about.st_dev, about.st_ino) in seen else sorted(os.listdir(place))
            seen.add((about.st_dev, about.st_ino))
        except OSError as error:
            if place == folder:
                raise InputError(f"the fleet `{folder}` cannot be read: {_why(error)}") from None
            found.append(prefix)
            continue
        for name in names:
            if name.startswith("."):
                continue
            if (place / name).is_dir():
                waiting.append((place / name, f"{prefix}{name}/"))
            else:
                found.append(f"{prefix}{name}")
    return sorted(found, key=lambda name: name.split("/"))


def _reader(path: Path) -> Callable[[], bytes]:
    """Return what reads the file when it is wanted."""
    return lambda: file_content(path)


def _why(error: OSError) -> str:
    """Say in a few words why a file cannot be read."""
    return (error.strerror or str(error)).lower()


def _shown(name: str) -> str:
    """Return a file name that can be printed; bytes that are no UTF-8 are replaced."""
    return os.fsencode(name).decode("utf-8", "replace")


def _ending(name: str) -> str:
    """Return the ending of a file name in lower case."""
    return os.path.splitext(name)[1].lower()


def _stem(name: str) -> str:
    """Return a file's name without folders and ending."""
    return os.path.splitext(name.rpartition("/")[2])[0]


def _is_text(data: bytes) -> bool:
    """Whether bytes are characters that can be searched for an address."""
    return not any(byte in data for byte in range(9))


def _is_configuration(name: str) -> bool:
    """Whether a file of that name can hold configuration."""
    return _ending(name) in _TEXT_ENDINGS or _ending(name) in _DATA_ENDINGS


def _hostname_span(hostname: str, texts: list[tuple[str, bytes]]) -> Span:
    """Return the line that gives the name; the first line of the first file where none does."""
    for file, data in texts:
        for found in _HOSTNAME.finditer(data):
            if found[1].decode("utf-8", "replace").strip("\"'") == hostname:
                start = data.rfind(b"\n", 0, found.start(1)) + 1
                written = data[start:].partition(b"\n")[0].removesuffix(b"\r").decode("utf-8", "replace")
                return Span(file, data.count(b"\n", 0, start) + 1, written, found.start(1) - start + 1)
    return Span(texts[0][0], 1, "")


def _order(one: Finding) -> tuple[list[str], int, str, str]:
    """Sort findings by file, line and code."""
    span = one.span
    return (span.file.split("/") if span else [], span.line if span else 0, one.code, one.message)
