"""`fleet.yaml`: every key, and what is said about wrong ones."""

import pytest

from pathcheck.errors import InputError
from pathcheck.model.assumptions import Assumptions
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import TCP
from pathcheck.packet.ranges import Ranges
from pathcheck.parser.fleet_file import FleetFile, read_fleet_file

WHOLE = b"""\
devices:
  quay-a: {files: [quay-a.cfg], serial: 0123, management: 10.1.99.11, assume: {undefined_list: denies-all}}
  core-1:
links:
  - quay-a:eth1 core-1:Ethernet3
places:
  controller: 10.1.90.5
  ticketing: [10.1.20.0/24, 10.1.21.0/24, office]
  office: [2001:db8:20::/64, controller, 10.1.20.0/24]
assume: {fragments: never}
bootstrap:
  - {file: ./boot/terminal.boot, devices: [quay-a, quay-b], vlan: 900, subnet: 10.1.200.0/24,
     pool: 10.1.200.100-10.1.200.199, gateway: 10.1.200.1, dhcp: 10.1.90.67, server: 10.1.90.5,
     protocols: [tftp, https, tcp/8443]}
session: {port: 830, source: controller}
required_flows: required-flows.yaml
"""


def read(data) -> FleetFile:
    return read_fleet_file("fleet.yaml", data if isinstance(data, bytes) else data.encode())


def fault(data) -> InputError:
    with pytest.raises(InputError) as caught:
        read(data)
    return caught.value


def test_every_key_is_read():
    fleet = read(WHOLE)
    entry = fleet.devices["quay-a"]
    assert [file.path for file in entry.files] == ["quay-a.cfg"]
    assert (entry.serial, entry.management) == ("0123", Address.parse("10.1.99.11"))
    assert fleet.devices["core-1"].files == ()
    assert [str(end) for end in (fleet.links[0].a, fleet.links[0].b)] == ["quay-a:Ethernet1", "core-1:Ethernet3"]
    assert fleet.links[0].span.line == 5
    assert fleet.places["ticketing"].prefixes == tuple(
        map(Prefix.parse, ("10.1.20.0/24", "10.1.21.0/24", "2001:db8:20::/64", "10.1.90.5"))
    )
    assert fleet.assumptions() == Assumptions(fragments="never")
    assert fleet.assumptions("quay-a") == Assumptions(fragments="never", undefined_list="denies-all")
    boot = fleet.bootstrap[0]
    assert (boot.file, boot.devices, boot.vlan) == ("boot/terminal.boot", ("quay-a", "quay-b"), 900)
    assert boot.pool == (Address.parse("10.1.200.100"), Address.parse("10.1.200.199"))
    assert boot.protocols == ("tftp", "https", "tcp/8443")
    assert (fleet.session.protocol, fleet.session.ports) == (TCP, Ranges.single(830))
    assert fleet.required_flows.path == "required-flows.yaml"


def test_an_empty_file_is_a_fleet_without_settings():
    assert read(b"# nothing yet\n") == FleetFile()
    assert read(b"places:\ndevices:\n") == FleetFile()


@pytest.mark.parametrize(
    ("text", "line", "column", "words"),
    [
        ("placse: {}", 1, 1, "unknown key `placse` in `fleet.yaml`"),
        ("placse: {}", 1, 1, "did you mean `places`?"),
        ("- a", 1, 1, "expected `fleet.yaml`, found a list"),
        ("devices: [quay-a]", 1, 10, "expected devices by name, found a list"),
        ("devices: {'a b': {}}", 1, 11, "without blanks"),
        ("devices: {a: {serail: 1}}", 1, 15, "did you mean `serial`?"),
        ("devices: {a: {management: 10.1.99.256}}", 1, 27, "octet `256` is above 255"),
        ("devices: {a: {files: x.cfg}, b: {files: [x.cfg]}}", 1, 42, "belongs to `a` already"),
        ("devices: {a: {files: ../x.cfg}}", 1, 22, "inside the fleet's folder"),
        ("devices: {a: {files: /etc/hosts}}", 1, 22, "inside the fleet's folder"),
        ("devices: {a: {assume: {fragments: layer4}}}", 1, 35, "one of `layer3`, `never`, found `layer4`"),
        ("assume: {fragment: never}", 1, 10, "did you mean `fragments`?"),
        ("links: [a:Ethernet1]", 1, 9, "expected a link `DEVICE:INTERFACE DEVICE:INTERFACE`, found `a:Ethernet1`"),
        ("links: ['a:Vlan 20 b:Vlan 20']", 1, 9, "without blanks"),
        (
            "links:\n- a:Ethernet1 b:Ethernet1\n- c:Ethernet1 a:eth1",
            3,
            3,
            "`a:Ethernet1` has a cable in line 2 already",
        ),
        ("links: [a:Ethernet1 a:Ethernet1]", 1, 9, "has a cable"),
        ("places: {any: 10.0.0.1}", 1, 10, "`any` cannot name a place"),
        ("places: {10.0.0.1: 10.0.0.1}", 1, 10, "cannot name a place"),
        ("places: {a: 10.1.20.7/24}", 1, 13, "the prefix is `10.1.20.0/24`"),
        ("places: {a: 10.1.020.7}", 1, 13, "leading zero"),
        ("places: {a: []}", 1, 13, "the place `a` is empty"),
        ("places: {a: }", 1, 13, "found nothing"),
        ("places: {office: 10.0.0.1, a: [ofice]}", 1, 32, "did you mean `office`?"),
        ("places: {a: b, b: [10.0.0.1, c], c: a}", 1, 37, "places that contain themselves: a -> b -> c -> a"),
        ("places: {a: [a]}", 1, 14, "places that contain themselves: a -> a"),
        ("places: {a: 10.0.0.1, a: 10.0.0.2}", 1, 23, "the key `a` stands twice"),
        ("bootstrap: [{devices: [a]}]", 1, 13, "needs the key `file`"),
        ("bootstrap: [{file: a, vlan: 4095}]", 1, 29, "a number from 1 to 4094, found `4095`"),
        ("bootstrap: [{file: a, pool: 10.0.0.9-10.0.0.1}]", 1, 29, "ends before it begins"),
        ("bootstrap: [{file: a, subnet: 10.0.0.1/24}]", 1, 31, "host bits"),
        ("bootstrap: [{file: a, protocols: [tfpt]}]", 1, 35, "`tfpt` is no port that is known by name"),
        ("session: {protocol: icmp}", 1, 21, "a protocol with ports"),
        ("session: {source: nobody}", 1, 19, "`nobody` is no place of this file"),
        ("jobs: [[vlans, port]]", 1, 16, "did you mean `ports`?"),
        ("jobs: [[vlans, ports], [lists, ports]]", 1, 32, "`ports` is in a job already, in line 1"),
        ("jobs: [[]]", 1, 8, "a job needs at least one part"),
        ("jobs: routes", 1, 7, "expected a list of jobs"),
    ],
)
def test_each_fault_is_said_at_its_place(text, line, column, words):
    error = fault(text)
    assert words in str(error)
    assert (error.span.file, error.span.line, error.span.column) == ("fleet.yaml", line, column)


def test_all_faults_are_said_in_one_run():
    error = fault("assume: {routing: maybe}\nplaces: {a: 10.0.0.256}\nlink: []\n")
    assert [(e.span.line, e.span.column) for e in (error, *error.others)] == [(1, 19), (2, 13), (3, 1)]


def test_a_long_chain_of_places_needs_no_deep_stack():
    chain = "".join(f"  p{n}: p{n + 1}\n" for n in range(5000))
    fleet = read(f"places:\n{chain}  p5000: 10.1.20.7\n")
    assert fleet.places["p0"].prefixes == (Prefix.parse("10.1.20.7"),)


def test_places_that_multiply_stay_small():
    rows = "".join(f"  p{n}: [p{n + 1}, p{n + 1}]\n" for n in range(60))
    assert len(read(f"places:\n{rows}  p60: [10.1.20.7, 10.1.20.8]\n").places["p0"].prefixes) == 2


def test_jobs_are_parts_that_run_together():
    assert read("jobs: [[vlans, ports], routes]\n").jobs == (("vlans", "ports"), ("routes",))
    assert read("places: {}\n").jobs == ()
