"""Wildcard masks that look like a slip of the pen (PC107).

Each rule compares the mask with the address as it is written in front of it, or with
the other masks of the list; none of them knows a subnet. A mask is never changed: the
finding says what it matches, and offers the mask that may have been meant.

A mask whose bits leave a gap is legal, and useful: `0.0.0.254` takes every second
station, `0.255.0.255` one number in the middle of many addresses. Such a mask is a slip
only where the address does not fit it:

netmask
    Its ones stand in front, as those of a netmask, and the address has bits below them.
octet of a netmask
    One octet is 128, 192, 224, 240, 248 or 252, where 255 minus that number makes a
    contiguous mask, and the address is the first of such a block: every address that
    the mask matches begins a block, and beginnings of blocks are no stations. Where
    free octets follow, whole blocks are matched, so the rest of the list or the address
    itself has to speak against it.
gap over a written bit
    The mask frees a bit that the address sets, and its free bits are not contiguous.
octet too far
    The mask is contiguous, but the last octet that the address sets lies wholly below
    it, and behind that octet the address ends in zeros (`10.1.20.0 0.0.255.255`).
alone among contiguous masks
    Three or more other lines of the list have contiguous masks, none has a gap, and
    one octet makes the difference.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from pathcheck.model.access_list import Line
from pathcheck.model.device import Device
from pathcheck.model.object_group import GroupMember, GroupReference
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.queries.line_review.group_members import members_of
from pathcheck.queries.line_review.reviewed_list import ReviewedList
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["Slip", "judge_mask", "wildcard_slips"]

_ALL = 0xFFFF_FFFF
_NETMASK_OCTETS = (128, 192, 224, 240, 248, 252)
"""254 is left out: as a wildcard it means every second address."""
_NEIGHBOURS = 3
"""Other lines with contiguous masks that make a gap look out of place."""
_PAIR = re.compile(
    r"(?<![\d.])(?=(\d{1,3}(?:\.\d{1,3}){3}),?\s+(?:wildcard bits )?(\d{1,3}(?:\.\d{1,3}){3})(?![\d./]))"
)
"""An address and a dotted mask behind it; they may overlap, so that each pair of words is tried."""


@dataclass(frozen=True, slots=True)
class Slip:
    """What is odd about a mask.

    Parameters
    ----------
    why
        One clause that goes on after "the mask ... looks like a slip:".
    meant
        The contiguous match that may have been meant, None where there is no telling.
    """

    why: str
    meant: AddressMatch | None


def wildcard_slips(reviewed: ReviewedList) -> list[Finding]:
    """Return a finding for each mask of a list that looks like a slip, groups included.

    Lists that are used for something else than to filter packets are judged too: a
    mask means the same there. Only IPv4; wildcard masks of IPv6 are hardly written.
    """
    if reviewed.version != 4:
        return []
    found: list[Finding] = []
    lonely = _Neighbours(reviewed)
    for line in reviewed.lines:
        if not isinstance(line, Line) or not (_is_odd(line.source) or _is_odd(line.destination)):
            continue
        for address, mask, place in _pairs(line.span):
            match = AddressMatch.wildcard(address, mask)
            if match not in (line.source, line.destination):
                continue
            slip = judge_mask(address.value, mask.value) or lonely.judge(address.value, mask.value)
            if slip is not None:
                found.append(_finding(reviewed.device, reviewed.access_list.name, place, mask, match, slip))
    for member in _group_members(reviewed):
        for address, mask, place in _pairs(member.span):
            match = AddressMatch.wildcard(address, mask)
            if match == member.value and (slip := judge_mask(address.value, mask.value)) is not None:
                found.append(_finding(reviewed.device, None, place, mask, match, slip))
    return found


def _is_odd(end: AddressMatch | GroupReference) -> bool:
    """Whether a mask has a gap or is so wide that it can be an octet too far: few lines are looked at further."""
    if not isinstance(end, AddressMatch):
        return False
    free = end.care ^ _ALL
    return 0xFFFF <= free < _ALL or free & (free + 1) != 0


@lru_cache(maxsize=16_384)
def judge_mask(address: int, mask: int) -> Slip | None:
    """Judge an IPv4 wildcard mask by the address as written in front of it, both as numbers.

    Examples
    --------
    >>> number = lambda text: Address.parse(text).value
    >>> str(judge_mask(number("198.51.100.0"), number("0.0.0.252")).meant)
    '198.51.100.0/30'
    >>> judge_mask(number("10.1.20.1"), number("0.0.0.254")) is None
    True
    """
    if not mask & (mask + 1):
        return _octet_too_far(address, mask) if mask != _ALL else None
    inverse = mask ^ _ALL
    if not inverse & (inverse + 1):
        # The ones stand in front. Without address bits below them it is a wildcard on purpose, as in `0.0.0.1
        # 255.255.255.0` for the first station of every subnet.
        if not address & mask:
            return None
        return Slip("it is a netmask, where a wildcard mask belongs", _prefix(address, inverse))
    if _is_on_purpose(mask):
        return None
    return _netmask_octet(address, mask) or _written_gap(address, mask)


def _octet_too_far(address: int, mask: int) -> Slip | None:
    """A contiguous mask that frees an octet which the address sets, and zeros behind it."""
    below = address & mask
    if not below:
        return None
    octet = next(index for index in range(4) if address >> 8 * index & 255)  # counted from the last
    if octet == 0 or mask < (1 << 8 * (octet + 1)) - 1:
        return None
    return Slip(
        f"it frees the octet {address >> 8 * octet & 255}, which the address sets",
        _prefix(address, (1 << 8 * octet) - 1),
    )


def _is_on_purpose(mask: int) -> bool:
    """Whether the shape of a mask with a gap is one that is written on purpose.

    Every second address or subnet of a block (`0.0.7.254`, `0.0.6.255`), or whole octets in several places
    (`0.255.0.255`).
    """
    if any(not (whole := mask | 1 << bit) & (whole + 1) for bit in (0, 8, 16)):
        return True
    octets = _octets(mask)
    runs = "".join("1" if octet else "0" for octet in octets).split("0")
    return all(octet in (0, 255) for octet in octets) and sum(bool(run) for run in runs) > 1


def _netmask_octet(address: int, mask: int) -> Slip | None:
    """One octet of a netmask among octets of a wildcard mask, in front of the first address of a block."""
    octets = _octets(mask)
    place = next(index for index, octet in enumerate(octets) if octet)
    octet, behind = octets[place], octets[place + 1 :]
    if octet not in _NETMASK_OCTETS or any(other not in (0, 255) for other in behind) or len(set(behind)) > 1:
        return None
    meant = (1 << 8 * (4 - place)) - 1 >> octet.bit_count()
    if address & meant or (255 in behind and not address & mask):
        return None
    return Slip(
        f"{octet} is an octet of a netmask; {255 - octet} is that of the wildcard mask", _prefix(address, meant)
    )


def _written_gap(address: int, mask: int) -> Slip | None:
    """A mask with a gap that frees a bit which the address sets."""
    if not address & mask:
        return None
    fitting = [wildcard for length in range(1, 33) if not address & (wildcard := _ALL >> length)]
    # The likely meaning keeps most octets of the mask, in their places or one off; then the one that frees most.
    octets = _octets(mask)
    best = min(fitting, key=lambda wildcard: (_differing(octets, _octets(wildcard)), -wildcard), default=None)
    near = best is not None and _differing(octets, _octets(best)) <= 2
    return Slip(
        "it leaves a gap and frees bits that the address sets",
        _prefix(address, best) if near and best is not None else None,
    )


class _Neighbours:
    """The masks of the other lines of a list, as a measure of what is usual there."""

    def __init__(self, reviewed: ReviewedList) -> None:
        self._reviewed = reviewed
        self._usual: bool | None = None

    def judge(self, address: int, mask: int) -> Slip | None:
        """Judge a mask with a gap that nothing else speaks against, None where others have gaps too."""
        if not mask & (mask + 1) or _is_on_purpose(mask) or address & mask or not self._contiguous_elsewhere(mask):
            return None
        octets = _octets(mask)
        fitting = [
            wildcard
            for length in range(1, 33)
            if not address & (wildcard := _ALL >> length) and _differing(octets, _octets(wildcard)) == 1
        ]
        if not fitting:
            return None
        return Slip("it leaves a gap, and all other masks of the list are contiguous", _prefix(address, max(fitting)))

    def _contiguous_elsewhere(self, mask: int) -> bool:
        """Whether enough other masks are contiguous and none has a gap."""
        if self._usual is None:
            contiguous, gaps = 0, set()
            for line in self._reviewed.lines:
                if isinstance(line, Line):
                    for end in (line.source, line.destination):
                        if isinstance(end, AddressMatch) and 0 < end.free < _ALL:
                            if end.free & (end.free + 1):
                                gaps.add(end.free)
                            else:
                                contiguous += 1
            self._usual = contiguous >= _NEIGHBOURS and gaps == {mask}
        return self._usual


def _finding(device: Device, acl: str | None, place: Span, mask: Address, match: AddressMatch, slip: Slip) -> Finding:
    """The finding on one mask, with what it matches and what may have been meant."""
    message = f"the wildcard mask `{mask}` looks like a slip: {slip.why}; it matches {_addresses(match)}"
    help_text = "write the mask that is meant, or say in a remark why this one is"
    if slip.meant is not None:
        prefix = slip.meant.as_prefix()
        both = _common(match, slip.meant)
        share = "all" if both == slip.meant.size else f"only {both:,}" if both else "none"
        message += f"; of the {slip.meant.size:,} in {prefix}, {share}"
        wildcard = Address(4, slip.meant.free)
        help_text = f"if {prefix} is meant, write `{Address(4, slip.meant.value)} {wildcard}`; else say why in a remark"
    return finding("PC107", message, span=place, device=device.name, acl=acl, help=help_text)


def _addresses(match: AddressMatch) -> str:
    """How many addresses match, and the first of them."""
    shown = [str(Address(4, value)) for value in _first_members(match, 3)]
    if match.size <= 3:
        return f"{match.size} addresses ({' and '.join(shown)})"
    return f"{match.size:,} addresses ({', '.join(shown)} and so on)"


def _first_members(match: AddressMatch, count: int) -> Iterator[int]:
    """The lowest addresses of a match, at most `count`."""
    value, free = 0, match.free
    for _ in range(min(count, match.size)):
        yield match.value | value
        value = ((value | ~free) + 1) & free  # the next number among the free bits


def _common(one: AddressMatch, other: AddressMatch) -> int:
    """How many addresses two matches share."""
    return 1 << (one.free & other.free).bit_count() if one.overlaps(other) else 0


def _group_members(reviewed: ReviewedList) -> Iterator[GroupMember]:
    """The members of the address groups that a list's lines refer to, each once."""
    seen: set[str] = set()
    for line in reviewed.lines:
        if isinstance(line, Line):
            for end in (line.source, line.destination):
                if isinstance(end, GroupReference) and end.name not in seen:
                    seen.add(end.name)
                    yield from members_of(reviewed.device, end)


def _pairs(span: Span) -> Iterator[tuple[Address, Address, Span]]:
    """Each address with the dotted mask behind it that stands in a line, and where the mask stands."""
    for found in _PAIR.finditer(span.text):
        try:
            address, mask = Address.parse(found[1]), Address.parse(found[2])
        except ValueError:
            continue
        yield address, mask, span.at(found.start(2) + 1, found.end(2) + 1)


def _octets(mask: int) -> tuple[int, int, int, int]:
    """The four octets, the first one first."""
    return mask >> 24, mask >> 16 & 255, mask >> 8 & 255, mask & 255


def _differing(one: tuple[int, ...], other: tuple[int, ...]) -> int:
    """In how many octets two masks differ; the same octets one place off count as one."""
    if other in ((*one[1:], 0), (0, *one[:-1])):
        return 1
    return sum(a != b for a, b in zip(one, other, strict=True))


def _prefix(address: int, wildcard: int) -> AddressMatch:
    """The match of an address with a contiguous wildcard mask."""
    return AddressMatch.prefix(Prefix.containing(Address(4, address), 32 - wildcard.bit_length()))
