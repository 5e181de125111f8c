"""The words of a service; the readings of ports, messages and protocols themselves are tested with flows."""

from __future__ import annotations

import pytest

from pathcheck.errors import FlowError
from pathcheck.parser.service_words import service_flows


@pytest.mark.parametrize(
    ("text", "versions", "protocol", "ports"),
    [
        ("ip", (4, 6), None, None),
        ("ipv6", (6,), None, None),
        ("tcp", (4, 6), 6, None),
        ("udp/domain", (4, 6), 17, "53"),
        ("tcp/80,8000-8080", (4, 6), 6, "80,8000-8080"),
        ("esp", (4, 6), 50, None),
        ("icmpv6", (6,), 58, None),
    ],
)
def test_services(text: str, versions: tuple[int, ...], protocol: int | None, ports: str | None) -> None:
    flows = service_flows(text)
    assert tuple(flows) == versions
    for version, flow in flows.items():
        assert flow.protocol_in(version) == protocol
        assert (None if flow.destination_ports is None else str(flow.destination_ports)) == ports


def test_a_message_is_that_of_the_version() -> None:
    """Echo is type 8 in ICMP and 128 in ICMPv6 (RFC 792, RFC 4443 section 4.1, from memory)."""
    flows = service_flows("icmp/echo")
    assert {version: flow.icmp.spans[0][0] >> 8 for version, flow in flows.items() if flow.icmp} == {4: 8, 6: 128}
    assert tuple(service_flows("icmp/3/1")) == (4,), "a number means another message in the other version"
    assert tuple(service_flows("icmpv6/135")) == (6,)


@pytest.mark.parametrize("text", ["", "tcp/", "/443", "tcp/htp", "ip/4", "tcp/70000", "443/tcp", "ferry", "icmp/foo"])
def test_refused(text: str) -> None:
    with pytest.raises(FlowError) as refused:
        service_flows(text)
    assert f"`{text}`" in str(refused.value) or f"`{text.rpartition('/')[2]}`" in str(refused.value)
