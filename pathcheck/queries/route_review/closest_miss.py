"""The connected subnet that a next hop misses most closely."""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.model.device import Device
from pathcheck.network.reachability import Network
from pathcheck.packet.address import WIDTH, Address
from pathcheck.packet.prefix import Prefix
from pathcheck.source import Span

__all__ = ["Miss", "closest_miss"]


@dataclass(frozen=True, slots=True)
class Miss:
    """How far a next hop is from a subnet.

    Parameters
    ----------
    meant
        The address on the subnet with the next hop's own bits behind the subnet's length.
    octets, bits
        In how many octets and bits of the subnet's part the next hop differs.
    owner
        The device of the fleet that has `meant`, None where none does.
    """

    meant: Address
    subnet: Prefix
    interface: str
    span: Span
    octets: int
    bits: int
    owner: str | None

    @property
    def words(self) -> str:
        """The miss in words."""
        octets = "one octet" if self.octets == 1 else f"{self.octets} octets"
        bits = "1 bit" if self.bits == 1 else f"{self.bits} bits"
        owner = f", which {self.owner} owns" if self.owner else ""
        return f"it is {octets} ({bits}) off {self.subnet} on `{self.interface}`, where `{self.meant}` would be{owner}"


def closest_miss(network: Network, device: Device, vrf: str | None, next_hop: Address) -> Miss | None:
    """Return the subnet of a table, up or down, that an address misses most closely; None where there is none.

    Notes
    -----
    Octets are compared first, because people mistype one of them; then a subnet on which
    another device of the fleet has the address that would be meant, then bits, then the
    longer subnet.
    """
    found: list[tuple[tuple[int, bool, int, int], Miss]] = []
    width = WIDTH[next_hop.version]
    for interface in device.interfaces.values():
        if interface.vrf != vrf or interface.kind == "loopback":
            continue
        for item in interface.addresses:
            subnet = item.prefix
            if subnet.version != next_hop.version or item.role == "link-local" or not 0 < subnet.length < width:
                continue
            differing = (next_hop.value ^ subnet.value) & subnet.netmask
            meant = Address(next_hop.version, subnet.value | (next_hop.value & subnet.hostmask))
            if not differing or meant == item.address:
                continue
            octets = sum(1 for shift in range(0, width, 8) if differing >> shift & 255)
            owners = [owner.device for owner in network.topology.owners(meant) if owner.device != device.name]
            bits = differing.bit_count()
            miss = Miss(meant, subnet, interface.name, item.span, octets, bits, owners[0] if owners else None)
            found.append(((octets, not owners, bits, -subnet.length), miss))
    return min(found, key=lambda one: one[0])[1] if found else None
