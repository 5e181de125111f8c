"""What may be merged across what, which remarks stay, and which lines are left alone."""

from __future__ import annotations

import pytest
from model_builders import access_list, device, line, span

from pathcheck.errors import InternalFault
from pathcheck.model.access_list import AccessList, Entry, Line, Remark
from pathcheck.model.object_group import GroupReference
from pathcheck.packetset.algebra import packet_space
from pathcheck.queries.list_difference import Difference
from pathcheck.queries.tidy import tidy_list
from pathcheck.queries.tidy.remarks import idle_remarks

PIERS = GroupReference("PIERS", "address")


def said(result_of: list[Line]) -> list[str]:
    """The lines of the tidied list in short."""
    entries = [
        Line(
            10 * place + 10, one.action, one.protocol, one.source, one.destination, one.source_ports,
            one.destination_ports, one.icmp, one.flags, one.dscp, one.fragments, one.log, one.doubt, one.options,
            span=span(f"{one.action.value} {place}", place + 1),
        )
        for place, one in enumerate(result_of)
    ]  # fmt: skip
    quay: AccessList = access_list("A", *entries)
    result = tidy_list(device("quay-a", quay), quay)
    assert result.proof.finished
    return [
        f"{one.action.value} {one.source} {one.destination_ports or ''}".strip()
        for one in result.after.lines
        if isinstance(one, Line)
    ]


def permit(source: str, ports: str | None = None, **more: object) -> Line:
    return line("permit", "tcp", source, "any", destination_ports=ports, **more)


def deny(source: str, ports: str | None = None, **more: object) -> Line:
    return line("deny", "tcp", source, "any", destination_ports=ports, **more)


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        pytest.param([permit("10.1.0.0/24", "80"), permit("10.1.1.0/24", "80")], ["permit 10.1.0.0/23 80"], id="up"),
        pytest.param([permit("10.1.1.0/24", "80"), permit("10.1.2.0/24", "80")],
                     ["permit 10.1.1.0/24 80", "permit 10.1.2.0/24 80"], id="no halves of one prefix"),
        pytest.param([permit(f"10.1.0.{n}", "80") for n in (3, 0, 2, 1)], ["permit 10.1.0.0/30 80"], id="four"),
        pytest.param([permit("10.1.0.0/24", "80"), deny("10.1.1.0/25", "80"), permit("10.1.1.0/24", "80")],
                     ["deny 10.1.1.0/25 80", "permit 10.1.0.0/23 80"], id="down, past what it does not meet"),
        pytest.param([permit("10.1.0.0/24", "80"), deny("10.1.0.0/23", "22-80"), permit("10.1.1.0/24", "80")],
                     ["permit 10.1.0.0/24 80", "deny 10.1.0.0/23 22-80", "permit 10.1.1.0/24 80"],
                     id="not past a line of the other action, though only fragments reach the last"),
        pytest.param([permit("10.1.0.0/24", "80-90"), permit("10.9.0.0/24", "85", log="log"),
                      permit("10.1.0.0/24", "91-99")],
                     ["permit 10.1.0.0/24 80-99", "permit 10.9.0.0/24 85"],
                     id="past a logging line that it does not meet"),
        pytest.param([permit("10.1.0.0/24", "80-90"), permit("any", "85-95", log="log"),
                      permit("10.1.0.0/24", "91-99")],
                     ["permit 10.1.0.0/24 80-90", "permit any 85-95", "permit 10.1.0.0/24 91-99"],
                     id="not past a line that logs some of its packets"),
        pytest.param([permit("any", "80-90"), permit("any", "85-100"), permit("any", "102")],
                     ["permit any 80-100", "permit any 102"], id="ranges that overlap"),
        pytest.param([permit("any", "0-79"), permit("any", "80-65535")], ["permit any 0-65535"], id="each port"),
        pytest.param([permit("10.0.0.0 0.255.0.255", "80"), permit("10.0.1.0 0.255.0.255", "80")],
                     ["permit 10.0.0.0 0.255.1.255 80"], id="masks that are no prefixes stay such"),
        pytest.param([permit("any", "80,443"), permit("any", "81")], ["permit any 80,443", "permit any 81"],
                     id="a list of ports is kept as it is written"),
        pytest.param([permit("10.1.0.0/25", "80"), permit("10.1.0.128/25", "80"), permit("10.1.0.0/24", "81")],
                     ["permit 10.1.0.0/24 80-81"], id="prefixes, then ports"),
        pytest.param([deny("any", "80"), permit("any", "80")], ["deny any 80", "permit any 80"],
                     id="a shadowed line that fragments still pass"),
        pytest.param([deny("any"), permit("any", "80")], ["deny any"], id="a shadowed line that nothing passes"),
        pytest.param([deny("10.1.0.1/32"), permit("10.1.0.1/32"), permit("10.1.0.1/32"), deny("any")], ["deny any"],
                     id="what only kept a dead line from acting"),
        pytest.param([deny("any", ""), deny("10.1.0.0/24", "")], ["deny any"], id="no list becomes empty"),
        pytest.param([permit("10.1.0.0/25", doubt="time"), permit("10.1.0.128/25", doubt="time")],
                     ["permit 10.1.0.0/25", "permit 10.1.0.128/25"], id="doubts"),
        pytest.param([permit("10.1.0.0/25"), deny("any", doubt="time"), permit("10.1.0.128/25")],
                     ["permit 10.1.0.0/25", "deny any", "permit 10.1.0.128/25"], id="not past doubts"),
    ],
)  # fmt: skip
def test_what_is_left_of_lines(lines: list[Line], expected: list[str]) -> None:
    assert said(lines) == expected


def test_lines_with_groups_are_kept_as_they_are_written() -> None:
    from model_builders import group, match

    quay = access_list(
        "A",
        line("permit", "tcp", PIERS, "any", destination_ports="80", sequence=10),
        line("permit", "tcp", PIERS, "any", destination_ports="81", sequence=20),
        line("permit", "tcp", "10.1.0.7", "any", destination_ports="81", sequence=30),
    )
    owner = device("quay-a", quay, group("PIERS", "address", match("10.1.0.0/24")))
    result = tidy_list(owner, quay)
    assert result.after.lines == quay.lines[:2]
    (change,) = result.changes
    assert (change.code, [cause.line for cause in change.because]) == ("PC102", [20])


def test_sequence_numbers_of_lines_that_stay_are_kept() -> None:
    quay = access_list(
        "A", permit("10.1.0.0/24", "80", sequence=7), permit("10.1.9.0/24", "80", sequence=8),
        permit("10.1.1.0/24", "80", sequence=9),
    )  # fmt: skip
    result = tidy_list(device("quay-a", quay), quay)
    assert [one.sequence for one in result.after.lines] == [7, 8]


# `r` is a remark, `R` the head of a section, `x` a line that goes, `l` one that stays.
@pytest.mark.parametrize(
    ("entries", "idle"),
    [
        ("rxrl", [0]),
        ("rxl", []),
        ("rrx", [0, 1]),
        ("Rrxrl", [1]),
        ("RrxRl", [0, 1]),
        ("RRxl", []),
        ("lr", []),
        ("xr", []),
        ("rxrxRr", [0, 2]),
        ("lrxx", [1]),
    ],
)
def test_remarks_stay_with_the_lines_they_speak_of(entries: str, idle: list[int]) -> None:
    made: list[Entry] = [
        Remark("--- tills ---" if kind == "R" else "tills", span=span()) if kind in "rR" else line("permit")
        for kind in entries
    ]
    kept = {place for place, kind in enumerate(entries) if kind == "l"}
    assert sorted(idle_remarks(made, kept)) == idle


def test_a_list_that_is_not_equivalent_is_never_given_out(monkeypatch: pytest.MonkeyPatch) -> None:
    quay = access_list("A", permit("10.1.0.0/24", "80"), deny("any"), permit("10.1.1.0/24", "80"), line("permit"))
    owner = device("quay-a", quay)
    monkeypatch.setattr(
        "pathcheck.queries.tidy.tidying.merge_neighbours",
        lambda _, parts: parts[1:] if parts[0].origin == 0 else parts,
    )
    with pytest.raises(InternalFault, match="withheld"):
        tidy_list(owner, quay)
    # Should the sets be wrong, too, the second method still sees it.
    nothing = packet_space(4).empty
    monkeypatch.setattr(
        "pathcheck.queries.tidy.tidying.list_difference", lambda *_: Difference(nothing, nothing, nothing)
    )
    with pytest.raises(InternalFault, match="the shorter list decides"):
        tidy_list(owner, quay)
