"""Text before grammar: the lines of a file, each once, each with what kind of text it is.

What is cut here never reaches a grammar: banners, certificates and the texts
that a `show` puts in front. A banner may contain words such as `ip address`;
they are text, not configuration.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from pathcheck.parser.secrets import hide_secrets
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["LineKind", "TextLine", "split_lines"]


class LineKind(Enum):
    """What a line is before any grammar looks at it."""

    COMMAND = "command"
    BLANK = "blank"
    COMMENT = "comment"
    BANNER = "banner"
    CERTIFICATE = "certificate"
    PREAMBLE = "preamble"


@dataclass(frozen=True, slots=True)
class TextLine:
    """One line of a file.

    Parameters
    ----------
    span
        The whole line as written; `column` is where `text` begins.
    text
        The command: without indentation, prompt and trailing blanks; tabs and
        carriage returns are spaces. Character `i` of it stands in column
        `span.column + i` of the line as written.
    indent
        Blanks in front of the command, a tab counting one; 0 behind a prompt.
    kind
        Only the text of a COMMAND is for the grammars. A banner (or another block of
        free text) whose delimiter never comes back is a COMMAND that begins
        with `banner`: no grammar reads that, so it is reported.
    """

    span: Span
    text: str
    indent: int
    kind: LineKind


_BLANKS = str.maketrans("\t\r", "  ")
_PROMPT = re.compile(r"[A-Za-z][\w.\-/:@]{0,62}(?:\([^()]{1,40}\))?[#>]\s*")
_PAGER = re.compile(r"(?:<?-{2,3} ?More ?-{2,3}>?)[\s\x08]*")
_DELIMITED = re.compile(
    r"(?:banner(?: +(?:motd|login|exec|incoming|slip-ppp|prompt-timeout|lcd|config-save))?"
    r"|aaa +authentication +(?:banner|fail-message)|menu +\S+ +(?:title|prompt)"
    r"|vacant-message|refuse-message|busy-message +\S+)(?= |$|[^\w\s-]) *(.*)",
    re.IGNORECASE,
)
_CERTIFICATE = re.compile(r"certificate +(?:[a-z-]+ +)*[0-9A-F]+$", re.IGNORECASE)
_HEX = re.compile(r"[0-9A-F]+(?: +[0-9A-F]+)*$", re.IGNORECASE)
_BASE64 = re.compile(r"[A-Za-z0-9+/=]+(?: +[A-Za-z0-9+/=]+)*$")
_PREAMBLE = re.compile(
    r"(?:building configuration|generating configuration|current configuration ?:|running configuration ?:"
    r"|startup configuration ?:|using \d+ out of \d+ bytes|load for five secs|time source is "
    r"|enter configuration commands, one per line|uncompressed size|last configuration change at"
    r"|\*?(?:[A-Z][a-z]{2} +){1,2}\d+ \d\d:\d\d:\d\d"
    r"|%[A-Z0-9_]+-\d-[A-Z0-9_]+: |destination filename \[|\[ok\]$|password: ?$)",
    re.IGNORECASE,
)
_OPENERS = frozenset("bBaAmMvVrRcCkK-")
_PREAMBLE_STARTS = frozenset("bBgGcCrRsSuUlLtTeE*%dD[pPJFMAONW")


def split_lines(file: str, data: bytes) -> tuple[list[TextLine], list[Finding]]:
    """Cut a file into lines; each input line is exactly one element.

    Parameters
    ----------
    file
        Name for messages.
    data
        The file's bytes. A line ends at LF or CR LF; a lone CR is white space.
        A byte-order mark is dropped, bytes that are no UTF-8 are replaced, and so are secrets
        (:mod:`pathcheck.parser.secrets`).

    Returns
    -------
    tuple
        The lines, and at most one finding, PC409, on replaced bytes.
    """
    text, findings = _decode(file, data)
    written = text.split("\n")
    if not written[-1]:
        written.pop()
    lines: list[TextLine] = []
    free_text_until = 0
    kind = LineKind.COMMAND
    missing: set[str] = set()
    for number, raw in enumerate(written):
        if raw.endswith("\r"):
            raw = raw[:-1]
        command = raw.strip()
        indent = len(raw) - len(raw.lstrip())
        column = indent + 1
        if number < free_text_until:
            lines.append(TextLine(Span(file, number + 1, raw, column), command, indent, kind))
            continue
        if command[:2] in ("--", "<-"):
            pager = _PAGER.match(command)
            if pager:
                command, column, indent = command[pager.end() :], column + pager.end(), 0
        if "#" in command or ">" in command:
            prompt = _PROMPT.match(command)
            if prompt:
                command, column, indent = command[prompt.end() :], column + prompt.end(), 0
        if not command:
            line_kind = LineKind.BLANK
        elif command[0] in "!#":
            line_kind = LineKind.COMMENT
        else:
            line_kind = LineKind.COMMAND
            command = command.translate(_BLANKS)
            if command[0] in _OPENERS:
                kind, length = _block(command, written, number, missing)
                if length:
                    free_text_until = number + length
                    line_kind = kind
            if line_kind is LineKind.COMMAND and command[0] in _PREAMBLE_STARTS and _PREAMBLE.match(command):
                line_kind = LineKind.PREAMBLE
        lines.append(TextLine(Span(file, number + 1, raw, column), command, indent, line_kind))
    return lines, findings


def _decode(file: str, data: bytes) -> tuple[str, list[Finding]]:
    """Turn bytes into text, with a finding where bytes had to be replaced."""
    data = data.removeprefix(b"\xef\xbb\xbf")
    try:
        return hide_secrets(data.decode("utf-8")), []
    except UnicodeDecodeError as fault:
        before = data[: fault.start].decode("utf-8")
    text = hide_secrets(data.decode("utf-8", "replace"))
    line = before.count("\n")
    column = len(before) - before.rfind("\n")
    bad = sum("\N{REPLACEMENT CHARACTER}" in part for part in text.split("\n"))
    span = Span(file, line + 1, text.split("\n")[line].rstrip("\r"), column, column + 1)
    message = f"bytes that are no UTF-8 were replaced, on {bad} line{'s' if bad > 1 else ''}; the first is here"
    return text, [finding("PC409", message, span=span, help="save the file as UTF-8")]


def _block(command: str, written: Sequence[str], number: int, missing: set[str]) -> tuple[LineKind, int]:
    """Return the kind and the lines of the block of free text that a command opens; 0 lines where it opens none."""
    delimited = _DELIMITED.match(command)
    if delimited:
        return LineKind.BANNER, _banner_length(command, delimited[1], written, number, missing)
    lower = command.lower()
    if lower.startswith("macro name "):
        return LineKind.BANNER, _length_until("@", written, number, missing)
    if lower.startswith("-----begin "):
        return LineKind.CERTIFICATE, _length_until(lower.replace("begin", "end", 1), written, number, missing)
    if _CERTIFICATE.match(command):
        return LineKind.CERTIFICATE, _run_length(written, number, _HEX) or 1
    if lower == "key-string":
        return LineKind.CERTIFICATE, _run_length(written, number, _BASE64)
    return LineKind.COMMAND, 0


def _banner_length(command: str, rest: str, written: Sequence[str], number: int, missing: set[str]) -> int:
    """Count the lines of a banner from its first line; 0 where its delimiter never comes back."""
    if not rest:
        # A banner without a delimiter ends at a line of its own, in the prefix-length form.
        return _length_until("eof", written, number, missing) if command[0] in "bB" else 0
    candidates = [rest[0]]
    if re.match(r"\^[A-Z]", rest):
        # A control character is shown as two characters. A caret alone may be meant all the same.
        candidates = [rest[0], rest[:2]] if rest[2:].rstrip().endswith("^") else [rest[:2], rest[0]]
    for delimiter in candidates:
        if delimiter in rest[len(delimiter) :]:
            return 1
        if "in " + delimiter in missing:
            continue
        for further in range(number + 1, len(written)):
            if delimiter in written[further]:
                return further - number + 1
        missing.add("in " + delimiter)
    return 0


def _length_until(end: str, written: Sequence[str], number: int, missing: set[str]) -> int:
    """Count the lines up to and with the one that is `end`; 0 where none is, which is looked for only once."""
    if end not in missing:
        for further in range(number + 1, len(written)):
            if written[further].strip().lower() == end:
                return further - number + 1
        missing.add(end)
    return 0


def _run_length(written: Sequence[str], number: int, form: re.Pattern[str]) -> int:
    """Count the lines of a block whose lines all have one form up to `quit` or `exit`; 0 where that is missing."""
    for further in range(number + 1, len(written)):
        text = written[further].strip()
        if text.lower() in ("quit", "exit"):
            return further - number + 1
        if text and not form.match(text):
            return 0
    return 0
