from __future__ import annotations

import pytest
from reading import read

from pathcheck.model.unmodelled import OwnScope


def blocks(*lines: str) -> list[tuple[int, int, list[str]]]:
    found = read(*lines).device.terminal_lines
    return [
        (block.first, block.last, [f"{item.list_name} {item.family}" for item in block.bindings]) for block in found
    ]


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (("line vty 0 4", " access-class 10 in"), [(0, 4, ["10 ipv4"])]),
        (("line vty 0 4", "access-class 10 in", "login local"), [(0, 4, ["10 ipv4"])]),
        (("line vty 0 4", " access-class M in vrf-also", " ipv6 access-class S in"), [(0, 4, ["M ipv4", "S ipv6"])]),
        (("line vty 0 4", " access-class 10 in", "line vty 5 15", " login"), [(0, 4, ["10 ipv4"]), (5, 15, [])]),
        (
            ("line vty 0 15", " access-class 10 in", "line vty 0 4", " access-class 11 in"),
            [(0, 4, ["11 ipv4"]), (5, 15, ["10 ipv4"])],
        ),
        (("line vty 0 4", " login", "line vty 0 4", " access-class 10 in"), [(0, 4, ["10 ipv4"])]),
        (("line vty 0 4", " access-class 10 in", " access-class 11 in"), [(0, 4, ["11 ipv4"])]),
        (("line vty 0 4", " access-class 10 in", " no access-class 10 in"), [(0, 4, [])]),
        (("line vty 7",), [(7, 7, [])]),
        (("line vty", " access-class M in"), [(0, 15, ["M ipv4"])]),
        (("line default", " access-class ingress M"), [(0, 15, ["M ipv4"])]),
        (("line con 0", " access-class 10 in", "line aux 0", "line 2", "line console"), []),
        (("management ssh", " ip access-group M in", " idle-timeout 10"), [(0, 15, ["M ipv4"])]),
    ],
)
def test_blocks_of_terminal_lines(lines: tuple[str, ...], expected: list[tuple[int, int, list[str]]]) -> None:
    assert blocks(*lines) == expected
    assert read(*lines).scopes == []


def test_a_list_on_the_way_out_guards_nothing_here() -> None:
    found = read("line vty 0 4", " access-class 10 out")
    assert found.device.terminal_lines[0].bindings == ()
    (use,) = found.device.list_uses
    assert (use.list_name, use.what) == ("10", "sessions that are opened from the device")


@pytest.mark.parametrize(
    "lines",
    [
        ("line vty 0 4", " access-class 10 in vrf BLUE"),
        ("line vty 0 4", " access-class 10"),
        ("line vty 0 4", " access-class"),
        ("line vty 0 4", " access-class 10 inn"),
        ("line vty 0 4", " frobnicate"),
        ("line vty 4 0",),
        ("line vty x",),
        ("line",),
        ("control-plane", " service-policy input COPP"),
        ("control-plane", " frobnicate"),
        ("ssh server vrf default ipv4 access-list M",),
        ("apply access-list ip M control-plane vrf BLUE",),
        ("apply access-list ip M",),
        ("management ssh", " ip access-group M vrf BLUE in"),
    ],
)
def test_what_is_not_read_there_touches_packets_to_the_device(lines: tuple[str, ...]) -> None:
    assert read(*lines).scopes == [OwnScope()]


@pytest.mark.parametrize(
    "lines",
    [
        ("control-plane", " ip access-group M in"),
        ("system control-plane", "   ip access-group M in"),
        ("apply access-list ip M control-plane vrf default",),
    ],
)
def test_lists_of_the_control_plane(lines: tuple[str, ...]) -> None:
    found = read(*lines)
    (binding,) = found.device.control_plane
    assert (binding.list_name, binding.direction) == ("M", "in")
    assert found.scopes == []


def test_an_empty_control_plane_says_nothing() -> None:
    assert read("control-plane", "!").scopes == []
