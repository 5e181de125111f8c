"""The forms in which a line names addresses, and what a dotted mask means.

A dotted mask is the best-hidden trap of access lists: `10.1.2.0 255.255.255.0`
is a prefix for a reader and each address that ends in .0 for a device that
takes wildcard masks. The reading is decided by the setting `dotted_mask`, never
guessed, and each mask that could be meant otherwise is noted.
"""

from __future__ import annotations

import socket
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from pathcheck.packet.address import WIDTH, Address, IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.wildcard import AddressMatch

__all__ = ["FormFault", "MaskReading", "Note", "dotted_match", "host_match", "masked_match", "prefix_match"]

MaskReading = Literal["wildcard", "netmask", "decide"]

_FULL = {4: (1 << 32) - 1, 6: (1 << 128) - 1}


@dataclass(frozen=True, slots=True)
class Note:
    """Something to be said about an address form: a code of the catalogue and the words for it."""

    code: str
    message: str
    help: str | None = None


class FormFault(ValueError):  # noqa: N818 - becomes a finding, never leaves the room
    """A value that is none; `part` is 0 for the address and 1 for the mask."""

    def __init__(self, part: int, message: str, help: str | None = None) -> None:
        super().__init__(message)
        self.part = part
        self.help = help


def number_of(text: str, part: int = 0) -> int:
    """Return an address in text as a number."""
    try:
        if ":" in text:
            return int.from_bytes(socket.inet_pton(socket.AF_INET6, text), "big")
        return int.from_bytes(socket.inet_pton(socket.AF_INET, text), "big")
    except (OSError, ValueError):
        pass
    try:
        return Address.parse(text).value
    except ValueError as fault:
        raise FormFault(part, str(fault)) from None


@lru_cache(maxsize=4096)
def host_match(text: str) -> AddressMatch:
    """ADDRESS: one address."""
    return AddressMatch.host(Address(6 if ":" in text else 4, number_of(text)))


@lru_cache(maxsize=4096)
def prefix_match(text: str) -> tuple[AddressMatch, Note | None]:
    """ADDRESS/LENGTH: the prefix; host bits count as zero and are noted."""
    address_text, _, length_text = text.partition("/")
    version: IPVersion = 6 if ":" in text else 4
    value, length = number_of(address_text), int(length_text)
    if length > WIDTH[version]:
        raise FormFault(0, f"`{text}` is no IPv{version} prefix: its length is above {WIDTH[version]}")
    prefix = Prefix.containing(Address(version, value), length)
    note = None
    if prefix.value != value:
        note = Note("PC406", f"`{text}` has host bits set behind its length, which count as zero", f"write `{prefix}`")
    return AddressMatch.prefix(prefix), note


@lru_cache(maxsize=4096)
def masked_match(text: str) -> tuple[AddressMatch, Note | None]:
    """ADDRESS/NETMASK: the prefix; a mask behind a slash is always a netmask."""
    address_text, _, mask_text = text.partition("/")
    value, mask = number_of(address_text), number_of(mask_text)
    if not _is_netmask(mask, 4):
        raise FormFault(0, f"`{mask_text}` behind a slash is no netmask", _netmask_help(mask))
    return _as_netmask(value, mask, address_text, mask_text)


_MASKS: dict[str, int] = {}


def dotted_match(address_text: str, mask_text: str, reading: MaskReading) -> tuple[AddressMatch, tuple[Note, ...]]:
    """ADDRESS MASK: a wildcard mask or a netmask, as the setting says.

    Raises
    ------
    FormFault
        A value is no address, or the setting asks for a netmask and it is none.
    """
    version: IPVersion = 6 if ":" in address_text else 4
    value = number_of(address_text)
    mask = _MASKS.get(mask_text)
    if mask is None:
        mask = number_of(mask_text, 1)
        if len(_MASKS) > 4096:
            _MASKS.clear()
        _MASKS[mask_text] = mask
    full = _FULL[version]
    if reading == "wildcard" and not mask & value and not mask >> (WIDTH[version] - 1):
        # No bit below the mask and nothing that looks like a netmask: nearly every line.
        if mask or value:
            return AddressMatch(version, value, mask ^ full), ()
        return AddressMatch(version, 0, full), (_zero_mask_note(version),)
    if version == 6:
        return _as_wildcard(value, mask, version, address_text, mask_text, ())
    if reading == "netmask":
        if not _is_netmask(mask, version):
            message = f"`{mask_text}` is no netmask, which the setting `dotted_mask` asks for"
            raise FormFault(1, message, "set `assume: {dotted_mask: wildcard}` if it is a wildcard mask")
        match, note = _as_netmask(value, mask, address_text, mask_text)
        return match, (note,) if note else ()
    as_netmask, as_wildcard = _is_netmask(mask, version), not mask & (mask + 1)
    if reading == "decide":
        if as_netmask and as_wildcard:
            # All zeros and all ones are both; the reading without address bits below the mask is the likelier.
            netmask_fits, wildcard_fits = not value & ~mask & full, not value & mask
            take_netmask = netmask_fits and not wildcard_fits
            taken = "a netmask" if take_netmask else "a wildcard mask"
            message = f"`{mask_text}` can be a netmask and a wildcard mask; it was taken as {taken}"
            note = Note("PC407", message, "write `any` or `host`")
            match = _as_netmask(value, mask, "", "")[0] if take_netmask else AddressMatch.wildcard(
                Address(4, value), Address(4, mask)
            )  # fmt: skip
            return match, (note,)
        if as_netmask:
            match, bits = _as_netmask(value, mask, address_text, mask_text)
            return match, (bits,) if bits else ()
        return _as_wildcard(value, mask, version, address_text, mask_text, ())
    notes: tuple[Note, ...] = ()
    if as_netmask and mask not in (0, full):
        prefix = Prefix.containing(Address(4, value), mask.bit_count())
        wildcard = Address(4, mask ^ full)
        message = f"`{mask_text}` looks like a netmask and was read as a wildcard mask: {_free_bits_words(mask)}"
        cure = f"for the prefix {prefix} write `{prefix.first} {wildcard}`"
        notes = (Note("PC407", message, cure),)
    elif mask == full and value:
        message = f"`{mask_text}` was read as a wildcard mask: each address matches"
        notes = (Note("PC407", message, f"write `host {address_text}` or `any`"),)
    return _as_wildcard(value, mask, version, address_text, mask_text, notes)


def _zero_mask_note(version: IPVersion) -> Note:
    """Say what an address of zeros with a mask of zeros matches."""
    zero = Address(version, 0)
    message = f"`{zero} {zero}` was read as an address with a wildcard mask: it matches the one address `{zero}`"
    return Note("PC407", message, "write `any` if each address is meant")


def _as_wildcard(
    value: int, mask: int, version: IPVersion, address_text: str, mask_text: str, notes: tuple[Note, ...]
) -> tuple[AddressMatch, tuple[Note, ...]]:
    """Take the mask as a wildcard mask."""
    match = AddressMatch.wildcard(Address(version, value), Address(version, mask))
    if match.value != value and not notes:
        message = f"`{address_text}` has bits set that the wildcard mask `{mask_text}` leaves free; they count as zero"
        cure = "write `any`" if match.is_any else f"write `{Address(version, match.value)} {mask_text}`"
        notes = (Note("PC406", message, cure),)
    return match, notes


def _as_netmask(value: int, mask: int, address_text: str, mask_text: str) -> tuple[AddressMatch, Note | None]:
    """Take the mask as a netmask."""
    match = AddressMatch(4, value & mask, mask)
    note = None
    if match.value != value:
        message = f"`{address_text}` has host bits set behind the netmask `{mask_text}`, which count as zero"
        note = Note("PC406", message, f"write `{Address(4, match.value)}`")
    return match, note


def _is_netmask(mask: int, version: IPVersion) -> bool:
    """Whether the ones of a mask stand before its zeros; all zeros and all ones count."""
    inverse = mask ^ _FULL[version]
    return not inverse & (inverse + 1)


def _netmask_help(mask: int) -> str | None:
    """Say what a wildcard mask would be as a netmask."""
    return f"the netmask would be `{Address(4, mask ^ _FULL[4])}`" if not mask & (mask + 1) else None


def _free_bits_words(mask: int) -> str:
    """Say what a netmask leaves to be compared when it is read as a wildcard mask."""
    octets = [mask >> shift & 255 for shift in (24, 16, 8, 0)]
    compared = [index for index, octet in enumerate(octets) if octet != 255]
    if all(octets[index] == 0 for index in compared):
        if compared == [3]:
            return "it compares the last octet only"
        return f"it compares the last {len(compared)} octets only"
    return f"it compares the last {32 - mask.bit_count()} bits only"
