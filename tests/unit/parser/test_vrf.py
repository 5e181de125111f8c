from __future__ import annotations

import pytest
from reading import read

from pathcheck.model.unmodelled import DeviceScope, RouteScope, Scope


@pytest.mark.parametrize(
    "header", ["vrf definition BLUE", "ip vrf BLUE", "vrf instance BLUE", "vrf context BLUE", "vrf BLUE"]
)
def test_definitions(header: str) -> None:
    found = read(
        header,
        " description gates",
        " rd 65000:30",
        " address-family ipv4",
        "  maximum routes 100 80",
        " exit-address-family",
        "end",
    )
    assert {name: span.line for name, span in found.device.vrfs.items()} == {"BLUE": 1}
    assert found.classes == {}
    assert found.scopes == []


def test_removing_a_vrf_removes_its_routes() -> None:
    found = read("vrf definition BLUE", "ip route vrf BLUE 10.2.0.0 255.255.0.0 192.0.2.1", "no vrf definition BLUE")
    assert not found.device.vrfs
    assert found.device.static_routes == ()


@pytest.mark.parametrize(
    ("lines", "scopes"),
    [
        ((" route-target both 65000:30",), []),
        (
            (" route-target import 65000:30", "router bgp 65000"),
            [RouteScope(None, "ipv4", distance=20), RouteScope("BLUE", distance=20)],
        ),
        ((" route-target export 65000:30", "router bgp 65000"), [RouteScope(None, "ipv4", distance=20)]),
        ((" import route-target", "  65000:30", " export route-target", "  65000:30"), []),
        ((" import ipv4 unicast map LEAK",), [RouteScope("BLUE")]),
        ((" frobnicate",), [RouteScope("BLUE")]),
        ((" shutdown",), [DeviceScope()]),
        ((" no shutdown",), []),
    ],
)
def test_what_can_bring_routes_into_a_vrf(lines: tuple[str, ...], scopes: list[Scope]) -> None:
    assert read("vrf definition BLUE", *lines).scopes == scopes


@pytest.mark.parametrize("line", ["vrf definition", "vrf definition BLUE GREEN"])
def test_a_wrong_definition(line: str) -> None:
    found = read(line)
    assert found.codes == ["PC401"]
    assert found.scopes == [DeviceScope()]
