"""A wildcard match: some bits of an address are compared, the others are free.

A wildcard mask has a 1 where the bit is free. It is a type of its own, never
handed to a library as text: general libraries read `10.0.0.0/0.0.0.0` as
"everything", where an access list means one host.
"""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.prefix import Prefix

__all__ = ["AddressMatch"]


@dataclass(frozen=True, slots=True, order=True)
class AddressMatch:
    """The addresses that agree with a value on the bits under a care mask.

    Canonical: bits of the value outside the care mask are zero, so equal
    matches have equal members. Use the named constructors; the raw one
    refuses a value that is not canonical.

    Parameters
    ----------
    version
        4 or 6.
    value
        The bits that must be met, as a number.
    care
        1 where the bit is compared, as a number (the inverse of a wildcard mask).

    Examples
    --------
    >>> match = AddressMatch.wildcard(Address.parse("10.1.2.9"), Address.parse("0.0.0.255"))
    >>> str(match), match.size
    ('10.1.2.0/24', 256)
    >>> str(AddressMatch.wildcard(Address.parse("10.0.0.0"), Address.parse("0.0.0.254")))
    '10.0.0.0 0.0.0.254'
    """

    version: IPVersion
    value: int
    care: int

    def __post_init__(self) -> None:
        if self.value & ~self.care:
            raise ValueError("bits are set in the value that the care mask leaves free")

    @classmethod
    def any(cls, version: IPVersion) -> AddressMatch:
        """Return the match of each address."""
        return cls(version, 0, 0)

    @classmethod
    def host(cls, address: Address) -> AddressMatch:
        """Return the match of one address."""
        return cls(address.version, address.value, (1 << WIDTH[address.version]) - 1)

    @classmethod
    def prefix(cls, prefix: Prefix) -> AddressMatch:
        """Return the match of a prefix."""
        return cls(prefix.version, prefix.value, prefix.netmask)

    @classmethod
    def wildcard(cls, address: Address, mask: Address) -> AddressMatch:
        """Return the match of an address with a wildcard mask; address bits under the mask count as zero."""
        if address.version != mask.version:
            raise ValueError(f"the wildcard mask `{mask}` is of another IP version than `{address}`")
        care = mask.value ^ ((1 << WIDTH[address.version]) - 1)
        return cls(address.version, address.value & care, care)

    @property
    def free(self) -> int:
        """The wildcard mask as a number: 1 where the bit is free."""
        return self.care ^ ((1 << WIDTH[self.version]) - 1)

    @property
    def size(self) -> int:
        """How many addresses match."""
        return 1 << self.free.bit_count()

    @property
    def is_any(self) -> bool:
        """Whether each address matches."""
        return self.care == 0

    def as_prefix(self) -> Prefix | None:
        """Return the same addresses as a prefix, None where the mask is not contiguous."""
        free = self.free
        if free & (free + 1):
            return None
        return Prefix(self.version, self.value, WIDTH[self.version] - free.bit_length())

    def __contains__(self, address: Address) -> bool:
        return address.version == self.version and not (address.value ^ self.value) & self.care

    def covers(self, other: AddressMatch) -> bool:
        """Whether each address of the other matches."""
        return (
            self.version == other.version and not self.care & ~other.care and not (self.value ^ other.value) & self.care
        )

    def overlaps(self, other: AddressMatch) -> bool:
        """Whether some address matches both."""
        return self.version == other.version and not (self.value ^ other.value) & self.care & other.care

    def __str__(self) -> str:
        if self.is_any:
            return "any"
        prefix = self.as_prefix()
        if prefix is not None:
            return str(prefix)
        return f"{Address(self.version, self.value)} {Address(self.version, self.free)}"
