"""A folder as a fleet: which files are devices, names, and what `fleet.yaml` adds."""

import os
from pathlib import Path

import pytest

from pathcheck.errors import InputError
from pathcheck.fleet import load_fleet, load_fleet_files
from pathcheck.fleet_source import read_state
from pathcheck.model.unmodelled import DeviceScope
from pathcheck.packet.address import Address
from pathcheck.packet.ranges import Ranges


def write(folder, **files):
    for name, text in files.items():
        put(folder, name, text)


def put(folder, name, data):
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data if isinstance(data, bytes) else data.encode())


def load(folder, files):
    for name, data in files.items():
        put(folder, name, data)
    return load_fleet(folder)


def named(name):
    return f"hostname {name}\ninterface Vlan20\n ip address 10.1.20.1 255.255.255.0\n"


def devices(loaded):
    return {name: device.files for name, device in loaded.config.devices.items()}


def codes(loaded):
    return [one.code for one in loaded.report.findings]


def test_each_text_file_and_each_folder_is_a_device(tmp_path):
    loaded = load(
        tmp_path,
        {
            "b.cfg": named("quay-b"),
            "a.conf": "vlan 5\n",
            "c.TXT": named("quay-c"),
            "notes.md": "hostname no\n",
            "terminal.boot": named("boot"),
            ".hidden.cfg": named("hidden"),
            ".git/x.cfg": named("git"),
            "quay-d/10-base.cfg": "vlan 5\n",
            "quay-d/20-lists.cfg": "vlan 6\n",
            "quay-d/README.md": "text\n",
            "quay-d/deep/30.cfg": "vlan 7\n",
            "site/quay-e/x.cfg": "vlan 8\n",
            "site/quay-f/x.cfg": "vlan 9\n",
            "docs/plan.pdf": b"%PDF",
        },
    )
    assert devices(loaded) == {
        "a": ("a.conf",),
        "quay-b": ("b.cfg",),
        "quay-c": ("c.TXT",),
        "quay-d": ("quay-d/10-base.cfg", "quay-d/20-lists.cfg", "quay-d/deep/30.cfg"),
        "quay-e": ("site/quay-e/x.cfg",),
        "quay-f": ("site/quay-f/x.cfg",),
    }
    assert sorted(loaded.config.devices["quay-d"].vlans) == [5, 6, 7]
    assert [account.file for account in loaded.report.files][:4] == ["a.conf", "b.cfg", "c.TXT", "quay-d/10-base.cfg"]
    assert loaded.folder == tmp_path


def test_data_files_join_the_text_of_their_name_or_folder(tmp_path):
    loaded = load(
        tmp_path,
        {
            "quay-a.cfg": named("quay-a"),
            "quay-a.yaml": "vlans: [20]\n",
            "quay-b.yaml": "hostname: quay-b\nvlans: [30]\n",
            "inventory.yaml": "vlans: [40]\n",
            "quay-c/base.cfg": named("quay-c"),
            "quay-c/vlans.yml": "vlans: [50]\n",
            "quay-c/meta.yaml": "owner: somebody\n",
            "group_vars/all.yaml": "vlans: [60]\n",
            "group_vars/site/x.yaml": "device: quay-d\nvlans: [70]\n",
        },
    )
    assert devices(loaded) == {
        "quay-a": ("quay-a.cfg", "quay-a.yaml"),
        "quay-b": ("quay-b.yaml",),
        "quay-c": ("quay-c/base.cfg", "quay-c/vlans.yml"),
        "quay-d": ("group_vars/site/x.yaml",),
    }


def test_fleet_yaml_says_what_text_cannot(tmp_path):
    loaded = load(
        tmp_path,
        {
            "fleet.yaml": """
devices:
  quay-a: {files: [texts/b.cfg, texts/a.cfg], serial: FY26A0011, management: 10.1.99.11, assume: {dotted_mask: netmask}}
  core-1: {management: 10.1.99.1}
links: ['quay-a:vl20 core-1:Ethernet3']
places: {controller: 10.1.90.5}
assume: {fragments: never}
session: {port: 830}
required_flows: flows/required.yaml
""",
            "texts/a.cfg": "vlan 5\n",
            "texts/b.cfg": "hostname quay-a\nip access-list extended A\n permit ip 10.1.20.0 255.255.255.0 any\n",
            "texts/core.cfg": named("core-1"),
            "flows/required.yaml": "flows: []\n",
        },
    )
    assert devices(loaded) == {"core-1": ("texts/core.cfg",), "quay-a": ("texts/b.cfg", "texts/a.cfg")}
    quay, core = loaded.config.devices["quay-a"], loaded.config.devices["core-1"]
    assert (quay.serial, str(quay.management), str(core.management)) == ("FY26A0011", "10.1.99.11", "10.1.99.1")
    assert (quay.assume.fragments, quay.assume.dotted_mask, core.assume.dotted_mask) == ("never", "netmask", "wildcard")
    assert str(quay.access_lists["ipv4", "A"].lines[0].source) == "10.1.20.0/24"
    assert str(loaded.config.links[0].a) == "quay-a:Vlan20"
    assert loaded.config.places["controller"].prefixes[0].first == Address.parse("10.1.90.5")
    assert loaded.config.session.ports == Ranges.single(830)
    assert loaded.config.required_flows == "flows/required.yaml"
    assert codes(loaded) == []


def test_settings_by_hostname_hold_from_the_first_line_on(tmp_path):
    loaded = load(
        tmp_path,
        {
            "fleet.yaml": "devices: {quay-a: {assume: {dotted_mask: netmask}}}\n",
            "two.cfg": named("quay-b") + "ip access-list extended A\n permit ip 10.1.20.0 0.0.0.255 any\n"
            "hostname quay-a\nip access-list extended A\n permit ip 10.1.20.0 255.255.255.0 any\n",
        },
    )
    lists = {
        name: str(device.access_lists["ipv4", "A"].lines[0].source) for name, device in loaded.config.devices.items()
    }
    assert lists == {"quay-a": "10.1.20.0/24", "quay-b": "10.1.20.0/24"}
    assert codes(loaded) == ["PC410"]


def test_two_devices_of_one_name(tmp_path):
    loaded = load(tmp_path, {"a.cfg": named("quay"), "b.cfg": "!\n" + named("quay"), "quay.cfg": named("quay")})
    assert devices(loaded) == {"b": ("b.cfg",), "quay": ("a.cfg",), "quay.cfg": ("quay.cfg",)}
    assert codes(loaded) == ["PC404", "PC404"]
    first = loaded.report.findings[0]
    assert (first.span.file, first.span.line, first.device) == ("b.cfg", 2, "b")
    assert [str(span) for span in first.because] == ["a.cfg:1"]
    assert {account.file: account.device for account in loaded.report.files}["b.cfg"] == "b"


def test_a_name_that_contradicts_fleet_yaml(tmp_path):
    loaded = load(tmp_path, {"fleet.yaml": "devices: {quay-a: {files: a.cfg, serial: S1}}\n", "a.cfg": named("quay-x")})
    assert devices(loaded) == {"quay-a": ("a.cfg",)}
    (found,) = loaded.report.findings
    assert (found.code, str(found.span), [str(span) for span in found.because]) == (
        "PC413",
        "a.cfg:1",
        ["fleet.yaml:1"],
    )
    assert loaded.config.devices["quay-a"].serial == "S1"


def test_one_file_is_a_fleet_of_one(tmp_path):
    put(tmp_path, "fleet.yaml", "nonsense: [\n")
    put(tmp_path, "quay", named("quay-a"))
    assert devices(load_fleet(tmp_path / "quay")) == {"quay-a": ("quay",)}
    put(tmp_path, "x.yaml", "vlans: [5]\n")
    assert devices(load_fleet(tmp_path / "x.yaml")) == {"x": ("x.yaml",)}


def test_files_in_memory_are_a_fleet():
    loaded = load_fleet_files({"b/x.cfg": b"vlan 5\n", "a.cfg": named("quay-a").encode(), ".git/y.cfg": b"vlan 6\n"})
    assert devices(loaded) == {"b": ("b/x.cfg",), "quay-a": ("a.cfg",)}


def test_a_refused_file_does_not_keep_the_others_from_being_read(tmp_path):
    loaded = load(
        tmp_path,
        {
            "fleet.yaml": "devices: {quay-a: {}, quay-b: {serial: S2}}\nlinks: ['quay-a:Vlan20 quay-b:Vlan20']\n",
            "quay-a.cfg": named("quay-a"),
            "quay-b.cfg": bytes(range(32)) * 50,
        },
    )
    assert list(loaded.config.devices) == ["quay-a"]
    refused = [account for account in loaded.report.files if account.refused]
    assert [account.file for account in refused] == ["quay-b.cfg"]
    assert codes(loaded) == ["PC403"]


def test_an_unreadable_file_of_a_device_makes_it_uncertain(tmp_path):
    (tmp_path / "quay-a").mkdir()
    (tmp_path / "quay-a" / "20.cfg").symlink_to(tmp_path / "nowhere")
    os.mkfifo(tmp_path / "quay-a" / "30.cfg")
    loaded = load(tmp_path, {"quay-a/10.cfg": named("quay-a")})
    assert codes(loaded) == ["PC403", "PC403"]
    assert [account.refused for account in loaded.report.files] == [
        None,
        "the file cannot be read: no such file or directory",
        "the file cannot be read: it is no regular file",
    ]
    assert [item.scope for item in loaded.config.devices["quay-a"].unmodelled] == [DeviceScope()] * 2


def test_links_between_folders_end(tmp_path):
    (tmp_path / "quay-a").mkdir()
    (tmp_path / "quay-a" / "again").symlink_to(tmp_path)
    (tmp_path / "other").symlink_to(tmp_path / "quay-a")
    loaded = load(tmp_path, {"quay-a/x.cfg": "vlan 5\n"})
    assert len(loaded.config.devices) == 1


@pytest.mark.parametrize(
    ("files", "words", "place"),
    [
        ({}, "no configuration in", None),
        ({"notes.md": "x"}, "a device is a file `*.cfg`, `*.conf`, `*.txt`", None),
        ({"a.cfg": "!", "fleet.yaml": "device: {}"}, "did you mean `devices`?", (1, 1)),
        ({"a.cfg": "!", "fleet.yml": "devices: {}"}, "its name must be `fleet.yaml`", (1, 1)),
        ({"a.cfg": "!", "fleet.yaml": "devices: {a: {files: [b.cfg]}}"}, "no file `b.cfg`", (1, 23)),
        (
            {"quay.cfg": "!", "fleet.yaml": "devices: {quya: {}}"},
            "no device `quya` in the fleet (did you mean",
            (1, 11),
        ),
        ({"a.cfg": "!", "fleet.yaml": "links: ['a:Ethernet1 b:Ethernet1']"}, "no device `b`", (1, 9)),
        ({"a.cfg": "!", "fleet.yaml": "bootstrap: [{file: x.boot, devices: [b]}]"}, "no device `b`", (1, 38)),
        ({"a.cfg": "!", "fleet.yaml": "required_flows: none.yaml"}, "no file `none.yaml`", (1, 17)),
    ],
)
def test_faults_of_the_fleet_are_errors(tmp_path, files, words, place):
    with pytest.raises(InputError) as caught:
        load(tmp_path, files)
    assert words in str(caught.value)
    if place is not None:
        assert (caught.value.span.line, caught.value.span.column) == place


def test_no_folder(tmp_path):
    with pytest.raises(InputError, match="cannot be read: no such file or directory"):
        load_fleet(tmp_path / "nowhere")


def test_a_name_that_is_no_text_can_be_shown(tmp_path):
    path = os.fsencode(tmp_path) + b"/quay-\xff.cfg"
    with open(path, "wb") as file:
        file.write(b"vlan 5\n")
    loaded = load_fleet(tmp_path)
    assert list(loaded.config.devices) == ["quay-\ufffd"]


def test_an_empty_path_is_no_folder():
    with pytest.raises(InputError, match="the path of the fleet is empty"):
        load_fleet("")
    with pytest.raises(InputError, match="the path of the fleet is empty"):
        read_state("", Path())
