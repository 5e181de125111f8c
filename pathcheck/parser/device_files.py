"""The files of one device, raw lines and data mixed, read as one configuration.

Raw lines and data in YAML become one text in the order of the files. What JSON
of the standard models says is added to that: lists and routes are put beside
those of the text, and an interface's lists are attached to it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from pathcheck.errors import InputError
from pathcheck.model.access_list import AccessList, Entry, UnreadLine
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.model.interface import Interface, interface_kind
from pathcheck.model.unmodelled import DeviceScope, Unmodelled
from pathcheck.results.account import FileAccount, LineClass, LineRecord
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

if TYPE_CHECKING:
    from pathcheck.parser.configuration import ParsedConfiguration, SourceText
    from pathcheck.parser.data_form import WrittenForm
    from pathcheck.parser.yang_json import YangData

__all__ = ["is_device_data", "read_device_files"]

_NAMED = re.compile(rb"\b(?:hostname|device)[\"']?[ \t]*:")


def is_device_data(name: str, data: bytes, *, named: bool) -> bool:
    """Whether a YAML or JSON file says what a device is.

    Parameters
    ----------
    named
        Whether something else already says that there is such a device (a file
        of raw lines beside it); else the data must give the device's name.

    Notes
    -----
    A file that looks like one and cannot be read counts as one, so that it is
    refused where it is read and not passed over.
    """
    if name.lower().endswith(".json"):
        from pathcheck.parser.yang_json import MODEL_KEYS

        return any(key.encode() in data for key in MODEL_KEYS)
    if not named and not _NAMED.search(data):
        return False
    from pathcheck.parser.data_form import DEVICE_KEYS, NAME_KEYS
    from pathcheck.parser.yaml_text import YamlMap, load_yaml

    try:
        node = load_yaml(name, data)
    except InputError:
        return bool(_NAMED.search(data)) or named
    if not isinstance(node, YamlMap):
        return False
    return any(key in (DEVICE_KEYS if named else NAME_KEYS) for key in node.keys)


def read_device_files(
    files: Sequence[tuple[str, bytes]], *, default_name: str, assume: Assumptions
) -> ParsedConfiguration:
    """Read the files of one device.

    Parameters
    ----------
    files
        Name and content, in order. The ending of the name tells raw lines
        (any) from YAML in the data form and JSON of the standard models.
    default_name
        The device's name where no line and no data gives one.

    Returns
    -------
    ParsedConfiguration
        As :func:`pathcheck.parser.configuration.read_configuration` gives it; a
        file that is refused makes the devices of the others uncertain as a whole.
    """
    from pathcheck.parser.configuration import ParsedConfiguration, SourceText, read_configuration

    parts = _Parts()
    texts: list[SourceText] = []
    for name, data in files:
        ending = os.path.splitext(name)[1].lower()
        try:
            # Imported where they are wanted: most devices are raw lines alone.
            if ending in (".yaml", ".yml"):
                from pathcheck.parser.data_form import write_data_form

                form = parts.forms[name] = write_data_form(name, data)
                texts.append(SourceText(name, form.data))
            elif ending == ".json":
                from pathcheck.parser.yang_json import read_yang_json

                parts.models[name] = read_yang_json(name, data)
                parts.contents[name] = data
            else:
                texts.append(SourceText(name, data))
        except InputError as error:
            parts.refuse(name, error)
    parsed = ParsedConfiguration((), (), ())
    if texts:
        parsed = read_configuration(texts, default_name=default_name, assume=assume)
        if parts.forms:
            from pathcheck.parser.data_form import point_back

            parsed = replace(
                parsed,
                devices=point_back(parsed.devices, parts.forms),
                accounts=point_back(parsed.accounts, parts.forms),
                findings=point_back(parsed.findings, parts.forms),
            )
    devices = list(parsed.devices)
    if parts.models:
        names = tuple(name for name, _ in files)
        if not devices and not any(account.refused for account in parsed.accounts):
            devices = [Device(default_name, names, assume=assume)]
        # Data of the standard models names no device; it is that of the first, which the file or folder names.
        for name, model in parts.models.items():
            if devices:
                devices[0] = parts.join(devices[0], name, model)
    refused = [account for account in (*parsed.accounts, *parts.accounts) if account.refused is not None]
    if refused:
        doubts = tuple(Unmodelled("refused file", DeviceScope(), span=Span(one.file, 1, "")) for one in refused)
        devices = [replace(device, unmodelled=(*device.unmodelled, *doubts)) for device in devices]
    order = {name: number for number, (name, _) in enumerate(files)}
    accounts = sorted((*parsed.accounts, *parts.accounts), key=lambda account: order.get(account.file, 0))
    return ParsedConfiguration(tuple(devices), tuple(accounts), (*parsed.findings, *parts.findings))


@dataclass(slots=True)
class _Parts:
    """What is gathered besides the text."""

    forms: dict[str, WrittenForm] = field(default_factory=dict)
    models: dict[str, YangData] = field(default_factory=dict)
    contents: dict[str, bytes] = field(default_factory=dict)
    accounts: list[FileAccount] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def refuse(self, name: str, error: InputError) -> None:
        """Note a file that is not read at all."""
        self.accounts.append(FileAccount(name, None, 0, {}, (), refused=str(error)))
        span = error.span if error.span is not None else Span(name, 1, "")
        self.findings.append(finding("PC403", error.message, span=span, help=error.help))

    def join(self, device: Device, name: str, model: YangData) -> Device:
        """Add what a file of the standard models says to a device."""
        lists = dict(device.access_lists)
        records = list(model.records)
        for key, more in model.access_lists.items():
            before = lists.get(key)
            if before is not None:
                records.append(self._twice(device, before, more))
            lists[key] = more if before is None else _both(before, more)
        interfaces = dict(device.interfaces)
        for interface, bindings in model.bindings.items():
            held = interfaces.get(interface) or Interface(interface, interface_kind(interface), span=bindings[0].span)
            taken = {(one.family, one.direction) for one in bindings}
            kept = tuple(one for one in held.bindings if one.port or (one.family, one.direction) not in taken)
            interfaces[interface] = replace(held, bindings=(*kept, *bindings))
        self.findings.extend(replace(one, device=device.name) for one in model.findings)
        self.accounts.append(_account(name, device.name, self.contents[name], records))
        return replace(
            device,
            files=tuple(dict.fromkeys((*device.files, name))),
            access_lists=lists,
            interfaces=interfaces,
            static_routes=(*device.static_routes, *model.static_routes),
            unmodelled=(*device.unmodelled, *model.unmodelled),
        )

    def _twice(self, device: Device, before: AccessList, more: AccessList) -> LineRecord:
        """Note a list that two files define in two forms."""
        message = f"the access list `{more.name}` is defined in {before.span} already; one list is written in one form"
        self.findings.append(
            finding("PC401", message, span=more.span, device=device.name, acl=more.name, because=(before.span,))
        )
        return LineRecord(more.span, LineClass.WRONG, message)


def _both(before: AccessList, more: AccessList) -> AccessList:
    """Return a list of which nobody knows what it is: an unknown line in front of all the others."""
    why = f"the list is defined in {before.span} and in {more.span}"
    first: Entry = UnreadLine(1, None, more.span.words, why, span=more.span)
    return replace(before, entries=(first, *before.entries))


def _account(name: str, device: str, data: bytes, records: Sequence[LineRecord]) -> FileAccount:
    """Count the lines of a file of the standard models; a line has the gravest class of what stands on it."""
    rows = data.decode("utf-8-sig").removesuffix("\n").split("\n")
    gravity = (LineClass.IGNORED, LineClass.MODELLED, LineClass.UNMODELLED, LineClass.UNKNOWN, LineClass.WRONG)
    classes: dict[int, LineClass] = {
        number: LineClass.MODELLED if row.strip() else LineClass.IGNORED for number, row in enumerate(rows, 1)
    }
    for record in records:
        classes[record.span.line] = max(classes[record.span.line], record.line_class, key=gravity.index)
    counts = {line_class: sum(one is line_class for one in classes.values()) for line_class in LineClass}
    ordered = sorted(records, key=lambda record: (record.span.line, record.span.column))
    return FileAccount(name, device, len(rows), counts, tuple(ordered))
