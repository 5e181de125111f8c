"""Dead lines and the lines that explain them, by small lists; tests/property/test_line_review.py has the definition."""

from __future__ import annotations

import pytest
from model_builders import access_list, device, line

from pathcheck.queries.line_review.dead_lines import find_dead_lines
from pathcheck.queries.line_review.reviewed_list import ReviewedList

NET, LOW, HIGH = "10.1.20.0/24", "10.1.20.0/25", "10.1.20.128/25"


def dead(*entries, long=False):
    """Code and causes of each dead line, by places from 0, and whether its fragments pass."""
    made = access_list("A", *entries)
    reviewed = ReviewedList(device("quay-a", made), made)
    reviewed.is_long = long
    found = find_dead_lines(reviewed, lambda _: None).found
    return {
        place: (one.code, one.because) + (("fragments pass",) if one.fragments_pass else ())
        for place, one in found.items()
    }, {place: one.sample for place, one in found.items() if one.sample is not None}


@pytest.mark.parametrize("long", [False, True])
@pytest.mark.parametrize(
    ("entries", "expected"),
    [
        # One line of the other action that holds everything says it shortest.
        ([line("deny", "ip", LOW), line("deny", "ip", HIGH), line("deny", "ip", NET), line("permit", "ip", NET)],
         {2: ("PC102", (0, 1)), 3: ("PC101", (0, 1))}),
        ([line("deny", "ip", NET), line("permit", "tcp", LOW)], {1: ("PC101", (0,))}),
        # A permit that holds all of it too, but later: the denial is told.
        ([line("deny", "ip", NET), line("permit", "ip"), line("permit", "tcp", LOW)], {2: ("PC101", (0,))}),
        # Held by permits alone, yet denied in part before: each of the two lines is needed, and no third one.
        ([line("deny", "ip", LOW), line("permit", "ip", LOW), line("permit", "ip", HIGH), line("permit", "ip", NET)],
         {1: ("PC101", (0,)), 3: ("PC101", (0, 2))}),
        ([line("permit", "ip", LOW), line("permit", "ip", HIGH), line("deny", "ip", LOW), line("permit", "ip", NET)],
         {2: ("PC101", (0,)), 3: ("PC102", (0, 1))}),
        ([line("deny", "udp"), line("permit", "ip"), line("permit", "tcp", NET)], {2: ("PC102", (1,))}),
        # The same criteria twice, also in other words; another action in between makes no difference.
        ([line("permit", "ip", NET), line("deny", "ip"), line("permit", "ip", NET)], {2: ("PC105", (0,))}),
        ([line("permit", "tcp", NET, destination_ports="80-90"),
          line("permit", "tcp", NET, destination_ports="80-85,86-90")], {1: ("PC105", (0,))}),
        ([line("permit", "tcp", NET, destination_ports="")], {0: ("PC106", ())}),
        # Fragments pass a denial that names a port, and not one of all packets.
        ([line("deny", "tcp", destination_ports="443"), line("permit", "tcp", NET, destination_ports="443")],
         {1: ("PC101", (0,), "fragments pass")}),
        ([line("deny", "tcp"), line("permit", "tcp", NET, destination_ports="443")], {1: ("PC101", (0,))}),
        ([line("permit", "tcp", destination_ports="443"), line("deny", "tcp", NET, destination_ports="443")],
         {1: ("PC101", (0,))}),
        # Only its fragments are decided by the other action: litter, no trap.
        ([line("deny", "tcp", fragments=True), line("permit", "tcp"), line("permit", "tcp", NET, source_ports="22")],
         {2: ("PC102", (1,))}),
        ([line("deny", "tcp", NET, fragments=True), line("permit", "tcp", NET), line("permit", "tcp", LOW)],
         {2: ("PC101", (0, 1))}),
    ],
)  # fmt: skip
def test_dead_lines_and_their_causes(entries, expected, long):
    assert dead(*entries, long=long)[0] == expected


@pytest.mark.parametrize("long", [False, True])
@pytest.mark.parametrize("before", [0, 1, 5])
def test_a_single_packet_that_is_decided_otherwise_is_found(before, long):
    # Other rows of that action lie beside it, behind a line that takes them first, or in another protocol.
    beside = [line("deny", "tcp", f"10.9.{number}.3", "192.0.2.77", destination_ports="80") for number in range(before)]
    entries = [
        line("permit", "tcp", "10.77.1.4", "192.0.2.77"),
        line("deny", "tcp", "10.77.1.4", "192.0.2.77", destination_ports="4711"),
        *beside,
        line("deny", "udp", "10.77.1.3", "192.0.2.77"),
        line("deny", "tcp", "10.77.1.3", "192.0.2.77", source_ports="40001", destination_ports="4711"),
        line("permit", "tcp"),
        line("permit", "tcp", "10.64.0.0/10", "192.0.2.0/24", destination_ports="1024-65535"),
    ]
    found, samples = dead(*entries, long=long)
    last = len(entries) - 1
    assert found == {1: ("PC101", (0,)), last: ("PC101", (last - 2, last - 1))}
    sample = samples[last]
    assert (str(sample.source), sample.source_port, sample.destination_port) == ("10.77.1.3", 40001, 4711)
    # Without that line nothing is decided otherwise.
    found, samples = dead(*entries[:-3], *entries[-2:], long=long)
    assert found[last - 1] == ("PC102", (last - 2,))
