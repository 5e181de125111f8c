"""RFC 1812: martian addresses and broadcasts; the choice of routes is in test_route_tables.py."""

from __future__ import annotations

import pytest
from references.published import Case, published

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.special_purpose import address_type, never_forwarded

SOURCE = "rfc1812-forwarding"


@pytest.mark.parametrize("case", published(SOURCE, "martian"))
def test_martian(case: Case) -> None:
    # RFC 1812 sections 5.3.7, 4.2.2.11 and 4.2.3.1; the limited broadcast is refused by 5.3.5.1 only.
    ends = {end: Address.parse(text) for end, text in case.inputs.items()}
    refused = never_forwarded(**ends)
    assert (refused is not None) == (case.expected["verdict"] != "no_objection")
    if case.expected["verdict"] == "not_invalid_but_never_forwarded":
        assert address_type(ends["destination"]) == "limited broadcast"


@pytest.mark.parametrize("case", published(SOURCE, "broadcast", where=lambda case: case.inputs.get("connected_prefix")))
def test_broadcast_forms_of_an_attached_prefix(case: Case) -> None:
    # RFC 1812 sections 4.2.3.1 and 5.3.5.2: on the attached router neither is a station.
    prefix, destination = Prefix.parse(case.inputs["connected_prefix"]), Address.parse(case.inputs["destination"])
    place = prefix.reserved_addresses().index(destination)
    assert place == {"obsolete broadcast form": 0, "directed broadcast": 1}[case.expected["kind"]]


@pytest.mark.parametrize(
    "case", published(SOURCE, "broadcast", where=lambda case: "connected_prefix" not in case.inputs)
)
def test_limited_broadcast(case: Case) -> None:
    # RFC 1812 section 5.3.5.1, stated.
    assert (
        never_forwarded(destination=Address.parse(case.inputs["destination"]))
        == "a limited broadcast stays on its link"
    )
