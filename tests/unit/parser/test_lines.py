from __future__ import annotations

import pytest

from pathcheck.parser.lines import LineKind, TextLine, split_lines

COMMAND, BLANK, COMMENT = LineKind.COMMAND, LineKind.BLANK, LineKind.COMMENT
BANNER, CERTIFICATE, PREAMBLE = LineKind.BANNER, LineKind.CERTIFICATE, LineKind.PREAMBLE


def cut(text: str | bytes) -> list[TextLine]:
    data = text.encode() if isinstance(text, str) else text
    return split_lines("quay-a.cfg", data)[0]


def kinds(*lines: str) -> list[LineKind]:
    return [line.kind for line in cut("\n".join(lines))]


@pytest.mark.parametrize(
    ("data", "texts"),
    [
        (b"", []),
        (b"\n", [""]),
        (b"hostname a", ["hostname a"]),
        (b"hostname a\nend\n", ["hostname a", "end"]),
        (b"hostname a\r\nend\r\n", ["hostname a", "end"]),
        (b"hostname\ra", ["hostname a"]),
        (b"\xef\xbb\xbfhostname a", ["hostname a"]),
        (b"description\ta\tb \t", ["description a b"]),
        ("description \N{LATIN SMALL LETTER A WITH RING ABOVE}re".encode(), ["description \u00e5re"]),
        (b"vlan 20\x0cvlan 21", ["vlan 20\x0cvlan 21"]),  # only LF ends a line
        ("description a\u2028b".encode(), ["description a\u2028b"]),
    ],
)
def test_each_line_is_cut_at_line_feeds_only(data: bytes, texts: list[str]) -> None:
    assert [line.text for line in cut(data)] == texts


@pytest.mark.parametrize(
    ("written", "text", "column", "indent"),
    [
        ("  shutdown", "shutdown", 3, 2),
        ("\tshutdown", "shutdown", 2, 1),
        ("sw1#show run", "show run", 5, 0),
        ("sw1>enable", "enable", 5, 0),
        ("quay-a(config-if)#  ip address 10.0.0.1 255.0.0.0", "ip address 10.0.0.1 255.0.0.0", 21, 0),
        ("RP/0/RSP0/CPU0:quay-a(config)#interface Loopback0", "interface Loopback0", 31, 0),
        (" --More-- \x08\x08\x08   \x08\x08\x08interface Vlan1", "interface Vlan1", 20, 0),
    ],
)
def test_columns_refer_to_the_line_as_written(written: str, text: str, column: int, indent: int) -> None:
    (line,) = cut(written)
    assert (line.text, line.span.column, line.indent) == (text, column, indent)
    assert line.span.text == written
    assert written[line.span.column - 1 :].replace("\t", " ").startswith(text)


def test_a_bare_prompt_is_blank_and_a_comment_is_no_command() -> None:
    assert kinds("sw1#", "!", " ! note", "# note", "", "   ", "end") == [
        BLANK,
        COMMENT,
        COMMENT,
        COMMENT,
        BLANK,
        BLANK,
        COMMAND,
    ]


@pytest.mark.parametrize(
    "lines",
    [
        ("banner motd ^C", "ip address 10.0.0.1 255.0.0.0", "^C"),
        ("banner login #", " permit ip any any", "text # more"),
        ("banner exec @ one line @",),
        ("banner motd ^Caution^",),
        ("banner motd ^CC", "hello", "^C"),
        ("banner motd \x03", "interface Vlan1", "\x03"),
        ("banner login", "interface Ethernet9", "EOF"),
        ("banner ^C text ^C",),
        ("aaa authentication banner ^C", "no entry", "^C"),
        ("macro name gate", "switchport access vlan 21", "@"),
    ],
)
def test_free_text_is_never_a_command(lines: tuple[str, ...]) -> None:
    assert kinds(*lines, "end") == [BANNER] * len(lines) + [COMMAND]


@pytest.mark.parametrize("first", ["banner motd ^C", "banner motd", "banner login %", "macro name gate"])
def test_a_banner_that_never_ends_swallows_nothing(first: str) -> None:
    assert kinds(first, "hostname quay-a", "interface Vlan1") == [COMMAND] * 3


@pytest.mark.parametrize(
    ("lines", "length"),
    [
        ((" certificate self-signed 01", "  30820229 30820192", "  \tquit"), 3),
        ((" certificate ca 3F", "  3082", "  quit"), 3),
        (("-----BEGIN CERTIFICATE-----", "MIIB+/=", "-----END CERTIFICATE-----"), 3),
        (("key-string", "AAAAB3NzaC1yc2E", "exit"), 3),
        ((" certificate self-signed 01", "  3082", "interface Vlan1"), 1),
        (("-----BEGIN CERTIFICATE-----", "interface Vlan1"), 0),
    ],
)
def test_certificates_are_one_block_and_end_where_they_must(lines: tuple[str, ...], length: int) -> None:
    found = kinds(*lines)
    assert found[:length] == [CERTIFICATE] * length
    assert CERTIFICATE not in found[length:]


@pytest.mark.parametrize(
    "line",
    [
        "Building configuration...",
        "Current configuration : 2311 bytes",
        "Using 1034 out of 524288 bytes",
        "Wed Mar  4 06:12:01.123 UTC",
        "Enter configuration commands, one per line.  End with CNTL/Z.",
        "*Mar  1 00:00:10.123: %SYS-5-CONFIG_I: Configured from console",
    ],
)
def test_the_text_in_front_of_a_show_is_no_command(line: str) -> None:
    assert kinds(line) == [PREAMBLE]


def test_bad_bytes_are_replaced_with_one_finding() -> None:
    lines, findings = split_lines("quay-a.cfg", b"hostname a\n description \xe5re\n description \xff\n")
    assert [line.text for line in lines] == ["hostname a", "description \ufffdre", "description \ufffd"]
    (found,) = findings
    assert found.code == "PC409"
    assert found.span is not None
    assert (found.span.line, found.span.column, found.span.end) == (2, 14, 15)
    assert "2 lines" in found.message


def test_many_open_banners_take_no_more_than_one_look() -> None:
    lines = ["banner motd ^Cx"] * 20_000
    assert set(kinds(*(line.replace("^C", "~") for line in lines[:1]), *["-----BEGIN X-----"] * 20_000)) == {COMMAND}
