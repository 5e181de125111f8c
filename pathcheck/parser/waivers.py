"""The file of waivers: findings that are lived with, each with a reason, an owner and a last day."""

from __future__ import annotations

import re
from collections.abc import Collection
from datetime import date

from pathcheck.errors import InputError, nearest
from pathcheck.model.waiver import Waiver
from pathcheck.parser.yaml_text import Complaints, YamlNode, YamlText, load_yaml
from pathcheck.source import Span

__all__ = ["read_waivers"]

_KEYS = ("fingerprint", "code", "file", "device", "acl", "text", "reason", "owner", "until")
_NARROW = ("file", "device", "acl", "text")
_NEEDED = {"reason": "why", "owner": "who is to be asked", "until": "the last day on which it holds"}
_FINGERPRINT = re.compile(r"[0-9a-f]{32}")


def read_waivers(file: str, data: bytes, codes: Collection[str], unwaivable: Collection[str]) -> tuple[Waiver, ...]:
    r"""Read a file of waivers, in its order.

    Parameters
    ----------
    codes
        The codes of the catalogue.
    unwaivable
        Those that no waiver can be for.

    Raises
    ------
    InputError
        The file has faults; the first, with all others behind it, each with line and column.

    Examples
    --------
    >>> text = b"waivers:\n  - {code: PC101, acl: TILLS, reason: goes in May, owner: net, until: 2026-05-31}\n"
    >>> (waiver,) = read_waivers("waivers.yaml", text, ["PC101"], [])
    >>> waiver.acl, str(waiver.until), waiver.span.line
    ('TILLS', '2026-05-31', 2)
    """
    root = load_yaml(file, data)
    if root is None:
        raise InputError("expected a mapping with the key `waivers`, found an empty file", span=Span(file, 1, ""))
    said = Complaints()
    top = said.fields(root, "the file of waivers", ("waivers",))
    waivers: list[Waiver] = []
    if "waivers" in top:
        node = top["waivers"][1]
        if not (isinstance(node, YamlText) and node.is_nothing):
            for item in said.items(node, "a list of waivers"):
                waiver = _waiver(item, said, codes, unwaivable)
                if waiver is not None:
                    waivers.append(waiver)
    elif not said.errors:
        said.add("the file of waivers needs the key `waivers`", root.span)
    said.settle()
    return tuple(waivers)


def _waiver(
    node: YamlNode, said: Complaints, codes: Collection[str], unwaivable: Collection[str]
) -> Waiver | None:  # fmt: skip
    """{fingerprint | code with file, device, acl, text; reason, owner, until}."""
    before = len(said.errors)
    found = {name: value for name, (_, value) in said.fields(node, "a waiver", _KEYS).items()}
    for key, what in _NEEDED.items():
        if key not in found and len(said.errors) == before:
            said.add(f"a waiver needs the key `{key}`: {what}", node.span)

    def text(key: str, what: str) -> str | None:
        return said.text(found[key], what) if key in found else None

    fingerprint = text("fingerprint", "the fingerprint of a finding")
    if fingerprint is not None and not _FINGERPRINT.fullmatch(fingerprint):
        said.add(f"expected a fingerprint of 32 hexadecimal digits, found `{fingerprint}`", found["fingerprint"].span)
    code = text("code", "the code of a finding")
    if code is not None and code not in codes:
        near = nearest(code, codes)
        said.add(f"no finding has the code `{code}`", found["code"].span, f"did you mean `{near}`?" if near else None)
    elif code is not None and code in unwaivable:
        said.add(f"`{code}` is about waivers and cannot be waived", found["code"].span)
    narrow = [key for key in _NARROW if key in found]
    if fingerprint is None and code is None and len(said.errors) == before:
        said.add("a waiver needs the key `fingerprint`, or `code` with `file`, `device`, `acl` or `text`", node.span)
    elif fingerprint is None and not narrow and len(said.errors) == before:
        said.add(
            "a waiver of a whole code would hide findings that nobody has seen",
            node.span,
            "name the `file`, the `device`, the `acl` or the `text` of the line as well",
        )
    waiver_until = said.parsed(found["until"], "the last day as `YYYY-MM-DD`", _day) if "until" in found else None
    reason, owner = text("reason", _NEEDED["reason"]), text("owner", _NEEDED["owner"])
    path, device = text("file", "a file of the fleet"), text("device", "a device")
    acl, line = text("acl", "the name of a list"), text("text", "a line")
    if len(said.errors) > before or reason is None or owner is None or waiver_until is None:
        return None
    return Waiver(reason, owner, waiver_until, fingerprint, code, path, device, acl, line, span=node.span)


def _day(word: str) -> date:
    """YYYY-MM-DD."""
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", word, re.ASCII):
        raise ValueError(f"`{word}` is no date of that form")
    try:
        return date.fromisoformat(word)
    except ValueError:
        raise ValueError(f"`{word}` is no day of the calendar") from None
