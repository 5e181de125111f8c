"""Which line ends a list: the first that holds each packet, and none that leaves some out."""

from __future__ import annotations

import pytest
from model_builders import access_list, bound, device, interface, line

from pathcheck.packet.ranges import Ranges
from pathcheck.queries.line_review.list_end import unlogged_end
from pathcheck.queries.line_review.reviewed_list import ReviewedList

LOGS = {"log": "log"}
EVEN, LOWER = "0.0.0.0 255.255.255.254", "0.0.0.0/1"


def said(*entries, family="ipv4"):
    """Whether the end is said to leave no trace: by `the implicit deny`, by a line (its number), or not at all."""
    made = access_list(
        "A", line("permit", "udp", version=4 if family == "ipv4" else 6, sequence=1), *entries, family=family
    )
    port = interface("Ethernet1", "10.1.20.1/24", lists=(bound("A", family=family),))
    found = unlogged_end(ReviewedList(device("quay-a", made, port), made))
    if found is None:
        return None
    return "implicit" if "implicit" in found.message else found.span.line


def test_the_line_that_holds_everything_is_the_end():
    assert said(line("deny", **LOGS)) is None
    assert said(line("permit")) is None
    assert said(line("deny")) == 10
    assert said(line("deny"), line("deny", sequence=20, **LOGS)) == 10
    assert said(line("deny", **LOGS), line("deny", sequence=20)) is None
    assert said() == "implicit"


@pytest.mark.parametrize(
    "almost",
    [
        {"source": EVEN}, {"destination": EVEN}, {"source": LOWER}, {"destination": LOWER},
        {"protocol": "tcp"}, {"dscp": Ranges.of((0, 62))}, {"dscp": Ranges.of((1, 63))}, {"fragments": True},
        {"destination_ports": "0-65535"}, {"doubt": "a time range"},
    ],
)  # fmt: skip
def test_a_line_that_leaves_anything_out_is_no_end(almost):
    assert said(line("deny", **almost, **LOGS)) == "implicit"
    assert said(line("permit", **almost)) == "implicit"
    assert said(line("deny", **almost, **LOGS), line("deny", sequence=20)) == 20
