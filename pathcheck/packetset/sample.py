"""One natural packet of a set, the same one for equal sets.

The set is narrowed wish by wish; a wish that would leave nothing is dropped.
First come the caller's wishes. Then: no non-initial fragment; TCP, UDP or
ICMP, in this order, else the lowest protocol number; DSCP 0; in TCP the flags
of a new connection, else of an established one; source port 49152, else the
lowest of the dynamic ports (RFC 6335 section 6: 49152 to 65535), else the
lowest; the lowest destination port but 0; an echo request; a source and a
destination that can be of a single station and are not the same; of these the
lowest that looks like no network or broadcast address.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pathcheck.packet.packet import Packet
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import ICMP, PORT_PROTOCOLS, TCP, UDP
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK, SYN
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.bdd import Node
from pathcheck.packetset.encoding import Encoding, Field, own_icmp
from pathcheck.packetset.reply import ECHO

__all__ = ["natural_packet"]

_DYNAMIC = Ranges.of((49152, 65535))
_UNICAST: dict[int, tuple[str, ...]] = {
    # RFC 6890 section 2.2.2: 0.0.0.0/8 and 127.0.0.0/8 are never seen between hosts; RFC 5771 section 3: 224.0.0.0/4
    # is multicast; RFC 1112 section 4: 240.0.0.0/4 is reserved.
    4: (
        "1.0.0.0/8", "2.0.0.0/7", "4.0.0.0/6", "8.0.0.0/5", "16.0.0.0/4", "32.0.0.0/3", "64.0.0.0/3", "96.0.0.0/4",
        "112.0.0.0/5", "120.0.0.0/6", "124.0.0.0/7", "126.0.0.0/8", "128.0.0.0/2", "192.0.0.0/3",
    ),
    # RFC 4291 section 2.4 (global unicast as assigned so far) and RFC 4193 section 3.1.
    6: ("2000::/3", "fc00::/7"),
}  # fmt: skip


def natural_packet(encoding: Encoding, node: Node, prefer: Sequence[Node] = ()) -> Packet | None:
    """Return a packet of the set, None of an empty one."""
    if node == encoding.diagrams.false:
        return None
    choice = _Choice(encoding, node)
    for wish in prefer:
        choice.narrow(wish)
    choice.narrow(encoding.whole)
    for protocol in (TCP, UDP, own_icmp(encoding.version)):
        if choice.narrow(encoding.numbers("protocol", Ranges.single(protocol))):
            break
    values: dict[Field, int] = {"protocol": choice.lowest("protocol")}
    values["fragment"] = choice.lowest("fragment")
    values["dscp"] = choice.lowest("dscp")
    if values["protocol"] == TCP:
        for flags in (SYN, ACK):
            if choice.narrow(encoding.ternary("flags", flags, 255)):
                break
    values["flags"] = choice.lowest("flags")
    if values["protocol"] in PORT_PROTOCOLS:
        choice.narrow(encoding.numbers("first", _DYNAMIC))
        choice.narrow(encoding.numbers("second", Ranges.of((1, 65535))))
    elif values["protocol"] in (ICMP, own_icmp(encoding.version)):
        choice.narrow(encoding.numbers("second", Ranges.single(ECHO[encoding.version][0] << 8)))
    values["first"] = choice.lowest("first")
    values["second"] = choice.lowest("second")
    values["source"] = choice.station("source")
    choice.narrow(~encoding.point({"destination": values["source"]}))
    values["destination"] = choice.station("destination")
    return encoding.packet(values)


@dataclass(slots=True)
class _Choice:
    """What is left of a set while a packet is chosen; never empty."""

    encoding: Encoding
    left: Node

    def narrow(self, wish: Node) -> bool:
        """Keep only what meets the wish, if there is any; tell whether."""
        narrower = self.left & wish
        if narrower == self.encoding.diagrams.false:
            return False
        self.left = narrower
        return True

    def lowest(self, field: Field) -> int:
        """Settle on the lowest number of a field."""
        values = self.encoding.project(self.left, field)
        return self._settle(field, sum(value << bit for bit, value in self.encoding.lowest(values, field)))

    def station(self, field: Field) -> int:
        """Settle on an address, the lowest that looks like a host's."""
        encoding = self.encoding
        addresses = encoding.project(self.left, field)
        for wish in (
            encoding.remembered(("unicast", field), lambda: _unicast(encoding, field)),
            encoding.remembered(("no border", field), lambda: _no_border(encoding, field)),
        ):
            narrower = addresses & wish
            if narrower != encoding.diagrams.false:
                addresses = narrower
        address = sum(value << bit for bit, value in encoding.lowest(addresses, field))
        # A block of four that is whole in the set may be a subnet, and its first address that of the subnet.
        block = encoding.ternary(field, address, ~3)
        if not address & 3 and encoding.diagrams.difference(block, addresses) == encoding.diagrams.false:
            address |= 1
        return self._settle(field, address)

    def _settle(self, field: Field, value: int) -> int:
        self.left &= self.encoding.point({field: value})
        return value


def _unicast(encoding: Encoding, field: Field) -> Node:
    """Return the addresses that a station can have."""
    united = encoding.diagrams.false
    for text in _UNICAST[encoding.version]:
        united |= encoding.address(field, AddressMatch.prefix(Prefix.parse(text)))
    return united


def _no_border(encoding: Encoding, field: Field) -> Node:
    """Return the addresses that are neither first nor last of the subnets that are most usual."""
    # Common practice, no source: a /24 in IPv4, a /64 in IPv6.
    host = 255 if encoding.version == 4 else (1 << 64) - 1
    borders = encoding.ternary(field, 0, host)
    if encoding.version == 4:
        borders |= encoding.ternary(field, host, host)
    return ~borders
