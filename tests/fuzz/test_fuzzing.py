"""Ten thousand changed inputs: each is answered or refused, accounted for, and has its bounds of time and memory.

Each kind of input has a process of its own, with a bound on its memory. The inputs are the same on each run; what
once showed a fault is among the seeds, and is a test by its name. The fuzzer that steers by what an input reaches
runs for longer, by hand: `python tests/fuzz TARGET --inputs N --seed S`.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from random import Random

import pytest
from fuzz import targets
from fuzz.__main__ import GROWTH, Judge, TooSlow, signature
from fuzz.mutation import Mutator
from fuzz.seeds import FOUND, seeds
from fuzz.targets import TARGETS, folder_of, one_text

INPUTS = {
    "configuration": 4660, "data-form": 1200, "standard-models": 1200, "fleet-file": 1000, "required-flows": 600,
    "waivers": 400, "baseline": 300, "flow-words": 500, "fleet": 100, "change": 40,
}  # fmt: skip
TOP = Path(__file__).parents[2]


def fuzz(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "tests/fuzz", *words],
        cwd=TOP, capture_output=True, text=True, timeout=1200, env={**os.environ, "PYTHONHASHSEED": "0"},
    )  # fmt: skip


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Future[subprocess.CompletedProcess[str]]]]:
    keep = tmp_path_factory.mktemp("faults", numbered=True)
    with ThreadPoolExecutor(max_workers=os.cpu_count()) as pool:
        yield {
            target: pool.submit(fuzz, target, "--blind", "--inputs", str(number), "--keep", str(keep))
            for target, number in INPUTS.items()
        }


def test_each_kind_of_input_is_fuzzed_and_ten_thousand_in_all() -> None:
    assert INPUTS.keys() == TARGETS.keys()
    assert sum(INPUTS.values()) == 10_000


@pytest.mark.parametrize("target", INPUTS)
def test_no_changed_input_shows_a_fault(target: str, runs: dict[str, Future[subprocess.CompletedProcess[str]]]) -> None:
    done = runs[target].result()
    assert done.returncode == 0, done.stderr[-6000:]
    assert f"{INPUTS[target]} inputs blind, 0 faults" in done.stdout, done.stdout + done.stderr


@pytest.mark.parametrize(
    ("target", "file"),
    [(folder.name, file) for folder in sorted(FOUND.glob("*")) for file in sorted(folder.glob("*"))],
    ids=lambda value: value if isinstance(value, str) else value.stem,
)
def test_what_once_showed_a_fault(target: str, file: Path) -> None:
    TARGETS[target](file.read_bytes())


def test_the_same_inputs_each_time() -> None:
    first, second = (fuzz("baseline", "--blind", "--inputs", "40").stdout for _ in range(2))
    digests = {re.sub(r".*digest", "", each) for each in (first, second)}
    assert len(digests) == 1 and digests != {""}


def test_the_seeds_are_of_each_kind_and_a_folder_is_one_input() -> None:
    for target in TARGETS:
        assert seeds(target)
    files = {"quay-a.cfg": b"hostname a\n!\n", "fleet.yaml": b"places: {}\n"}
    assert folder_of(one_text(files))["quay-a.cfg"] == files["quay-a.cfg"]
    changed = {Mutator(seeds("configuration")).fresh(Random(number)) for number in range(30)}
    assert len(changed) > 25


class TestTheJudge:
    """A judge that cannot find anything would be none."""

    @staticmethod
    def fault(run: object, tmp_path: Path) -> BaseException | None:
        return Judge(run, tmp_path, go_on=True).fault_of(b"text")  # type: ignore[arg-type]

    def test_sees_what_comes_out(self, tmp_path: Path) -> None:
        assert isinstance(self.fault(lambda _: 1 / 0, tmp_path), ZeroDivisionError)
        assert self.fault(len, tmp_path) is None

    def test_sees_memory_that_is_wasted(self, tmp_path: Path) -> None:
        fault = self.fault(lambda _: b"x" * (2 * GROWTH + (1 << 28)), tmp_path)
        assert isinstance(fault, MemoryError)

    def test_sees_an_input_that_does_not_end(self) -> None:
        script = (
            "import sys; sys.path.insert(0, 'tests')\n"
            "import signal, pathlib, fuzz.__main__ as fuzz\n"
            "fuzz.SECONDS = 0.2\n"
            "signal.signal(signal.SIGPROF, fuzz._too_slow)\n"
            "def run(data):\n    while True:\n        pass\n"
            "fault = fuzz.Judge(run, pathlib.Path('.'), go_on=True).fault_of(b'')\n"
            "sys.exit(0 if isinstance(fault, fuzz.TooSlow) else 1)\n"
        )
        assert subprocess.run([sys.executable, "-c", script], cwd=TOP, timeout=60).returncode == 0
        assert not issubclass(TooSlow, Exception)

    def test_keeps_one_input_for_each_fault(self, tmp_path: Path) -> None:
        def run(data: bytes) -> None:
            raise ValueError("two" if data == b"b" else "one")

        judge = Judge(run, tmp_path / "kept", go_on=True)
        for data in (b"a", b"b", b"a"):
            judge(data)
        assert len(judge.faults) == 1
        assert [file.read_bytes() for file in (tmp_path / "kept").iterdir()] == [b"a"]
        assert all(sign.startswith("ValueError") for sign in judge.faults)

    def test_tells_faults_apart_by_their_place(self) -> None:
        def fault(run: object) -> BaseException:
            try:
                run()  # type: ignore[operator]
            except Exception as error:
                return error
            raise AssertionError

        assert signature(fault(lambda: int("x"))) != signature(fault(lambda: [][0]))

    def test_a_lost_line_is_a_fault(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(targets, "load_fleet_files", lambda files: _without_a_line(files))
        with pytest.raises(AssertionError, match=r"1 lines of 2"):
            TARGETS["configuration"](b"hostname quay-a\nip routing\n")


def _without_a_line(files: dict[str, bytes]) -> object:
    from pathcheck.fleet import load_fleet_files

    return load_fleet_files({name: data.partition(b"\n")[0] for name, data in files.items()})
