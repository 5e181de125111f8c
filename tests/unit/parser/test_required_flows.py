"""The file of required flows: its keys, and its faults with line and column."""

import pytest

from pathcheck.errors import InputError
from pathcheck.model.required_flow import Expectation
from pathcheck.parser.required_flows import read_required_flows

FULL = b"""\
flows:
  - name: tickets are sold
    flow: [tcp counters booking:443, "tcp counters booking:8443"]
    expect: open
    reply: true
    at: terminal-north:Vlan20
    owner: ticketing
    reason: without it nobody boards
    always: true
  - {flow: udp any 10.1.90.32:53, expect: closed, acl: NAMES IN, device: core-1}
"""


def read(text):
    return read_required_flows("wanted.yaml", text if isinstance(text, bytes) else text.encode())


def fault(text):
    with pytest.raises(InputError) as caught:
        read(text)
    return caught.value


def test_all_keys():
    first, second = read(FULL)
    assert [it.text for it in first.flows] == [
        "tcp counters booking:443 --at terminal-north:Vlan20",
        "tcp counters booking:8443 --at terminal-north:Vlan20",
    ]
    assert (first.name, first.expect, first.reply, first.always) == ("tickets are sold", Expectation.OPEN, True, True)
    assert (first.owner, first.reason) == ("ticketing", "without it nobody boards")
    assert [(it.span.line, it.span.column) for it in first.flows] == [(3, 12), (3, 38)]
    assert (first.span.line, first.span.column) == (2, 11)
    # A value with a blank in it stays one word.
    assert second.flows[0].text == "udp any 10.1.90.32:53 --acl 'NAMES IN' --device core-1"
    assert (second.name, second.expect, second.reply) == (second.flows[0].text, Expectation.CLOSED, False)


@pytest.mark.parametrize("text", ["flows: []", "flows:", "flows: []\n# none yet\n"])
def test_no_flow_at_all(text):
    assert read(text) == ()


ENTRY = "flows:\n  - {name: a, flow: ip any any, expect: open%s}\n"


@pytest.mark.parametrize(
    ("text", "line", "column", "words", "help"),
    [
        ("", 1, 1, "expected a mapping with the key `flows`", None),
        ("- a\n", 1, 1, "expected the file of required flows, found a list", None),
        ("{}\n", 1, 1, "needs the key `flows`", None),
        ("flow: []\n", 1, 1, "unknown key `flow`", "did you mean `flows`?"),
        ("flows: 3\n", 1, 8, "expected a list of required flows", None),
        ("flows:\n  - ip any any\n", 2, 5, "expected a required flow, found", None),
        ("flows:\n  - {}\n", 2, 5, "needs the keys `flow` and `expect`", None),
        ("flows:\n  - {name: a, flow: ip any any}\n", 2, 5, "needs the key `expect`", None),
        ("flows:\n  - {name: a, expect: open}\n", 2, 5, "needs the key `flow`", None),
        ("flows:\n  - {flow: [], expect: open}\n", 2, 12, "expected at least one flow", None),
        ("flows:\n  - {flow: ip any any, expect: opened}\n", 2, 32, "one of `open`, `closed`", "did you mean `open`?"),
        (ENTRY % ", ownr: x", 2, 47, "unknown key `ownr`", "did you mean `owner`?"),
        (ENTRY % ", reply: sometimes", 2, 54, "`true` or `false`", None),
        (ENTRY % ", reply: true, acl: A", 2, 54, "cannot stand beside `acl`", None),
        ("flows:\n  - {flow: ip any any, expect: closed, reply: yes}\n", 2, 47, "needs `expect: open`", None),
        (ENTRY % ", name: b", 2, 47, "`name`", None),
        (ENTRY % "" + "  - {name: a, flow: ip any any, expect: open}\n", 3, 12, "first in line 2", "a name of its own"),
        ("flows: [}\n", 1, 9, "no YAML that can be read", None),
    ],
)
def test_faults_stand_at_their_place(text, line, column, words, help):
    error = fault(text)
    assert (error.span.file, error.span.line, error.span.column) == ("wanted.yaml", line, column)
    assert words in error.message
    assert help is None or help in error.help


def test_each_fault_of_a_file_is_told():
    error = fault("flows:\n  - {flow: 3, expect: open, x: 1}\n  - {flow: ip any any, expect: shut}\nmore: 1\n")
    assert [one.span.line for one in (error, *error.others)] == [2, 3, 4]


def test_equal_meaning_at_another_place_is_equal():
    assert read(ENTRY % "") == read("# a line more\n" + ENTRY % "")
