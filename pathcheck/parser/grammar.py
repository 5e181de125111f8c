"""Grammars of one line: pyparsing run once for each shape of line, not once for each line.

Configuration repeats itself: ten thousand list lines have a few dozen shapes. The
shape of a line is its words in lower case, with each value replaced by its class::

    permit tcp 10.1.20.0 0.0.0.255 host 192.0.2.10 eq 443
    permit tcp <address> <address> host <address> eq <number>

A grammar reads shapes. Its result, the plan, tells which word plays which part, by
index; it is kept, so the next line of the same shape costs one look-up. What the
values are (is 70000 a port?) is checked by whoever builds a model, line by line.

How to write a grammar::

    ROUTE = Grammar(lambda: (
        PREFIX("prefix")
        + (ADDRESS("next_hop") | NAME("interface") + Opt(ADDRESS("next_hop")))
        + ZeroOrMore(word("permanent")("permanent") | word("tag") - NUMBER("tag") | NUMBER("distance"))
    ))

    match = ROUTE.read(line)                   # raises WrongLine with the column of the bad word
    match.has("permanent")                     # did the part occur?
    match.number("distance", 1, 255, "a distance")  # int or None; WrongLine if it is out of range
    match.address("next_hop")                  # Address or None
    match.word("interface")                    # as written, or None

Rules. Use `-` behind the word that settles what a line is, so that the fault is found
at the right word. Each part that the builder wants gets a results name; a part that
may come several times gets `NUMBER("ports*")` and is asked for with :meth:`Match.indexes`.
Several names on one element do not work: name terminals only.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import pyparsing as pp
from pyparsing import OneOrMore, Opt, ZeroOrMore

from pathcheck.errors import nearest
from pathcheck.packet.address import WIDTH, Address
from pathcheck.packet.prefix import Prefix
from pathcheck.source import Span

if TYPE_CHECKING:
    from pathcheck.model.unmodelled import Scope
    from pathcheck.parser.commands import CommandLine

__all__ = [
    "ADDRESS",
    "ADDRESS6",
    "ANY_WORD",
    "COMMA",
    "MASKED",
    "NAME",
    "NUMBER",
    "PREFIX",
    "PREFIX6",
    "REST",
    "Grammar",
    "Match",
    "Misfit",
    "OneOrMore",
    "Opt",
    "Plan",
    "WrongLine",
    "ZeroOrMore",
    "did_you_mean",
    "number",
    "one_word",
    "placeholder_in",
    "shape_of",
    "terminal",
    "word",
]

Plan = Mapping[str, tuple[int, ...]]
"""Results name to the indexes of words, counted from the first word that the grammar read."""


class Misfit(NamedTuple):
    """Why words do not fit: the place of the first bad word and what was expected there.

    `message` is a whole sentence instead, where the fault is one of meaning.
    """

    place: int
    expected: str
    message: str | None = None
    help: str | None = None


LONGEST_LINE = 400
"""Words that a grammar reads at most; a longer line is wrong."""

_MOST_WORDS, _MOST_SHAPES = 50_000, 2_000
"""Bounds of the caches, which are emptied when they are full."""

HANDLED: object = object()
"""Scope of a wrong line whose handler has already noted what it can touch."""


class WrongLine(Exception):  # noqa: N818 - not an error that leaves the room: it becomes a finding
    """A line that is known and cannot be read. Becomes a finding PC401 and a line of the class `wrong`.

    Parameters
    ----------
    message
        What was expected and what was found, lower case, no final stop.
    span
        The bad word.
    help
        What to do about it.
    scope
        What the line can touch, where the handler knows better than the
        command's table; HANDLED where it has noted that itself.
    """

    def __init__(self, message: str, span: Span, *, help: str | None = None, scope: Scope | object | None = None):
        super().__init__(message)
        self.message = message
        self.span = span
        self.help = help
        self.scope = scope


# --- the class of a word ---------------------------------------------------------------------------------------------

_CLASSES = re.compile(
    r"(?P<number>\d{1,20})"
    r"|(?P<address>\d{1,20}(?:\.\d{1,20}){3})"
    r"|(?P<comma>\d{1,20}(?:\.\d{1,20}){3},)"
    r"|(?P<prefix>\d{1,20}(?:\.\d{1,20}){3}/\d{1,20})"
    r"|(?P<masked>\d{1,20}(?:\.\d{1,20}){3}/\d{1,20}(?:\.\d{1,20}){3})"
    r"|(?P<address6>(?=[^:]*:[^:]*:)[0-9A-Fa-f:]+(?:\d+\.\d+\.\d+\.\d+)?)"
    r"|(?P<prefix6>(?=[^:]*:[^:]*:)[0-9A-Fa-f:]+(?:\d+\.\d+\.\d+\.\d+)?/\d{1,20})",
    re.ASCII,
)


class _ShapeWords(dict[str, str]):
    """What stands for each word in a shape; knows the words that were met.

    Parameters
    ----------
    tells_apart
        Whether a grammar tells a word from others; if not it stands for a name and is left open, so that
        lines that differ in names have one shape. None tells all words apart.
    """

    def __init__(self, tells_apart: Callable[[str], bool] | None = None) -> None:
        super().__init__()
        self._tells_apart = tells_apart

    def __missing__(self, text: str) -> str:
        found = _CLASSES.fullmatch(text) if len(text) < 100 else None
        if found:
            shape = f"<{found.lastgroup}>"
        elif "<" in text or ">" in text:
            # No word of a configuration holds these; and none may look like a class.
            shape = "<placeholder>"
        else:
            shape = text.lower()
            if self._tells_apart is not None and not self._tells_apart(shape):
                shape = "<name>"
        if len(text) < 100:
            if len(self) >= _MOST_WORDS:
                self.clear()
            self[text] = shape
        return shape


_SHAPE_WORDS = _ShapeWords()


def shape_of(words: Sequence[str]) -> str:
    """Return the shape of a line.

    Examples
    --------
    >>> shape_of(["Permit", "10.1.2.0/24", "eq", "80"])
    'permit <prefix> eq <number>'
    """
    return " ".join([_SHAPE_WORDS[text] for text in words])


_PLACEHOLDER = re.compile(
    r"<[^<>]*>|\{\{?.*\}\}?|\[[A-Z_ -]+\]"
    r"|(?=.*[xXyYzZnN])(?:\d{1,3}|[xXyYzZnN]{1,3})(?:\.(?:\d{1,3}|[xXyYzZnN]{1,3})){3}(?:/\d+)?"
)


def placeholder_in(text: str) -> bool:
    """Whether a word stands for a value that somebody was to fill in.

    Examples
    --------
    >>> [placeholder_in(text) for text in ("10.0.X.1", "<IP>", "xxx.xxx.xxx.0", "10.0.0.1", "any")]
    [True, True, True, False, False]
    """
    return len(text) < 100 and _PLACEHOLDER.fullmatch(text) is not None


# --- terminals -------------------------------------------------------------------------------------------------------


def _index(shape: str, location: int, _tokens: pp.ParseResults) -> int:
    """Turn a place in a shape into the index of a word."""
    return shape.count(" ", 0, location)


class _OneOf(pp.Token):
    """One word of a shape that is in a set: quicker to make and to run than a pattern of alternatives."""

    def __init__(self, words: frozenset[str], expected: str) -> None:
        super().__init__()
        self.words = words
        self.set_name(expected)
        self.add_parse_action(_index)

    def _generateDefaultName(self) -> str:  # noqa: N802 - the library's name
        return " | ".join(sorted(self.words))

    def parseImpl(self, instring: str, loc: int, do_actions: bool = True) -> tuple[int, str]:  # noqa: ARG002, N802
        """Read the word at a place; the library calls it."""
        end = instring.find(" ", loc)
        found = instring[loc:] if end < 0 else instring[loc:end]
        if found not in self.words:
            raise pp.ParseException(instring, loc, self.errmsg, self)
        return loc + len(found), found


def terminal(pattern: str, expected: str) -> pp.ParserElement:
    """Return a terminal that reads one word of a shape by a pattern; its value is the word's index."""
    return pp.Regex(rf"(?:{pattern})(?!\S)").set_name(expected).set_parse_action(_index)


def word(text: str, shortest: str | None = None) -> pp.ParserElement:
    """Return the terminal of a keyword, which may be cut short down to `shortest`."""
    least = len(text if shortest is None else shortest)
    return _OneOf(frozenset(text[:length] for length in range(least, len(text) + 1)), f"`{text}`")


def one_word(texts: Iterable[str], expected: str) -> pp.ParserElement:
    """Return the terminal of one word among several; `<number>` and the like stand for any value of the class."""
    return _OneOf(frozenset(texts), expected)


def number(expected: str) -> pp.ParserElement:
    """Return the terminal of a number, with words for what it means."""
    return one_word(("<number>",), expected)


_ANY_NAME, _ANY_WORD, _ANY_REST = r"(?!<placeholder>)\S+", r"\S+", r"\S.*"

NUMBER = number("a number")
ADDRESS = one_word(("<address>",), "an IPv4 address")
PREFIX = one_word(("<prefix>",), "an IPv4 prefix")
MASKED = one_word(("<masked>",), "an IPv4 address with a mask behind a slash")
ADDRESS6 = one_word(("<address6>",), "an IPv6 address")
PREFIX6 = one_word(("<prefix6>",), "an IPv6 prefix")
COMMA = one_word(("<comma>",), "an IPv4 address with a comma behind it")
ANY_WORD = terminal(_ANY_WORD, "a word")
NAME = terminal(_ANY_NAME, "a name")
REST = pp.Regex(_ANY_REST).set_name("text").set_parse_action(_index)
"""All that is left; its index is that of the first word."""


# --- grammars --------------------------------------------------------------------------------------------------------


def _teller(expression: pp.ParserElement) -> Callable[[str], bool]:
    """Return what says whether the terminals of a grammar tell a word apart; those that take any name do not."""
    words: set[str] = set()
    patterns: set[str] = set()
    seen: set[int] = set()
    waiting = [expression]
    while waiting:
        element = waiting.pop()
        if id(element) in seen:
            continue
        seen.add(id(element))
        if isinstance(element, _OneOf):
            words |= element.words
        elif isinstance(element, pp.Regex) and element.pattern not in _NO_KEYWORDS:
            patterns.add(str(element.pattern))
        waiting += getattr(element, "exprs", ())
        if getattr(element, "expr", None) is not None:
            waiting.append(element.expr)  # type: ignore[attr-defined]
    if not patterns:
        return words.__contains__
    pattern = re.compile("|".join(f"(?:{pattern})" for pattern in sorted(patterns)))
    return lambda word: word in words or pattern.fullmatch(word) is not None


_NO_KEYWORDS = frozenset({rf"(?:{_ANY_NAME})(?!\S)", rf"(?:{_ANY_WORD})(?!\S)", _ANY_REST})


def _plain(expected: str) -> str:
    """Put pyparsing's `{a | {b [c]}}` into words, for choices that nobody named."""
    if "{" not in expected:
        return expected
    bare = re.sub(r"\s*\[[^\[\]]*\](?:\.\.\.)?", "", expected).replace("{", "").replace("}", "").replace("...", "")
    return " or ".join(dict.fromkeys(choice.strip() for choice in bare.split("|")))


class Grammar:
    """The grammar of what stands behind a command's head words.

    Parameters
    ----------
    build
        Makes the pyparsing expression; called once, at first use.
    known
        Words to compare a word with that was not understood, for the help;
        a function is called only then.
    """

    leaves_names_open = True

    def __init__(
        self, build: Callable[[], pp.ParserElement], known: Sequence[str] | Callable[[], Sequence[str]] = ()
    ) -> None:
        self._build = build
        self._known = known
        self._expression: pp.ParserElement | None = None
        self._shapes = _SHAPE_WORDS
        self._kept: dict[str, Any] = {}

    def plan(self, words: Sequence[str]) -> Any:
        """Return the plan for these words, or a Misfit.

        Plans are kept by shape. What is kept can be more than a plan, see :meth:`prepare`.
        """
        if len(words) > LONGEST_LINE:
            return Misfit(LONGEST_LINE, f"no more than {LONGEST_LINE} words on a line")
        if self._expression is None:
            self._expression = self._build()
            self._shapes = _ShapeWords(_teller(self._expression)) if self.leaves_names_open else _SHAPE_WORDS
        shapes = self._shapes
        shape = " ".join([shapes[text] for text in words])
        kept = self._kept.get(shape)
        if kept is None:
            plan = self._parse(shape)
            kept = plan if isinstance(plan, Misfit) else self.prepare(plan, words)
            if len(shape) < 1_000:
                if len(self._kept) >= _MOST_SHAPES:
                    self._kept.clear()
                self._kept[shape] = kept
        return kept

    def prepare(self, plan: Plan, words: Sequence[str]) -> Any:
        """Return what is kept for a shape; a grammar with much work a line prepares more than the plan.

        Only what the shape tells may be used: words that are no values, in any case.
        """
        del words
        return plan

    def read(self, line: CommandLine) -> Match:
        """Read the words behind the head of a command.

        Raises
        ------
        WrongLine
            With the span of the first word that does not fit and what was expected.
        """
        plan = self.plan(line.words[line.start :])
        if isinstance(plan, Misfit):
            raise self.fault(line, plan)
        return Match(line, plan)

    def fault(self, line: CommandLine, misfit: Misfit) -> WrongLine:
        """Return the error for a misfit whose index counts from the first word behind the head."""
        index = line.start + misfit.place
        if misfit.message is not None:
            return line.wrong_value(index, misfit.message, help=misfit.help)
        known = self._known() if callable(self._known) else self._known
        return line.wrong(index, misfit.expected, known=known, help=misfit.help)

    def _parse(self, shape: str) -> Plan | Misfit:
        """Run pyparsing on a shape."""
        assert self._expression is not None
        try:
            result = self._expression.parse_string(shape, parse_all=True)
        except pp.ParseBaseException as fault:
            location = fault.loc + len(shape[fault.loc :]) - len(shape[fault.loc :].lstrip(" "))
            expected = _plain(fault.msg.removeprefix("Expected ").removeprefix("expected ").strip())
            index = shape.count(" ", 0, location)
            if location >= len(shape):
                index = shape.count(" ") + 1 if shape else 0
            return Misfit(index, "the end of the line" if expected == "end of text" else expected)
        plan: dict[str, tuple[int, ...]] = {}
        for name, value in result.as_dict().items():
            plan[name] = tuple(value) if isinstance(value, list) else (value,)
        return plan


class Match:
    """A line read by a grammar: its parts by name, as words or as checked values.

    Each accessor returns None where the part does not occur, and raises WrongLine
    with the span of the word where its value is out of range.
    """

    __slots__ = ("line", "plan")

    def __init__(self, line: CommandLine, plan: Plan) -> None:
        self.line = line
        self.plan = plan

    def has(self, name: str) -> bool:
        """Whether the part occurs."""
        return name in self.plan

    def index(self, name: str) -> int | None:
        """Return the index of the part among all words of the line (for `line.wrong` and `line.span_of`)."""
        indexes = self.plan.get(name)
        return None if indexes is None else indexes[0] + self.line.start

    def indexes(self, name: str) -> tuple[int, ...]:
        """Return the indexes of a part that may come several times."""
        return tuple(index + self.line.start for index in self.plan.get(name, ()))

    def word(self, name: str) -> str | None:
        """Return the word as written."""
        index = self.index(name)
        return None if index is None else self.line.words[index]

    def text(self, name: str) -> str | None:
        """Return the line from the part to its end, as written (for REST)."""
        index = self.index(name)
        return None if index is None else self.line.text_from(index)

    def number(self, name: str, lowest: int, highest: int, expected: str = "a number") -> int | None:
        """Return a number, checked to be within bounds, both inclusive."""
        index = self.index(name)
        return None if index is None else self.line.number_at(index, lowest, highest, expected)

    def address(self, name: str) -> Address | None:
        """Return an IPv4 or IPv6 address."""
        index = self.index(name)
        return None if index is None else self.line.address_at(index)

    def prefix(self, name: str) -> Prefix | None:
        """Return `ADDRESS/LENGTH` as a prefix; host bits are wrong."""
        index = self.index(name)
        if index is None:
            return None
        try:
            return Prefix.parse(self.line.words[index])
        except ValueError as fault:
            raise self.line.wrong_value(index, str(fault)) from None

    def address_and_length(self, name: str) -> tuple[Address, int] | None:
        """Return `ADDRESS/LENGTH` as an address with the length of its subnet; host bits are normal."""
        index = self.index(name)
        if index is None:
            return None
        text, _, length = self.line.words[index].partition("/")
        try:
            address = Address.parse(text)
        except ValueError as fault:
            raise self.line.wrong_value(index, str(fault)) from None
        if int(length) > WIDTH[address.version]:
            raise self.line.wrong_value(index, f"prefix length `{length}` is above {WIDTH[address.version]}")
        return address, int(length)


def did_you_mean(text: str, known: Sequence[str]) -> str | None:
    """Return the help for a word that is nearly a known one."""
    found = nearest(text.lower(), known) if text[:1].isalnum() else None
    return f"did you mean `{found}`?" if found and found != text.lower() else None
