"""Pytest plugin: instead of running the tests it tries mutants, each in a fork of the process that has collected them.

In the fork the code of the changed function is put in place of the old one, in the same function objects, so that all
who have imported it see the change. Then the tests that reach the place run until the first one fails.
What acts only when its module is imported cannot be tried like this: see `changed_import.py`.

The work comes from a file of JSON lines and goes to one; the environment names both.
"""

from __future__ import annotations

import functools
import gc
import importlib
import json
import os
import resource
import signal
import sys
import time
import types
import warnings
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

import pytest
from cosmic_ray.ast import get_ast
from limits import MEMORY, processor_seconds, wall_seconds
from mutants import Mutant, mutated_tree

__all__ = ["pytest_runtestloop"]


@pytest.hookimpl(tryfirst=True)
def pytest_runtestloop(session: pytest.Session) -> bool:
    """Try the mutants that the file of work lists; give the results to the other file."""
    work = [json.loads(line) for line in Path(os.environ["MUTATION_WORK"]).read_text().splitlines()]
    results = Path(os.environ["MUTATION_RESULTS"])
    server = _Server(session, sorted({each["mutant"]["file"] for each in work}))
    for each in work:
        result = server.try_mutant(each)
        with results.open("a") as file:
            file.write(json.dumps(result) + "\n")
    return True


class _Server:
    def __init__(self, session: pytest.Session, files: list[str]) -> None:
        # A test that is expected to fail judges nothing.
        self.items = {item.nodeid: item for item in session.items if not item.get_closest_marker("xfail")}
        self.root = Path(session.config.rootpath)
        for file in files:
            importlib.import_module(_module(file))
        self.trees = {file: get_ast((self.root / file).read_text()) for file in files}
        self.functions = _functions(self.root / "pathcheck")
        self.sound: dict[str, bool] = {}
        self.killers: defaultdict[tuple[str, str], Counter[str]] = defaultdict(Counter)
        # The numbered folder for temporary files is made once, not in each fork.
        session.config._tmp_path_factory.getbasetemp()  # type: ignore[attr-defined]
        # What collecting the tests has computed would hide a change.
        for each in gc.get_objects():
            if isinstance(each, functools._lru_cache_wrapper) and str(each.__module__).startswith("pathcheck"):
                each.cache_clear()
        gc.collect()
        gc.freeze()
        # Threads do not live on in a fork, and those of the diagram library would be waited for without end.
        names = [Path(each, "comm").read_text().strip() for each in Path("/proc/self/task").glob("*")]
        if len(names) > 1:
            raise RuntimeError(f"threads run before the first fork: {', '.join(names)}")

    def try_mutant(self, work: dict[str, Any]) -> dict[str, Any]:
        mutant = _mutant(work["mutant"])
        started = time.monotonic()
        tests = [(name, seconds) for name, seconds in work["tests"] if self.sound.get(name, True)]
        seconds_of = dict(tests)
        outcome, test = self._run(mutant, self._in_order(mutant, tests), 1)
        while test in seconds_of and not self._is_sound(test, seconds_of[test]):
            tests = [each for each in tests if each[0] != test]
            outcome, test = self._run(mutant, self._in_order(mutant, tests), 1)
        if outcome == "hangs":
            # Only a mutant that also hangs with four times the patience counts.
            outcome, test = self._run(mutant, [(test, seconds_of[test])], 4)
            if outcome == "survived":
                outcome, test = self._run(mutant, tests, 8)
        if outcome == "killed" and test:
            self.killers[mutant.file, mutant.function][test] += 1
        seconds = round(time.monotonic() - started, 2)
        same = {name: work[name] for name in ("mark", "body")}
        return {"key": mutant.key, "outcome": outcome, "test": test, "seconds": seconds} | same

    def _is_sound(self, test: str, seconds: float) -> bool:
        """Whether the test passes in a fork of its own without any mutant; it judges no mutant else."""
        if test not in self.sound:
            self.sound[test] = self._run(None, [(test, seconds)], 4)[0] == "survived"
            if not self.sound[test]:
                print(f"warning: {test} fails without a mutant", file=sys.__stderr__, flush=True)
        return self.sound[test]

    def _in_order(self, mutant: Mutant, tests: list[tuple[str, float]]) -> list[tuple[str, float]]:
        """First what killed other mutants of the same function, then as given."""
        seconds = dict(tests)
        before = [name for name, _ in self.killers[mutant.file, mutant.function].most_common(6) if name in seconds]
        return [(name, seconds[name]) for name in before] + [each for each in tests if each[0] not in before]

    def _run(self, mutant: Mutant | None, tests: list[tuple[str, float]], patience: int) -> tuple[str, str]:
        """Fork, change, test: what came of it and the test that says so. Without a mutant nothing is changed."""
        reading, writing = os.pipe()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a warning about forks with threads, of later Pythons
            child = os.fork()
        if child == 0:
            os.close(reading)
            code = 3
            try:
                code = self._in_child(mutant, tests, patience, writing)
            except BaseException as error:
                os.write(writing, f"error {type(error).__name__}: {error}\n".encode())
            finally:
                os._exit(code)
        os.close(writing)
        said = b""
        while part := os.read(reading, 65536):
            said += part
        os.close(reading)
        _, status = os.waitpid(child, 0)
        lines = said.decode().splitlines()
        last = lines[-1] if lines else ""
        if os.WIFSIGNALED(status):
            if os.WTERMSIG(status) in (signal.SIGPROF, signal.SIGALRM):
                return "hangs", last
            return "killed", last  # the interpreter died, e.g. the diagram library was given nonsense
        return {0: "survived", 1: "killed", 2: "invalid"}.get(os.WEXITSTATUS(status), "error"), last

    def _in_child(self, mutant: Mutant | None, tests: list[tuple[str, float]], patience: int, writing: int) -> int:
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        signal.signal(signal.SIGPROF, signal.SIG_DFL)
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        if mutant is not None:
            path = self.root / mutant.file
            changed = mutated_tree(self.trees[mutant.file], mutant)  # of this fork only
            if changed is None:
                return 2
            if not self._put_in_place(path, changed):
                raise RuntimeError("no function was changed")
        items = [(self.items[name], seconds) for name, seconds in tests if name in self.items]
        if not items:
            return 0
        config = items[0][0].config
        config.pluginmanager.register(_FirstFailure())
        for number, (item, seconds) in enumerate(items):
            os.write(writing, f"{item.nodeid}\n".encode())
            signal.setitimer(signal.ITIMER_PROF, patience * processor_seconds(seconds))
            signal.setitimer(signal.ITIMER_REAL, patience * wall_seconds(seconds))
            following = items[number + 1][0] if number + 1 < len(items) else None
            config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        os.write(writing, b"\n")
        return 0

    def _put_in_place(self, path: Path, changed: str) -> bool:
        """Give the functions of the file the code that the changed source has for them; whether there was any."""
        done = False
        for key, code in _codes(compile(changed, str(path), "exec")):
            for function in self.functions.get((str(path), *key), ()):
                if function.__code__ != code:
                    function.__code__ = code
                    done = True
        return done


class _FirstFailure:
    """Ends the fork at the first failure, before pytest describes it."""

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_makereport(self, call: pytest.CallInfo[Any]) -> None:
        if call.excinfo is not None and not isinstance(call.excinfo.value, pytest.skip.Exception):
            os._exit(1)


def _functions(folder: Path) -> dict[tuple[str, str, int], list[types.FunctionType]]:
    """All function objects of the package by file, qualified name and first line."""
    found: defaultdict[tuple[str, str, int], list[types.FunctionType]] = defaultdict(list)
    for each in gc.get_objects():
        if isinstance(each, types.FunctionType) and each.__code__.co_filename.startswith(str(folder)):
            code = each.__code__
            found[code.co_filename, code.co_qualname, code.co_firstlineno].append(each)
    return dict(found)


def _codes(code: types.CodeType) -> list[tuple[tuple[str, int], types.CodeType]]:
    """The code of all functions, also of those in classes and functions, by qualified name and first line."""
    found = []
    for each in code.co_consts:
        if isinstance(each, types.CodeType):
            found.append(((each.co_qualname, each.co_firstlineno), each))
            found += _codes(each)
    return found


def _module(file: str) -> str:
    return file.removesuffix(".py").removesuffix("/__init__").replace("/", ".")


def _mutant(data: dict[str, Any]) -> Mutant:
    pairs = {name: tuple(data[name]) for name in ("start", "end", "lines")}
    return Mutant(**(data | pairs))
