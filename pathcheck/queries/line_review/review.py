"""The review of one list and of all lists of a fleet, as findings in the order of the files."""

from __future__ import annotations

from collections.abc import Callable

from pathcheck.errors import InternalFault
from pathcheck.evaluator import evaluate_list
from pathcheck.fleet import LoadedFleet
from pathcheck.model.access_list import AccessList, Line
from pathcheck.model.device import Device
from pathcheck.model.unmodelled import ListScope
from pathcheck.packet.packet import Packet
from pathcheck.queries.line_review.crossing_lines import Crossings, find_crossing_lines, find_exceptions
from pathcheck.queries.line_review.dead_lines import DeadLine, find_dead_lines
from pathcheck.queries.line_review.redundant_lines import find_redundant_lines
from pathcheck.queries.line_review.reviewed_list import ReviewedList
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["review_fleet", "review_list"]

Advance = Callable[[int], None]


def review_fleet(
    loaded: LoadedFleet,
    *,
    device: str | None = None,
    list_name: str | None = None,
    exceptions: bool = False,
    advance: Advance = lambda _: None,
) -> tuple[Finding, ...]:
    """Review each list of a fleet, whether it is bound or not.

    Parameters
    ----------
    device, list_name
        Only this device, only lists of this name.
    exceptions
        Report PC104 too.
    advance
        Hears how many steps are done, three for each line of a list.

    Returns
    -------
    tuple
        Findings in the order of file, line and code.

    Raises
    ------
    InternalFault
        The evaluator decides a packet that a finding shows in another way.
    """
    found = [
        item
        for name, each in loaded.config.devices.items()
        if device in (None, name)
        for access_list in each.access_lists.values()
        if list_name in (None, access_list.name)
        for item in review_list(each, access_list, exceptions=exceptions, advance=advance)
    ]
    return tuple(sorted(found, key=_place))


def review_list(
    device: Device, access_list: AccessList, *, exceptions: bool = False, advance: Advance = lambda _: None
) -> list[Finding]:
    """Review one list; a list whose decisions as a whole are uncertain is left alone.

    Parameters and errors are those of :func:`review_fleet`.
    """
    if access_list.is_empty or any(
        item.scope == ListScope(access_list.name, access_list.family) for item in device.unmodelled
    ):
        return []
    reviewed = ReviewedList(device, access_list)
    dead = find_dead_lines(reviewed, advance)
    redundant = find_redundant_lines(reviewed, dead, advance)
    crossing = find_crossing_lines(reviewed, dead, advance)
    wider = find_exceptions(reviewed, dead) if exceptions else {}
    found = []
    for line in range(len(reviewed.lines)):
        judged = dead.found.get(line) or redundant.get(line)
        if judged is not None:
            found.append(_finding(reviewed, judged, acts=line in redundant))
            continue
        if line in crossing.shown:
            found.append(_crossing_finding(reviewed, line, crossing))
        if line in wider:
            found.append(_exception_finding(reviewed, line, wider[line]))
    return found


def _finding(reviewed: ReviewedList, judged: DeadLine, *, acts: bool) -> Finding:
    """A finding that a line never acts, or that it can go."""
    line = _line(reviewed, judged.line)
    help_text = None
    if judged.code == "PC106":
        message = f"no packet can match this line: {_why_impossible(reviewed, judged.line)}"
        help_text = "correct its criteria, or remove it"
        if len(reviewed.lines) == 1:
            help_text = "correct its criteria; a list without lines that is bound permits everything on most devices"
    elif judged.code == "PC105":
        message = "the same action and criteria stand earlier in the list, so this line never acts"
        help_text = "remove it"
    elif judged.code == "PC101":
        dead = "permits nothing of what it is meant to let through: something is blocked that looks open"
        if line.action.value == "deny":
            dead = "stops nothing of what it is meant to stop: something is open that looks blocked"
        message = f"each of its packets is decided by lines before it, some by the other action; it {dead}"
        if judged.fragments_pass:
            message += "; non-initial fragments, which show no ports, still reach it"
        help_text = "move it in front of the lines that decide its packets, or remove it"
    elif acts:
        message = (
            f"later lines {line.action.value} each of its packets as well, so the list decides the same without it"
        )
        help_text = "remove it, or keep it for its counter or log and say so in a remark"
    else:
        message = f"lines before it {line.action.value} each of its packets already, so it never acts"
        help_text = "remove it"
    if judged.sample is not None:
        _confirm(reviewed, judged.sample, judged.line)
    return finding(
        judged.code,
        message,
        span=line.span,
        device=reviewed.device.name,
        acl=reviewed.access_list.name,
        because=_spans(reviewed, judged.because),
        sample=judged.sample,
        help=help_text,
    )


def _crossing_finding(reviewed: ReviewedList, line: int, crossings: Crossings) -> Finding:
    """A finding that an earlier line with the other action takes a part of this one."""
    crossing = crossings.shown[line]
    earlier, this = _line(reviewed, crossing.earlier), _line(reviewed, line)
    verb = {"permit": "permits", "deny": "denies"}[earlier.action.value]
    message = (
        f"an earlier line {verb} a part of what this one is meant to {this.action.value}, "
        "and neither holds the other, so their order matters"
    )
    if crossing.pairs > 1:
        message += f"; {crossing.pairs} earlier lines cross it so, the one shown shares most"
    if crossings.lines > len(crossings.shown):
        message += f"; {crossings.pairs} pairs of {crossings.lines} lines cross in this list"
        message += f", the worst {len(crossings.shown)} are shown"
    _confirm(reviewed, crossing.sample, line, by=crossing.earlier)
    return finding(
        "PC103",
        message,
        span=this.span,
        device=reviewed.device.name,
        acl=reviewed.access_list.name,
        because=_spans(reviewed, (crossing.earlier,)),
        sample=crossing.sample,
    )


def _exception_finding(reviewed: ReviewedList, line: int, wider: int) -> Finding:
    """A finding that a line is an exception to a later one."""
    this = _line(reviewed, line)
    return finding(
        "PC104",
        "it is an exception to a later, wider line with the other action; in the other order it would never act",
        span=this.span,
        device=reviewed.device.name,
        acl=reviewed.access_list.name,
        because=_spans(reviewed, (wider,)),
    )


def _confirm(reviewed: ReviewedList, packet: Packet, line: int, *, by: int | None = None) -> None:
    """Ask the evaluator whether a packet of a line is decided before it, by the other action."""
    decision = evaluate_list(reviewed.device, reviewed.access_list.family, reviewed.access_list.name, packet)
    span = decision.use.span
    own = _line(reviewed, line).action
    expected = _line(reviewed, by).span if by is not None else None
    if decision.action is None:
        return  # a line that may or may not match stands before; the finding rests on the lines that match for certain
    if decision.action is own or span is None or (expected is not None and span != expected):
        raise InternalFault(
            f"the review says that `{packet}` is decided before `{_line(reviewed, line).span.words}` "
            f"by the other action, the evaluator says {decision.use.action} by `{decision.use.text}`"
        )


def _why_impossible(reviewed: ReviewedList, line: int) -> str:
    """Say which criterion leaves nothing."""
    said = reviewed.lines[line]
    if isinstance(said, Line):
        if said.fragments and said.names_layer4:
            return "non-initial fragments have no ports, flags or ICMP type"
        if said.flags is not None and not said.flags.cubes:
            return "it asks for a flag that is both set and clear"
        if any(ports is not None and not ports for ports in (said.source_ports, said.destination_ports)):
            return "its ports leave none"
    return "its criteria exclude each other"


def _spans(reviewed: ReviewedList, lines: tuple[int, ...]) -> tuple[Span, ...]:
    """Where lines stand."""
    return tuple(reviewed.lines[line].span for line in lines)


def _line(reviewed: ReviewedList, line: int) -> Line:
    """A line that is judged; those that could not be read are not."""
    said = reviewed.lines[line]
    if not isinstance(said, Line):
        raise InternalFault(f"a line that could not be read was judged, `{said.span.words}`")
    return said


def _place(item: Finding) -> tuple[str, int, str]:
    """File, line, code."""
    return (item.span.file, item.span.line, item.code) if item.span else ("", 0, item.code)
