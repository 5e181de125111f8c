"""The scores as text and as the page in docs."""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Sequence

from score import Score, Tried

__all__ = ["page", "table"]

_HEAD = ("room", "mutants", "tried", "killed", "of these hang", "equivalent", "survived", "score", "95 % interval")


def table(scores: Sequence[Score]) -> str:
    """Return the scores as a Markdown table, which also reads well on a terminal."""
    rows = [_HEAD, *(_row(score) for score in scores), _row_of_all(scores)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(_HEAD))]
    lines = [
        "| " + " | ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) + " |" for row in rows
    ]
    lines.insert(1, "|" + "|".join("-" * (width + 2) for width in widths) + "|")
    return "\n".join(lines)


def page(
    scores: Sequence[Score],
    *,
    revision: str,
    seed: str,
    seconds: float,
    command: str,
    cap: float,
    examples: int,
    note: str = "",
) -> str:
    """Return the page `docs/mutation-testing.md`; the note stands below the scores."""
    survivors = [each for score in scores for each in score.survivors]
    parts = [
        _INTRODUCTION.format(
            date=datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%d"),
            command=command,
            seed=seed,
            revision=revision,
            cap=f"{cap:g}",
            examples=examples,
            minutes=f"{seconds / 60:.0f}",
        ),
        "## Score\n\n" + table(scores) + "\n\n" + _READING + (f"\n{note}\n" if note else ""),
        "## Survivors\n\n" + (_listing([(each, "") for each in survivors]) or "None of those that were tried.\n"),
        "## Equivalent changes\n\n"
        + _EQUIVALENT
        + (_listing([each for score in scores for each in score.equivalent]) or "None of those that were tried.\n"),
    ]
    return "\n".join(parts)


def _row(score: Score) -> tuple[str, ...]:
    low, high = score.interval
    return (
        *(score.room, f"{score.of:,}", f"{len(score.tried):,}", f"{len(score.killed):,}", f"{score.hanging:,}"),
        *(f"{len(score.equivalent):,}", f"{len(score.survivors):,}", f"{score.value:.1%}", f"{low:.1%} to {high:.1%}"),
    )


def _row_of_all(scores: Sequence[Score]) -> tuple[str, ...]:
    """All rooms, each weighed by its number of mutants (a stratified sample)."""
    of = sum(score.of for score in scores)
    value = sum(score.value * score.of for score in scores) / of
    spread = sum(((score.interval[1] - score.interval[0]) / 2 * score.of / of) ** 2 for score in scores) ** 0.5
    middle = sum(sum(score.interval) / 2 * score.of for score in scores) / of
    sums = [
        sum(len(getattr(score, name)) for score in scores) for name in ("tried", "killed", "equivalent", "survivors")
    ]
    hanging = sum(score.hanging for score in scores)
    return (
        *("all, weighed", f"{of:,}", f"{sums[0]:,}", f"{sums[1]:,}", f"{hanging:,}", f"{sums[2]:,}", f"{sums[3]:,}"),
        *(f"{value:.1%}", f"{middle - spread:.1%} to {min(middle + spread, 1):.1%}"),
    )


def _listing(found: Sequence[tuple[Tried, str]]) -> str:
    """Changes by file and reason."""
    by_file: defaultdict[str, defaultdict[str, list[Tried]]] = defaultdict(lambda: defaultdict(list))
    for tried, why in found:
        by_file[tried.mutant.file][why].append(tried)
    lines: list[str] = []
    for file, by_reason in sorted(by_file.items()):
        lines += [f"### {file}", ""]
        for why, group in sorted(by_reason.items(), key=lambda each: min(one.mutant.start for one in each[1])):
            if why:
                lines += [f"{why[0].upper()}{why[1:]}", ""]
            lines += ["```diff"]
            for each in sorted(group, key=lambda one: one.mutant.start):
                note = "  (no test reaches it)" if each.outcome == "unreached" else ""
                lines += [f"@@ line {each.mutant.start[0]}, {each.mutant.function or 'module'}{note}"]
                lines += [f"- {each.mutant.text}", f"+ {each.after}"]
            lines += ["```", ""]
    return "\n".join(lines)


_INTRODUCTION = """\
# Mutation testing of the core

Written on {date} by `{command}`
for the program of revision {revision}; its mutants took {minutes} minutes of work.

A mutant is the program with one small change: a comparison turned round, a number one larger, a condition negated, a
loop that never runs, a call left out, nothing returned. A test must fail for it; if none does, either a test is
missing or the change changes nothing. `python tests/mutation --help` says how to run it; `DEVELOPERS.md` says how it
works.

- The sample is drawn at random in each room (seed `{seed}`), so its share is that of the room within the interval.
  Tests are written for survivors: to know how good they are beyond that, draw with a seed that nobody has used.
- Each mutant meets the tests that reach the changed line until one fails: unit tests of the room and of the evaluator,
  properties, cases, published cases. Not those of the command line and the kernel. At most {cap} seconds of tests a
  mutant (as they take without it), and at most {examples} examples of each property, the same each time: what only more
  would kill counts as survived.
- A mutant that hangs is killed only if it used 3 seconds and five times the processor time of the test, and with
  four times that patience did not end either.
- Not changed: annotations, decorators and the words of messages.
"""

_READING = """\
Score: killed of those that are not equivalent. The interval is Wilson's, narrowed by the part of the room that was
tried.
"""

_EQUIVALENT = """\
These survived, and no test could kill them: each was looked at, and `tests/mutation/equivalent.yaml` says why.

"""
