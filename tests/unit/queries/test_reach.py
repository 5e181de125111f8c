"""The matrix and its inverse, on the demo fleet and on small ones where it is known by hand what comes out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from small_fleets import fleet_of

from pathcheck.errors import FlowError, UnknownNameError
from pathcheck.fleet import LoadedFleet, load_fleet
from pathcheck.packet.prefix import Prefix
from pathcheck.parser.service_words import service_flows
from pathcheck.queries.flow import ask_flow
from pathcheck.queries.reach import ask_reach, ask_sources, matrix_size
from pathcheck.results.reach import EntrySources, ReachAnswer
from pathcheck.results.verdict import Reason, Verdict

FERRY = Path(__file__).parents[3] / "corpora" / "ferry-operator" / "fleet"

QUAY = """
    hostname quay
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.1.20.1 255.255.255.0
     ip access-group TILLS in
    interface Ethernet2
     no switchport
     ip address 10.1.90.1 255.255.255.0
    ip access-list extended TILLS
     permit tcp 10.1.20.0 0.0.0.127 10.1.90.0 0.0.0.255 eq 443
     deny ip any any
    """
OFFICE = """
    hostname office
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.1.90.2 255.255.255.0
    interface Ethernet2
     no switchport
     ip address 10.1.40.1 255.255.255.0
    ip route 10.1.20.0 255.255.255.0 10.1.90.1
    ip route 10.9.0.0 255.255.0.0 10.1.90.1
    """
LOOP = """
    hostname quay
    ip routing
    interface Ethernet1
     no switchport
     ip address 10.1.20.1 255.255.255.0
    interface Ethernet2
     no switchport
     ip address 10.1.90.1 255.255.255.0
    ip route 10.9.0.0 255.255.0.0 10.1.90.2
    """


@pytest.fixture(scope="module")
def ferry() -> LoadedFleet:
    return load_fleet(FERRY)


def reach(fleet: LoadedFleet, service: str = "ip", **more: object) -> ReachAnswer:
    return ask_reach(fleet, service, service_flows(service), **more)  # type: ignore[arg-type]


def verdicts(answer: ReachAnswer) -> dict[tuple[str, str], str | None]:
    return {(cell.source, cell.destination): cell.verdict and str(cell.verdict) for cell in answer.cells}


@pytest.mark.parametrize(("service", "reply"), [("tcp/443", False), ("tcp/22", True)])
def test_each_cell_of_the_demo_is_what_flow_answers(ferry: LoadedFleet, service: str, reply: bool) -> None:
    columns = ["booking", "controller", "quay-b", "10.20.99.0/24", "10.10.0.8/31", "192.0.2.0/30", "198.51.100.7"]
    answer = reach(ferry, service, destinations=columns, reply=reply)
    ends = {end.name: end for end in (*answer.sources, *answer.destinations)}
    assert len(answer.cells) == 19 * 7, "14 subnets and 5 places of IPv4"
    for cell in answer.cells:
        flow = replace(
            service_flows(service)[cell.version],
            source=ends[cell.source].prefixes,
            destination=ends[cell.destination].prefixes,
        )
        expected = ask_flow(ferry, flow, reply=reply)
        assert cell.there is expected.verdict, (cell.source, cell.destination)
        assert set(cell.reasons) == {path.reason for path in expected.paths}
        assert cell.reply is (expected.reply.verdict if expected.reply else None)
        if cell.verdict is Verdict.UNCERTAIN and cell.there is Verdict.UNCERTAIN:
            assert set(cell.doubts) <= {doubt for path in expected.paths for doubt in path.doubts}
            assert cell.doubts


def test_ends_are_the_subnets_with_stations_and_the_places(ferry: LoadedFleet) -> None:
    answer = reach(ferry, "tcp/443", sources=["booking"], destinations=["any"])
    names = [end.name for end in answer.destinations]
    assert "10.20.20.0/24" in names
    assert "10.10.0.0/31" not in names, "a link between two devices has no room for a station"
    assert not [name for name in names if name.startswith("10.10.255.")], "a loopback has none either"
    assert names[-5:] == ["controller", "booking", "counters", "cameras", "passengers"]
    assert any("left out" in note for note in answer.notes)
    assert matrix_size(ferry, service_flows("tcp/443"), ["booking"], ["any"]) == len(answer.cells)


def test_a_prefix_stands_for_the_subnets_inside_it_and_else_for_itself(ferry: LoadedFleet) -> None:
    answer = reach(ferry, sources=["10.20.0.0/16"], destinations=["10.20.20.0/25", "quay-a"])
    assert [end.name for end in answer.sources] == ["10.20.20.0/24", "10.20.30.0/24", "10.20.40.0/24", "10.20.99.0/24"]
    assert [(end.name, end.kind) for end in answer.destinations] == [
        ("10.20.20.0/25", "addresses"),
        ("quay-a", "device"),
    ]
    with pytest.raises(UnknownNameError, match="did you mean `booking`"):
        reach(ferry, sources=["bokking"])


def test_part_and_doubts_say_what_passes_and_what_is_open(ferry: LoadedFleet) -> None:
    answer = reach(ferry, "tcp/443", sources=["10.10.90.0/24", "10.20.40.0/24"], destinations=["10.20.20.0/24"])
    partly = answer.cells[0]
    assert partly.verdict is Verdict.PARTLY
    assert [str(region.box.source) for region in partly.part] == ["10.10.90.5/32"], "only the controller"
    outward = reach(ferry, "tcp/443", sources=["10.20.40.0/24"], destinations=["192.0.2.0/30"]).cells[0]
    assert outward.verdict is Verdict.UNCERTAIN
    assert {doubt.span.file for doubt in outward.doubts if doubt.span} == {"border.cfg"}


def test_small_fleet_by_hand() -> None:
    fleet = fleet_of(QUAY, OFFICE)
    found = verdicts(reach(fleet, "tcp/443"))
    assert found["10.1.20.0/24", "10.1.90.0/24"] == "partly", "the list lets the lower half out"
    assert found["10.1.20.0/24", "10.1.40.0/24"] == "denied"
    assert found["10.1.40.0/24", "10.1.20.0/24"] == "permitted"
    assert found["10.1.90.0/24", "10.1.20.0/24"] == "permitted"
    there_and_back = verdicts(reach(fleet, "tcp/443", reply=True))
    assert there_and_back["10.1.40.0/24", "10.1.20.0/24"] == "denied", "the list in drops every reply"
    assert there_and_back["10.1.40.0/24", "10.1.90.0/24"] == "partly", "the stations there know no way back but one"


def test_what_cannot_be_asked_says_why() -> None:
    switch = """
        hostname slip
        no ip routing
        interface Vlan7
         ip address 10.1.7.2 255.255.255.0
        interface Ethernet1
         switchport access vlan 7
        ip default-gateway 10.1.7.1
        """
    places = "places: {town: 198.51.100.0/24, six: '2001:db8::/64', tills: [10.1.20.0/25, 10.1.7.0/25]}"
    fleet = fleet_of(QUAY, switch, fleet_yaml=places)
    answer = reach(fleet, "tcp/443")
    cells = {(cell.source, cell.destination): cell for cell in answer.cells}
    assert cells["town", "10.1.90.0/24"].verdict is None
    assert "on no subnet of the fleet" in (cells["town", "10.1.90.0/24"].why or "")
    assert "no device of the fleet that routes" in (cells["10.1.7.0/24", "10.1.90.0/24"].why or "")
    assert cells["10.1.7.0/24", "10.1.7.0/24"].verdict is not None, "its own subnet needs no router"
    assert cells["10.1.7.0/24", "tills"].verdict is None, "a part of it does"
    assert ("six", "town") not in cells
    assert cells["10.1.20.0/24", "town"].reasons == (Reason.FILTERED,)


def test_loops_are_found_however_rows_share_the_way() -> None:
    answer = reach(fleet_of(LOOP, OFFICE), "udp/53", destinations=["10.9.0.0/16"])
    assert {cell.reasons for cell in answer.cells} == {(Reason.LOOPING,)}
    assert {cell.verdict for cell in answer.cells} == {Verdict.DENIED}


def test_nothing_to_ask_is_an_error(ferry: LoadedFleet) -> None:
    with pytest.raises(FlowError, match="nothing answers `icmp/unreachable`"):
        reach(ferry, "icmp/unreachable", reply=True)
    with pytest.raises(FlowError, match="no two ends have an IP version in common"):
        reach(ferry, "icmpv6/echo-request", sources=["controller"])


def entries(fleet: LoadedFleet, service: str, destination: str) -> dict[str, EntrySources]:
    answer = ask_sources(fleet, service, service_flows(service), destination, (Prefix.parse(destination),))
    return {entry.entry: entry for entry in answer.entries}


def test_sources_are_few_prefixes_by_entry_point() -> None:
    found = entries(fleet_of(QUAY, OFFICE), "tcp/443", "10.1.90.10/32")
    assert list(found) == ["office:Ethernet1", "office:Ethernet2", "quay:Ethernet1", "quay:Ethernet2"]
    tills = found["quay:Ethernet1"]
    assert [str(prefix) for prefix in tills.open] == ["10.1.20.0/25"]
    assert not tills.others_open, "the list names its sources"
    office = found["office:Ethernet2"]
    assert [str(prefix) for prefix in office.open] == ["10.1.40.0/24"]
    assert [str(prefix) for prefix in office.others_open] == ["0.0.0.0/0"], "no list: forged sources pass as well"
    assert entries(fleet_of(QUAY, OFFICE), "tcp/80", "10.1.90.10/32")["quay:Ethernet1"].is_closed


def test_sources_that_pass_in_part_or_perhaps() -> None:
    text = QUAY.replace("eq 443", "range 440 450 time-range NIGHT").replace(
        "     deny ip", "     permit tcp 10.1.20.192 0.0.0.63 eq 1024 any\n     deny ip"
    )
    found = entries(fleet_of(text), "tcp/443", "10.1.90.10/32")["quay:Ethernet1"]
    assert [str(prefix) for prefix in found.uncertain] == ["10.1.20.0/25"]
    assert [str(prefix) for prefix in found.partly] == ["10.1.20.192/26"]
    assert found.doubts
    assert not found.open
