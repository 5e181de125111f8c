"""YAML and JSON text as nodes with places, and what is refused."""

import time

import pytest

from pathcheck.errors import InputError
from pathcheck.parser.yaml_text import Complaints, YamlList, YamlMap, YamlText, load_json, load_yaml


def refused(data: bytes, load=load_yaml) -> InputError:
    with pytest.raises(InputError) as caught:
        load("x.yaml", data)
    return caught.value


def test_places_of_keys_and_values_count_characters_of_the_line_as_written():
    node = load_yaml("x.yaml", "\ufeffé: [a, 'b c']\r\nx:\r\n  yy: 7 # seven\r\n".encode())
    assert isinstance(node, YamlMap)
    items = node.get("é")
    assert isinstance(items, YamlList)
    second = items.items[1].span
    assert (second.line, second.column, second.end, second.text) == (1, 8, 13, "é: [a, 'b c']")
    key, value = node.get("x").entries[0]
    assert (key.span.line, key.span.column, key.span.end) == (3, 3, 5)
    assert (value.span.line, value.span.column, value.span.end, value.value) == (3, 7, 8, "7")


def test_types_are_not_guessed():
    node = load_yaml("x.yaml", b"a: 0123\nb: 12:30\nc: 1e5\nd: no\ne: '~'\nf: ~\n")
    assert [value.value for _, value in node.entries] == ["0123", "12:30", "1e5", "no", "~", "~"]
    assert [value.is_nothing for _, value in node.entries] == [False] * 5 + [True]


def test_lines_of_a_block_stand_where_they_are_written():
    node = load_yaml("x.yaml", b"cli: |  # raw\n\n  interface Vlan20\n   shutdown\nz: 1\n")
    block = node.get("cli")
    assert [(line, span.line, span.column) for line, span in block.lines()] == [
        ("", 2, 1), ("interface Vlan20", 3, 3), (" shutdown", 4, 3),
    ]  # fmt: skip


def test_nothing_is_none():
    assert load_yaml("x.yaml", b"") is None
    assert load_yaml("x.yaml", b"# only a comment\n") is None


@pytest.mark.parametrize(
    ("data", "words", "line", "column"),
    [
        (b"a: 1\nb: 2\na: 3\n", "the key `a` stands twice; the first is in line 1", 3, 1),
        (b"a: [1, 2\nb: 3\n", "this is no YAML that can be read", 2, 2),
        (b"a:\n\tb: 1\n", "this is no YAML that can be read", 2, 1),
        (b"a: 1\n---\nb: 2\n", "a second YAML document", 2, 1),
        (b"a: !!python/object:os.system ls\n", "the YAML tag `tag:yaml.org,2002:python/object:os.system`", 1, 4),
        (b"a: &x [*x]\n", "the alias `*x` contains itself", 1, 8),
        (b"a: *x\n", "the alias `*x` is defined nowhere before", 1, 4),
        (b"b: &x {c: 1}\na:\n  <<: *x\n", "the merge key `<<` is not read", 3, 3),
        (b"? [1]\n: 2\n", "a key must be a single word or text", 1, 3),
        (b"a: " + b"[" * 500, "nested more than 40 levels deep", 1, 43),
        (b"a: \xff\n", "the byte 0xff is no UTF-8", 1, 4),
        (b"ok: 1\na: \x01\n", "control characters are not allowed", 2, 4),
    ],
)
def test_refusals_say_what_and_where(data, words, line, column):
    error = refused(data)
    assert words in error.message
    assert (error.span.file, error.span.line, error.span.column) == ("x.yaml", line, column)


def test_an_explosion_of_aliases_is_refused_at_once():
    rows = [b"a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    rows += [b"a%d: &a%d [%s]" % (n, n, b", ".join([b"*a%d" % (n - 1)] * 10)) for n in range(1, 12)]
    start = time.monotonic()
    error = refused(b"\n".join(rows))
    assert "those behind aliases counted each time" in error.message
    assert time.monotonic() - start < 2


def test_an_alias_may_repeat_what_is_finished():
    node = load_yaml("x.yaml", b"a: &x {b: 1}\nc: *x\nd: &y 5\ne: *y\n")
    assert node.get("c") is node.get("a")
    assert node.get("e").value == "5"


def test_json_is_read_with_places():
    node = load_json("x.json", b'{\n\t"a": [1, "\\ud83d\\ude00", true]\n}\n')
    items = node.get("a").items
    assert [item.value for item in items] == ["1", "\U0001f600", "true"]
    assert (items[0].span.line, items[0].span.column) == (2, 8)


@pytest.mark.parametrize(
    ("data", "words", "line", "column"),
    [
        (b'{"a": 1,}', "this is no JSON", 1, 9),
        (b"{a: 1}", "this is no JSON", 1, 2),
        (b'{"a": 1, "a": 2}', "the key `a` stands twice", 1, 10),
        (b"", "this is no JSON", 1, 1),
        (b'{"a": NaN}', "`NaN` is no JSON number", 1, 1),
        (b"[" * 100_000, "nested more than 40 levels deep", 1, 1),
        (b"[" * 100 + b"]" * 100, "nested more than 40 levels deep", 1, 41),
    ],
)
def test_bad_json_says_what_and_where(data, words, line, column):
    error = refused(data, load_json)
    assert words in error.message
    assert (error.span.line, error.span.column) == (line, column)


def test_a_huge_number_of_json_is_only_text():
    assert load_json("x.json", b"[" + b"9" * 10_000 + b"]").items[0].value == "9" * 10_000


def test_faults_are_collected_in_the_order_of_the_file():
    node = load_yaml("x.yaml", b"size: 70\nkind: rund\nextra: 1\nname:\n")
    said = Complaints()
    found = said.fields(node, "it", ("size", "kind", "extras", "name"))
    said.text(found["name"][1], "a name")
    said.choice(found["kind"][1], "a kind", ("round", "square"))
    said.integer(found["size"][1], "a size", 1, 64)
    with pytest.raises(InputError) as caught:
        said.settle()
    assert str(caught.value).splitlines() == [
        "x.yaml:1:7: expected a size, a number from 1 to 64, found `70`",
        "x.yaml:2:7: expected a kind, one of `round`, `square`, found `rund` (did you mean `round`?)",
        "x.yaml:3:1: unknown key `extra` in it; known are `size`, `kind`, `extras`, `name` (did you mean `extras`?)",
        "x.yaml:4:6: expected a name, found nothing",
    ]


def test_leading_zeros_are_no_number():
    said = Complaints()
    assert (
        said.integer(YamlText("010", True, False, 0, 3, load_yaml("x.yaml", b"010").source), "a VLAN", 1, 4094) is None
    )
    assert said.errors
