from __future__ import annotations

import pytest

from pathcheck.parser.dialects import recognise as dialects
from pathcheck.parser.dialects.recognise import Dialect, recognise
from pathcheck.parser.lines import split_lines


def dialect(text: str | bytes) -> Dialect:
    return recognise(split_lines("quay-a.cfg", text.encode() if isinstance(text, str) else text)[0])


REFUSED = [
    (
        dialects.NETMASK,
        "interface Ethernet0/0\n nameif outside\n security-level 0\n ip address 192.0.2.2 255.255.255.252\n"
        "access-list OUT extended permit tcp any host 192.0.2.10 eq 443\naccess-group OUT in interface outside\n"
        "route outside 0.0.0.0 0.0.0.0 192.0.2.1 1\n",
    ),
    (dialects.NETMASK, "access-list OUT extended permit tcp any host 192.0.2.10 eq 443\n"),
    (
        dialects.NETMASK,
        "interface Ethernet0/0\n switchport access vlan 2\ninterface Vlan2\n nameif inside\n security-level 100\n"
        "interface Ethernet0/1\n switchport access vlan 2\n",
    ),
    (
        dialects.RULE_NUMBER,
        "sysname quay-a\nacl number 3000\n rule 5 permit tcp source 10.1.20.0 0.0.0.255\n"
        "interface Vlanif20\n ip address 10.1.20.1 24\nip route-static 0.0.0.0 0 192.0.2.1\nline vty 0 4\n",
    ),
    (
        dialects.SET_STYLE,
        "set interfaces ethernet eth0 address 192.0.2.2/30\nset firewall name OUT rule 10 action accept\n"
        "set protocols static route 0.0.0.0/0 next-hop 192.0.2.1\n",
    ),
    (
        dialects.HIERARCHICAL,
        "interfaces {\n    ge-0/0/0 {\n        unit 0 {\n            family inet {\n"
        "                address 192.0.2.2/30;\n            }\n        }\n    }\n}\n",
    ),
    (
        dialects.VLAN_CENTRIC,
        "hostname quay-a\nvlan 20\n   name tickets\n   untagged 1-8\n   tagged 24\n"
        "   ip address 10.1.20.1 255.255.255.0\n"
        "ip default-gateway 10.1.20.254\nip route 0.0.0.0 0.0.0.0 10.1.20.254\n",
    ),
]


@pytest.mark.parametrize(("expected", "text"), REFUSED)
def test_other_dialects_are_refused_by_their_trait(expected: Dialect, text: str) -> None:
    found = dialect(text)
    assert found == expected
    assert found.refused == f"this dialect is not read: {expected.trait}"


@pytest.mark.parametrize(
    "data",
    [bytes(range(256)) * 4, "hostname quay-a\n".encode("utf-16"), b"\x7fELF\x02\x01\x01\x00\x00\x00\x00"],
)
def test_what_is_no_text_is_refused(data: bytes) -> None:
    assert dialect(data) is dialects.BINARY


@pytest.mark.parametrize("text", ["", "\n\n", "!\n! nothing yet\n", "sw1#\n"])
def test_a_text_without_commands_is_empty_and_not_refused(text: str) -> None:
    assert dialect(text) is dialects.EMPTY
    assert dialects.EMPTY.refused is None


@pytest.mark.parametrize(
    "text",
    [
        "hostname quay-a\nip route 0.0.0.0 0.0.0.0 192.0.2.1\n",
        "ip route 10.0.0.0/8 192.0.2.1\n",
        "route-map X permit 10\n set ip next-hop 192.0.2.1\n set local-preference 200\n",
        "role name operator\n rule 1 permit command show *\n rule 2 permit read\nhostname quay-a\n",
        "interface Vlan20\n description {tickets};\n ip address 10.1.20.1 255.255.255.0\nline vty 0 4\n",
        "access-list 110 permit tcp any any eq www\n",
        "ip access-list extended A\n permit ip any any\n remark undo this\n",
        # One stray line of another dialect among lines of ours is an unknown line, not another dialect.
        "hostname quay-a\nnameif outside\nip route 0.0.0.0 0.0.0.0 192.0.2.1\nline vty 0 4\nswitchport mode access\n",
        "vlan 20\n tagged 1/1/1\ninterface 1/1/2\n vlan access 20\n",
        "some words\nthat are no configuration\n",
    ],
)
def test_texts_of_the_two_forms_are_read(text: str) -> None:
    assert dialect(text) is dialects.READ


def test_one_control_character_does_not_refuse_a_long_text() -> None:
    assert dialect("hostname quay-a\n description x\x00\n" + "interface Vlan20\n" * 50) is dialects.READ
