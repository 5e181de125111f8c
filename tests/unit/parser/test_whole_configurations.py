"""Long configurations as devices print them, invented: nothing in them is unknown or wrong."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from pathcheck.model.device import Device
from pathcheck.parser.configuration import ParsedConfiguration, SourceText, read_configuration
from pathcheck.results.account import LineClass

FOLDER = Path(__file__).parent / "configurations"
FILES = sorted(FOLDER.glob("*.cfg"))


def parse(data: bytes) -> ParsedConfiguration:
    return read_configuration([SourceText("quay-a.cfg", data)], default_name="quay-a")


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_each_line_is_known(path: Path) -> None:
    (account,) = parse(path.read_bytes()).accounts
    assert account.refused is None
    assert account.device == path.stem
    assert sum(account.counts.values()) == account.lines == len(path.read_text().splitlines())
    assert [record for record in account.records if record.line_class in (LineClass.UNKNOWN, LineClass.WRONG)] == []


def same(one: Device, other: Device) -> list[str]:
    """Name the fields in which two devices differ, places aside."""
    aside = {"unmodelled", "list_uses", "files", "vrfs", "routing_span", "ipv6_routing_span"}
    return [
        item.name
        for item in fields(Device)
        if item.name not in aside and getattr(one, item.name) != getattr(other, item.name)
    ]


@pytest.mark.parametrize("name", ["pier-router", "terminal-switch"])
def test_indentation_and_line_ends_do_not_change_what_is_read(name: str) -> None:
    data = (FOLDER / f"{name}.cfg").read_bytes()
    (device,) = parse(data).devices
    flat = b"\n".join(line.strip() for line in data.split(b"\n"))
    # Without the comments that close blocks, as in a script that somebody typed.
    bare = b"\n".join(line for line in flat.split(b"\n") if line != b"!")
    for changed in (data.replace(b"\n", b"\r\n"), data.replace(b"\n ", b"\n\t"), flat, bare):
        assert same(parse(changed).devices[0], device) == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_text_cut_anywhere_is_read_as_far_as_it_goes(path: Path) -> None:
    data = path.read_bytes()
    for end in range(0, len(data), max(1, len(data) // 23)):
        for account in parse(data[:end]).accounts:
            assert account.refused is None
            assert sum(account.counts.values()) == account.lines


def test_the_models_of_one_configuration() -> None:
    (device,) = parse((FOLDER / "terminal-switch.cfg").read_bytes()).devices
    assert len(device.interfaces) == 13
    assert sorted(device.vlans) == [20, 21, 30, 40, 41, 42, 99, 900]
    trunk = device.interfaces["Port-channel1"].switch_port
    assert trunk is not None
    assert (trunk.mode, str(trunk.allowed), trunk.native) == ("trunk", "20-21,30,40-42,99,900", 99)
    counter = device.interfaces["GigabitEthernet1/0/2"]
    assert counter.switch_port is not None
    assert (counter.switch_port.access_vlan, counter.switch_port.voice_vlan, counter.bindings[0].port) == (20, 30, True)
    assert str(device.gateways[0].address) == "10.1.99.1"
    assert [(block.first, block.last) for block in device.terminal_lines] == [(0, 4), (5, 15)]
