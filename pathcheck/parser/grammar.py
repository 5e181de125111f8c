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
    """A line that is known and cannot be read. Becomes a finding and a line of the class `wrong`.

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
    code
        Of the finding; what is wrong by more than its form has a code of its own.
    """

    def __init__(
        self,
        message: str,
        span: Span,
        *,
        help: str | None = None,
        scope: Scope | object | None = None,
        code: str = "PC401",
    ):
        super().__init__(message)
        self.message = message
        self.span = span
        self.help = help
        self.scope = scope
        self.code = code


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
    stand_in
        Returns what stands for a word that is no value: the word itself where a grammar tells it from others.
        None leaves each word as it is.
    """

    def __init__(self, stand_in: Callable[[str], str] | None = None) -> None:
        super().__init__()
        self._stand_in = stand_in

    def __missing__(self, text: str) -> str:
        found = _CLASSES.fullmatch(text) if len(text) < 100 else None
        if found:
            shape = f"<{found.lastgroup}>"
        elif "<" in text or ">" in text:
            # No word of a configuration holds these; and none may look like a class.
            shape = "<placeholder>"
        else:
            shape = text.lower()
            if self._stand_in is not None:
                shape = self._stand_in(shape)
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


_ANY_NAME, _ANY_WORD = r"(?!<placeholder>)\S+", r"\S+"


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


class _Pattern(pp.Token):
    """One word of a shape that fits a pattern.

    In a shape, words that only patterns tell apart are replaced by the numbers of the patterns that they fit,
    so that lines that differ in, say, interface names have one shape.
    """

    def __init__(self, pattern: str, expected: str, *, tells_apart: bool) -> None:
        super().__init__()
        self.pattern = re.compile(pattern)
        self.number = _PATTERN_NUMBERS.setdefault(pattern, len(_PATTERN_NUMBERS))
        self.tells_apart = tells_apart
        self.set_name(expected)
        self.add_parse_action(_index)

    def _generateDefaultName(self) -> str:  # noqa: N802 - the library's name
        return self.pattern.pattern

    def parseImpl(self, instring: str, loc: int, do_actions: bool = True) -> tuple[int, str]:  # noqa: ARG002, N802
        """Read the word at a place; the library calls it."""
        end = instring.find(" ", loc)
        found = instring[loc:] if end < 0 else instring[loc:end]
        if self.tells_apart and found.startswith(_FITTING):
            fits = f",{self.number}," in found
        else:
            fits = self.pattern.fullmatch(found) is not None
        if not fits:
            raise pp.ParseException(instring, loc, self.errmsg, self)
        return loc + len(found), found


_PATTERN_NUMBERS: dict[str, int] = {}
_FITTING = "<fits,"


def terminal(pattern: str, expected: str, *, tells_apart: bool = True) -> pp.ParserElement:
    """Return a terminal that reads one word of a shape by a pattern; its value is the word's index.

    The pattern is given that one word alone, in lower case, or the class of a value. `tells_apart` is False for one
    that takes any name: it then sees `<name>`, `<fits,...>` or a class in its place.
    """
    return _Pattern(pattern, expected, tells_apart=tells_apart and pattern not in (_ANY_NAME, _ANY_WORD))


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


NUMBER = number("a number")
ADDRESS = one_word(("<address>",), "an IPv4 address")
PREFIX = one_word(("<prefix>",), "an IPv4 prefix")
MASKED = one_word(("<masked>",), "an IPv4 address with a mask behind a slash")
ADDRESS6 = one_word(("<address6>",), "an IPv6 address")
PREFIX6 = one_word(("<prefix6>",), "an IPv6 prefix")
COMMA = one_word(("<comma>",), "an IPv4 address with a comma behind it")
ANY_WORD = terminal(_ANY_WORD, "a word")
NAME = terminal(_ANY_NAME, "a name")
REST = pp.Regex(r"\S.*").set_name("text").set_parse_action(_index)
"""All that is left; its index is that of the first word."""


# --- grammars --------------------------------------------------------------------------------------------------------


def _stand_in(expression: pp.ParserElement) -> Callable[[str], str]:
    """Return what gives the stand-in of a word in the shapes of a grammar: itself, `<fits,...>` or `<name>`."""
    words: set[str] = set()
    patterns: dict[int, re.Pattern[str]] = {}
    seen: set[int] = set()
    waiting = [expression]
    while waiting:
        element = waiting.pop()
        if id(element) in seen:
            continue
        seen.add(id(element))
        if isinstance(element, _OneOf):
            words |= element.words
        elif isinstance(element, _Pattern) and element.tells_apart:
            patterns[element.number] = element.pattern
        waiting += getattr(element, "exprs", ())
        if getattr(element, "expr", None) is not None:
            waiting.append(element.expr)  # type: ignore[attr-defined]

    def stand_in(word: str) -> str:
        if word in words:
            return word
        fits = [str(number) for number, pattern in sorted(patterns.items()) if pattern.fullmatch(word)]
        return f"{_FITTING}{','.join(fits)},>" if fits else "<name>"

    return stand_in


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
            self._shapes = _ShapeWords(_stand_in(self._expression))
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
    word = text.lower()
    if not word[:1].isalnum():
        return None
    # The comparison is slow, and a text can hold thousands of unknown words: only words of like length are compared
    # that have half of their letters in common.
    letters = set(word)
    alike = [
        other
        for other in known
        if -3 < len(other) - len(word) < 3 and 2 * len(letters.intersection(other)) >= len(letters)
    ]
    found = nearest(word, alike) if alike else None
    return f"did you mean `{found}`?" if found and found != word else None
