"""What is written reads as the same model (hypothesis), with the settings of the device."""

from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import access_lists, devices

from pathcheck.model.assumptions import Assumptions
from pathcheck.parser.configuration import SourceText, read_configuration
from pathcheck.writer import write_device, write_list


def read(text, assume=None):
    parsed = read_configuration([SourceText("written.cfg", text.encode())], default_name="nameless", assume=assume)
    (device,) = parsed.devices
    return device


@settings(max_examples=60, deadline=None)
@given(devices())
def test_a_device_reads_as_it_was_written(device):
    again = read(write_device(device))
    assert again == device
    assert list(again.vrfs) == list(device.vrfs)


@settings(max_examples=60, deadline=None)
@given(access_lists("ipv4") | access_lists("ipv6"), st.sampled_from(["wildcard", "netmask", "decide"]))
def test_a_list_reads_as_it_was_written_however_masks_are_read(access_list, masks):
    device = read(f"hostname a\n{write_list(access_list, masks=masks)}", Assumptions(dotted_mask=masks))
    assert device.access_lists == {(access_list.family, access_list.name): access_list}
