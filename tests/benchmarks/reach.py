"""How the matrix grows: with the fleet while the cells stay the same, and with the cells while the fleet does."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from pathlib import Path
from random import Random

from pathcheck.errors import FlowError
from pathcheck.fleet import LoadedFleet, load_fleet
from pathcheck.parser.service_words import service_flows
from pathcheck.queries.flow import ask_flow, network_of
from pathcheck.queries.reach import ask_reach
from pathcheck.queries.reach.ends import all_ends
from pathcheck.results.reach import ReachAnswer, ReachEnd

__all__ = ["measure_reach"]

SIDE = 200
SERVICE = "tcp/443"
_SOME = 20


def measure_reach(folder: Path, most: int) -> None:
    """Print a row for each fleet up to that many devices, in processor seconds, beside single flows over it.

    The last column is the exponent with which the time grew since the row above: 1 is proportional to the devices.
    """
    from made_fleets import make_fleet  # the folder is on the path of the benchmarks only

    heads = (("cells", 7), ("cpu s", 9), ("ms a cell", 9), ("flow, ms", 9), ("ratio", 6), ("exponent", 8))
    print(f"{f'reach, {SERVICE}':32} {' '.join(f'{head:>{width}}' for head, width in heads)}")
    before: tuple[int, float] | None = None
    for devices in sorted({most // 10, most // 4, most // 2, most}):
        made = folder / f"reach-{devices}"
        make_fleet(made, devices, list_lines=100 * devices, routes=20 * devices)
        loaded = load_fleet(made)
        ends = all_ends(loaded, network_of(loaded.config).topology)[0]
        ends = Random(1).sample(ends, min(SIDE, len(ends)))
        seconds, answer = _matrix(loaded, ends)
        single = _flow(loaded, ends) * 1000
        each = seconds * 1000 / len(answer.cells)
        growth = ""
        if before is not None and len(ends) == SIDE:
            growth = f"{math.log(seconds / before[1]) / math.log(devices / before[0]):8.2f}"
        if len(ends) == SIDE:
            before = (devices, seconds)
        row = f"{f'{devices} devices':32} {len(answer.cells):7} {seconds:9.2f} {each:9.3f} {single:9.1f}"
        print(f"{row} {single / each:6.0f} {growth:>8}", flush=True)
    print()


def _matrix(loaded: LoadedFleet, ends: list[ReachEnd]) -> tuple[float, ReachAnswer]:
    names = [end.name for end in ends]
    start = time.process_time()
    answer = ask_reach(loaded, SERVICE, service_flows(SERVICE), sources=names, destinations=names)
    return time.process_time() - start, answer


def _flow(loaded: LoadedFleet, ends: list[ReachEnd]) -> float:
    """Seconds of one flow, the mean of some: what a script would take for each cell."""
    draw, flow = Random(2), service_flows(SERVICE)[4]
    seconds, asked = 0.0, 0
    while asked < _SOME and seconds < 20:
        one, other = draw.sample(ends, 2)
        start = time.process_time()
        try:
            ask_flow(loaded, replace(flow, source=one.prefixes, destination=other.prefixes), reply=False)
        except FlowError:
            continue
        seconds += time.process_time() - start
        asked += 1
    return seconds / asked
