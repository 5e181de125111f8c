"""A prefix: the addresses that share their first bits."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pathcheck.packet.address import WIDTH, Address, IPVersion

__all__ = ["Prefix", "PrefixLength", "netmask_length"]

PrefixLength = int


@dataclass(frozen=True, slots=True, order=True)
class Prefix:
    """An IPv4 or IPv6 prefix without host bits.

    Parameters
    ----------
    version
        4 or 6.
    value
        The first address as a number.
    length
        Bits that are fixed, 0..32 or 0..128.

    Raises
    ------
    ValueError
        The length is out of range, or bits are set behind it.

    Examples
    --------
    >>> str(Prefix.parse("10.1.0.0/16"))
    '10.1.0.0/16'
    >>> Address.parse("10.1.2.3") in Prefix.parse("10.1.0.0/16")
    True

    References
    ----------
    RFC 4632 section 3.1.
    """

    version: IPVersion
    value: int
    length: PrefixLength

    def __post_init__(self) -> None:
        width = WIDTH[self.version]
        if not 0 <= self.length <= width:
            raise ValueError(f"prefix length `{self.length}` is not within 0 and {width}")
        if self.value & self.hostmask:
            raise ValueError(
                f"`{Address(self.version, self.value)}/{self.length}` has host bits set behind its length; "
                f"the prefix is `{Prefix.containing(Address(self.version, self.value), self.length)}`"
            )

    @classmethod
    def parse(cls, text: str) -> Prefix:
        """Read `ADDRESS/LENGTH`; a bare address is a prefix of full length. Host bits are refused."""
        address, length = _split(text)
        return cls(address.version, address.value, length)

    @classmethod
    def parse_loose(cls, text: str) -> Prefix:
        """Read `ADDRESS/LENGTH`; host bits count as zero."""
        address, length = _split(text)
        return cls.containing(address, length)

    @classmethod
    def containing(cls, address: Address, length: int) -> Prefix:
        """Return the prefix of that length that holds the address."""
        width = WIDTH[address.version]
        if not 0 <= length <= width:
            raise ValueError(f"prefix length `{length}` is not within 0 and {width}")
        return cls(address.version, address.value >> (width - length) << (width - length), length)

    @classmethod
    def everything(cls, version: IPVersion) -> Prefix:
        """Return the prefix of length 0."""
        return cls(version, 0, 0)

    @classmethod
    def covering_range(cls, first: Address, last: Address) -> tuple[Prefix, ...]:
        """Return the fewest prefixes that hold exactly the addresses from first to last, in order."""
        from netaddr import IPAddress, iprange_to_cidrs

        if first > last:
            raise ValueError(f"the range `{first}` to `{last}` ends before it begins")
        blocks = iprange_to_cidrs(IPAddress(first.value, first.version), IPAddress(last.value, last.version))
        return tuple(cls(first.version, int(block.first), int(block.prefixlen)) for block in blocks)

    @classmethod
    def merged(cls, prefixes: Iterable[Prefix]) -> tuple[Prefix, ...]:
        """Return the fewest prefixes that hold exactly the addresses of all, IPv4 before IPv6, in order."""
        from netaddr import IPNetwork, cidr_merge

        merged = cidr_merge([IPNetwork((p.value, p.length), version=p.version) for p in prefixes])
        return tuple(sorted(cls(block.version, int(block.first), int(block.prefixlen)) for block in merged))

    @classmethod
    def spanning(cls, prefixes: Iterable[Prefix]) -> Prefix:
        """Return the longest prefix that covers all of them; it may hold further addresses.

        Raises
        ------
        ValueError
            There are none, or they are of two IP versions.
        """
        given = list(prefixes)
        if len({p.version for p in given}) != 1:
            raise ValueError("a spanning prefix needs prefixes of one IP version")
        version, width = given[0].version, WIDTH[given[0].version]
        lowest = min(p.value for p in given)
        differing = lowest ^ max(p.last.value for p in given)
        length = min(width - differing.bit_length(), *(p.length for p in given), width)
        return cls.containing(Address(version, lowest), length)

    @property
    def hostmask(self) -> int:
        """The bits behind the length, as a number."""
        return (1 << (WIDTH[self.version] - self.length)) - 1

    @property
    def netmask(self) -> int:
        """The bits of the length, as a number."""
        return ((1 << WIDTH[self.version]) - 1) ^ self.hostmask

    @property
    def first(self) -> Address:
        """The lowest address."""
        return Address(self.version, self.value)

    @property
    def last(self) -> Address:
        """The highest address."""
        return Address(self.version, self.value | self.hostmask)

    @property
    def size(self) -> int:
        """How many addresses it holds."""
        return self.hostmask + 1

    def __contains__(self, address: Address) -> bool:
        return address.version == self.version and not (address.value ^ self.value) & self.netmask

    def covers(self, other: Prefix) -> bool:
        """Whether each address of the other is in this prefix."""
        return self.version == other.version and self.length <= other.length and other.first in self

    def overlaps(self, other: Prefix) -> bool:
        """Whether some address is in both."""
        return self.covers(other) or other.covers(self)

    def halves(self) -> tuple[Prefix, Prefix]:
        """Return the two prefixes one bit longer.

        Raises
        ------
        ValueError
            The prefix is a single address.
        """
        longer = self.length + 1
        if longer > WIDTH[self.version]:
            raise ValueError(f"`{self}` is a single address and has no halves")
        bit = 1 << (WIDTH[self.version] - longer)
        return Prefix(self.version, self.value, longer), Prefix(self.version, self.value | bit, longer)

    def without(self, others: Iterable[Prefix]) -> tuple[Prefix, ...]:
        """Return the fewest prefixes that hold the addresses of this one that are in none of the others, in order.

        Examples
        --------
        >>> [str(p) for p in Prefix.parse("10.1.0.0/22").without([Prefix.parse("10.1.1.0/24")])]
        ['10.1.0.0/24', '10.1.2.0/23']
        """
        touching = [other for other in others if other.overlaps(self)]
        if not touching:
            return (self,)
        if any(other.covers(self) for other in touching):
            return ()
        low, high = self.halves()
        return low.without(touching) + high.without(touching)

    def reserved_addresses(self) -> tuple[Address, ...]:
        """Return the addresses that no station may have: network and broadcast address of an IPv4 prefix up to /30.

        References
        ----------
        RFC 1812 section 4.2.2.11, RFC 3021 (a /31 has neither). An IPv6 prefix
        has neither; its first address is the routers' anycast address
        (RFC 4291 section 2.6.1).
        """
        if self.version == 6 or self.length >= 31:
            return ()
        return (self.first, self.last)

    def __str__(self) -> str:
        return f"{Address(self.version, self.value)}/{self.length}"


def netmask_length(mask: Address) -> int | None:
    """Return the prefix length that a dotted netmask stands for, None where it is no netmask.

    Examples
    --------
    >>> netmask_length(Address.parse("255.255.254.0"))
    23
    >>> netmask_length(Address.parse("0.0.0.255")) is None
    True
    """
    width = WIDTH[mask.version]
    inverse = mask.value ^ ((1 << width) - 1)
    return None if inverse & (inverse + 1) else width - inverse.bit_length()


def _split(text: str) -> tuple[Address, int]:
    """ADDRESS [/ LENGTH]."""
    address_text, slash, length_text = text.partition("/")
    address = Address.parse(address_text)
    width = WIDTH[address.version]
    if not slash:
        return address, width
    if not (length_text.isascii() and length_text.isdigit() and int(length_text) <= width):
        raise ValueError(f"`{text}` is no prefix: the length is a number from 0 to {width}")
    return address, int(length_text)
