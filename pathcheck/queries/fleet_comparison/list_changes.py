"""Lists that were edited, and places with other lists: what is decided otherwise there, exactly."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from pathcheck.dataplane.compiled_list import list_doubts
from pathcheck.dataplane.first_match import filter_through
from pathcheck.errors import InternalFault
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import AccessList, Action, Family, Line, ListBinding, Remark, UnreadLine
from pathcheck.model.device import Device
from pathcheck.model.object_group import GroupReference
from pathcheck.packet.packet import Packet
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.queries.fleet_comparison.outside_text import names_outside
from pathcheck.queries.fleet_comparison.states import BindingPlace, Pair, binding_places, undefined_list
from pathcheck.queries.list_comparison import compare_lists
from pathcheck.queries.list_difference import Difference, ListSide, list_difference
from pathcheck.queries.protocol_parts import protocol_parts
from pathcheck.results.comparison import ListDifference
from pathcheck.results.fleet_comparison import BindingChange, ListChange, ListStatus
from pathcheck.results.path import Doubt, LineUse
from pathcheck.results.region import Region

__all__ = ["ListChanges", "PlaceChange"]

Key = tuple[Family, str]

NO_LIST = LineUse("", "permit", "no list")
"""What decides where no list is bound."""


@dataclass(frozen=True, slots=True)
class PlaceChange:
    """A place where some packets meet something else than before, or may.

    Parameters
    ----------
    packets
        All packets about which the lists of the place do not agree for certain.
    """

    place: BindingPlace
    family: Family
    packets: PacketSet


@dataclass(slots=True)
class ListChanges:
    """The work on the lists of one device.

    Parameters
    ----------
    pair
        The device in both states.
    show
        How many regions of each kind are wanted of each list and place.
    """

    pair: Pair
    show: int
    _differences: dict[Key, Difference] = field(default_factory=dict)
    _sides: dict[bool, tuple[Device, Device]] = field(default_factory=dict)

    # ---- lists ------------------------------------------------------------------------------

    def lists(self) -> Iterator[ListChange]:
        """Yield each list that was edited, added or removed; an edit may be without effect."""
        before, after = self.pair.before, self.pair.after
        keys = dict.fromkeys((*before.access_lists, *after.access_lists))
        bound = [_bound(device) for device in (before, after)]
        for key in sorted(keys, key=lambda key: (key[1], key[0])):
            family, name = key
            defined = (key in before.access_lists, key in after.access_lists)
            places = tuple(bound[1].get(key) or bound[0].get(key) or ())
            span = (after if defined[1] else before).access_lists[key].span
            if not all(defined) and key not in bound[defined.index(False)]:
                status = ListStatus.ADDED if defined[1] else ListStatus.REMOVED
                yield ListChange(self.pair.name, name, family, status, None, places, span=span)
                continue
            edits = self._edits(key)
            if not edits and not self._differ(key):
                continue
            first, second = self._list_sides(key)
            comparison = compare_lists(first, second, show=self.show, found=self.difference(key))
            yield ListChange(self.pair.name, name, family, ListStatus.CHANGED, comparison, places, edits, span)

    def difference(self, key: Key) -> Difference:
        """Return what one list decides otherwise, as sets."""
        if key not in self._differences:
            if self._differ(key):
                self._differences[key] = list_difference(*self._list_sides(key))
            else:
                empty = packet_space(4 if key[0] == "ipv4" else 6).empty
                self._differences[key] = Difference(empty, empty, empty)
        return self._differences[key]

    def _list_sides(self, key: Key) -> tuple[ListSide, ListSide]:
        """Return both lists, an undefined one as one without lines."""
        lists = [self._list(device, key) for device in (self.pair.before, self.pair.after)]
        before, after = self._devices(any(names_outside(one) for one in lists))
        return ListSide(before, lists[0]), ListSide(after, lists[1])

    def _devices(self, named_outside: bool) -> tuple[Device, Device]:
        """Return the device in both states, with one set of groups where that is known to be one."""
        if named_outside not in self._sides:
            self._sides[named_outside] = self.pair.sides(named_outside=named_outside)
        return self._sides[named_outside]

    @staticmethod
    def _list(device: Device, key: Key) -> AccessList:
        """Return a list, or one without lines in its place."""
        found = device.access_lists.get(key)
        if found is not None:
            return found
        family, name = key
        binding = next(
            one
            for bindings in binding_places(device).values()
            for one in bindings
            if (one.family, one.list_name) == key
        )
        return undefined_list(name, family, binding)

    def _differ(self, key: Key) -> bool:
        """Whether the lists, or what they are read with, are not the same: only then they can decide otherwise."""
        before, after = self.pair.before, self.pair.after
        one, other = before.access_lists.get(key), after.access_lists.get(key)
        if one is None or other is None or one.lines != other.lines:
            return True
        if before.assume != after.assume:
            return True
        family, name = key
        words = self.pair.states.doubt_words
        doubts = [words(side, list_doubts(device, family, name)) for side, device in enumerate((before, after))]
        if doubts[0] != doubts[1]:
            return True
        if before.groups != after.groups and any(map(_names_group, one.lines)):
            return True
        if names_outside(one):
            sides = self._devices(True)
            return sides[0].groups is not sides[1].groups
        return False

    def _edits(self, key: Key) -> tuple[str, ...]:
        """Say in what ways the texts of a list differ."""
        one, other = (device.access_lists.get(key) for device in (self.pair.before, self.pair.after))
        if one is None or other is None:
            return ("lines",)
        found = []
        bare = [[_bare(line) for line in each.lines] for each in (one, other)]
        if Counter(bare[0]) != Counter(bare[1]):
            found.append("lines")
        elif bare[0] != bare[1]:
            found.append("order")
        if bare[0] == bare[1] and [line.sequence for line in one.lines] != [line.sequence for line in other.lines]:
            found.append("numbers")
        remarks = [[entry.text for entry in each.entries if isinstance(entry, Remark)] for each in (one, other)]
        if remarks[0] != remarks[1]:
            found.append("remarks")
        if self.pair.before.groups != self.pair.after.groups and any(map(_names_group, other.lines)):
            found.append("groups")
        if not found and [_words(entry) for entry in one.entries] != [_words(entry) for entry in other.entries]:
            found.append("spelling")
        return tuple(found)

    # ---- places -----------------------------------------------------------------------------

    def places(self) -> tuple[list[BindingChange], list[PlaceChange]]:
        """Return the places with other lists, and all places where packets may meet something else."""
        before, after = (binding_places(device) for device in (self.pair.before, self.pair.after))
        other_lists: list[BindingChange] = []
        touched: list[PlaceChange] = []
        for place, family in sorted(before.keys() | after.keys()):
            bindings = (before.get((place, family), ()), after.get((place, family), ()))
            names = tuple(tuple(one.list_name for one in each) for each in bindings)
            if names[0] == names[1]:
                keys = {(family, name) for name in names[0]}
                packets = _union(self.difference(key) for key in keys)
            elif place.kind in ("interface", "port") and any(
                place.name not in device.interfaces for device in (self.pair.before, self.pair.after)
            ):
                continue  # the interface is new or gone, and so is all that passes there
            else:
                difference = self._between(family, bindings)
                other_lists.append(self._binding_change(place, family, bindings, difference))
                packets = _union([difference])
            if packets is not None and not packets.is_empty:
                touched.append(PlaceChange(place, family, packets))
        return other_lists, touched

    def _between(self, family: Family, bindings: tuple[Sequence[ListBinding], Sequence[ListBinding]]) -> Difference:
        """Return what packets meet otherwise at a place whose lists are others."""
        if all(len(each) == 1 for each in bindings):
            sides = []
            for device, (binding,) in zip((self.pair.before, self.pair.after), bindings, strict=True):
                found = device.access_list(family, binding.list_name)
                sides.append(ListSide(device, found or undefined_list(binding.list_name, family, binding)))
            named = any(names_outside(side.access_list) for side in sides)
            return list_difference(
                *(replace(side, device=device) for side, device in zip(sides, self._devices(named), strict=True))
            )
        space = packet_space(4 if family == "ipv4" else 6)
        decided = []
        for device, each in zip((self.pair.before, self.pair.after), bindings, strict=True):
            sets: dict[Action | None, list[PacketSet]] = {}
            for part in filter_through(device, each, space.full):
                sets.setdefault(part.action, []).append(part.packets)
            decided.append({action: space.union(sets.get(action, [])) for action in (*Action, None)})
        one, other = decided
        return Difference(
            one[Action.DENY] & other[Action.PERMIT], one[Action.PERMIT] & other[Action.DENY], one[None] | other[None]
        )

    def _binding_change(
        self,
        place: BindingPlace,
        family: Family,
        bindings: tuple[Sequence[ListBinding], Sequence[ListBinding]],
        difference: Difference,
    ) -> BindingChange:
        """Return a place with other lists as regions."""
        kinds: list[tuple[ListDifference, ...]] = []
        cut = False
        for packets, expected in (
            (difference.opened, (Action.DENY, Action.PERMIT)),
            (difference.closed, (Action.PERMIT, Action.DENY)),
            (difference.uncertain, None),
        ):
            boxes = packets.boxes(self.show + 1)
            cut = cut or len(boxes) > self.show
            items = []
            for box in (part for whole in boxes[: self.show] for part in protocol_parts(whole)):
                sample = packets.space.of(box).sample()
                assert sample is not None
                items.append(self._named(Region(box, sample), sample, bindings, expected))
            kinds.append(tuple(items))
        before, after = (tuple(one.list_name for one in each) for each in bindings)
        span = next((one.span for each in reversed(bindings) for one in each), None)
        opened, closed, uncertain = kinds
        return BindingChange(
            self.pair.name, str(place), family, before, after, opened, closed, uncertain, cut, span
        )  # fmt: skip

    def _named(
        self,
        region: Region,
        sample: Packet,
        bindings: tuple[Sequence[ListBinding], Sequence[ListBinding]],
        expected: tuple[Action, Action] | None,
    ) -> ListDifference:
        """Let the evaluator decide a sample in both states."""
        uses: list[LineUse] = []
        actions: list[Action | None] = []
        doubts: dict[Doubt, None] = {}
        for device, each in zip((self.pair.before, self.pair.after), bindings, strict=True):
            action: Action | None = Action.PERMIT
            use = NO_LIST
            for binding in each:
                decision = evaluate_list(device, binding.family, binding.list_name, sample)
                use = decision.use
                if decision.action is Action.DENY:
                    action = Action.DENY
                    break
                if decision.action is None:
                    action = None
                    doubts.update(dict.fromkeys(decision.doubts))
            uses.append(use)
            actions.append(action)
        if expected is not None and tuple(actions) != expected:
            raise InternalFault(
                f"the comparison of {self.pair.name} says that `{sample}` is decided {expected[0]} and {expected[1]} "
                f"by the lists bound there, the evaluator says {actions[0]} and {actions[1]}",
                help="report this with the files of the device; the answer is withheld",
            )
        return ListDifference(region, uses[0], uses[1], tuple(doubts) if expected is None else ())


def _union(differences: Iterator[Difference] | Sequence[Difference]) -> PacketSet | None:
    """Return all packets that some difference holds; None for no difference."""
    found: PacketSet | None = None
    for one in differences:
        packets = one.opened | one.closed | one.uncertain
        found = packets if found is None else found | packets
    return found


def _bound(device: Device) -> dict[Key, list[str]]:
    """Return where each list is bound."""
    found: dict[Key, list[str]] = {}
    for (place, family), bindings in binding_places(device).items():
        for binding in bindings:
            found.setdefault((family, binding.list_name), []).append(str(place))
    return found


def _bare(line: Line | UnreadLine) -> Line | UnreadLine:
    """Return a line without its number."""
    return replace(line, sequence=0, log=None) if isinstance(line, Line) else replace(line, sequence=0)


def _words(entry: Line | UnreadLine | Remark) -> str:
    """Return an entry as written, however it is indented."""
    return entry.span.words


def _names_group(line: Line | UnreadLine) -> bool:
    """Whether a line names a group."""
    return isinstance(line, Line) and any(
        isinstance(part, GroupReference)
        for part in (
            line.protocol, line.source, line.destination, line.source_ports, line.destination_ports, line.icmp,
        )
    )  # fmt: skip
