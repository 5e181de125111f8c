"""Destinations that packets do not get to by routing, and from where."""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.packet.prefix import Prefix
from pathcheck.results.verdict import Reason
from pathcheck.source import Span

__all__ = ["BlackHole", "OneWay", "RoutingReport"]


@dataclass(frozen=True, slots=True)
class BlackHole:
    """Destinations that end at one place, for some entry points.

    Parameters
    ----------
    reason
        `looping`, `discarded`, `unrouted` or `stranded`; `unmodelled` where nobody can say.
    device, vrf
        The table where they end; for a loop the one with the shortest match.
    entries
        From where: tables of devices, in order.
    destinations
        Exactly those, as few prefixes as possible, of one IP version, in order.
    partly
        Whether another of several equal-cost ways does not end so.
    cycle
        For a loop, a shortest way round; the first follows the last.
    why
        One clause, where the reason alone does not say it.
    because
        The lines that decide.
    """

    reason: Reason
    device: str
    vrf: str | None
    entries: tuple[str, ...]
    destinations: tuple[Prefix, ...]
    partly: bool = False
    cycle: tuple[str, ...] = ()
    why: str = ""
    because: tuple[Span, ...] = ()


@dataclass(frozen=True, slots=True)
class OneWay:
    """Subnets of which packets arrive, but the replies do not come back, by routing alone.

    Parameters
    ----------
    sources
        The subnets that packets come from, and that replies do not reach.
    destinations
        The subnets that the packets arrive at.
    reason, device, vrf
        What becomes of the replies, and in which table; for a loop one of its tables.
    """

    sources: tuple[Prefix, ...]
    destinations: tuple[Prefix, ...]
    reason: Reason
    device: str
    vrf: str | None = None


@dataclass(frozen=True, slots=True)
class RoutingReport:
    """What the routes of a fleet lead to, access lists left aside."""

    black_holes: tuple[BlackHole, ...] = ()
    one_way: tuple[OneWay, ...] = ()
