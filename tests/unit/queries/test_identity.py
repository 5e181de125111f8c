"""Serial numbers, addresses and bootstrap entries against each other. Common practice, no source."""

import pytest

from pathcheck.fleet import load_fleet_files
from pathcheck.queries.audit import audit_fleet
from pathcheck.queries.audit.identity import normal_serial
from pathcheck.queries.check import check_fleet

QUAY = """hostname {name}
vlan 99
interface Ethernet1
 switchport mode trunk
interface Vlan99
 ip address 10.20.99.{host} 255.255.255.0
ip default-gateway 10.20.99.1
"""
BOOT = """hostname blank
interface Vlan900
 ip address {address}
ip default-gateway 10.20.200.1
"""
DEVICES = {
    "quay-a": "{serial: FY26A0011, management: 10.20.99.11}",
    "quay-b": "{serial: FY26A0012, management: 10.20.99.12}",
}


def found(devices=None, bootstrap="", boot="dhcp", **files):
    entries = {**DEVICES, **(devices or {})}
    fleet = "devices:\n" + "".join(f"  {name}: {text}\n" for name, text in entries.items()) + bootstrap
    texts = {
        "quay-a.cfg": QUAY.format(name="quay-a", host=11),
        "quay-b.cfg": QUAY.format(name="quay-b", host=12),
        "fleet.yaml": fleet,
        **({"quay.boot": BOOT.format(address=boot)} if boot else {}),
        **files,
    }
    loaded = load_fleet_files({name: text.encode() for name, text in texts.items()})
    return [
        (item.code, item.device)
        for item in audit_fleet(loaded)
        if item.code.startswith(("PC36", "PC379")) or item.code == "PC305"
    ]


def entry(**keys):
    words = {"file": "quay.boot", "devices": "[quay-a, quay-b]", "subnet": "10.20.200.0/24", **keys}
    return "bootstrap:\n  - {" + ", ".join(f"{key}: {value}" for key, value in words.items() if value) + "}\n"


def test_a_sound_fleet_has_no_finding():
    assert found(bootstrap=entry(pool="10.20.200.100-10.20.200.199", gateway="10.20.200.1")) == []


@pytest.mark.parametrize("serial", ["fy26a0011", "FY26-A0011", "'fy26 a0011 '", "FY26\u2010A0011"])
def test_spelling_does_not_make_a_serial_number_another(serial):
    assert found({"quay-b": f"{{serial: {serial}, management: 10.20.99.12}}"}) == [("PC360", "quay-b")]


@pytest.mark.parametrize(("one", "other"), [("0123", "123"), ("FY26A0O11", "FY26A0011"), ("A.1", "A1")])
def test_other_characters_do(one, other):
    assert normal_serial(one) != normal_serial(other)


@pytest.mark.parametrize("serial", ["'*'", "any", "'FY26*'", "TBD", "'0000'", "n/a", "'-'"])
def test_a_serial_number_of_no_single_switch(serial):
    assert found({"quay-b": f"{{serial: {serial}, management: 10.20.99.12}}"}) == [("PC366", "quay-b")]


def test_nothing_is_asked_of_a_fleet_that_uses_neither_serials_nor_addresses():
    assert found({"quay-a": "{}", "quay-b": "{}"}) == []
    assert found({"quay-a": "{}", "quay-b": "{}"}, bootstrap=entry()) == [
        ("PC361", "quay-a"),
        ("PC365", "quay-a"),
        ("PC361", "quay-b"),
        ("PC365", "quay-b"),
    ]


def test_the_pool_and_the_bootstrap_address_are_nobodys():
    pool = entry(subnet="10.20.99.0/24", pool="10.20.99.12-10.20.99.20")
    assert sorted(found(bootstrap=pool, boot="10.20.99.99 255.255.255.0"), key=str) == [
        ("PC305", None),
        ("PC363", "quay-b"),
        ("PC364", None),
    ]
    fixed = entry(subnet="10.20.99.0/24", devices="[quay-a]")
    assert ("PC363", "quay-a") in found(bootstrap=fixed, boot="10.20.99.11 255.255.255.0")


def test_a_fixed_address_of_one_switch_is_not_shared():
    assert found(bootstrap=entry(devices="[quay-a]"), boot="10.20.200.50 255.255.255.0") == []
    assert found(bootstrap=entry(), boot="10.20.200.50 255.255.255.0") == [("PC364", None)]


def test_one_fixed_address_in_two_texts_is_shared():
    two = entry(devices="[quay-a]") + entry(devices="[quay-b]", file="other.boot").removeprefix("bootstrap:\n")
    texts = {"other.boot": BOOT.format(address="10.20.200.50 255.255.255.0")}
    assert found(bootstrap=two, boot="10.20.200.50 255.255.255.0", **texts) == [("PC364", None)]


@pytest.mark.parametrize(
    "keys",
    [
        {"gateway": "10.20.201.1"},
        {"gateway": "10.20.200.255"},
        {"pool": "10.20.200.100-10.20.201.5"},
        {"pool": "10.20.200.100-10.20.200.255"},
        {"gateway": "10.20.200.110", "pool": "10.20.200.100-10.20.200.199"},
        {"server": "10.20.200.110", "pool": "10.20.200.100-10.20.200.199"},
    ],
)
def test_addresses_that_do_not_fit_together(keys):
    assert found(bootstrap=entry(**keys)) == [("PC367", None)]


def test_a_fixed_address_outside_of_the_provisioning_subnet():
    fixed = found(bootstrap=entry(devices="[quay-a]"), boot="10.20.210.50 255.255.255.0")
    assert sorted(fixed) == [("PC305", None), ("PC367", None)]


def test_a_device_in_two_entries_and_twice_in_one():
    two = entry() + entry(devices="[quay-b]").removeprefix("bootstrap:\n")
    assert found(bootstrap=two) == [("PC368", "quay-b")]
    assert found(bootstrap=entry(devices="[quay-a, quay-a]")) == [("PC368", "quay-a")]


@pytest.mark.parametrize("devices", ["", "[any]", "['*']", "[]"])
def test_an_entry_for_each_switch(devices):
    assert found(bootstrap=entry(devices=devices)) == [("PC379", None)]


def test_a_bootstrap_file_that_is_missing_or_empty():
    assert found(bootstrap=entry(), boot="") == [("PC369", None)]
    assert found(bootstrap=entry(), boot="", **{"quay.boot": "! nothing yet\n"}) == [("PC369", None)]


def test_a_bootstrap_file_is_no_device_whatever_it_is_called():
    loaded = load_fleet_files(
        {"quay-a.cfg": b"vlan 20\n", "start.cfg": b"vlan 900\n", "fleet.yaml": b"bootstrap: [{file: start.cfg}]\n"}
    )
    assert list(loaded.config.devices) == ["quay-a"]


def test_what_is_wrong_in_a_bootstrap_text_is_found_by_check():
    loaded = load_fleet_files(
        {
            "quay-a.cfg": b"vlan 20\n",
            "quay.boot": b"interface Vlan900\n ip address 10.20.200.50 255.0.255.0\n",
            "fleet.yaml": b"bootstrap: [{file: quay.boot}]\n",
        }
    )
    assert ("PC401", "quay.boot") in [(item.code, item.span.file) for item in check_fleet(loaded) if item.span]
    assert not any(item.code == "PC401" for item in loaded.report.findings)


def test_a_folder_that_lacks_a_file_of_the_others():
    files = {f"quay-{each}/{name}": b"vlan 20\n" for each in "abcd" for name in ("vlans.cfg", "routes.cfg")}
    del files["quay-c/routes.cfg"]
    assert [
        (item.code, item.device) for item in audit_fleet(load_fleet_files(files)) if item.code.startswith("PC36")
    ] == [("PC369", "quay-c")]
    files = {f"quay-{each}/{name}": b"vlan 20\n" for each in "ab" for name in ("vlans.cfg", "routes.cfg")}
    del files["quay-b/routes.cfg"]
    assert not [item for item in audit_fleet(load_fleet_files(files)) if item.code.startswith("PC36")]
