"""IP protocol names and numbers.

The names are those of ``/etc/protocols`` (Debian netbase 6.4, after the IANA
registry of protocol numbers) and the further spellings that access lists use
(`ahp`, `ipinip`, `nos`, `pcp`, `icmp6`; spellings from memory, common practice).

`ip` and `ipv6` are not here: in an access list they mean each protocol, never
the numbers 0 and 41 that ``/etc/protocols`` gives them.
"""

from __future__ import annotations

__all__ = [
    "ANY_PROTOCOL_WORDS",
    "ICMP",
    "ICMPV6",
    "PORT_PROTOCOLS",
    "PROTOCOL_NAMES",
    "SCTP",
    "TCP",
    "UDP",
    "has_ports",
    "protocol_name",
    "protocol_number",
]

ICMP, TCP, UDP, ICMPV6, SCTP = 1, 6, 17, 58, 132
PORT_PROTOCOLS = (TCP, UDP, SCTP)
"""Protocols whose ports an access list can name."""

ANY_PROTOCOL_WORDS = frozenset({"ip", "ipv6"})
"""Words that stand in the place of a protocol and mean each protocol of the list's IP version."""

PROTOCOL_NAMES: dict[str, int] = {
    # The first name of a number is the one that is printed; access lists' own spelling comes first.
    "hopopt": 0, "icmp": 1, "igmp": 2, "ggp": 3, "ipinip": 4, "ipencap": 4, "ip-encap": 4, "st": 5, "tcp": 6,
    "egp": 8, "igp": 9, "pup": 12, "udp": 17, "hmp": 20, "xns-idp": 22, "rdp": 27, "iso-tp4": 29, "dccp": 33,
    "xtp": 36, "ddp": 37, "idpr-cmtp": 38, "ipv6-route": 43, "ipv6-frag": 44, "idrp": 45, "rsvp": 46, "gre": 47,
    "esp": 50, "ipsec-esp": 50, "ahp": 51, "ah": 51, "ipsec-ah": 51, "skip": 57, "icmpv6": 58, "icmp6": 58,
    "ipv6-icmp": 58, "ipv6-nonxt": 59, "ipv6-opts": 60, "rspf": 73, "cphb": 73, "vmtp": 81, "eigrp": 88,
    "ospf": 89, "ospfigp": 89, "ax.25": 93, "nos": 94, "ipip": 94, "etherip": 97, "encap": 98, "pim": 103,
    "pcp": 108, "ipcomp": 108, "vrrp": 112, "l2tp": 115, "isis": 124, "sctp": 132, "fc": 133,
    "mobility-header": 135, "udplite": 136, "mpls-in-ip": 137, "manet": 138, "hip": 139, "shim6": 140, "wesp": 141,
    "rohc": 142, "ethernet": 143,
}  # fmt: skip
"""Number by name, as in IPv4; in IPv6 `icmp` is 58 (see :func:`protocol_number`)."""

_NAME_BY_NUMBER: dict[int, str] = {number: name for name, number in reversed(PROTOCOL_NAMES.items())}


def has_ports(protocol: int) -> bool:
    """Whether packets of the protocol carry ports that a list can see."""
    return protocol in PORT_PROTOCOLS


def protocol_number(word: str, version: int) -> int | None:
    """Return the number of a protocol given by name or in decimal, None where it is neither.

    Parameters
    ----------
    word
        A name in any case, or 0..255.
    version
        4 or 6: in IPv6 the name `icmp` means ICMPv6. The decimal 1 stays 1.

    Examples
    --------
    >>> protocol_number("icmp", 4), protocol_number("icmp", 6), protocol_number("112", 4)
    (1, 58, 112)
    >>> protocol_number("ip", 4) is None
    True
    """
    if word.isascii() and word.isdigit():
        return int(word) if len(word) <= 3 and int(word) <= 255 else None
    name = word.lower()
    if version == 6 and name == "icmp":
        return ICMPV6
    return PROTOCOL_NAMES.get(name)


def protocol_name(number: int, version: int) -> str:
    """Return the name that :func:`protocol_number` reads back in that IP version; the decimal where there is none.

    Examples
    --------
    >>> protocol_name(6, 4), protocol_name(58, 6), protocol_name(1, 6), protocol_name(200, 4)
    ('tcp', 'icmp', '1', '200')
    """
    if version == 6 and number == ICMPV6:
        return "icmp"
    if version == 6 and number == ICMP:
        return "1"
    return _NAME_BY_NUMBER.get(number, str(number))
