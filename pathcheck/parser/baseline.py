"""The baseline file: the findings that were known when it was written, by fingerprint."""

from __future__ import annotations

import re

from pathcheck.errors import InputError
from pathcheck.parser.yaml_text import Complaints, YamlText, load_yaml
from pathcheck.source import Span

__all__ = ["read_baseline"]

_KEYS = ("fingerprint", "code", "device", "acl", "text")
_FINGERPRINT = re.compile(r"[0-9a-f]{32}")


def read_baseline(file: str, data: bytes) -> dict[str, Span]:
    r"""Return the fingerprints of a baseline with their places; the other keys are for readers.

    Raises
    ------
    InputError
        The file has faults; the first, with all others behind it, each with line and column.

    Examples
    --------
    >>> list(read_baseline("known.yaml", b"findings:\n  - {fingerprint: 0123456789abcdef0123456789abcdef}\n"))
    ['0123456789abcdef0123456789abcdef']
    """
    root = load_yaml(file, data)
    if root is None:
        raise InputError("expected a mapping with the key `findings`, found an empty file", span=Span(file, 1, ""))
    said = Complaints()
    top = said.fields(root, "the baseline", ("findings",))
    known: dict[str, Span] = {}
    if "findings" in top:
        node = top["findings"][1]
        for item in () if isinstance(node, YamlText) and node.is_nothing else said.items(node, "a list of findings"):
            before = len(said.errors)
            found = said.fields(item, "a finding of the baseline", _KEYS)
            if "fingerprint" not in found:
                if len(said.errors) == before:
                    said.add("a finding of the baseline needs the key `fingerprint`", item.span)
                continue
            value = found["fingerprint"][1]
            word = said.text(value, "the fingerprint of a finding")
            if word is None:
                continue
            if not _FINGERPRINT.fullmatch(word):
                said.add(f"expected a fingerprint of 32 hexadecimal digits, found `{word[:60]}`", value.span)
            elif word in known:
                said.add(f"the fingerprint stands twice; the first is in line {known[word].line}", value.span)
            else:
                known[word] = value.span
    elif not said.errors:
        said.add("the baseline needs the key `findings`", root.span)
    said.settle()
    return known
