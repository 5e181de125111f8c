"""The commands on the demo fleet, reading, and single flows against one list."""

from __future__ import annotations

import random
import sys
from pathlib import Path
from typing import Any

from fields import fields_of
from kernel_rate import kernel_seconds
from made_lists import make_list
from naive import first_line
from results import Results, timed, whole

__all__ = ["measure_commands", "measure_decisions", "measure_reading"]

DEMO = Path(__file__).parents[2] / "corpora" / "ferry-operator" / "fleet"


def measure_commands(results: Results, runs: int) -> None:
    """Whole commands on the demo fleet, beside the bare interpreter."""
    table = results.table(
        "Commands on the demo fleet",
        f"Whole commands, from a cold start; the median of {runs}. The ratio is to the interpreter that does nothing.",
        "command", "elapsed s", "processor s", "MiB", "ratio",
    )  # fmt: skip
    bare = whole(["-c", "pass"], runs, program=[sys.executable])
    table.add("the bare interpreter", bare.elapsed, bare.processor, bare.memory, "")
    for name, arguments in (
        ("`--help`", ["--help"]),
        ("one `flow`", ["flow", "--fleet", str(DEMO), "tcp", "10.20.20.7", "10.10.90.20:443"]),
        ("`review`", ["review", "--fleet", str(DEMO)]),
        ("`check`", ["check", "--fleet", str(DEMO)]),
    ):
        done = whole(arguments, runs)
        table.add(name, done.elapsed, done.processor, done.memory, done.processor / bare.processor)


def measure_reading(results: Results, folder: Path, lines: int) -> None:
    """Reading of list lines, beside a plain grammar of the same lines, run once for each line."""
    import pyparsing as pp

    from pathcheck.fleet import load_fleet

    path = folder / "reading.cfg"
    path.write_text(make_list("wide", lines))
    seconds = timed(lambda: load_fleet(path))
    numeral, dotted = pp.Word(pp.nums), pp.Regex(r"\d+\.\d+\.\d+\.\d+")
    end = pp.Keyword("any") | pp.Keyword("host") + dotted | dotted + dotted
    port = pp.Optional(pp.Keyword("eq") + numeral | pp.Keyword("range") + numeral + numeral)
    grammar = pp.one_of("permit deny") + pp.one_of("tcp udp icmp ip") + end + port + end + port + pp.StringEnd()
    text = path.read_text().splitlines()[3:2003]
    plain = timed(lambda: [grammar.parse_string(line) for line in text])
    rate, plain_rate = lines / seconds, len(text) / plain
    table = results.table(
        "Reading",
        "Lines of lists a second, beside a plain grammar of the same lines by the same parser library.",
        "lines", "pathcheck", "plain grammar", "ratio",
    )  # fmt: skip
    table.add(f"{lines:,}", rate, plain_rate, rate / plain_rate)


def measure_decisions(results: Results, folder: Path, packets: int) -> None:
    """Concrete flows against one list, beside plain loops and the kernel's packet filter."""
    from pathcheck import load
    from pathcheck.packet.address import Address
    from pathcheck.packet.packet import Packet

    table = results.table(
        "Flows against one list",
        "Concrete flows a second by the library's `decide`, beside plain loops over the lines, and beside the kernel's "
        "own packet filter with the same lines as rules: it is sent real packets in a namespace, and what sending them "
        "takes without any rules is taken off. Rates are by processor seconds.",
        "lines", "pathcheck", "plain loops", "ratio", "kernel", "ratio",
    )  # fmt: skip
    for lines in (100, 1000):
        path = folder / f"decisions-{lines}.cfg"
        path.write_text(make_list("zones", lines))
        fleet = load(path)
        draw = random.Random(1)
        chosen = [
            Packet(
                Address(4, draw.randrange(10 << 24, 11 << 24)),
                Address(4, draw.randrange(10 << 24, 11 << 24)),
                draw.choice((6, 17)),
                draw.randrange(1, 65536),
                draw.randrange(1, 1024),
            )
            for _ in range(packets)
        ]
        fleet.decide("zones", "MADE", chosen[:10])
        rate = packets / timed(lambda: fleet.decide("zones", "MADE", chosen))  # noqa: B023
        fields = fields_of(path)
        some = [_numbers(packet) for packet in chosen[:1000]]
        plain_rate = len(some) / timed(lambda: [first_line(fields, packet) for packet in some])  # noqa: B023
        seconds = kernel_seconds(path, chosen[:10_000])
        kernel: tuple[str | float, str | float] = ("–", "–")
        if seconds is not None:
            kernel_rate = min(len(chosen), 10_000) / seconds
            kernel = kernel_rate, rate / kernel_rate
        table.add(f"{lines:,}", rate, plain_rate, rate / plain_rate, *kernel)


def _numbers(packet: Any) -> tuple[int, int, int, int, int]:
    """A packet as the plain loops take it."""
    return (
        packet.source.value, packet.destination.value, packet.protocol, packet.source_port, packet.destination_port
    )  # fmt: skip
