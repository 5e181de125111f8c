"""The whole effect of a change, from its smallest part to the fleet as a whole."""

from __future__ import annotations

from collections.abc import Callable

from pathcheck.fleet_source import FleetState
from pathcheck.packet.address import IPVersion
from pathcheck.queries.fleet_comparison.end_to_end import EndToEnd
from pathcheck.queries.fleet_comparison.entries import StationEntries
from pathcheck.queries.fleet_comparison.list_changes import ListChanges, PlaceChange
from pathcheck.queries.fleet_comparison.nearness import Nearness
from pathcheck.queries.fleet_comparison.requirements import requirement_changes
from pathcheck.queries.fleet_comparison.route_changes import route_changes
from pathcheck.queries.fleet_comparison.states import States
from pathcheck.queries.fleet_comparison.touched import Touched, touched_packets
from pathcheck.queries.fleet_comparison.unread_files import unread_files
from pathcheck.results.fleet_comparison import BindingChange, FleetComparison, ListChange

__all__ = ["MOST", "ROWS", "compare_fleets"]

MOST = 2000
"""Regions of one kind that are told at most."""
ROWS = 100
"""Rows of one kind that are told at most."""


def compare_fleets(
    before: FleetState,
    after: FleetState,
    *,
    show: int = MOST,
    rows: int = ROWS,
    advance: Callable[[int], None] = lambda _: None,
) -> FleetComparison:
    """Return what a change of a fleet opens and closes.

    Parameters
    ----------
    before, after
        The two states, see :func:`pathcheck.fleet_source.read_states`.
    show
        How many regions of each kind are wanted, from end to end and of each list; sizes are exact in any case.
        With 0, lists have as many as there are rows.
    rows
        How many rows of each kind are wanted, from end to end.
    advance
        Told of steps that are done.

    Raises
    ------
    InputError
        A file of required flows has faults.
    CapacityError
        Two lists differ in too much.
    InternalFault
        The evaluator disagrees.
    """
    states = States(before, after)
    lists: list[ListChange] = []
    bindings: list[BindingChange] = []
    places: dict[str, list[PlaceChange]] = {}
    for pair in states.pairs:
        work = ListChanges(pair, show or rows)
        lists += work.lists()
        others, places[pair.name] = work.places()
        bindings += others
        advance(1)
    versions: tuple[IPVersion, ...] = (4, 6)
    routes = tuple(change for version in versions for pair in states.pairs for change in route_changes(pair, version))
    touched: dict[IPVersion, Touched] = {}
    found: list[EndToEnd] = []
    near = Nearness(states)
    for version in versions:
        stations = StationEntries(states, near)
        touched[version] = touched_packets(states, version, places, stations)
        work_end = EndToEnd(states, version, stations, touched[version], show, rows, advance)
        work_end.ask()
        found.append(work_end)
    config = after.loaded.config
    return FleetComparison(
        before.word,
        after.word,
        requirement_changes(states, touched),
        tuple(item for one in found for item in one.opened),
        tuple(item for one in found for item in one.closed),
        tuple(item for one in found for item in one.uncertain),
        opened_rows=tuple(row for one in found for row in one.rows["opened"]),
        closed_rows=tuple(row for one in found for row in one.rows["closed"]),
        uncertain_rows=tuple(row for one in found for row in one.rows["uncertain"]),
        opened_size=sum(one.sizes["opened"] for one in found),
        closed_size=sum(one.sizes["closed"] for one in found),
        uncertain_size=sum(one.sizes["uncertain"] for one in found),
        lists=tuple(lists),
        bindings=tuple(bindings),
        routes=routes,
        added=states.added,
        removed=states.removed,
        edited=tuple(pair.name for pair in states.pairs),
        readings=tuple(dict.fromkeys(reading for one in found for reading in one.readings)),
        left_open=tuple(dict.fromkeys(doubt for one in found for doubt in one.left_open)),
        places=tuple(config.places.values()),
        unread=tuple(unread_files(before, after)),
        recabled=near.is_recabled,
        addresses=tuple(
            (device.management, device.name) for device in config.devices.values() if device.management is not None
        ),
        asked=any(not one.touched.is_empty for one in found),
        cut=any(one.cut for one in found),
    )
