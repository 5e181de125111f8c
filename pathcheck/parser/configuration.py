"""The text of a device, or of several, read whole: lines to models, with the account of every line.

Names are resolved here, after the whole text: the order of text is not the order of effect.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.parser import (
    access_list,
    free_text,
    harmless,
    interface,
    object_group,
    own_traffic,
    static_route,
    terminal_lines,
    unmodelled,
    vlan,
    vrf,
)
from pathcheck.parser.commands import (
    CommandLine,
    Context,
    Language,
    LineReader,
    Mode,
    Result,
    StartDevice,
    Tables,
    modelled,
)
from pathcheck.parser.dialects.recognise import EMPTY, recognise
from pathcheck.parser.lines import LineKind, TextLine, split_lines
from pathcheck.results.account import FileAccount
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["ParsedConfiguration", "SourceText", "read_configuration"]


@dataclass(frozen=True, slots=True)
class SourceText:
    """One file as it was found; `file` is how messages call it."""

    file: str
    data: bytes


@dataclass(frozen=True, slots=True)
class ParsedConfiguration:
    """What reading gave.

    Parameters
    ----------
    devices
        In the order of the text; more than one where the text names several.
    accounts
        One for each file, in order.
    findings
        On single lines, in the order of the text; codes PC4xx.
    """

    devices: tuple[Device, ...]
    accounts: tuple[FileAccount, ...]
    findings: tuple[Finding, ...]


def read_configuration(
    texts: Sequence[SourceText], *, default_name: str, assume: Assumptions | None = None
) -> ParsedConfiguration:
    """Read the files of one device.

    Parameters
    ----------
    texts
        The files, read one after the other as one text. A second `hostname` with another name begins another device.
    default_name
        The device's name where no `hostname` line gives one.
    assume
        How readings that differ between device families are decided.

    Returns
    -------
    ParsedConfiguration
        No device at all where each file was refused. A file in a dialect that is not read is refused
        whole, with a finding; the others are read.
    """
    with _without_collector():
        return _read(texts, default_name, assume or Assumptions())


@contextmanager
def _without_collector() -> Iterator[None]:
    """Pause the search for cycles: models have none, and walking through a growing heap costs a third of the time."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def _read(texts: Sequence[SourceText], default_name: str, assume: Assumptions) -> ParsedConfiguration:
    """Cut, recognise, read and assemble."""
    cut: list[tuple[SourceText, list[TextLine], str | None]] = []
    findings: list[Finding] = []
    for text in texts:
        lines, replaced = split_lines(text.file, text.data)
        dialect = recognise(lines)
        refused = dialect.refused
        if refused is None:
            findings += replaced
            if dialect is EMPTY:
                span = lines[0].span if lines else Span(text.file, 1, "")
                findings.append(finding("PC415", "the file holds no command, so its device is empty", span=span))
        else:
            span = next((line.span for line in lines if line.kind is LineKind.COMMAND), Span(text.file, 1, ""))
            findings.append(finding("PC403", f"the file is refused: {refused}", span=span))
        cut.append((text, lines, refused))
    announced = object_group.announced_groups(line for _, lines, refused in cut if refused is None for line in lines)

    def new_context() -> Context:
        context = Context(assume)
        context.part(object_group.Groups).announced = announced
        return context

    reader = LineReader(language(), new_context)
    accounts: list[FileAccount] = []
    owners: list[int] = []
    files: list[list[str]] = [[]]
    for text, lines, refused in cut:
        if refused is not None:
            accounts.append(FileAccount(text.file, None, len(lines), {}, (), refused))
            owners.append(-1)
            continue
        name = _first_hostname(lines)
        if name is not None and reader.contexts[-1].hostname not in (None, name.text):
            # The whole file is the next device's, not only what follows its hostname.
            _report_split(reader.contexts[-1], name.text, name.line)
            reader.start_device(name.text)
            files.append([])
        before, first = len(reader.contexts), len(reader.records)
        counts = reader.read(lines)
        files[-1].append(text.file)
        files += [[text.file] for _ in reader.contexts[before:]]
        accounts.append(FileAccount(text.file, None, len(lines), counts, tuple(reader.records[first:])))
        owners.append(before - 1)
    if all(refused is not None for _, _, refused in cut):
        return ParsedConfiguration((), tuple(accounts), tuple(findings))
    devices = []
    for index, context in enumerate(reader.contexts):
        called = context.hostname or default_name
        device = _assemble(context, called, tuple(files[index]))
        devices.append(device)
        findings += [replace(found, device=called) for found in context.findings]
    accounts = [
        account if owner < 0 else replace(account, device=devices[owner].name)
        for account, owner in zip(accounts, owners, strict=True)
    ]
    return ParsedConfiguration(tuple(devices), tuple(accounts), tuple(sorted(findings, key=_place)))


def _place(found: Finding) -> tuple[str, int, int, str]:
    """Return the place of a finding in the text."""
    span = found.span
    return (span.file, span.line, span.column, found.code) if span else ("", 0, 0, found.code)


_SUBJECTS = (
    access_list,
    object_group,
    interface,
    vlan,
    static_route,
    vrf,
    terminal_lines,
    unmodelled,
    harmless,
    own_traffic,
    free_text,
)


@cache
def language() -> Language:
    """Return all modes with the commands of all subjects; made once."""
    modes: list[Mode] = [Mode("top", unknown=access_list.garbled_at_top)]
    tables: list[Tables] = [_COMMANDS]
    for subject in _SUBJECTS:
        modes += subject.MODES
        tables.append(subject.COMMANDS)
    return Language(modes, tables)


class _Hostname(NamedTuple):
    """A name, and the line that gives it."""

    text: str
    line: Span


def _hostname_of(text: str) -> str:
    """Return the name behind the word `hostname`; quotes are not part of it."""
    return text.strip("\"'").strip()


def _first_hostname(lines: Sequence[TextLine]) -> _Hostname | None:
    """Return the first name that a file gives to its device."""
    for line in lines:
        if line.text[:9].lower() == "hostname " and not line.indent and line.kind is LineKind.COMMAND:
            return _Hostname(_hostname_of(line.text[9:].strip()), line.span)
    return None


def _report_split(context: Context, name: str, span: Span) -> None:
    message = f"the text names a second device, `{name}`, after `{context.hostname}`; it was split here"
    context.report("PC410", message, span)


def _read_hostname(context: Context, line: CommandLine) -> Result:
    """Hostname NAME; a second one with another name begins another device."""
    if line.negated:
        return None
    if line.start >= len(line.words):
        raise line.wrong(line.start, "a name")
    name = _hostname_of(line.text_from(line.start))
    if context.hostname not in (None, name):
        _report_split(context, name, line.span)
        return StartDevice(name)
    context.hostname = name
    return None


_COMMANDS: Tables = {"top": (modelled("host|name", _read_hostname), modelled("switchname", _read_hostname))}


def _assemble(context: Context, name: str, files: tuple[str, ...]) -> Device:
    """Make the device of what was gathered, now that its whole text is read."""
    groups = context.part(object_group.Groups).finish(context)
    lists = context.part(access_list.Lists).finish(context, groups)
    vlans = context.part(vlan.Vlans)
    interfaces = context.part(interface.Interfaces).finish(context)
    routing = context.part(static_route.Routing).finish(context)
    context.part(unmodelled.Protocols).finish(context)
    context.part(unmodelled.Policies).finish(context, interfaces)
    servers, relays = context.part(own_traffic.OwnTraffic).finish(interfaces)
    return Device(
        name,
        files,
        access_lists=lists,
        groups=groups,
        interfaces=interfaces,
        vlans=vlans.finish(context),
        has_vlan_section=vlans.has_section,
        vrfs=context.part(vrf.Vrfs).finish(context),
        static_routes=routing.static_routes,
        gateways=routing.gateways,
        routing=routing.routing,
        ipv6_routing=routing.ipv6_routing,
        routing_span=routing.routing_span,
        ipv6_routing_span=routing.ipv6_routing_span,
        terminal_lines=context.part(terminal_lines.Terminals).finish(context),
        control_plane=context.part(terminal_lines.ControlPlane).finish(context),
        list_uses=tuple(context.list_uses),
        servers=servers,
        relays=relays,
        routing_peers=context.part(own_traffic.RoutingPeers).finish(interfaces),
        unmodelled=tuple(context.unmodelled),
        assume=context.assume,
    )
