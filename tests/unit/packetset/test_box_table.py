"""The arrays of bounds against sets of packets: each question about rows, asked of both, on tables of chance.

Tables of a few rows are asked row by row, longer ones by columns; both lengths are made.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

import numpy as np
import pytest

from pathcheck.errors import CapacityError
from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, ESTABLISHED, RST, SYN, FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.packetset.box_table import (
    FRAGMENT,
    WHOLE,
    BoxTable,
    Product,
    Row,
    box_of,
    intersection,
    points_of,
    row_covers,
    rows_of,
)
from pathcheck.packetset.cover import Covered, CoverSearch

FIELDS = ("protocols", "source_ports", "destination_ports", "icmp", "flags", "dscp", "fragment")
BASE = {4: Address.parse("10.1.20.0").value, 6: Address.parse("2001:db8:20::").value}
SPANS = [Ranges.of(span) for span in ((22, 22), (0, 1023), (80, 443), (443, 65535), (0, 65535), (22, 443))]
seeds = pytest.mark.parametrize("seed", range(6))
versions = pytest.mark.parametrize("version", [4, 6])
worlds = pytest.mark.parametrize("world", [WHOLE, FRAGMENT])


class Chance:
    """Boxes and packets of few values each, so that they meet."""

    def __init__(self, seed: int, version: IPVersion) -> None:
        self.random = Random(seed)
        self.version = version
        self.icmp = 1 if version == 4 else 58

    def address(self) -> Address:
        """Near to each other; in IPv6 some differ in the upper half only."""
        far = self.random.choice((0, 0, 1 << WIDTH[self.version] - 8))
        return Address(self.version, BASE[self.version] + self.random.randrange(4) ^ far)

    def match(self) -> AddressMatch:
        everything = (1 << WIDTH[self.version]) - 1
        mask = self.random.choice(
            (0, 1, 2, 3, 255, everything, everything, everything - (1 << WIDTH[self.version] - 8))
        )
        return AddressMatch.wildcard(self.address(), Address(self.version, mask))

    def service(self) -> Box:
        """Everything of a box but its addresses."""
        choose, some = self.random.choice, [None, *SPANS]
        flags = choose([None, None, ESTABLISHED, FlagMatch.of((SYN | ACK, SYN)), FlagMatch.of((RST, 0))])
        dscp = choose([None, None, Ranges.of((0, 31)), Ranges.single(46)])
        fields = choose(
            [
                {"protocols": Ranges.single(6), "source_ports": choose(some), "destination_ports": choose(some),
                 "flags": flags},
                {"protocols": Ranges.single(6), "destination_ports": choose(some), "flags": flags},
                {"protocols": Ranges.single(17), "destination_ports": choose(SPANS)},
                {"protocols": Ranges.of((6, 6), (17, 17)), "destination_ports": choose(SPANS)},
                {"destination_ports": choose(SPANS)},
                {"protocols": Ranges.single(self.icmp), "icmp": choose([Ranges.of((2048, 2303)), Ranges.of((0, 255))])},
                {"protocols": choose([None, Ranges.single(6), Ranges.of((0, 50)), Ranges.single(self.icmp)]),
                 "fragment": choose([None, None, True, False])},
            ]
        )  # fmt: skip
        everywhere = AddressMatch.any(self.version)
        return Box(everywhere, everywhere, dscp=dscp, **fields)

    def table(self) -> tuple[BoxTable, list[list[Box]]]:
        """A table, and the boxes of each owner."""
        products, owned = [], []
        for owner in range(self.random.choice((1, 3, 12, 13, 20))):
            sources, destinations = ([self.match() for _ in range(self.random.choice((1, 1, 2)))] for _ in "sd")
            boxes = tuple(self.service() for _ in range(self.random.choice((1, 1, 2))))
            products.append((owner, sources, destinations, boxes))
            owned.append([put(s, d, box) for s in sources for d in destinations for box in boxes])
        return BoxTable(self.version, products), owned

    def row(self, world: int) -> Row:
        while True:
            for row in rows_of(put(self.match(), self.match(), self.service())):
                if row.worlds & world:
                    return row

    def packet(self, world: int) -> Packet:
        choose = self.random.choice
        protocol = choose((6, 6, 17, self.icmp, 50))
        fields: dict[str, int] = {}
        if world == WHOLE and protocol in (6, 17):
            fields = {name: choose((0, 21, 22, 80, 443, 1023, 65535)) for name in ("source_port", "destination_port")}
        if world == WHOLE and protocol == 6:
            fields["flags"] = choose((0, SYN, ACK, RST, SYN | ACK, 255))
        if world == WHOLE and protocol == self.icmp:
            fields = {"icmp_type": choose((0, 7, 8)), "icmp_code": choose((0, 255))}
        return Packet(self.address(), self.address(), protocol, dscp=choose((0, 31, 46)), fragment=world == FRAGMENT,
                      **fields)  # fmt: skip


def put(source: AddressMatch, destination: AddressMatch, service: Box) -> Box:
    return Box(source, destination, *(getattr(service, name) for name in FIELDS))


def held(row: Row, version: IPVersion, world: int) -> PacketSet:
    """The packets of a row in a world, by diagrams."""
    space = packet_space(version)
    return space.of(box_of(row, version, world)) if row.worlds & world else space.empty


@versions
@seeds
def test_the_rows_of_an_owner_hold_the_packets_of_its_boxes(version: IPVersion, seed: int) -> None:
    table, owned = Chance(seed, version).table()
    space = packet_space(version)
    for owner, boxes in enumerate(owned):
        mine = [table.rows[index] for index in np.flatnonzero(table.owners == owner)]
        assert space.union(held(row, version, world) for row in mine for world in (1, 2)) == space.of_boxes(boxes)
    assert len(table) == len(table.rows) == len(table.owners)


@versions
@worlds
@seeds
def test_overlap_and_containment_are_those_of_the_sets(version: IPVersion, world: int, seed: int) -> None:
    chance = Chance(seed, version)
    table, _ = chance.table()
    others = [held(other, version, world) for other in table.rows]
    for _ in range(12):
        row = chance.row(world)
        start = chance.random.randrange(len(table) // 2 + 1)
        stop = chance.random.randrange(start, len(table) + 1)
        mine = held(row, version, world)
        meeting = [index for index in range(start, len(table)) if not (others[index] & mine).is_empty]
        assert table.overlapping(row, start, len(table), world).tolist() == meeting
        assert table.overlapping(row, start, stop, world).tolist() == [index for index in meeting if index < stop]
        among = np.arange(start, len(table))
        covering = [index for index in among.tolist() if mine <= others[index]]
        assert table.covering(row, among, world).tolist() == covering
        assert [row_covers(table.rows[index], row, world) for index in among] == [index in covering for index in among]
        assert table.are_covering(row, among, world).tolist() == [index in covering for index in among]
        inside = [others[index] <= mine for index in meeting]
        assert table.are_covered(row, np.array(meeting, dtype=int), world).tolist() == inside


@versions
@worlds
@seeds
def test_points_are_held_where_the_packets_are(version: IPVersion, world: int, seed: int) -> None:
    chance = Chance(seed, version)
    table, _ = chance.table()
    packets = [chance.packet(world) for _ in range(20)]
    points = points_of(packets, version)
    boxes = [box_of(row, version, world) if row.worlds & world else None for row in table.rows]
    among = np.flatnonzero(table.worlds & world)
    matrix = table.holding(points, among, world)
    assert matrix.tolist() == [[packet in boxes[index] for index in among] for packet in packets]
    every, few = np.arange(len(table)), np.arange(min(len(table), 12))
    for index, packet in enumerate(packets):
        assert points.packet(index, version, world) == packet
        assert points.ends(index) == (packet.source.value, packet.destination.value)
        holders = [number for number in among.tolist() if packet in boxes[number]]
        first, later = (next((one for one in holders if one >= at), -1) for at in (0, 2))
        assert table.first_of(points, index, every, world) == first
        assert table.first_holding(points, index, 0, len(table), world) == first
        assert table.first_holding(points, index, 2, len(table), world) == later
        assert table.first_holding(points, index, 0, max(first, 0), world) == -1
        assert table.holds_any(points, index, every, world) == bool(holders)
        assert table.holds_any(points, index, few, world) == any(number < 12 for number in holders)


@versions
@seeds
def test_two_rows_meet_in_a_row(version: IPVersion, seed: int) -> None:
    chance = Chance(seed, version)
    for _ in range(40):
        one, other = chance.row(WHOLE | FRAGMENT), chance.row(WHOLE | FRAGMENT)
        both = intersection(one, other)
        for world in (WHOLE, FRAGMENT):
            expected = held(one, version, world) & held(other, version, world)
            assert expected == (packet_space(version).empty if both is None else held(both, version, world))
        if both is not None and both.worlds & WHOLE:
            # What a row shares is ranked by the logarithm of the packets that the row of both has.
            source, destination = (AddressMatch(version, value, care) for value, care in one.addresses)
            service = put(AddressMatch.any(version), AddressMatch.any(version), box_of(one, version, WHOLE))
            [shared] = BoxTable(version, [(0, [source], [destination], (service,))]).shares(other, np.array([0]))
            cares = [care for _, care in both.addresses] + [both.flags[0]]
            spans = sum(float(np.log2(high - low + 1)) for low, high in both.intervals)
            assert shared == pytest.approx(spans - sum(care.bit_count() for care in cares))


@versions
@worlds
@seeds
def test_what_covers_a_row_is_found_or_a_packet_that_nobody_holds(version: IPVersion, world: int, seed: int) -> None:
    chance = Chance(seed, version)
    table, _ = chance.table()
    search = CoverSearch(table)
    space = packet_space(version)
    others = [held(other, version, world) for other in table.rows]
    for _ in range(12):
        row = chance.row(world)
        mine = held(row, version, world)
        among = table.overlapping(row, 0, len(table), world)
        answer = search.search(row, among, world)
        rest = mine - space.union(others[index] for index in among.tolist())
        # The proof by sets, which few searches come to, says the same.
        proof = search._prove(row, among, world)
        assert isinstance(proof, Covered) == isinstance(answer, Covered) == rest.is_empty
        if isinstance(proof, Covered):
            assert mine <= space.union(others[index] for index in proof.rows)
            assert list(proof.rows) == sorted(set(proof.rows))
        else:
            assert proof in rest
        if isinstance(answer, Covered):
            assert rest.is_empty
            assert mine <= space.union(others[index] for index in answer.rows)
            assert list(answer.rows) == sorted(set(answer.rows))
        else:
            assert answer in rest
        for points in (search.usual_point(row), search.points(row, 5)):
            for index in range(len(points.flags)):
                assert points.packet(index, version, world) in mine


def test_flags_of_many_rows_are_compared_column_by_column() -> None:
    cubes = [(0, 0), (ACK, ACK), (ACK, 0), (SYN | ACK, SYN), (SYN | ACK, SYN | ACK), (RST, 0), (255, SYN)]
    everywhere = AddressMatch.any(4)
    boxes = [Box(everywhere, everywhere, Ranges.single(6), flags=FlagMatch.of(cube)) for cube in cubes for _ in "123"]
    table = BoxTable(4, [(n, [everywhere], [everywhere], (box,)) for n, box in enumerate(boxes)])
    among = np.arange(len(table))
    assert len(among) > 12
    sets = [held(row, 4, WHOLE) for row in table.rows]
    for index in range(0, len(table), 3):
        row = table.rows[index]
        assert table.are_covered(row, among, WHOLE).tolist() == [other <= sets[index] for other in sets]
        assert table.are_covering(row, among, WHOLE).tolist() == [sets[index] <= other for other in sets]
        meeting = [place for place, other in enumerate(sets) if not (other & sets[index]).is_empty]
        assert table.overlapping(row, 0, len(table), WHOLE).tolist() == meeting


@versions
@seeds
def test_no_row_shares_more_with_another_than_its_size(version: IPVersion, seed: int) -> None:
    chance = Chance(seed, version)
    table, _ = chance.table()
    among = np.arange(len(table))
    sizes = table.sizes(among)
    for _ in range(6):
        assert (table.shares(chance.row(WHOLE), among) <= sizes + 1e-9).all()
    for index, row in enumerate(table.rows):
        [own] = table.shares(row, np.array([index]))
        assert own == pytest.approx(sizes[index])


@versions
def test_flags_are_compared_by_the_bits_that_both_ask_for(version: IPVersion) -> None:
    any_address = AddressMatch.any(version)
    cubes = [(0, 0), (SYN, SYN), (SYN, 0), (SYN | ACK, SYN), (SYN | ACK, ACK), (ACK, ACK), (RST, RST), (255, SYN)]
    boxes = [Box(any_address, any_address, Ranges.single(6), flags=FlagMatch.of(cube)) for cube in cubes]
    # Twice, so that all columns are compared at once.
    table = BoxTable(version, [(number, [any_address], [any_address], (box,)) for number, box in enumerate(boxes * 2)])
    among = np.arange(len(table))
    for care, value in cubes:
        [row] = rows_of(Box(any_address, any_address, Ranges.single(6), flags=FlagMatch.of((care, value))))
        covering = [not (its & ~care or (its_value ^ value) & its) for its, its_value in cubes] * 2
        covered = [not (care & ~its or (its_value ^ value) & care) for its, its_value in cubes] * 2
        meeting = [not (its_value ^ value) & its & care for its, its_value in cubes] * 2
        assert table.are_covering(row, among, WHOLE).tolist() == covering
        assert table.covering(row, among, WHOLE).tolist() == np.flatnonzero(covering).tolist()
        assert table.are_covered(row, among, WHOLE).tolist() == covered
        assert table.overlapping(row, 0, len(table), WHOLE).tolist() == np.flatnonzero(meeting).tolist()
        assert [row_covers(other, row, WHOLE) for other in table.rows] == covering


def test_too_many_rows_are_refused_before_they_are_made() -> None:
    ends = [AddressMatch(4, number, 0xFFFFFFFF) for number in range(100_000)]
    service = Box.everything(4)

    def products() -> Iterator[Product]:
        yield 0, ends[:2], ends[:3], (service,)
        yield 1, ends, ends, (service,)
        raise AssertionError("a line was read behind the one that is too much")

    with pytest.raises(
        CapacityError, match=r"list `GATES` is too long: up to its line 2 .* 10,000,000,006 comb.* room for 20 "
    ):
        BoxTable(4, products(), "list `GATES`", most=20)
    assert len(BoxTable(4, [(0, ends[:4], ends[:5], (service,))], most=20)) == 20
