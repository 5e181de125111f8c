"""Published tables of routes, each written as a configuration, and the longest match in it."""

from __future__ import annotations

import pytest
from references.list_checks import device_of, packet_of
from references.published import Case, document, published
from references.route_checks import check_longest_match, fib_of, lookup, next_hops, table_text

from pathcheck.evaluator import evaluate_packet
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.flow import EntryPoint
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.results.verdict import Reason

CIDR, FIRST, ROUTER = "rfc4632-cidr", "rfc1519-cidr-original", "rfc1812-forwarding"


@pytest.mark.parametrize("case", published(CIDR, "lpm") + published(FIRST, "lpm") + published(ROUTER, "lpm"))
def test_longest_match_in_a_table(case: Case) -> None:
    # RFC 4632 sections 5.1, 5.2, 6.1 and 6.2; RFC 1519 sections 4.3 and 5.2; RFC 1812 section 7.4.
    check_longest_match(
        document(case.source)["tables"][case.inputs["table"]], case.inputs["destination"], case.expected
    )


@pytest.mark.parametrize("case", published(CIDR, "lpm", where=lambda case: "redundant_route" in case.expected))
def test_more_specific_route_with_the_same_next_hop_is_needed(case: Case) -> None:
    # RFC 4632 section 6.2: "must also be advertised" stated; why is derived.
    with_route = table_text(document(CIDR)["tables"]["bb_normal"])
    without = table_text(document(CIDR)["tables"][case.inputs["table"]])
    hops = []
    for text, names in (with_route, without):
        entry = lookup(text, case.inputs["destination"])
        assert entry is not None
        hops.append(next_hops(entry, names))
    assert hops == [{"PA"}, {"PB"}]


@pytest.mark.parametrize("case", published(CIDR, "rule"))
def test_aggregate_without_a_longer_route_is_discarded(case: Case) -> None:
    # RFC 4632 section 5.1 rule 2, stated.
    text, names = table_text(
        [
            {"prefix": "10.24.0.0/13", "next_hop": "discard"},
            {"prefix": "10.24.0.0/21", "next_hop": "C1"},
            {"prefix": "0.0.0.0/0", "next_hop": "BB"},
        ]
    )
    entry = lookup(text, "10.24.36.1")
    assert entry is not None
    assert next_hops(entry, names) == {case.expected["action_for_uncovered_destination"]}


@pytest.mark.parametrize("case", published(ROUTER, "longest_match", "basic_match"))
def test_pruning_rules(case: Case) -> None:
    # RFC 1812 section 5.2.4.3 (1) and (2): taking away what wins shows the next best, down to the basic match.
    kept = sorted(case.expected["kept"], key=lambda text: -Prefix.parse(text).length)
    routes, found = list(case.inputs["routes"]), []
    while True:
        text, _ = table_text([{"prefix": route, "next_hop": "onward"} for route in routes])
        entry = lookup(text, case.inputs["destination"])
        if entry is None:
            break
        found.append(str(entry.prefix))
        routes.remove(found[-1])
    if case.kind == "basic_match":
        assert found == kept
        assert set(routes) == set(case.expected["dropped"])
    else:
        assert found[:1] == kept


@pytest.mark.parametrize(
    "case",
    published(ROUTER, "lookup", where=lambda case: "routes" in case.inputs and "interfaces_down" not in case.inputs),
)
def test_choice_between_routes(case: Case) -> None:
    # RFC 1812 sections 5.2.4.3 to 5.2.4.5: preference after longest match, several equal ones, 255 never.
    # Preference 0 is that of connected routes; a static one starts at 1 (common practice, no source).
    routes = [
        {**route, "preference": max(1, route.get("preference", route.get("metric", 1)))}
        for route in case.inputs["routes"]
    ]
    text, names = table_text(routes)
    entry = lookup(text, case.inputs["destination"])
    if case.expected.get("next_hop", "") is None:
        assert entry is None
        return
    assert entry is not None
    assert next_hops(entry, names) == set(case.expected.get("next_hop_any_of", [case.expected.get("next_hop")]))


@pytest.mark.parametrize("case", published("rfc8349-static-routes", "lookup"))
def test_route_preference(case: Case) -> None:
    # RFC 8349 section 5.1, routes derived.
    text, names = table_text(case.inputs["routes"])
    for destination, hop in zip(case.inputs["destinations"], case.expected["next_hops"], strict=True):
        entry = lookup(text, destination)
        assert entry is not None
        assert next_hops(entry, names) == {hop}


@pytest.mark.parametrize("case", published(ROUTER, "lookup", where=lambda case: "interfaces_down" in case.inputs))
def test_floating_route(case: Case) -> None:
    # RFC 1812 section 7.4, routes derived.
    subnets = {"if1": "192.0.2.254", "if2": "198.51.100.254"}
    text = "hostname quay-a\nip routing\n"
    for number, (name, address) in enumerate(subnets.items(), 1):
        state = " shutdown\n" if name in case.inputs["interfaces_down"] else ""
        text += f"interface Ethernet{number}\n ip address {address} 255.255.255.0\n{state}"
    for route in case.inputs["routes"]:
        prefix = Prefix.parse(route["prefix"])
        text += f"ip route {prefix.first} {Address(4, prefix.netmask)} {route['next_hop']} {route['metric']}\n"
    entry = lookup(text, case.inputs["destination"])
    assert entry is not None
    assert next_hops(entry, {}) == {case.expected["next_hop"]}


@pytest.mark.parametrize("case", published(ROUTER, "lookup", where=lambda case: "interfaces" in case.inputs))
def test_connected_or_remote(case: Case) -> None:
    # RFC 1812 section 5.2.4.2 (2) and (3).
    text = "hostname quay-a\nip routing\n" + "".join(
        f"interface Ethernet{item['name'].removeprefix('if')}\n ip address {item['address']}\n"
        for item in case.inputs["interfaces"]
    )
    entry = lookup(text, case.inputs["destination"])
    assert (entry is not None) == case.expected.get("directly_connected", True)
    if entry is not None:
        assert entry.source == "connected"
        assert [hop.interface for hop in entry.hops] == [case.expected["interface"].replace("if", "Ethernet")]
        assert [hop.next_hop for hop in entry.hops] == [None]


@pytest.mark.parametrize("case", published(ROUTER, "broadcast", where=lambda case: "route" in case.inputs))
def test_broadcast_of_a_remote_prefix_is_routed(case: Case) -> None:
    # RFC 1812 section 5.3.5.2.
    text, names = table_text([{"prefix": case.inputs["route"].replace("192.0.2", "198.51.100"), "next_hop": "onward"}])
    entry = lookup(text, case.inputs["destination"].replace("192.0.2", "198.51.100"))
    assert entry is not None
    assert next_hops(entry, names) == {"onward"}


@pytest.mark.parametrize("case", published(ROUTER, "rule", where=lambda case: "never_used" in case.expected))
def test_range_of_the_distance(case: Case) -> None:
    # RFC 1812 section 5.2.4.4, stated.
    route = {"prefix": "10.144.0.0/16", "next_hop": "192.0.2.1"}
    for distance in (1, 120, case.expected["worst_usable"]):
        text, _ = table_text([{**route, "preference": distance}])
        entry = lookup(text, "10.144.2.5")
        assert entry is not None
        assert entry.distance == distance
    text, _ = table_text([{**route, "preference": case.expected["never_used"]}])
    assert lookup(text, "10.144.2.5") is None
    # The best value is that of what is connected.
    connected = fib_of(text).lookup(Address.parse("192.0.2.7"))
    assert connected is not None
    assert connected.distance == case.expected["best"]


TWO_SIDES = (
    "hostname quay-a\nip routing\n"
    "interface Ethernet1\n ip address 10.0.0.1 255.0.0.0\n"
    "interface Ethernet2\n ip address 192.0.2.1 255.255.255.0\n{line}"
    "ip route 0.0.0.0 0.0.0.0 192.0.2.2\n"
)
"""A router between the inside 10.0.0.0/8 and everybody else, as in the cases on RFC 1812 section 5.3.8."""

SIDES = {"inside": "Ethernet1", "outside": "Ethernet2"}


def reasons(text: str, case: Case, destination: str) -> set[Reason]:
    """Send the packet of a case to one destination."""
    packet = packet_of({"source": case.inputs["source"], "destination": destination})
    at = EntryPoint("quay-a", SIDES[case.inputs["received_on"]])
    config = FleetConfig({"quay-a": device_of(text)})
    return {outcome.reason for outcome in evaluate_packet(config, packet, at)}


@pytest.mark.parametrize(
    "case", published(ROUTER, "source_validation", where=lambda case: case.inputs["enabled"] == "default")
)
def test_source_addresses_are_not_validated_by_default(case: Case) -> None:
    # RFC 1812 section 5.3.8: off by default, so a packet from the wrong side is forwarded.
    text = TWO_SIDES.format(line="")
    assert reasons(text, case, "10.2.2.2") == {Reason.ARRIVED}
    for route in case.inputs["routes"]:
        entry = lookup(text, str(Prefix.parse(route["prefix"]).first))
        assert entry is not None
        assert {hop.interface for hop in entry.hops} == {SIDES[route["interface"]]}
