"""Many packets at once: the edges that the property tests do not reach."""

from __future__ import annotations

import random

import pytest
from model_builders import access_list, device, line, packet

from pathcheck.dataplane.batch import decide_batch
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import Action
from pathcheck.packet.packet import Packet


@pytest.mark.parametrize("count", [1, 63, 64, 65, 200])
def test_lists_around_the_size_of_a_word(count: int) -> None:
    entries = [line("permit", "tcp", destination_ports=str(number), sequence=number) for number in range(1, count + 1)]
    one = device("quay-a", access_list("A", *entries))
    some = [packet("10.1.20.7", "10.1.99.10", "tcp", 1, port) for port in (1, 2, count, count + 1, 65535)]
    found = decide_batch(one, "ipv4", "A", some)
    assert [item.index for item in found] == [
        port - 1 if port <= count else None for port in (1, 2, count, count + 1, 65535)
    ]
    assert [item.action for item in found] == [
        Action.PERMIT if item.index is not None else Action.DENY for item in found
    ]


def test_more_packets_than_one_block_holds() -> None:
    chance = random.Random(7)
    masks = ["0.0.0.255", "0.0.254.255", "0.3.0.255"]
    entries = [
        line(
            chance.choice(["permit", "deny"]),
            chance.choice(["tcp", "udp", "ip"]),
            f"10.{chance.randrange(4)}.{chance.randrange(256)}.0 {chance.choice(masks)}",
            sequence=number,
        )
        for number in range(700)
    ]
    one = device("quay-a", access_list("A", *entries))
    some: list[Packet] = [
        packet(f"10.{chance.randrange(4)}.{chance.randrange(256)}.9", "192.0.2.1", chance.choice(["tcp", "udp", "esp"]))
        for _ in range(20_000)
    ]
    found = decide_batch(one, "ipv4", "A", some)
    assert len(found) == len(some)
    for place in chance.sample(range(len(some)), 150):
        alone = evaluate_list(one, "ipv4", "A", some[place])
        assert (found[place].action, found[place].use) == (alone.action, alone.use)


def test_no_packets() -> None:
    assert decide_batch(device("quay-a"), "ipv4", "A", []) == []


def test_the_other_ip_version_is_refused() -> None:
    with pytest.raises(ValueError, match="an IPv6 packet meets no `ipv4` list"):
        decide_batch(
            device("quay-a"), "ipv4", "A", [packet("10.1.1.1", "10.1.1.2"), packet("2001:db8::1", "2001:db8::2")]
        )
