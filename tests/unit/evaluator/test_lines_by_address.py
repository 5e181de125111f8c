"""Passing over lines by look-up gives what going through all of them gives."""

from __future__ import annotations

from random import Random

from pathcheck.evaluator import evaluate_list
from pathcheck.evaluator.lines_by_address import LinesByAddress
from pathcheck.fleet import load_fleet
from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet

TEXT = """\
hostname core
object-group network TELLERS
 host 10.1.0.3
 10.1.1.0 255.255.255.252
ip access-list extended QUAY
 deny ip 10.1.0.0 0.0.254.3 host 10.2.0.1
 permit tcp object-group TELLERS any eq 443
 permit udp 10.1.0.0 0.0.0.3 any
 permit tcp any host 10.2.0.2 range 80 90
 nonsense that cannot be read
 deny ip 10.1.0.0 0.0.1.3 10.2.0.0 0.0.0.2
 permit ip any 10.2.0.0 0.0.0.3
"""


def test_the_decision_is_that_of_going_through_all_lines(tmp_path) -> None:
    (tmp_path / "core.cfg").write_text(TEXT)
    (device,) = load_fleet(tmp_path).config.devices.values()
    by_address = LinesByAddress(device.access_lists["ipv4", "QUAY"].lines)
    draw = Random(1)
    decisions = set()
    for _ in range(2000):
        fragment = draw.random() < 0.1
        packet = Packet(
            Address(4, (10 << 24 | 1 << 16) + draw.randrange(4) * 256 + draw.randrange(5)),
            Address(4, (10 << 24 | 2 << 16) + draw.randrange(5)),
            draw.choice((6, 17)),
            0 if fragment else 49152,
            0 if fragment else draw.choice((80, 90, 443)),
            fragment=fragment,
        )
        plain = evaluate_list(device, "ipv4", "QUAY", packet)
        assert evaluate_list(device, "ipv4", "QUAY", packet, by_address=by_address) == plain
        decisions.add((plain.action, plain.use.span))
    assert len(decisions) >= 6
