"""A safe way to change a list that is bound: enter it under a new name, rebind once, then take the old one away.

A list that no interface names decides nothing while it is entered, so that additions come before removals and one
step is left in which packets meet another list: the rebind.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from pathcheck.model.access_list import AccessList, Family, ListBinding
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import JobPart
from pathcheck.queries.rollout.jobs import Chain, ChangedDevice, growing_entries, list_scoped
from pathcheck.queries.rollout.states import Space
from pathcheck.results.rollout import Step

__all__ = ["Rewritten", "rewritten_space"]


@dataclass(frozen=True, slots=True)
class Rewritten:
    """A rollout whose bound lists are entered under new names.

    Parameters
    ----------
    lists
        Device, name, new name, and where it is bound.
    """

    space: Space
    lists: tuple[tuple[str, str, str, tuple[str, ...]], ...]


def rewritten_space(space: Space) -> Rewritten | None:
    """Return the same rollout with changed lists entered under new names; None where no bound list changes."""
    changed: dict[str, ChangedDevice] = {}
    found: list[tuple[str, str, str, tuple[str, ...]]] = []
    for name, device in space.changed.items():
        names = _new_names(device)
        if names:
            changed[name] = _rewritten(device, names)
            found += [(name, key[1], new, _places(device.after, key)) for key, new in names.items()]
        else:
            changed[name] = device
    return Rewritten(Space(changed, space.still, space.frame), tuple(found)) if found else None


def _new_names(device: ChangedDevice) -> dict[tuple[Family, str], str]:
    """Return new names for the lists that change, are bound in both states, and are used for nothing else."""
    before, after = device.before, device.after
    used = {(use.family, use.list_name) for one in (before, after) for use in one.list_uses}
    taken = {name for one in (before, after) for _, name in one.access_lists}
    names: dict[tuple[Family, str], str] = {}
    for key in sorted(after.access_lists, key=lambda key: (key[1], key[0])):
        old = before.access_lists.get(key)
        if old is None or old == after.access_lists[key] or key in used:
            continue
        if not (_places(before, key) and _places(after, key)):
            continue
        if any(line.scope in {it.scope for it in list_scoped(after)} for line in list_scoped(before)):
            continue  # what leaves the list open would not be known by its new name
        names[key] = _free(key[1], taken)
        taken.add(names[key])
    return names


def _free(name: str, taken: set[str]) -> str:
    """Return a name that no list has."""
    base = re.sub(r"-\d+$", "", name)
    number = 2
    while f"{base}-{number}" in taken:
        number += 1
    return f"{base}-{number}"


def _places(device: Device, key: tuple[Family, str]) -> tuple[str, ...]:
    """Return where a list is bound."""
    places = [
        f"{interface.name} {binding.direction}"
        for interface in device.interfaces.values()
        for binding in interface.bindings
        if (binding.family, binding.list_name) == key
    ]
    if any((binding.family, binding.list_name) == key for binding in device.control_plane):
        places.append("control plane")
    for block in device.terminal_lines:
        if any((binding.family, binding.list_name) == key for binding in block.bindings):
            numbers = str(block.first) if block.first == block.last else f"{block.first} {block.last}"
            places.append(f"terminal lines {numbers}")
    return tuple(places)


def _rewritten(device: ChangedDevice, names: Mapping[tuple[Family, str], str]) -> ChangedDevice:
    """Return a device whose lists and bindings are one chain: enter, rebind, remove."""
    before, after = device.before, device.after
    lists: dict[tuple[Family, str], AccessList] = dict(before.access_lists)
    groups = {**before.groups, **after.groups}
    scoped = (*list_scoped(before), *(it for it in list_scoped(after) if it not in list_scoped(before)))
    levels: list[Device] = [before]
    steps: list[Step] = []
    job = "lists"

    def level(step: Step) -> None:
        levels.append(replace(after, access_lists=dict(lists), groups=groups, unmodelled=scoped))
        steps.append(step)

    if groups != dict(before.groups):
        level(Step(after.name, job, detail="object groups"))
    # Lists that are bound nowhere, or new, are entered as they are: nothing meets them before they are bound.
    for key in sorted(after.access_lists, key=lambda key: (key[1], key[0])):
        full = after.access_lists[key]
        if before.access_lists.get(key) == full:
            continue
        name = names.get(key, key[1])
        total = len(full.lines)
        if key not in names and lists.pop(key, None) is not None:
            level(Step(after.name, job, acl=name, entered=0, of=total, detail="deleted"))
        for number, entries in enumerate(growing_entries(full), 1):
            lists[key[0], name] = replace(full, name=name, entries=entries)
            level(Step(after.name, job, acl=name, entered=number, of=total))
        if total == 0:
            lists[key[0], name] = replace(full, name=name)
            level(Step(after.name, job, acl=name, entered=0, of=0, detail="remarks"))
    rebind = len(levels)
    level(Step(after.name, "bindings", detail="rebound"))
    for key in sorted(before.access_lists, key=lambda key: (key[1], key[0])):
        if key in names or key not in after.access_lists:
            lists.pop(key, None)
            level(Step(after.name, job, acl=key[1], entered=0, of=0, detail="deleted"))
    final = replace(
        after,
        access_lists=dict(lists),
        groups=after.groups,
        unmodelled=list_scoped(after),
        interfaces={
            name: replace(one, bindings=_renamed(one.bindings, names)) for name, one in after.interfaces.items()
        },
        control_plane=_renamed(after.control_plane, names),
        terminal_lines=tuple(
            replace(block, bindings=_renamed(block.bindings, names)) for block in after.terminal_lines
        ),
    )
    levels[-1] = final
    pushed: list[Mapping[JobPart, int]] = [
        {"lists": number, "bindings": int(number >= rebind)} for number in range(len(levels))
    ]
    others = tuple(chain for chain in (_without(chain) for chain in device.chains) if chain is not None)
    chain = Chain(after.name, "lists+bindings", tuple(steps), tuple(pushed))
    variants = {**device.variants, "lists": tuple(levels), "bindings": (before, final)}
    return ChangedDevice(before, after, variants, (*others, chain), device.is_new)


def _renamed(bindings: tuple[ListBinding, ...], names: Mapping[tuple[Family, str], str]) -> tuple[ListBinding, ...]:
    """Return bindings to the new names."""
    return tuple(
        replace(binding, list_name=names.get((binding.family, binding.list_name), binding.list_name))
        for binding in bindings
    )


def _without(chain: Chain) -> Chain | None:
    """Return a job without lists and bindings, which are pushed in steps of their own; None where nothing is left."""
    rest = [part for part in chain.parts if part not in ("lists", "bindings")]
    if len(rest) == len(chain.parts):
        return chain
    if not rest:
        return None
    first: dict[JobPart, int] = {part: chain.levels[0][part] for part in rest}
    last: dict[JobPart, int] = {part: chain.levels[-1][part] for part in rest}
    name = "+".join(rest)
    return Chain(chain.device, name, (Step(chain.device, name),), (first, last))
