"""Differentiated services code points, and the older precedence, by name.

Sources: RFC 2474 section 4.2.2 (class selectors, default), RFC 2597 section 6
(assured forwarding), RFC 3246 section 2.7 (expedited forwarding), RFC 5865
section 4 (voice admit), RFC 8622 section 4 (lower effort), RFC 791 section
3.1 (precedence). That access lists accept a spelling is common practice.
"""

from __future__ import annotations

from pathcheck.packet.ranges import Ranges

__all__ = [
    "DSCP_NAMES",
    "PRECEDENCE_NAMES",
    "dscp_name",
    "dscp_number",
    "precedence_dscp",
    "precedence_number",
]

DSCP_NAMES: dict[str, int] = {
    "default": 0, **{f"cs{selector}": selector << 3 for selector in range(8)},
    **{f"af{group}{drop}": group << 3 | drop << 1 for group in range(1, 5) for drop in range(1, 4)},
    "ef": 46, "va": 44, "voice-admit": 44, "le": 1,
}  # fmt: skip
"""0..63 by name; `cs0` is `default`."""

PRECEDENCE_NAMES: dict[str, int] = {
    "routine": 0, "priority": 1, "immediate": 2, "flash": 3, "flash-override": 4, "critical": 5, "internet": 6,
    "network": 7,
}  # fmt: skip
"""0..7 by name; the top three bits of DSCP."""

_NAME_BY_DSCP = {number: name for name, number in reversed(DSCP_NAMES.items())}


def dscp_number(word: str) -> int | None:
    """Return the code point, 0..63, that a name or a decimal number means, None where it is neither.

    Examples
    --------
    >>> dscp_number("af41"), dscp_number("cs6"), dscp_number("46"), dscp_number("64")
    (34, 48, 46, None)
    """
    return _number(word, DSCP_NAMES, 63)


def dscp_name(number: int) -> str | None:
    """Return the name of a code point, None where it has none."""
    return _NAME_BY_DSCP.get(number)


def precedence_number(word: str) -> int | None:
    """Return the precedence, 0..7, that a name or a decimal number means, None where it is neither."""
    return _number(word, PRECEDENCE_NAMES, 7)


def precedence_dscp(precedence: int) -> Ranges:
    """Return the eight code points whose top three bits are the precedence.

    Examples
    --------
    >>> str(precedence_dscp(6))
    '48-55'
    """
    return Ranges.of((precedence << 3, precedence << 3 | 7))


def _number(word: str, names: dict[str, int], highest: int) -> int | None:
    """NAME | 0..highest."""
    if word.isascii() and word.isdigit():
        return int(word) if len(word) <= 2 and int(word) <= highest else None
    return names.get(word.lower())
