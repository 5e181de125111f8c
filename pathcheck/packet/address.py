"""One IP address as an immutable value."""

from __future__ import annotations

import socket
from dataclasses import dataclass
from typing import Literal

__all__ = ["WIDTH", "Address", "IPVersion"]

IPVersion = Literal[4, 6]

WIDTH: dict[int, int] = {4: 32, 6: 128}
"""Bits of an address by IP version."""


@dataclass(frozen=True, slots=True, order=True)
class Address:
    """An IPv4 or IPv6 address.

    Parameters
    ----------
    version
        4 or 6.
    value
        The address as a number, 0 to 2**32 - 1 or 2**128 - 1.

    Raises
    ------
    ValueError
        The number is outside the address space.

    Examples
    --------
    >>> Address.parse("192.0.2.1")
    Address(version=4, value=3221225985)
    >>> str(Address.parse("2001:DB8:0::1"))
    '2001:db8::1'

    References
    ----------
    RFC 4291 section 2.2 (IPv6 text), RFC 5952 section 4 (canonical IPv6 text).
    """

    version: IPVersion
    value: int

    def __post_init__(self) -> None:
        if not 0 <= self.value < 1 << WIDTH[self.version]:
            raise ValueError(f"`{self.value}` is no IPv{self.version} address")

    @classmethod
    def parse(cls, text: str) -> Address:
        """Read an address; four decimal octets without leading zeros, or IPv6 text.

        Raises
        ------
        ValueError
            With the broken rule and the whole text.
        """
        if ":" in text:
            try:
                return cls(6, int.from_bytes(socket.inet_pton(socket.AF_INET6, text), "big"))
            except (OSError, ValueError):
                raise ValueError(f"`{text}` is no IPv6 address") from None
        try:
            return cls(4, int.from_bytes(socket.inet_pton(socket.AF_INET, text), "big"))
        except (OSError, ValueError):
            raise ValueError(_ipv4_fault(text)) from None

    def __str__(self) -> str:
        if self.version == 4:
            v = self.value
            return f"{v >> 24}.{v >> 16 & 255}.{v >> 8 & 255}.{v & 255}"
        if 0xFFFF < self.value < 1 << 32:
            # RFC 5952 section 5: dotted ends are for known prefixes only, and the one of all zeros is none.
            return f"::{self.value >> 16:x}:{self.value & 0xFFFF:x}"
        return socket.inet_ntop(socket.AF_INET6, self.value.to_bytes(16, "big"))


def _ipv4_fault(text: str) -> str:
    """Say which rule of the dotted form a text breaks."""
    octets = text.split(".")
    if len(octets) != 4:
        return f"`{text}` is no IPv4 address: expected four octets, found {len(octets)}"
    for octet in octets:
        if not (octet.isascii() and octet.isdigit()):
            return f"`{text}` is no IPv4 address: `{octet}` is no number"
        if int(octet) > 255:
            return f"`{text}` is no IPv4 address: octet `{octet}` is above 255"
        if octet != str(int(octet)):
            return f"`{text}` is no IPv4 address: octet `{octet}` has a leading zero, which some devices read as octal"
    return f"`{text}` is no IPv4 address"
