"""All blank switches of a fleet, and the findings on them."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from pathcheck.errors import UnknownNameError, UsageError, nearest
from pathcheck.fleet import LoadedFleet
from pathcheck.model.fleet_config import CATCH_ALL, Bootstrap
from pathcheck.queries.audit.fleet_view import listed
from pathcheck.queries.bootstrap.stages import Shared, judge_switch, shared_by
from pathcheck.results.bootstrap import STAGES, BootstrapReport, Stage
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding

__all__ = ["bootstrap_findings", "judge_bootstrap", "switches_of"]


def switches_of(loaded: LoadedFleet) -> list[tuple[Bootstrap, str | None]]:
    """Return each entry with each device that it lists; with None where it is for whatever switch comes."""
    found: list[tuple[Bootstrap, str | None]] = []
    for entry in loaded.config.bootstrap:
        names = [name for name in dict.fromkeys(entry.devices) if name not in CATCH_ALL]
        found += [(entry, name) for name in names if name in loaded.config.devices]
        found += [(entry, None)] if entry.is_catch_all else []
    return found


def judge_bootstrap(
    loaded: LoadedFleet, subject: str | None = None, *, advance: Callable[[int], None] = lambda _: None
) -> BootstrapReport:
    """Judge the stages of each blank switch.

    Parameters
    ----------
    subject
        Only this device, or the entries with this bootstrap file.
    advance
        Hears of each switch that is done, by 1.

    Raises
    ------
    UsageError
        The fleet says nothing of blank switches.
    UnknownNameError
        No entry lists such a device, or has such a file.
    CapacityError, InternalFault
        As the flow query.
    """
    if not loaded.config.bootstrap:
        raise UsageError(
            "`fleet.yaml` has no part `bootstrap`, so nothing is known of blank switches",
            help="add an entry: `bootstrap: [{file: quay.boot, devices: [...], vlan: 900, subnet: ...}]`",
        )
    found = switches_of(loaded)
    if subject is not None:
        known = {name for _, name in found if name is not None} | {entry.file for entry, _ in found}
        found = [(entry, name) for entry, name in found if subject in (name, entry.file)]
        if not found:
            near = nearest(subject, known)
            raise UnknownNameError(
                f"no bootstrap entry lists the device `{subject}` or has the file `{subject}`",
                help=f"did you mean `{near}`?" if near else f"there are {listed(f'`{it}`' for it in sorted(known))}",
            )
    answers = []
    shared: dict[int, Shared] = {}
    for entry, name in found:
        together = shared.get(id(entry))
        if together is None:
            # For one switch alone there is nothing to share.
            many = sum(one is entry for one, _ in found) > 1
            together = shared[id(entry)] = shared_by(loaded, entry) if many else Shared()
        answers.append(judge_switch(loaded, entry, name, together))
        advance(1)
    return BootstrapReport(tuple(answers))


_CODES = {"broken": "PC370", "uncertain": "PC371", "not-judged": "PC372"}


def bootstrap_findings(report: BootstrapReport) -> Iterator[Finding]:
    """Return PC370, PC371 and PC372: what keeps blank switches from coming up, one finding for one cause.

    The session after the first push is left to what is found on each device that cannot be managed, and a missing
    file to PC369.
    """
    causes: dict[tuple[object, ...], tuple[str, Stage, list[str]]] = {}
    for answer in report.answers:
        stages = [stage for stage in answer.stages if stage.kind not in ("first-push", "file-name")]
        first = next((it for state in ("broken", "uncertain") for it in stages if it.state == state), None)
        shown = [first] if first is not None else []
        if first is None or first.state != "broken":
            shown += [stage for stage in stages if stage.state == "not-judged"][:1]
        for stage in shown:
            flow = stage.decisive
            assert flow is not None
            place = (flow.span.file, flow.span.line) if flow.span is not None else None
            key = (answer.entry, stage.kind, stage.state, place, flow.message)
            causes.setdefault(key, (answer.entry, stage, []))[2].append(answer.device or "a switch")
    for entry, stage, names in causes.values():
        flow = stage.decisive
        assert flow is not None
        who = f"{listed(names)}, starting with `{entry}`,"
        said = {
            "broken": f"{who} cannot get past the stage of the {STAGES[stage.kind]}",
            "uncertain": f"{who} may not get past the stage of the {STAGES[stage.kind]}",
            "not-judged": f"the stage of the {STAGES[stage.kind]} was not judged for {listed(names)}",
        }[stage.state]
        yield finding(
            _CODES[stage.state],
            f"{said}: {flow.message}",
            span=flow.span,
            device=flow.device,
            acl=flow.acl,
            because=flow.because,
            sample=flow.sample,
            help=flow.help,
        )
