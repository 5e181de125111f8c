"""Whatever stands in a file or in the words of a flow, only errors of ours come out (hypothesis)."""

import json

from hypothesis import given, settings
from hypothesis import strategies as st

from pathcheck.errors import PathcheckError
from pathcheck.fleet import load_fleet_files
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.parser.data_form import DEVICE_KEYS
from pathcheck.parser.device_files import read_device_files
from pathcheck.parser.fleet_file import read_fleet_file
from pathcheck.parser.flow_words import read_flow_line
from pathcheck.results.account import LineClass

WORDS = st.sampled_from([
    "any", "10.1.20.7", "10.1.20.0/24", "2001:db8::/32", "[2001:db8::1]:443", ":443", "80-90", "tcp", "icmp", "permit",
    "deny", "--flags", "--icmp", "--at", "echo", "-1", "", " ", "\t", "\x00", "\u2028", "'", '"', "]", "[", "%",
    "a:b:c", "9" * 400, "é", "Vlan20", "true", "null", "~", "0.0.0.255", "quay-a:Ethernet1 core:Ethernet2", "{}",
    "exit", "!",
])  # fmt: skip
SCALARS = WORDS | st.none() | st.booleans() | st.integers(-5, 70000) | st.floats(allow_nan=False) | st.text(max_size=8)


def trees(keys):
    """Nested data whose keys are mostly known ones."""
    names = st.sampled_from(keys) | WORDS
    return st.recursive(
        SCALARS, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(names, inner, max_size=5), max_leaves=25
    )


FLEET_KEYS = [
    "devices", "links", "places", "assume", "bootstrap", "session", "required_flows", "files", "serial", "management",
    "fragments", "file", "vlan", "subnet", "pool", "gateway", "protocols", "protocol", "port", "source", "quay-a",
]  # fmt: skip
DATA_KEYS = [
    *DEVICE_KEYS, "lines", "standard", "action", "protocol", "source", "destination_port", "flags", "remark",
    "addresses", "switch_port", "mode", "allowed", "in", "prefix", "next_hop", "discard", "first", "last", "Vlan20",
    "20", "shutdown",
]  # fmt: skip
YANG_KEYS = [
    "ietf-access-control-list:acls", "acl", "aces", "ace", "name", "type", "matches", "actions", "forwarding", "ipv4",
    "tcp", "icmp", "flags", "source-port", "port", "operator", "attachment-points", "interface", "interface-id",
    "ingress", "acl-sets", "acl-set", "ietf-routing:routing", "control-plane-protocols", "control-plane-protocol",
    "static-routes", "ipv6", "route", "destination-prefix", "next-hop", "next-hop-list", "special-next-hop",
]  # fmt: skip


def written(tree):
    """JSON text, which is YAML as well."""
    return json.dumps(tree).encode()


def fault_of(ask):
    """Return the error of ours that comes out, None where there is none."""
    try:
        ask()
    except PathcheckError as error:
        return error
    return None


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=60) | trees(FLEET_KEYS).map(written))
def test_fleet_yaml(data):
    fault = fault_of(lambda: read_fleet_file("fleet.yaml", data))
    assert fault is None or (fault.span is not None and fault.span.column >= 1)


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from(["a.yaml", "a.json"]),
    st.binary(max_size=60) | trees(DATA_KEYS).map(written) | trees(YANG_KEYS).map(written),
)
def test_data_of_a_device(name, data):
    parsed = read_device_files([("base.cfg", b"hostname a\n"), (name, data)], default_name="a", assume=Assumptions())
    assert parsed.devices
    for account in parsed.accounts:
        if account.refused is None:
            assert sum(account.counts.values()) == account.lines
            assert set(account.counts) <= set(LineClass)
    rows = data.decode("utf-8-sig", "replace").split("\n")
    for found in parsed.findings:
        if found.span.file == name and found.code != "PC403":
            assert 1 <= found.span.line <= len(rows)


@settings(max_examples=200, deadline=None)
@given(st.lists(WORDS | st.text(max_size=6), max_size=7).map(" ".join))
def test_words_of_a_flow(line):
    fault = fault_of(lambda: read_flow_line(line, FleetConfig({})))
    assert fault is None or str(fault)


@settings(max_examples=50, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(["a.cfg", "b.txt", "a.yaml", "x/y.cfg", "x/z.json", "x/w/v.yml", "fleet.yaml", ".x.cfg"]),
        st.binary(max_size=40) | trees(FLEET_KEYS + DATA_KEYS).map(written) | trees(YANG_KEYS).map(written),
        max_size=4,
    )
)
def test_whole_folders(files):
    try:
        loaded = load_fleet_files(files)
    except PathcheckError:
        return
    assert list(loaded.config.devices) == sorted(loaded.config.devices)
    assert all(name == device.name for name, device in loaded.config.devices.items())
