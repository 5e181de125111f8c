"""Whether a device routes: common practice, no source."""

from __future__ import annotations

import pytest
from model_builders import device, gateway, interface, route, span

from pathcheck.dataplane.routing import routing_state
from pathcheck.model.assumptions import Assumptions

SVI = interface("Vlan99", "10.1.99.2/24")
SECOND = interface("Vlan20", "10.1.20.2/24")
MANAGEMENT = interface("Management1", "10.1.90.2/24")
GATEWAY = gateway("10.1.99.1")


@pytest.mark.parametrize(
    ("parts", "on"),
    [
        ([SVI, GATEWAY], False),
        ([SVI, MANAGEMENT, GATEWAY], False),
        ([SVI, SECOND, GATEWAY], True),
        ([SVI, GATEWAY, route("10.9.0.0/16", "10.1.99.9")], True),
        ([SVI], True),
        ([GATEWAY], False),
    ],
)
def test_a_silent_text_is_read_and_the_answer_says_so(parts: list[object], on: bool) -> None:
    found = routing_state(device("quay-a", *parts), 4)  # type: ignore[arg-type]
    assert found.on is on
    assert [(reading.key, reading.value) for reading in found.readings] == [("routing", "by-text")]


@pytest.mark.parametrize("written", [True, False])
def test_the_text_wins_and_is_no_reading(written: bool) -> None:
    line = span("ip routing", 3)
    for parts in ([SVI, GATEWAY], [SVI, SECOND]):
        found = routing_state(device("quay-a", *parts, routing=written, routing_span=line), 4)
        assert (found.on, found.span, found.readings) == (written, line, ())


@pytest.mark.parametrize(("assumed", "on"), [("on", True), ("off", False)])
def test_an_assumption_wins_over_the_text(assumed: str, on: bool) -> None:
    one = device("quay-a", SVI, routing=not on, assume=Assumptions(routing=assumed))  # type: ignore[arg-type]
    found = routing_state(one, 4)
    assert (found.on, [reading.value for reading in found.readings]) == (on, [assumed])


@pytest.mark.parametrize(
    ("written", "assumed", "on"),
    [(None, "by-text", True), (None, "off", False), (True, "off", True), (False, "on", False)],
)
def test_ipv6(written: bool | None, assumed: str, on: bool) -> None:
    one = device("quay-a", SVI, GATEWAY, ipv6_routing=written, assume=Assumptions(routing=assumed))  # type: ignore[arg-type]
    found = routing_state(one, 6)
    assert found.on is on
    assert bool(found.readings) is (written is None)
