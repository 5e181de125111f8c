"""The configurations between two states: devices whose parts come from before and from after, as the jobs have run.

A device that refuses a part of a job because another job has not yet run is not known here, but for one thing: an
address on a port that still switches does not act before the port routes (common practice, no source). A list that is
bound to an interface which is not there yet acts once it is. What is not pushed to devices - cables, places,
assumptions - is that of the later state throughout.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import prod

from pathcheck.model.device import Device
from pathcheck.model.fleet_config import JOB_PARTS, FleetConfig, JobPart
from pathcheck.model.interface import Interface
from pathcheck.model.unmodelled import ListScope, Unmodelled
from pathcheck.packet.address import Address
from pathcheck.queries.rollout.jobs import (
    LOGICAL_KINDS,
    Chain,
    ChangedDevice,
    changed_device,
    list_scoped,
    unmodelled_key,
)
from pathcheck.results.rollout import Step

__all__ = ["Position", "Space", "rollout_space", "tally"]

Position = tuple[int, ...]
"""How many steps of each chain are done, in the order of the chains."""


@dataclass
class Space:
    """All states of one rollout.

    Parameters
    ----------
    changed
        The devices with jobs, by name; others stand as they are in both states.
    still
        Devices without jobs, by name.
    frame
        The later state's fleet: its cables, places and settings hold throughout.
    """

    changed: Mapping[str, ChangedDevice]
    still: Mapping[str, Device]
    frame: FleetConfig
    chains: tuple[Chain, ...] = field(init=False)
    owned: dict[str, tuple[int, ...]] = field(init=False)
    _mixed: dict[tuple[str, tuple[int, ...]], Device] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.chains = tuple(chain for device in self.changed.values() for chain in device.chains)
        self.owned = {
            name: tuple(number for number, chain in enumerate(self.chains) if chain.device == name)
            for name in self.changed
        }

    @property
    def start(self) -> Position:
        """The state before the first job."""
        return (0,) * len(self.chains)

    @property
    def end(self) -> Position:
        """The state after the last job."""
        return tuple(len(chain.steps) for chain in self.chains)

    @property
    def sizes(self) -> tuple[int, ...]:
        """How many places each chain has."""
        return tuple(len(chain.levels) for chain in self.chains)

    def step(self, number: int, done: int) -> Step:
        """Return the step by which a chain gets from `done` steps to one more."""
        return self.chains[number].steps[done]

    def is_pending(self, device: str, position: Position) -> bool:
        """Whether a job of a device has not run to its end."""
        return any(position[number] < len(self.chains[number].steps) for number in self.owned.get(device, ()))

    def fleet(self, position: Position) -> FleetConfig:
        """Return the whole fleet in a state."""
        devices = {**self.still, **{name: self.device(name, position) for name in self.changed}}
        return replace(self.frame, devices={name: devices[name] for name in sorted(devices)})

    def device(self, name: str, position: Position) -> Device:
        """Return a device in a state; the same object wherever its own jobs stand alike."""
        return self.device_at(name, tuple(position[number] for number in self.owned[name]))

    def device_at(self, name: str, done: tuple[int, ...]) -> Device:
        """Return a changed device by how many steps of each of its own chains are done."""
        key = (name, done)
        if key not in self._mixed:
            changed = self.changed[name]
            levels: dict[JobPart, int] = {}
            for chain, steps in zip(changed.chains, done, strict=True):
                levels |= chain.levels[steps]
            started = any(done)
            finished = all(steps == len(chain.steps) for chain, steps in zip(changed.chains, done, strict=True))
            self._mixed[key] = _mixed(changed, levels, started, finished)
        return self._mixed[key]


def rollout_space(before: FleetConfig, after: FleetConfig, *, by_line: bool = False) -> Space:
    """Return the states between two fleets.

    Notes
    -----
    A device that only the earlier state has is left as it is: nothing is pushed to it, and when it is taken away
    nobody says.
    """
    changed: dict[str, ChangedDevice] = {}
    still: dict[str, Device] = {name: device for name, device in before.devices.items() if name not in after.devices}
    for name, new in after.devices.items():
        old = before.devices.get(name)
        cut = None if old is new else changed_device(old, new, after.jobs, by_line=by_line)
        if cut is None or not cut.chains:
            still[name] = new if new.management is not None or old is None else replace(new, management=old.management)
        else:
            changed[name] = cut
    # What a refused file of either state holds is not known in any state between.
    refused = {one.file: one for one in (*before.refused, *after.refused)}
    frame = replace(after, refused=tuple(refused[file] for file in sorted(refused)))
    return Space({name: changed[name] for name in sorted(changed)}, still, frame)


# ---- one device between two states ----------------------------------------------------------


def _mixed(changed: ChangedDevice, levels: Mapping[JobPart, int], started: bool, finished: bool) -> Device:
    """Return a device whose parts stand at some levels; a part that no job moves is that of the later state."""
    before, after = changed.before, changed.after
    management = _management(changed, levels)
    if not started:
        return replace(before, assume=after.assume, management=management, serial=after.serial)
    if finished and all(changed.variants[part][-1] is after for part in JOB_PARTS):
        return after if management == after.management else replace(after, management=management)
    source = {part: changed.variants[part][levels.get(part, -1)] for part in JOB_PARTS}
    routes, bindings, lists = source["routes"], source["bindings"], source["lists"]
    return Device(
        after.name,
        files=tuple(dict.fromkeys((*after.files, *before.files))),
        access_lists=lists.access_lists,
        groups=lists.groups,
        interfaces=_interfaces(changed, source),
        vlans=source["vlans"].vlans,
        has_vlan_section=source["vlans"].has_vlan_section,
        vrfs=source["addresses"].vrfs,
        static_routes=routes.static_routes,
        gateways=source["gateway"].gateways,
        routing=routes.routing,
        ipv6_routing=routes.ipv6_routing,
        routing_span=routes.routing_span,
        ipv6_routing_span=routes.ipv6_routing_span,
        terminal_lines=bindings.terminal_lines,
        control_plane=bindings.control_plane,
        list_uses=bindings.list_uses,
        unmodelled=_unmodelled(changed, lists, finished),
        assume=after.assume,
        management=management,
        serial=after.serial,
    )


def _management(changed: ChangedDevice, levels: Mapping[JobPart, int]) -> Address | None:
    """Return the management address in force: it changes with the job that changes addresses, else it has changed."""
    old, new = changed.before.management, changed.after.management
    is_new = levels.get("addresses", 1) > 0
    return (new or old) if is_new else (old or new)


def _unmodelled(changed: ChangedDevice, lists: Device, finished: bool) -> tuple[Unmodelled, ...]:
    """Return the lines that are not modelled: those of lists go with their list.

    With which job the others come and go is not known, so each of them is there as long as jobs are under way.
    """
    sources = (changed.after,) if finished else (changed.after, changed.before)
    lines = {
        unmodelled_key(line): line
        for device in sources
        for line in device.unmodelled
        if not isinstance(line.scope, ListScope)
    }
    return (*lines.values(), *list_scoped(lists))


def _interfaces(changed: ChangedDevice, source: Mapping[JobPart, Device]) -> dict[str, Interface]:
    """Return the interfaces of a device whose parts come from several states."""
    same = len({id(source[part]) for part in ("ports", "addresses", "bindings")}) == 1
    if same:
        return dict(source["ports"].interfaces)
    names = dict.fromkeys((*changed.after.interfaces, *changed.before.interfaces))
    found = {name: _interface(name, source) for name in names}
    return {name: one for name, one in found.items() if one is not None}


def _interface(name: str, source: Mapping[JobPart, Device]) -> Interface | None:
    """Return one interface, None where it is not there in this state."""
    ports, addresses, bindings = (source[part].interfaces.get(name) for part in ("ports", "addresses", "bindings"))
    example = ports or addresses or bindings
    if example is None:
        return None
    if example.kind in LOGICAL_KINDS:
        if addresses is None:
            return None
        return replace(addresses, bindings=bindings.bindings if bindings is not None else ())
    if ports is None and (addresses is None or not (addresses.addresses or addresses.borrowed or addresses.vrf)):
        return None
    if ports is None and example.kind in ("subinterface", "port-channel", "tunnel"):
        return None  # without the text that makes it, there is no such interface
    base = ports if ports is not None else Interface(name, example.kind, span=example.span)
    made = replace(
        base,
        addresses=addresses.addresses if addresses is not None else (),
        vrf=addresses.vrf if addresses is not None else None,
        borrowed=addresses.borrowed if addresses is not None else None,
        unknown_address=addresses.unknown_address if addresses is not None else None,
        ipv6_enabled=addresses.ipv6_enabled if addresses is not None else False,
        bindings=bindings.bindings if bindings is not None else (),
    )
    if made.switch_port is not None and not made.routed and addresses is not ports:
        return replace(made, addresses=(), borrowed=None, unknown_address=None, ipv6_enabled=False)
    return made


def tally(sizes: Sequence[int]) -> int:
    """Return how many states there are."""
    return prod(sizes)
