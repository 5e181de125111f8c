"""Which tests reach a line, measured once and kept: every test of the core with its coverage, and how long it takes."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

from coverage.numbits import numbits_to_nums

__all__ = ["TEST_PATHS", "TestMap", "environment", "measure"]

TEST_PATHS = (
    *(f"tests/unit/{room}" for room in ("packet", "packetset", "dataplane", "network", "evaluator", "queries")),
    *("tests/unit/test_library.py", "tests/unit/test_demo_fleet.py"),
    *("tests/property", "tests/cases", "tests/quality", "tests/references"),
    *(f"pathcheck/{room}" for room in ("packetset", "dataplane", "network", "evaluator", "queries/line_review")),
)
"""Tests that ask the core in the process of pytest: not those of the command line and the kernel."""

SLOW = (
    *("test_account", "test_audit_agreement", "test_audit_laws", "test_fleet_comparison", "test_forwarding_agreement"),
    *("test_hostile_input", "test_reach_agreement", "test_rollout", "test_writer"),
)
"""Properties that no mutant meets: one takes longer than most mutants may, or asks little of the core."""

PYTEST = [
    *(sys.executable, "-m", "pytest", "-q", "-p", "small_examples", "-p", "no:cacheprovider"),
    *(f"--ignore=tests/property/{name}.py" for name in SLOW),
    *("-o", "addopts=", "-o", "tmp_path_retention_policy=none", "--import-mode=importlib", "--doctest-modules"),
]
"""How the tests are run; what the project's own options add is only for the reader."""


def environment(tree: Path, state: Path) -> dict[str, str]:
    """Return the environment of a process that tests the copy of the tree and nothing else."""
    paths = (tree, tree / "tests" / "mutation", os.environ.get("PYTHONPATH", ""))
    return os.environ | {
        "PYTHONPATH": os.pathsep.join(str(path) for path in paths if path),
        "PYTHONHASHSEED": "0",
        "COVERAGE_FILE": str(state / "coverage.sqlite"),
        "OPENBLAS_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
    }


def measure(tree: Path, state: Path) -> None:
    """Run the tests with coverage by test, unless that is known.

    If only tests have changed since, only the changed files run, and what they reach is added. A mutant could be killed
    by no test that has gone, since only tests that exist are chosen.
    """
    program, tests = _fingerprints(tree)
    known_file = state / "measured.json"
    known = json.loads(known_file.read_text()) if known_file.exists() else {"program": "", "tests": {}}
    if known["program"] == program:
        paths = [file for file, print_ in tests.items() if known["tests"].get(file) != print_]
        append = ["--cov-append"]
    else:
        paths, append = list(TEST_PATHS), []
        for name in ("coverage.sqlite", "durations.json"):
            (state / name).unlink(missing_ok=True)
    if paths:
        print(f"measuring which tests reach which lines ({len(paths)} paths) ...", file=sys.stderr, flush=True)
        command = [
            *PYTEST,
            f"--basetemp={state / 'temporary'}",
            "--cov=pathcheck",
            "--cov-context=test",
            "--cov-report=",
            *append,
            *paths,
        ]
        variables = environment(tree, state) | {"MUTATION_DURATIONS": str(state / "durations.json")}
        done = subprocess.run(command, cwd=tree, env=variables, capture_output=True, text=True)
        if done.returncode not in (0, 1, 5):  # 5: a changed file without tests
            raise SystemExit(f"the tests do not run without any mutant:\n{done.stdout[-4000:]}{done.stderr[-2000:]}")
        failed = [line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
        for line in failed[:20]:
            print(f"judges no mutant, because it fails without any: {line}", file=sys.stderr)
    known_file.write_text(json.dumps({"program": program, "tests": tests}))


def _fingerprints(tree: Path) -> tuple[str, dict[str, str]]:
    """One fingerprint of the program and of what tests share, and one of each test file."""
    program = hashlib.sha256()
    tests = {}
    for path in sorted(tree.rglob("*.py")):
        name = path.relative_to(tree).as_posix()
        print_ = hashlib.sha256(path.read_bytes()).hexdigest()
        if name.startswith("pathcheck/") or name.count("/") == 1:
            program.update(f"{name} {print_}\n".encode())
        elif path.name.startswith("test_") and name.startswith(TEST_PATHS) and path.stem not in SLOW:
            tests[name] = print_
    return program.hexdigest(), tests


class TestMap:
    """The tests by the lines that they reach.

    Parameters
    ----------
    state
        The folder that `measure` has filled.
    tree
        The copy of the tree that was measured.
    """

    def __init__(self, tree: Path, state: Path) -> None:
        self.seconds: dict[str, float] = json.loads((state / "durations.json").read_text())
        self._lines: dict[str, dict[int, set[str]]] = {}
        database = sqlite3.connect(state / "coverage.sqlite")
        contexts = dict(database.execute("select id, context from context"))
        files = {path: number for number, path in database.execute("select id, path from file")}
        for path, number in files.items():
            if not Path(path).is_relative_to(tree):
                continue
            by_line: defaultdict[int, set[str]] = defaultdict(set)
            rows = database.execute("select context_id, numbits from line_bits where file_id = ?", (number,))
            for context, bits in rows:
                test = contexts[context].rpartition("|")[0]
                if test:
                    for line in numbits_to_nums(bits):
                        by_line[line].add(test)
            self._lines[Path(path).relative_to(tree).as_posix()] = dict(by_line)

    def reaching(self, file: str, first: int, last: int) -> set[str]:
        """Return the tests that reach any of the lines."""
        by_line = self._lines.get(file, {})
        return set().union(*(by_line.get(line, ()) for line in range(first, last + 1)))

    def reaching_file(self, file: str) -> set[str]:
        """Return the tests that reach any line of the file."""
        return set().union(*self._lines.get(file, {}).values())

    def in_order(self, tests: set[str], room: str, most_seconds: float) -> list[tuple[str, float]]:
        """Return the tests to run with their seconds, as many as take `most_seconds`.

        First the unit tests of the room, and those of the evaluator, which ask the engine the same; then properties for
        half of the time that is left; then the others. Within each the quick ones first.
        """
        left = most_seconds
        chosen: list[tuple[str, float]] = []
        by_time = sorted((self.seconds[name], name) for name in tests if name in self.seconds)
        near = (f"tests/unit/{'queries' if room == 'line_review' else room}/", "tests/unit/evaluator/")
        kinds = (
            lambda name: name.startswith(near),
            lambda name: name.startswith("tests/property/"),
            lambda name: not name.startswith(("tests/property/", *near)),
        )
        for kind, share in zip(kinds, (1.0, 0.5, 1.0), strict=True):
            spent = 0.0
            for seconds, name in by_time:
                if kind(name) and spent + seconds <= left * share:
                    spent += seconds
                    chosen.append((name, seconds))
            left -= spent
        return chosen
