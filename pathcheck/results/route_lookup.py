"""Which route wins one address on one device, and why each other one does not."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.results.path import Doubt, Reading
from pathcheck.results.verdict import Reason
from pathcheck.source import Span

__all__ = ["Lost", "RouteLookup", "RouteRow"]


class Lost(StrEnum):
    """Why a route that holds the address is not the one that wins it."""

    EQUAL_COST = "equal-cost"
    HIGHER_DISTANCE = "higher-distance"
    SHORTER = "shorter"
    INACTIVE = "inactive"


@dataclass(frozen=True, slots=True)
class RouteRow:
    """One route that holds the address.

    Parameters
    ----------
    source
        `local`, `connected`, `static` or `gateway`.
    next_hop, interface
        As the line names them; the interface too where it is known without a lookup.
    ways
        Where packets leave in the end: interface and neighbour, None where that is the destination itself.
    discard
        Whether packets are discarded.
    lost
        None for the winner.
    why
        One clause on why it lost.
    """

    prefix: Prefix
    source: str
    distance: int
    next_hop: Address | None = None
    interface: str | None = None
    ways: tuple[tuple[str, Address | None], ...] = ()
    discard: bool = False
    span: Span | None = None
    lost: Lost | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class RouteLookup:
    """The longest match of one address, with all rivals in the order in which they would follow.

    Parameters
    ----------
    vrf
        None for the global table.
    reason
        Why packets go nowhere: `unrouted`, `stranded`, `discarded`, or `unmodelled` where
        something could change the answer. None where a route carries them.
    """

    device: str
    vrf: str | None
    address: Address
    reason: Reason | None
    winner: RouteRow | None
    rivals: tuple[RouteRow, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    readings: tuple[Reading, ...] = ()
    notes: tuple[str, ...] = ()
