"""Published lists, tidied and held against each other: what the cases call redundant or shadowed is what goes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from references.list_checks import FORMS, device_of, list_text, permitted, rule_lines
from references.published import Case, document, published

from pathcheck.fleet import load_fleet
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.parser.device_files import read_device_files
from pathcheck.queries.list_comparison import ListSide, compare_lists
from pathcheck.queries.tidy import rewritten_files, tidy_list
from pathcheck.results.tidy import TidyResult

ORDER, CIDR, MODEL, CLASSES = (
    "rfc2544-filter-order", "rfc4632-cidr", "rfc8519-acl-cases", "rfc6192-control-plane-acl"
)  # fmt: skip
CORPUS = Path(__file__).parents[2] / "corpora" / "rfc6192-lists"


def read(lines: list[str]) -> Device:
    return device_of(list_text("RULES", lines))


def gone(result: TidyResult) -> list[int]:
    """The numbers, from 1, of the lines that are no longer there in any form."""
    numbers = {line.span: number for number, line in enumerate(result.before.lines, 1)}
    return [numbers[change.span] for change in result.changes if change.kind == "removed"]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("case", published(ORDER, "redundancy"))
def test_redundant_lines_of_a_benchmark_filter_go(case: Case, form: str) -> None:
    # RFC 2544 section 11.4.1, derived.
    device = read(rule_lines(document(ORDER)["rule_sets"][case.inputs["rule_set"]]["rules"], form))
    access_list = device.access_lists["ipv4", "RULES"]
    result = tidy_list(device, access_list)
    assert gone(result) == case.expected["redundant_rules"]
    assert result.proof.finished
    left = len(access_list.lines) - len(case.expected["redundant_rules"])
    assert len(result.after.lines) == left == 2


@pytest.mark.parametrize("case", published(ORDER, "order_independent"))
def test_order_that_changes_nothing_is_equal(case: Case) -> None:
    # RFC 2544 section 11.4.1, derived.
    lines = rule_lines(document(ORDER)["rule_sets"][case.inputs["rule_set"]]["rules"], "wildcard")
    first, second, last_first = read(lines), read([*lines[:-1][::-1], lines[-1]]), read([lines[-1], *lines[:-1]])
    sides = [ListSide(device, device.access_lists["ipv4", "RULES"]) for device in (first, second, last_first)]
    assert compare_lists(sides[0], sides[1]).is_equal is not case.expected["verdicts_change"]
    found = compare_lists(sides[0], sides[2])
    assert found.closed
    assert not found.opened


@pytest.mark.parametrize("case", published(CIDR, "shadowing"))
def test_shadowed_prefix_goes(case: Case) -> None:
    # RFC 4632 section 5.3 with its lines in the other order, derived.
    rules = [
        {"action": "permit" if rule["action"] == "accept" else "deny", "source": rule["prefix"]}
        for rule in case.inputs["rules"]
    ]
    device = read(rule_lines(rules, "wildcard"))
    assert gone(tidy_list(device, device.access_lists["ipv4", "RULES"])) == case.expected["shadowed_rules"]


@pytest.mark.parametrize("case", published(MODEL, "shadowing"))
def test_shadowed_entry_of_the_standard_model_goes(case: Case) -> None:
    # RFC 8519 section 3, derived.
    rule_set: dict[str, Any] = document(MODEL)["rule_sets"][case.inputs["rule_set"]]
    data = json.dumps({"ietf-access-control-list:acls": {"acl": [rule_set]}}, indent=1).encode()
    parsed = read_device_files([("quay-a.json", data)], default_name="quay-a", assume=Assumptions())
    (device,) = parsed.devices
    (access_list,) = device.access_lists.values()
    names = [entry["name"] for entry in rule_set["aces"]["ace"]]
    result = tidy_list(device, access_list)
    assert set(case.expected["shadowed_aces"]) <= {names[number - 1] for number in gone(result)}
    assert permitted(device, "ipv4", access_list.name) == permitted(
        Device("quay-a", access_lists={("ipv4", access_list.name): result.after}), "ipv4", access_list.name
    )
    # Data has no lines that could be kept, so the list is written anew.
    assert not result.as_written
    assert "permit" in result.text or "deny" in result.text


def test_no_line_of_the_control_plane_lists_goes_but_neighbours_join() -> None:
    # RFC 6192 appendix A.1: no line is shadowed; ports 1812 and 1813 of RADIUS are neighbours.
    loaded = load_fleet(CORPUS)
    device = loaded.config.devices["core-router"]
    results = [tidy_list(device, one) for one in device.access_lists.values()]
    assert all(result.proof.sets_equal and result.proof.finished and not gone(result) for result in results)
    shorter = {result.before.name: len(result.after.lines) for result in results if not result.is_tidy}
    assert shorter == {"RADIUS": 2, "RADIUSv6": 2}
    (change,) = rewritten_files(loaded, device, [result for result in results if not result.is_tidy])
    assert change.after.count(b"range 1812 1813") == 4


@pytest.mark.parametrize("case", published(CLASSES, "shadowing"))
def test_lists_of_two_classes_differ(case: Case) -> None:
    # RFC 6192 appendix A.1, derived: neither list holds the other.
    device = load_fleet(CORPUS).config.devices["core-router"]
    first, second = (device.access_lists["ipv4", name] for name in case.inputs["acls"])
    found = compare_lists(ListSide(device, first), ListSide(device, second))
    assert bool(found.opened) == bool(found.closed) == (not case.expected["shadowed_rules"])
