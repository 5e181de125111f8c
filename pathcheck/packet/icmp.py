"""ICMP types and codes by the names that access lists use.

Numbers: RFC 792, RFC 950 appendix I, RFC 1256 section 3, RFC 1812 section
5.2.7.1, RFC 4443 sections 3 and 4, RFC 4861 section 4, RFC 2710 section 3,
RFC 3810 section 5, RFC 6275 section 6, RFC 2894 section 3, and the IANA
registries of ICMP and ICMPv6 parameters. The spellings are from memory, common
practice.

`destination-unreachable` of IPv6 is left out on purpose: some devices mean type
1 by it and some only its code 3, so a line with it stays unread.
"""

from __future__ import annotations

__all__ = ["ICMP_NAMES", "icmp_match", "icmp_name"]

# The first name of a pair is the one that is printed.
_ICMP: dict[str, tuple[int, int | None]] = {
    "echo-reply": (0, None),
    "unreachable": (3, None), "destination-unreachable": (3, None), "net-unreachable": (3, 0),
    "host-unreachable": (3, 1), "protocol-unreachable": (3, 2), "port-unreachable": (3, 3),
    "packet-too-big": (3, 4), "fragmentation-needed": (3, 4), "source-route-failed": (3, 5),
    "network-unknown": (3, 6), "host-unknown": (3, 7), "host-isolated": (3, 8), "dod-net-prohibited": (3, 9),
    "dod-host-prohibited": (3, 10), "net-tos-unreachable": (3, 11), "host-tos-unreachable": (3, 12),
    "administratively-prohibited": (3, 13), "host-precedence-unreachable": (3, 14),
    "precedence-unreachable": (3, 15),
    "source-quench": (4, None),
    "redirect": (5, None), "net-redirect": (5, 0), "host-redirect": (5, 1), "net-tos-redirect": (5, 2),
    "host-tos-redirect": (5, 3),
    "alternate-address": (6, None),
    "echo": (8, None), "echo-request": (8, None),
    "router-advertisement": (9, None), "router-solicitation": (10, None),
    "time-exceeded": (11, None), "ttl-exceeded": (11, 0), "reassembly-timeout": (11, 1),
    "parameter-problem": (12, None), "general-parameter-problem": (12, 0), "option-missing": (12, 1),
    "no-room-for-option": (12, 2),
    "timestamp-request": (13, None), "timestamp-reply": (14, None), "information-request": (15, None),
    "information-reply": (16, None), "mask-request": (17, None), "mask-reply": (18, None),
    "traceroute": (30, None), "conversion-error": (31, None), "mobile-redirect": (32, None),
}  # fmt: skip
_ICMPV6: dict[str, tuple[int, int | None]] = {
    "unreachable": (1, None), "no-route": (1, 0), "no-admin": (1, 1), "administratively-prohibited": (1, 1),
    "beyond-scope": (1, 2), "address-unreachable": (1, 3), "port-unreachable": (1, 4),
    "packet-too-big": (2, None),
    "time-exceeded": (3, None), "hop-limit": (3, 0), "reassembly-timeout": (3, 1),
    "parameter-problem": (4, None), "header": (4, 0), "next-header": (4, 1), "parameter-option": (4, 2),
    "echo-request": (128, None), "echo": (128, None), "echo-reply": (129, None),
    "mld-query": (130, None), "membership-query": (130, None), "mld-report": (131, None),
    "membership-report": (131, None), "mld-reduction": (132, None), "membership-reduction": (132, None),
    "router-solicitation": (133, None), "router-advertisement": (134, None),
    "nd-ns": (135, None), "neighbor-solicitation": (135, None), "nd-na": (136, None),
    "neighbor-advertisement": (136, None), "redirect": (137, None), "neighbor-redirect": (137, None),
    "router-renumbering": (138, None), "renum-command": (138, 0), "renum-result": (138, 1),
    "renum-seq-number": (138, 255), "mldv2": (143, None),
    "dhaad-request": (144, None), "dhaad-reply": (145, None), "mpd-solicitation": (146, None),
    "mpd-advertisement": (147, None),
}  # fmt: skip
ICMP_NAMES: dict[int, dict[str, tuple[int, int | None]]] = {4: _ICMP, 6: _ICMPV6}
"""By IP version: type, and code or None for each code, by name."""

_NAME_BY_MATCH = {
    version: {match: name for name, match in reversed(names.items())} for version, names in ICMP_NAMES.items()
}


def icmp_match(word: str, version: int) -> tuple[int, int | None] | None:
    """Return the type, and the code or None for each code, that a word means; None where it means nothing.

    Parameters
    ----------
    word
        A name in any case, `TYPE`, or `TYPE/CODE`, each number 0..255.
    version
        4 or 6.

    Examples
    --------
    >>> icmp_match("port-unreachable", 4), icmp_match("port-unreachable", 6), icmp_match("3/4", 4)
    ((3, 3), (1, 4), (3, 4))
    """
    type_text, slash, code_text = word.partition("/")
    if type_text.isascii() and type_text.isdigit():
        icmp_type = _octet(type_text)
        code = _octet(code_text) if slash else None
        return None if icmp_type is None or (slash and code is None) else (icmp_type, code)
    return ICMP_NAMES[version].get(word.lower())


def icmp_name(icmp_type: int, code: int | None, version: int) -> str | None:
    """Return the name that :func:`icmp_match` reads back, None where there is none.

    Examples
    --------
    >>> icmp_name(8, None, 4), icmp_name(8, 0, 4)
    ('echo', None)
    """
    return _NAME_BY_MATCH[version].get((icmp_type, code))


def _octet(text: str) -> int | None:
    """0..255."""
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 3 and int(text) <= 255 else None
