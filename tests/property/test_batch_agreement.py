"""Many packets at once against the evaluator's one packet: two opinions on the same list."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from strategies import list_devices, packets

from pathcheck.dataplane.batch import decide_batch
from pathcheck.dataplane.list_space import line_space
from pathcheck.evaluator import evaluate_list
from pathcheck.packet.address import IPVersion

SLOW = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


@pytest.mark.parametrize("version", [4, 6])
@given(data=st.data())
@settings(parent=SLOW, max_examples=80)
def test_a_batch_is_decided_packet_by_packet(data: st.DataObject, version: IPVersion) -> None:
    device = data.draw(list_devices(version))
    family = "ipv4" if version == 4 else "ipv6"
    some = data.draw(st.lists(packets(version), min_size=1, max_size=30))
    for one, found in zip(some, decide_batch(device, family, "A", some), strict=True):
        alone = evaluate_list(device, family, "A", one)
        assert (found.action, found.use) == (alone.action, alone.use)
        assert set(found.readings) == set(alone.readings)
        assert set(found.doubts) >= set(alone.doubts)
        assert bool(found.doubts) is (found.action is None)


@pytest.mark.parametrize("version", [4, 6])
@given(data=st.data())
@settings(parent=SLOW, max_examples=60)
def test_a_plain_loop_over_boxes_finds_the_same_line(data: st.DataObject, version: IPVersion) -> None:
    device = data.draw(list_devices(version, doubts=False))
    family = "ipv4" if version == 4 else "ipv6"
    access_list = device.access_list(family, "A")
    lines = access_list.lines if access_list is not None else ()
    spaces = [line_space(device, line, family) for line in lines]
    some = data.draw(st.lists(packets(version), min_size=1, max_size=30))
    for one, found in zip(some, decide_batch(device, family, "A", some), strict=True):
        first = next((place for place, space in enumerate(spaces) if any(one in box for box in space.boxes)), None)
        assert found.index == first
