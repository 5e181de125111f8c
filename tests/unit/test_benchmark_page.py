"""The page of the benchmarks: tables, an honest head, and plots whose bytes depend on the figures only."""

from __future__ import annotations

import importlib
import platform
import re
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture
def page(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(ROOT / "tests" / "benchmarks"))
    return importlib.import_module("page")


def made(page: ModuleType) -> tuple[object, object]:
    results = importlib.import_module("results").Results()
    table = results.table("Reading", "Lines a second.", "lines", "pathcheck", "ratio")
    table.add("50,000", 51234.5, 2.683)
    machine = replace(page.Machine.here(), load=0.1)
    return results, machine


def test_a_table_stands_with_its_words_and_three_digits(page: ModuleType, tmp_path: Path) -> None:
    results, machine = made(page)
    page.write_page(tmp_path, results, machine, "quick", 2.4)
    text = (tmp_path / "benchmarks.md").read_text()
    assert (
        "## Reading\n\nLines a second.\n\n| lines | pathcheck | ratio |\n|---|---:|---:|\n| 50,000 | 51,234 | 2.68 |"
        in text
    )
    assert f"{machine.day}, {machine.cores} cores" in text and "hardly any other work" in text
    assert platform.node() not in text and str(ROOT) not in text


def test_a_busy_machine_is_said_to_be_one(page: ModuleType, tmp_path: Path) -> None:
    results, machine = made(page)
    page.write_page(tmp_path, results, replace(machine, load=7.5), "quick", 2.4)
    assert "had other work" in (tmp_path / "benchmarks.md").read_text()


def test_a_plot_has_the_same_bytes_for_the_same_figures(page: ModuleType, tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    drawn = []
    for number in (1, 2):
        results, machine = made(page)
        growth = results.growth("lines", "`review`, by lines", "lines")
        for size in (1000, 2000):
            growth.add("walls", size, size / 1000)
        folder = tmp_path / str(number)
        folder.mkdir()
        page.write_page(folder, results, machine, "quick", 2.4)
        drawn.append((folder / "benchmarks-lines.svg").read_bytes())
    assert drawn[0] == drawn[1]
    assert not re.search(rb"\d{4}-\d\d-\d\dT", drawn[0])
    assert "![`review`, by lines](benchmarks-lines.svg)" in (folder / "benchmarks.md").read_text()


@pytest.mark.parametrize("shape", ["servers", "walls", "chains"])
def test_a_made_list_has_so_many_different_lines(shape: str, page: ModuleType, tmp_path: Path) -> None:
    from pathcheck.fleet import load_fleet

    shaped = importlib.import_module("shaped_lists")
    path = tmp_path / "made.cfg"
    path.write_text(shaped.shaped_list(shape, 300, 2))
    assert path.read_text() == shaped.shaped_list(shape, 300, 2) != shaped.shaped_list(shape, 300, 3)
    longer = tmp_path / "longer.cfg"
    longer.write_text(shaped.grown_list(path, 500))
    for file, count in ((path, 300), (longer, 500)):
        loaded = load_fleet(file)
        (device,) = loaded.config.devices.values()
        (access_list,) = device.access_lists.values()
        assert len({str(line.span.text) for line in access_list.lines}) == count and not loaded.report.findings
