"""How the matrix grows: with the fleet while the cells stay the same, and with the cells while the fleet does."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from random import Random

from made_fleets import make_fleet
from results import Results, exponent

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


def measure_reach(results: Results, folder: Path, sizes: Sequence[int]) -> None:
    """Measure the matrix of subnets on fleets of growing size, beside single flows over the same fleet."""
    table = results.table(
        "Matrix of subnets",
        f"`reach {SERVICE}` from {SIDE} subnets to {SIDE}, in processor seconds without reading the fleet (leaf and "
        "spine, 100 list lines and 20 routes a device), beside one `flow` for each cell, the mean of some. The "
        "exponent tells how the time grew with the devices.",
        "devices", "cells", "processor s", "ms a cell", "one flow, ms", "ratio", "exponent",
    )  # fmt: skip
    grown: list[tuple[float, float]] = []
    for devices in sizes:
        made = folder / f"reach-{devices}"
        make_fleet(made, devices, list_lines=100 * devices, routes=20 * devices)
        loaded = load_fleet(made)
        ends = all_ends(loaded, network_of(loaded.config).topology)[0]
        ends = Random(1).sample(ends, min(SIDE, len(ends)))
        seconds, answer = _matrix(loaded, ends)
        single = _flow(loaded, ends) * 1000
        each = seconds * 1000 / len(answer.cells)
        if len(ends) == SIDE:
            grown.append((devices, seconds))
        table.add(
            f"{devices:,}", f"{len(answer.cells):,}", seconds, each, single, single / each,
            exponent(grown) if len(ends) == SIDE else "",
        )  # fmt: skip


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
