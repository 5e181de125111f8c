"""Writes docs/published-cases.md: per source, how many cases are decided, and which are left out and why.

Run it with `python tests/references/page.py` from the top folder after cases or tests have changed.
"""

from __future__ import annotations

import sys
from collections import Counter
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
if __name__ == "__main__":
    sys.path.insert(0, str(HERE.parent))

from references.published import Case, all_cases, document, left_out, sources  # noqa: E402 - the path is set above

PAGE = HERE.parents[1] / "docs" / "published-cases.md"

HEAD = """# Published cases

Worked examples and tables of published standards and registries are tests of this project: the facts stand in
`tests/references/data/`, the tests in `tests/references/`. Each test runs the project's own parser, values, packet
sets, forwarding tables or evaluator on the case. How the facts were obtained, and what stated, mixed and derived
mean, is said in `tests/references/README.md`. `python tests/references/page.py` writes this page, and a test holds it
against the cases.

"""


DISAGREEMENT = """## Where a source and arithmetic disagree, and why

The program gives the expected answer in each case that is decided: another answer fails the test. In the cases below
what a source prints, or what a general library reads, is not what arithmetic gives; the note says which value the test
takes."""


@cache
def decided() -> frozenset[Case]:
    """Return the cases that some test of this folder takes as a parameter."""
    found: set[Case] = set()
    for path in sorted(HERE.glob("test_*.py")):
        if path.stem != "test_completeness":
            for test in vars(import_module(f"references.{path.stem}")).values():
                found.update(_parameters(test))
    return frozenset(found)


def _parameters(test: Any) -> set[Case]:
    """Return the cases among the parameters of one test."""
    marks = [mark for mark in getattr(test, "pytestmark", []) if mark.name == "parametrize"]
    items = [item for mark in marks for item in mark.args[1] if isinstance(item, type(pytest.param()))]
    values = [value for item in items for value in item.values]
    return {value for value in values if isinstance(value, Case)}


def text() -> str:
    """Return the whole page."""
    rows = [
        "| source | cases | stated / mixed / derived | decided | left out | disagree |",
        "| --- | ---: | ---: | ---: | ---: | ---: |",
    ]
    total: Counter[str] = Counter()
    for source in sources():
        cases = all_cases(source)
        count = Counter(case.stated_by for case in cases)
        out = sum(1 for name, _ in left_out() if name == source)
        tested = sum(1 for case in decided() if case.source == source)
        rows.append(
            f"| {_title(source)} | {len(cases)} | {count['rfc']}/{count['mixed']}/{count['derived']} "
            f"| {tested} | {out} | {len(_disagreeing(source))} |"
        )
        total.update(count, cases=len(cases), decided=tested, out=out, disagree=len(_disagreeing(source)))
    rows.append(
        f"| total | {total['cases']} | {total['rfc']}/{total['mixed']}/{total['derived']} "
        f"| {total['decided']} | {total['out']} | {total['disagree']} |"
    )
    parts = [
        HEAD + "\n".join(rows),
        "## Left out, with the reason",
        "\n".join(_reasons()),
        DISAGREEMENT,
        "\n".join(_disagreements()),
    ]
    return "\n\n".join(parts) + "\n"


def _disagreeing(source: str) -> list[Case]:
    """The cases of a source in which what is printed, or what a general library reads, is not what arithmetic gives."""
    return [case for case in all_cases(source) if case.checked == "disagrees"]


def _disagreements() -> list[str]:
    """Return one row for each case with another value, with the reason."""
    rows = ["| source | case | what | why |", "| --- | --- | --- | --- |"]
    for source in sources():
        for case in _disagreeing(source):
            why = " ".join(case.note.split()).replace("|", "\\|")
            state = "" if case in decided() else " (left out)"
            rows.append(f"| `{source}` | `{case.id}`{state} | {' '.join(case.shows.split())} | {why} |")
    return rows


def _title(source: str) -> str:
    """Name the source: the numbers of its RFCs, or the registry."""
    head = document(source)["source"]
    return f"`{source}` (RFC {head['rfc']})" if "rfc" in head else f"`{source}`"


def _reasons() -> list[str]:
    """Return one row for each reason, in the order of the sources."""
    rows = ["| source | cases | why |", "| --- | --- | --- |"]
    for source in sources():
        by_reason: dict[str, list[str]] = {}
        for case in all_cases(source):
            if reason := left_out().get((source, case.id)):
                by_reason.setdefault(reason, []).append(f"`{case.id}`")
        rows += [f"| `{source}` | {', '.join(ids)} | {reason} |" for reason, ids in by_reason.items()]
    return rows


if __name__ == "__main__":
    PAGE.write_text(text(), "utf-8")
