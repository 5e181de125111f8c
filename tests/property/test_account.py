"""Each line of each text is exactly one of modelled, ignored, unmodelled, unknown and wrong."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from pathcheck.parser.commands import Mode
from pathcheck.parser.configuration import SourceText, language, read_configuration

WORDS = (
    "no", "default", "ip", "ipv6", "access-list", "extended", "standard", "permit", "deny", "remark", "any", "host",
    "tcp", "icmp", "eq", "range", "80", "10", "110", "10.1.20.0", "0.0.0.255", "255.255.255.0", "10.1.20.0/24",
    "2001:db8::/32", "2001:db8::1", "object-group", "network", "service", "address", "group-object", "A", "B",
    "interface", "Vlan20", "Ethernet1", "vlan", "route", "vrf", "BLUE", "Null0", "router", "ospf", "hostname", "quay-a",
    "line", "vty", "0", "4", "access-group", "in", "banner", "motd", "^C", "exit", "end", "!", "quit", "shutdown",
    "switchport", "trunk", "allowed", "sequence", "resequence", "established", "log", "10.0.X.1", "<IP>", "certificate",
)  # fmt: skip
lines = st.builds(
    lambda indent, words: " " * indent + " ".join(words),
    st.integers(0, 3),
    st.lists(st.sampled_from(WORDS), max_size=8),
)


def heads(mode: Mode) -> list[str]:
    """All heads of a mode, with a value in the place of a class."""
    found, waiting = [], [("", mode.plain), ("no", mode.negative)]
    while waiting:
        head, node = waiting.pop()
        if node.command is not None:
            found.append(head)
        waiting += [(f"{head} {word}", following) for word, following in node.children.items()]
        waiting += [(f"{head} {VALUES[name]}", following) for name, following in node.classes.items()]
    return found


VALUES = {
    "<number>": "10", "<address>": "10.1.20.1", "<prefix>": "10.1.20.0/24", "<address6>": "2001:db8::1",
    "<masked>": "10.1.20.0/255.255.255.0", "<prefix6>": "2001:db8::/32", "<word>": "WORD",
}  # fmt: skip
HEADS = sorted({head.strip() for mode in language().modes.values() for head in heads(mode)})
commands = st.builds(
    lambda indent, head, words: " " * indent + " ".join([head, *words]),
    st.integers(0, 2),
    st.sampled_from(HEADS),
    st.lists(st.sampled_from(WORDS), max_size=4),
)
texts = st.one_of(
    st.lists(commands | lines, max_size=25).map(lambda found: "\n".join(found).encode()),
    st.lists(lines, max_size=25).map(lambda found: "\n".join(found).encode()),
    st.lists(lines | st.text(max_size=40), max_size=15).map(lambda found: "\r\n".join(found).encode()),
    st.binary(max_size=400),
)


def input_lines(data: bytes) -> int:
    """Count lines as the documentation defines them: a line ends at LF (or CR LF)."""
    text = data.removeprefix(b"\xef\xbb\xbf")
    return text.count(b"\n") + (not text.endswith(b"\n") and text != b"")


@settings(max_examples=300, deadline=None)
@given(st.lists(texts, min_size=1, max_size=2))
def test_each_line_is_accounted_for_once(found: list[bytes]) -> None:
    sources = [SourceText(f"{index}.cfg", data) for index, data in enumerate(found)]
    parsed = read_configuration(sources, default_name="quay-a")
    assert len(parsed.accounts) == len(sources)
    for account, data in zip(parsed.accounts, found, strict=True):
        assert account.lines == input_lines(data)
        if account.refused is None:
            assert sum(account.counts.values()) == account.lines
            assert all(record.span.line <= account.lines for record in account.records)


@settings(max_examples=100, deadline=None)
@given(st.lists(lines, max_size=25))
def test_reading_is_the_same_each_time(found: list[str]) -> None:
    source = SourceText("1.cfg", "\n".join(found).encode())
    assert read_configuration([source], default_name="a") == read_configuration([source], default_name="a")
