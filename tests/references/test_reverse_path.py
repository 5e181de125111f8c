"""Checks of the source address against the way back: what the tables say, and that no answer behind one is certain.

A line that turns such a check on is not modelled, so the program's answer names it and is uncertain. What the check
itself would say rests on the longest match for the source, and that is the program's own.
"""

from __future__ import annotations

from typing import Any

import pytest
from references.list_checks import device_of, packet_of
from references.published import Case, document, published
from references.route_checks import fib_of, lookup

from pathcheck.evaluator import evaluate_packet
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.flow import EntryPoint
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.results.verdict import Reason

ROUTER, REVERSE = "rfc1812-forwarding", "rfc3704-reverse-path"
INSIDE = "10.99.0.7"
"""An address that each packet here is sent to, behind an interface of its own."""
LINES = {
    "strict": "ip verify unicast source reachable-via rx",
    "feasible": "ip verify unicast source reachable-via rx",
    "loose": "ip verify unicast source reachable-via any allow-default",
    "loose_no_default": "ip verify unicast source reachable-via any",
}


def text_of(routes: list[dict[str, Any]], checked_on: str | None, mode: str, *, alternatives_count: bool) -> str:
    """A router with a link to each neighbour; alternatives wait behind the best way, or count as much."""
    names = sorted({name for route in routes for name in (route["best"], *route["alternatives"])})
    text = ["hostname quay-a", "ip routing", "interface Vlan99", " ip address 10.99.0.1 255.255.255.0",
            "interface Ethernet99", " switchport access vlan 99"]  # fmt: skip
    for number, name in enumerate(names):
        text += [f"interface Ethernet{number}", f" description {name}", f" ip address 10.98.0.{4 * number + 1}/30"]
        text += [f" {LINES[mode]}"] if name == checked_on else []
    for route in routes:
        prefix = Prefix.parse(route["prefix"])
        for name in (route["best"], *route["alternatives"]):
            distance = 1 if name == route["best"] or alternatives_count else 200
            hop = f"10.98.0.{4 * names.index(name) + 2}"
            text.append(f"ip route {prefix.first} {Address(4, prefix.netmask)} {hop} {distance}")
    return "\n".join([*text, ""])


def port_of(text: str, name: str) -> str:
    """The interface to a neighbour."""
    device = device_of(text)
    return next(key for key, interface in device.interfaces.items() if interface.description == name)


def ways_back(text: str, source: str) -> tuple[set[str], int]:
    """The interfaces to a source, and the length of the prefix that is matched; none and -1 without a route."""
    entry = lookup(text, source)
    return ({hop.interface for hop in entry.hops}, entry.prefix.length) if entry is not None else (set(), -1)


def is_uncertain(text: str, case: Case, port: str) -> None:
    """With the check on the interface the packet's fate is uncertain; without it the packet arrives."""
    packet = packet_of({"source": case.inputs["source"], "destination": INSIDE})
    for shown, expected in ((text, Reason.UNMODELLED), (text.replace(" ip verify", " !ip verify"), Reason.ARRIVED)):
        config = FleetConfig({"quay-a": device_of(shown)})
        outcomes = evaluate_packet(config, packet, EntryPoint("quay-a", port))
        assert {outcome.reason for outcome in outcomes} == {expected}


@pytest.mark.parametrize("case", published(REVERSE, "reverse_path", where=lambda case: case.inputs["mode"] != "acl"))
def test_reverse_path_by_table(case: Case) -> None:
    # RFC 3704 sections 2.2 to 2.5: the definitions of the modes are stated, tables and packets derived.
    routes, mode = document(REVERSE)["tables"][case.inputs["table"]], case.inputs["mode"]
    received_on, source = case.inputs["received_on"], case.inputs["source"]
    if not any(received_on in (route["best"], *route["alternatives"]) for route in routes):
        routes = [*routes, {"prefix": "10.97.0.0/24", "best": received_on, "alternatives": []}]
    text = text_of(routes, received_on, mode, alternatives_count=mode == "feasible")
    ports, length = ways_back(text, source)
    passes = {
        "strict": port_of(text, received_on) in ports,
        "feasible": port_of(text, received_on) in ports,
        "loose": length >= 0,
        "loose_no_default": length > 0,
    }[mode]
    assert passes == case.expected["passes"]
    is_uncertain(text, case, port_of(text, received_on))


@pytest.mark.parametrize(
    "case", published(ROUTER, "source_validation", where=lambda case: case.inputs["enabled"] is True)
)
def test_source_validation(case: Case) -> None:
    # RFC 1812 section 5.3.8: the rule is stated, routes and packets derived.
    routes = [{"prefix": one["prefix"], "best": one["interface"], "alternatives": []} for one in case.inputs["routes"]]
    received_on = case.inputs["received_on"]
    text = text_of(routes, received_on, "strict", alternatives_count=False)
    ports, _ = ways_back(text, case.inputs["source"])
    assert (port_of(text, received_on) in ports) == (case.expected["action"] == "accept")
    is_uncertain(text, case, port_of(text, received_on))


def test_the_alternative_way_is_seen_only_where_it_counts() -> None:
    routes = document(REVERSE)["tables"]["fib_default"]
    several = text_of(routes, None, "strict", alternatives_count=True)
    one = text_of(routes, None, "strict", alternatives_count=False)
    found = [fib_of(text).lookup(Address.parse("198.51.100.7")) for text in (several, one)]
    assert [len(entry.hops) if entry else 0 for entry in found] == [2, 1]
