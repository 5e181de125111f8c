"""Published lists, each read from text in both spellings and decided packet by packet."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from references.list_checks import (
    FORMS,
    address_words,
    decide,
    device_of,
    idle_lines,
    list_text,
    packet_of,
    permitted,
    rule_lines,
)  # fmt: skip
from references.published import Case, all_cases, document, published

from pathcheck.model.access_list import Action, Line
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import TCP, UDP
from pathcheck.packet.wildcard import AddressMatch

INGRESS, ORDER, CLASSES = "rfc2827-ingress-filter", "rfc2544-filter-order", "rfc6192-control-plane-acl"
CIDR, ROUTER, REVERSE, FLOWS = "rfc4632-cidr", "rfc1812-forwarding", "rfc3704-reverse-path", "rfc8955-flow-match"
WORD = {"permit": Action.PERMIT, "accept": Action.PERMIT, "deny": Action.DENY, "no_match": Action.DENY}


def read_rules(rules: Any, form: str) -> Any:
    """Read rules as a device with the list `RULES`."""
    return device_of(list_text("RULES", rule_lines(rules, form)))


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("case", published(INGRESS, "acl") + published(ORDER, "acl"))
def test_rules_of_source_and_destination(case: Case, form: str) -> None:
    # RFC 2827 sections 2, 3 and 5; RFC 2544 section 11.4.1. What is not stated there is marked in the data.
    device = read_rules(document(case.source)["rule_sets"][case.inputs["rule_set"]]["rules"], form)
    for protocol in (253, TCP, UDP):
        packet = packet_of({**case.inputs["packet"], "protocol": protocol})
        assert decide(device, "ipv4", "RULES", packet) == (WORD[case.expected["action"]], case.expected["rule"])


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("case", published(ORDER, "redundancy"))
def test_lines_that_the_last_line_makes_redundant(case: Case, form: str) -> None:
    # RFC 2544 section 11.4.1, derived.
    rules = document(ORDER)["rule_sets"][case.inputs["rule_set"]]["rules"]
    device = read_rules(rules, form)
    whole = permitted(device, "ipv4", "RULES")
    redundant = [
        number
        for number in range(1, len(rules))
        if permitted(read_rules(rules[: number - 1] + rules[number:], form), "ipv4", "RULES") == whole
    ]
    assert redundant == case.expected["redundant_rules"]
    assert idle_lines(device, "ipv4", "RULES") == case.expected["shadowed_rules"]


@pytest.mark.parametrize("case", published(ORDER, "order_independent"))
def test_order_that_changes_nothing(case: Case) -> None:
    # RFC 2544 section 11.4.1, derived.
    rules = document(ORDER)["rule_sets"][case.inputs["rule_set"]]["rules"]
    whole = permitted(read_rules(rules, "prefix"), "ipv4", "RULES")
    head, last = rules[:-1], rules[-1:]
    for changed in (head[::-1], head[7:] + head[:7], sorted(head, key=lambda rule: rule["destination"])):
        assert permitted(read_rules(changed + last, "prefix"), "ipv4", "RULES") == whole
    # Here order does count: with the last line first nothing is permitted.
    assert permitted(read_rules(last + head, "prefix"), "ipv4", "RULES").is_empty


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("case", published(CIDR, "ordered_prefix_filter"))
def test_ordered_filter_of_prefixes(case: Case, form: str) -> None:
    # RFC 4632 section 5.3, packets derived. "no match" is the implicit deny of a list.
    lines = [
        f"{'permit' if rule['action'] == 'accept' else 'deny'} {address_words(rule['prefix'], form)}"
        for rule in case.inputs["rules"]
    ]
    device = device_of("\n".join(["ip access-list standard 10", *(f" {line}" for line in lines), ""]))
    packet = packet_of({"source": case.inputs["address"], "destination": "192.0.2.1"})
    assert decide(device, "ipv4", "10", packet) == (WORD[case.expected["action"]], case.expected["rule"])


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("case", published(CIDR, "shadowing"))
def test_shadowed_prefix(case: Case, form: str) -> None:
    # RFC 4632 section 5.3 with its lines in the other order, derived.
    rules = [
        {"action": "permit" if rule["action"] == "accept" else "deny", "source": rule["prefix"]}
        for rule in case.inputs["rules"]
    ]
    assert idle_lines(read_rules(rules, form), "ipv4", "RULES") == case.expected["shadowed_rules"]
    assert idle_lines(read_rules(rules[::-1], form), "ipv4", "RULES") == []


@pytest.mark.parametrize("case", published(CLASSES, "shadowing"))
def test_no_line_of_one_list_covers_a_line_of_the_other(case: Case) -> None:
    # RFC 6192 appendix A.1, derived.
    a, b = (document(CLASSES)["acls"][name]["lines"] for name in case.inputs["acls"])
    for lines in (a + b, b + a):
        assert idle_lines(device_of(list_text("BOTH", lines)), "ipv4", "BOTH") == case.expected["shadowed_rules"]


@pytest.mark.parametrize("case", published(CLASSES, "acl_class"))
def test_class_of_a_packet(case: Case) -> None:
    # RFC 6192 section 3.1 and appendix A.1, packets derived. "permit" there means "belongs to the class".
    name = case.inputs["acl"]
    device = device_of(list_text(name, document(CLASSES)["acls"][name]["lines"]))
    action, line = decide(device, "ipv4", name, packet_of(case.inputs["packet"]))
    assert (action is Action.PERMIT, line) == (case.expected["in_class"], case.expected["line"])


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("case", published(ROUTER, "include_exclude"))
def test_include_and_exclude_lists(case: Case, form: str) -> None:
    # RFC 1812 section 5.3.9, prefixes derived.
    include = case.inputs["list_type"] == "include"
    word = "permit" if include else "deny"
    rules = [{"action": word, "source": prefix} for prefix in case.inputs["source_prefixes"]]
    device = read_rules(rules if include else [*rules, {"action": "permit"}], form)
    action, _ = decide(
        device, "ipv4", "RULES", packet_of({"source": case.inputs["source"], "destination": "192.0.2.1"})
    )
    assert (action is Action.PERMIT) == (case.expected["action"] == "forward")


@pytest.mark.parametrize("case", published(ROUTER, "any_forms"))
def test_ways_to_say_any_address(case: Case) -> None:
    # RFC 1812 section 5.3.9, stated: the keyword, a mask that compares no bit, a prefix of length 0.
    lines = ["permit ip any any", "permit ip 10.1.2.3 255.255.255.255 any", "permit ip 0.0.0.0/0 any"]
    entries = device_of(list_text("FORMS", lines)).access_lists["ipv4", "FORMS"].lines
    assert len(entries) == len(case.inputs["forms"])
    assert all(isinstance(entry, Line) and entry.source == AddressMatch.any(4) for entry in entries)
    assert len({replace(entry, sequence=1) for entry in entries}) == 1


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("case", published(ROUTER, "rule", where=lambda case: "prefix_lengths" in case.inputs))
def test_each_prefix_length_can_be_written(case: Case, form: str) -> None:
    # RFC 1812 section 5.3.9, stated.
    prefixes = [Prefix.containing(Address.parse("10.171.205.239"), length) for length in case.inputs["prefix_lengths"]]
    lines = rule_lines([{"action": "permit", "source": str(p), "destination": str(p)} for p in prefixes], form)
    entries = device_of(list_text("LENGTHS", lines)).access_lists["ipv4", "LENGTHS"].lines
    expected = [AddressMatch.prefix(prefix) for prefix in prefixes]
    assert [entry.source for entry in entries if isinstance(entry, Line)] == expected
    assert [entry.destination for entry in entries if isinstance(entry, Line)] == expected


@pytest.mark.parametrize("case", published(INGRESS, "rule"))
def test_diagnostic_ports_from_outside(case: Case) -> None:
    # RFC 2827 section 2, stated; the list is ours.
    lines = ["deny udp any any eq echo", "deny udp any any eq 19", "permit ip any any"]
    device = device_of(list_text("OUTSIDE-IN", lines))
    ports = case.inputs["ports"]
    for source_port, destination_port in ((ports["chargen"], ports["echo"]), (ports["echo"], ports["chargen"])):
        packet = packet_of({
            "source": "203.0.113.5", "destination": "192.0.2.1", "protocol": "udp", "source_port": source_port,
            "destination_port": destination_port,
        })  # fmt: skip
        assert decide(device, "ipv4", "OUTSIDE-IN", packet)[0] is WORD[case.expected["from_outside"]]


@pytest.mark.parametrize("case", published(REVERSE, "reverse_path", where=lambda case: case.inputs["mode"] == "acl"))
def test_reverse_path_by_list(case: Case) -> None:
    # RFC 3704 section 2.1, lists and packets derived.
    prefixes = document(REVERSE)["acl_lists"][case.inputs["received_on"]]
    device = read_rules([{"action": "permit", "source": prefix} for prefix in prefixes], "wildcard")
    packet = packet_of({"source": case.inputs["source"], "destination": "203.0.113.1"})
    assert (decide(device, "ipv4", "RULES", packet)[0] is Action.PERMIT) == case.expected["passes"]


@pytest.mark.parametrize("case", published(FLOWS, "flow_match"))
def test_port_of_either_end(case: Case) -> None:
    # RFC 8955 sections 4.2.2.4, 4.3.1 and 4.3.2, packets derived: "port" is the source or the destination port.
    spec = document(FLOWS)["flow_specs"][case.inputs["flow_spec"]]
    lines = []
    for protocol in spec.get("protocol", [TCP, UDP]):
        for low, high in spec["port"]:
            ports = f"eq {low}" if low == high else f"range {low} {high}"
            source, destination = (address_words(spec.get(end, "any"), "wildcard") for end in ("source", "destination"))
            lines += [
                f"permit {protocol} {source} {ports} {destination}",
                f"permit {protocol} {source} {destination} {ports}",
            ]
    device = device_of(list_text("FLOW", lines))
    action, _ = decide(device, "ipv4", "FLOW", packet_of(case.inputs["packet"]))
    assert (action is Action.PERMIT) == case.expected["matches"]


@pytest.mark.parametrize("case", published(FLOWS, "operator"))
def test_comparison_of_ports(case: Case) -> None:
    # RFC 8955 section 4.2.1.1 table 1, the value derived; `range` stands for what lists have no word for.
    value = case.inputs["value"]
    words = {
        "false": "gt 65535", "==": f"eq {value}", ">": f"gt {value}", ">=": f"range {value} 65535", "<": f"lt {value}",
        "<=": f"range 0 {value}", "!=": f"neq {value}", "true": "range 0 65535",
    }  # fmt: skip
    device = device_of(list_text("PORTS", [f"permit udp any any {words[case.expected['operation']]}"]))
    for data, expected in zip(case.inputs["data"], case.expected["matches"], strict=True):
        packet = packet_of({
            "source": "203.0.113.5", "destination": "192.0.2.1", "protocol": "udp", "destination_port": data,
        })  # fmt: skip
        assert (decide(device, "ipv4", "PORTS", packet)[0] is Action.PERMIT) == expected


# RFC 4890 sections 4.3 and 4.4 as lists: what must not and should not be dropped is permitted by name, the rest is
# refused with an explicit line, because the end of an IPv6 list permits neighbour discovery.
ICMPV6_LISTS = {
    "transit": (
        "permit icmp any any unreachable",
        "permit icmp any any packet-too-big",
        "permit icmp any any time-exceeded",
        "permit icmp any any parameter-problem",
        "permit icmp any any echo-request",
        "permit icmp any any echo-reply",
        "permit icmp any any dhaad-request",
        "permit icmp any any dhaad-reply",
        "permit icmp any any mpd-solicitation",
        "permit icmp any any mpd-advertisement",
        "deny icmp any any",
    ),
    "local": (
        "permit icmp any any unreachable",
        "permit icmp any any packet-too-big",
        "permit icmp any any hop-limit",
        "permit icmp any any reassembly-timeout",
        "permit icmp any any header",
        "permit icmp any any next-header",
        "permit icmp any any parameter-option",
        "permit icmp any any echo-request",
        "permit icmp any any echo-reply",
        "permit icmp any any mld-query",
        "permit icmp any any mld-report",
        "permit icmp any any mld-reduction",
        "permit icmp any any router-solicitation",
        "permit icmp any any router-advertisement",
        "permit icmp any any nd-ns",
        "permit icmp any any nd-na",
        "permit icmp any any 141",
        "permit icmp any any 142",
        "permit icmp any any 143",
        "permit icmp any any 148",
        "permit icmp any any 149",
        "permit icmp any any 151",
        "permit icmp any any 152",
        "permit icmp any any 153",
        "deny icmp any any",
    ),
}


@pytest.mark.parametrize("case", published("rfc4890-icmpv6-filtering", "icmpv6_class"))
def test_icmpv6_filter_by_the_book(case: Case) -> None:
    # RFC 4890 sections 4.3 and 4.4: classes stated, the lists ours.
    device = device_of(list_text("ICMPV6", ICMPV6_LISTS[case.inputs["scope"]], "ipv6"))
    wanted = Action.PERMIT if case.expected["class"] in ("must_not_drop", "should_not_drop") else Action.DENY
    ranges = case.inputs.get("type_ranges", [[case.inputs.get("type")] * 2])
    codes = case.inputs.get("codes", [0])
    for low, high in ranges:
        for icmp_type in {low, (low + high) // 2, high}:
            for code in (0, 255) if codes == "any" else codes:
                packet = packet_of({
                    "source": "2001:db8:20::7", "destination": "2001:db8:99::10", "protocol": 58,
                    "icmp_type": icmp_type, "icmp_code": code,
                })  # fmt: skip
                assert decide(device, "ipv6", "ICMPV6", packet)[0] is wanted


def test_each_line_of_rfc_6192_is_read() -> None:
    # RFC 6192 appendix A.1: 22 lists of both IP versions, as printed.
    for name, given in document(CLASSES)["acls"].items():
        lines = device_of(list_text(name, given["lines"], given["family"])).access_lists[given["family"], name].lines
        assert len(lines) == len(given["lines"])
        assert all(isinstance(line, Line) for line in lines)
        assert idle_lines(device_of(list_text(name, given["lines"], given["family"])), given["family"], name) == []


def test_wrong_masks_are_read_as_they_stand() -> None:
    # RFC 6192 appendix A.1: four lines with wrong wildcard masks match what the masks say, not what was meant.
    for case in all_cases(CLASSES):
        if case.kind == "wildcard_check":
            (line,) = device_of(list_text("PRINTED", [case.inputs["line"]])).access_lists["ipv4", "PRINTED"].lines
            assert isinstance(line, Line)
            assert isinstance(line.source, AddressMatch)
            assert line.source.size == case.expected["addresses_matched"]
