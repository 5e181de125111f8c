"""What is done with one input of each kind, and what must hold whatever it says.

An error of ours is an answer; anything else that comes out is a fault. Of a text that is
read, each line is accounted for, what was understood reads the same when it is written
back, and the engine and the evaluator decide each packet alike.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import fields
from datetime import date
from functools import cache
from itertools import islice
from pathlib import Path
from random import Random

from pathcheck.dataplane.first_match import filter_packets
from pathcheck.errors import InternalFault, PathcheckError
from pathcheck.evaluator import evaluate_list
from pathcheck.fleet import LoadedFleet, load_fleet_files
from pathcheck.model.access_list import AccessList, Line
from pathcheck.model.device import Device
from pathcheck.model.unmodelled import DeviceScope, NoScope
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.icmp import ICMP_NAMES
from pathcheck.packet.packet import Packet
from pathcheck.packet.protocol import ICMP, ICMPV6, TCP, has_ports
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import packet_space
from pathcheck.parser.baseline import read_baseline
from pathcheck.parser.configuration import SourceText, read_configuration
from pathcheck.parser.flow_words import read_flow_line
from pathcheck.parser.waivers import read_waivers
from pathcheck.reports.diagnostic import render_error
from pathcheck.results.account import FileAccount, LineClass
from pathcheck.results.catalogue import CATALOGUE
from pathcheck.writer import write_device

__all__ = ["BETWEEN_FILES", "BETWEEN_STATES", "TARGETS", "Target", "folder_of", "one_text"]

TOP = Path(__file__).parents[2]
BETWEEN_FILES = "\x1e"
"""In an input that is a whole folder each file begins with this character and its name."""
BETWEEN_STATES = b"\x1d"
"""In an input that is two states of a fleet the second begins with this byte."""
_TODAY = date(2026, 6, 1)

Target = Callable[[bytes], object]


def one_text(files: dict[str, bytes]) -> bytes:
    """Return a whole folder as one input."""
    return b"".join(f"{BETWEEN_FILES}{name}\n".encode() + data for name, data in files.items())


def folder_of(data: bytes) -> dict[str, bytes]:
    """Return the files of an input that is a whole folder."""
    files = {}
    for part in data.removeprefix(BETWEEN_FILES.encode()).split(BETWEEN_FILES.encode())[:20]:
        name, _, content = part.partition(b"\n")
        files[name.decode("utf-8", "replace").strip() or "quay-z.cfg"] = content
    return files


def _answer(ask: Callable[[], object]) -> object | None:
    """What comes out; None for an error of ours, which must be fit to print."""
    try:
        return ask()
    except InternalFault:
        raise
    except PathcheckError as found:
        error = found
    for each in (error, *getattr(error, "others", ())):
        assert each.message, f"an error without a word: {each!r}"
        assert render_error(each)
    return None


# -- laws


def _lines_are_accounted_for(accounts: tuple[FileAccount, ...], files: dict[str, bytes]) -> None:
    for account in accounts:
        if account.refused is not None:
            assert account.refused
            continue
        data = files[account.file].removeprefix(b"\xef\xbb\xbf")
        lines = data.count(b"\n") + (not data.endswith(b"\n") and data != b"")
        assert account.lines == lines, f"{account.file}: {account.lines} lines of {lines}"
        assert sum(account.counts.values()) == account.lines, f"{account.file}: {account.counts} of {account.lines}"
        assert all(1 <= record.span.line <= account.lines for record in account.records)


def _reads_as_it_was_written(device: Device, *, strictly: bool) -> None:
    """A line that could not be read is written where it can be told apart, so its place may be another."""
    text = write_device(device)
    read = read_configuration(
        [SourceText("written.cfg", text.encode("utf-8", "surrogatepass"))],
        default_name=device.name,
        assume=device.assume,
    ).devices
    if not strictly:
        return
    (again,) = read
    for field in fields(Device):
        was, now = getattr(device, field.name), getattr(again, field.name)
        if field.compare and field.name not in ("management", "serial"):
            assert was == now, f"`{field.name}` reads otherwise:\n{was}\n{now}\nwritten:\n{text}"
    assert list(device.vrfs) == list(again.vrfs), text
    was, now = ({item.scope for item in one.unmodelled} - {NoScope()} for one in (device, again))
    # Where a line stood in a block that is not written, one that nobody knows takes its place.
    assert was == now or DeviceScope() in now, f"doubts are lost:\n{was - now}\nwritten:\n{text}"
    assert now - was <= {DeviceScope()}, f"doubts come up:\n{now - was}\nwritten:\n{text}"


def _both_opinions_agree(device: Device, random: Random) -> None:
    for (family, name), access_list in islice(device.access_lists.items(), 8):
        if len(access_list.entries) > 60:
            continue
        version: IPVersion = 4 if family == "ipv4" else 6
        parts = filter_packets(device, family, name, packet_space(version).full)
        samples = [sample for part in parts if (sample := part.packets.sample()) is not None]
        assert len(samples) == len(parts), "an empty part"
        for packet in (*samples, *islice(_packets(access_list, version, random), 12)):
            holding = [part for part in parts if packet in part.packets]
            assert len(holding) == 1, f"{name}: {packet} is in {len(holding)} parts"
            alone = evaluate_list(device, family, name, packet)
            assert holding[0].action == alone.action, f"{name}: {packet}: {holding[0]} and {alone}"
            assert holding[0].use.span == alone.use.span, f"{name}: {packet}: {holding[0]} and {alone}"


def _packets(access_list: AccessList, version: IPVersion, random: Random) -> Iterator[Packet]:
    """Packets at the edges of what the lines name."""
    lines = [line for line in access_list.lines if isinstance(line, Line)]
    if not lines:
        return

    def address(wanted: object) -> Address:
        if not isinstance(wanted, AddressMatch) or wanted.version != version:
            return Address(version, random.getrandbits(WIDTH[version]))
        free = random.choice((0, wanted.free, random.getrandbits(WIDTH[version]) & wanted.free))
        flipped = 1 << random.randrange(WIDTH[version]) if random.random() < 0.3 else 0
        return Address(version, (wanted.value | free) ^ flipped)

    def number(wanted: object, highest: int) -> int:
        if not isinstance(wanted, Ranges) or not wanted.spans:
            return random.choice((0, highest, random.randint(0, highest)))
        edge = random.choice(random.choice(wanted.spans)) + random.choice((-1, 0, 0, 1))
        return min(max(edge, 0), highest)

    while True:
        line, other = random.choice(lines), random.choice(lines)
        protocol = line.protocol if isinstance(line.protocol, int) else random.choice((6, 17, 132, 1, 58, 47))
        fragment = random.random() < 0.15
        ported, icmp = has_ports(protocol) and not fragment, protocol in (ICMP, ICMPV6) and not fragment
        kind = getattr(line.icmp, "type", random.choice([it for it, _ in ICMP_NAMES[version].values()]))
        code = getattr(line.icmp, "code", None)
        yield Packet(
            address(line.source),
            address(random.choice((line, other)).destination),
            protocol,
            number(line.source_ports, 65535) if ported else 0,
            number(line.destination_ports, 65535) if ported else 0,
            kind if icmp else 0,
            (random.choice((0, 1, 255)) if code is None else code) if icmp else 0,
            random.choice((2, 16, 4, 18, 1, 0, 255, random.getrandbits(8))) if protocol == TCP and not fragment else 0,
            number(line.dscp, 63),
            fragment,
        )


# -- targets


def configuration(data: bytes) -> None:
    """Raw lines of one device."""
    files = {"quay-a.cfg": data}
    loaded = _answer(lambda: load_fleet_files(files))
    if loaded is None:
        return
    assert isinstance(loaded, LoadedFleet)
    _lines_are_accounted_for(loaded.report.files, files)
    (account,) = loaded.report.files
    # A few control characters in a long text are no reason to refuse it, but may be one in a short text.
    every_line_was_read = not (
        account.counts.get(LineClass.UNKNOWN)
        or account.counts.get(LineClass.WRONG)
        or re.search(rb"[\x00-\x08\x0e-\x1f]", data)
    )
    for device in islice(loaded.config.devices.values(), 3):
        _reads_as_it_was_written(device, strictly=every_line_was_read)
        _answer(lambda device=device: _both_opinions_agree(device, Random(len(data))))


def device_data(name: str) -> Target:
    """Data of one device beside raw lines."""

    def read(data: bytes) -> None:
        files = {"quay-a.cfg": b"hostname quay-a\nip access-list extended A\n permit ip any any\n", name: data}
        loaded = _answer(lambda: load_fleet_files(files))
        if loaded is not None:
            assert isinstance(loaded, LoadedFleet)
            _lines_are_accounted_for(loaded.report.files, files)
            for device in loaded.config.devices.values():
                _answer(lambda device=device: _both_opinions_agree(device, Random(len(data))))

    return read


@cache
def _small_fleet() -> dict[str, bytes]:
    folder = TOP / "tests" / "snapshots" / "fleet"
    demo = TOP / "corpora" / "ferry-operator" / "fleet"
    return {
        "quay-a.cfg": (folder / "quay-a.cfg").read_bytes(),
        "terminal-north.cfg": (demo / "terminal-north.cfg").read_bytes(),
    }


def fleet_file(data: bytes) -> None:
    """`fleet.yaml` beside two devices."""
    _answer(lambda: load_fleet_files({**_small_fleet(), "fleet.yaml": data}))


@cache
def _loaded() -> LoadedFleet:
    files = {path.name: path.read_bytes() for path in sorted((TOP / "corpora/ferry-operator/fleet").iterdir())}
    return load_fleet_files(files)


def required_flows(data: bytes) -> None:
    """The required flows of a fleet, read and asked."""
    from pathcheck.queries.required_flows import ask_required_flows, required_flow_findings
    from pathcheck.reports.json_report import render_json, requirement_document
    from pathcheck.reports.requirement_report import render_requirements
    from pathcheck.reports.terminal import Paint

    demo = _loaded()
    loaded = LoadedFleet(demo.folder, demo.config, demo.report, data)

    def ask() -> None:
        report = ask_required_flows(loaded)
        json.loads(render_json(requirement_document(report)))
        render_requirements(report, Paint(False))
        required_flow_findings(loaded)

    _answer(ask)


def waivers(data: bytes) -> None:
    """The file of waivers."""
    _answer(lambda: read_waivers("waivers.yaml", data, CATALOGUE, ("PC384",)))


def baseline(data: bytes) -> None:
    """The baseline."""
    _answer(lambda: read_baseline("known.yaml", data))


def flow_words(data: bytes) -> None:
    """Lines of a batch of flows: each sample of an answer goes through the evaluator."""
    from pathcheck.queries.flow import ask_flow, ask_list
    from pathcheck.reports.json_report import flow_document, list_document, render_json
    from pathcheck.reports.terminal import Paint, render_flow, render_list_answer

    loaded = _loaded()

    def ask(words: str) -> None:
        question = read_flow_line(words, loaded.config)
        if question.acl is not None:
            listed = ask_list(loaded, question.device, question.acl, question.flow)
            json.loads(render_json(list_document(listed)))
            render_list_answer(listed, Paint(False))
            return
        answer = ask_flow(loaded, question.flow, reply=question.reply)
        json.loads(render_json(flow_document(answer)))
        render_flow(answer, Paint(False))

    for raw in data.split(b"\n")[:3]:
        _answer(lambda raw=raw: ask(raw.decode("utf-8", "replace")))


def fleet(data: bytes) -> None:
    """A whole folder: read, checked, reported in each format, and asked for a few flows."""
    from pathcheck.cli.output import finding_renderers
    from pathcheck.queries.check import full_check
    from pathcheck.queries.flow import ask_flow
    from pathcheck.reports.terminal import Paint

    files = folder_of(data)
    loaded = _answer(lambda: load_fleet_files(files))
    if loaded is None:
        return
    assert isinstance(loaded, LoadedFleet)
    _lines_are_accounted_for(loaded.report.files, files)

    def check() -> None:
        report = full_check(loaded, today=_TODAY)
        for render in finding_renderers(report).values():
            render(Paint(False))

    _answer(check)
    for device in islice(loaded.config.devices.values(), 2):
        for words in (f"tcp 10.1.20.7 10.1.99.10:22 --at {device.name}", "ip any any --at " + device.name):
            _answer(lambda words=words: ask_flow(loaded, read_flow_line(words, loaded.config).flow))


def change(data: bytes) -> None:
    """Two states of a fleet held against each other; each sample goes through the evaluator in both."""
    from pathcheck.fleet_source import FleetState
    from pathcheck.queries.fleet_comparison import compare_fleets
    from pathcheck.reports.fleet_comparison_text import render_fleet_comparison
    from pathcheck.reports.terminal import Paint

    def compare() -> None:
        states = []
        for part in [*data.split(BETWEEN_STATES), b""][:2]:
            files = folder_of(part)
            states.append(FleetState("state", load_fleet_files(files), files.__getitem__))
        render_fleet_comparison(compare_fleets(*states, show=40), Paint(False))

    _answer(compare)


TARGETS: dict[str, Target] = {
    "configuration": configuration,
    "data-form": device_data("more.yaml"),
    "standard-models": device_data("models.json"),
    "fleet-file": fleet_file,
    "required-flows": required_flows,
    "waivers": waivers,
    "baseline": baseline,
    "flow-words": flow_words,
    "fleet": fleet,
    "change": change,
}
