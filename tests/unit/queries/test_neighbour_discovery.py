"""IPv6 lists that take neighbour discovery away, and those that do not."""

from __future__ import annotations

import pytest

from pathcheck.fleet import load_fleet_files
from pathcheck.queries.line_review import review_fleet
from pathcheck.results.finding import Finding

HEAD = """hostname terminal-south
interface Ethernet2
 ipv6 address 2001:db8:30:20::1/64
 ipv6 traffic-filter TICKETS {direction}
ipv6 access-list TICKETS
"""

# RFC 4890 section 4.4.1 (stated): what must not be dropped on its way to the device itself.
MUST_NOT_DROP = (135, 136)


def found(lines: list[str], *, direction: str = "in", assume: str = "") -> list[Finding]:
    text = HEAD.format(direction=direction) + "".join(f" {line}\n" for line in lines)
    files = {"terminal-south.cfg": text.encode()}
    if assume:
        files["fleet.yaml"] = f"assume: {{{assume}}}\n".encode()
    return [item for item in review_fleet(load_fleet_files(files)) if item.code == "PC111"]


@pytest.mark.parametrize("icmp_type", MUST_NOT_DROP)
def test_each_type_counts(icmp_type: int) -> None:
    (item,) = found([f"deny icmp any any {icmp_type}", "permit ipv6 any any"])
    assert item.span is not None
    assert item.span.line == 6
    assert item.sample is not None
    assert item.sample.icmp_type == icmp_type
    other = {135: "solicitations", 136: "advertisements"}
    assert other[icmp_type] in item.message
    assert other[271 - icmp_type] not in item.message


@pytest.mark.parametrize(
    ("lines", "lost"),
    [
        (["deny ipv6 any any"], "solicitations and advertisements are denied"),
        (
            ["permit tcp any any", "deny icmp any any", "permit ipv6 any any"],
            "solicitations and advertisements are denied",
        ),
        (["permit icmp any any nd-ns", "deny ipv6 any any"], "advertisements from fe80::/10 and advertisements from"),
        (["permit icmp fe80::/10 any", "deny ipv6 any any"], "solicitations from 2001:db8:30:20::/64 and"),
        (["deny ipv6 any ff00::/8"], "solicitations from fe80::/10 and solicitations from"),
        (["permit icmp any host 2001:db8:30:20::1", "deny ipv6 any any"], "solicitations from fe80::/10"),
    ],
)
def test_lost(lines: list[str], lost: str) -> None:
    (item,) = found(lines)
    assert lost in item.message


@pytest.mark.parametrize(
    "lines",
    [
        ["permit tcp any any eq 443"],
        ["permit icmp any any nd-ns", "permit icmp any any nd-na", "deny ipv6 any any"],
        ["permit icmp any any", "deny ipv6 any any"],
        ["deny ipv6 host 2001:db8:30:20::66 any"],
        ["deny icmp fe80::/11 any", "permit ipv6 any any"],
        ["deny icmp any any echo-request", "permit ipv6 any any"],
        ["permit ipv6 any any time-range SUMMER", "deny ipv6 any any"],
    ],
)
def test_kept(lines: list[str]) -> None:
    assert found(lines) == []


def test_out_lists_meet_them_only_where_own_packets_do() -> None:
    assert found(["deny ipv6 any any"], direction="out") == []
    assert len(found(["deny ipv6 any any"], direction="out", assume="own_packets: meet-out")) == 1
