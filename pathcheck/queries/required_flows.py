"""Whether the required flows stay open, and the forbidden ones closed.

`open` holds if every packet of the flow passes on every way that it may take, and
`closed` if none passes on any. What is uncertain holds in neither case. A reply
comes back if it passes in the same sense; one that leaves the fleet on its way to
a subnet of the fleet has not come back for certain.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from pathcheck.errors import InputError, UsageError
from pathcheck.fleet import LoadedFleet
from pathcheck.model.flow import Flow
from pathcheck.model.required_flow import Expectation, RequiredFlow, RequiredWords
from pathcheck.parser.flow_words import read_flow_line
from pathcheck.parser.required_flows import read_required_flows
from pathcheck.queries.flow import ask_flow, ask_list, network_of
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.results.path import FlowAnswer, LineUse, ListAnswer, Path
from pathcheck.results.requirement import Evidence, Requirement, RequirementPart, RequirementReport, Standing
from pathcheck.results.verdict import Reason, Verdict
from pathcheck.source import Span

__all__ = [
    "ask_required",
    "ask_required_flows",
    "required_flow_findings",
    "required_flows_of",
    "requirement_findings",
]

_BREAKING = {Expectation.OPEN: Verdict.DENIED, Expectation.CLOSED: Verdict.PERMITTED}
"""The verdict that breaks an expectation."""


def required_flows_of(loaded: LoadedFleet) -> tuple[RequiredFlow, ...]:
    """Return the required flows of a fleet's own file; none where it has no such file.

    Raises
    ------
    InputError
        The file has faults, or could not be read.
    """
    file = loaded.config.required_flows
    if file is None:
        return ()
    if loaded.required_flows is None:
        raise InputError(f"the required flows `{file}` cannot be read", span=Span(file, 1, ""))
    return read_required_flows(file, loaded.required_flows)


def ask_required_flows(
    loaded: LoadedFleet,
    flows: Sequence[RequiredFlow] | None = None,
    *,
    file: str | None = None,
    advance: Callable[[int], None] = lambda _: None,
) -> RequirementReport:
    """Ask all required flows of a fleet, in the order of their file.

    Parameters
    ----------
    flows
        Those of another file; None for the fleet's own.
    file
        What the file is called in reports.
    advance
        Hears of each required flow that is done, by 1.

    Raises
    ------
    InputError
        The fleet's own file has faults.
    CapacityError, InternalFault
        As :func:`ask_flow`.
    """
    asked = required_flows_of(loaded) if flows is None else flows
    requirements = []
    for required in asked:
        requirements.append(ask_required(loaded, required))
        advance(1)
    return RequirementReport(file or loaded.config.required_flows or "", tuple(requirements))


def ask_required(loaded: LoadedFleet, required: RequiredFlow) -> Requirement:
    """Ask one required flow; words that this fleet cannot be asked make it `unanswered` and raise nothing."""
    return Requirement(required, tuple(_part(loaded, required, words) for words in required.flows))


def _part(loaded: LoadedFleet, required: RequiredFlow, words: RequiredWords) -> RequirementPart:
    """Ask one flow of a required flow."""
    try:
        question = read_flow_line(words.text, loaded.config)
        if required.reply and (question.acl is not None or not question.reply):
            option = "--acl" if question.acl is not None else "--no-reply"
            raise UsageError(f"`reply: true` and `{option}` contradict each other", help="leave one of them away")
        if question.acl is not None:
            alone = ask_list(loaded, question.device, question.acl, question.flow)
            return RequirementPart(words.text, words.span, *_judge_list(required.expect, alone))
        # Where packets enter is given: replies of several ends may leave, and each has to be looked at.
        brief = not (required.reply and question.flow.at)
        answer = ask_flow(loaded, question.flow, reply=required.reply, brief=brief)
        standing, evidence = _judge(loaded, required, question.flow, answer)
    except (UsageError, InputError) as error:
        return RequirementPart(
            words.text, words.span, Standing.UNANSWERED, fault=error.message, help=error.help
        )  # fmt: skip
    return RequirementPart(words.text, words.span, standing, answer, evidence)


# ---- judging --------------------------------------------------------------------------------


def _judge(
    loaded: LoadedFleet, required: RequiredFlow, flow: Flow, answer: FlowAnswer
) -> tuple[Standing, Evidence | None]:
    """Return how a flow stands against what is expected, and what shows it."""
    directions = [("flow", answer)]
    if required.reply and answer.reply is not None:
        directions.append(("reply", answer.reply))
    for direction, found in directions:
        path = _first(found.paths, _BREAKING[required.expect])
        if path is not None:
            return Standing.BROKEN, _evidence(direction, path)
    for direction, found in directions:
        path = _first(found.paths, Verdict.UNCERTAIN)
        if path is not None:
            return Standing.UNCERTAIN, _evidence(direction, path)
    if required.reply:
        if answer.reply is None:
            raise UsageError(
                "packets of this flow are answered by nothing, so no reply can come back",
                help="leave `reply: true` away",
            )
        lost = next((path for path in answer.reply.paths if _has_left(loaded, flow, path)), None)
        if lost is not None:
            return Standing.UNCERTAIN, _evidence("reply", lost)
    return Standing.HOLDS, None


def _first(paths: Iterable[Path], verdict: Verdict) -> Path | None:
    """The first, which is the gravest, path of a verdict."""
    return next((path for path in paths if path.verdict is verdict), None)


def _has_left(loaded: LoadedFleet, flow: Flow, path: Path) -> bool:
    """Whether a reply was handed out of the fleet although its destination is on a subnet of the fleet."""
    if path.reason is not Reason.HANDED_OVER or path.sample is None:
        return False
    # Without an entry point the packets came from subnets of the fleet, so their replies belong there.
    return flow.at is None or bool(network_of(loaded.config).topology.on_subnet_of(path.sample.destination))


def _judge_list(expect: Expectation, answer: ListAnswer) -> tuple[Standing, ListAnswer, Evidence | None]:
    """Return how a list alone stands against what is expected."""
    for standing, verdict in ((Standing.BROKEN, _BREAKING[expect]), (Standing.UNCERTAIN, Verdict.UNCERTAIN)):
        for (use, regions), decided in zip(answer.lines, answer.line_verdicts, strict=True):
            if decided is not verdict:
                continue
            sample = next((region.sample for region in regions if region.sample is not None), None)
            if standing is Standing.BROKEN:
                why, span = f"{_DONE[verdict]} by {_line_words(use)}", use.span
            else:
                doubt = answer.doubts[0] if answer.doubts else None
                why = "uncertain" + (f": {doubt.why}{_place(doubt.span)}" if doubt else "")
                span = doubt.span if doubt else use.span
            return standing, answer, Evidence("list", why, sample, None, use, span, answer.device)
    return Standing.HOLDS, answer, None


# ---- what decides, in words -----------------------------------------------------------------

_DONE = {Verdict.PERMITTED: "permitted", Verdict.DENIED: "denied"}


def _evidence(direction: str, path: Path) -> Evidence:
    """Return what happens at the end of a path, and by what."""
    hop = path.hops[-1] if path.hops else None
    at = f" at {hop.device}" if hop else ""
    device = hop.device if hop else None
    line: LineUse | None = None
    span = hop.route.span if hop and hop.route else None
    used = [(it.device, use) for it in path.hops for use in (it.in_line, it.port_line, it.out_line) if use is not None]
    if path.reason is Reason.FILTERED:
        device, line = next(((where, use) for where, use in reversed(used) if use.action == "deny"), (device, None))
        span = line.span if line else None
        why = f"denied{at} by {_line_words(line) if line else 'an access list'}"
    elif path.reason in (Reason.ARRIVED, Reason.HANDED_OVER):
        end = f"arrives{at}" if path.reason is Reason.ARRIVED else f"is handed{at} to a device outside the fleet"
        if direction == "reply":
            # Only one that should have stayed inside is told about.
            why = f"uncertain, it {end}, although its destination is on a subnet of the fleet"
        else:
            device, line = used[-1] if used else (device, None)
            span = line.span if line else None
            last = "no list is on its way"
            if line:
                last = f"the last list on its way is {line.acl} on {device}" + (_place(span) or f", {line.text}")
            why = f"permitted, it {end}; {last}"
    elif path.reason is Reason.UNMODELLED:
        doubt = path.doubts[0] if path.doubts else None
        span = doubt.span if doubt else None
        why = f"uncertain{at}" + (f": {doubt.why}{_place(span)}" if doubt else "")
    elif path.reason is Reason.LOOPING:
        why = f"denied, it loops: {' > '.join(path.cycle)}"
    elif path.reason is Reason.UNROUTED:
        why = f"denied{at}, no route matches"
    elif path.reason is Reason.DISCARDED:
        why = f"denied{at}, a discard route matches{_place(span)}"
    else:
        notes = hop.notes if hop else path.notes
        # The note names the line that has to change, which is not the route.
        why = f"denied{at}, the next hop cannot be reached" + (f": {notes[-1]}" if notes else _place(span))
        fault = hop.faults[-1] if hop and hop.faults else None
        span = fault.span if fault else None if notes else span
    return Evidence(direction, why, path.sample, path, line, span, device)


def _line_words(use: LineUse) -> str:
    """A list and the line of it that decides."""
    return f"the list {use.acl}{_place(use.span)}" if use.span else f"the list {use.acl}, {use.text}"


def _place(span: Span | None) -> str:
    """Where a line stands."""
    return f", {span}" if span else ""


# ---- findings -------------------------------------------------------------------------------


def required_flow_findings(
    loaded: LoadedFleet, *, advance: Callable[[int], None] = lambda _: None
) -> tuple[Finding, ...]:
    """Return what is wrong with the required flows of a fleet as findings; none where it has no such file.

    Faults of the file are findings too, so that they do not hide the others.
    """
    file = loaded.config.required_flows
    if file is None or loaded.required_flows is None:
        return ()  # a file that cannot be read is a finding of reading
    try:
        report = ask_required_flows(loaded, advance=advance)
    except InputError as error:
        faults = (error, *error.others)
        return tuple(finding("PC383", fault.message, span=fault.span, help=fault.help) for fault in faults)
    return requirement_findings(report)


def requirement_findings(report: RequirementReport) -> tuple[Finding, ...]:
    """Return the required flows that do not hold, or not for certain, as findings, in their order."""
    return tuple(_finding(item) for item in report.requirements if not item.holds)


_CODES = {Standing.BROKEN: "PC381", Standing.UNCERTAIN: "PC382", Standing.UNANSWERED: "PC383"}


def _finding(item: Requirement) -> Finding:
    """Return a required flow that does not hold, or not for certain, as a finding."""
    required, part = item.flow, item.gravest
    code = _CODES[part.standing]
    if part.evidence is None:
        message = f"`{required.name}` cannot be asked: {part.fault}"
        return finding(code, message, span=part.span, help=part.help)
    evidence = part.evidence
    subject = {"flow": "a packet of it", "reply": "a reply", "list": "a packet of it"}[evidence.direction]
    message = f"`{required.name}` must be {required.expect}, and {subject} is {evidence.why}"
    more = [f"{key}: {value}" for key, value in (("owner", required.owner), ("reason", required.reason)) if value]
    return finding(
        code,
        message,
        span=required.span,
        device=evidence.device,
        acl=evidence.line.acl if evidence.line else None,
        because=(evidence.span,) if evidence.span else (),
        sample=evidence.sample,
        help="; ".join(more) or None,
    )
