"""RFC 8349: the network of its appendix D with static routes as JSON of the standard model, and longest match in it."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import pytest
from references.prefix_checks import check_prefix_text
from references.published import Case, document, published

from pathcheck.dataplane.fib import Fib, FibEntry, build_fib
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.parser.device_files import read_device_files

SOURCE = "rfc8349-static-routes"


def routing(routes: list[dict[str, Any]]) -> bytes:
    """Write static routes as the document that a device's file is."""
    families: dict[str, dict[str, Any]] = {}
    for route in routes:
        family = "ipv6" if ":" in route["destination-prefix"] else "ipv4"
        families.setdefault(family, {"route": []})["route"].append(route)
    protocol = {"type": "ietf-routing:static", "name": "static", "static-routes": families}
    tree = {"ietf-routing:routing": {"control-plane-protocols": {"control-plane-protocol": [protocol]}}}
    return json.dumps(tree, indent=1).encode()


def interfaces() -> bytes:
    """Write the interfaces of appendix D as raw lines."""
    lines = ["hostname quay-a", "ip routing", "ipv6 unicast-routing"]
    for item in document(SOURCE)["network"]["interfaces"]:
        lines += [f"interface {item['name']}", f" ip address {item['ipv4']}", f" ipv6 address {item['ipv6']}"]
    return "\n".join([*lines, ""]).encode()


def device_with(routes: list[dict[str, Any]]) -> Device:
    """Read the network of appendix D with some static routes."""
    files = [("quay-a.cfg", interfaces()), ("quay-a.json", routing(routes))]
    parsed = read_device_files(files, default_name="quay-a", assume=Assumptions())
    (device,) = parsed.devices
    return device


@cache
def table(version: int) -> Fib:
    """Build a table of appendix D."""
    routes = [
        {"destination-prefix": route["destination-prefix"], "next-hop": {"next-hop-address": route["next-hop-address"]}}
        for route in document(SOURCE)["network"]["static_routes"]
    ]
    return build_fib(device_with(routes), None, 4 if version == 4 else 6)


def only_hop(entry: FibEntry | None) -> tuple[str, str | None]:
    """Return interface and next hop of an entry with one way."""
    assert entry is not None
    assert not entry.doubts
    (hop,) = entry.hops
    return hop.interface.replace("Ethernet", "eth"), None if hop.next_hop is None else str(hop.next_hop)


@pytest.mark.parametrize("case", published(SOURCE, "lpm"))
def test_longest_match(case: Case) -> None:
    # RFC 8349 appendix D, lookups derived.
    destination, expected = Address.parse(case.inputs["destination"]), case.expected
    entry = table(destination.version).lookup(destination)
    interface, next_hop = only_hop(entry)
    assert entry is not None
    assert str(entry.prefix) == expected["matched_prefix"]
    assert interface == expected["outgoing_interface"]
    assert (next_hop or interface) == expected["next_hop"]


@pytest.mark.parametrize("case", published(SOURCE, "next_hop_reachable"))
def test_next_hop_has_to_be_on_a_connected_subnet(case: Case) -> None:
    # RFC 8349 appendix D, derived.
    hop = Address.parse(case.inputs["next_hop"])
    everything = str(Prefix.everything(hop.version))
    device = device_with([{"destination-prefix": everything, "next-hop": {"next-hop-address": str(hop)}}])
    fib = build_fib(device, None, hop.version)
    elsewhere = Address.parse("198.18.0.1" if hop.version == 4 else "2001:db8:ffff::1")
    entry = fib.lookup(elsewhere)
    assert (entry is not None) == case.expected["reachable"]
    if entry is not None:
        assert only_hop(entry) == (case.expected["via_interface"], str(hop))
    else:
        assert [str(route.prefix) for route in fib.inactive] == [everything]


@pytest.mark.parametrize("case", published(SOURCE, "prefix_parse"))
def test_prefix_with_host_bits(case: Case) -> None:
    # RFC 8349 appendix D prints one; arithmetic says which prefix it is.
    check_prefix_text(case)


@pytest.mark.parametrize("case", published(SOURCE, "special_next_hop"))
def test_special_next_hop(case: Case) -> None:
    # RFC 8349 section 7, stated.
    word = case.inputs["special-next-hop"]
    device = device_with([{"destination-prefix": "203.0.113.0/24", "next-hop": {"special-next-hop": word}}])
    found = build_fib(device, None, 4).piece(Address.parse("203.0.113.5"))
    if case.expected["discard"]:
        assert found.entry is not None
        assert (found.entry.discard, found.entry.hops, found.doubts) == (True, (), ())
    else:
        # Delivery to the device itself is not modelled as a route: what becomes of the packet is not certain, and
        # never a discard.
        assert case.expected["delivered_locally"]
        assert found.doubts
        assert found.entry is None or not found.entry.discard
