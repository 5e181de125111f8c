"""The lists of RFC 6192 as a fleet of one device (corpora/rfc6192-lists)."""

from __future__ import annotations

from pathlib import Path

import pytest
from references.list_checks import decide, idle_lines, packet_of
from references.published import Case, document, published

from pathcheck.fleet import load_fleet
from pathcheck.model.access_list import Action, Line
from pathcheck.model.device import Device
from pathcheck.packet.address import Address
from pathcheck.packet.wildcard import AddressMatch

CORPUS = Path(__file__).parents[2] / "corpora" / "rfc6192-lists"
SOURCE = "rfc6192-control-plane-acl"


def router() -> Device:
    """Read the device."""
    return load_fleet(CORPUS).config.devices["core-router"]


def test_lists_are_those_that_are_printed() -> None:
    # RFC 6192 appendix A.1.
    device = router()
    assert len(device.access_lists) == len(document(SOURCE)["acls"])
    for name, given in document(SOURCE)["acls"].items():
        lines = device.access_lists[given["family"], name].lines
        assert [line.span.words for line in lines] == given["lines"]
        assert all(isinstance(line, Line) for line in lines)
        assert idle_lines(device, given["family"], name) == []


@pytest.mark.parametrize("case", published(SOURCE, "wildcard_check"))
def test_lines_with_wrong_masks(case: Case) -> None:
    # RFC 6192 section 3.1 (intended) and appendix A.1 (printed), both stated.
    name = case.id.rpartition("-")[2].upper()
    (line,) = router().access_lists["ipv4", name].lines
    assert line.span.words == case.inputs["line"]
    assert isinstance(line, Line)
    base, mask = Address.parse(case.inputs["base"]), Address.parse(case.inputs["wildcard"])
    assert line.source == AddressMatch.wildcard(base, mask)
    assert isinstance(line.source, AddressMatch)
    assert line.source.size == case.expected["addresses_matched"]


# RFC 6192 section 3.1 and appendix A.1, packets derived; the table of the corpus's README.
ANSWERS = [
    ("DNS", "udp", "198.51.100.1", 53, 40000, None),
    ("DNS", "udp", "198.51.100.4", 53, 40000, 1),
    ("NTP", "udp", "198.51.100.5", 40000, 123, None),
    ("NTP", "udp", "203.0.113.8", 40000, 123, 1),
    ("SSH", "tcp", "198.51.100.130", 40000, 22, None),
    ("SSH", "tcp", "198.51.100.0", 40000, 22, 1),
    ("SNMP", "udp", "198.51.100.128", 40000, 161, 1),
    ("IBGP", "tcp", "192.0.2.7", 179, 179, 1),
    ("RADIUS", "udp", "198.51.100.9", 1645, 40000, None),
]


@pytest.mark.parametrize(("name", "protocol", "source", "source_port", "destination_port", "line"), ANSWERS)
def test_expected_answers(
    name: str, protocol: str, source: str, source_port: int, destination_port: int, line: int | None
) -> None:
    packet = packet_of({
        "source": source, "destination": "192.0.2.1", "protocol": protocol, "source_port": source_port,
        "destination_port": destination_port,
    })  # fmt: skip
    assert decide(router(), "ipv4", name, packet) == (Action.DENY if line is None else Action.PERMIT, line)


@pytest.mark.parametrize(
    ("family", "name", "source", "destination"),
    [("ipv4", "FRAGMENTS", "203.0.113.5", "192.0.2.1"), ("ipv6", "FRAGMENTSv6", "2001:db8:9::5", "2001:db8::1")],
)
def test_only_later_fragments_are_fragments(family: str, name: str, source: str, destination: str) -> None:
    # RFC 6192 section 3.1: any IP fragment; `fragments` means non-initial ones (common practice, no source).
    fields = {"source": source, "destination": destination, "protocol": "udp"}
    family_word = "ipv4" if family == "ipv4" else "ipv6"
    assert decide(router(), family_word, name, packet_of({**fields, "fragment": True})) == (Action.PERMIT, 1)
    assert decide(router(), family_word, name, packet_of({**fields, "destination_port": 53})) == (Action.DENY, None)


def test_what_reading_says_about_the_wrong_masks() -> None:
    # The mask of NTP looks like a netmask; those of SSH and SNMP leave a bit free that the address sets.
    found = {(item.code, item.span.words.split()[3]) for item in load_fleet(CORPUS).report.findings if item.span}
    assert found == {("PC407", "255.255.255.252"), ("PC406", "0.0.0.128")}
