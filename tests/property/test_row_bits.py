"""Relations between rows as bits, against the same asked of two rows at a time; and what one row leaves of another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pathcheck.packet.box import Box
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.box_table import FRAGMENT, WHOLE, BoxTable, Row, difference, intersection, row_covers
from pathcheck.packetset.columns import columns_of
from pathcheck.packetset.row_bits import RowBits, Tile
from pathcheck.packetset.row_pairs import RowPairs

WIDTH = {4: 32, 6: 128}


@st.composite
def matches(draw: st.DrawFn, version: int) -> AddressMatch:
    """Few addresses, by masks of all kinds, so that rows overlap in many ways."""
    full = (1 << WIDTH[version]) - 1
    top = 1 << WIDTH[version] - 1
    care = draw(st.sampled_from([0, full, full, full - 3, full - 7, full - 2, full - 6, full - top, top, full >> 70]))
    value = draw(st.integers(0, 7)) | draw(st.sampled_from([0, top]))
    return AddressMatch(version, value & care, care)  # type: ignore[arg-type]


@st.composite
def boxes(draw: st.DrawFn, version: int) -> Box:
    protocol = draw(st.sampled_from([None, 6, 6, 17]))
    box = Box.everything(version)  # type: ignore[arg-type]
    if protocol is not None:
        ports = st.sampled_from([None, (80, 80), (80, 200), (0, 100), (1024, 65535)])
        first, second = draw(ports), draw(ports)
        box = replace(
            box,
            protocols=Ranges.single(protocol),
            source_ports=None if first is None else Ranges.of(first),
            destination_ports=None if second is None else Ranges.of(second),
        )
    if protocol == 6:
        flags = draw(st.sampled_from([None, None, (2, 2), (18, 2), (16, 16)]))
        box = replace(box, flags=None if flags is None else FlagMatch.of(flags))
    dscp = draw(st.sampled_from([None, None, None, 3]))
    box = replace(box, dscp=None if dscp is None else Ranges.single(dscp))
    return box if box.names_layer4 else replace(box, fragment=draw(st.sampled_from([None, None, True, False])))


@st.composite
def tables(draw: st.DrawFn) -> BoxTable:
    version = draw(st.sampled_from([4, 4, 6]))
    count = draw(st.integers(1, 12)) * draw(st.sampled_from([1, 1, 11]))
    few = [(draw(matches(version)), draw(matches(version)), draw(boxes(version))) for _ in range(min(count, 12))]
    picked = (
        draw(st.lists(st.integers(0, len(few) - 1), min_size=count, max_size=count)) if count > 12 else range(count)
    )
    return BoxTable(
        version,
        ((owner, [few[place][0]], [few[-place][1]], (few[place // 2][2],)) for owner, place in enumerate(picked)),
    )  # type: ignore[arg-type]


def relates(kind: str, row: Row, asked: Row, world: int) -> bool:
    if not row.worlds & world:
        return False
    if kind == "overlaps":
        shared = intersection(row, asked)
        return shared is not None and bool(shared.worlds & world)
    return row_covers(row, asked, world) if kind == "holds" else row_covers(asked, row, world)


def marks(tile: Tile, strings: np.ndarray) -> list[list[bool]]:
    bits = np.unpackbits(strings.view(np.uint8), axis=1, bitorder="little")
    return bits[:, : tile.stop - tile.start].astype(bool).tolist()


@settings(deadline=None)
@given(tables(), st.sampled_from([64, 8192]), st.randoms(use_true_random=False))
def test_bits_say_what_rows_say_one_by_one(table: BoxTable, tile: int, draw: object) -> None:
    chosen = np.array(sorted(draw.sample(range(len(table)), min(len(table), 7))))  # type: ignore[attr-defined]
    asked = columns_of(table).take(chosen)
    some = np.arange(len(chosen))
    for world in (WHOLE, FRAGMENT):
        for kind in ("overlaps", "holds", "lies in"):
            for part in RowBits(table, tile=tile).tiles(asked):
                strings = part.related(kind, world, some)  # type: ignore[arg-type]
                both = part.both(kind, some)[0 if world == WHOLE else 1]  # type: ignore[arg-type]
                for place, said, also in zip(chosen.tolist(), marks(part, strings), marks(part, both), strict=True):
                    row = table.rows[place]
                    if row.worlds & world:
                        truth = [relates(kind, other, row, world) for other in table.rows[part.start : part.stop]]
                        assert said == truth and also == truth


@settings(deadline=None)
@given(tables(), st.sampled_from([64, 8192]), st.sampled_from([None, 1, 4]), st.data())
def test_the_first_row_is_the_first_that_counts(
    table: BoxTable, tile: int, part: int | None, data: st.DataObject
) -> None:
    count = len(table)
    bounds = st.lists(st.integers(0, count), min_size=count, max_size=count)
    begins, stops = np.array(data.draw(bounds)), np.array(data.draw(bounds))
    among = np.array(data.draw(st.lists(st.booleans(), min_size=count, max_size=count)))
    pairs = None if part is None else RowPairs(table, long=1, part=part)
    found = RowBits(table, tile=tile, pairs=pairs).first("holds", columns_of(table), WHOLE, begins, stops, among)
    for place, row in enumerate(table.rows):
        if row.worlds & WHOLE:
            counted = (other for other in range(begins[place], stops[place]) if among[other])
            assert found[place] == next((it for it in counted if row_covers(table.rows[it], row, WHOLE)), count)


@settings(deadline=None)
@given(tables(), st.sampled_from([1, 2, 4]), st.randoms(use_true_random=False))
def test_pairs_are_all_that_relate_each_once(table: BoxTable, part: int, draw: object) -> None:
    chosen = np.array(sorted(draw.sample(range(len(table)), min(len(table), 7))))  # type: ignore[attr-defined]
    asked = columns_of(table).take(chosen)
    pairs = RowPairs(table, long=1, part=part)
    for kind in ("overlaps", "holds", "lies in"):
        rare = np.zeros(len(chosen), dtype=bool)
        made = list(pairs.pairs(kind, asked, rare))  # type: ignore[arg-type]
        assert part > 1 or rare.all()
        for world in (WHOLE, FRAGMENT):
            found: list[tuple[int, int]] = []
            for places, rows in made:
                keep = pairs.relate(kind, world, asked, places, rows)  # type: ignore[arg-type]
                found += zip(places[keep].tolist(), rows[keep].tolist(), strict=True)
            for place in np.flatnonzero(rare).tolist():
                row = table.rows[chosen[place]]
                if row.worlds & world:
                    truth = [at for at, other in enumerate(table.rows) if relates(kind, other, row, world)]
                    assert sorted(at for it, at in found if it == place) == truth


def volume(row: Row, world: int, version: int) -> int:
    """How many combinations of all fields a row holds."""
    size = 1
    for _, care in row.addresses:
        size <<= WIDTH[version] - care.bit_count()
    for field in (0, 1, 2, 3) if world == WHOLE else (0, 3):
        low, high = row.intervals[field]
        size *= high - low + 1
    return size << 8 - row.flags[0].bit_count() if world == WHOLE else size


@settings(deadline=None)
@given(tables(), st.data())
def test_what_a_row_leaves_of_another_is_all_of_it_and_no_more(table: BoxTable, data: st.DataObject) -> None:
    places = st.integers(0, len(table) - 1)
    row, other = table.rows[data.draw(places)], table.rows[data.draw(places)]
    for world in (WHOLE, FRAGMENT):
        if not row.worlds & world:
            continue
        parts = difference(row, other, world)
        shared = intersection(row, other)
        both = 0 if shared is None or not shared.worlds & world else volume(shared, world, table.version)
        # Parts of the row, apart from the other row and from each other, that fill the rest.
        assert sum(volume(part, world, table.version) for part in parts) == volume(row, world, table.version) - both
        for at, part in enumerate(parts):
            assert row_covers(row, part, world)
            for apart in (other, *parts[:at]):
                met = intersection(part, apart)
                assert met is None or not met.worlds & world
