"""A device whose file is refused is not known, and an answer that needs it is uncertain."""

from __future__ import annotations

from pathlib import Path

import pytest

import pathcheck
from pathcheck.errors import FlowError

QUAY = """hostname quay
ip routing
interface Ethernet1
 no switchport
 ip address 10.0.0.1 255.255.255.252
interface Ethernet2
 no switchport
 ip address 10.1.20.1 255.255.255.0
ip route 0.0.0.0 0.0.0.0 10.0.0.2
ip route 10.66.0.0 255.255.0.0 Null0
"""
BRACES = b"system {\n    host-name core;\n}\ninterfaces {\n    port-1 { address %s/30; }\n}\n"


def answer(folder: Path, refused: bytes | None, flow: str = "tcp 10.1.20.7 192.0.2.9:443") -> tuple[str, str]:
    (folder / "quay.cfg").write_text(QUAY)
    if refused is not None:
        (folder / "core.cfg").write_bytes(refused)
    fleet = pathcheck.load(folder)
    assert any(account.refused for account in fleet.report.files) == (refused is not None)
    found = fleet.flow(flow, reply=False)
    return str(found.verdict), str(found.reason)


def test_without_a_refused_file_the_next_hop_is_handed_over(tmp_path: Path) -> None:
    assert answer(tmp_path, None) == ("permitted", "handed-over")


@pytest.mark.parametrize("refused", [BRACES % b"10.0.0.2", bytes(range(200))], ids=["its address", "no text"])
def test_a_next_hop_that_the_refused_file_may_have_is_uncertain(tmp_path: Path, refused: bytes) -> None:
    """The evaluator agrees, else the query would end in an internal fault."""
    assert answer(tmp_path, refused) == ("uncertain", "unmodelled")
    fleet = pathcheck.load(tmp_path)
    [path] = fleet.flow("tcp 10.1.20.7 192.0.2.9:443", reply=False).paths
    assert [doubt.why for doubt in path.doubts] == [
        "the next hop `10.0.0.2` may be a device of `core.cfg`, which is refused"
    ]
    assert not any(ends.reason == "handed-over" for ends in fleet.routes()[1].black_holes)


def test_a_refused_text_without_the_address_touches_nothing(tmp_path: Path) -> None:
    assert answer(tmp_path, BRACES % b"10.0.0.6") == ("permitted", "handed-over")


def test_what_needs_no_next_hop_stays_certain(tmp_path: Path) -> None:
    assert answer(tmp_path, bytes(range(200)), "tcp 10.1.20.7 10.66.0.9:443") == ("denied", "discarded")


def test_an_unknown_source_is_told_with_the_refused_file(tmp_path: Path) -> None:
    with pytest.raises(FlowError) as told:
        answer(tmp_path, BRACES % b"10.0.0.2", "tcp 10.1.99.7 10.1.20.9:443")
    assert "`core.cfg`" in (told.value.help or "")


@pytest.mark.parametrize(("count", "named"), [(2, "`r0.cfg`, `r1.cfg`, see"), (3, "`r0.cfg`, `r1.cfg`, `r2.cfg`, see"),
                                              (4, "`r0.cfg`, `r1.cfg`, `r2.cfg`, ..., see")])  # fmt: skip
def test_of_many_refused_files_three_are_named(tmp_path: Path, count: int, named: str) -> None:
    (tmp_path / "quay.cfg").write_text(QUAY)
    for number in range(count):
        (tmp_path / f"r{number}.cfg").write_bytes(bytes(range(200)))
    with pytest.raises(FlowError) as caught:
        pathcheck.load(tmp_path).flow("tcp 172.16.0.1 192.0.2.9:443", reply=False)
    assert f"refused and so not known: {named}" in str(caught.value)
