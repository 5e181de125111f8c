"""The file of required flows: what must stay open and what must stay closed.

The keys are checked here, each fault with its line and column. The words of the
flows are read later, against a fleet, because the names in them are the fleet's.
"""

from __future__ import annotations

import shlex

from pathcheck.errors import InputError
from pathcheck.model.required_flow import Expectation, RequiredFlow, RequiredWords
from pathcheck.parser.yaml_text import Complaints, YamlList, YamlNode, YamlText, load_yaml
from pathcheck.source import Span

__all__ = ["read_required_flows"]

_TOP_KEYS = ("flows",)
_KEYS = ("name", "flow", "expect", "reply", "at", "acl", "device", "owner", "reason", "always")
_OPTION_KEYS = ("at", "acl", "device")


def read_required_flows(file: str, data: bytes) -> tuple[RequiredFlow, ...]:
    r"""Read a file of required flows, in its order.

    Raises
    ------
    InputError
        The file has faults; the first, with all others behind it, each with line and column.

    Examples
    --------
    >>> text = b"flows:\n  - {name: names are looked up, flow: udp any 10.1.90.32:53, expect: open, owner: net}\n"
    >>> (required,) = read_required_flows("required-flows.yaml", text)
    >>> str(required.expect), required.flows[0].text, required.flows[0].span.line, required.owner
    ('open', 'udp any 10.1.90.32:53', 2, 'net')
    """
    root = load_yaml(file, data)
    if root is None:
        raise InputError("expected a mapping with the key `flows`, found an empty file", span=Span(file, 1, ""))
    said = Complaints()
    top = said.fields(root, "the file of required flows", _TOP_KEYS)
    entries: list[RequiredFlow] = []
    if "flows" in top:
        node = top["flows"][1]
        # `flows:` with nothing behind it is a list from which the last entry went.
        if not (isinstance(node, YamlText) and node.is_nothing):
            for item in said.items(node, "a list of required flows"):
                entry = _entry(item, said)
                if entry is not None:
                    entries.append(entry)
    elif not said.errors:
        said.add("the file of required flows needs the key `flows`", root.span)
    _refuse_repeated_names(entries, said)
    said.settle()
    return tuple(entries)


def _entry(node: YamlNode, said: Complaints) -> RequiredFlow | None:
    """{name, flow, expect, reply, at, acl, device, owner, reason, always}."""
    before = len(said.errors)
    found = {name: value for name, (_, value) in said.fields(node, "a required flow", _KEYS).items()}
    if not found:
        if len(said.errors) == before:
            said.add("a required flow needs the keys `flow` and `expect`", node.span)
        return None
    misspelt = len(said.errors) > before
    for key in ("flow", "expect"):
        if key not in found and not misspelt:
            said.add(f"a required flow needs the key `{key}`", node.span)

    def text(key: str, what: str) -> str | None:
        return said.text(found[key], what) if key in found else None

    def flag(key: str, what: str) -> bool:
        return bool(said.flag(found[key], what)) if key in found else False

    options = "".join(
        f" --{key} {shlex.quote(value)}"
        for key in _OPTION_KEYS
        if (value := text(key, f"a value of the option `--{key}`")) is not None
    )
    flows = _flows(found["flow"], options, said) if "flow" in found else ()
    known = [it.value for it in Expectation]
    expect = said.choice(found["expect"], "what is required", known) if "expect" in found else None
    reply = flag("reply", "whether the reply must come back")
    if reply and expect == Expectation.CLOSED:
        said.add("`reply: true` needs `expect: open`; what is closed has no reply", found["reply"].span)
    if reply and "acl" in found:
        said.add(
            "`reply: true` cannot stand beside `acl`; a list alone is asked for one direction", found["reply"].span
        )
    name = text("name", "a name of the required flow")
    owner, reason = text("owner", "who is to be asked"), text("reason", "why it is required")
    always = flag("always", "whether it must hold all through a rollout")
    if len(said.errors) > before or not flows or expect is None:
        return None
    return RequiredFlow(
        name=name or "; ".join(it.text for it in flows),
        flows=flows,
        expect=Expectation(expect),
        reply=reply,
        owner=owner,
        reason=reason,
        always=always,
        span=found["name"].span if "name" in found else node.span,
    )


def _flows(node: YamlNode, options: str, said: Complaints) -> tuple[RequiredWords, ...]:
    """One flow in words, or a list of them; the options of the entry hold for each."""
    words = []
    for item in said.one_or_more(node):
        text = said.text(item, "a flow `PROTO SRC[:PORT] DST[:PORT]`")
        if text is not None:
            words.append(RequiredWords(f"{text}{options}", item.span))
    if isinstance(node, YamlList) and not node.items:
        said.add("expected at least one flow, found an empty list", node.span)
    return tuple(words)


def _refuse_repeated_names(entries: list[RequiredFlow], said: Complaints) -> None:
    """Note a name that stands twice: reports and waivers go by it."""
    first: dict[str, RequiredFlow] = {}
    for entry in entries:
        known = first.setdefault(entry.name, entry)
        if known is not entry and entry.span is not None:
            place = f", first in line {known.span.line}" if known.span else ""
            said.add(f"two required flows are named `{entry.name}`{place}", entry.span, "give each a name of its own")
