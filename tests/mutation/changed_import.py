"""Pytest plugin: one module is imported from changed source, and only the tests that are named run.

For mutants of what acts when its module is imported: constants, defaults, what a class holds.
"""

from __future__ import annotations

import json
import os
import resource
import sys
from collections.abc import Sequence
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder, SourceFileLoader
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

import pytest
from limits import MEMORY
from mutants import Mutant, mutated_source

__all__ = ["pytest_collection_modifyitems"]

_work = json.loads(Path(os.environ["MUTATION_WORK"]).read_text())


class _Changed(MetaPathFinder):
    """Finds the changed module; all others are found as ever."""

    def __init__(self, name: str, source: str) -> None:
        self.name, self.source = name, source

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if fullname != self.name:
            return None
        spec = PathFinder.find_spec(fullname, path, target)
        assert spec is not None and spec.origin is not None
        spec.loader = _Loader(fullname, spec.origin, self.source)
        return spec


class _Loader(SourceFileLoader):
    def __init__(self, name: str, path: str, source: str) -> None:
        super().__init__(name, path)
        self.changed = source

    def get_code(self, fullname: str) -> CodeType:  # noqa: ARG002 - of the base class
        return compile(self.changed, self.path, "exec")


def _install() -> None:
    data: dict[str, Any] = _work["mutant"]
    mutant = Mutant(**(data | {name: tuple(data[name]) for name in ("start", "end", "lines")}))
    changed = mutated_source(Path(mutant.file).read_text(), mutant)
    if changed is None:
        sys.exit(90)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    sys.meta_path.insert(0, _Changed(mutant.file.removesuffix(".py").replace("/", "."), changed))


_install()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    order = {name: number for number, (name, _) in enumerate(_work["tests"])}
    items[:] = sorted((item for item in items if item.nodeid in order), key=lambda item: order[item.nodeid])
