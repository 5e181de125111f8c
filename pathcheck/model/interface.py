"""An interface: its addresses, its lists, its place in layer 2."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from pathcheck.model.access_list import ListBinding
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.source import Span

__all__ = ["AddressRole", "Interface", "InterfaceAddress", "InterfaceKind", "SwitchPort", "interface_kind"]

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
            return kind
    return "subinterface" if "." in name else "physical"


_KIND_BY_START: tuple[tuple[str, InterfaceKind], ...] = (
    ("vlan", "svi"), ("loopback", "loopback"), ("tunnel", "tunnel"), ("management", "management"),
    ("mgmt", "management"), ("null", "discard"), ("bvi", "svi"),
)  # fmt: skip
