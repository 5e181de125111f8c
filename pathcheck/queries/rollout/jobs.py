"""The difference of two states of a device, cut into the jobs that automation runs, and each job into its steps.

A part of a configuration stands at a level: 0 is the state before, the last one the state after. Most parts have
these two. Lists that are entered line by line have a level for each line, and so has a rewrite of them. A chain is
one job with its steps in their order; a state of the rollout says of each chain how many of its steps are done.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from pathcheck.model.access_list import AccessList, Entry, Family, Remark
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import JOB_PARTS, JobPart
from pathcheck.model.interface import Interface
from pathcheck.model.object_group import GroupKind, ObjectGroup
from pathcheck.model.unmodelled import LayerTwoScope, ListScope, OwnScope, RouteScope, Scope, Unmodelled
from pathcheck.results.rollout import Step

__all__ = [
    "LOGICAL_KINDS",
    "Chain",
    "ChangedDevice",
    "changed_device",
    "growing_entries",
    "list_scoped",
    "unmodelled_key",
]

LOGICAL_KINDS = ("svi", "loopback")
"""Interfaces that exist because the text says so: they come and go with their addresses, not with the ports."""


@dataclass(frozen=True, slots=True)
class Chain:
    """One job of one device.

    Parameters
    ----------
    steps
        In their order; one unless lists are entered line by line.
    levels
        For each number of done steps, from 0 to all, the level of each part that the job moves.
    """

    device: str
    job: str
    steps: tuple[Step, ...]
    levels: tuple[Mapping[JobPart, int], ...]

    @property
    def parts(self) -> tuple[JobPart, ...]:
        """What the job moves."""
        return tuple(self.levels[0])


@dataclass(frozen=True, slots=True)
class ChangedDevice:
    """A device that differs between the two states.

    Parameters
    ----------
    before, after
        A device that is only in the later state has a `before` without any configuration.
    variants
        Where each part comes from at each of its levels: the part of that device.
    chains
        Its jobs; none where only what no job pushes differs.
    is_new
        Whether only the later state has it.
    """

    before: Device
    after: Device
    variants: Mapping[JobPart, tuple[Device, ...]]
    chains: tuple[Chain, ...]
    is_new: bool = False


def changed_device(
    before: Device | None, after: Device, jobs: Sequence[tuple[JobPart, ...]], *, by_line: bool = False
) -> ChangedDevice:
    """Cut the difference of a device into jobs.

    Parameters
    ----------
    before
        None for a device that only the later state has.
    jobs
        Parts that are pushed together; each other part is a job of its own.
    by_line
        Whether a changed list is deleted first and then entered line by line.
    """
    is_new = before is None
    old = before if before is not None else Device(after.name, assume=after.assume)
    parts = _changed_parts(old, after)
    variants: dict[JobPart, tuple[Device, ...]] = dict.fromkeys(JOB_PARTS, (old, after))
    labels: tuple[Step, ...] = ()
    if by_line and "lists" in parts:
        levels, labels = _line_levels(old, after)
        variants["lists"] = (old, *levels)
    grouped = [job for job in jobs if any(part in parts for part in job)]
    named = {part for job in jobs for part in job}
    cut = [*grouped, *((part,) for part in JOB_PARTS if part in parts and part not in named)]
    cut.sort(key=lambda job: min(JOB_PARTS.index(part) for part in job))
    chains = tuple(_chain(after.name, job, [part for part in job if part in parts], variants, labels) for job in cut)
    return ChangedDevice(old, after, variants, chains, is_new)


def _chain(
    device: str,
    job: tuple[JobPart, ...],
    changed: Sequence[JobPart],
    variants: Mapping[JobPart, tuple[Device, ...]],
    labels: tuple[Step, ...],
) -> Chain:
    """Return one job: at once, or lists line by line and other parts ahead and behind, as the job names them."""
    name = "+".join(job)
    if "lists" not in changed or not labels:
        first: dict[JobPart, int] = dict.fromkeys(changed, 0)
        last: dict[JobPart, int] = {part: len(variants[part]) - 1 for part in changed}
        return Chain(device, name, (Step(device, name),), (first, last))
    place = changed.index("lists")
    ahead, behind = changed[:place], changed[place + 1 :]
    level: dict[JobPart, int] = dict.fromkeys(changed, 0)
    levels, steps = [dict(level)], []
    if ahead:
        level |= dict.fromkeys(ahead, 1)
        levels.append(dict(level))
        steps.append(Step(device, name, detail=" and ".join(ahead)))
    for number, label in enumerate(labels, 1):
        level["lists"] = number
        levels.append(dict(level))
        steps.append(replace(label, job=name))
    if behind:
        level |= dict.fromkeys(behind, 1)
        levels.append(dict(level))
        steps.append(Step(device, name, detail=" and ".join(behind)))
    return Chain(device, name, tuple(steps), tuple(levels))


# ---- what differs ---------------------------------------------------------------------------


def _changed_parts(before: Device, after: Device) -> tuple[JobPart, ...]:
    """Return the parts that differ, in the usual order."""
    found = [part for part in JOB_PARTS if _part(before, part) != _part(after, part)]
    # Lines that are not modelled belong to no part for certain; alone, they ride with the likeliest.
    if not found:
        keys = [{unmodelled_key(line): line for line in device.unmodelled} for device in (before, after)]
        odd = [line for one, other in (keys, keys[::-1]) for key, line in one.items() if key not in other]
        carriers = {_carrier(line) for line in odd}
        return tuple(part for part in JOB_PARTS if part in carriers)
    return tuple(found)


def _carrier(line: Unmodelled) -> JobPart:
    """Return the part with which a line that is not modelled is pushed, as far as its scope tells."""
    match line.scope:
        case ListScope():
            return "lists"
        case RouteScope():
            return "routes"
        case LayerTwoScope():
            return "vlans"
        case OwnScope():
            return "bindings"
        case _:
            return "ports"


def unmodelled_key(line: Unmodelled) -> object:
    """Return what makes two unmodelled lines the same one, wherever they stand."""
    return line.what, line.scope, line.span.words


def list_scoped(device: Device) -> tuple[Unmodelled, ...]:
    """Return the unmodelled lines that belong to a list."""
    return tuple(line for line in device.unmodelled if isinstance(line.scope, ListScope))


def _part(device: Device, part: JobPart) -> object:
    """Return one part of a configuration as a value that can be compared."""
    interfaces = device.interfaces.values()
    match part:
        case "vlans":
            return dict(device.vlans), device.has_vlan_section
        case "ports":
            return {one.name: _port(one) for one in interfaces if one.kind not in LOGICAL_KINDS}
        case "addresses":
            logical = {one.name: _port(one) for one in interfaces if one.kind in LOGICAL_KINDS}
            addressed = {one.name: _addressing(one) for one in interfaces}
            return (
                logical,
                {name: found for name, found in addressed.items() if any(found)},
                set(device.vrfs),
            )
        case "lists":
            return (
                dict(device.access_lists),
                dict(device.groups),
                {unmodelled_key(line) for line in list_scoped(device)},
            )
        case "bindings":
            bound = {one.name: one.bindings for one in interfaces if one.bindings}
            return bound, device.terminal_lines, device.control_plane, device.list_uses
        case "routes":
            return device.static_routes, device.routing, device.ipv6_routing
        case _:
            return device.gateways


def _port(one: Interface) -> tuple[object, ...]:
    """Return what a port is, addresses and lists aside."""
    return (
        one.kind, one.description, one.shutdown, one.switch_port, one.routed, one.vlan, one.untagged, one.channel_group,
    )  # fmt: skip


def _addressing(one: Interface) -> tuple[object, ...]:
    """Return how an interface is addressed."""
    return one.addresses, one.vrf, one.borrowed, one.unknown_address is not None, one.ipv6_enabled


# ---- line by line ---------------------------------------------------------------------------


def _line_levels(before: Device, after: Device) -> tuple[list[Device], tuple[Step, ...]]:
    """Return what the lists are after each step of entering them: the changed ones, in the order of their names.

    Groups that lines refer to are there before the first list, and those that go stay until the last.
    """
    lists: dict[tuple[Family, str], AccessList] = dict(before.access_lists)
    groups: dict[tuple[GroupKind, str], ObjectGroup] = {**before.groups, **after.groups}
    scoped = {one.scope: _scoped_to(one.scope, before) for one in list_scoped(before)}
    levels: list[Device] = []
    steps: list[Step] = []

    def level(step: Step) -> None:
        unmodelled = tuple(line for lines in scoped.values() for line in lines)
        levels.append(replace(after, access_lists=dict(lists), groups=groups, unmodelled=unmodelled))
        steps.append(step)

    if groups != dict(before.groups):
        level(Step(after.name, "lists", detail="object groups"))
    for key in _changed_lists(before, after):
        family, name = key
        scope = ListScope(name, family)
        old, new = lists.pop(key, None), after.access_lists.get(key)
        scoped.pop(scope, None)
        total = len(new.lines) if new is not None else 0
        if old is not None:
            level(Step(after.name, "lists", acl=name, entered=0, of=total, detail="deleted"))
        if new is None:
            continue
        mine = _scoped_to(scope, after)
        if mine:
            scoped[scope] = mine
        for number, entries in enumerate(growing_entries(new), 1):
            lists[key] = replace(new, entries=entries)
            level(Step(after.name, "lists", acl=name, entered=number, of=total))
        if total == 0:  # a list of nothing but remarks
            lists[key] = new
            level(Step(after.name, "lists", acl=name, entered=0, of=0, detail="remarks"))
    if not levels or dict(after.groups) != groups:
        level(Step(after.name, "lists", detail="object groups that go" if levels else None))
    levels[-1] = after
    return levels, tuple(steps)


def _scoped_to(scope: Scope, device: Device) -> tuple[Unmodelled, ...]:
    """Return the unmodelled lines of one list."""
    return tuple(line for line in list_scoped(device) if line.scope == scope)


def _changed_lists(before: Device, after: Device) -> list[tuple[Family, str]]:
    """Return the lists that differ, in the order of their names."""
    keys = {*before.access_lists, *after.access_lists}
    return sorted(
        (key for key in keys if before.access_lists.get(key) != after.access_lists.get(key)),
        key=lambda key: (key[1], key[0]),
    )


def growing_entries(full: AccessList) -> Iterable[tuple[Entry, ...]]:
    """Yield the entries that are there after each line, remarks with the line that they stand before."""
    entries: list[Entry] = []
    pending: list[Entry] = []
    total, seen = len(full.lines), 0
    for entry in full.entries:
        pending.append(entry)
        if isinstance(entry, Remark):
            continue
        seen += 1
        entries += pending
        pending = []
        yield full.entries if seen == total else tuple(entries)
