"""A working fleet gives no finding on routes; with one fault of each kind in it, that fault is named, and nothing else.

Two cores, a border, two terminals and an office of the ferry operator, in IPv4 and IPv6, each with the
discard route of its block, equal ways to both cores, and backups by other interfaces.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import pytest

from pathcheck.fleet import load_fleet_files
from pathcheck.queries.check import check_fleet
from pathcheck.queries.route_review import RouteReview
from pathcheck.results.catalogue import CATALOGUE
from pathcheck.results.finding import Finding


def port(name: str, *addresses: str) -> str:
    words = "".join(f" {'ipv6' if ':' in it else 'ip'} address {it}\n" for it in addresses)
    return f"interface {name}\n no switchport\n{words}"


HEAD = "hostname {}\nip routing\nipv6 unicast-routing\n"
FLEET = {
    "border.cfg": HEAD.format("border")
    + port("Ethernet1", "10.10.0.9/31", "2001:db8:0:11::1/127")
    + port("Ethernet2", "10.10.0.11/31", "2001:db8:0:12::1/127")
    + port("Ethernet3", "192.0.2.2/30", "2001:db8:ffff::2/127")
    + port("Ethernet4", "10.50.0.1/24")
    + """ip route 0.0.0.0/0 192.0.2.1
ipv6 route ::/0 2001:db8:ffff::3
ip route 10.10.90.0/24 10.10.0.8
ip route 10.10.90.0/24 10.10.0.10
ip route 10.20.0.0/16 10.10.0.8
ip route 10.20.0.0/16 10.10.0.10
ip route 10.30.0.0/16 10.10.0.8
ip route 10.30.0.0/16 10.10.0.10
ip route 10.40.0.0/24 10.10.0.8
ip route 10.0.0.0/8 Null0 254
ipv6 route 2001:db8:20::/48 2001:db8:0:11::
ipv6 route 2001:db8:20::/48 2001:db8:0:12::
ipv6 route 2001:db8::/32 Null0 254
""",
    "core-1.cfg": HEAD.format("core-1")
    + port("Ethernet1", "10.10.0.0/31", "2001:db8:0:1::/127")
    + port("Ethernet2", "10.10.0.2/31")
    + port("Ethernet3", "10.10.90.1/24")
    + port("Ethernet4", "10.10.0.8/31", "2001:db8:0:11::/127")
    + port("Ethernet5", "10.10.0.17/29")
    + """ip route 0.0.0.0/0 10.10.0.9
ipv6 route ::/0 2001:db8:0:11::1
ip route 10.20.0.0/16 10.10.0.1
ip route 10.20.0.0/16 10.10.90.2 250
ip route 10.30.0.0/16 10.10.0.3
ip route 10.30.0.0/16 10.10.90.2 250
ip route 10.40.0.0/24 10.10.0.18
ipv6 route 2001:db8:20::/48 2001:db8:0:1::1
""",
    "core-2.cfg": HEAD.format("core-2")
    + port("Ethernet1", "10.10.0.4/31", "2001:db8:0:3::/127")
    + port("Ethernet2", "10.10.0.6/31")
    + port("Ethernet3", "10.10.90.2/24")
    + port("Ethernet4", "10.10.0.10/31", "2001:db8:0:12::/127")
    + """ip route 0.0.0.0/0 10.10.0.11
ipv6 route ::/0 2001:db8:0:12::1
ip route 10.20.0.0/16 10.10.0.5
ip route 10.20.0.0/16 10.10.90.1 250
ip route 10.30.0.0/16 10.10.0.7
ip route 10.30.0.0/16 10.10.90.1 250
ip route 10.40.0.0/24 10.10.90.1
ipv6 route 2001:db8:20::/48 2001:db8:0:3::1
""",
    "terminal-north.cfg": HEAD.format("terminal-north")
    + port("Ethernet1", "10.10.0.1/31", "2001:db8:0:1::1/127")
    + port("Ethernet2", "10.10.0.5/31", "2001:db8:0:3::1/127")
    + port("Ethernet3", "10.20.20.1/24", "2001:db8:20:20::1/64")
    + port("Ethernet4", "10.20.30.1/24")
    + """ip route 0.0.0.0/0 10.10.0.0
ip route 0.0.0.0/0 10.10.0.4
ipv6 route ::/0 2001:db8:0:1::
ipv6 route ::/0 2001:db8:0:3::
ip route 10.20.0.0/16 Null0 254
ipv6 route 2001:db8:20::/48 Null0 254
""",
    "terminal-south.cfg": HEAD.format("terminal-south")
    + port("Ethernet1", "10.10.0.3/31")
    + port("Ethernet2", "10.10.0.7/31")
    + port("Ethernet3", "10.30.20.1/24")
    + """ip route 0.0.0.0/0 10.10.0.2
ip route 0.0.0.0/0 10.10.0.6
ip route 10.30.0.0/16 Null0 254
""",
    "office.cfg": HEAD.format("office")
    + port("Ethernet1", "10.10.0.18/29")
    + port("Ethernet2", "10.40.0.1/24")
    + "ip route 0.0.0.0/0 10.10.0.17\n",
    "fleet.yaml": "links:\n  - core-1:Ethernet5 office:Ethernet1\n  - core-1:Ethernet1 terminal-north:Ethernet1\n",
}


def review(files: Mapping[str, str]) -> tuple[Finding, ...]:
    loaded = load_fleet_files({name: text.encode() for name, text in files.items()})
    assert not loaded.report.findings
    found = RouteReview(loaded.config).findings
    assert set(found) <= set(check_fleet(loaded))
    return found


@cache
def working() -> tuple[Finding, ...]:
    return review(FLEET)


def test_working_fleet_has_no_finding() -> None:
    assert working() == ()


# File, a line or block of it, what stands there instead, code, line of the finding, words of a message. An interface
# that is down kills the routes of both its ends, so it has two codes.
FAULTS = [
    pytest.param("office.cfg", "0.0.0.0/0 10.10.0.17", "0.0.0.0/0 10.10.10.17", "PC201", "10.10.10.17",
                 "one octet (2 bits) off 10.10.0.16/29 on `Ethernet1`, where `10.10.0.17` would be, which core-1 owns",
                 id="one-octet-off"),
    pytest.param("core-2.cfg", "10.40.0.0/24 10.10.90.1", "10.40.0.0/24 10.10.91.1", "PC201", "10.10.91.1",
                 "one octet (1 bit) off 10.10.90.0/24", id="falls-to-the-default"),
    pytest.param("core-1.cfg", "10.40.0.0/24 10.10.0.18", "10.40.0.0/24 10.10.10.18", "PC201", "10.10.10.18",
                 "10.40.0.0/24 loops: core-1 > border > core-1", id="falls-to-the-default-and-loops"),
    pytest.param("terminal-south.cfg", "0.0.0.0/0 10.10.0.6", "0.0.0.0/0 10.10.0.7", "PC201", "0.0.0.0/0 10.10.0.7",
                 "own address", id="own-address"),
    pytest.param("core-1.cfg", "10.30.0.0/16 10.10.90.2 250", "10.30.0.0/16 192.0.2.77 250", "PC201", "192.0.2.77",
                 "default route only", id="only-by-the-default"),
    pytest.param("core-1.cfg", " ip address 10.10.0.2/31", " ip address 10.10.0.2/31\n shutdown", "PC201 PC203", None,
                 "`Ethernet2`, which is down", id="interface-down"),
    pytest.param("core-1.cfg", "10.30.0.0/16 10.10.90.2 250", "10.30.0.0/16 10.10.90.2 255", "PC201", "255",
                 "never used", id="distance-255"),
    pytest.param("core-1.cfg", "10.40.0.0/24 10.10.0.18", "10.40.0.0/24 10.10.0.23", "PC202", "10.10.0.23",
                 "broadcast address of 10.10.0.16/29", id="broadcast-address"),
    pytest.param("core-1.cfg", "10.40.0.0/24 10.10.0.18", "10.40.0.0/24 10.10.0.16", "PC202", "10.10.0.16",
                 "network address of 10.10.0.16/29", id="network-address"),
    pytest.param("terminal-north.cfg", " ip address 10.10.0.1/31", " ip address 10.10.0.1/31\n shutdown",
                 "PC203 PC201", None, "terminal-north:Ethernet1, which is down", id="neighbour-down"),
    pytest.param("core-1.cfg", "10.40.0.0/24 10.10.0.18", "10.40.0.0/24 10.10.0.19", "PC204", "10.10.0.19",
                 "office:Ethernet1 and nowhere else", id="nobody-at-the-cable"),
    pytest.param("terminal-north.cfg", "ip route 10.20.0.0/16 Null0 254",
                 "ip route 10.20.0.0/16 Null0 254\nip route 10.20.128.0/17 Null0 254", "PC205", "10.20.128.0/17",
                 "10.20.0.0/16", id="covered"),
    pytest.param("core-1.cfg", "ip route 10.40.0.0/24 10.10.0.18",
                 "ip route 10.40.0.0/24 10.10.0.18\n"
                 "ip route 10.30.20.0/24 10.10.0.3\nip route 10.30.20.0/24 10.10.90.2 9",
                 "PC206", "10.30.20.0/24 10.10.0.3", "the waiting route at core-1.cfg:", id="deceptive"),
    pytest.param("core-1.cfg", "10.20.0.0/16 10.10.90.2 250", "10.20.0.0/16 10.10.0.1 250", "PC207", "250",
                 "same next hop", id="backup-over-the-same-next-hop"),
    pytest.param("core-1.cfg", "10.20.0.0/16 10.10.90.2 250", "10.20.0.0/16 10.10.90.2", "PC208", "10.10.90.2",
                 "1 more device on the way), `10.10.90.2` by `Ethernet3` (2 more devices", id="distance-forgotten"),
    pytest.param("core-1.cfg", "10.40.0.0/24 10.10.0.18", "10.40.0.0/24 Ethernet5", "PC209", "Ethernet5",
                 "10.10.0.16/29", id="interface-only"),
    pytest.param("core-1.cfg", "ip route 10.40.0.0/24 10.10.0.18",
                 "ip route 10.40.0.0/25 10.10.0.18\nip route 10.40.0.128/25 10.10.0.18", "PC210", "10.40.0.0/25",
                 "exactly 10.40.0.0/24", id="mergeable"),
    pytest.param("border.cfg", "ip route 0.0.0.0/0 192.0.2.1", "ip route 0.0.0.0/0 10.10.0.8", "PC211", None,
                 "border > core-1 > border", id="defaults-at-each-other"),
    pytest.param("terminal-south.cfg", "ip route 10.30.0.0/16 Null0 254\n", "", "PC212", "0.0.0.0/0 10.10.0.2",
                 "10.30.0.0/16 except 10.30.20.0/24 loops", id="no-discard-route"),
    pytest.param("terminal-north.cfg", "ipv6 route 2001:db8:20::/48 Null0 254\n", "", "PC212", "::/0 2001:db8:0:1::",
                 "2001:db8:20::/48 except 2001:db8:20:20::/64 loops", id="no-discard-route-ipv6"),
    pytest.param("office.cfg", "ip route 0.0.0.0/0 10.10.0.17",
                 "interface Loopback0\n ip address 10.99.0.1/32\nip route 0.0.0.0/0 10.10.0.17", "PC213", None,
                 "border discards packets to 10.99.0.1/32 of the fleet (office)", id="loopback-forgotten"),
    pytest.param("border.cfg", "ip route 10.40.0.0/24 10.10.0.8\n", "", "PC214", None,
                 "replies to 10.40.0.0/24 are among them, though its packets arrive at 10.50.0.0/24", id="one-way"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "code", "line", "words"), FAULTS)
def test_planted_fault_is_named_alone(file: str, old: str, new: str, code: str, line: str | None, words: str) -> None:
    assert FLEET[file].count(old) == 1
    found = review({**FLEET, file: FLEET[file].replace(old, new)})
    assert {item.code for item in found} == set(code.split()), [(item.code, item.message) for item in found]
    if line is not None:
        (one,) = found
        assert one.span is not None
        assert line in one.span.text
        assert one.span.file == file
    assert any(words in item.message for item in found), [item.message for item in found]


def test_every_kind_is_planted() -> None:
    planted = {str(parameter.values[3]).split()[0] for parameter in FAULTS}
    assert planted == {code for code in CATALOGUE if code.startswith("PC2")}
