"""What the engine says of whole lists, proved or refuted for every packet by an SMT solver with a meaning of its own.

Lists are random ones of both IP versions, with groups, masks that are not contiguous, fragments, flags, DSCP and each
setting of what differs between devices; and published ones.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
import yaml
import z3
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from model_builders import span
from solver_encoding import Meaning, NotEncoded, lines_of
from strategies import list_devices

from pathcheck.dataplane.first_match import filter_packets
from pathcheck.fleet import LoadedFleet, load_fleet, load_fleet_files
from pathcheck.fleet_source import FleetState
from pathcheck.model.access_list import AccessList, Action, Family, Line, ListBinding
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.interface import Interface, InterfaceAddress
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.packetset.algebra import packet_space
from pathcheck.queries.fleet_comparison import compare_fleets
from pathcheck.queries.line_review.dead_lines import find_dead_lines
from pathcheck.queries.line_review.reviewed_list import ReviewedList
from pathcheck.queries.list_comparison import compare_lists
from pathcheck.queries.list_difference import ListSide
from pathcheck.queries.tidy import tidy_list
from pathcheck.results.account import ReadingReport
from pathcheck.results.comparison import ListDifference

TOP = Path(__file__).parents[2]
VERSIONS: list[IPVersion] = [4, 6]
BUDGET = settings(deadline=None, max_examples=25)


@cache
def meaning(family: Family) -> Meaning:
    return Meaning(4 if family == "ipv4" else 6)


def agrees(device: Device, access_list: AccessList | None, family: Family, name: str) -> None:
    """The sets of packets that the engine permits and denies are those of the formula."""
    solver = meaning(family)
    version: IPVersion = 4 if family == "ipv4" else 6
    parts = filter_packets(device, family, name, packet_space(version).full)
    assert all(part.action is not None for part in parts), "nothing here is in doubt"
    permitted = packet_space(version).union(part.packets for part in parts if part.action is Action.PERMIT)
    rows = solver.boxes(permitted.boxes())
    assert solver.is_same(rows, solver.permits(device, access_list))


@st.composite
def sure_lists(draw: st.DrawFn, most: int = 5) -> tuple[Device, AccessList]:
    """A list without doubts, on its device."""
    device = draw(list_devices(draw(st.sampled_from(VERSIONS)), doubts=False, most=most))
    assume(device.access_lists)
    (access_list,) = device.access_lists.values()
    # Lines that some devices refuse make the end of a list uncertain where it has no others.
    assume(any(isinstance(line, Line) and not line.names_layer4 for line in access_list.lines) or not access_list.lines)
    return device, access_list


@BUDGET
@given(sure_lists())
def test_what_a_list_permits(pair: tuple[Device, AccessList]) -> None:
    device, access_list = pair
    agrees(device, access_list, access_list.family, access_list.name)


@pytest.mark.parametrize("version", VERSIONS)
def test_what_an_undefined_list_permits(version: IPVersion) -> None:
    for setting in ("permits-all", "denies-all"):
        device = Device("quay-a")
        device = replace(device, assume=replace(device.assume, undefined_list=setting))
        agrees(device, None, "ipv4" if version == 4 else "ipv6", "GONE")


@BUDGET
@given(sure_lists())
def test_which_lines_are_dead(pair: tuple[Device, AccessList]) -> None:
    device, access_list = pair
    solver, lines = meaning(access_list.family), lines_of(access_list)
    dead = find_dead_lines(ReviewedList(device, access_list), lambda _: None)
    for place in range(len(lines)):
        found = dead.found.get(place)
        reaches = solver.reaches(device, lines, place)
        if found is not None and found.fragments_pass:
            assert not solver.some_packet(reaches, z3.Not(solver.fragment))
        else:
            assert solver.some_packet(reaches) == (found is None)


@BUDGET
@given(sure_lists(most=7))
def test_a_tidied_list_permits_the_same(pair: tuple[Device, AccessList]) -> None:
    device, access_list = pair
    solver, after = meaning(access_list.family), tidy_list(device, access_list).after
    assert solver.is_same(solver.permits(device, access_list), solver.permits(device, after))


@st.composite
def two_lists(draw: st.DrawFn) -> tuple[Device, AccessList, AccessList]:
    """A list and the same with changes, on one device."""
    device, first = draw(sure_lists(most=6))
    lines = lines_of(first)
    for _ in range(draw(st.integers(0, 3))):
        place = draw(st.integers(0, max(0, len(lines) - 1)))
        match draw(st.sampled_from(["turn", "out", "move", "wider"])) if lines else None:
            case "turn":
                other = Action.DENY if lines[place].action is Action.PERMIT else Action.PERMIT
                lines[place] = replace(lines[place], action=other)
            case "out":
                del lines[place]
            case "move":
                lines.insert(draw(st.integers(0, len(lines) - 1)), lines.pop(place))
            case "wider":
                lines[place] = replace(lines[place], dscp=None, destination=lines[place].source)
    return device, first, AccessList("B", first.family, False, tuple(lines), span=span("B"))


def rows_are(solver: Meaning, rows: tuple[ListDifference, ...], wanted: z3.BoolRef) -> None:
    """The rows are exactly the packets of a formula, and each sample is one of them."""
    assert solver.is_same(solver.boxes(row.region.box for row in rows), wanted)
    for row in rows:
        if row.region.sample is not None:
            assert solver.some_packet(solver.is_packet(row.region.sample), wanted)


@BUDGET
@given(two_lists())
def test_what_a_changed_list_opens_and_closes(lists: tuple[Device, AccessList, AccessList]) -> None:
    device, first, second = lists
    device = replace(device, access_lists={(one.family, one.name): one for one in (first, second)})
    found = compare_lists(ListSide(device, first), ListSide(device, second))
    assume(not found.uncertain)
    solver = meaning(first.family)
    before, after = solver.permits(device, first), solver.permits(device, second)
    rows_are(solver, found.opened, z3.And(z3.Not(before), after))
    rows_are(solver, found.closed, z3.And(before, z3.Not(after)))
    assert found.is_equal == solver.is_same(before, after)


def state(device: Device) -> FleetState:
    return FleetState("made", LoadedFleet(Path(), FleetConfig({device.name: device}), ReadingReport()), lambda _: b"")


def bound(device: Device, access_list: AccessList | None, name: str | None) -> Device:
    """The device with one routed interface, on which a list is bound."""
    family: Family = access_list.family if access_list is not None else "ipv4"
    address = Address.parse("10.0.1.1" if family == "ipv4" else "2001:db8:1::1")
    held = InterfaceAddress(address, 24 if family == "ipv4" else 64, "primary", span=span("address"))
    bindings = () if name is None else (ListBinding(name, family, "in", span=span("bound")),)
    interface = Interface(
        "Ethernet1", "physical", addresses=(held,), bindings=bindings, routed=True, span=span("interface")
    )
    lists = {} if access_list is None else {(family, access_list.name): access_list}
    return replace(device, access_lists=lists, interfaces={"Ethernet1": interface}, routing=True, ipv6_routing=True)


@settings(deadline=None, max_examples=10)
@given(two_lists(), st.booleans())
def test_what_a_change_of_a_fleet_says_of_its_lists(
    lists: tuple[Device, AccessList, AccessList], binds_anew: bool
) -> None:
    device, first, second = lists
    second = replace(second, name="A")
    assume(first.lines and second.lines)
    solver = meaning(first.family)
    before = bound(device, first, None if binds_anew else "A")
    found = compare_fleets(state(before), state(bound(device, second, "A")))
    formula = solver.permits(device, first), solver.permits(device, second)
    for change in found.lists:
        if change.comparison is not None and not change.comparison.uncertain:
            rows_are(solver, change.comparison.opened, z3.And(z3.Not(formula[0]), formula[1]))
            rows_are(solver, change.comparison.closed, z3.And(formula[0], z3.Not(formula[1])))
    told = any(change.comparison is not None for change in found.lists)
    assert told or solver.is_same(*formula)
    if binds_anew:
        # A place without a list permits all, so what is bound there opens nothing and closes what it denies.
        changes = [one for one in found.bindings if one.place == "Ethernet1 in"]
        for one in changes:
            assert not one.opened
            if not one.uncertain and not one.cut:
                rows_are(solver, one.closed, z3.Not(formula[1]))
        assert changes or solver.is_same(formula[1], z3.BoolVal(True))


# -- published lists


@cache
def published() -> dict[str, tuple[Device, Family, str]]:
    """The lists of RFC 6192 (its appendix, as a configuration), and of RFC 8519 as JSON."""
    found: dict[str, tuple[Device, Family, str]] = {}
    for name, device in load_fleet(TOP / "corpora" / "rfc6192-lists").config.devices.items():
        for family, list_name in device.access_lists:
            found[f"rfc6192 {name} {list_name}"] = (device, family, list_name)
    data = TOP / "tests" / "references" / "data"
    rules = yaml.safe_load((data / "rfc8519-acl-cases.yaml").read_text("utf-8"))["rule_sets"]
    for key, rule_set in rules.items():
        text = json.dumps({"ietf-access-control-list:acls": {"acl": [rule_set]}}, default=str)
        (device,) = load_fleet_files({"quay-a.json": text.encode()}).config.devices.values()
        for family, list_name in device.access_lists:
            found[key] = (device, family, list_name)
    return found


def test_the_published_lists_are_there() -> None:
    assert sum(key.startswith("rfc6192") for key in published()) >= 20
    assert sum(key.startswith("rfc8519") for key in published()) >= 6


@pytest.mark.parametrize("key", sorted(published()))
def test_published_lists(key: str) -> None:
    # RFC 6192 appendix A.1; RFC 8519 sections 4.3 and 4.4, and sets derived from its model. The solver judges.
    device, family, name = published()[key]
    access_list, solver = device.access_lists[family, name], meaning(family)
    try:
        permitted = solver.permits(device, access_list)
    except NotEncoded:
        pytest.skip("a line of the list asks for what is not modelled, so that it is in doubt")
    agrees(device, access_list, family, name)
    assert solver.is_same(solver.permits(device, tidy_list(device, access_list).after), permitted)
    lines = lines_of(access_list)
    dead = find_dead_lines(ReviewedList(device, access_list), lambda _: None)
    for place in range(len(lines)):
        if place not in dead.found:
            assert solver.some_packet(solver.reaches(device, lines, place))
        elif not dead.found[place].fragments_pass:
            assert not solver.some_packet(solver.reaches(device, lines, place))


# -- the judge itself


def test_the_solver_sees_a_difference_in_each_field() -> None:
    """Each criterion of a line, and each setting, changes the formula; a judge that is blind for one would agree."""
    from pathcheck.packet.ranges import Ranges
    from pathcheck.packet.tcp_flags import ESTABLISHED
    from pathcheck.packet.wildcard import AddressMatch

    any4 = AddressMatch.any(4)
    base = Line(10, Action.PERMIT, 6, any4, any4, Ranges.of((80, 90)), None, span=span("line"))
    odd = AddressMatch.wildcard(Address.parse("10.0.0.1"), Address.parse("0.255.255.254"))
    solver, device = meaning("ipv4"), Device("quay-a")

    def formula(line: Line, device: Device = device) -> z3.BoolRef:
        return solver.permits(device, AccessList("A", "ipv4", False, (line,), span=span("A")))

    others = [
        replace(base, action=Action.DENY), replace(base, protocol=17), replace(base, source=odd),
        replace(base, destination=odd), replace(base, source_ports=Ranges.of((80, 91))),
        replace(base, destination_ports=Ranges.single(443)), replace(base, flags=ESTABLISHED),
        replace(base, dscp=Ranges.single(46)), replace(base, source_ports=None), replace(base, source_ports=Ranges(())),
        replace(base, source_ports=None, fragments=True),
    ]  # fmt: skip
    for other in others:
        assert not solver.is_same(formula(base), formula(other)), other
    never = replace(device, assume=replace(device.assume, fragments="never"))
    assert solver.some_packet(formula(base), z3.Not(formula(base, never)))
    assert not solver.some_packet(formula(base), z3.Not(formula(base, never)), z3.Not(solver.fragment))
    packet = Packet(Address.parse("10.0.0.1"), Address.parse("10.0.0.2"), 6, 85, 1)
    assert solver.some_packet(solver.is_packet(packet), formula(base))
    assert not solver.some_packet(solver.is_packet(replace(packet, source_port=79)), formula(base))
