"""Which rows share packets with which, hold them or lie in them: look-ups and bits against two rows at a time.

tests/property/test_row_bits.py asks the same of more tables; these are quick and the same each time.
"""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from pathcheck.packet.box import Box
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, SYN, FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.address_pairs import distinct, related
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, BoxTable, intersection, row_covers
from pathcheck.packetset.columns import columns_of
from pathcheck.packetset.row_bits import RowBits
from pathcheck.packetset.row_pairs import RowPairs

WIDTH = {4: 32, 6: 128}
KINDS = ("overlaps", "holds", "lies in")
seeds = pytest.mark.parametrize("seed", range(10))
versions = pytest.mark.parametrize("version", [4, 6])


def some_match(chance, version):
    """Masks of prefixes, of each second address, of a gap, and of the upper half only."""
    full, top = (1 << WIDTH[version]) - 1, 1 << WIDTH[version] - 1
    care = chance.choice((0, full, full, full - 1, full - 3, full - 7, full - 2, 1, 5, top, top | 1, full - top))
    return (chance.randrange(8) | chance.choice((0, top))) & care, care


def relation(kind, row, asked):
    """The same of two masked addresses, by the definition."""
    (value, care), (its, its_care) = row, asked
    alike = not (value ^ its) & care & its_care
    return alike and (kind == "overlaps" or not (care & ~its_care if kind == "holds" else its_care & ~care))


@seeds
@versions
def test_addresses_relate_as_two_of_them_do(version, seed):
    chance = Random(seed)
    lists = [[some_match(chance, version) for _ in range(chance.choice((1, 5, 30)))] for _ in "ab"]
    made = []
    for some in lists:
        if version == 4:
            columns = [(np.array(column, dtype=np.uint32),) for column in zip(*some, strict=True)]
        else:
            halves = [
                [(number >> 64, number & (1 << 64) - 1) for number in column] for column in zip(*some, strict=True)
            ]
            columns = [tuple(np.array(half, dtype=np.uint64) for half in zip(*both, strict=True)) for both in halves]
        found, index = distinct(*columns)
        assert found.width == WIDTH[version]
        pairs = list(zip(found.values.tolist(), found.cares.tolist(), strict=True))
        assert len(set(pairs)) == len(found) == len(set(some))
        assert [pairs[place] for place in index.tolist()] == some
        made.append((found, pairs))
    (asked, its), (known, theirs) = made
    for kind in KINDS:
        left, right = (side.tolist() for side in related(kind, asked, known))
        truth = [(a, b) for a, one in enumerate(its) for b, other in enumerate(theirs) if relation(kind, other, one)]
        assert left == sorted(left)
        assert sorted(zip(left, right, strict=True)) == truth


def some_table(chance, version):
    services = []
    for _ in range(6):
        ports = chance.choice((None, (80, 80), (80, 200), (0, 100), (1024, 65535)))
        dscp = chance.choice((None, None, Ranges.single(46)))
        anywhere = AddressMatch.any(version)
        services.append(
            chance.choice(
                (
                    Box(anywhere, anywhere, Ranges.single(6), None, ports and Ranges.of(ports), dscp=dscp),
                    Box(anywhere, anywhere, Ranges.single(6), ports and Ranges.of(ports)),
                    Box(anywhere, anywhere, Ranges.single(6), flags=FlagMatch.of((SYN | ACK, SYN))),
                    Box(anywhere, anywhere, chance.choice((None, Ranges.single(17))), dscp=dscp),
                    Box(anywhere, anywhere, fragment=chance.choice((True, False))),
                )
            )
        )
    ends = [AddressMatch(version, *some_match(chance, version)) for _ in range(6)]
    count = chance.choice((1, 40, 130))
    return BoxTable(
        version,
        [(n, [chance.choice(ends)], [chance.choice(ends)], (chance.choice(services),)) for n in range(count)],
    )


def relates(kind, row, asked, world):
    if not row.worlds & world:
        return False
    if kind == "overlaps":
        shared = intersection(row, asked)
        return shared is not None and bool(shared.worlds & world)
    return row_covers(row, asked, world) if kind == "holds" else row_covers(asked, row, world)


@seeds
@versions
@pytest.mark.parametrize("kind", KINDS)
def test_rows_relate_as_two_of_them_do(kind, version, seed):
    chance = Random(seed)
    table = some_table(chance, version)
    chosen = np.array(sorted(chance.sample(range(len(table)), min(len(table), 6))))
    asked = columns_of(table).take(chosen)
    truth = {
        (world, place): [relates(kind, other, table.rows[place], world) for other in table.rows]
        for world in (WHOLE, FRAGMENT)
        for place in chosen.tolist()
        if table.rows[place].worlds & world
    }
    for tile in (64, 8192):
        found = {key: [] for key in truth}
        for part in RowBits(table, tile=tile).tiles(asked):
            for world in (WHOLE, FRAGMENT):
                strings = part.related(kind, world, np.arange(len(chosen)))
                both = part.both(kind, np.arange(len(chosen)))[0 if world == WHOLE else 1]
                assert (strings == both).all()
                bits = np.unpackbits(strings.view(np.uint8), axis=1, bitorder="little")
                for place, row in zip(chosen.tolist(), bits[:, : part.stop - part.start].tolist(), strict=True):
                    if (world, place) in found:
                        found[world, place] += map(bool, row)
        assert found == truth
    for part in (1, 4):
        pairs, rare = RowPairs(table, long=1, part=part), np.zeros(len(chosen), dtype=bool)
        made = list(pairs.pairs(kind, asked, rare))
        assert part > 1 or rare.all()
        for (world, place), marks in truth.items():
            at = chosen.tolist().index(place)
            met = [
                row
                for places, rows in made
                for it, row, keep in zip(
                    places.tolist(), rows.tolist(), pairs.relate(kind, world, asked, places, rows).tolist(), strict=True
                )
                if keep and it == at
            ]
            assert sorted(met) == ([row for row, mark in enumerate(marks) if mark] if rare[at] else [])
    assert not list(RowPairs(table, long=1 << 14).pairs(kind, asked, np.zeros(len(chosen), dtype=bool)))


@seeds
@versions
def test_the_first_row_is_the_first_that_counts(version, seed):
    chance = Random(seed)
    table = some_table(chance, version)
    count = len(table)
    begins, stops = (np.array([chance.randrange(count + 1) for _ in range(count)]) for _ in "bs")
    among = np.array([chance.random() < 0.5 for _ in range(count)])
    for kind in ("holds", "overlaps"):
        for world in (WHOLE, FRAGMENT):
            for pairs in (None, RowPairs(table, long=1, part=1), RowPairs(table, long=1, part=4)):
                found = RowBits(table, tile=64, pairs=pairs).first(kind, columns_of(table), world, begins, stops, among)
                for place, row in enumerate(table.rows):
                    if row.worlds & world:
                        counted = (at for at in range(begins[place], stops[place]) if among[at])
                        first = next((at for at in counted if relates(kind, table.rows[at], row, world)), count)
                        assert found[place] == first
