"""Fingerprints of findings: made from what a finding is about, so that they outlive edits elsewhere in the file.

Into one go the code, the device, the list, the block that the line stands in, and the
words of the line. No line number does, no file name where there is a device, no
sequence number of a list's line, and no message. Findings that agree in all of that are
numbered in the order of the text.
"""

from __future__ import annotations

import hashlib
import re
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence

from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["fingerprints", "line_words"]

_DIGITS = 32
_NUMBERED = re.compile(r"\d+ (?=(permit|deny|remark)\b)")
_OF_REQUIRED_FLOWS = ("PC381", "PC382", "PC383")


def fingerprints(findings: Sequence[Finding], config: FleetConfig) -> tuple[str, ...]:
    """Return the fingerprint of each finding, all different, in the order of the findings."""
    blocks = _Blocks(config.devices.values())
    keys = [_key(item, blocks) for item in findings]
    found = [""] * len(keys)
    seen: Counter[tuple[str, ...]] = Counter()
    for index in sorted(range(len(keys)), key=lambda number: _place(findings[number])):
        seen[keys[index]] += 1
        text = "\0".join((*keys[index], str(seen[keys[index]])))
        found[index] = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:_DIGITS]
    return tuple(found)


def line_words(text: str, *, in_list: bool) -> str:
    """Return a line with one blank between its words; a sequence number of a list's line is left out."""
    words = " ".join(text.split())
    return _NUMBERED.sub("", words, count=1) if in_list and _NUMBERED.match(words) else words


def _key(item: Finding, blocks: _Blocks) -> tuple[str, ...]:
    """What a finding is about."""
    span = item.span
    words = "" if span is None else line_words(span.text, in_list=item.acl is not None)
    file = span.file if span is not None and (item.device is None or not words) else ""
    if item.code in _OF_REQUIRED_FLOWS:
        # The flow is what it is about; where it fails is a matter of the day.
        return (item.code, "", "", "", words, span.file if span else "")
    block = "" if span is None or item.acl is not None else blocks.of(span)
    return (item.code, item.device or "", item.acl or "", block, words, file)


def _place(item: Finding) -> tuple[str, int, int, str]:
    """The order of the text."""
    span = item.span
    return (span.file, span.line, span.column, item.message) if span else ("", 0, 0, item.message)


class _Blocks:
    """The headers of blocks of lines, such as interfaces, by file."""

    def __init__(self, devices: Iterable[Device]) -> None:
        headers: dict[str, dict[int, str]] = {}
        for device in devices:
            for span in _headers(device):
                headers.setdefault(span.file, {})[span.line] = " ".join(span.text.split())
        self._headers = {file: sorted(lines.items()) for file, lines in headers.items()}
        self._lines = {file: [line for line, _ in found] for file, found in self._headers.items()}

    def of(self, span: Span) -> str:
        """Return the header of the block that an indented line stands in, empty where there is none."""
        if not span.text[:1].isspace():
            return ""
        before = bisect_right(self._lines.get(span.file, []), span.line) - 1
        return "" if before < 0 else self._headers[span.file][before][1]


def _headers(device: Device) -> Iterable[Span]:
    """The lines of a device that open blocks."""
    for collection in (device.interfaces, device.access_lists, device.groups, device.vlans):
        yield from (item.span for item in collection.values())
    yield from device.vrfs.values()
    yield from (item.span for item in device.terminal_lines)
