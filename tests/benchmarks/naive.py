"""What a user would otherwise write: plain loops over the lines of one list."""

from __future__ import annotations

from typing import Any

__all__ = ["covered_by_one_line", "first_line"]


def covered_by_one_line(fields: list[tuple[Any, ...]]) -> int:
    """Count the lines that one earlier line holds whole; lines held by several together are missed."""
    dead = 0
    for place, (value, care, to_value, to_care, protocol, low, high, to_low, to_high) in enumerate(fields):
        for value_2, care_2, to_value_2, to_care_2, protocol_2, low_2, high_2, to_low_2, to_high_2 in fields[:place]:
            if (
                not (value ^ value_2) & care_2
                and not (to_value ^ to_value_2) & to_care_2
                and not care_2 & ~care
                and not to_care_2 & ~to_care
                and protocol_2 in (None, protocol)
                and low_2 <= low
                and high <= high_2
                and to_low_2 <= to_low
                and to_high <= to_high_2
            ):
                dead += 1
                break
    return dead


def first_line(fields: list[tuple[Any, ...]], packet: tuple[int, int, int, int, int]) -> int | None:
    """Return the first line that holds a packet of source, destination, protocol and two ports."""
    source, destination, number, port, to_port = packet
    for place, (value, care, to_value, to_care, protocol, low, high, to_low, to_high) in enumerate(fields):
        if (
            not (source ^ value) & care
            and not (destination ^ to_value) & to_care
            and protocol in (None, number)
            and low <= port <= high
            and to_low <= to_port <= to_high
        ):
            return place
    return None
