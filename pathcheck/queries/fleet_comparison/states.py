"""Two states of a fleet side by side: which devices are in both, and whether what lists and text say is the same."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

from pathcheck.fleet_source import FleetState
from pathcheck.model.access_list import AccessList, Family, ListBinding
from pathcheck.model.device import Device
from pathcheck.model.unmodelled import RouteScope, Unmodelled
from pathcheck.network.reachability import Network
from pathcheck.queries.fleet_comparison.outside_text import is_same_outside
from pathcheck.queries.fleet_comparison.unmodelled_text import UnmodelledText
from pathcheck.queries.flow import network_of
from pathcheck.results.path import Doubt

__all__ = ["BindingPlace", "Pair", "States", "binding_places", "undefined_list"]


@dataclass(frozen=True, slots=True, order=True)
class BindingPlace:
    """A place where lists are bound.

    Parameters
    ----------
    kind
        `interface`, `port` (a list on the frames of a switch port), `control plane` or `terminal lines`.
    name
        The interface, or the numbers of the lines.
    direction
        `in` or `out`.
    """

    kind: str
    name: str
    direction: str

    def __str__(self) -> str:
        if self.kind in ("interface", "port"):
            return f"{self.name} {self.direction}" + (" (port)" if self.kind == "port" else "")
        return " ".join(part for part in (self.kind, self.name, self.direction) if part)


@dataclass(slots=True)
class Pair:
    """A device in both states.

    Parameters
    ----------
    before, after
        Not the same object: something of the text or of the settings differs.
    """

    states: States
    before: Device
    after: Device

    @property
    def name(self) -> str:
        """Of the device."""
        return self.after.name

    def sides(self, *, named_outside: bool) -> tuple[Device, Device]:
        """Return the two with one set of groups where these are equal, so that what lists name is known to be the same.

        Parameters
        ----------
        named_outside
            Whether lines name what only the text tells, see :mod:`.outside_text`.
        """
        if self.before.groups != self.after.groups:
            return self.before, self.after
        if named_outside and not is_same_outside(self.states.before, self.states.after, (self.before, self.after)):
            return self.before, self.after
        return replace(self.before, groups=self.after.groups), self.after


@dataclass
class States:
    """Two states of a fleet."""

    before: FleetState
    after: FleetState
    networks: tuple[Network, Network] = field(init=False)

    _texts: tuple[UnmodelledText, UnmodelledText] = field(init=False)

    def __post_init__(self) -> None:
        self._texts = (
            UnmodelledText(self.before, [pair.before for pair in self.pairs]),
            UnmodelledText(self.after, [pair.after for pair in self.pairs]),
        )
        self.networks = (network_of(self.before.loaded.config), network_of(self.after.loaded.config))

    @property
    def devices(self) -> tuple[Mapping[str, Device], Mapping[str, Device]]:
        """By name, of both."""
        return self.before.loaded.config.devices, self.after.loaded.config.devices

    @cached_property
    def added(self) -> tuple[str, ...]:
        """Devices that only the later state has."""
        return tuple(sorted(self.devices[1].keys() - self.devices[0].keys()))

    @cached_property
    def removed(self) -> tuple[str, ...]:
        """Devices that only the earlier state has."""
        return tuple(sorted(self.devices[0].keys() - self.devices[1].keys()))

    @cached_property
    def pairs(self) -> tuple[Pair, ...]:
        """Devices that are in both states and not the same; where both were read together, equal text was read once."""
        first, second = self.devices
        return tuple(
            Pair(self, first[name], second[name])
            for name in sorted(first.keys() & second.keys())
            if first[name] is not second[name] and not self._is_same(first[name], second[name])
        )

    def _is_same(self, one: Device, other: Device) -> bool:
        """Whether two devices are of the same text under the same settings, although they were read apart."""
        if one.files != other.files or not one.files or one != other:
            return False
        try:
            return all(self.before.read(name) == self.after.read(name) for name in one.files)
        except (OSError, KeyError):
            return False

    def doubt_words(self, side: int, doubts: Iterable[Doubt]) -> tuple[tuple[object, ...], ...]:
        """Return doubts of one state in a form that can be compared with the other: where they stand does not count."""
        behind, carried = self._texts[side].behind, self.carried[side]
        return tuple(
            (
                doubt.why,
                doubt.span.words if doubt.span else "",
                behind(doubt.span),
                side if doubt.span is not None and (doubt.span.file, doubt.span.line) in carried else None,
            )
            for doubt in doubts
        )

    @cached_property
    def carried(self) -> tuple[frozenset[tuple[str, int]], frozenset[tuple[str, int]]]:
        """The lines of routing protocols in each state, where what they carry between devices may be other routes.

        None where no device that speaks one differs in what the others could learn from it: its protocols,
        interfaces and static routes, and the cables.
        """
        first, second = self.devices
        differs = any(
            any(map(_speaks, (pair.before, pair.after)))
            and self._offered(0, pair.before) != self._offered(1, pair.after)
            for pair in self.pairs
        )
        differs = differs or any(_speaks(first[name]) for name in self.removed)
        differs = differs or any(_speaks(second[name]) for name in self.added)
        if not differs and self.before.loaded.config.links == self.after.loaded.config.links:
            return frozenset(), frozenset()
        before, after = (
            frozenset(
                (line.span.file, line.span.line)
                for device in devices.values()
                for line in device.unmodelled
                if _is_protocol(line)
            )
            for devices in (first, second)
        )
        return before, after

    def _offered(self, side: int, device: Device) -> tuple[object, ...]:
        """Return what others could learn from a device."""
        interfaces = {
            name: replace(one, description="", bindings=()) for name, one in device.interfaces.items()
        }  # fmt: skip
        protocols = tuple(self.line_words(side, filter(_is_protocol, device.unmodelled)))
        return interfaces, device.static_routes, protocols

    def line_words(self, side: int, lines: Iterable[Unmodelled]) -> Iterator[tuple[str, object, str, object]]:
        """Yield unmodelled lines of one state in such a form."""
        behind = self._texts[side].behind
        return ((line.what, line.scope, line.span.words, behind(line.span)) for line in lines)


def _speaks(device: Device) -> bool:
    """Whether a device takes part in a routing protocol."""
    return any(map(_is_protocol, device.unmodelled))


def _is_protocol(line: Unmodelled) -> bool:
    """Whether an unmodelled line opens the block of a routing protocol."""
    return isinstance(line.scope, RouteScope) and "router" in line.span.words.lower().split()[:2]


def binding_places(device: Device) -> dict[tuple[BindingPlace, Family], tuple[ListBinding, ...]]:
    """Return the lists of each place where packets meet lists, in the order in which they meet them."""
    found: dict[tuple[BindingPlace, Family], list[ListBinding]] = {}

    def add(kind: str, name: str, bindings: Iterable[ListBinding]) -> None:
        for binding in bindings:
            place = BindingPlace("port" if binding.port else kind, name, binding.direction)
            found.setdefault((place, binding.family), []).append(binding)

    for interface in device.interfaces.values():
        add("interface", interface.name, interface.bindings)
    add("control plane", "", (one for one in device.control_plane if one.direction == "in"))
    for block in device.terminal_lines:
        name = str(block.first) if block.first == block.last else f"{block.first}-{block.last}"
        guards = {one.family: one for one in reversed(block.bindings) if one.direction == "in"}
        add("terminal lines", name, guards.values())  # sessions meet the first list of a block
    return {place: tuple(bindings) for place, bindings in found.items()}


def undefined_list(name: str, family: Family, binding: ListBinding) -> AccessList:
    """Return a list without lines: what is bound and not defined decides like one."""
    return AccessList(name, family, False, (), span=binding.span)
