"""Measures whole commands and the library against what a user would otherwise write.

Run it as `python tests/benchmarks`, with `--lists FOLDER` for lists of your own (each `*.cfg`
with one list). Every figure stands beside another of the same run; read the ratios, not the seconds.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fleets import measure_fleets
from made_lists import make_list
from naive import covered_by_one_line, first_line
from reach import measure_reach

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "corpora" / "ferry-operator" / "fleet"
PROGRAM = [sys.executable, "-c", "from pathcheck.cli.main import run; run()"]


def main() -> None:
    """Print each measurement as a row."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--lists", type=Path, help="folder of lists to review")
    options.add_argument("--runs", type=int, default=5)
    options.add_argument("--most", type=int, default=10_000, help="longest list that is made")
    options.add_argument("--devices", type=int, default=500, help="largest fleet that is made")
    options.add_argument("--smt-lines", type=int, default=1000, help="longest list given to the solver")
    asked = options.parse_args()
    print(f"Python {platform.python_version()}, {os.cpu_count()} processors, median of {asked.runs} whole runs\n")
    _commands(asked.runs)
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder)
        _reading(made)
        _decisions(made)
        measure_fleets(made, asked.devices)
        measure_reach(made, asked.devices)
        lists = sorted(asked.lists.glob("*.cfg")) if asked.lists else []
        for kind in ("hosts", "zones", "wide"):
            for count in (1000, 8000, 100_000):
                if count <= asked.most:
                    lists.append(made / f"{kind}-{count}.cfg")
                    lists[-1].write_text(make_list(kind, count))
        _reviews(lists, asked.runs, asked.smt_lines)


def _commands(runs: int) -> None:
    bare = _whole([sys.executable, "-c", "pass"], runs)[0]
    for name, arguments in (
        ("--help", ["--help"]),
        ("one flow, demo fleet", ["flow", "--fleet", str(DEMO), "tcp", "10.20.20.7", "10.10.90.20:443"]),
        ("check, demo fleet", ["check", "--fleet", str(DEMO)]),
    ):
        seconds = _whole([*PROGRAM, *arguments], runs)[0]
        print(f"{name:32} {seconds:8.3f} s   {seconds / bare:6.1f} x the bare interpreter ({bare:.3f} s)")
    print()


def _reading(folder: Path) -> None:
    import pyparsing as pp

    from pathcheck.fleet import load_fleet

    path = folder / "reading.cfg"
    path.write_text(make_list("wide", 50_000))
    seconds = _timed(lambda: load_fleet(path))
    # A plain grammar of the same lines, run once for each line.
    number, dotted = pp.Word(pp.nums), pp.Regex(r"\d+\.\d+\.\d+\.\d+")
    end = pp.Keyword("any") | pp.Keyword("host") + dotted | dotted + dotted
    port = pp.Optional(pp.Keyword("eq") + number | pp.Keyword("range") + number + number)
    grammar = pp.one_of("permit deny") + pp.one_of("tcp udp icmp ip") + end + port + end + port + pp.StringEnd()
    lines = path.read_text().splitlines()[3:5003]
    plain = _timed(lambda: [grammar.parse_string(line) for line in lines])
    rate, plain_rate = 50_000 / seconds, len(lines) / plain
    against = f"{rate / plain_rate:6.1f} x a plain grammar ({plain_rate:.0f} lines/s)"
    print(f"{'reading list lines':32} {rate:8.0f} lines/s   {against}\n")


def _decisions(folder: Path) -> None:
    import random

    from pathcheck import load
    from pathcheck.packet.address import Address
    from pathcheck.packet.packet import Packet

    path = folder / "decisions.cfg"
    path.write_text(make_list("zones", 1000))
    fleet = load(path)
    draw = random.Random(1)
    packets = [
        Packet(
            Address(4, draw.randrange(10 << 24, 11 << 24)),
            Address(4, draw.randrange(10 << 24, 11 << 24)),
            draw.choice((6, 17)),
            draw.randrange(65536),
            draw.randrange(1024),
        )
        for _ in range(100_000)
    ]
    fleet.decide("zones", "MADE", packets[:10])
    seconds = _timed(lambda: fleet.decide("zones", "MADE", packets))
    fields = _fields(path)
    some = [
        (p.source.value, p.destination.value, p.protocol, p.source_port, p.destination_port) for p in packets[:2000]
    ]
    plain = _timed(lambda: [first_line(fields, packet) for packet in some])
    rate, plain_rate = len(packets) / seconds, len(some) / plain
    against = f"{rate / plain_rate:6.1f} x plain loops ({plain_rate:.0f} flows/s)"
    print(f"{'flows against 1,000 lines':32} {rate:8.0f} flows/s   {against}\n")


def _reviews(lists: list[Path], runs: int, smt_lines: int) -> None:
    columns = ("naive", "ratio", "missed", "solver", "ratio")
    heads = "".join(f" {name:>{9 if name in ('naive', 'solver') else 6}}" for name in columns)
    print(f"{'review, whole command':32} {'seconds':>9} {'MiB':>5}{heads}")
    for path in lists:
        fields = _fields(path)
        seconds, memory, output = _whole(
            [*PROGRAM, "review", "--fleet", str(path), "--json"], 1 if len(fields) > 20_000 else runs
        )
        found = json.loads(output)["findings"]
        # What one earlier line holds whole is all that the naive script can see.
        dead = sum(item["code"] in ("PC101", "PC105") or (item["code"] == "PC102" and _earlier(item)) for item in found)
        row = f"{path.stem + f' ({len(fields)} lines)':32} {seconds:9.2f} {memory:5.0f}"
        if len(fields) <= 20_000:
            seen: list[int] = []
            naive = _timed(lambda: seen.append(covered_by_one_line(fields)))  # noqa: B023
            row += f" {naive:9.2f} {naive / seconds:6.1f} {dead - seen[0]:6}"
        if len(fields) <= smt_lines:
            from smt import dead_lines

            solver = _timed(lambda: dead_lines(fields))  # noqa: B023
            row += f" {solver:9.2f} {solver / seconds:6.1f}"
        print(row, flush=True)


def _earlier(item: dict[str, Any]) -> bool:
    return bool(item["because"]) and all(cause["line"] < item["line"] for cause in item["because"])


def _fields(path: Path) -> list[tuple[Any, ...]]:
    """The lines of the only list of a file as plain numbers."""
    from pathcheck.fleet import load_fleet
    from pathcheck.model.access_list import Line
    from pathcheck.packet.ranges import Ranges
    from pathcheck.packet.wildcard import AddressMatch

    (device,) = load_fleet(path).config.devices.values()
    (access_list,) = device.access_lists.values()
    fields = []
    for line in access_list.lines:
        assert isinstance(line, Line)
        assert isinstance(line.source, AddressMatch)
        assert isinstance(line.destination, AddressMatch)
        bounds = []
        for ports in (line.source_ports, line.destination_ports):
            bounds += [*(ports.spans[0] if isinstance(ports, Ranges) else (0, 65535))]
        fields.append(
            (line.source.value, line.source.care, line.destination.value, line.destination.care, line.protocol, *bounds)
        )
    return fields


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _whole(command: list[str], runs: int) -> tuple[float, float, bytes]:
    """Run a command several times; return its median seconds, its peak MiB and its last output."""
    times, output = [], b""
    for _ in range(runs):
        start = time.perf_counter()
        done = subprocess.run(command, capture_output=True, check=False)
        times.append(time.perf_counter() - start)
        output = done.stdout
        if done.returncode not in (0, 1):
            raise SystemExit(f"{command} ended with {done.returncode}: {done.stderr.decode()}")
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    return statistics.median(times), peak, output


if __name__ == "__main__":
    main()
