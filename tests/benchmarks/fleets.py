"""How the commands that look at a whole fleet grow with its devices and with its routes."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from pathlib import Path

from made_fleets import make_fleet
from results import Results, exponent, whole

__all__ = ["measure_devices", "measure_routes"]


def measure_devices(results: Results, folder: Path, sizes: Sequence[int]) -> None:
    """Measure commands on leaf-and-spine fleets of growing size."""
    table = results.table(
        "Fleets of growing size",
        "Leaf and spine, healthy, 100 lines of lists and 20 routes a device; the audit's fleet has its cables too, and "
        "`require` asks one required flow a device. Whole commands in processor seconds; `parse` only reads the fleet. "
        "The exponent tells how the time grew since the row above: 1 is in proportion to the devices.",
        "command, devices", "list lines", "routes", "processor s", "MiB", "`parse` s", "exponent",
    )  # fmt: skip
    growth = results.growth("devices", "Commands on a whole fleet, by devices", "devices")
    for command in ("routes", "audit", "require"):
        for devices in sizes:
            cabled = command == "audit"  # it follows VLANs over the cables
            made = folder / f"{'cabled' if cabled else 'fleet'}-{devices}"
            if not made.exists():
                make_fleet(made, devices, list_lines=100 * devices, routes=20 * devices, links=cabled)
            if command == "require":
                (made / "required-flows.yaml").write_text(_required(devices))
            reading = whole(["parse", "--fleet", str(made), "--json"])
            done = whole([command, *(["--fleet", str(made), "--json"])])
            if command != "require":
                found = json.loads(done.output)["findings"]
                assert not found, f"a healthy fleet has no finding, found {found[0]}"
            growth.add(f"`{command}`", devices, done.processor)
            growth.series.setdefault("`parse`", [])
            if command == "routes":
                growth.add("`parse`", devices, reading.processor)
            table.add(
                f"`{command}`, {devices:,}", f"{100 * devices:,}", f"{20 * devices:,}", done.processor, done.memory,
                reading.processor, exponent(growth.series[f"`{command}`"]),
            )  # fmt: skip


def measure_routes(results: Results, folder: Path, counts: Sequence[int]) -> None:
    """Measure the review of routes and one flow on one device with a growing table."""
    table = results.table(
        "Tables of growing size",
        "One device with static routes of all lengths, nested in each other, over 40 next hops. Whole commands in "
        "processor seconds; the exponent is that of `routes`.",
        "routes", "`routes` s", "MiB", "one `flow` s", "`parse` s", "exponent",
    )  # fmt: skip
    growth = results.growth("routes", "Commands on one device, by routes of its table", "routes")
    for count in counts:
        made = folder / f"table-{count}"
        made.mkdir()
        (made / "core.cfg").write_text(_table(count))
        reading = whole(["parse", "--fleet", str(made), "--json"])
        routes = whole(["routes", "--fleet", str(made), "--json"])
        flow = whole(["flow", "--fleet", str(made), "--at", "core:Ethernet1", "tcp", "198.51.100.7", "10.0.0.0/8:443"])
        for name, done in (("`parse`", reading), ("`routes`", routes), ("one `flow`", flow)):
            growth.add(name, count, done.processor)
        table.add(
            f"{count:,}", routes.processor, routes.memory, flow.processor, reading.processor,
            exponent(growth.series["`routes`"]),
        )  # fmt: skip


def _required(devices: int) -> str:
    """As many required flows as the fleet has devices, between stations of its leaves."""
    spines = max(2, min(8, devices // 12))
    leaves = devices - spines
    draw = random.Random(devices)
    lines = ["flows:"]
    for number in range(devices):
        source, target = (10 << 24) + (draw.randrange(leaves) << 10), (10 << 24) + (draw.randrange(leaves) << 10)
        lines += [
            f"  - name: flow {number}",
            f"    flow: tcp {_dotted(source + 20)} {_dotted(target + 300)}:443",
            f"    expect: {draw.choice(('open', 'closed'))}",
        ]
    return "\n".join([*lines, ""])


def _table(count: int) -> str:
    """A device with one uplink for each of two subnets, and many static routes."""
    draw = random.Random(count)
    lines = [
        "hostname core", "ip routing",
        "interface Ethernet1", " no switchport", " ip address 198.51.100.1 255.255.255.0",
        "interface Ethernet2", " no switchport", " ip address 192.0.2.1 255.255.255.192",
    ]  # fmt: skip
    seen: set[tuple[int, int]] = set()
    while len(seen) < count:
        length = draw.choice((16, 20, 22, 24, 24, 24, 26, 28, 32))
        value = (10 << 24 | draw.getrandbits(24)) >> 32 - length << 32 - length
        if (value, length) not in seen:
            seen.add((value, length))
            mask = (1 << 32) - (1 << 32 - length)
            lines.append(f"ip route {_dotted(value)} {_dotted(mask)} 192.0.2.{draw.randrange(2, 42)}")
    return "\n".join([*lines, "end", ""])


def _dotted(value: int) -> str:
    return ".".join(str(value >> shift & 255) for shift in (24, 16, 8, 0))
