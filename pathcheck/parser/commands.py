"""Commands by mode: which command a line is, which block it stands in, and what became of it.

A **mode** is a table of commands. Reading starts in the mode `top`; a command may open a
block in another mode, such as `interface`. Each line of a text gets exactly one class
(:class:`~pathcheck.results.account.LineClass`).

For whoever writes tables and handlers
--------------------------------------
A file on one subject has up to three things::

    MODES = (Mode("vlan", unknown=lambda context, line: LayerTwoScope(line.subject.number)),)

    COMMANDS = {                             # mode -> its commands
        "top": (
            modelled("vlan <number>", read_vlan, opens="vlan"),
            ignored("vlan internal", "spanning-tree"),
            ignored("ip dhcp pool", opens="ignored block"),
            unmodelled("ip policy", "policy routing", lambda context, line: DeviceScope()),
            unmodelled("router ospf", "routing protocol", RouteScope(distance=110), opens="routing protocol"),
        ),
        "vlan": (modelled("name", read_vlan_name), modelled("no name", forget_vlan_name)),
    }

    class Vlans:                             # what the handlers collect for one device
        def __init__(self) -> None: ...
        def finish(self, context: Context) -> dict[int, Vlan]: ...

    def read_vlan(context: Context, line: CommandLine) -> Result:
        vlan = context.part(Vlans).open(line.number_at(1, 1, 4094, "a VLAN, 1 to 4094"), line.span)
        return Enter("vlan", subject=vlan)

`configuration.py` joins the tables of all subjects, and calls each `finish` when the whole
text of the device is read; names are resolved there, never in a handler, since the
order of text is not the order of effect.

Head words
    The longest head that fits wins. A word may be cut short, to two letters at least, as long as it is the
    beginning of only one word of the table at its place; an exact word always wins. `int|erface` accepts `int` and
    longer even where other words begin alike. `<number>`, `<address>`, `<prefix>`, `<address6>`, `<prefix6>` in a
    head fit a value of that class, `<word>` any word (last resort). Heads are lower case. A head that begins with
    `no` is for the negated line; without such an entry the plain entry gets it, with `line.negated` set
    (`default X` too).
Kinds
    `modelled`: the handler gets `(context, line)` and returns None, or `Enter(mode, subject)`, or a LineClass if
    this line is after all ignored or unmodelled. It raises :class:`~pathcheck.parser.grammar.WrongLine`
    (best by `line.wrong(index, "a VLAN, 1 to 4094")`) for a line that cannot be read.
    `ignored`: it cannot change forwarding. Negated or not, nothing happens.
    `unmodelled`: it can; `touches` is a Scope, several, or a function of `(context, line)`. A finding PC412 and
    an Unmodelled item are made. Negated it is ignored, unless the table has an own `no` entry.
What a wrong line touches
    `WrongLine(scope=...)`, else the command's `touches`, else what its mode says for unknown lines,
    else the whole device.
Blocks
    A line that is indented deeper than the header stands in the block. One that is not stays in the block if its
    mode knows the command; where the outer mode knows it too, it leaves if the text is indented or a `!` stood at
    the start of a line since. A line in a block that fits no command of it but a modelled or unmodelled one of
    the outer mode is the outer mode's, as on a device. `exit`, `quit`, `exit-...`, `end` and `!` are dealt with
    here. `opens` of an ignored or unmodelled command names a mode whose deeper lines all get the command's class;
    the table of that mode tells which lines that are not indented belong to it; a handler in it may look at a line
    (for a use of a list), and a LineClass that it returns is the line's. `"ignored block"` and
    `"unmodelled block"` are such modes with empty tables. `opens` of a modelled command names the block that
    follows where the header cannot be read.
Unknown lines
    Class `unknown`, finding PC402, Unmodelled item with what `Mode.unknown` says (HANDLED: it has done all
    itself). Lines below an unknown header are unknown too, without a finding each.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any, TypeVar, cast

from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import ListUse
from pathcheck.model.unmodelled import DeviceScope, Scope, Unmodelled
from pathcheck.packet.address import Address
from pathcheck.parser.grammar import HANDLED, WrongLine, did_you_mean, placeholder_in
from pathcheck.parser.lines import LineKind, TextLine
from pathcheck.results.account import LineClass, LineRecord
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = [
    "HANDLED",
    "Block",
    "Command",
    "CommandLine",
    "Context",
    "Enter",
    "Handler",
    "Language",
    "LineReader",
    "Mode",
    "Result",
    "WrongLine",
    "ignored",
    "modelled",
    "unmodelled",
]

Part = TypeVar("Part")

_WORD = re.compile(r"\S+")
_MOST_RESOLVED = 2_000
_NEGATIONS = frozenset({"no", "No", "NO", "default", "Default", "DEFAULT"})


# --- a line ----------------------------------------------------------------------------------------------------------


class CommandLine:
    """A line on its way to a handler.

    Attributes
    ----------
    source
        The line of text.
    words
        All words of the command, `no` included.
    start
        Index of the first word behind the head.
    negated
        Whether `no` or `default` stands in front.
    subject
        What the header of the block gave to its :class:`Enter`; None in the mode `top`.
    """

    __slots__ = ("negated", "source", "start", "subject", "words")

    def __init__(self, source: TextLine, words: list[str]) -> None:
        self.source = source
        self.words = words
        self.start = 0
        self.negated = False
        self.subject: Any = None

    @property
    def span(self) -> Span:
        """The whole line."""
        return self.source.span

    @property
    def tail(self) -> list[str]:
        """The words behind the head."""
        return self.words[self.start :]

    def span_of(self, first: int, last: int | None = None) -> Span:
        """Return the span of a word, or up to and with the word `last`; behind the last word it is one column."""
        base, text = self.source.span, self.source.text
        places = [(found.start(), found.end()) for found in _WORD.finditer(text)]
        if first >= len(places):
            return base.at(base.column + len(text), base.column + len(text) + 1)
        return base.at(base.column + places[first][0], base.column + places[first if last is None else last][1])

    def text_from(self, index: int) -> str:
        """Return the line as written from a word to the end; empty where there is no such word."""
        for place, found in enumerate(_WORD.finditer(self.source.text)):
            if place == index:
                return self.source.text[found.start() :]
        return ""

    def wrong(
        self, index: int, expected: str, *, known: Sequence[str] = (), help: str | None = None, scope: Any = None
    ) -> WrongLine:
        """Return the error "expected ..., found ..." for a word; raise it yourself.

        `known` are the words that would do; the nearest becomes the help.
        """
        if index >= len(self.words):
            return WrongLine(f"expected {expected}, found the end of the line", self.span_of(index), scope=scope)
        found = self.words[index]
        if placeholder_in(found):
            message = f"`{shorten(found)}` is a placeholder where {expected} is expected"
            return WrongLine(message, self.span_of(index), help=help or "fill in the value", scope=scope)
        message = f"expected {expected}, found `{shorten(found)}`"
        return WrongLine(message, self.span_of(index), help=help or did_you_mean(found[:80], known), scope=scope)

    def wrong_value(
        self, index: int, message: str, *, help: str | None = None, scope: Any = None, code: str = "PC401"
    ) -> WrongLine:
        """Return the error with a whole message for a word; raise it yourself."""
        return WrongLine(message, self.span_of(index), help=help, scope=scope, code=code)

    def number_at(self, index: int, lowest: int, highest: int, expected: str = "a number") -> int:
        """Return the word as a number within bounds, both inclusive; WrongLine otherwise."""
        text = self.words[index] if index < len(self.words) else ""
        if text.isascii() and text.isdigit() and len(text) <= 20 and lowest <= int(text) <= highest:
            return int(text)
        limits = "" if str(highest) in expected else f" from {lowest} to {highest}"
        raise self.wrong(index, expected + limits)

    def address_at(self, index: int) -> Address:
        """Return the word as an IPv4 or IPv6 address; WrongLine otherwise."""
        if index >= len(self.words) or placeholder_in(self.words[index]):
            raise self.wrong(index, "an address")
        try:
            return Address.parse(self.words[index])
        except ValueError as fault:
            raise self.wrong_value(index, str(fault)[:300]) from None


def shorten(text: str, most: int = 60) -> str:
    """Return a word cut to a length that a message can bear."""
    return text if len(text) <= most else text[: most - 3] + "..."


# --- commands and modes ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Enter:
    """Result of a handler: the following lines stand in a block of that mode, about that subject."""

    mode: str
    subject: Any = None


@dataclass(frozen=True, slots=True)
class StartDevice:
    """Result of the `hostname` handler: what follows belongs to another device."""

    name: str


Result = Enter | StartDevice | LineClass | None
Handler = Callable[["Context", CommandLine], Result]
Touches = Scope | Sequence[Scope] | Callable[["Context", CommandLine], "Scope | Sequence[Scope] | object"] | None


@dataclass(frozen=True, slots=True)
class Command:
    """One row of a mode's table; made by :func:`modelled`, :func:`ignored` and :func:`unmodelled`."""

    head: str
    kind: LineClass
    handler: Handler | None = None
    what: str = ""
    touches: Touches = None
    opens: str | None = None


def modelled(head: str, handler: Handler, *, touches: Touches = None, opens: str | None = None) -> Command:
    """Return the row of a command that becomes part of the model."""
    return Command(head, LineClass.MODELLED, handler, touches=touches, opens=opens)


def ignored(*heads: str, opens: str | None = None) -> tuple[Command, ...]:
    """Return the rows of commands that cannot change forwarding."""
    return tuple(Command(head, LineClass.IGNORED, opens=opens) for head in heads)


def unmodelled(head: str, what: str, touches: Touches, *, opens: str | None = None) -> Command:
    """Return the row of a command that can change forwarding and is not modelled."""
    return Command(head, LineClass.UNMODELLED, None, what, touches, opens)


Rows = Iterable["Command | Iterable[Command]"]
Tables = Mapping[str, Rows]


@dataclass(slots=True)
class Mode:
    """A mode by name.

    Parameters
    ----------
    unknown
        What a line can touch that no table knows, given `(context, line)`.
    expected
        What every line of the block must be; an unknown line is then `wrong`, with that in its message.
    garbled
        For a line that no table knows, that is not indented, and that stands behind a header or lines of the
        block that are not indented either: it may be meant for the block, so `unknown` is asked. If this
        function says True the line can be meant for nothing else; otherwise it counts as unknown at the top, too.
    """

    name: str
    unknown: Touches = None
    expected: str | None = None
    garbled: Callable[[CommandLine], bool] | None = None
    plain: _Node = field(default_factory=lambda: _Node(), repr=False)
    negative: _Node = field(default_factory=lambda: _Node(), repr=False)

    def find(self, words: Sequence[str]) -> tuple[Command, int, bool] | None:
        """Return the command of a line, the index behind its head, and whether it is negated."""
        if self._negates(words):
            found = self.negative.find(words, 1) or self.plain.find(words, 1)
            return (*found, True) if found is not None else None
        if len(words) == 1 and words[0].lower() == "no":
            return None
        found = self.plain.find(words, 0)
        return (*found, False) if found is not None else None

    def _negates(self, words: Sequence[str]) -> bool:
        """Whether the first word is `no`, or a `default` that is no command of its own."""
        first = words[0]
        if first not in _NEGATIONS or len(words) == 1:
            return False
        return first.lower() not in self.plain.children

    def known_instead(self, words: Sequence[str]) -> tuple[int, list[str], bool]:
        """Return the first word that is not known, the words known at its place, and whether it is ambiguous."""
        start = 1 if self._negates(words) else 0
        node = self.plain
        for index in range(start, len(words)):
            following = node.step(words[index])
            if following is None:
                word = words[index].lower()
                alike = sorted(known for known in node.children if known.startswith(word))
                return index, alike or sorted(node.children), len(alike) > 1
            node = following
        return len(words), sorted(node.children), False


class _Node:
    """A place in the tree of head words."""

    __slots__ = ("children", "classes", "command", "resolved", "shortest")

    def __init__(self) -> None:
        self.children: dict[str, _Node] = {}
        self.classes: dict[str, _Node] = {}
        self.shortest: list[tuple[str, str]] = []
        self.command: Command | None = None
        self.resolved: dict[str, _Node | None] = {}

    def add(self, words: Sequence[str], command: Command) -> None:
        """Put a command into the tree."""
        node = self
        for word in words:
            if word.startswith("<"):
                node = node.classes.setdefault(word, _Node())
                continue
            least, _, rest = word.partition("|")
            if rest:
                node.shortest.append((least, least + rest))
            node = node.children.setdefault(least + rest, _Node())
        if node.command is not None:
            raise ValueError(f"the head `{command.head}` stands twice in the tables of one mode")
        node.command = command

    def step(self, word: str) -> _Node | None:
        """Return the place behind a word: exact, then its one completion, then by class."""
        try:
            return self.resolved[word]
        except KeyError:
            found = self._step(word)
            if len(word) < 100:
                if len(self.resolved) >= _MOST_RESOLVED:
                    self.resolved.clear()
                self.resolved[word] = found
            return found

    def _step(self, word: str) -> _Node | None:
        lower = word.lower()
        exact = self.children.get(lower)
        if exact is not None:
            return exact
        for least, whole in self.shortest:
            if whole.startswith(lower) and lower.startswith(least):
                return self.children[whole]
        # One letter is too little: the tables do not hold each word that a device knows. And what ends in front of a
        # hyphen is most likely a whole word, as `address` is none for `address-family`.
        completions = [known for known in self.children if known.startswith(lower) and known[len(lower)] != "-"]
        if len(completions) == 1 and len(lower) > 1 and lower[0].isalpha():
            return self.children[completions[0]]
        if completions:
            return None
        if self.classes:
            from pathcheck.parser.grammar import shape_of

            return self.classes.get(shape_of((word,))) or self.classes.get("<word>")
        return None

    def find(self, words: Sequence[str], index: int) -> tuple[Command, int] | None:
        """Return the longest command that the words begin with, and the index behind its head."""
        node: _Node | None = self
        best: tuple[Command, int] | None = None
        for index in range(index, len(words)):  # noqa: B020 - goes on where it was told to begin
            node = node.step(words[index])  # type: ignore[union-attr]
            if node is None:
                break
            if node.command is not None:
                best = node.command, index + 1
            if not node.children and not node.classes:
                break
        return best


@cache
def _head_words(head: str) -> tuple[str | None, ...]:
    """Return the words of a head; None for one that stands for a class of values."""
    return tuple(None if word.startswith("<") else word for word in head.replace("|", "").split())


def _is_exact(command: Command, words: Sequence[str]) -> bool:
    """Whether no word of a line's head is cut short."""
    head = _head_words(command.head)
    start = 1 if words[0] in _NEGATIONS and head[0] not in ("no", "default") else 0
    if start + len(head) > len(words):
        return False
    for index, known in enumerate(head, start):
        if known is not None and known != words[index] and known != words[index].lower():
            return False
    return True


class Language:
    """All modes with all their commands.

    Parameters
    ----------
    modes
        The modes that say something about unknown lines; others are made as tables name them.
    tables
        The commands, by mode; each subject's file has one.
    """

    def __init__(self, modes: Iterable[Mode], tables: Iterable[Tables]) -> None:
        self.modes: dict[str, Mode] = {
            "ignored block": Mode("ignored block"),
            "unmodelled block": Mode("unmodelled block"),
        }
        for mode in modes:
            self.modes[mode.name] = Mode(mode.name, mode.unknown, mode.expected, mode.garbled)
        for table in tables:
            for name, rows in table.items():
                mode = self.modes.setdefault(name, Mode(name))
                for row in rows:
                    for command in (row,) if isinstance(row, Command) else row:
                        words = command.head.split()
                        if words[0] == "no":
                            mode.negative.add(words[1:], command)
                        else:
                            mode.plain.add(words, command)
        self.top = self.modes.setdefault("top", Mode("top"))


# --- what is gathered ------------------------------------------------------------------------------------------------


class Context:
    """What is gathered about one device while its text is read.

    Attributes
    ----------
    hostname
        From the text, None until a line names it.
    assume
        How readings are decided.
    findings
        What was noticed; the device's name is put in at the end.
    unmodelled
        Lines that make answers uncertain.
    list_uses
        Uses of lists that filter no forwarded packet.
    """

    def __init__(self, assume: Assumptions) -> None:
        self.hostname: str | None = None
        self.assume = assume
        self.findings: list[Finding] = []
        self.unmodelled: list[Unmodelled] = []
        self.list_uses: list[ListUse] = []
        self._parts: dict[type, Any] = {}

    def part(self, kind: type[Part]) -> Part:
        """Return the device's one collector of that class, made at first use."""
        found = self._parts.get(kind)
        if found is None:
            found = self._parts[kind] = kind()
        return cast("Part", found)

    def report(
        self,
        code: str,
        message: str,
        span: Span,
        *,
        acl: str | None = None,
        because: tuple[Span, ...] = (),
        help: str | None = None,
    ) -> None:
        """Note a finding of the catalogue."""
        self.findings.append(finding(code, message, span=span, acl=acl, because=because, help=help))

    def add_unmodelled(self, what: str, scopes: Scope | Sequence[Scope], span: Span) -> None:
        """Note a line that makes answers uncertain, with what it can touch."""
        for scope in scopes if isinstance(scopes, Sequence) else (scopes,):
            self.unmodelled.append(Unmodelled(what, scope, span=span))


# --- reading ---------------------------------------------------------------------------------------------------------


class Block:
    """A block that is open: its mode, what it is about, how it is indented."""

    __slots__ = (
        "all_lines",
        "closed",
        "header",
        "indent",
        "level",
        "mode",
        "seen_indented",
        "seen_level",
        "subject",
        "why",
    )

    def __init__(self, mode: Mode, subject: Any, header: TextLine, all_lines: LineClass | None = None, why: str = ""):
        self.mode = mode
        self.subject = subject
        self.header = header
        self.indent = header.indent
        # How deep the first line below stands; what stands deeper is part of a part that is not told apart.
        self.level = -1
        self.all_lines = all_lines
        self.why = why
        self.seen_indented = False
        self.seen_level = False
        self.closed = False


_LEAVING = frozenset({"ex", "exi", "exit", "quit"})


class LineReader:
    """Reads the lines of a text into contexts, one a device, and keeps the account.

    Parameters
    ----------
    language
        The tables.
    new_context
        Makes the context of a further device.
    """

    def __init__(self, language: Language, new_context: Callable[[], Context]) -> None:
        self._language = language
        self._new_context = new_context
        self.contexts = [new_context()]
        self._stack: list[Block] = []
        self._indented_text = False
        self.records: list[LineRecord] = []

    def read(self, lines: Sequence[TextLine]) -> dict[LineClass, int]:
        """Read the lines of one file and return how many became what; remarkable ones are added to `records`."""
        commands = [line for line in lines if line.kind is LineKind.COMMAND]
        indented = sum(1 for line in commands if line.indent)
        self._indented_text = indented * 10 > len(commands)
        self._stack.clear()
        counts = dict.fromkeys(LineClass, 0)
        counts[LineClass.IGNORED] = len(lines) - len(commands)
        read_one, command_kind, comment_kind = self._read_one, LineKind.COMMAND, LineKind.COMMENT
        for line in lines:
            if line.kind is command_kind:
                counts[read_one(line)] += 1
            elif line.kind is comment_kind and line.indent == 0 and line.text == "!":
                for block in self._stack:
                    block.closed = True
        return {line_class: count for line_class, count in counts.items() if count}

    def start_device(self, name: str) -> None:
        """Let what follows belong to another device."""
        self._stack.clear()
        self.contexts.append(self._new_context())
        self.contexts[-1].hostname = name

    # -- one line --

    def _read_one(self, source: TextLine) -> LineClass:
        """Return what became of a command line."""
        words = source.text.split()
        if not words:
            return LineClass.IGNORED
        if len(words) == 1:
            first = words[0].lower()
            if first in _LEAVING or first.startswith("exit-") or first == "end":
                self._leave(source, everything=first == "end")
                return LineClass.IGNORED
        line = CommandLine(source, words)
        block, found = self._place(line)
        if block is not None:
            line.subject = block.subject
            if block.all_lines is not None:
                return self._inside_whole(block, line, found)
        if found is None:
            return self._unknown(block, line)
        command, line.start, line.negated = found
        context = self.contexts[-1]
        if command.handler is None:
            return self._by_table(context, block, command, line)
        try:
            result = command.handler(context, line)
        except WrongLine as fault:
            return self._wrong(block, command, line, fault)
        if result is None:
            return LineClass.MODELLED
        if isinstance(result, Enter):
            self._stack.append(Block(self._language.modes[result.mode], result.subject, source))
            return LineClass.MODELLED
        if isinstance(result, StartDevice):
            self.start_device(result.name)
            return LineClass.MODELLED
        if result not in (LineClass.MODELLED, LineClass.IGNORED):
            self.records.append(LineRecord(line.span, result, ""))
        return result

    def _place(self, line: CommandLine) -> tuple[Block | None, tuple[Command, int, bool] | None]:
        """Return the block that a line stands in (None: top) and its command; leave the blocks that it is behind."""
        stack, words, indent = self._stack, line.words, line.source.indent
        depth = len(stack)
        while depth:
            block = stack[depth - 1]
            found = block.mode.find(words)
            if indent > block.indent and not block.closed:
                block.seen_indented = True
                if block.level < 0:
                    block.level = indent
                unclear = found is None or not _is_exact(found[0], words)
                if block.all_lines is None and unclear and indent <= block.level:
                    # As on a device: what the block does not know is tried outside of it. A word that is cut short
                    # is none that the block knows, if outside it is a whole one.
                    inside, found = found, None
                    for outside in range(depth - 1, -1, -1):
                        mode = stack[outside - 1].mode if outside else self._language.top
                        found = mode.find(words)
                        # An outer table that ignores it does not count: here the words may mean something else.
                        if found is not None and found[0].kind is not LineClass.IGNORED:
                            if inside is not None and not _is_exact(found[0], words):
                                continue
                            depth = outside
                            break
                    else:
                        del stack[depth:]
                        return block, inside
                    if depth and stack[depth - 1].all_lines is not None:
                        del stack[depth:]
                        return stack[-1], found
                    break
                del stack[depth:]
                return block, found
            if found is not None and not self._fits_better_outside(depth, words, found):
                block.closed = False
                block.seen_level = True
                del stack[depth:]
                return block, found
            depth -= 1
        else:
            found = self._language.top.find(words)
            if found is None and stack:
                garbled = self._garbled()
                if garbled is not None:
                    return garbled, None
        if found is not None or self._indented_text:
            del stack[depth:]
        else:
            # What stands below an unknown header is over with the next line that is not deeper.
            stack[:] = [block for block in stack if block.all_lines is not LineClass.UNKNOWN]
            for block in stack:
                block.closed = True
        return (stack[depth - 1] if depth else None), found

    def _fits_better_outside(self, depth: int, words: Sequence[str], found: tuple[Command, int, bool]) -> bool:
        """Whether a line that is not indented, and that the block at that depth knows, rather belongs outside of it.

        Of two readings the one that cuts no word short is meant. Where both are alike, the block goes on only
        in a text without indentation and without a `!` since.
        """
        block = self._stack[depth - 1]
        exact = _is_exact(found[0], words)
        ended = block.closed or block.seen_indented or self._indented_text
        if exact and not ended:
            return False
        modes = [self._language.top, *(outer.mode for outer in self._stack[: depth - 1])]
        outside = [other[0] for other in (mode.find(words) for mode in modes) if other is not None]
        return any(_is_exact(command, words) or (ended and not exact) for command in outside)

    def _garbled(self) -> Block | None:
        """Return the innermost block if a line that nobody knows can be meant for it."""
        block = self._stack[-1]
        if block.mode.garbled is None or block.seen_indented or block.closed or block.all_lines is not None:
            return None
        if self._indented_text and not block.seen_level:
            return None
        return block

    def _leave(self, source: TextLine, *, everything: bool) -> None:
        """Leave one block, or all."""
        stack = self._stack
        if everything:
            stack.clear()
            return
        while stack and stack[-1].indent > source.indent:
            stack.pop()
        # One that is indented deeper than the block's header leaves a part of the block that is not told apart;
        # and so does `exit-address-family` in a block that is taken as a whole.
        if stack and not (source.indent > stack[-1].indent or (stack[-1].all_lines and "-" in source.text)):
            stack.pop()

    # -- what becomes of it --

    def _inside_whole(self, block: Block, line: CommandLine, found: tuple[Command, int, bool] | None) -> LineClass:
        """Account for a line of a block that is taken as a whole; a handler may look at it and change its class."""
        line_class = block.all_lines
        assert line_class is not None
        # Below a header that could not be read the handlers have no subject.
        if found is not None and found[0].handler is not None and line_class is not LineClass.UNKNOWN:
            _, line.start, line.negated = found
            try:
                result = found[0].handler(self.contexts[-1], line)
            except WrongLine as fault:
                return self._wrong(block, found[0], line, fault)
            if isinstance(result, LineClass):
                line_class = result
        if line_class is not LineClass.IGNORED:
            self.records.append(LineRecord(line.span, line_class, block.why))
        return line_class

    def _by_table(self, context: Context, block: Block | None, command: Command, line: CommandLine) -> LineClass:
        """Account for a line that is ignored or unmodelled by its table."""
        line_class = command.kind
        why = ""
        if line_class is LineClass.UNMODELLED:
            if line.negated and not command.head.startswith("no "):
                return LineClass.IGNORED
            why = command.what
            context.report("PC412", f"{command.what} is not modelled", line.span)
            self._touch(context, command.what, (command.touches,), line)
            self.records.append(LineRecord(line.span, line_class, why))
        if command.opens is not None and not line.negated:
            mode = self._language.modes[command.opens]
            why = f"part of `{shorten(line.source.text)}`"
            self._stack.append(Block(mode, block.subject if block else None, line.source, line_class, why))
        return line_class

    def _wrong(self, block: Block | None, command: Command, line: CommandLine, fault: WrongLine) -> LineClass:
        """Account for a line that is known and cannot be read."""
        context = self.contexts[-1]
        context.report(fault.code, fault.message, fault.span, help=fault.help)
        mode = block.mode if block else self._language.top
        self._touch(context, "line that could not be read", (fault.scope, command.touches, mode.unknown), line)
        self.records.append(LineRecord(fault.span, LineClass.WRONG, fault.message))
        if command.opens is not None and not line.negated:
            why = "below a line that could not be read"
            self._stack.append(Block(self._language.modes[command.opens], None, line.source, LineClass.UNKNOWN, why))
        return LineClass.WRONG

    def _unknown(self, block: Block | None, line: CommandLine) -> LineClass:
        """Account for a line that no table knows, and for what stands below it."""
        context = self.contexts[-1]
        mode = block.mode if block else self._language.top
        index, known, ambiguous = mode.known_instead(line.words)
        message, cure = "the line is not complete", None
        if index < len(line.words):
            found = shorten(line.words[index])
            if ambiguous:
                message = f"`{found}` is the beginning of several words: {', '.join(known[:8])}"
                cure = "write it in full"
            else:
                message = f"`{found}` is not known here"
                cure = did_you_mean(line.words[index][:80], known)
        line.start = index
        line_class, code, lead = LineClass.UNKNOWN, "PC402", "unknown line: "
        if mode.expected is not None:
            line_class, code, lead = LineClass.WRONG, "PC401", ""
            fault = line.wrong(index, mode.expected, known=known)
            message, cure = fault.message, fault.help or cure
        span = line.span_of(index)
        context.report(code, lead + message, span, help=cure)
        self._touch(context, "unknown line", (mode.unknown,), line)
        if block is not None and line.source.indent <= block.indent and mode.garbled and not mode.garbled(line):
            self._touch(context, "unknown line", (self._language.top.unknown,), line)
        self.records.append(LineRecord(span, line_class, message))
        if block is None or line.source.indent > block.indent:
            nothing = self._language.modes["unmodelled block"]
            why = "below a line that could not be read"
            self._stack.append(Block(nothing, line.subject, line.source, LineClass.UNKNOWN, why))
        return line_class

    def _touch(self, context: Context, what: str, choices: Sequence[Any], line: CommandLine) -> None:
        """Note what a line can touch: the first choice that says something, else the whole device."""
        for choice in choices:
            scopes = choice(context, line) if callable(choice) else choice
            if scopes is HANDLED:
                return
            if scopes is not None:
                context.add_unmodelled(what, cast("Scope", scopes), line.span)
                return
        context.add_unmodelled(what, DeviceScope(), line.span)
