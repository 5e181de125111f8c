from __future__ import annotations

import pytest

from pathcheck.parser.commands import CommandLine, WrongLine
from pathcheck.parser.grammar import (
    ADDRESS,
    NAME,
    NUMBER,
    PREFIX,
    Grammar,
    Misfit,
    OneOrMore,
    Opt,
    ZeroOrMore,
    placeholder_in,
    shape_of,
    terminal,
    word,
)
from pathcheck.parser.lines import split_lines


def command_line(text: str) -> CommandLine:
    (line,), _ = split_lines("quay.cfg", text.encode())
    return CommandLine(line, line.text.split())


FERRY = Grammar(
    lambda: (
        PREFIX("prefix")
        + (ADDRESS("hop") | NAME("interface") + Opt(ADDRESS("hop")))
        + ZeroOrMore(word("permanent", "perm")("permanent") | word("tag") - NUMBER("tag") | NUMBER("distance"))
    ),
    known=("permanent", "tag"),
)


@pytest.mark.parametrize(
    ("text", "shape"),
    [
        ("Permit TCP any", "permit tcp any"),
        ("10.1.2.3 10.0.0.0/8 10.0.0.0/255.0.0.0", "<address> <prefix> <masked>"),
        ("2001:db8::1 ::/0 ::ffff:10.0.0.1", "<address6> <prefix6> <address6>"),
        ("443 70000 0", "<number> <number> <number>"),
        ("10.1.2 x.y 1/1/9 10.1.99.0,", "10.1.2 x.y 1/1/9 <comma>"),
        # A word that looks like a class is none.
        ("<number> <IP>", "<placeholder> <placeholder>"),
        ("٣", "٣"),
    ],
)
def test_shape(text: str, shape: str) -> None:
    assert shape_of(text.split()) == shape


def test_parts_are_read_by_name() -> None:
    match = FERRY.read(command_line("10.0.0.0/8 Ethernet1 10.1.1.1 tag 7 perm 5"))
    assert match.word("interface") == "Ethernet1"
    assert str(match.address("hop")) == "10.1.1.1"
    assert str(match.prefix("prefix")) == "10.0.0.0/8"
    assert (match.number("tag", 0, 9), match.number("distance", 1, 255), match.has("permanent")) == (7, 5, True)
    assert match.word("name") is None


@pytest.mark.parametrize(
    ("text", "column", "message", "cure"),
    [
        ("10.0.0.0/8 10.1.1.1 tag", 24, "expected a number, found the end of the line", None),
        ("  10.0.0.0/8 10.1.1.1 tga 7", 23, "expected the end of the line, found `tga`", "did you mean `tag`?"),
        ("\t10.0.0.X/8 10.1.1.1", 2, "`10.0.0.X/8` is a placeholder where an IPv4 prefix is expected",
         "fill in the value"),
        ("10.0.0.0/8 <NEXTHOP>", 12, "`<NEXTHOP>` is a placeholder where an IPv4 address or a name is expected",
         "fill in the value"),
    ],
)  # fmt: skip
def test_fault_names_the_word(text: str, column: int, message: str, cure: str | None) -> None:
    with pytest.raises(WrongLine) as caught:
        FERRY.read(command_line(text))
    assert caught.value.message == message
    assert (caught.value.span.column, caught.value.help) == (column, cure)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("10.0.0.1/8 10.1.1.1", "has host bits set"),
        ("10.0.0.0/33 10.1.1.1", "`10.0.0.0/33` is no prefix"),
        ("10.0.0.300/8 10.1.1.1", "octet `300` is above 255"),
    ],
)
def test_values_are_checked_after_the_shape(text: str, message: str) -> None:
    match = FERRY.read(command_line(text))
    with pytest.raises(WrongLine, match=message):
        match.prefix("prefix")


def test_number_out_of_range_says_the_range() -> None:
    match = FERRY.read(command_line("10.0.0.0/8 10.1.1.1 300"))
    with pytest.raises(WrongLine, match=r"expected a distance from 1 to 255, found `300`"):
        match.number("distance", 1, 255, "a distance")


def test_shapes_are_kept_within_bounds() -> None:
    grammar = Grammar(lambda: terminal("[a-z0-9]+", "a word")("name"))
    for index in range(5_000):
        assert grammar.plan([f"name{index}x"]) == {"name": (0,)}
    assert 0 < len(grammar._kept) <= 2_000


def test_lines_that_differ_in_names_have_one_shape() -> None:
    grammar = Grammar(lambda: word("to") + NAME("name") + word("at") + NUMBER("hour"))
    for index in range(10):
        assert grammar.plan(["to", f"Quay{index}", "AT", str(index)]) == {"name": (1,), "hour": (3,)}
    assert list(grammar._kept) == ["to <name> at <number>"]


def test_lines_that_differ_in_what_only_patterns_tell_apart_have_one_shape() -> None:
    grammar = Grammar(
        lambda: (terminal(r"[a-z]+\d+", "an interface")("interface") | word("null")("null")) + NAME("name")
    )
    for index in range(10):
        assert grammar.plan([f"Ethernet{index}", f"Quay{index}"]) == {"interface": (0,), "name": (1,)}
    assert grammar.plan(["Null", "x"]) == {"null": (0,), "name": (1,)}
    assert isinstance(grammar.plan(["Quay", "x"]), Misfit)
    assert len(grammar._kept) == 3


def test_huge_lines_are_refused_without_parsing() -> None:
    grammar = Grammar(lambda: OneOrMore(NAME("name*")))
    assert isinstance(grammar.plan(["a"] * 100_000), Misfit)
    assert grammar.plan(["a" * 100_000]) == {"name": (0,)}
    assert len(grammar._shapes) <= 1


@pytest.mark.parametrize("text", ["10.0.X.1", "<IP>", "xxx.xxx.xxx.0", "{{ gateway }}", "x.x.x.x/24", "[ADDRESS]"])
def test_placeholders(text: str) -> None:
    assert placeholder_in(text.replace(" ", ""))


@pytest.mark.parametrize("text", ["10.0.0.1", "any", "xy", "a.b", "10.0.0.0/24", "QUAY-X"])
def test_no_placeholders(text: str) -> None:
    assert not placeholder_in(text)
