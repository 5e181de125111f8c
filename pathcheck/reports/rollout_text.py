"""In which orders jobs can run without losing a device, as text: the answer, the plan, the way into the lock-out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.diagnostic import quote_line
from pathcheck.reports.region_words import packet_words
from pathcheck.reports.terminal import Paint
from pathcheck.results.rollout import Held, LostState, Precedence, Rewrite, Rollout, RolloutAnswer, Step
from pathcheck.results.verdict import Verdict

__all__ = ["render_rollout"]

_NAMES = 8
"""Jobs or devices that one row names at most."""

_ROWS = 12
"""What has to come first, in so many rows."""

_COLOURS = {
    RolloutAnswer.ANY: Verdict.PERMITTED,
    RolloutAnswer.SOME: Verdict.PARTLY,
    RolloutAnswer.NONE: Verdict.DENIED,
    RolloutAnswer.UNCERTAIN: Verdict.UNCERTAIN,
}
_HEADS = {
    RolloutAnswer.ANY: "ANY ORDER",
    RolloutAnswer.SOME: "SOME ORDERS",
    RolloutAnswer.NONE: "NO ORDER",
    RolloutAnswer.UNCERTAIN: "UNCERTAIN",
}


def render_rollout(rollout: Rollout, paint: Paint) -> str:
    """Return the answer as text."""
    out = [
        f"{paint(_HEADS[rollout.answer], _COLOURS[rollout.answer])}  {_headline(rollout)}",
        f"  {rollout.before}  ->  {rollout.after}: {_jobs(rollout.jobs)}",
    ]
    if rollout.already:
        out += ["", "lost before the first job"]
        for one in rollout.already:
            out += _lost(one)
        out.append("  jobs of a device run only while it can be managed; what was lost before may stay so on the way,")
        out.append("  but not in the end")
    if rollout.plan and rollout.answer is RolloutAnswer.SOME:
        out += ["", "a safe order", *_plan(rollout.plan)]
    if rollout.precedences:
        out += ["", "what has to come first", *_precedences(rollout.precedences)]
    if rollout.lost is not None and rollout.lost not in rollout.already:
        out += ["", "the shortest way into the lock-out", *_way(rollout.lost)]
    if rollout.unavoidable is not None:
        out += ["", "that could be avoided, this cannot", *_way(rollout.unavoidable)]
    if rollout.open is not None:
        out += ["", "what leaves it open", *_way(rollout.open, is_open=True)]
    if rollout.rewrite is not None:
        out += ["", *_rewrite(rollout.rewrite, paint)]
    return "\n".join([*out, "", *_tail(rollout), "", CAUTION])


def _headline(rollout: Rollout) -> str:
    """The answer in one sentence."""
    if rollout.answer is RolloutAnswer.ANY:
        if not rollout.jobs:
            return "there is nothing to push: what jobs push is the same in both states"
        return "in whatever order the jobs run, nothing is lost on the way"
    if rollout.answer is RolloutAnswer.SOME:
        if rollout.only_open:
            return "a safe order is below; whether each order is safe is uncertain"
        return "it depends on the order: a safe one is below, and so is the way into the lock-out"
    if rollout.answer is RolloutAnswer.NONE:
        if rollout.lost is not None and not rollout.lost.applied:
            return "what was lost before the first job stays lost, or keeps its own jobs from running, in each order"
        return "in whatever order the jobs run, something is lost on the way"
    return "whether some order is safe rests on what is not known"


def _jobs(jobs: Sequence[Step]) -> str:
    """How many jobs there are."""
    devices = len({step.device for step in jobs})
    return f"{_count(len(jobs), 'job')} on {_count(devices, 'device')}"


def _count(number: int, what: str) -> str:
    return f"{number} {what}" + ("" if number == 1 else "s")


def _plan(plan: Sequence[Step]) -> list[str]:
    """Numbered, one row for what follows each other on one device."""
    rows: list[tuple[str, str, str]] = []
    number = 0
    for device, run in groupby(plan, key=lambda step: step.device):
        steps = list(run)
        first, number = number + 1, number + len(steps)
        numbers = str(first) if first == number else f"{first}-{number}"
        rows.append((numbers, device, ", then ".join(_step(step) for step in steps)))
    wide = [max(len(row[place]) for row in rows) for place in (0, 1)]
    return [f"  {row[0]:>{wide[0]}}  {row[1]:<{wide[1]}}  {row[2]}" for row in rows]


def _precedences(found: Sequence[Precedence]) -> list[str]:
    """What has to come before what, and what is lost otherwise."""
    rows = [
        (
            " or ".join(f"{step.device} {_step(step)}" for step in one.first),
            " and ".join(f"{step.device} {_step(step)}" for step in one.then),
            _few(one.lost),
        )
        for one in found[:_ROWS]
    ]
    wide = [max(len(row[place]) for row in rows) for place in (0, 1)]
    out = [f"  {row[0]:<{wide[0]}}  before  {row[1]:<{wide[1]}}  or lost: {row[2]}" for row in rows]
    return out if len(found) <= _ROWS else [*out, f"  and {len(found) - _ROWS} more"]


def _step(step: Step) -> str:
    """A job, or how far it has got."""
    if step.acl is None:
        return step.job if step.detail is None else f"{step.job} ({step.detail})"
    if step.detail is not None:
        return f"{step.job} ({step.acl} {step.detail})"
    return f"{step.job} ({step.acl}: {step.entered} of {_count(step.of or 0, 'line')})"


def _way(lost: LostState, *, is_open: bool = False) -> list[str]:
    """The jobs, then what they lose."""
    shown = _lost(lost, is_open=is_open)
    return [*_plan(lost.applied), *shown] if lost.applied else ["  before the first job", *shown]


def _lost(lost: LostState, *, is_open: bool = False) -> list[str]:
    """What does not hold in a state, or may not, with the line and a packet."""
    out = [f"  {_held(lost.held, is_open)}", f"    {lost.why}"]
    if lost.span is not None:
        side = f" {lost.side} the change" if lost.side else ""
        out += [f"    {lost.span.file}:{lost.span.line}{side}", quote_line(lost.span, indent="    ")]
    if lost.sample is not None:
        out.append(f"    for example {packet_words(lost.sample)}")
    if lost.others:
        out.append(f"    and so are: {_few([_short(held) for held in lost.others])}")
    return out


def _held(held: Held, is_open: bool) -> str:
    """Something that must hold and does not, or may not."""
    if held.device is not None:
        return f"{held.device} {'may not be manageable' if is_open else 'cannot be managed'}: {held.flow}"
    return f"the required flow `{held.name}` {'may not' if is_open else 'does not'} hold: {held.flow}"


def _short(held: Held) -> str:
    return held.device or f"`{held.name}`"


def _rewrite(rewrite: Rewrite, paint: Paint) -> list[str]:
    """The proposal, and what the search says of it."""
    if rewrite.answer is RolloutAnswer.ANY:
        verdict = "the same search finds any order safe with it"
    elif rewrite.answer is RolloutAnswer.SOME:
        verdict = "the same search finds a safe order with it"
    elif rewrite.is_harmless:
        verdict = "the same search finds nothing lost by it; what is still lost has other causes"
    elif rewrite.answer is RolloutAnswer.UNCERTAIN:
        verdict = "whether some order is safe with it rests on what is not known"
    else:
        verdict = "but with it, too, the same search finds no safe order"
    colour = Verdict.PERMITTED if rewrite.is_harmless else _COLOURS[rewrite.answer]
    out = [f"a rewrite of lists that are bound: {paint(verdict, colour)}"]
    for device, old, new, places in rewrite.lists:
        out.append(
            f"  {device}: enter the new lines as `{new}`, bind it at once in place of `{old}` at {_few(places)}, "
            f"then remove `{old}`"
        )
    if rewrite.answer is RolloutAnswer.SOME:
        out += _plan(rewrite.plan)
    return out


def _tail(rollout: Rollout) -> list[str]:
    """How many states there were, how the others were ruled out, and what the answer rests on."""
    states = rollout.states
    judged = f"{_count(rollout.sessions, 'session')} of the controller"
    if rollout.flows:
        judged += f" and {_count(rollout.flows, 'required flow')}"
    out = [
        f"states: {_many(states.total)} of the jobs"
        + (" and lines" if rollout.by_line else "")
        + f"; {states.judged:,} were judged for {judged}, in {states.judgements:,} walks"
    ]
    if states.complete and states.judged < states.total:
        out.append("  the others were ruled out: in each of them all that a walk reads is as in one that was judged")
    elif not states.complete:
        out.append("  not all were judged or ruled out: the bound on judgements was hit")
    if rollout.idle:
        out.append(f"  no walk in any state depends on {_few([f'{it.device} {it.job}' for it in rollout.idle])}")
    if rollout.groups:
        sizes = ", ".join(map(str, rollout.groups[:_NAMES]))
        out.append(f"  jobs that can disturb each other: {_count(len(rollout.groups), 'group')} of {sizes}")
    out += [f"not judged: {name}: {why}" for name, why in rollout.not_judged[:_NAMES]]
    if len(rollout.not_judged) > _NAMES:
        out.append(f"  and {len(rollout.not_judged) - _NAMES} more")
    out += [f"note: {note}" for note in rollout.notes]
    return out


def _many(number: int) -> str:
    """A number that can be read."""
    return f"{number:,}" if number < 10**12 else f"about 10^{len(str(number)) - 1}"


def _few(names: Iterable[str]) -> str:
    """Some names, and how many more."""
    listed = list(names)
    shown = ", ".join(listed[:_NAMES])
    return shown if len(listed) <= _NAMES else f"{shown} and {len(listed) - _NAMES} more"
