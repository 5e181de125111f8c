"""The review of one list and of all lists of a fleet, as findings in the order of the files."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from pathcheck.errors import InternalFault, UnknownNameError, nearest
from pathcheck.evaluator import evaluate_list
from pathcheck.fleet import LoadedFleet
from pathcheck.model.access_list import AccessList, Action, Line
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.object_group import GroupReference
from pathcheck.model.unmodelled import ListScope
from pathcheck.packet.packet import Packet
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.queries.line_review.arrival import Surroundings, arrival_findings
from pathcheck.queries.line_review.broad_permits import broad_permits
from pathcheck.queries.line_review.crossing_lines import Crossings, find_crossing_lines, find_exceptions
from pathcheck.queries.line_review.dead_lines import DeadLine, find_dead_lines
from pathcheck.queries.line_review.group_members import dead_members, members_of
from pathcheck.queries.line_review.list_binding import is_applied
from pathcheck.queries.line_review.list_end import unlogged_end
from pathcheck.queries.line_review.neighbour_discovery import denied_neighbour_discovery
from pathcheck.queries.line_review.redundant_lines import find_redundant_lines
from pathcheck.queries.line_review.reviewed_list import ReviewedList
from pathcheck.queries.line_review.wildcard_slips import wildcard_slips
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["review_fleet", "review_list", "without_covered"]

Advance = Callable[[int], None]

_MOST_NAMES = 4
"""Devices that are named in one message."""


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
    UnknownNameError
        The fleet has no such device, or no list of that name there.
    """
    _check_names(loaded, device, list_name)
    around = Surroundings(loaded.config)
    found: list[Finding] = []
    ends: dict[AccessList | str, list[Finding]] = {}
    reviewed: list[tuple[Device, AccessList]] = []
    for name, each in loaded.config.devices.items():
        if device not in (None, name):
            continue
        for access_list in each.access_lists.values():
            if list_name not in (None, access_list.name):
                continue
            reviewed.append((each, access_list))
            for item in review_list(each, access_list, exceptions=exceptions, advance=advance, around=around):
                if item.code == "PC112":
                    # Equal lists of a fleet get one note, and so do all lists of a text that applies none.
                    ends.setdefault(access_list if is_applied(each, access_list) else name, []).append(item)
                else:
                    found.append(item)
    found += [_once(same) for same in ends.values()]
    found += _on_masks(loaded, reviewed)
    # The members of a group are judged once for each list that refers to it.
    return tuple(sorted(without_covered(dict.fromkeys(found)), key=_place))


def review_list(
    device: Device,
    access_list: AccessList,
    *,
    exceptions: bool = False,
    advance: Advance = lambda _: None,
    around: Surroundings | None = None,
) -> list[Finding]:
    """Review one list; a list whose decisions as a whole are uncertain is left alone.

    Parameters and errors are those of :func:`review_fleet`; `around` is the fleet that
    the device stands in, without which it is taken for the only one.
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
    found += wildcard_slips(reviewed)
    found += broad_permits(reviewed, dead)
    found += arrival_findings(reviewed, dead, around or Surroundings(FleetConfig({device.name: device})))
    found += denied_neighbour_discovery(reviewed)
    found += dead_members(reviewed, dead)
    end = unlogged_end(reviewed)
    return found if end is None else [*found, end]


def without_covered(findings: Iterable[Finding]) -> list[Finding]:
    """Leave out what reading says of a mask that PC107 says more of: one cause has one message."""
    given = list(findings)
    slips = {
        (item.span.file, item.span.line, item.span.column)
        for item in given
        if item.code == "PC107" and item.span is not None
    }
    return [item for item in given if item.code not in ("PC406", "PC407") or not _is_on_mask(item.span, slips)]


def _is_on_mask(span: Span | None, masks: set[tuple[str, int, int]]) -> bool:
    """Whether a span is on one of some masks, or on the address in front of one."""
    if span is None:
        return False
    behind = span.end or len(span.text) + 1
    gap = len(span.text[behind - 1 :]) - len(span.text[behind - 1 :].lstrip(" \t,"))
    return any((span.file, span.line, column) in masks for column in (span.column, behind + gap))


def _once(same: list[Finding]) -> Finding:
    """One note for equal lists of several devices, or for several lists of one device."""
    first, *others = sorted(same, key=_place)
    if not others:
        return first
    what = "lists" if others[0].device == first.device else "the same list on"
    names = [f"`{item.acl if what == 'lists' else item.device}`" for item in others]
    named = ", ".join(names[:_MOST_NAMES])
    if len(names) > _MOST_NAMES:
        named += f" and {len(names) - _MOST_NAMES} more"
    return replace(first, message=f"{first.message}; {what} {named} {'end' if what == 'lists' else 'ends'} so too")


def _check_names(loaded: LoadedFleet, device: str | None, list_name: str | None) -> None:
    """Refuse a name of nobody: no findings on it would look like a clean list."""
    devices = loaded.config.devices
    if device is not None and device not in devices:
        near = nearest(device, devices)
        raise UnknownNameError(f"no device `{device}` in the fleet", help=f"did you mean `{near}`?" if near else None)
    asked = devices.values() if device is None else [devices[device]]
    names = {item.name for each in asked for item in each.access_lists.values()}
    if list_name is not None and list_name not in names:
        where = "the fleet" if device is None else f"`{device}`"
        near = nearest(list_name, sorted(names))
        raise UnknownNameError(
            f"no access list `{list_name}` in {where}", help=f"did you mean `{near}`?" if near else None
        )


def _on_masks(loaded: LoadedFleet, reviewed: list[tuple[Device, AccessList]]) -> list[Finding]:
    """What reading found about the masks of the reviewed lists, and of the groups that their lines refer to."""
    lists = {(device.name, access_list.name) for device, access_list in reviewed}
    members = {
        (member.span.file, member.span.line)
        for device, access_list in reviewed
        for reference in {
            end
            for line in access_list.lines
            if isinstance(line, Line)
            for end in (line.source, line.destination)
            if isinstance(end, GroupReference)
        }
        for member in members_of(device, reference)
    }
    return [
        item
        for item in loaded.report.findings
        if item.code in ("PC406", "PC407")
        and item.span is not None
        and ((item.device, item.acl) in lists or (item.span.file, item.span.line) in members)
    ]


def _finding(reviewed: ReviewedList, judged: DeadLine, *, acts: bool) -> Finding:
    """A finding that a line never acts, or that it can go."""
    line = _line(reviewed, judged.line)
    if judged.code == "PC106":
        message, help_text = _impossible_words(reviewed, line)
    elif judged.code == "PC105":
        message = (
            f"a second copy of {_named(reviewed, judged.because[0])}: it never acts, and nothing changes without it"
        )
        help_text = "remove it; if another line was meant, this is where it is missing"
    elif judged.code == "PC101":
        message, help_text = _shadowed_words(reviewed, judged, line)
    else:
        message, help_text = _redundant_words(reviewed, judged, line, acts=acts)
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


def _impossible_words(reviewed: ReviewedList, line: Line) -> tuple[str, str]:
    """Message and help of a line that no packet can match."""
    nothing = "permits nothing: what it is meant to let through needs another line"
    if line.action is Action.DENY:
        nothing = "stops nothing: what it is meant to stop is left to the lines behind it"
    message = f"no packet can match it, because {_why_impossible(reviewed, line)}; so it {nothing}"
    if len(reviewed.lines) == 1:
        return message, "correct its criteria; a list without lines that is applied permits everything on most devices"
    return message, "correct its criteria, or remove it"


def _shadowed_words(reviewed: ReviewedList, judged: DeadLine, line: Line) -> tuple[str, str]:
    """Message and help of a line that is decided before it, by the other action at least in part."""
    permit = line.action is Action.PERMIT
    kind, other = ("permit", "deny") if permit else ("deny", "permit")
    opposed = [index for index in judged.because if reviewed.lines[index].action is not line.action]
    if len(judged.because) == 1:
        takes = f"{_named(reviewed, judged.because[0])} stands before it and {'denies' if permit else 'permits'}"
        takes += f" each packet that it is meant for{_through(reviewed, judged)}"
    else:
        takes = f"{len(judged.because)} lines before it decide each packet that it is meant for, and "
        takes += "one of them" if len(opposed) == 1 else f"{len(opposed)} of them"
        takes += f" {other if len(opposed) > 1 else 'denies' if permit else 'permits'} a part"
    result = "what it is meant to let through is blocked" if permit else "what it is meant to stop gets through"
    if len(judged.because) > 1:
        result = result.replace("what", "some of what", 1)
    message = f"dead {kind}: {takes}; {result}"
    if judged.fragments_pass:
        message += " (non-initial fragments, which show no ports, still reach the line)"
    where = _named(reviewed, opposed[0]) if len(opposed) == 1 else f"the lines that {other}"
    return message, f"if this {kind} is meant, move it in front of {where}; else remove it"


def _redundant_words(reviewed: ReviewedList, judged: DeadLine, line: Line, *, acts: bool) -> tuple[str, str]:
    """Message and help of a line that the list decides the same without."""
    verb = line.action.value
    verbs = "permits" if line.action is Action.PERMIT else "denies"
    one = len(judged.because) == 1
    who = _named(reviewed, judged.because[0]) if one else f"{len(judged.because)} other lines"
    if not acts:
        return (
            f"never acts: {who} {'stands before it and ' + verbs if one else 'before it ' + verb} all of its packets "
            f"already{_through(reviewed, judged)}",
            "remove it; nothing opens and nothing closes",
        )
    return (
        f"not needed: without it {who} {verbs if one else verb} all of its packets just the same",
        "remove it; keep it for its counter or log only, and say so in a remark",
    )


def _through(reviewed: ReviewedList, judged: DeadLine) -> str:
    """The members of groups by which one line holds another, where single members do."""
    holder = reviewed.lines[judged.because[0]]
    row = reviewed.table.rows[reviewed.first_row[judged.line]]
    if len(judged.because) > 1 or not isinstance(holder, Line):
        return ""
    named = []
    for end, (value, care) in zip((holder.source, holder.destination), row.addresses, strict=True):
        if isinstance(end, GroupReference):
            for member in members_of(reviewed.device, end):
                inner = AddressMatch(reviewed.version, value, care)
                if isinstance(member.value, AddressMatch) and member.value.covers(inner):
                    named.append(f"`{member.value}` of group `{end.name}`, {member.span}")
                    break
    return f" (by {' and '.join(named)})" if named and reviewed.row_count[judged.line] == 1 else ""


def _named(reviewed: ReviewedList, index: int) -> str:
    """A line by its action and place."""
    line = reviewed.lines[index]
    kind = line.action.value if line.action is not None else "line"
    return f"the {kind} at {line.span}"


def _crossing_finding(reviewed: ReviewedList, line: int, crossings: Crossings) -> Finding:
    """A finding that an earlier line with the other action takes a part of this one."""
    crossing = crossings.shown[line]
    earlier, this = _line(reviewed, crossing.earlier), _line(reviewed, line)
    verb = {"permit": "permits", "deny": "denies"}[earlier.action.value]
    message = (
        f"{_named(reviewed, crossing.earlier)} {verb} a part of what this line is meant to {this.action.value}, "
        "and neither holds the other: their order decides what becomes of that part"
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
        f"an exception to {_named(reviewed, wider)}, which holds all of its packets: behind it, it would never act",
        span=this.span,
        device=reviewed.device.name,
        acl=reviewed.access_list.name,
        because=_spans(reviewed, (wider,)),
    )


def _confirm(reviewed: ReviewedList, packet: Packet, line: int, *, by: int | None = None) -> None:
    """Ask the evaluator whether a packet of a line is decided before it, by the other action."""
    decision = evaluate_list(
        reviewed.device,
        reviewed.access_list.family,
        reviewed.access_list.name,
        packet,
        by_address=reviewed.by_address,
    )
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


def _why_impossible(reviewed: ReviewedList, line: Line) -> str:
    """Say which criterion leaves nothing."""
    if line.fragments and line.names_layer4:
        return "non-initial fragments have no ports, flags or ICMP type"
    if line.flags is not None and not line.flags.cubes:
        return "it asks for a flag that is both set and clear"
    if any(ports is not None and not ports for ports in (line.source_ports, line.destination_ports)):
        return "no port is left by its ports"
    version = reviewed.version
    for end, name in ((line.source, "source"), (line.destination, "destination")):
        if isinstance(end, GroupReference) and not any(
            isinstance(member.value, AddressMatch) and member.value.version == version
            for member in members_of(reviewed.device, end)
        ):
            return f"its {name}, group `{end.name}`, has no IPv{version} address"
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
