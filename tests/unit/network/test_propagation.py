"""What is written down of packets that are carried all at once, and of a walk that is bounded."""

from __future__ import annotations

from dataclasses import replace

from model_builders import access_list, bound, device, fleet, interface, line, route, span, vlan

from pathcheck.model.fleet_config import LinkEnd
from pathcheck.model.flow import EntryPoint
from pathcheck.model.interface import SwitchPort
from pathcheck.model.unmodelled import InterfaceScope, Unmodelled
from pathcheck.network import reachability
from pathcheck.network.propagation import Fate, Propagation, Touch
from pathcheck.network.reachability import Network, Start, Walk
from pathcheck.packet.box import Box
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.results.path import Doubt

INTO = EntryPoint("quay", "Ethernet1")


def packets(source: str = "10.1.20.0/24", destination: str = "10.1.90.0/24", port: int | None = None) -> PacketSet:
    ends = [AddressMatch.prefix(Prefix.parse(text)) for text in (source, destination)]
    ports = None if port is None else Ranges.single(port)
    version = ends[0].version
    return packet_space(version).of(Box(*ends, Ranges.single(6), destination_ports=ports, fragment=False))


def start(some: PacketSet, at: EntryPoint = INTO, destination: str = "10.1.90.0/24") -> Start:
    return Start(at, some, (Prefix.parse(destination),))


def by_reason(found: dict[Fate, PacketSet]) -> dict[str, PacketSet]:
    ends: dict[str, PacketSet] = {}
    for fate, ended in found.items():
        ends[str(fate.reason)] = ended | ends.get(str(fate.reason), packet_space(ended.version).empty)
    return ends


def crossing(*entries, lists=(), unmodelled=()):
    """Two devices, the second with an interface by which packets leave."""
    quay = device(
        "quay", interface("Ethernet1", "10.1.20.1/24", lists=lists), interface("Ethernet2", "10.0.0.1/30"),
        route("10.1.90.0/24", "10.0.0.2"), *entries, unmodelled=unmodelled,
    )  # fmt: skip
    core = device("core", interface("Ethernet1", "10.0.0.2/30"), interface("Ethernet2", "10.1.90.1/24"))
    return fleet(quay, core)


def test_each_place_has_seen_what_came_there_and_each_table_what_it_was_asked():
    work = Propagation(Network(crossing()), 4)
    some = packets()
    gateway = packets(destination="10.1.90.1/32")
    found = work.carry([start(some)])
    assert by_reason(found) == {"arrived": some}
    # Answers start where the packets arrived; those of the device itself on the device.
    assert {(fate.back_at, fate.back_vrf): ended for fate, ended in found.items()} == {
        (EntryPoint("core", "Ethernet2"), None): some - gateway,
        (EntryPoint("core"), None): gateway,
    }
    assert work.seen_at("core", "Ethernet1") == work.seen_at("core") == some
    assert work.seen_at("quay") == some
    assert work.seen_at("quay", "Ethernet1").is_empty and work.seen_at("core", "Ethernet2").is_empty
    assert work.seen_at("pier").is_empty
    assert not gateway.is_empty and gateway <= work.seen_at("core")


def test_doubts_are_told_for_the_packets_that_they_touch():
    entries = access_list(
        "A",
        line("deny", "tcp", destination_ports="22", doubt="a time range", sequence=10),
        line("deny", "tcp", destination_ports="23", doubt="another time range", sequence=20),
        line("permit", sequence=30),
    )
    work = Propagation(Network(crossing(entries, lists=(bound("A"),))), 4)
    ends = by_reason(work.carry([start(packets())]))
    assert ends["unmodelled"] == packets(port=22) | packets(port=23)
    assert ends["arrived"] == packets() - packets(port=22) - packets(port=23)

    def told(some: PacketSet) -> list[str]:
        return [doubt.why for touch in work.touches() for doubt in touch.doubts_about(some)]

    assert told(packets(port=22)) == ["a time range"]
    assert told(packets(port=23)) == ["another time range"]
    assert sorted(told(packets())) == ["a time range", "another time range"]
    assert told(packets(port=80)) == told(packet_space(4).empty) == []
    # No more is written down as touched than a line may decide of what came there.
    in_doubt = packets(port=22) | packets(port=23)
    assert packet_space(4).union(touch.packets for touch in work.touches()) == in_doubt
    some = packets("10.1.20.7/32", port=22) | packets("10.1.20.8/32", port=80)
    few = Propagation(Network(crossing(entries, lists=(bound("A"),))), 4)
    few.carry([start(packets("10.1.20.9/32"))])
    few.carry([start(some)])
    assert packet_space(4).union(touch.packets for touch in few.touches()) & some == some & in_doubt


def test_several_doubts_of_one_list_are_told_apart_and_those_of_no_list_together():
    v6 = packets("2001:db8:20::/64", "2001:db8:90::/64")
    entries = access_list(
        "A",
        line("deny", "tcp", version=6, destination_ports="22", doubt="first", sequence=10),
        line("deny", "tcp", version=6, destination_ports="23", doubt="second", sequence=20),
        line("permit", version=6, sequence=30),
        family="ipv6",
    )
    box = device("quay", entries)
    both = Doubt("first", span("10", 10)), Doubt("second", span("20", 20))
    touch = Touch(v6, both, (box, "A"))
    ssh = packets("2001:db8:20::/64", "2001:db8:90::/64", 22)
    assert [doubt.why for doubt in touch.doubts_about(ssh)] == ["first"]
    assert [doubt.why for doubt in touch.doubts_about(v6)] == ["first", "second"]
    assert Touch(v6, both).doubts_about(ssh) == both
    assert Touch(v6, both[:1], (box, "A")).doubts_about(ssh) == both[:1]
    assert touch.doubts_about(packet_space(6).empty) == ()


def test_what_a_line_at_an_interface_may_drop_is_in_doubt_where_it_goes_on():
    drops = Unmodelled("rate limit", InterfaceScope("Ethernet2", ("out",), may_only_drop=True), span=span("rate"))
    work = Propagation(Network(crossing(unmodelled=(drops,))), 4)
    assert by_reason(work.carry([start(packets())])) == {"unmodelled": packets()}
    [touch] = work.touches()
    assert (touch.packets, [doubt.why for doubt in touch.doubts], touch.access_list) == (
        packets(),
        ["rate limit"],
        None,
    )


def test_the_readings_on_which_any_end_rests_are_written_down():
    work = Propagation(Network(crossing(lists=(bound("GONE"),))), 4)
    assert by_reason(work.carry([start(packets())])) == {"arrived": packets()}
    assert "undefined_list" in {reading.key for reading in work.readings}
    bare = Propagation(Network(crossing()), 4)
    bare.carry([start(packets())])
    assert "undefined_list" not in {reading.key for reading in bare.readings}


def test_two_starts_are_carried_together_and_by_themselves():
    config = crossing()
    halves = packets("10.1.20.0/25"), packets("10.1.20.128/25")
    together = Propagation(Network(config), 4).carry([start(half) for half in halves])
    assert by_reason(together) == {"arrived": packets()}
    from_core = Start(EntryPoint("core"), packets("10.1.90.1/32", "10.1.20.0/24"), (Prefix.parse("10.1.20.0/24"),))
    found = Propagation(Network(config), 4).carry([from_core])
    assert [str(fate.reason) for fate in found] == ["unrouted"]


def test_packets_that_go_round_for_ever_are_told_from_those_that_leave():
    quay = device("quay", interface("Ethernet1", "10.1.20.1/24"), interface("Ethernet2", "10.0.0.1/30"),
                  route("10.1.90.0/24", "10.0.0.2"))  # fmt: skip
    core = device("core", interface("Ethernet1", "10.0.0.2/30"), interface("Ethernet2", "10.2.0.1/30"),
                  route("10.1.90.0/25", "10.0.0.1"), route("10.1.90.128/25", "10.2.0.2"))  # fmt: skip
    found = Propagation(Network(fleet(quay, core)), 4).carry([start(packets())])
    assert by_reason(found) == {
        "looping": packets(destination="10.1.90.0/25"),
        "handed-over": packets(destination="10.1.90.128/25"),
    }


def test_what_each_port_list_drops_is_told_with_the_lines_that_drop_it():
    x = access_list(
        "X",
        line("deny", "tcp", destination_ports="443"),
        line("deny", "tcp", destination_ports="22", sequence=20),
        line("permit", sequence=30),
    )
    y = access_list("Y", line("deny", "tcp", destination_ports="443", sequence=40), line("permit", sequence=50))
    access = SwitchPort("access", access_vlan=20)
    box = device(
        "quay", interface("Vlan20", "10.1.20.1/24"), vlan(20), x, y,
        interface("Ethernet1", switch_port=access, lists=(bound("X", port=True),)),
        interface("Ethernet2", switch_port=access, lists=(bound("Y", port=True),)),
    )  # fmt: skip
    some = packets(destination="10.1.20.1/32", port=443) | packets(destination="10.1.20.1/32", port=22)
    ports = tuple(LinkEnd("quay", f"Ethernet{number}") for number in (1, 2))
    entering = Start(EntryPoint("quay", "Vlan20"), some, (Prefix.parse("10.1.20.1/32"),), ports=ports)
    ends = {str(end.reason): end for end in Walk(Network(fleet(box)), 4).run([entering])}
    assert set(ends) == {"filtered", "unmodelled"}
    assert ends["filtered"].packets == packets(destination="10.1.20.1/32", port=443)
    assert [use.span.line for _, use in ends["filtered"].hops[-1].port_lines] == [10, 40]
    assert len(ends["unmodelled"].doubts) == 2


def test_a_walk_counts_the_ways_that_it_takes_and_their_parts(monkeypatch):
    monkeypatch.setattr(reachability, "WAYS_APART", 1)
    walk = Walk(Network(crossing()), 4)
    walk.run([start(packets())])
    assert walk.bounded
    monkeypatch.setattr(reachability, "WAYS_APART", 2)
    walk = Walk(Network(crossing()), 4)
    walk.run([start(packets())])
    assert not walk.bounded


def test_a_walk_that_is_bounded_keeps_all_packets_and_doubts(monkeypatch):
    monkeypatch.setattr(reachability, "ENDS_APART", 1)
    entries = access_list(
        "A",
        line("permit", "tcp", destination_ports="22", doubt="a time range", sequence=10),
        line("permit", "tcp", destination_ports="23", doubt="another", sequence=20),
        line("permit", "tcp", destination_ports="80", sequence=30),
        line("permit", "tcp", destination_ports="81", sequence=40),
    )
    config = crossing(entries, lists=(bound("A"),))
    walk = Walk(Network(config), 4)
    ends = walk.run([start(packets())])
    assert walk.bounded
    told: dict[str, PacketSet] = {}
    for end in ends:
        told[str(end.reason)] = told.get(str(end.reason), packet_space(4).empty) | end.packets
    exact = Walk(Network(config), 4)
    monkeypatch.setattr(reachability, "ENDS_APART", 512)
    apart: dict[str, PacketSet] = {}
    for end in exact.run([start(packets())]):
        apart[str(end.reason)] = apart.get(str(end.reason), packet_space(4).empty) | end.packets
    assert told == apart and not exact.bounded
    doubts = {doubt.why for end in ends for doubt in end.doubts}
    assert doubts == {"a time range", "another"}
    assert replace(ends[0], packets=packets()).packets == packets()
