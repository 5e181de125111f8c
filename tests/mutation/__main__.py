"""Mutation testing of the core rooms: changes the program in small ways and sees whether a test fails.

Run it as `python tests/mutation` with `pip install -e '.[test,mutation]'`. It works in a copy of the tree,
keeps what it found in `.mutation`, and goes on there when it is started again. It prints every survivor, then the score
of each room; `--page` also writes `docs/mutation-testing.md`. The exit status is 1 if a room's score is below 90 %.
"""

from __future__ import annotations

import argparse
import dataclasses
import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from covering_tests import PYTEST, TEST_PATHS, TestMap, environment, measure
from equivalent import Equivalents
from limits import wall_seconds
from mutants import ROOMS, Mutant, body, find_mutants, mutated_source, sample
from report import page, table
from score import Score, Tried

ROOT = Path(__file__).parents[2]
GOAL = 0.9


def main() -> int:
    """Try the mutants and print the score."""
    options = _options()
    state: Path = options.state.resolve()
    tree = state / "tree"
    state.mkdir(parents=True, exist_ok=True)
    if not options.known:
        _copy(tree)
        measure(tree, state)
    chosen: dict[str, tuple[int, list[Mutant]]] = {}
    for room in options.rooms or ROOMS:
        mutants = find_mutants(tree, room)
        chosen[room] = len(mutants), sample(mutants, len(mutants) if options.all else options.sample, options.seed)
    results = _Results(state / "results.jsonl", tree)
    started = time.monotonic()
    if not options.known:
        tests = TestMap(tree, state)
        _try_all([each for _, some in chosen.values() for each in some], tests, results, tree, state, options)
    results = _Results(state / "results.jsonl", tree)
    equivalents = Equivalents.read(Path(__file__).parent / "equivalent.yaml")
    scores = [_score(room, of, some, results, equivalents, tree) for room, (of, some) in chosen.items()]
    _print(scores, equivalents, tree, results)
    if options.page:
        size = "--all" if options.all else f"--sample {options.sample}"
        how = f"python tests/mutation {size} --seed {options.seed} --cap {options.cap:g} --page"
        text = page(
            scores,
            revision=_revision(),
            seed=options.seed,
            seconds=sum(results.known[each.mutant.key].get("seconds", 0) for score in scores for each in score.tried),
            command=how,
            cap=options.cap,
            examples=options.examples,
            note=options.note,
        )
        (ROOT / "docs" / "mutation-testing.md").write_text(text)
    print(f"{time.monotonic() - started:.0f} s", file=sys.stderr)
    return int(any(score.value < GOAL for score in scores))


def _revision() -> str:
    """Return the last commit that touched the program."""
    command = ["git", "log", "-1", "--format=%h", "--", "pathcheck"]
    return subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout.strip()


def _options() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(prog="python tests/mutation", description=__doc__.splitlines()[0])
    parser.add_argument("rooms", nargs="*", help=f"rooms to try, all if none is named: {', '.join(ROOMS)}")
    parser.add_argument("--sample", type=int, default=300, metavar="N", help="mutants of each room, at random (300)")
    parser.add_argument("--all", action="store_true", help="all mutants: some nine thousand, many hours")
    parser.add_argument("--seed", default="1", help="another seed draws another sample (1)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes at once")
    parser.add_argument("--cap", type=float, default=20.0, metavar="SECONDS", help="most tests of one mutant (20)")
    parser.add_argument("--examples", type=int, default=25, help="most examples of one property (25)")
    parser.add_argument("--again", action="store_true", help="try survivors again although no test has changed")
    parser.add_argument("--known", action="store_true", help="try nothing, print what earlier runs found")
    parser.add_argument("--page", action="store_true", help="write docs/mutation-testing.md")
    parser.add_argument("--note", default="", metavar="TEXT", help="what the page says below the scores")
    parser.add_argument("--state", type=Path, default=ROOT / ".mutation", help="where copy and results are kept")
    options = parser.parse_args()
    if unknown := [room for room in options.rooms if room not in ROOMS]:
        parser.error(f"no core room `{unknown[0]}`; known are {', '.join(ROOMS)}")
    os.environ["MUTATION_EXAMPLES"] = str(options.examples)
    return options


def _copy(tree: Path) -> None:
    """Copy what version control knows or would add, as it is now; what has gone goes there too."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    names = {name for name in listed.stdout.decode().split("\0") if name and (ROOT / name).is_file()}
    for name in names:
        source, target = ROOT / name, tree / name
        if not target.exists() or target.read_bytes() != source.read_bytes():
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(source, target)
    for path in list(tree.rglob("*.py")):
        if path.relative_to(tree).as_posix() not in names:
            path.unlink()


class _Results:
    """What earlier and this run found, by mutant; of what has changed since nothing is kept.

    What was killed stays killed while its function stays the same; what survived is tried again when the tests that
    reach it have changed too.
    """

    def __init__(self, path: Path, tree: Path) -> None:
        self.path = path
        self.tree = tree
        self.known: dict[str, dict[str, Any]] = {}
        self._sources: dict[str, str] = {}
        if path.exists():
            for line in path.read_text().splitlines():
                each = json.loads(line)
                self.known[each["key"]] = each

    def source(self, file: str) -> str:
        """The source of a file of the copy."""
        if file not in self._sources:
            self._sources[file] = (self.tree / file).read_text()
        return self._sources[file]

    def open(self, mutant: Mutant, mark: str, again: bool) -> bool:
        """Whether the mutant must be tried."""
        before = self.known.get(mutant.key)
        if before is None or before["outcome"] == "error" or before["body"] != body(self.source(mutant.file), mutant):
            return True
        if before["outcome"] in ("killed", "hangs", "invalid"):
            return False
        return again or before.get("mark") != mark


def _try_all(
    mutants: list[Mutant], tests: TestMap, results: _Results, tree: Path, state: Path, options: argparse.Namespace
) -> None:
    """Try what is not known yet, in several processes."""
    work: list[dict[str, Any]] = []
    for mutant in mutants:
        fast = bool(mutant.function)
        names = tests.reaching(mutant.file, *mutant.lines) if fast else tests.reaching_file(mutant.file)
        chosen = tests.in_order(names, mutant.room, options.cap)
        mark = _mark(chosen, tree)
        if results.open(mutant, mark, options.again):
            marks = {"mark": mark, "body": body(results.source(mutant.file), mutant)}
            work.append({"mutant": dataclasses.asdict(mutant), "tests": chosen} | marks)
    if not work:
        return
    print(f"{len(work)} mutants to try, {len(mutants) - len(work)} known", file=sys.stderr, flush=True)
    reached = [each for each in work if each["tests"]]
    for each in work:
        if not each["tests"]:
            same = {"key": each["mutant"]["key"], "mark": each["mark"], "body": each["body"]}
            _write(state, {"outcome": "unreached", "test": ""} | same)
    # Mutants of one function stay together, as the process learns what kills there; functions come in any order, so
    # that what is known after an interrupt is no worse a sample.
    quick = sorted((each for each in reached if each["mutant"]["function"]), key=_by_chance)
    share = -(-len(quick) // options.jobs)
    servers = []
    for number in range(options.jobs):
        part = quick[number * share : (number + 1) * share]
        if part:
            servers.append(_start_server(part, number, tree, state))
    for each in reached:
        if not each["mutant"]["function"]:
            _write(state, _try_import(each, tree, state))
    for server in servers:
        while server.poll() is None:
            time.sleep(2)
            done = len((state / "results.jsonl").read_text().splitlines()) if (state / "results.jsonl").exists() else 0
            if sys.stderr.isatty():
                print(f"\r{done} results", end="", file=sys.stderr, flush=True)
        if server.returncode:
            raise SystemExit(f"a process that tries mutants ended with {server.returncode}; see {state}/server-*.log")


def _by_chance(work: dict[str, Any]) -> tuple[str, str]:
    """Order of work: by a fingerprint of the function, then by mutant."""
    mutant = work["mutant"]
    return hashlib.sha256(f"{mutant['file']} {mutant['function']}".encode()).hexdigest(), mutant["key"]


def _start_server(part: list[dict[str, Any]], number: int, tree: Path, state: Path) -> subprocess.Popen[bytes]:
    """Start a process that has collected all tests and forks for each mutant."""
    file = state / f"work-{number}.jsonl"
    file.write_text("".join(json.dumps(each) + "\n" for each in part))
    variables = environment(tree, state) | {
        "MUTATION_WORK": str(file),
        "MUTATION_RESULTS": str(state / "results.jsonl"),
    }
    with (state / f"server-{number}.log").open("wb") as log:
        apart = f"--basetemp={state / f'temporary-{number}'}"
        command = [*PYTEST, "--assert=plain", apart, "-p", "fork_server", *TEST_PATHS]
        return subprocess.Popen(command, cwd=tree, env=variables, stdout=log, stderr=log)


def _try_import(work: dict[str, Any], tree: Path, state: Path) -> dict[str, Any]:
    """Try a mutant of what acts on import: a pytest of its own."""
    file = state / "work-import.json"
    file.write_text(json.dumps(work))
    variables = environment(tree, state) | {"MUTATION_WORK": str(file)}
    paths = sorted({name.partition("::")[0] for name, _ in work["tests"]})
    started = time.monotonic()
    usual = sum(seconds for _, seconds in work["tests"])
    result = {"key": work["mutant"]["key"], "test": "", "mark": work["mark"], "body": work["body"]}
    try:
        done = subprocess.run(
            [*PYTEST, "-x", "-p", "changed_import", *paths],
            cwd=tree,
            env=variables,
            capture_output=True,
            text=True,
            timeout=wall_seconds(usual),
        )
        outcome = {0: "survived", 5: "unreached", 90: "invalid"}.get(done.returncode, "killed")
        if outcome == "killed":
            result["test"] = next(
                (line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))), ""
            )
    except subprocess.TimeoutExpired:
        outcome = "hangs"
    return result | {"outcome": outcome, "seconds": round(time.monotonic() - started, 2)}


def _write(state: Path, result: dict[str, Any]) -> None:
    with (state / "results.jsonl").open("a") as file:
        file.write(json.dumps(result) + "\n")


def _mark(chosen: list[tuple[str, float]], tree: Path) -> str:
    """A fingerprint of the tests of a mutant."""
    files = sorted({name.partition("::")[0] for name, _ in chosen})
    sha = hashlib.sha256("\n".join(sorted(name for name, _ in chosen)).encode())
    for file in files:
        sha.update((tree / file).read_bytes())
    return sha.hexdigest()[:16]


def _score(room: str, of: int, mutants: list[Mutant], results: _Results, equivalents: Equivalents, tree: Path) -> Score:
    """Count what is known about the mutants."""
    score = Score(room, of)
    for mutant in mutants:
        known = results.known.get(mutant.key)
        if known is None or known["outcome"] == "invalid":
            continue
        if known["outcome"] == "error":
            raise SystemExit(f"could not be tried: {mutant.file}:{mutant.start[0]} {mutant.operator}: {known['test']}")
        after = ""
        if known["outcome"] not in ("killed", "hangs"):
            source = results.source(mutant.file)
            changed = (mutated_source(source, mutant) or "").splitlines()
            after = changed[mutant.start[0] - 1].strip()
        score.add(Tried(mutant, after, known["outcome"], known["test"]), equivalents)
    return score


def _print(scores: list[Score], equivalents: Equivalents, tree: Path, results: _Results) -> None:
    """Print survivors, then the table."""
    for score in scores:
        for each in sorted(score.survivors, key=lambda one: (one.mutant.file, one.mutant.start)):
            mutant = each.mutant
            print(f"{mutant.file}:{mutant.start[0]} {mutant.function} ({mutant.operator}) {each.outcome}")
            print(f"  - {mutant.text}\n  + {each.after}")
    for file, line, _ in equivalents.stale({file: results.source(file) for file, _, _ in equivalents.reasons}):
        print(f"stale in equivalent.yaml: {file}: {line}")
    print(table(scores))


if __name__ == "__main__":
    sys.exit(main())
