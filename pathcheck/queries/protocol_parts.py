"""A box of several protocols as one box of each, so that each is told with the line that decides it."""

from __future__ import annotations

from dataclasses import replace

from pathcheck.packet.box import Box
from pathcheck.packet.ranges import Ranges

__all__ = ["protocol_parts"]

_MOST = 4
"""Protocols that are told apart; lines name one of a few, and a box of many is that of a line that names none."""


def protocol_parts(box: Box) -> tuple[Box, ...]:
    """Return boxes whose union is the box: of one protocol each, where it names some few.

    Lines name one protocol, so what two lines open, such as fragments of TCP and of UDP, is one box that no
    single line explains.
    """
    protocols = box.effective_protocols()
    if box.protocols is None or not 1 < protocols.size <= _MOST:
        return (box,)
    return tuple(
        replace(box, protocols=Ranges.single(number))
        for low, high in protocols.spans
        for number in range(low, high + 1)
    )
