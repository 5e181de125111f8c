"""An interface: its addresses, its lists, its place in layer 2."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

from pathcheck.model.access_list import ListBinding
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.source import Span

__all__ = [
    "AddressRole",
    "Interface",
    "InterfaceAddress",
    "InterfaceKind",
    "SwitchPort",
    "canonical_name",
    "interface_kind",
]

InterfaceKind = Literal[
    "physical", "subinterface", "svi", "loopback", "port-channel", "tunnel", "management", "discard"
]
AddressRole = Literal["primary", "secondary", "link-local", "virtual"]


@dataclass(frozen=True, slots=True)
class InterfaceAddress:
    """An address with the length of its subnet.

    A `virtual` address is one that several devices own together (a redundant
    gateway); where its text gives no length, it takes the one of the
    interface's subnet that holds it, else the full length.
    """

    address: Address
    length: int
    role: AddressRole = "primary"
    span: Span = field(compare=False, kw_only=True)

    @property
    def prefix(self) -> Prefix:
        """The subnet."""
        return Prefix.containing(self.address, self.length)


@dataclass(frozen=True, slots=True)
class SwitchPort:
    """What a switch port does with VLANs.

    Parameters
    ----------
    mode
        `access`, `trunk`, `dynamic`, or None where the text does not say.
    access_vlan
        None where the text does not say (VLAN 1).
    voice_vlan
        A second, tagged VLAN of an access port.
    allowed
        VLANs that a trunk carries; None where the text gives no list (all).
    native
        VLAN of untagged frames on a trunk; None where the text does not say (VLAN 1).
    spans
        Where each of `mode`, `access`, `allowed`, `native` stands.
    """

    mode: Literal["access", "trunk", "dynamic"] | None = None
    access_vlan: int | None = None
    voice_vlan: int | None = None
    allowed: Ranges | None = None
    native: int | None = None
    spans: tuple[tuple[str, Span], ...] = field(default=(), compare=False)


@dataclass(frozen=True, slots=True)
class Interface:
    """One interface under its full name.

    Parameters
    ----------
    name
        Canonical, as `Ethernet1`, `Vlan20`, `GigabitEthernet0/1.20`.
    vrf
        Name of the VRF, None for the global table.
    shutdown
        Whether the text shuts it down.
    switch_port
        None on a routed interface. A physical port or port channel without an
        address and with switch-port lines, or listed under a VLAN, is one.
    routed
        Whether the text says `no switchport`.
    vlan
        The VLAN of an SVI, or the one that a sub-interface's encapsulation names.
    untagged
        Whether a sub-interface's encapsulation is the native one.
    channel_group
        Number of the port channel that it is a member of.
    borrowed
        The interface whose address it uses (`unnumbered`), by canonical name.
    unknown_address
        Where the text says that the address comes from elsewhere (DHCP,
        negotiation); its connected route is then not known.
    ipv6_enabled
        Whether the text turns on IPv6 without an address.
    """

    name: str
    kind: InterfaceKind
    vrf: str | None = None
    description: str = ""
    addresses: tuple[InterfaceAddress, ...] = ()
    bindings: tuple[ListBinding, ...] = ()
    shutdown: bool = False
    switch_port: SwitchPort | None = None
    routed: bool = False
    vlan: int | None = None
    untagged: bool = False
    channel_group: int | None = None
    borrowed: str | None = None
    unknown_address: Span | None = field(default=None, compare=False)
    ipv6_enabled: bool = False
    shutdown_span: Span | None = field(default=None, compare=False)
    span: Span = field(compare=False, kw_only=True)

    @property
    def parent(self) -> str | None:
        """The interface that a sub-interface stands on."""
        return self.name.rpartition(".")[0] if self.kind == "subinterface" else None


def interface_kind(name: str) -> InterfaceKind:
    """Return the kind that a canonical name tells (common practice, no source)."""
    word = name.lower()
    for start, kind in _KIND_BY_START:
        if word.startswith(start):
            return "subinterface" if "." in name and kind == "port-channel" else kind
    return "subinterface" if "." in name else "physical"


_KIND_BY_START: tuple[tuple[str, InterfaceKind], ...] = (
    ("vlan", "svi"), ("loopback", "loopback"), ("tunnel", "tunnel"), ("management", "management"),
    ("mgmt", "management"), ("null", "discard"), ("bvi", "svi"), ("bdi", "svi"), ("port-channel", "port-channel"),
    ("bundle-ether", "port-channel"), ("lag", "port-channel"), ("nve", "tunnel"), ("vxlan", "tunnel"),
)  # fmt: skip


@lru_cache(maxsize=65_536)
def canonical_name(text: str) -> str:
    """Return the full name of an interface: type word written out, no blanks, letter case as usual.

    Parameters
    ----------
    text
        A name or a short form of it, as `gi0/1`, `Vlan 20`, `PORT-CHANNEL 3`.
        A name without a type word (`1/1/9`) stays as it is, and so does a type
        word that is not known, but for its letter case.

    Examples
    --------
    >>> [canonical_name(name) for name in ("gi0/1.20", "vlan 20", "Po3", "eth1", "1/1/9", "mgmt0")]
    ['GigabitEthernet0/1.20', 'Vlan20', 'Port-channel3', 'Ethernet1', '1/1/9', 'mgmt0']
    """
    found = _NAME.fullmatch(text.strip())
    if found is None:
        return text.strip()
    word, number = found[1].lower(), re.sub(r"\d+", lambda digits: digits[0].lstrip("0") or "0", found[2])
    return _type_word(word) + number


def _type_word(word: str) -> str:
    """Return the full spelling of a type word or of a short form of it."""
    for name in _TYPE_WORDS:
        if name.lower() == word:
            return name
    for name in _TYPE_WORDS:
        if name.lower().startswith(word):
            return name
    return word[:1].upper() + word[1:]


_NAME = re.compile(r"([A-Za-z][A-Za-z-]*?) *(\d[\d/.:]*|)")

_TYPE_WORDS = (
    # Of two words with the same beginning the more common one stands first (common practice, no source).
    "Ethernet", "FastEthernet", "GigabitEthernet", "TenGigabitEthernet", "TenGigE", "TwoGigabitEthernet",
    "TwentyFiveGigE", "TwentyFiveGigabitEthernet", "FiveGigabitEthernet", "FortyGigabitEthernet", "FortyGigE",
    "FiftyGigE", "HundredGigE", "HundredGigabitEthernet", "TwoHundredGigE", "FourHundredGigE", "AppGigabitEthernet",
    "Vlan", "Loopback", "Port-channel", "Serial", "Tunnel", "Null", "mgmt", "Management", "MgmtEth", "BVI", "BDI",
    "Bundle-Ether", "lag", "Dialer", "Multilink", "Cellular", "ATM", "POS", "Async", "Group-Async",
    "Virtual-Template", "Virtual-Access", "Embedded-Service-Engine", "Wlan-GigabitEthernet", "nve", "Vxlan",
)  # fmt: skip
