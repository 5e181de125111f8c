"""The published cases: facts of standards and registries as data, and which of them are left out and why.

`data/` holds one file per source; `README.md` there says how the facts were
obtained and what the fields of a case mean. A test takes its cases from here,
so that :mod:`test_completeness` can see which cases are decided.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml

DATA = Path(__file__).with_name("data")
LEFT_OUT = Path(__file__).with_name("left_out.yaml")


@dataclass(frozen=True, eq=False)
class Case:
    """One case of one source; `stated_by` is `rfc`, `mixed` or `derived`."""

    source: str
    id: str
    section: str
    shows: str
    kind: str
    stated_by: str
    inputs: dict[str, Any]
    expected: dict[str, Any]
    checked: str
    note: str = ""
    basis: str = ""


@cache
def document(source: str) -> dict[str, Any]:
    """Return a whole data file: tables, rule sets and the like."""
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    return yaml.load((DATA / f"{source}.yaml").read_text("utf-8"), Loader=loader)


@cache
def sources() -> tuple[str, ...]:
    """Return the names of the sources, in order."""
    return tuple(sorted(path.stem for path in DATA.glob("*.yaml")))


@cache
def all_cases(source: str) -> tuple[Case, ...]:
    """Return each case of a source."""
    return tuple(Case(source, **fields) for fields in document(source)["cases"])


@cache
def left_out() -> dict[tuple[str, str], str]:
    """Return the reason by source and id, for each case that no test decides."""
    reasons: dict[tuple[str, str], str] = {}
    for source, entries in (yaml.safe_load(LEFT_OUT.read_text("utf-8")) or {}).items():
        for entry in entries:
            for case_id in entry["ids"]:
                reasons[source, case_id] = entry["reason"]
    return reasons


def published(source: str, *kinds: str, where: Callable[[Case], bool] = lambda _: True) -> list[Any]:
    """Return the cases of some kinds as test parameters, without those that are left out.

    Raises
    ------
    LookupError
        No case is left: a test that checks nothing is a mistake.
    """
    found = [
        pytest.param(case, id=case.id)
        for case in all_cases(source)
        if (not kinds or case.kind in kinds) and (source, case.id) not in left_out() and where(case)
    ]
    if not found:
        raise LookupError(f"no case of `{source}` is of the kinds {kinds}")
    return found
