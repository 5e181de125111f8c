"""YAML text as a tree of nodes that know where they stand.

Only the events of the YAML library are used: no object is ever constructed, no
type is guessed (`0123` stays `0123`), and nothing recurses, so hostile text
costs bounded time and memory. What is beyond plain mappings, lists and
scalars - tags, merge keys, aliases of what is not finished - is refused.
"""

from __future__ import annotations

import json
import re
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

from pathcheck.errors import InputError, nearest
from pathcheck.parser.secrets import hide_secrets
from pathcheck.source import Span

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["Complaints", "YamlList", "YamlMap", "YamlNode", "YamlText", "brief", "load_json", "load_yaml"]

T = TypeVar("T")

_MOST_BYTES = 32 * 1024 * 1024
_MOST_NODES = 1_000_000
_DEEPEST = 40
_FLAGS = {"true": True, "yes": True, "on": True, "false": False, "no": False, "off": False}
_NOTHING = ("", "~", "null", "Null", "NULL")
_SURROGATES = re.compile(r"\\u([dD][89abAB][0-9a-fA-F]{2})\\u([dD][c-fC-F][0-9a-fA-F]{2})")


class _Source:
    """A text with the places of its lines."""

    __slots__ = ("file", "starts", "text")

    def __init__(self, file: str, text: str) -> None:
        self.file = file
        self.text = text
        self.starts = [0, *(found.end() for found in re.finditer("\n", text))]

    def line(self, number: int) -> str:
        """Return the 1-based line without its end; empty behind the last."""
        if number > len(self.starts):
            return ""
        end = self.starts[number] - 1 if number < len(self.starts) else len(self.text)
        return self.text[self.starts[number - 1] : end].removesuffix("\r")

    def span(self, start: int, end: int | None = None) -> Span:
        """Return the place of the characters from `start` to `end`, cut at the end of the first line."""
        number = bisect_right(self.starts, min(start, len(self.text)))
        line = self.line(number)
        column = start - self.starts[number - 1] + 1
        last = 0 if end is None else min(end - self.starts[number - 1], len(line)) + 1
        return Span(self.file, number, line, column, last if last > column else 0)


@dataclass(frozen=True, slots=True)
class YamlText:
    """A scalar: its characters, never a guessed type.

    Parameters
    ----------
    value
        The text, escapes resolved.
    plain
        Whether it stands without quotation marks.
    block
        Whether it is a literal block (`|`), whose lines stand one by one in the file.
    """

    value: str
    plain: bool
    block: bool
    start: int
    end: int
    source: _Source = field(repr=False, compare=False)
    size: int = 1

    @property
    def span(self) -> Span:
        """Where it stands."""
        return self.source.span(self.start, self.end)

    @property
    def is_nothing(self) -> bool:
        """Whether it is YAML's null: nothing at all, `~` or `null`."""
        return self.plain and self.value in _NOTHING

    def lines(self) -> Iterator[tuple[str, Span]]:
        """Yield each line of the text with its place; a text of one line is that line."""
        if not self.block:
            yield from ((line, self.span) for line in self.value.split("\n"))
            return
        first = self.span.line + 1
        for number, line in enumerate(self.value.removesuffix("\n").split("\n"), first):
            written = self.source.line(number)
            yield line, Span(self.source.file, number, written, max(1, len(written) - len(line) + 1))


@dataclass(frozen=True, slots=True)
class YamlList:
    """A list; its items keep their order."""

    items: tuple[YamlNode, ...]
    start: int
    end: int
    source: _Source = field(repr=False, compare=False)
    size: int

    @property
    def span(self) -> Span:
        """Where it begins."""
        return self.source.span(self.start, self.end)


@dataclass(frozen=True, slots=True)
class YamlMap:
    """A mapping; its entries keep their order, no key stands twice."""

    entries: tuple[tuple[YamlText, YamlNode], ...]
    start: int
    end: int
    source: _Source = field(repr=False, compare=False)
    size: int

    @property
    def span(self) -> Span:
        """Where it begins."""
        return self.source.span(self.start, self.end)

    def get(self, key: str) -> YamlNode | None:
        """Return the value of a key, None where the key is absent."""
        return next((value for name, value in self.entries if name.value == key), None)

    @property
    def keys(self) -> tuple[str, ...]:
        """The keys in the order of the text."""
        return tuple(name.value for name, _ in self.entries)


YamlNode = YamlText | YamlList | YamlMap


def load_yaml(file: str, data: bytes) -> YamlNode | None:
    r"""Read the one document of a YAML file; None where the file holds none.

    Raises
    ------
    InputError
        It is no YAML, or uses what is refused: several documents, tags, keys
        that are no text or stand twice, nesting beyond 40 levels, more than a
        million nodes (aliases counted as often as they are used) or 32 MiB.
        The error carries line and column.

    Examples
    --------
    >>> node = load_yaml("fleet.yaml", b"places:\n  office: 10.1.20.0/24\n")
    >>> node.get("places").get("office").span.line
    2
    """
    return _Builder(_Source(file, _decode(file, data))).build()


def load_json(file: str, data: bytes) -> YamlNode:
    """Read a JSON file into the same nodes; the errors are those of :func:`load_yaml` and of JSON.

    JSON is checked by the JSON library first, so that nothing passes that only YAML allows.
    """
    text = _decode(file, data)
    source = _Source(file, text)
    try:
        json.loads(text, parse_constant=_no_constant, parse_int=len, parse_float=len)
    except json.JSONDecodeError as error:
        problem = error.msg[:1].lower() + error.msg[1:]
        raise InputError(f"this is no JSON: {problem}", span=source.span(error.pos)) from None
    except RecursionError:
        raise InputError(f"the JSON is nested more than {_DEEPEST} levels deep", span=source.span(0)) from None
    except ValueError as error:
        raise InputError(f"this is no JSON: {error}", span=source.span(0)) from None
    # JSON allows tabs between its signs and pairs of surrogates in its texts, YAML neither.
    friendly = _SURROGATES.sub(_one_character, text.replace("\t", " "))
    node = _Builder(_Source(file, friendly)).build()
    if node is None:
        raise InputError("this is no JSON: the file is empty", span=source.span(0))
    return node


class Complaints:
    """Reads values out of nodes and collects what is wrong with them.

    Each method returns None where the value is not as expected, after noting
    the fault; the reading goes on, so that one run shows every fault of a file.
    """

    def __init__(self) -> None:
        self.errors: list[InputError] = []

    def add(self, message: str, span: Span, help: str | None = None) -> None:
        """Note a fault."""
        self.errors.append(InputError(message, span=span, help=help))

    def settle(self) -> None:
        """Raise the first fault in the order of the file, with the others behind it, if there is any."""
        if self.errors:
            first, *others = sorted(self.errors, key=lambda error: (error.span.line, error.span.column))  # type: ignore[union-attr]
            raise InputError(first.message, span=first.span, help=first.help, others=tuple(others))

    def map(self, node: YamlNode, what: str) -> YamlMap | None:
        """Read a mapping; `what` says what it should hold."""
        if isinstance(node, YamlMap):
            return node
        self.add(f"expected {what}, found {_kind(node)}", node.span)
        return None

    def fields(self, node: YamlNode, what: str, known: Iterable[str]) -> dict[str, tuple[YamlText, YamlNode]]:
        """Read a mapping whose keys are all known; unknown ones are noted with the nearest known one."""
        mapping = self.map(node, what)
        if mapping is None:
            return {}
        names = tuple(known)
        found = {}
        for key, value in mapping.entries:
            if key.value in names:
                found[key.value] = (key, value)
                continue
            near = nearest(key.value, names)
            self.add(
                f"unknown key `{brief(key.value)}` in {what}; known are {', '.join(f'`{name}`' for name in names)}",
                key.span,
                f"did you mean `{near}`?" if near else None,
            )
        return found

    def items(self, node: YamlNode, what: str) -> tuple[YamlNode, ...]:
        """Read a list; `what` says what it should hold."""
        if isinstance(node, YamlList):
            return node.items
        self.add(f"expected {what}, found {_kind(node)}", node.span)
        return ()

    def one_or_more(self, node: YamlNode) -> tuple[YamlNode, ...]:
        """Read a list, or a single value as a list of one."""
        return node.items if isinstance(node, YamlList) else (node,)

    def text(self, node: YamlNode, what: str) -> str | None:
        """Read a scalar that is not empty."""
        if isinstance(node, YamlText) and not node.is_nothing and node.value.strip():
            return node.value.strip()
        self.add(f"expected {what}, found {_kind(node)}", node.span)
        return None

    def integer(self, node: YamlNode, what: str, lowest: int, highest: int) -> int | None:
        """Read a decimal number within bounds, both inclusive."""
        word = node.value.strip() if isinstance(node, YamlText) else ""
        # Leading zeros are octal to some readers of YAML and decimal to others.
        if re.fullmatch(r"0|[1-9][0-9]{0,18}", word) and lowest <= int(word) <= highest:
            return int(word)
        self.add(f"expected {what}, a number from {lowest} to {highest}, found {_kind(node)}", node.span)
        return None

    def flag(self, node: YamlNode, what: str) -> bool | None:
        """Read `true` or `false`."""
        if isinstance(node, YamlText) and node.plain and node.value.lower() in _FLAGS:
            return _FLAGS[node.value.lower()]
        self.add(f"expected {what}, `true` or `false`, found {_kind(node)}", node.span)
        return None

    def choice(self, node: YamlNode, what: str, known: Iterable[str]) -> str | None:
        """Read one of some words."""
        names = tuple(known)
        word = node.value if isinstance(node, YamlText) else ""
        if word in names:
            return word
        near = nearest(word, names)
        self.add(
            f"expected {what}, one of {', '.join(f'`{name}`' for name in names)}, found {_kind(node)}",
            node.span,
            f"did you mean `{near}`?" if near else None,
        )
        return None

    def parsed(self, node: YamlNode, what: str, parse: Callable[[str], T]) -> T | None:
        """Read a scalar by a function that raises ValueError with the rule that is broken."""
        word = self.text(node, what)
        if word is None:
            return None
        try:
            return parse(word)
        except ValueError as error:
            self.add(f"expected {what}: {error}", node.span)
            return None


class _Builder:
    """Builds the tree of nodes from the library's events, with a stack of its own."""

    def __init__(self, source: _Source) -> None:
        self._source = source
        self._open: list[_Opened] = []
        self._anchors: dict[str, YamlNode | None] = {}
        self._nodes = 0
        self._root: YamlNode | None = None

    def build(self) -> YamlNode | None:
        """Return the node of the only document."""
        import yaml

        loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
        documents = 0
        try:
            for event in yaml.parse(self._source.text, Loader=loader):
                if isinstance(event, yaml.DocumentStartEvent):
                    documents += 1
                    if documents > 1:
                        raise self._fault("a second YAML document; one file holds one", event)
                else:
                    self._take(event, yaml)
        except yaml.MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark
            problem = " ".join(filter(None, (error.context, error.problem))) or "it cannot be read"
            raise InputError(
                f"this is no YAML that can be read: {problem}", span=self._source.span(mark.index if mark else 0)
            ) from None
        except yaml.reader.ReaderError as error:
            raise InputError(
                f"this is no YAML that can be read: {error.reason}", span=self._source.span(int(error.position))
            ) from None
        return self._root

    def _take(self, event: Any, yaml: Any) -> None:
        """Use one event."""
        if isinstance(event, yaml.ScalarEvent):
            self._refuse_tag(event)
            value = event.value
            start, end = event.start_mark.index, event.end_mark.index
            plain = event.implicit[0] and event.style not in ("'", '"', "|", ">")
            self._add(YamlText(value, plain, event.style == "|", start, end, self._source), event)
        elif isinstance(event, yaml.AliasEvent):
            node = self._anchors.get(event.anchor)
            if node is None:
                why = "contains itself" if event.anchor in self._anchors else "is defined nowhere before"
                raise self._fault(f"the alias `*{brief(event.anchor)}` {why}", event)
            self._add(node, event)
        elif isinstance(event, yaml.CollectionStartEvent):
            self._refuse_tag(event)
            if len(self._open) >= _DEEPEST:
                raise self._fault(f"nested more than {_DEEPEST} levels deep", event)
            if event.anchor is not None:
                self._anchors[event.anchor] = None
            self._open.append(_Opened(isinstance(event, yaml.MappingStartEvent), event.start_mark.index, event.anchor))
        elif isinstance(event, yaml.CollectionEndEvent):
            self._close(event)

    def _close(self, event: Any) -> None:
        """Finish the innermost collection."""
        opened = self._open.pop()
        end = event.end_mark.index
        size = 1 + sum(node.size for node in opened.children)
        if not opened.is_map:
            self._add(YamlList(tuple(opened.children), opened.start, end, self._source, size), event, opened.anchor)
            return
        entries: list[tuple[YamlText, YamlNode]] = []
        seen: dict[str, YamlText] = {}
        for key, value in zip(opened.children[::2], opened.children[1::2], strict=True):
            if not isinstance(key, YamlText):
                raise InputError("a key must be a single word or text", span=key.span)
            if key.plain and key.value == "<<":
                raise InputError("the merge key `<<` is not read; write the keys out", span=key.span)
            if key.value in seen:
                raise InputError(
                    f"the key `{brief(key.value)}` stands twice; the first is in line {seen[key.value].span.line}",
                    span=key.span,
                )
            seen[key.value] = key
            entries.append((key, value))
        self._add(YamlMap(tuple(entries), opened.start, end, self._source, size), event, opened.anchor)

    def _add(self, node: YamlNode, event: Any, anchor: str | None = None) -> None:
        """Put a finished node into what it stands in."""
        anchor = anchor or (None if isinstance(event, _alias_event()) else getattr(event, "anchor", None))
        if anchor is not None:
            self._anchors[anchor] = node
        # A collection's own parts were counted when they were added; an alias repeats them all.
        self._nodes += node.size if isinstance(event, _alias_event()) else 1
        if self._nodes > _MOST_NODES:
            raise self._fault(f"more than {_MOST_NODES} values, those behind aliases counted each time", event)
        if self._open:
            self._open[-1].children.append(node)
        else:
            self._root = node

    def _refuse_tag(self, event: Any) -> None:
        """Tags could construct things; none has a use here."""
        if event.tag is not None:
            raise self._fault(f"the YAML tag `{brief(event.tag)}` is not allowed here", event)

    def _fault(self, message: str, event: Any) -> InputError:
        """Return an error at an event."""
        return InputError(message, span=self._source.span(event.start_mark.index, event.end_mark.index))


@dataclass(slots=True)
class _Opened:
    """A collection that is not finished."""

    is_map: bool
    start: int
    anchor: str | None
    children: list[YamlNode] = field(default_factory=list)


def _alias_event() -> Any:
    """Return the library's class of alias events."""
    import yaml

    return yaml.AliasEvent


def _decode(file: str, data: bytes) -> str:
    """Decode UTF-8, a byte-order mark dropped and secrets hidden."""
    if len(data) > _MOST_BYTES:
        raise InputError(
            f"the file has {len(data)} bytes, more than the {_MOST_BYTES} that are read", span=Span(file, 1, "")
        )
    try:
        return hide_secrets(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        before = hide_secrets(data[: error.start].decode("utf-8-sig", "replace"))
        source = _Source(file, before)
        raise InputError(
            f"the byte 0x{data[error.start]:02x} is no UTF-8; the file must be UTF-8 text",
            span=source.span(len(before)),
        ) from None


def _kind(node: YamlNode) -> str:
    """Name a node in an error."""
    if isinstance(node, YamlMap):
        return "a mapping"
    if isinstance(node, YamlList):
        return "a list"
    return "nothing" if node.is_nothing or not node.value.strip() else f"`{brief(node.value)}`"


def brief(text: str) -> str:
    """Return a text as one line that a message can bear."""
    line = " ".join(text.split())
    return line if len(line) <= 60 else f"{line[:57]}..."


def _no_constant(word: str) -> float:
    """Refuse `NaN` and `Infinity`, which the JSON library would take."""
    raise ValueError(f"`{word}` is no JSON number")


def _one_character(pair: re.Match[str]) -> str:
    """Write a pair of surrogates as one escape."""
    high, low = (int(part, 16) for part in pair.groups())
    return f"\\U{0x10000 + ((high - 0xD800) << 10) + (low - 0xDC00):08X}"
