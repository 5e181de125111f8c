"""Feeds changed texts to what reads them: `python tests/fuzz TARGET --inputs 1000`.

Where the fuzzer of the `fuzz` extra is installed it steers by the lines of the program that an input reaches
(`--blind` leaves it out). The same seed, inputs and program give the same inputs. Each input has its bounds
of time and memory. An input that shows a fault is kept in a file, and `--once FILE` runs it again,
`--shorten FILE` looks for a shorter one with the same fault.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import importlib
import os
import pkgutil
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[1]))

SECONDS = 20.0
"""Processor time of one input; most take some thousandths. Steering costs a multiple."""
GROWTH = 512 << 20
"""Bytes by which one input may raise the most memory that was ever used."""
ADDRESSES = 6 << 30
"""Address space of the whole process: a bound for what no check would live to see."""
_LONGEST = 20_000
"""Bytes of an input."""


class TooSlow(BaseException):
    """An input took too long; no handler of the program may take it for its own."""


class Judge:
    """Runs inputs and keeps those that show a fault.

    Parameters
    ----------
    run
        The target.
    keep
        Folder for the inputs.
    go_on
        Whether to look for more after the first fault.
    """

    def __init__(self, run: Callable[[bytes], object], keep: Path, *, go_on: bool) -> None:
        self._run = run
        self._keep = keep
        self._go_on = go_on
        self.inputs = 0
        self.slowest = 0.0
        self.digest = hashlib.sha256()
        self.faults: dict[str, Path] = {}

    def __call__(self, data: bytes) -> None:
        """Run one input."""
        self.inputs += 1
        self.digest.update(hashlib.sha256(data).digest())
        fault = self.fault_of(data)
        if fault is None:
            return
        sign = signature(fault)
        if sign in self.faults:
            return
        self._keep.mkdir(parents=True, exist_ok=True)
        place = self._keep / f"fault-{hashlib.sha256(sign.encode()).hexdigest()[:12]}"
        place.write_bytes(data)
        self.faults[sign] = place
        print(f"fault after {self.inputs} inputs, the input is in {place}:\n{data[:3000]!r}", file=sys.stderr)
        traceback.print_exception(fault, file=sys.stderr)
        sys.stderr.flush()
        if not self._go_on:
            raise fault

    def fault_of(self, data: bytes) -> BaseException | None:
        """Return what comes out of the target and should not, or that a bound was passed."""
        before, start = _peak(), time.process_time()
        signal.setitimer(signal.ITIMER_PROF, SECONDS)
        try:
            self._run(data)
        except (Exception, TooSlow) as fault:
            return fault
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
            self.slowest = max(self.slowest, time.process_time() - start)
        grown = _peak() - before
        return MemoryError(f"one input took {grown >> 20} MiB") if grown > GROWTH else None


def signature(fault: BaseException) -> str:
    """Return what two inputs that show one fault have in common: the kind and the place in the program."""
    frames = traceback.extract_tb(fault.__traceback__)
    own = [frame for frame in frames if "/pathcheck/" in frame.filename] or frames
    place = [f"{Path(frame.filename).name}:{frame.name}" for frame in own[-2:]]
    words = str(fault)[:25] if isinstance(fault, AssertionError) else ""
    return f"{type(fault).__name__} {words} {' '.join(place)}"


def _peak() -> int:
    """The most memory that this process ever used, in bytes."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def _too_slow(*_: object) -> None:
    raise TooSlow(f"more than {SECONDS:g} s for one input")


@contextlib.contextmanager
def _steered(blind: bool) -> Iterator[object]:
    """Import the program so that the fuzzer sees which lines are reached; yield the fuzzer, None without it."""
    if blind:
        yield None
        return
    try:
        import atheris
    except ImportError:
        yield None
        return
    with atheris.instrument_imports(include=["pathcheck"], enable_loader_override=False):
        yield atheris


def _import_all() -> None:
    """Import every room now: what a command imports when it wants it would not be seen by the fuzzer."""
    import pathcheck

    for found in pkgutil.walk_packages(pathcheck.__path__, "pathcheck."):
        if not found.name.startswith(("pathcheck.__main__", "pathcheck.pytest_plugin", "pathcheck.cli")):
            importlib.import_module(found.name)


def main() -> int:
    """Run one target on changed seeds, or on one file."""
    arguments = argparse.ArgumentParser(prog="python tests/fuzz", description=__doc__)
    arguments.add_argument("target")
    arguments.add_argument("--inputs", type=int, default=1000)
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--blind", action="store_true", help="change seeds only; do not steer")
    arguments.add_argument("--go-on", action="store_true", help="look for more after a fault")
    arguments.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()) / "pathcheck-faults")
    arguments.add_argument("--once", type=Path, help="run this one input")
    arguments.add_argument("--shorten", type=Path, help="look for a shorter input with the same fault")
    asked = arguments.parse_args()
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESSES, ADDRESSES))
    signal.signal(signal.SIGPROF, _too_slow)
    one_input = asked.once or asked.shorten
    with _steered(asked.blind or one_input is not None) as fuzzer:
        if fuzzer is not None:
            _import_all()
        from fuzz.mutation import Mutator
        from fuzz.seeds import seeds
        from fuzz.targets import TARGETS
    if asked.target not in TARGETS:
        arguments.error(f"no target `{asked.target}`; known are {', '.join(TARGETS)}")
    target = TARGETS[asked.target]
    if asked.once is not None:
        target(asked.once.read_bytes())
        return 0
    judge = Judge(target, asked.keep / asked.target, go_on=asked.go_on)
    if asked.shorten is not None:
        return _shorten(judge, asked.shorten)
    mutator = Mutator(seeds(asked.target))
    start = time.monotonic()

    def tell() -> None:
        print(
            f"{asked.target}: {judge.inputs} inputs {'blind' if fuzzer is None else 'steered'}, "
            f"{len(judge.faults)} faults, slowest {judge.slowest:.2f} s, at most {_peak() >> 20} MiB, "
            f"{time.monotonic() - start:.0f} s, digest of the inputs {judge.digest.hexdigest()[:12]}"
        )
        sys.stdout.flush()

    if fuzzer is None:
        random = Random(f"{asked.target} {asked.seed}")
        for _ in range(asked.inputs):
            judge(mutator.fresh(random)[:_LONGEST])
        tell()
        return 1 if judge.faults else 0
    return _guided(fuzzer, judge, mutator, seeds(asked.target), asked.inputs, asked.seed, tell)


def _guided(fuzzer, judge, mutator, texts, inputs, seed, tell) -> int:  # type: ignore[no-untyped-def]
    """Let the fuzzer choose which input to change next, by what the one before reached; it ends the process."""
    folder = Path(tempfile.mkdtemp(prefix="pathcheck-seeds-"))
    for number, text in enumerate(texts):
        if len(text) <= _LONGEST:
            (folder / f"{number:04}").write_bytes(text)

    def change(data: bytes, size: int, number: int) -> bytes:
        random = Random(number)
        if random.random() < 0.2:
            return fuzzer.Mutate(data, size)
        new = mutator.fresh(random) if random.random() < 0.1 else mutator.changed(data, random)
        return new[:size]

    def run(data: bytes) -> None:
        try:
            judge(data)
        except BaseException:
            end()
        if judge.inputs >= inputs + len(texts):  # the seeds are run first
            end()

    def end() -> None:
        """Leave without the fuzzer's own report, which no one here reads."""
        shutil.rmtree(folder)
        tell()
        os._exit(1 if judge.faults else 0)

    options = [
        f"-seed={seed}",
        f"-max_len={_LONGEST}",
        "-rss_limit_mb=0",
        "-timeout=300",
        "-len_control=0",
        str(folder),
    ]
    fuzzer.Setup([sys.argv[0], "-verbosity=0", *options], run, custom_mutator=change)
    fuzzer.Fuzz()
    return 1


def _shorten(judge: Judge, file: Path) -> int:
    """Leave out lines, then words, then characters, as long as the fault stays; print what is left."""
    data = file.read_bytes()
    fault = judge.fault_of(data)
    if fault is None:
        print("no fault", file=sys.stderr)
        return 0
    wanted = signature(fault)
    for cut in (b"\n", b" ", None):
        parts = data.split(cut) if cut is not None else [data[i : i + 1] for i in range(len(data))]
        size = max(1, len(parts) // 2)
        while size:
            place = 0
            while place < len(parts):
                fewer = parts[:place] + parts[place + size :]
                found = judge.fault_of((cut or b"").join(fewer))
                if found is not None and signature(found) == wanted:
                    parts = fewer
                else:
                    place += size
            size //= 2
        data = (cut or b"").join(parts)
    file.with_suffix(".short").write_bytes(data)
    print(data)
    return 1


if __name__ == "__main__":
    sys.exit(main())
