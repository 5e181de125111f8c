"""How fast the kernel's packet filter decides packets by the lines of a list.

The packets are sent by this process in a namespace without a name, which is gone
when it is let go. They leave by a wire at whose end nobody takes them; on the way
out they meet the rules. Each rule ends the search and lets the packet go, whatever
the line does, so that the sender never waits on an error.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Sequence
from pathlib import Path

from results import timed

from pathcheck.errors import LaboratoryError
from pathcheck.fleet import load_fleet
from pathcheck.packet.packet import Packet
from pathcheck.rehearsal import lacking
from pathcheck.rehearsal.namespace import Namespace
from pathcheck.rehearsal.rules import MARKING, list_rules

__all__ = ["kernel_seconds"]


def kernel_seconds(path: Path, packets: Sequence[Packet]) -> float | None:
    """Return the processor seconds that the filter takes for packets; None where this machine may not ask it.

    Parameters
    ----------
    path
        A file with one IPv4 list.
    packets
        TCP and UDP packets.
    """
    if lacking() is not None:
        return None
    (device,) = load_fleet(path).config.devices.values()
    (name,) = (name for _, name in device.access_lists)
    rules = [*MARKING, *(f"{tests} accept" for tests, _, _ in list_rules(device, "ipv4", name))]
    frames = [(_frame(packet), (str(packet.destination), 0)) for packet in packets]
    namespace = Namespace()
    try:
        namespace.run("ip", "link", "add", "out", "type", "veth", "peer", "name", "far")
        namespace.run("ip", "address", "add", "192.0.2.1/24", "dev", "out")
        namespace.run("ip", "link", "set", "out", "up", "arp", "off")
        namespace.run("ip", "link", "set", "far", "up")
        namespace.run("ip", "route", "add", "default", "dev", "out")
        with namespace.inside(lambda: socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_RAW)) as sender:

            def send() -> None:
                for frame, to in frames:
                    sender.sendto(frame, to)

            send()
            without = min(timed(send) for _ in range(3))
            body = "\n".join(rules)
            chain = f"chain out {{ type filter hook output priority 0; policy accept;\n{body}\n}}"
            namespace.run("nft", "-f", "-", text=f"table inet bench {{\n{chain}\n}}\n")
            return max(min(timed(send) for _ in range(3)) - without, 1e-9)
    except LaboratoryError:
        return None
    finally:
        namespace.close()


def _frame(packet: Packet) -> bytes:
    """An IPv4 packet without a payload; the kernel writes length and checksum of the header."""
    if packet.protocol == socket.IPPROTO_TCP:
        upper = struct.pack("!HHIIBBHHH", packet.source_port, packet.destination_port, 0, 0, 5 << 4, 2, 1024, 0, 0)
    else:
        upper = struct.pack("!HHHH", packet.source_port, packet.destination_port, 8, 0)
    head = struct.pack(
        "!BBHHHBBHII", 0x45, 0, 0, 0, 0, 64, packet.protocol, 0, packet.source.value, packet.destination.value
    )
    return head + upper
