from __future__ import annotations

import pytest

from pathcheck.model.assumptions import Assumptions
from pathcheck.model.unmodelled import DeviceScope, InterfaceScope, NoScope, RouteScope
from pathcheck.parser.commands import (
    CommandLine,
    Context,
    Enter,
    Language,
    LineReader,
    Mode,
    Result,
    ignored,
    modelled,
    unmodelled,
)
from pathcheck.parser.lines import split_lines
from pathcheck.results.account import LineClass


class Log:
    def __init__(self) -> None:
        self.seen: list[str] = []


def remember(context: Context, line: CommandLine) -> Result:
    about = f" in {line.subject}" if line.subject else ""
    context.part(Log).seen.append(("not " if line.negated else "") + " ".join(line.words) + about)
    return None


def enter(context: Context, line: CommandLine) -> Result:
    remember(context, line)
    if line.start >= len(line.words):
        raise line.wrong(line.start, "the name of a berth")
    return Enter("berth", line.words[line.start])


def language() -> Language:
    return Language(
        [Mode("berth", unknown=lambda _, line: InterfaceScope(str(line.subject)))],
        [
            {
                "top": (
                    modelled("berth", enter, opens="berth"),
                    modelled("route", remember),
                    modelled("no gangway", remember),
                    ignored("clock", "name"),
                    ignored("pool", opens="ignored block"),
                    unmodelled("current", "the current", RouteScope(distance=110), opens="current"),
                    unmodelled("tide", "the tide", NoScope()),
                    modelled("ship <number> length", remember),
                    modelled("ship <word> length", remember),
                ),
                "berth": (modelled("name", remember), modelled("depth", remember), modelled("route", remember)),
                "current": ignored("speed", "heading"),
            }
        ],
    )


def read(text: str) -> tuple[LineReader, dict[LineClass, int], list[str]]:
    lines, _ = split_lines("port.cfg", text.encode())
    reader = LineReader(language(), lambda: Context(Assumptions()))
    counts = reader.read(lines)
    assert sum(counts.values()) == len(lines)
    return reader, counts, reader.contexts[0].part(Log).seen


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        # In a block by indentation, out of it by indentation where the outer mode knows the line.
        ("berth A\n name x\nroute 1\n", ["berth A", "name x in A", "route 1"]),
        # Without any indentation a line that fits the block stays in it, also if it fits outside.
        ("berth A\nname x\nroute 1\nberth B\ndepth 3\n",
         ["berth A", "name x in A", "route 1 in A", "berth B", "depth 3 in B"]),
        # A comment at the margin ends the block for what fits outside, and for nothing else.
        ("berth A\nname x\n!\nroute 1\n", ["berth A", "name x in A", "route 1"]),
        ("berth A\n name x\n!\ndepth 3\n", ["berth A", "name x in A", "depth 3 in A"]),
        ("berth A\n name x\nexit\nroute 1\n", ["berth A", "name x in A", "route 1"]),
        ("berth A\nname x\nend\nroute 1\n", ["berth A", "name x in A", "route 1"]),
        # A line that is sloppily not indented belongs to the block if nothing else knows it.
        ("berth A\n name x\ndepth 3\n", ["berth A", "name x in A", "depth 3 in A"]),
        ("  berth A\n    name x\n  route 1\n", ["berth A", "name x in A", "route 1"]),
        ("ber A\n na x\n", ["ber A", "na x in A"]),
        ("no route 1\n", ["not no route 1"]),
        ("ship 12 length 4\nship ANNA length 5", ["ship 12 length 4", "ship ANNA length 5"]),
        ("ROUTE 1", ["ROUTE 1"]),
        ("no gangway", ["not no gangway"]),
    ],
)  # fmt: skip
def test_blocks(text: str, seen: list[str]) -> None:
    _, counts, found = read(text)
    assert found == seen
    assert set(counts) <= {LineClass.MODELLED, LineClass.IGNORED}


def test_unknown_line_in_a_block_touches_what_the_mode_says() -> None:
    reader, counts, _ = read("berth A\n colour red\n name x\n")
    assert counts == {LineClass.MODELLED: 2, LineClass.UNKNOWN: 1}
    assert [item.scope for item in reader.contexts[0].unmodelled] == [InterfaceScope("A")]


def test_unknown_header_takes_what_stands_below_it() -> None:
    reader, counts, seen = read("harbour X\n route 1\n route 2\nroute 3\n")
    assert seen == ["route 3"]
    assert counts == {LineClass.MODELLED: 1, LineClass.UNKNOWN: 3}
    assert [found.code for found in reader.contexts[0].findings] == ["PC402"]
    assert [item.scope for item in reader.contexts[0].unmodelled] == [DeviceScope()]


def test_wrong_header_takes_what_stands_below_it() -> None:
    reader, counts, seen = read("berth\n name x\n depth 3\nroute 3\n")
    assert seen == ["berth", "route 3"]
    assert counts == {LineClass.MODELLED: 1, LineClass.UNKNOWN: 2, LineClass.WRONG: 1}
    (found,) = reader.contexts[0].findings
    assert (found.code, found.message) == ("PC401", "expected the name of a berth, found the end of the line")


def test_block_of_an_unmodelled_header_is_unmodelled_with_one_finding() -> None:
    reader, counts, seen = read("current\n speed 3\n whatever\nheading 1\nroute 1\n")
    assert seen == ["route 1"]
    assert counts == {LineClass.MODELLED: 1, LineClass.UNMODELLED: 4}
    assert [item.scope for item in reader.contexts[0].unmodelled] == [RouteScope(distance=110)]
    assert [record.why for record in reader.records[1:]] == ["part of `current`"] * 3


def test_ignored_block_swallows_words_of_other_modes() -> None:
    _, counts, seen = read("pool x\n route 1\n berth A\n")
    assert seen == []
    assert counts == {LineClass.IGNORED: 3}


def test_removed_unmodelled_line_is_ignored() -> None:
    reader, counts, _ = read("no tide\nno current\n")
    assert counts == {LineClass.IGNORED: 2}
    assert not reader.contexts[0].unmodelled


def test_what_the_outer_table_ignores_is_unknown_in_a_block() -> None:
    _, counts, _ = read("berth A\n clock x\n")
    assert counts == {LineClass.MODELLED: 1, LineClass.UNKNOWN: 1}


@pytest.mark.parametrize(
    ("text", "message", "cure"),
    [
        ("roite 1", "unknown line: `roite` is not known here", "did you mean `route`?"),
        ("r 1", "unknown line: `r` is not known here", None),
        ("ship 12", "unknown line: the line is not complete", None),
    ],
)
def test_unknown_messages(text: str, message: str, cure: str | None) -> None:
    reader, _, _ = read(text)
    (found,) = reader.contexts[0].findings
    assert (found.message, found.help) == (message, cure)


def test_ambiguous_abbreviation_is_unknown_and_says_so() -> None:
    lines, _ = split_lines("port.cfg", b"shi\n")
    reader = LineReader(Language([], [{"top": ignored("ship", "shift")}]), lambda: Context(Assumptions()))
    assert reader.read(lines) == {LineClass.UNKNOWN: 1}
    (found,) = reader.contexts[0].findings
    assert "`shi` is the beginning of several words: shift, ship" in found.message


def test_marked_abbreviation_wins() -> None:
    lines, _ = split_lines("port.cfg", b"shi\n")
    reader = LineReader(Language([], [{"top": ignored("shi|p", "shift")}]), lambda: Context(Assumptions()))
    assert reader.read(lines) == {LineClass.IGNORED: 1}


@pytest.mark.parametrize("text", ["no ship", "NO ship", "default ship"])
def test_no_is_never_the_beginning_of_another_word(text: str) -> None:
    lines, _ = split_lines("port.cfg", text.encode())
    reader = LineReader(
        Language([], [{"top": (ignored("no-ship-today", "default-ship"), modelled("ship", remember))}]),
        lambda: Context(Assumptions()),
    )
    assert reader.read(lines) == {LineClass.MODELLED: 1}
    assert reader.contexts[0].part(Log).seen == [f"not {text}"]


def test_a_head_stands_once() -> None:
    with pytest.raises(ValueError, match="stands twice"):
        Language([], [{"top": ignored("ship")}, {"top": ignored("ship")}])


def test_many_unknown_lines_do_not_pile_up() -> None:
    reader, counts, _ = read("".join(f"unknown{index} x\n" for index in range(500)))
    assert counts == {LineClass.UNKNOWN: 500}
    assert len(reader._stack) <= 1


def test_a_block_goes_on_behind_an_unknown_line_in_a_text_without_indentation() -> None:
    _, counts, seen = read("berth A\nname x\nmoorings 7\ndepth 3\n")
    assert seen == ["berth A", "name x in A", "depth 3 in A"]
    assert counts == {LineClass.MODELLED: 3, LineClass.UNKNOWN: 1}


def test_a_lone_no_is_unknown() -> None:
    lines, _ = split_lines("port.cfg", b"ship\nno\n")
    tables = {"top": (modelled("ship", lambda *_: Enter("ship")), *ignored("no-page")), "ship": ignored("note", "node")}
    reader = LineReader(Language([], [tables]), lambda: Context(Assumptions()))
    assert reader.read(lines) == {LineClass.MODELLED: 1, LineClass.UNKNOWN: 1}


def test_what_stands_deeper_than_its_siblings_is_part_of_a_part_of_the_block() -> None:
    # `current` is known at the top, but two levels down it is not meant for that.
    reader, _, seen = read("berth 1\n depth 5\n  current 3\n name a\n tide 7\nberth 2\n")
    assert seen == ["berth 1", "depth 5 in 1", "name a in 1", "berth 2"]
    assert [item.scope for item in reader.contexts[0].unmodelled] == [InterfaceScope("1"), NoScope()]
