"""The packets that answer the packets of a set.

Ends are swapped. In TCP the ACK flag is added to the flags. An echo request of
the IP version's ICMP is answered by an echo reply of the same code; its other
messages, its non-initial fragments, whose type cannot be seen, and the ICMP of
the other IP version by nothing.

References
----------
RFC 9293 section 3.10 (a segment that answers has ACK set), RFC 792 page 14 and
RFC 4443 section 4 (echo messages and their types).
"""

from __future__ import annotations

from pathcheck.packet.protocol import ICMP, ICMPV6, TCP
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import ACK
from pathcheck.packetset.bdd import Node
from pathcheck.packetset.encoding import Encoding, own_icmp

__all__ = ["ECHO", "answers"]

ECHO: dict[int, tuple[int, int]] = {4: (8, 0), 6: (128, 129)}
"""Types of echo request and echo reply by IP version."""


def answers(encoding: Encoding, node: Node) -> Node:
    """Return the answers to a set, exactly.

    Raises
    ------
    ValueError
        The layout lacks a bit that an answer needs; no layout of all packets does.
    """
    diagrams, variables = encoding.diagrams, encoding.variables
    addresses = [(variables["source"][bit], variables["destination"][bit]) for bit in variables["source"]]
    words = [(variables["first"][bit], variables["second"][bit]) for bit in variables["first"]]
    tcp = encoding.numbers("protocol", Ranges.single(TCP)) & encoding.whole
    # Type and code stand where the others have a port; those of the other IP version too.
    icmp = encoding.numbers("protocol", Ranges.of((ICMP, ICMP), (ICMPV6, ICMPV6)))

    segments = node & tcp
    if segments != diagrams.false:
        acknowledges = encoding.ternary("flags", ACK, ACK)
        if acknowledges == diagrams.false:
            raise ValueError("a layout without the ACK flag has no answers to TCP")
        segments = segments.exists(diagrams.cube([variables["flags"][ACK.bit_length() - 1]])) & acknowledges
    # Where there are no ports both words are zero, and swapping them changes nothing.
    both_swapped = segments | diagrams.difference(diagrams.difference(node, tcp), icmp)
    answer = both_swapped.substitute(diagrams.swap(addresses + words))

    request, reply = ECHO[encoding.version]
    messages = node & encoding.numbers("protocol", Ranges.single(own_icmp(encoding.version))) & encoding.whole
    echoes = messages & encoding.ternary("second", request << 8, 0xFF00)
    if echoes != diagrams.false:
        replies = encoding.ternary("second", reply << 8, 0xFF00)
        if replies == diagrams.false:
            raise ValueError("a layout without the type of echo replies has no answers to echo requests")
        types = diagrams.cube(variable for bit, variable in variables["second"].items() if bit >= 8)
        answer |= (echoes.exists(types) & replies).substitute(diagrams.swap(addresses))
    return answer
