"""The examples of the pages on input are read as they stand, and the page on assumptions names each value."""

import re
from pathlib import Path

import pytest

from pathcheck.model.assumptions import Assumptions
from pathcheck.parser.data_form import DEVICE_KEYS
from pathcheck.parser.device_files import read_device_files
from pathcheck.parser.fleet_file import read_fleet_file

DOCS = Path(__file__).parents[2] / "docs"


def blocks(page, language):
    return re.findall(rf"```{language}\n(.*?)```", (DOCS / page).read_text(), re.DOTALL)


@pytest.mark.parametrize("page", ["fleet-file.md", "assumptions.md"])
def test_examples_of_fleet_yaml(page):
    for text in blocks(page, "yaml"):
        assert read_fleet_file("fleet.yaml", text.encode()).devices


@pytest.mark.parametrize(("language", "name"), [("yaml", "quay-d.yaml"), ("json", "quay-d.json")])
def test_examples_of_the_data_form(language, name):
    (text,) = blocks("data-form.md", language)
    parsed = read_device_files([(name, text.encode())], default_name="quay-d", assume=Assumptions())
    assert parsed.findings == ()
    assert not parsed.devices[0].unmodelled
    assert parsed.devices[0].static_routes


def test_each_key_of_the_data_form_is_on_its_page():
    page = (DOCS / "data-form.md").read_text()
    assert all(f"`{key}`" in page for key in DEVICE_KEYS)


def test_each_assumption_is_on_its_page_with_its_values():
    page = (DOCS / "assumptions.md").read_text()
    rows = re.findall(r"^\| `(\w+)` \| ([^|]+) \|", page, re.MULTILINE)
    assert {key: tuple(re.findall(r"`([\w-]+)`", values)) for key, values in rows} == Assumptions.choices()
    for key, values in Assumptions.choices().items():
        section = page.partition(f"## `{key}`\n")[2].partition("\n## ")[0]
        assert all(f"`{value}`" in section for value in values), key
