"""Who is which: serial numbers, management addresses, and what blank switches start with.

All of this is common practice, without a source, but for the addresses that no station can
have (RFC 1812 section 4.2.2.11).
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from pathcheck.fleet import LoadedFleet
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import CATCH_ALL, Bootstrap, FleetConfig
from pathcheck.model.interface import Interface, InterfaceAddress
from pathcheck.packet.address import Address
from pathcheck.queries.audit.fleet_view import FleetView, in_order, listed
from pathcheck.queries.audit.gateways import gateways
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["bootstrap_device", "entries_of", "identity_findings", "normal_serial"]

_DASHES = re.compile(r"[\s\u002d\u2010-\u2015\u2212]+")
_OPEN_SERIAL = re.compile(r"[*?%\[\]^$|\\]|\.[*+]")
_NO_SERIAL = re.compile(r"(?:ANY|ALL|DEFAULT|UNKNOWN|NONE|NULL|TBD|TBC|TODO|N/A|SERIAL|CHANGEME|X+|0+)", re.IGNORECASE)
_FEWEST_ALIKE = 3
"""So many devices must have a file of a name before its absence at another says something."""


def normal_serial(serial: str) -> str:
    """Return a serial number as it is compared: in capitals, without white space and dashes.

    Examples
    --------
    >>> normal_serial("fy26-a0011 ") == normal_serial("FY26 A0011")
    True
    >>> normal_serial("0123")
    '0123'
    """
    return _DASHES.sub("", unicodedata.normalize("NFKC", serial)).upper()


def entries_of(config: FleetConfig, device: str) -> tuple[Bootstrap, ...]:
    """Return the bootstrap entries by which a device starts: those that name it, else those for each device."""
    named = tuple(entry for entry in config.bootstrap if device in entry.devices)
    return named or tuple(entry for entry in config.bootstrap if entry.is_catch_all)


def bootstrap_device(loaded: LoadedFleet, entry: Bootstrap) -> Device | None:
    """Return what a bootstrap text says, as a device; None where it is not there or not read."""
    parsed = loaded.bootstrap_texts.get(entry.file)
    return parsed.devices[0] if parsed is not None and parsed.devices else None


def identity_findings(loaded: LoadedFleet, view: FleetView) -> Iterator[Finding]:
    """Return PC360 to PC369 and PC379: what keeps a switch from becoming the host that is meant."""
    yield from _serials(loaded.config)
    yield from _management_addresses(loaded.config)
    yield from _bootstrap_addresses(loaded, view)
    yield from _shared_addresses(loaded)
    yield from _misplaced_addresses(loaded)
    yield from _entries(loaded.config)
    yield from _files(loaded)


# ---- serial numbers -------------------------------------------------------------------------


def _serials(config: FleetConfig) -> Iterator[Finding]:
    """PC360, PC365, PC366."""
    by_serial: dict[str, list[Device]] = defaultdict(list)
    for device in config.devices.values():
        if device.serial is not None:
            by_serial[normal_serial(device.serial)].append(device)
    for normal, devices in by_serial.items():
        if not normal or _OPEN_SERIAL.search(normal) or _NO_SERIAL.fullmatch(normal):
            for device in devices:
                yield finding(
                    "PC366",
                    f"the serial number `{device.serial}` of {device.name} is that of no single switch: any switch "
                    "that comes could be taken for it, or none",
                    span=device.serial_span,
                    device=device.name,
                    help="write the serial number that is on the switch",
                )
        elif len(devices) > 1:
            first, *others = devices
            spelt = "" if len({one.serial for one in devices}) == 1 else ", in other spelling"
            for device in others:
                yield finding(
                    "PC360",
                    f"the serial number `{device.serial}` of {device.name} is that of {first.name}{spelt}: one switch "
                    "cannot become both",
                    span=device.serial_span,
                    device=device.name,
                    because=in_order([first.serial_span]),
                    help="letter case, blanks and dashes do not count; look at the label on each switch",
                )
    started = {name for entry in config.bootstrap for name in entry.devices}
    if by_serial or started:
        for device in config.devices.values():
            if device.serial is None and (device.name in started or (by_serial and device.name in config.entries)):
                entry = next((entry for entry in config.bootstrap if device.name in entry.devices), None)
                because = in_order([entry.place(f"devices/{device.name}")]) if entry else ()
                yield finding(
                    "PC365",
                    f"{device.name} has no serial number, so no blank switch is matched to it",
                    span=config.entries.get(device.name) or _first_line(device),
                    device=device.name,
                    because=because,
                    help="add `serial` to its entry in `fleet.yaml`",
                )


# ---- management addresses -------------------------------------------------------------------


def _management_addresses(config: FleetConfig) -> Iterator[Finding]:
    """PC361, PC362."""
    started = {name for entry in config.bootstrap for name in entry.devices}
    used = any(device.management is not None for device in config.devices.values())
    by_address: dict[Address, list[Device]] = defaultdict(list)
    for device in config.devices.values():
        if device.management is not None:
            by_address[device.management].append(device)
        elif used or device.name in started:
            yield finding(
                "PC361",
                f"{device.name} has no management address in `fleet.yaml`, so the controller does not know where it is",
                span=config.entries.get(device.name) or _first_line(device),
                device=device.name,
                help="add `management` to its entry in `fleet.yaml`",
            )
    for address, (first, *others) in by_address.items():
        for device in others:
            yield finding(
                "PC362",
                f"the management address `{address}` of {device.name} is that of {first.name}: the controller would "
                "configure one of them as the other",
                span=device.management_span,
                device=device.name,
                because=in_order([first.management_span]),
                help="give each device an address of its own",
            )


# ---- addresses of blank switches ------------------------------------------------------------


def _fixed_addresses(loaded: LoadedFleet, entry: Bootstrap) -> list[tuple[Interface, InterfaceAddress]]:
    """The addresses that a bootstrap text gives to a switch, those of its loopbacks left out."""
    device = bootstrap_device(loaded, entry)
    return [
        (interface, address)
        for interface in (device.interfaces.values() if device is not None else ())
        if interface.kind not in ("loopback", "discard") and not interface.shutdown
        for address in interface.addresses
        if address.role in ("primary", "secondary")
    ]


def _bootstrap_addresses(loaded: LoadedFleet, view: FleetView) -> Iterator[Finding]:
    """PC363."""
    owners: list[tuple[Address, str, str, Span | None]] = [
        (device.management, device.name, f"the management address of {device.name}", device.management_span)
        for device in loaded.config.devices.values()
        if device.management is not None
    ]
    known = {(address, name) for address, name, _, _ in owners}
    owners += [
        (item.address.address, item.device, f"the address of {item.end}", item.address.span)
        for item in view.attachments
        if (item.address.address, item.device) not in known
    ]
    said: set[tuple[Address, str]] = set()
    for entry in loaded.config.bootstrap:
        fixed = {own.address: own.span for _, own in _fixed_addresses(loaded, entry)}
        for address, name, what, span in owners:
            if (address, name) in said:
                continue
            if address in fixed:
                message = f"`{address}` is {what}, and what `{entry.file}` gives to a blank switch"
                because: Span | None = fixed[address]
            elif entry.pool is not None and _within(address, entry.pool):
                message = f"`{address}` is {what}, and in the pool that is leased to blank switches"
                because = entry.place("pool")
            else:
                continue
            said.add((address, name))
            yield finding(
                "PC363",
                f"{message}: two switches can have it at once",
                span=span,
                device=name,
                because=in_order([because]),
                help="take one of the two out of the other's way",
            )


def _shared_addresses(loaded: LoadedFleet) -> Iterator[Finding]:
    """PC364: one for each address, at its line in the first text that has it."""
    users: dict[Address, list[tuple[Bootstrap, Span]]] = defaultdict(list)
    for entry in loaded.config.bootstrap:
        for _, own in _fixed_addresses(loaded, entry):
            users[own.address].append((entry, own.span))
    for address, found in users.items():
        names = sorted({name for entry, _ in found for name in entry.devices if name not in CATCH_ALL})
        open_to_all = any(entry.is_catch_all for entry, _ in found)
        if len(names) < 2 and not open_to_all:
            continue
        who = "each switch that starts with it" if open_to_all else listed(f"`{name}`" for name in names)
        yield finding(
            "PC364",
            f"the bootstrap address `{address}` is shared by {who}: only one switch may be provisioned at a time",
            span=found[0][1],
            because=in_order([*(span for _, span in found[1:]), *(entry.span for entry, _ in found)]),
            help="lease the address instead, or let the jobs wait for each other",
        )


def _misplaced_addresses(loaded: LoadedFleet) -> Iterator[Finding]:
    """PC367, and PC305 for a bootstrap text."""
    for entry in loaded.config.bootstrap:
        for key, message in _misplaced(entry):
            yield finding(
                "PC367",
                message,
                span=entry.place(key),
                because=in_order([entry.spans.get("subnet")]),
                help="a switch that starts there would get an address that leads nowhere",
            )
        for interface, address in _fixed_addresses(loaded, entry):
            if entry.subnet is not None and interface.kind != "management" and address.address not in entry.subnet:
                yield finding(
                    "PC367",
                    f"`{address.address}`, the address of a blank switch, is outside of the provisioning subnet "
                    f"`{entry.subnet}`",
                    span=address.span,
                    because=in_order([entry.place("subnet")]),
                    help="a switch that starts there would have an address that leads nowhere",
                )
        device = bootstrap_device(loaded, entry)
        if device is not None:
            for found in gateways(FleetView(FleetConfig({device.name: device})), set()):
                if found.code == "PC305":
                    yield replace(found, device=None)  # the text is no device of the fleet


def _misplaced(entry: Bootstrap) -> Iterator[tuple[str, str]]:
    """The keys of an entry whose addresses do not fit each other, and why."""
    if entry.subnet is not None:
        if entry.gateway is not None and entry.gateway not in entry.subnet:
            yield "gateway", f"the gateway `{entry.gateway}` is outside of the provisioning subnet `{entry.subnet}`"
        elif entry.gateway is not None and entry.gateway in entry.subnet.reserved_addresses():
            yield "gateway", f"the gateway `{entry.gateway}` is an address of `{entry.subnet}` that no router can have"
        if entry.pool is not None:
            outside = [str(address) for address in entry.pool if address not in entry.subnet]
            if outside:
                shown = listed(f"`{address}`" for address in dict.fromkeys(outside))
                yield "pool", f"the pool reaches out of the provisioning subnet `{entry.subnet}`, to {shown}"
            else:
                taken = [str(it) for it in entry.subnet.reserved_addresses() if _within(it, entry.pool)]
                if taken:
                    shown = listed(f"`{address}`" for address in taken)
                    yield "pool", f"the pool holds {shown}, which no station on `{entry.subnet}` can have"
    if entry.pool is not None:
        for key in ("gateway", "dhcp", "server"):
            address: Address | None = getattr(entry, key)
            if address is not None and _within(address, entry.pool):
                yield key, f"`{address}` is in the pool, so a blank switch can be given the address that is `{key}`"


# ---- entries and files ----------------------------------------------------------------------


def _entries(config: FleetConfig) -> Iterator[Finding]:
    """PC368, PC379."""
    first: dict[str, Bootstrap] = {}
    for entry in config.bootstrap:
        for name, number in Counter(entry.devices).items():
            before = first.setdefault(name, entry)
            if name in CATCH_ALL or (before is entry and number == 1):
                continue
            same = before is entry
            yield finding(
                "PC368",
                f"{name} is listed {'twice in one bootstrap entry' if same else 'in two bootstrap entries'}"
                + (
                    "" if same else f", with `{before.file}` and with `{entry.file}`: which it starts with is left open"
                ),
                span=entry.place(f"devices/{name}"),
                device=name,
                because=() if same else in_order([before.place(f"devices/{name}")]),
                help="list each device once",
            )
    for entry in config.bootstrap:
        if entry.is_catch_all:
            word = next((name for name in entry.devices if name in CATCH_ALL), None)
            yield finding(
                "PC379",
                f"the bootstrap entry with `{entry.file}` is for each switch that comes"
                + (f" (`{word}`)" if word else ", because it names no devices")
                + ": one that was never ordered is given it too",
                span=entry.place(f"devices/{word}") if word else entry.span,
                help="list the devices that start with it",
            )


def _files(loaded: LoadedFleet) -> Iterator[Finding]:
    """PC369."""
    for file, entries in _by_file(loaded.config.bootstrap).items():
        parsed = loaded.bootstrap_texts.get(file)
        refused = next((it.refused for it in parsed.accounts if it.refused is not None), None) if parsed else None
        if parsed is None:
            message = f"the bootstrap file `{file}` is not in the fleet's folder"
        elif refused is not None:
            message = f"the bootstrap file `{file}` is not read: {refused}"
        elif any(item.code == "PC415" for item in parsed.findings):
            message = f"the bootstrap file `{file}` holds no command"
        else:
            continue
        names = sorted({name for entry in entries for name in entry.devices if name not in CATCH_ALL})
        who = f"{listed(names)} cannot start" if names else "no switch can start with it"
        yield finding(
            "PC369", f"{message}, so {who}", span=entries[0].place("file"), help="add the file, or name another"
        )
    yield from _file_sets(loaded.config)


def _file_sets(config: FleetConfig) -> Iterator[Finding]:
    """Devices in folders of their own that lack a file which most of the others have."""
    sets: dict[str, set[str]] = {}
    for device in config.devices.values():
        folders = {file.rpartition("/")[0] for file in device.files}
        if len(folders) == 1 and "" not in folders:
            sets[device.name] = {file.rpartition("/")[2].replace(device.name, "NAME") for file in device.files}
    counted = Counter(name for names in sets.values() for name in names)
    expected = [name for name, number in counted.items() if number >= _FEWEST_ALIKE and number * 4 >= len(sets) * 3]
    for owner, names in sets.items():
        missing = sorted(name.replace("NAME", owner) for name in expected if name not in names)
        if missing:
            device = config.devices[owner]
            shown = listed(f"`{name}`" for name in missing)
            most = counted[missing[0].replace(owner, "NAME")]
            yield finding(
                "PC369",
                f"{owner} has no file {shown}, which {most} of {len(sets)} devices with a folder of their own have",
                span=config.entries.get(owner) or _first_line(device),
                device=owner,
                help="add the file; with full replacement, what is in no file is taken from the switch",
            )


def _by_file(entries: Iterable[Bootstrap]) -> dict[str, list[Bootstrap]]:
    """The entries of each bootstrap file."""
    found: dict[str, list[Bootstrap]] = defaultdict(list)
    for entry in entries:
        found[entry.file].append(entry)
    return found


def _within(address: Address, pool: Sequence[Address]) -> bool:
    """Whether an address is in a pool."""
    return address.version == pool[0].version and pool[0] <= address <= pool[1]


def _first_line(device: Device) -> Span | None:
    """The first line of a device's first file."""
    return Span(device.files[0], 1, "") if device.files else None
