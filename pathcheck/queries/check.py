"""All findings of a fleet in one report: of reading, lists, routes, the audit and required flows."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date

from pathcheck.errors import InputError
from pathcheck.fleet import LoadedFleet
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.waiver import Waiver
from pathcheck.parser.waivers import read_waivers
from pathcheck.queries.fingerprints import fingerprints, line_words
from pathcheck.queries.line_review import review_fleet, without_covered
from pathcheck.results.account import LineClass
from pathcheck.results.catalogue import CATALOGUE, finding
from pathcheck.results.changed_lines import ChangedLines
from pathcheck.results.finding import Finding, Severity
from pathcheck.results.finding_report import FindingReport, ReportedFinding, path_from_here
from pathcheck.results.requirement import RequirementReport
from pathcheck.source import Span

__all__ = ["check_fleet", "full_check", "report_of"]

_ABOUT_WAIVERS = ("PC384", "PC385")
_ABOUT_FLOWS = ("PC381", "PC382", "PC383")
_OFF = ("PC104",)
"""Codes that are only looked for when they are asked for."""


def check_fleet(
    loaded: LoadedFleet, *, today: date | None = None, advance: Callable[[int], None] = lambda _: None
) -> tuple[Finding, ...]:
    """Return each finding once, those that are waived too, in the order of file, line and code.

    Parameters
    ----------
    today
        The day on which waivers are judged; None for the day that it is.
    advance
        Hears how many steps of the review are done, three for each line of a list.
    """
    report = full_check(loaded, today=today, advance=advance)
    return tuple(sorted((item.finding for item in report.items), key=_place))


def full_check(
    loaded: LoadedFleet,
    *,
    threshold: Severity = Severity.WARNING,
    changed: ChangedLines | None = None,
    only_changed: bool = False,
    baseline: Collection[str] | None = None,
    baseline_name: str | None = None,
    today: date | None = None,
    advance: Callable[[int], None] = lambda _: None,
) -> FindingReport:
    """Look for everything that a fleet has input for.

    Parameters
    ----------
    threshold, only_changed
        What fails, as :class:`FindingReport` keeps it.
    changed
        Findings on these lines come first.
    baseline, baseline_name
        Fingerprints of findings that are known, and the name of the file they come from.
    today, advance
        As :func:`check_fleet`.

    Raises
    ------
    InputError
        The file of waivers has faults.
    CapacityError, InternalFault
        As the queries of which this is made.
    """
    # Here and not above: each command that reports findings imports this file, and needs one of these rooms.
    from pathcheck.queries.audit import audit_fleet
    from pathcheck.queries.route_review import review_routes

    waivers = _waivers_of(loaded)
    requirements, on_flows = _required(loaded)
    found = {
        *loaded.report.findings,
        # A bootstrap text is no device of the fleet, and what is wrong in it is found here alone; what its lines leave
        # open is told with the stages of blank switches.
        *(
            replace(item, device=None)
            for text in loaded.bootstrap_texts.values()
            for item in text.findings
            if item.code != "PC412"
        ),
        *review_fleet(loaded, advance=advance),
        *audit_fleet(loaded),
        *review_routes(loaded.config),
        *_of_running(loaded.config),
        *on_flows,
    }
    plain = sorted(without_covered(found), key=_place)
    prints = fingerprints(plain, loaded.config)
    day = date.today() if today is None else today
    by_waiver: dict[Waiver, int] = dict.fromkeys(waivers, 0)
    waived: list[Waiver | None] = []
    for item, fingerprint in zip(plain, prints, strict=True):
        matching = [waiver for waiver in waivers if _is_for(waiver, item, fingerprint)]
        for waiver in matching:
            by_waiver[waiver] += 1
        waived.append(next((waiver for waiver in matching if waiver.until >= day), None))
    on_waivers = sorted(_on_waivers(by_waiver, day), key=_place)
    every = [*plain, *on_waivers]
    return report_of(
        "check",
        loaded,
        every,
        waivers=[*waived, *(None for _ in on_waivers)],
        prints=(*prints, *fingerprints(on_waivers, loaded.config)),
        threshold=threshold,
        changed=changed,
        only_changed=only_changed,
        baseline=baseline,
        baseline_name=baseline_name,
        requirements=requirements,
    )


def report_of(
    command: str,
    loaded: LoadedFleet,
    findings: Sequence[Finding],
    *,
    waivers: Sequence[Waiver | None] | None = None,
    prints: Sequence[str] | None = None,
    threshold: Severity = Severity.WARNING,
    changed: ChangedLines | None = None,
    only_changed: bool = False,
    baseline: Collection[str] | None = None,
    baseline_name: str | None = None,
    requirements: RequirementReport | None = None,
    as_typed: Iterable[str] = (),
) -> FindingReport:
    """Return findings of any command as a report; those on changed lines come first, else in the order given.

    Parameters
    ----------
    waivers, prints
        For each finding what waives it, and its fingerprint; none are waived, and prints are made, where
        they are not given.
    as_typed
        Files of findings whose names are not relative to the fleet's folder.
    """
    items = []
    for number, (item, fingerprint) in enumerate(
        zip(findings, prints if prints is not None else fingerprints(findings, loaded.config), strict=True)
    ):
        items.append(
            ReportedFinding(
                item,
                fingerprint,
                changed=changed is None or _is_changed(item, changed),
                # That a waiver has expired is never what was known before.
                known=baseline is not None and fingerprint in baseline and item.code not in _ABOUT_WAIVERS,
                waiver=waivers[number] if waivers is not None else None,
            )
        )
    there = {item.fingerprint for item in items}
    accounts = loaded.report.files
    return FindingReport(
        command,
        tuple(sorted(items, key=lambda item: not item.changed)),
        threshold,
        revision=None if changed is None else changed.revision,
        only_changed=only_changed,
        baseline=baseline_name,
        gone=0 if baseline is None else sum(fingerprint not in there for fingerprint in baseline),
        folder=path_from_here(loaded.folder),
        as_typed=frozenset(as_typed),
        requirements=requirements,
        looked_for=frozenset(code for code in CATALOGUE if code not in _OFF and _is_of(command, code)),
        unread=sum(
            each.counts.get(LineClass.WRONG, 0) + each.counts.get(LineClass.UNKNOWN, 0) + (each.refused is not None)
            for each in accounts
        ),
        unmodelled=sum(each.counts.get(LineClass.UNMODELLED, 0) for each in accounts),
    )


# ---- what belongs to what -------------------------------------------------------------------

_OF_COMMANDS = {
    "review": ("PC1",),
    "routes": ("PC2",),
    "audit": ("PC30", "PC31", "PC32", "PC33", "PC36", "PC37", "PC395"),
    "require": ("PC38",),
    "manageable": ("PC34",),
}


def _is_of(command: str, code: str) -> bool:
    """Whether a command looks for findings of a code."""
    if command == "require":
        return code in _ABOUT_FLOWS
    return command == "check" or code.startswith(_OF_COMMANDS.get(command, ()))


def _is_changed(item: Finding, changed: ChangedLines) -> bool:
    """Whether a finding, or a line that explains it, is on a changed line.

    One about required flows always counts: a change anywhere in the fleet can have
    broken it. So does one without a place, of which nobody can tell.
    """
    if item.code in _ABOUT_FLOWS or item.span is None:
        return True
    return any(changed.touch(span) for span in (item.span, *item.because))


# ---- waivers --------------------------------------------------------------------------------


def _waivers_of(loaded: LoadedFleet) -> tuple[Waiver, ...]:
    """Read the waivers of a fleet; none where it has no such file."""
    file = loaded.config.waivers
    if file is None:
        return ()
    if loaded.waivers is None:
        raise InputError(f"the waivers `{file}` cannot be read", span=Span(file, 1, ""))
    return read_waivers(file, loaded.waivers, CATALOGUE, _ABOUT_WAIVERS)


def _is_for(waiver: Waiver, item: Finding, fingerprint: str) -> bool:
    """Whether a waiver is for a finding, whatever the day is."""
    if waiver.text is not None:
        in_list = item.acl is not None
        written = line_words(waiver.text, in_list=in_list)
        if item.span is None or line_words(item.span.text, in_list=in_list) != written:
            return False
    return (
        waiver.fingerprint in (None, fingerprint)
        and waiver.code in (None, item.code)
        and waiver.file in (None, item.span.file if item.span else "")
        and waiver.device in (None, item.device)
        and waiver.acl in (None, item.acl)
    )


def _on_waivers(found: dict[Waiver, int], today: date) -> Iterable[Finding]:
    """Findings on the waivers themselves."""
    for waiver, number in found.items():
        about = f"the waiver of {_subject(waiver)}, owned by {waiver.owner},"
        if waiver.until < today:
            effect = (
                f"what it was for counts again ({number} finding{'' if number == 1 else 's'})"
                if number
                else "and nothing is left that it was for"
            )
            yield finding(
                "PC384",
                f"{about} expired after {waiver.until}: {effect}",
                span=waiver.span,
                help=f"cure the finding, or ask the owner for another day; the reason was: {waiver.reason}"
                if number
                else "remove the waiver",
            )
        elif not number:
            yield finding(
                "PC385",
                f"{about} is for no finding",
                span=waiver.span,
                help="remove it if the finding is cured; else compare its words with those of the finding",
            )


def _subject(waiver: Waiver) -> str:
    """What a waiver is for, in words."""
    parts = [waiver.code or f"`{waiver.fingerprint}`"]
    parts += [f"in {waiver.file}"] if waiver.file else []
    parts += [f"on {waiver.device}"] if waiver.device else []
    parts += [f"in the list {waiver.acl}"] if waiver.acl else []
    return " ".join(parts)


# ---- what it takes to run the devices -------------------------------------------------------


def _of_running(config: FleetConfig) -> Iterator[Finding]:
    """Whether the controller gets to each device, and each device to what it needs."""
    from pathcheck.queries.flow import network_of
    from pathcheck.queries.manageability import judge_fleet, management_findings
    from pathcheck.queries.own_traffic import interface_needs, server_findings

    described = any(device.management is not None for device in config.devices.values())
    report = judge_fleet(config, chain=None)
    # A folder without `fleet.yaml` has said nothing about a controller, and is not asked for one.
    if described or config.places or config.links or config.bootstrap:
        yield from management_findings(config, report)
    for answer in report.answers:
        yield from server_findings(answer.servers, answer.told)
    yield from interface_needs(network_of(config))


# ---- required flows -------------------------------------------------------------------------


def _required(loaded: LoadedFleet) -> tuple[RequirementReport | None, tuple[Finding, ...]]:
    """Ask the required flows; a file with faults has findings and no report."""
    if loaded.config.required_flows is None or loaded.required_flows is None:
        return None, ()  # a file that cannot be read is a finding of reading
    from pathcheck.queries.required_flows import ask_required_flows, required_flow_findings, requirement_findings

    try:
        report = ask_required_flows(loaded)
    except InputError:
        return None, required_flow_findings(loaded)
    return report, requirement_findings(report)


def _place(item: Finding) -> tuple[str, int, str, str]:
    """File, line, code, message; findings without a place stand first."""
    return (item.span.file, item.span.line, item.code, item.message) if item.span else ("", 0, item.code, item.message)
