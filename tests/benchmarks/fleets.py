"""Measures how `routes` and `audit` grow with the number of devices, on leaf-and-spine fleets."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from pathlib import Path

__all__ = ["measure_fleets"]

PROGRAM = [sys.executable, "-c", "from pathcheck.cli.main import run; run()"]


def measure_fleets(folder: Path, most: int) -> None:
    """Measure each of the commands that look at a whole fleet."""
    for command in ("routes", "audit"):
        _measure(command, folder, most)


def _measure(command: str, folder: Path, most: int) -> None:
    """Print processor seconds and memory of the whole command for fleets of doubling size up to `most` devices.

    Each device has 100 lines of access lists and 20 routes. `parse` is the command that only reads the fleet. The last
    column is the exponent with which the time grew since the row above: 1 is proportional to the devices.
    """
    from made_fleets import make_fleet  # the folder is on the path of the benchmarks only

    heads = (("lines", 7), ("routes", 7), ("cpu s", 9), ("MiB", 5), ("parse", 9), ("exponent", 8))
    print(f"{f'{command}, whole command':32} {' '.join(f'{head:>{width}}' for head, width in heads)}")
    before: tuple[int, float] | None = None
    for devices in (125, 250, 500, 1000, 2000):
        if devices > most:
            break
        # The audit follows VLANs over the cables, so it gets them.
        cabled = command == "audit"
        made = folder / f"{'cabled' if cabled else 'fleet'}-{devices}"
        make_fleet(made, devices, list_lines=100 * devices, routes=20 * devices, links=cabled)
        reading, _, _ = _whole(["parse", "--fleet", str(made), "--json"])
        seconds, memory, output = _whole([command, "--fleet", str(made), "--json"])
        found = json.loads(output)["findings"]
        assert not found, f"a healthy fleet has no finding, found {found[0]}"
        grown = "" if before is None else f"{math.log(seconds / before[1]) / math.log(devices / before[0]):8.2f}"
        row = (
            f"{f'{devices} devices':32} {100 * devices:7} {20 * devices:7} {seconds:9.2f} {memory:5.0f} {reading:9.2f}"
        )
        print(f"{row} {grown}", flush=True)
        before = devices, seconds
    print()


def _whole(arguments: list[str]) -> tuple[float, float, bytes]:
    """Run a command; return its processor seconds, its peak MiB and its output."""
    process = subprocess.Popen([*PROGRAM, *arguments], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    assert process.stdout is not None
    output = process.stdout.read()
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 1):
        raise SystemExit(f"{arguments} ended with {process.returncode}")
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, output
