"""Hiding secrets takes nothing from what a device means; a text removes nothing from itself, however it is written."""

import random

from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import devices

from pathcheck.fleet import load_fleet_files
from pathcheck.fleet_source import FleetState
from pathcheck.parser.secrets import hide_secrets
from pathcheck.queries.removals import preview_removals
from pathcheck.writer import write_device

SECRETS = [
    "enable secret 5 $1$gull$0123456789abcdefghijkl",
    "username keeper password 7 0218085f0e1d0a",
    "snmp-server community lantern ro",
    "tacacs-server key seagull",
    "key chain FERRIES\n key 1\n  key-string lantern",
]


def state(text, word="state"):
    files = {"quay-a.cfg": text.encode()}
    return FleetState(word, load_fleet_files(files), files.__getitem__)


def removed(before, after):
    found = preview_removals(state(before), state(after))
    return [item.span.words for item in found.removed], [item.span.words for item in found.replaced], found.alarms


@settings(max_examples=25, deadline=None)
@given(devices())
def test_no_line_that_forwarding_rests_on_is_hidden(device):
    text = write_device(device)
    assert hide_secrets(text) == text


@settings(max_examples=12, deadline=None)
@given(devices())
def test_a_text_removes_nothing_from_itself(device):
    text = write_device(device)
    assert removed(text, text) == ([], [], ())


@settings(max_examples=12, deadline=None)
@given(devices(), st.randoms(use_true_random=False))
def test_secrets_between_the_lines_change_no_model(device, rng: random.Random):
    text = write_device(device)
    blocks = _blocks(text)
    for secret in SECRETS:
        blocks.insert(rng.randrange(1, len(blocks) + 1), secret)
    with_secrets = "\n".join(blocks) + "\n"
    plain, other = (state(one).loaded.config.devices for one in (text, with_secrets))
    assert list(plain) == list(other)
    for name in plain:
        assert plain[name].access_lists == other[name].access_lists
        assert plain[name].interfaces == other[name].interfaces
        assert plain[name].static_routes == other[name].static_routes


@settings(max_examples=20, deadline=None)
@given(devices(), st.randoms(use_true_random=False))
def test_what_a_line_meant_is_told_when_it_goes(device, rng: random.Random):
    """A line whose removal changes the model is told, as removed or as given another value."""
    text = write_device(device)
    lines = text.splitlines()
    number = rng.randrange(len(lines))
    after = "\n".join(line for place, line in enumerate(lines) if place != number) + "\n"
    before_state, after_state = state(text), state(after)
    old, new = (list(one.loaded.config.devices.values()) for one in (before_state, after_state))
    if len(old) != 1 or len(new) != 1 or old[0].name != new[0].name:
        return
    gone = [set(one.access_lists) for one in (old[0], new[0])]
    found = preview_removals(before_state, after_state)
    told = {item.span.words for item in (*found.removed, *found.replaced)}
    if gone[0] - gone[1] or len(old[0].static_routes) > len(new[0].static_routes):
        assert lines[number].strip() in told


def _blocks(text):
    """Top lines with what is indented below."""
    blocks: list[str] = []
    for line in text.splitlines():
        if line[:1].isspace() and blocks:
            blocks[-1] += f"\n{line}"
        else:
            blocks.append(line)
    return blocks
