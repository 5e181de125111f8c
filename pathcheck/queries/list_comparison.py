"""What one list permits that another denies, and the other way round, as few regions with a packet of each.

References
----------
That two lists are equal exactly if they decide each packet alike is first match
taken at its word (RFC 8519 section 2): order, numbers, remarks and spelling do not
count, only decisions.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from pathcheck.errors import CapacityError, InternalFault, UsageError
from pathcheck.evaluator import evaluate_list
from pathcheck.model.access_list import Action, Family
from pathcheck.packet.packet import Packet
from pathcheck.packetset.algebra import PacketSet
from pathcheck.queries.list_difference import PATIENCE, Difference, ListSide, list_difference
from pathcheck.queries.named_list import FoundLists
from pathcheck.queries.protocol_parts import protocol_parts
from pathcheck.results.comparison import ComparedList, ListComparison, ListDifference
from pathcheck.results.path import Doubt, Reading
from pathcheck.results.region import Region

__all__ = ["ListSide", "compare_lists", "compare_named"]

Advance = Callable[[int], None]

MOST = 2000
"""Regions of one kind above which a complete answer is refused."""


def compare_named(
    first: FoundLists, second: FoundLists, *, show: int | None = None, advance: Advance = lambda _: None
) -> tuple[ListComparison, ...]:
    """Compare the lists of two names, one comparison for each IP version that both have.

    Parameters
    ----------
    show, advance
        As :func:`compare_lists`.

    Raises
    ------
    UsageError
        They have no IP version in common, or one of them has a list that the other lacks.
    CapacityError, InternalFault
        As :func:`compare_lists`.
    """
    families = [[one.family for one in found.lists] for found in (first, second)]
    if set(families[0]) != set(families[1]):
        raise UsageError(
            f"`{first.name}` of `{first.device.name}` is a list of {_family_words(families[0])}, "
            f"`{second.name}` of `{second.device.name}` of {_family_words(families[1])}",
            help="compare lists of one IP version",
        )
    partner = {one.family: one for one in second.lists}
    return tuple(
        compare_lists(
            ListSide(first.device, one),
            ListSide(second.device, partner[one.family]),
            show=show,
            places=(first.place, second.place),
            advance=advance,
        )
        for one in first.lists
    )


def compare_lists(
    before: ListSide,
    after: ListSide,
    *,
    show: int | None = None,
    places: tuple[str, str] = ("", ""),
    patience: float = PATIENCE,
    found: Difference | None = None,
    advance: Advance = lambda _: None,
) -> ListComparison:
    """Compare two lists of one IP version.

    Parameters
    ----------
    before, after
        May be of one device or of two, and of two fleets.
    show
        How many regions of each kind are wanted; None is all of them.
    places
        Where the lists were read, for lists that are not of the fleet.
    patience
        Seconds that it may take to find the difference.
    found
        The difference, where it is known already.
    advance
        Hears how many lines are done, of all lines of both lists.

    Raises
    ------
    ValueError
        The lists are of two families.
    CapacityError
        The lists differ in too much, or in more than 2,000 regions of one kind where all are wanted.
    InternalFault
        The evaluator decides a sample in another way.
    """
    if found is None:
        found = list_difference(before, after, patience=patience, advance=advance)
    naming = _Naming(before, after, show)
    opened = tuple(naming.differences(found.opened, Action.DENY, Action.PERMIT))
    closed = tuple(naming.differences(found.closed, Action.PERMIT, Action.DENY))
    uncertain = tuple(naming.differences(found.uncertain, None, None))
    return ListComparison(
        _compared(before, places[0]),
        _compared(after, places[1]),
        opened,
        closed,
        uncertain,
        found.shared_doubts,
        tuple(naming.readings),
        naming.cut,
    )


@dataclass(slots=True)
class _Naming:
    """Turns sets into regions, and finds for each what decides a packet of it."""

    before: ListSide
    after: ListSide
    show: int | None
    readings: dict[Reading, None] = field(default_factory=dict)
    cut: bool = False

    def differences(self, packets: PacketSet, first: Action | None, second: Action | None) -> Iterator[ListDifference]:
        """Yield the regions of a set, all of whose packets the lists decide as said; None is uncertain in either."""
        most = MOST if self.show is None else self.show
        boxes = packets.boxes(most + 1)
        if len(boxes) > most:
            if self.show is None:
                raise CapacityError(
                    f"the lists differ in more than {MOST:,} regions",
                    help="the text output shows the first of them; compare shorter lists for all",
                )
            self.cut = True
        for box in (part for whole in boxes[:most] for part in protocol_parts(whole)):
            sample = packets.space.of(box).sample()
            assert sample is not None
            yield self._named(Region(box, sample), sample, first, second)

    def _named(self, region: Region, sample: Packet, first: Action | None, second: Action | None) -> ListDifference:
        """Ask the evaluator about the sample."""
        decisions = [
            evaluate_list(side.device, side.family, side.name, sample) for side in (self.before, self.after)
        ]  # fmt: skip
        actions = [decision.action for decision in decisions]
        expected = actions == [first, second] if first is not None else None in actions
        if not expected:
            raise InternalFault(
                f"the comparison of `{self.before.name}` and `{self.after.name}` says that `{sample}` is decided "
                f"{first or 'uncertain'} and {second or 'uncertain'}, the evaluator says {actions[0]} by "
                f"`{decisions[0].use.text}` and {actions[1]} by `{decisions[1].use.text}`"
            )
        doubts: dict[Doubt, None] = {}
        for decision in decisions:
            doubts.update(dict.fromkeys(decision.doubts))
            self.readings.update(dict.fromkeys(decision.readings))
        return ListDifference(region, decisions[0].use, decisions[1].use, tuple(doubts))


def _compared(side: ListSide, place: str) -> ComparedList:
    """Name one of the lists."""
    return ComparedList(side.device.name, side.name, side.family, len(side.access_list.lines), place)


def _family_words(families: Sequence[Family]) -> str:
    """IP versions in words."""
    return " and ".join(sorted({"ipv4": "IPv4", "ipv6": "IPv6"}[family] for family in families))
