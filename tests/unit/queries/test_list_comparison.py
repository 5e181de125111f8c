"""Which lines are common to two lists, and what happens where the answer would be too large."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from model_builders import access_list, device, line

from pathcheck.errors import CapacityError, InternalFault
from pathcheck.evaluator.access_list import ListDecision
from pathcheck.model.access_list import Action, Line
from pathcheck.queries.list_comparison import ListSide, compare_lists
from pathcheck.queries.list_difference import common_lines, list_difference
from pathcheck.results.path import LineUse


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ("", "abc", 0),
        ("abc", "abc", 3),
        ("abc", "bca", 2),
        ("aab", "aba", 2),
        ("abcdef", "azcyef", 4),
        ("abcdef", "fedcba", 1),
        ("aaaa", "aa", 2),
    ],
)
def test_common_lines_are_in_order_in_both(first: str, second: str, expected: int) -> None:
    pairs = common_lines(first, second)
    assert len(pairs) == expected
    assert all(first[one] == second[other] for one, other in pairs)
    for column in (0, 1):
        places = [pair[column] for pair in pairs]
        assert places == sorted(set(places))


def test_common_lines_of_random_lists() -> None:
    draw = random.Random(5)
    for _ in range(200):
        first, second = ([draw.randrange(6) for _ in range(draw.randrange(12))] for _ in "ab")
        pairs = common_lines(first, second)
        assert all(first[one] == second[other] for one, other in pairs)
        assert pairs == sorted(set(pairs))
        assert [other for _, other in pairs] == sorted({other for _, other in pairs})


def many_lines(count: int) -> list[Line]:
    return [
        line(
            "permit" if n % 3 else "deny",
            "tcp",
            f"10.{n % 7}.{n}.0/24",
            "any",
            destination_ports=str(n),
            sequence=n + 1,
        )
        for n in range(count)
    ]


def sides(first: list[Line], second: list[Line]) -> tuple[ListSide, ListSide]:
    a, b = access_list("A", *first), access_list("B", *second)
    quay = device("quay-a", a, b)
    return ListSide(quay, a), ListSide(quay, b)


def test_time_that_does_not_suffice_is_an_error_that_says_what_to_do() -> None:
    lines = many_lines(40)
    before, after = sides(lines, lines[::-1])
    assert list_difference(before, after).is_empty
    before, after = sides(lines, [replace(one, action=Action.PERMIT) for one in lines])
    with pytest.raises(CapacityError, match="given up") as caught:
        list_difference(before, after, patience=-1)
    assert caught.value.help is not None


def test_more_regions_than_are_wanted_are_cut_and_more_than_can_be_given_are_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before, after = sides(many_lines(30), [one for one in many_lines(30) if one.action is Action.DENY])
    whole = compare_lists(before, after)
    assert len(whole.closed) > 5
    assert not whole.cut
    cut = compare_lists(before, after, show=5)
    assert (len(cut.closed), cut.cut) == (5, True)
    monkeypatch.setattr("pathcheck.queries.list_comparison.MOST", 5)
    with pytest.raises(CapacityError, match="more than 5 regions"):
        compare_lists(before, after)


def test_one_changed_line_among_many_is_looked_at_alone() -> None:
    lines = many_lines(200)
    before, after = sides(
        lines, [replace(one, destination_ports=None) if n == 100 else one for n, one in enumerate(lines)]
    )
    found = compare_lists(before, after)
    assert not found.closed
    assert {item.region.box.source for item in found.opened} == {lines[100].source}
    assert {(item.before.text, item.after.span) for item in found.opened} == {("implicit deny", lines[100].span)}


def test_an_empty_list_differs_from_one_that_denies() -> None:
    before, after = sides([], [line("deny")])
    found = compare_lists(before, after)
    assert [item.before.text for item in found.closed] == ["implicit permit"]
    assert [reading.key for reading in found.readings] == ["undefined_list"]
    assert compare_lists(*sides([], [])).is_equal


def test_a_sample_that_the_evaluator_decides_otherwise_is_never_given_out(monkeypatch: pytest.MonkeyPatch) -> None:
    before, after = sides(many_lines(3), many_lines(2))
    monkeypatch.setattr(
        "pathcheck.queries.list_comparison.evaluate_list",
        lambda *_: ListDecision(Action.PERMIT, LineUse("A", "permit", "implicit permit")),
    )
    with pytest.raises(InternalFault, match="the evaluator says"):
        compare_lists(before, after)
