"""RFC 8519: lists as JSON of the standard model, read from text and decided packet by packet.

The model has no action for a packet that no entry matches ("no_match"); a list that is read here ends as each other
list does, so such a packet meets the end of the list.
"""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import pytest
from references.list_checks import decide, idle_lines, packet_of
from references.published import Case, document, published

from pathcheck.model.access_list import Action, Family, Line, UnreadLine
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device
from pathcheck.parser.device_files import read_device_files
from pathcheck.parser.yang_json import read_yang_json

SOURCE = "rfc8519-acl-cases"


def json_of(*lists: dict[str, Any]) -> bytes:
    """Write lists as the document that a device's file is."""
    return json.dumps({"ietf-access-control-list:acls": {"acl": list(lists)}}, indent=1).encode()


@cache
def device_of(rule_set: str) -> Device:
    """Read the device that has one rule set as its only list."""
    files = [("quay-a.json", json_of(document(SOURCE)["rule_sets"][rule_set]))]
    parsed = read_device_files(files, default_name="quay-a", assume=Assumptions())
    (device,) = parsed.devices
    assert not parsed.findings
    return device


def entry_names(rule_set: str) -> list[str]:
    """Return the names of the entries in their order."""
    return [entry["name"] for entry in document(SOURCE)["rule_sets"][rule_set]["aces"]["ace"]]


@pytest.mark.parametrize("case", published(SOURCE, "acl_yang"))
def test_packet_of_a_printed_list(case: Case) -> None:
    # RFC 8519 sections 3, 4.1, 4.2, 4.3 and 4.4; the packets are derived.
    rule_set = case.inputs["rule_set"]
    device, packet = device_of(rule_set), packet_of(case.inputs["packet"])
    family: Family = "ipv4" if packet.version == 4 else "ipv6"
    name = document(SOURCE)["rule_sets"][rule_set]["name"]
    if device.access_list(family, name) is None:
        # A list of the other IP version never meets the packet.
        assert case.expected["forwarding"] == "no_match"
        assert {f for f, _ in device.access_lists} == {"ipv6" if family == "ipv4" else "ipv4"}
        return
    action, line = decide(device, family, name, packet)
    assert (None if line is None else entry_names(rule_set)[line - 1]) == case.expected["ace"]
    assert action is (Action.PERMIT if case.expected["forwarding"] == "accept" else Action.DENY)


@pytest.mark.parametrize("case", published(SOURCE, "shadowing"))
def test_entry_that_cannot_match(case: Case) -> None:
    # RFC 8519 section 3, derived.
    rule_set = case.inputs["rule_set"]
    name = document(SOURCE)["rule_sets"][rule_set]["name"]
    idle = [entry_names(rule_set)[number - 1] for number in idle_lines(device_of(rule_set), "ipv4", name)]
    assert idle == case.expected["shadowed_aces"]
    assert idle_lines(device_of("derived-first-match"), "ipv4", "first-match") == []


@pytest.mark.parametrize("case", published(SOURCE, "range_valid"))
def test_lower_port_is_not_above_the_upper_port(case: Case) -> None:
    # RFC 8519 section 4.2, constraint stated, ranges derived.
    for (lower, upper), valid in zip(case.inputs["ranges"], case.expected["valid"], strict=True):
        matches = {"tcp": {"source-port": {"lower-port": lower, "upper-port": upper}}}
        entry = {"name": "rule1", "matches": matches, "actions": {"forwarding": "accept"}}
        read = read_yang_json(
            "quay-a.json", json_of({"name": "ports", "type": "ipv4-acl-type", "aces": {"ace": [entry]}})
        )
        (line,) = read.access_lists["ipv4", "ports"].lines
        assert isinstance(line, Line) == valid
        assert isinstance(line, UnreadLine) == bool(read.findings) == (not valid)


@pytest.mark.parametrize("case", published(SOURCE, "rule", where=lambda case: "identities" in case.inputs))
def test_forwarding_actions(case: Case) -> None:
    # RFC 8519 section 4.1. Whether a refusal is announced (reject) or not (drop) does not change what passes.
    for identity, permits in zip(case.inputs["identities"], case.expected["permits"], strict=True):
        entry = {"name": "rule1", "matches": {}, "actions": {"forwarding": identity}}
        read = read_yang_json(
            "quay-a.json", json_of({"name": "one", "type": "ipv4-acl-type", "aces": {"ace": [entry]}})
        )
        (line,) = read.access_lists["ipv4", "one"].lines
        assert isinstance(line, Line)
        assert (line.action is Action.PERMIT) == permits


@pytest.mark.parametrize("case", published(SOURCE, "rule", where=lambda case: "ace_list" in case.expected))
def test_entries_keep_the_order_of_the_user(case: Case) -> None:
    # RFC 8519 section 4.1, stated: ordered by the user, not by name.
    assert case.expected["ace_list"] == "ordered-by user"
    for rule_set in ("derived-first-match", "derived-first-match-reversed"):
        (access_list,) = device_of(rule_set).access_lists.values()
        actions = ["accept" if line.action is Action.PERMIT else "drop" for line in access_list.lines]
        given = document(SOURCE)["rule_sets"][rule_set]["aces"]["ace"]
        assert actions == [entry["actions"]["forwarding"] for entry in given]
        assert [line.sequence for line in access_list.lines] == sorted(line.sequence for line in access_list.lines)
