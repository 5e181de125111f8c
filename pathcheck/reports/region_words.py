"""The fields of packets and regions as words, the same in each report."""

from __future__ import annotations

from collections.abc import Mapping

from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.protocol import ICMP, ICMPV6, TCP, has_ports, protocol_name
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ALL_FLAGS, FLAG_NAMES, FlagMatch

__all__ = ["box_words", "flag_words", "icmp_words", "packet_words", "protocol_words", "row_words"]


def protocol_words(protocols: Ranges | None, version: int) -> str:
    """Return protocols as `any`, a name, or names, numbers and ranges joined by commas."""
    if protocols is None:
        return "any"
    return ",".join(
        protocol_name(low, version) if low == high else f"{low}-{high}" for low, high in protocols.spans
    )  # fmt: skip


def flag_words(match: FlagMatch) -> str:
    """Return alternatives joined by `or`: names with commas for exactly these flags, else `+set` and `-clear` words."""
    alternatives = []
    for care, value in match.cubes:
        if care == ALL_FLAGS:
            alternatives.append(",".join(name for name, bit in FLAG_NAMES.items() if value & bit) or "none")
            continue
        words = [("+" if value & bit else "-") + name for name, bit in FLAG_NAMES.items() if care & bit]
        alternatives.append(" ".join(words) or "any")
    return " or ".join(alternatives) or "none"


def icmp_words(icmp: Ranges) -> str:
    """Return ICMP types and codes: `8` for a type with each code, `3/1` for one code, joined by commas."""
    words = []
    for low, high in icmp.spans:
        if low % 256 == 0 and high % 256 == 255:
            first, last = low >> 8, high >> 8
            words.append(str(first) if first == last else f"{first}-{last}")
            continue
        for kind in range(low >> 8, (high >> 8) + 1):
            first, last = max(low, kind << 8) & 255, min(high, kind << 8 | 255) & 255
            if (first, last) == (0, 255):
                words.append(str(kind))
            else:
                words.append(f"{kind}/{first}" if first == last else f"{kind}/{first}-{last}")
    return ",".join(words)


def box_words(box: Box) -> dict[str, str | bool]:
    """Return a box as the fields of a region; fields that do not narrow it are left out or `any`."""
    words: dict[str, str | bool] = {
        "source": str(box.source),
        "destination": str(box.destination),
        "protocol": protocol_words(box.protocols, box.version),
        "source_port": "any" if box.source_ports is None else str(box.source_ports),
        "destination_port": "any" if box.destination_ports is None else str(box.destination_ports),
    }
    if box.flags is not None:
        words["flags"] = flag_words(box.flags)
    if box.icmp is not None:
        words["icmp"] = icmp_words(box.icmp)
    if box.dscp is not None:
        words["dscp"] = str(box.dscp)
    if box.fragment is not None:
        words["fragment"] = box.fragment
    return words


def row_words(words: Mapping[str, str | bool]) -> str:
    """Return a box, as :func:`box_words` gives it, in one row."""
    ends = [
        f"{words[end]}" + ("" if words[f"{end}_port"] == "any" else f" port {words[f'{end}_port']}")
        for end in ("source", "destination")
    ]
    extra = "".join(f", {key} {words[key]}" for key in ("flags", "icmp", "dscp") if key in words)
    if "fragment" in words:
        extra += ", non-initial fragments" if words["fragment"] else ", no non-initial fragments"
    return f"{words['protocol']} from {ends[0]} to {ends[1]}{extra}"


def packet_words(packet: Packet) -> str:
    """Return one packet in one short phrase."""
    name = protocol_name(packet.protocol, packet.version)
    if packet.fragment or not has_ports(packet.protocol):
        ends = f"{packet.source} to {packet.destination}"
    else:
        ends = (
            f"{_with_port(str(packet.source), packet.source_port)} to "
            f"{_with_port(str(packet.destination), packet.destination_port)}"
        )
    extras = []
    if packet.protocol == TCP and not packet.fragment:
        extras.append(
            "+".join(flag for flag, bit in FLAG_NAMES.items() if packet.flags & bit & ALL_FLAGS) or "no flags"
        )
    if packet.protocol in (ICMP, ICMPV6) and not packet.fragment:
        extras.append(f"type {packet.icmp_type} code {packet.icmp_code}")
    if packet.dscp:
        extras.append(f"dscp {packet.dscp}")
    if packet.fragment:
        extras.append("non-initial fragment")
    return f"{name} {ends}" + (f" ({', '.join(extras)})" if extras else "")


def _with_port(address: str, port: int) -> str:
    """ADDRESS:PORT, an IPv6 address in brackets (RFC 3986 section 3.2.2)."""
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"
