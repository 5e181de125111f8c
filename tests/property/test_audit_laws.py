"""Whatever a fleet says, the audit ends with findings that can be read, the same whatever the files are called."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from strategies import devices

from pathcheck.fleet import LoadedFleet, load_fleet_files
from pathcheck.model.device import Device
from pathcheck.queries.audit import audit_fleet
from pathcheck.writer import write_device

PORTS = ["Ethernet1", "Ethernet2", "Port-channel7", "1/1/9"]


@st.composite
def cablings(draw: st.DrawFn) -> str:
    """No links, or cables between ports of the devices, each port once."""
    ends = draw(st.permutations([f"quay-{number}:{port}" for number in range(3) for port in PORTS]))
    pairs = draw(st.integers(0, 4))
    links = "".join(f"  - {a} {b}\n" for a, b in zip(ends[:pairs], ends[6 : 6 + pairs], strict=True))
    return f"links:\n{links}" if links else "{}\n"


def load(texts: list[Device], cabling: str, names: list[str]) -> LoadedFleet:
    files = {
        name: write_device(replace(one, name=f"quay-{number}")).encode()
        for number, (one, name) in enumerate(zip(texts, names, strict=True))
    }
    return load_fleet_files({**files, "fleet.yaml": cabling.encode()})


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(st.lists(devices(), min_size=3, max_size=3), cablings())
def test_findings_can_be_read_and_do_not_depend_on_the_names_of_files(texts: list[Device], cabling: str) -> None:
    found = audit_fleet(load(texts, cabling, ["a.cfg", "b.cfg", "c.cfg"]))
    for item in found:
        assert item.span is not None, item
        assert item.device is not None, item
        assert item.help or not item.code.startswith("PC3"), item
        assert not item.message.endswith("."), item
        assert not re.search(r"\bNone\b|\(\)|  |``|, and of $", item.message), item
        assert item.span not in item.because, item
    again = audit_fleet(load(texts, cabling, ["z.cfg", "y.cfg", "x.cfg"]))
    assert Counter((item.code, item.message) for item in found) == Counter((item.code, item.message) for item in again)
