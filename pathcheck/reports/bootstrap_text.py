"""The stages of blank switches as text: who gets how far, then each stage, the line under what stops it."""

from __future__ import annotations

from collections.abc import Iterator

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.diagnostic import quote_line
from pathcheck.reports.region_words import packet_words
from pathcheck.reports.terminal import Paint
from pathcheck.results.bootstrap import STAGES, BootstrapAnswer, BootstrapReport, Stage, StageFlow, StageState
from pathcheck.results.verdict import Verdict

__all__ = ["render_bootstrap"]

_COLOURS: dict[StageState, Verdict] = {
    "holds": Verdict.PERMITTED,
    "assumed": Verdict.PERMITTED,
    "broken": Verdict.DENIED,
    "uncertain": Verdict.UNCERTAIN,
    "not-judged": Verdict.UNCERTAIN,
}
_WORDS: dict[StageState, str] = {
    "holds": "holds",
    "assumed": "assumed",
    "broken": "FAILS",
    "uncertain": "UNCERTAIN",
    "not-judged": "not judged",
}
_WIDTH = max(map(len, _WORDS.values()))


def render_bootstrap(report: BootstrapReport, paint: Paint) -> str:
    """Return the report as text."""
    out: list[str] = []
    told: dict[str, str] = {}
    for answer in report.answers:
        out += [*_answer(answer, paint, told), ""]
    counts = report.counts()
    out.append(
        f"{len(report.answers)} switch{'' if len(report.answers) == 1 else 'es'}: {counts['through']} through, "
        f"{counts['broken']} stopped, {counts['uncertain']} uncertain"
    )
    return "\n".join([*out, "", CAUTION])


def _answer(answer: BootstrapAnswer, paint: Paint, told: dict[str, str]) -> Iterator[str]:
    """One switch; stages that are told already in the same words are not told again."""
    name = answer.device or "each switch that comes"
    first = answer.broken or answer.uncertain
    if answer.broken is not None:
        verdict = paint("STOPS", Verdict.DENIED)
        how = f"stops at the {STAGES[answer.broken.kind]}"
    elif first is not None:
        verdict, how = paint("UNCERTAIN", Verdict.UNCERTAIN), f"may stop at the {STAGES[first.kind]}"
    else:
        unjudged = sum(stage.state == "not-judged" for stage in answer.stages)
        verdict = paint("THROUGH", Verdict.PERMITTED)
        how = "gets through each stage" + (f" that could be judged; {unjudged} could not" if unjudged else "")
    yield f"{verdict}  {name} {how}"
    yield f"  starts with {answer.entry}" + (f", cabled to {answer.port}" if answer.port else "")
    lines = [line for stage in answer.stages for line in _stage(stage, paint)]
    same = told.setdefault("\n".join(lines).replace(name, "NAME"), name)
    if same != name:
        yield f"  each stage as for {same}"
    else:
        yield from lines


def _stage(stage: Stage, paint: Paint) -> Iterator[str]:
    """One stage: its state, then what stops it or is known besides."""
    word = _WORDS[stage.state]
    yield f"  {paint(word, _COLOURS[stage.state])}{' ' * (_WIDTH - len(word))}  {STAGES[stage.kind]}"
    said: set[object] = set()
    for flow in stage.flows:
        if flow.state == "holds" and not (flow.note and flow.span):
            continue
        # One line that stops several flows of a stage is told once.
        cause = (flow.state, flow.span.file, flow.span.line, flow.acl) if flow.span is not None else flow.message
        if cause not in said:
            said.add(cause)
            yield from _flow(flow)


def _flow(flow: StageFlow) -> Iterator[str]:
    """What does not hold, is assumed, or is known besides."""
    lead = " " * (_WIDTH + 4)
    yield f"{lead}{flow.what}" + (f": {flow.packets}" if flow.packets else "")
    words = {"broken": "", "uncertain": "", "assumed": "", "not-judged": "not judged: ", "holds": "note: "}[flow.state]
    yield f"{lead}  {words}{flow.message or flow.note}"
    if flow.span is not None and flow.span.words:
        yield f"{lead}  {flow.span.file}:{flow.span.line}"
        yield quote_line(flow.span, indent=f"{lead}  ")
    if flow.sample is not None:
        yield f"{lead}  for example {packet_words(flow.sample)}"
    if flow.help and flow.state == "broken":
        yield f"{lead}  help: {flow.help}"
    if flow.note and flow.message:
        yield f"{lead}  note: {flow.note}"
