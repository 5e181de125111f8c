"""Shorter lists: equivalent by sets and packet by packet, stable, never longer, and the file else untouched."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from strategies import list_devices, packets

from pathcheck.dataplane.first_match import filter_packets
from pathcheck.errors import InternalFault, UsageError
from pathcheck.evaluator import evaluate_list
from pathcheck.fleet import load_fleet
from pathcheck.model.access_list import AccessList, Action, Line
from pathcheck.model.device import Device
from pathcheck.packet.ranges import Ranges
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.queries.list_difference import ListSide, list_difference
from pathcheck.queries.tidy import rewritten_files, tidy_list
from pathcheck.queries.tidy.second_proof import prove_alike

# ---- lists of a few neighbouring values, as text, so that lines join and shadow -----------------------------

SOURCES = {
    "wildcard": ["any", "host 10.1.20.0", "host 10.1.20.1", "10.1.20.2 0.0.0.1", "10.1.20.0 0.0.0.1",
                 "10.1.20.0 0.0.0.254", "10.1.20.1 0.0.0.254"],
    "prefix": ["any", "host 10.1.20.0", "10.1.20.1/32", "10.1.20.2/31", "10.1.20.0/31"],
    "ipv6": ["any", "host 2001:db8::", "2001:db8::1/128", "2001:db8::2/127", "2001:db8::/127"],
}  # fmt: skip
PORTS = ["", "", " eq 80", " eq 81", " eq www", " range 82 90", " lt 80", " gt 90", " neq 80", " eq 80 443"]
HEADERS = {
    "wildcard": "ip access-list extended QUAY-IN",
    "prefix": "ip access-list QUAY-IN",
    "ipv6": "ipv6 access-list QUAY-IN",
}


@st.composite
def list_texts(draw: st.DrawFn) -> str:
    """A configuration with one list between other lines; numbered or not, in one block or in two."""
    form = draw(st.sampled_from(sorted(SOURCES)))
    ends = st.sampled_from(SOURCES[form])
    everything = "ipv6" if form == "ipv6" else "ip"
    numbered = draw(st.booleans())
    in_one_line = form == "wildcard" and draw(st.integers(0, 3)) == 0
    lead = "access-list 110 " if in_one_line else " "
    body = []
    for place in range(draw(st.integers(1, 9))):
        if draw(st.integers(0, 4)) == 0:
            body.append(f"{lead}remark {draw(st.sampled_from(['tills', '--- quay ---', 'é permit ip any any']))}")
        action = draw(st.sampled_from(["permit", "permit", "deny"]))
        protocol = draw(st.sampled_from([everything, "tcp", "tcp", "udp"]))
        ports = [draw(st.sampled_from(PORTS)) if protocol in ("tcp", "udp") else "" for _ in range(2)]
        log = draw(st.sampled_from(["", "", "", " log"]))
        number = f"{10 * place + 10} " if numbered and not in_one_line else ""
        body.append(f"{lead}{number}{action} {protocol} {draw(ends)}{ports[0]} {draw(ends)}{ports[1]}{log}")
    lines = ["hostname quay-a", "!"]
    if in_one_line:
        lines += body
    else:
        cut = draw(st.integers(0, len(body)))
        lines += [HEADERS[form], *body[:cut]]
        if cut < len(body):
            lines += ["!", "ip route 10.9.0.0 255.255.0.0 10.1.99.1", HEADERS[form], *body[cut:]]
    return "\n".join([*lines, "!", "interface Vlan20", " ip address 10.1.20.1 255.255.255.0", ""])


def decided(device: Device, access_list: AccessList) -> dict[Action | None, PacketSet]:
    """What a list permits, denies and leaves open."""
    space = packet_space(4 if access_list.family == "ipv4" else 6)
    holding = with_list(device, access_list)
    parts = filter_packets(holding, access_list.family, access_list.name, space.full)
    return {
        action: space.union(part.packets for part in parts if part.action is action)
        for action in (Action.PERMIT, Action.DENY, None)
    }


def with_list(device: Device, access_list: AccessList) -> Device:
    return replace(device, access_lists={**device.access_lists, (access_list.family, access_list.name): access_list})


@settings(deadline=None, max_examples=40)
@given(list_devices(4, most=10) | list_devices(6, most=10), st.data())
def test_any_list_stays_equivalent_and_is_not_longer(device: Device, data: st.DataObject) -> None:
    for access_list in device.access_lists.values():
        result = tidy_list(device, access_list)
        assert result.proof.sets_equal
        assert result.proof.finished
        assert len(result.after.lines) <= len(access_list.lines)
        assert bool(result.after.lines) == bool(access_list.lines)
        assert decided(device, result.after) == decided(device, access_list)
        version = 4 if access_list.family == "ipv4" else 6
        for packet in data.draw(st.lists(packets(version), min_size=1, max_size=5)):
            answers = [
                evaluate_list(with_list(device, one), one.family, one.name, packet)
                for one in (access_list, result.after)
            ]
            assert answers[0].action is answers[1].action
            assert answers[0].doubts == answers[1].doubts


@settings(deadline=None, max_examples=40)
@given(list_texts())
def test_a_text_is_tidied_once_and_for_all_and_nothing_else_in_it_changes(text: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "quay-a.cfg"
        file.write_bytes(text.replace("\n", "\r\n").encode())
        loaded = load_fleet(folder)
        (device,) = loaded.config.devices.values()
        (access_list,) = device.access_lists.values()
        result = tidy_list(device, access_list)
        assert decided(device, result.after) == decided(device, access_list)
        assert tidy_list(device, result.after).is_tidy
        changes = rewritten_files(loaded, device, [result])
        assert bool(changes) == (not result.is_tidy)
        for change in changes:
            assert change.before == file.read_bytes()
            file.write_bytes(change.after)
            again = load_fleet(folder)
            (changed,) = again.config.devices.values()
            (shorter,) = changed.access_lists.values()
            assert decided(changed, shorter) == decided(device, access_list)
            assert tidy_list(changed, shorter).is_tidy
            # Lines that stay are the bytes they were, in the order they had; nothing outside of the list went.
            old, new = change.before.split(b"\r\n"), change.after.split(b"\r\n")
            inside = {entry.span.line for entry in access_list.entries}
            outside = [line for number, line in enumerate(old, 1) if number not in inside]
            fresh = {text.encode() for _, text in result.new_texts if text is not None}
            kept = iter(old)
            assert all(line in kept for line in new if line not in fresh)
            assert all(line in new for line in outside)


@settings(deadline=None, max_examples=40)
@given(list_texts(), st.data())
def test_the_second_method_sees_what_differs(text: str, data: st.DataObject) -> None:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "quay-a.cfg").write_text(text)
        (device,) = load_fleet(folder).config.devices.values()
    (access_list,) = device.access_lists.values()
    entries = list(access_list.entries)
    places = [place for place, entry in enumerate(entries) if isinstance(entry, Line)]
    place = data.draw(st.sampled_from(places))
    line = entries[place]
    assert isinstance(line, Line)
    turned = Action.DENY if line.action is Action.PERMIT else Action.PERMIT
    spoilt = data.draw(
        st.sampled_from([replace(line, action=turned), None, replace(line, destination_ports=Ranges.single(443))])
    )
    assume(spoilt is None or spoilt.destination_ports is None or line.protocol in (6, 17))
    entries[place : place + 1] = [] if spoilt is None else [spoilt]
    other = replace(access_list, entries=tuple(entries))
    assume(other.lines)
    same = list_difference(ListSide(device, access_list), ListSide(device, other)).is_empty
    if same:
        assert prove_alike(device, access_list, other).finished
    else:
        with pytest.raises(InternalFault):
            prove_alike(device, access_list, other)


def test_the_second_method_says_when_it_stops() -> None:
    text = "\n".join(["ip access-list extended QUAY-IN", *(f" permit tcp any any eq {2 * n}" for n in range(40)),
                      " permit tcp any any"])  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "quay-a.cfg").write_text(text)
        (device,) = load_fleet(folder).config.devices.values()
    (access_list,) = device.access_lists.values()
    shorter = replace(access_list, entries=access_list.entries[-1:])
    assert prove_alike(device, access_list, shorter).finished
    assert not prove_alike(device, access_list, shorter, most_cells=3).finished
    assert not prove_alike(device, access_list, shorter, most_looks=3).finished


def test_lines_that_undo_others_are_not_taken_apart() -> None:
    # The second line with the number 10 hides the first: without it, the first would act.
    text = (
        "ip access-list extended QUAY-IN\n 10 deny ip any any\n 10 permit tcp any any\n 20 permit tcp any any eq 22\n"
    )
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "quay-a.cfg"
        file.write_text(text)
        loaded = load_fleet(folder)
        (device,) = loaded.config.devices.values()
        (access_list,) = device.access_lists.values()
        result = tidy_list(device, access_list)
        assert [line.sequence for line in result.after.lines] == [10]
        (change,) = rewritten_files(loaded, device, [result])
        assert change.after == text.encode()[: text.index(" 20")]
        file.write_text(text.replace("10 permit tcp any any\n", "10 permit tcp any any eq 22\n"))
        loaded = load_fleet(folder)
        (device,) = loaded.config.devices.values()
        (access_list,) = device.access_lists.values()
        # Of two equal lines the second goes; nothing is lost.
        assert rewritten_files(loaded, device, [tidy_list(device, access_list)])
        file.write_text(text.replace("20 permit", "5 permit"))
        loaded = load_fleet(folder)
        (device,) = loaded.config.devices.values()
        (access_list,) = device.access_lists.values()
        result = tidy_list(device, access_list)
        file.write_text("hostname other\n" + text)
        with pytest.raises(UsageError, match="changed since"):
            rewritten_files(loaded, device, [result])
