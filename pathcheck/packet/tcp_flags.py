"""TCP flags as bits, and what a line asks of them."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "ACK",
    "ALL_FLAGS",
    "CWR",
    "ECE",
    "ESTABLISHED",
    "FIN",
    "FLAG_NAMES",
    "NEW_CONNECTION",
    "PSH",
    "RST",
    "SYN",
    "URG",
    "FlagMatch",
]

# RFC 9293 section 3.1: the order of the control bits, from the lowest.
FIN, SYN, RST, PSH, ACK, URG, ECE, CWR = (1 << bit for bit in range(8))
ALL_FLAGS = 255
FLAG_NAMES: dict[str, int] = {
    "fin": FIN, "syn": SYN, "rst": RST, "psh": PSH, "ack": ACK, "urg": URG, "ece": ECE, "cwr": CWR,
}  # fmt: skip


@dataclass(frozen=True, slots=True, order=True)
class FlagMatch:
    """Alternatives of flag bits, each a pair of care bits and their values.

    Parameters
    ----------
    cubes
        Pairs `(care, value)` of 8 bits. A packet matches if it agrees with
        one of them. Sorted, without doubles; none at all matches nothing.

    Examples
    --------
    >>> ESTABLISHED.matches(ACK | PSH), ESTABLISHED.matches(SYN)
    (True, False)
    """

    cubes: tuple[tuple[int, int], ...]

    @classmethod
    def of(cls, *cubes: tuple[int, int]) -> FlagMatch:
        """Return the alternatives in canonical order."""
        return cls(tuple(sorted({(care, value & care) for care, value in cubes})))

    @classmethod
    def exactly(cls, flags: int) -> FlagMatch:
        """Return the match of these flags and no others."""
        return cls(((ALL_FLAGS, flags),))

    def matches(self, flags: int) -> bool:
        """Whether a packet with these flags matches."""
        return any(flags & care == value for care, value in self.cubes)


ESTABLISHED = FlagMatch.of((ACK, ACK), (RST, RST))
"""ACK or RST is set. Common practice, no source: a device keeps no state for it."""

NEW_CONNECTION = FlagMatch.exactly(SYN)
"""The first packet of a connection: SYN and nothing else (RFC 9293 section 3.5).

RST beside SYN would pass as `established`, so a flow that leaves flags open would
be half permitted by each list that lets only answers through.
"""
