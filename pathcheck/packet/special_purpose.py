"""What an address is for: special-purpose blocks, and addresses that no router forwards.

The table is that of RFC 6890 section 2.2 with the changes of RFC 8190 and the
row of RFC 9637. The live registry has changed since in other rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix

__all__ = [
    "SPECIAL_BLOCKS",
    "SpecialBlock",
    "address_type",
    "is_documentation",
    "is_private",
    "never_forwarded",
    "reserved_interface_identifier",
    "special_block",
]


@dataclass(frozen=True, slots=True)
class SpecialBlock:
    """One row of the special-purpose address registries.

    Parameters
    ----------
    source, destination
        Whether an address of the block may be the source or the destination of a
        packet that crosses two devices.
    forwardable
        Whether a router may forward a packet with such a destination.
    globally_reachable
        Whether it may be forwarded beyond one administrative domain; None where the
        registry says that this depends.
    reserved_by_protocol
        Whether IP itself handles the block in a special way.

    References
    ----------
    RFC 6890 section 2.2.1; RFC 8190 section 2.1.
    """

    prefix: Prefix
    name: str
    document: str
    source: bool
    destination: bool
    forwardable: bool
    globally_reachable: bool | None
    reserved_by_protocol: bool


def _row(text: str, name: str, document: str, flags: str) -> SpecialBlock:
    """Make a row; `flags` are the five columns as `y`, `n` or `-`."""
    source, destination, forwardable, reachable, reserved = ({"y": True, "n": False}.get(flag) for flag in flags)
    return SpecialBlock(
        Prefix.parse(text),
        name,
        document,
        bool(source),
        bool(destination),
        bool(forwardable),
        reachable,
        bool(reserved),
    )


SPECIAL_BLOCKS: tuple[SpecialBlock, ...] = (
    _row("0.0.0.0/8", "this host on this network", "RFC 1122 section 3.2.1.3", "ynnny"),
    _row("10.0.0.0/8", "private use", "RFC 1918", "yyynn"),
    _row("100.64.0.0/10", "shared address space", "RFC 6598", "yyynn"),
    _row("127.0.0.0/8", "loopback", "RFC 1122 section 3.2.1.3", "nnnny"),
    _row("169.254.0.0/16", "link local", "RFC 3927", "yynny"),
    _row("172.16.0.0/12", "private use", "RFC 1918", "yyynn"),
    _row("192.0.0.0/24", "protocol assignments", "RFC 6890 section 2.1", "nnnnn"),
    _row("192.0.0.0/29", "IPv4 over IPv6 service continuity", "RFC 6333", "yyynn"),
    _row("192.0.2.0/24", "documentation", "RFC 5737", "nnnnn"),
    _row("192.88.99.0/24", "6to4 relay anycast", "RFC 3068", "yyyyn"),
    _row("192.168.0.0/16", "private use", "RFC 1918", "yyynn"),
    _row("198.18.0.0/15", "benchmarking", "RFC 2544", "yyynn"),
    _row("198.51.100.0/24", "documentation", "RFC 5737", "nnnnn"),
    _row("203.0.113.0/24", "documentation", "RFC 5737", "nnnnn"),
    _row("240.0.0.0/4", "reserved", "RFC 1112 section 4", "nnnny"),
    _row("255.255.255.255/32", "limited broadcast", "RFC 919 section 7", "nynny"),
    _row("::1/128", "loopback", "RFC 4291", "nnnny"),
    _row("::/128", "unspecified address", "RFC 4291", "ynnny"),
    _row("64:ff9b::/96", "translation between IPv4 and IPv6", "RFC 6052", "yyyyn"),
    _row("::ffff:0:0/96", "IPv4-mapped", "RFC 4291", "nnnny"),
    _row("100::/64", "discard only", "RFC 6666", "yyynn"),
    _row("2001::/23", "protocol assignments", "RFC 2928", "nnnnn"),
    _row("2001::/32", "tunnelling through address translators", "RFC 4380", "yyy-n"),
    _row("2001:2::/48", "benchmarking", "RFC 5180", "yyynn"),
    _row("2001:db8::/32", "documentation", "RFC 3849", "nnnnn"),
    _row("2001:10::/28", "hashed identifiers", "RFC 4843", "nnnnn"),
    _row("2002::/16", "6to4", "RFC 3056", "yyy-n"),
    _row("fc00::/7", "unique local", "RFC 4193", "yyynn"),
    _row("fe80::/10", "link local", "RFC 4291", "yynny"),
    _row("3fff::/20", "documentation", "RFC 9637", "nnnnn"),
)

# RFC 4291 sections 2.4 and 2.5.7; RFC 1112 section 4 and RFC 919 section 7 for IPv4. The first that holds the
# address says its type.
_TYPES: tuple[tuple[Prefix, str], ...] = tuple(
    (Prefix.parse(text), name)
    for text, name in (
        ("::/128", "unspecified"),
        ("::1/128", "loopback"),
        ("ff00::/8", "multicast"),
        ("fe80::/10", "link-local unicast"),
        ("::/0", "global unicast"),
        ("0.0.0.0/8", "this network"),
        ("127.0.0.0/8", "loopback"),
        ("169.254.0.0/16", "link-local unicast"),
        ("224.0.0.0/4", "multicast"),
        ("255.255.255.255/32", "limited broadcast"),
        ("240.0.0.0/4", "reserved"),
        ("0.0.0.0/0", "unicast"),
    )
)


@cache
def _longest_first() -> tuple[SpecialBlock, ...]:
    """Return the rows, the longest prefix first."""
    return tuple(sorted(SPECIAL_BLOCKS, key=lambda block: -block.prefix.length))


def special_block(address: Address) -> SpecialBlock | None:
    """Return the longest special-purpose block that holds the address, None where none does.

    Examples
    --------
    >>> special_block(Address.parse("192.0.0.1")).name
    'IPv4 over IPv6 service continuity'
    >>> special_block(Address.parse("11.0.0.1")) is None
    True
    """
    return next((block for block in _longest_first() if address in block.prefix), None)


def is_private(address: Address) -> bool:
    """Whether an IPv4 address is for private internets (RFC 1918 section 3)."""
    block = special_block(address)
    return block is not None and block.document == "RFC 1918"


def is_documentation(prefix: Prefix) -> bool:
    """Whether all of a prefix is reserved for documentation (RFC 5737 section 3, RFC 3849, RFC 9637)."""
    return any(block.prefix.covers(prefix) for block in SPECIAL_BLOCKS if block.name == "documentation")


def address_type(address: Address) -> str:
    """Return the type of an address in the standards' words.

    Returns
    -------
    str
        IPv6: `unspecified`, `loopback`, `multicast`, `link-local unicast` or `global
        unicast` (the former site-local block is global unicast). IPv4: `this
        network`, `loopback`, `link-local unicast`, `multicast`, `limited broadcast`,
        `reserved` or `unicast`.

    References
    ----------
    RFC 4291 section 2.4, RFC 1122 section 3.2.1.3.
    """
    return next(name for prefix, name in _TYPES if address in prefix)


def never_forwarded(*, source: Address | None = None, destination: Address | None = None) -> str | None:
    """Return why a router does not forward a packet with these addresses, None where nothing forbids it.

    A prefix's own network and broadcast address are not judged: they look like
    host addresses to each router that is not attached to the prefix.

    Examples
    --------
    >>> never_forwarded(source=Address.parse("127.0.0.1"))
    'a loopback address is no source'
    >>> never_forwarded(destination=Address.parse("224.0.0.5")) is None
    True

    References
    ----------
    RFC 1812 sections 5.3.7 (martian addresses) and 5.3.5.1 (limited
    broadcast); RFC 4291 sections 2.5.2, 2.5.3, 2.5.6 and 2.7; RFC 3927
    section 7 (IPv4 link local).
    """
    for address, place, types in ((source, "source", _NO_SOURCE), (destination, "destination", _NO_DESTINATION)):
        kind = address_type(address) if address is not None else ""
        if kind in types:
            return (
                f"{types[kind]} is no {place}" if kind != "link-local unicast" else f"{types[kind]} stays on its link"
            )
    if destination is not None and address_type(destination) == "limited broadcast":
        return "a limited broadcast stays on its link"
    return None


_NO_DESTINATION = {
    "unspecified": "the unspecified address",
    "loopback": "a loopback address",
    "link-local unicast": "a link-local address",
    "this network": "an address of network 0",
    "reserved": "a reserved address",
}
_NO_SOURCE = {**_NO_DESTINATION, "multicast": "a multicast address", "limited broadcast": "a broadcast address"}


def reserved_interface_identifier(address: Address) -> str | None:
    """Return what the low 64 bits of an IPv6 address are reserved for, None where they are free.

    Examples
    --------
    >>> reserved_interface_identifier(Address.parse("2001:db8::ffff:ffff:ffff:ff80"))
    'a reserved subnet anycast address'

    References
    ----------
    RFC 4291 section 2.6.1, RFC 2526 section 2, RFC 6164 section 6.
    """
    if address.version == 4:
        return None
    identifier = address.value & (1 << 64) - 1
    if identifier == 0:
        return "the anycast address of the subnet's routers"
    # RFC 2526 reserves the 128 identifiers from ff80; the ff7f printed in RFC 6164 section 6 (b) would be 129.
    return "a reserved subnet anycast address" if identifier >= 0xFFFF_FFFF_FFFF_FF80 else None
