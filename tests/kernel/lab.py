"""A laboratory of network namespaces: devices, veth cables, raw packets in and out.

Everything happens in namespaces that the laboratory makes, under names that
no one else has, and that it removes whatever happens.
"""

from __future__ import annotations

import ctypes
import os
import select
import shutil
import socket
import struct
import subprocess
import time
import uuid
from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import TypeVar

import pytest

from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet

T = TypeVar("T")

MARK = b"quay-side"
"""In front of the number that each packet carries as payload."""

ETHERTYPE = {4: 0x0800, 6: 0x86DD}


def missing() -> str | None:
    """Say what the machine lacks for a laboratory, None where it has all."""
    for tool in ("ip", "nft"):
        if shutil.which(tool) is None:
            return f"the program `{tool}` is not installed"
    probe = f"pathcheck-{uuid.uuid4().hex[:8]}"
    made = subprocess.run(["ip", "netns", "add", probe], capture_output=True, text=True, check=False)
    if made.returncode:
        return f"this machine makes no network namespaces: {made.stderr.strip()}"
    try:
        rules = subprocess.run(
            ["ip", "netns", "exec", probe, "nft", "add", "table", "inet", "probe"],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        return f"this machine takes no packet rules: {rules.stderr.strip()}" if rules.returncode else None
    finally:
        subprocess.run(["ip", "netns", "del", probe], check=False)


def require_lab() -> None:
    """Skip the test where the machine cannot run it; in CI that is a failure."""
    lack = missing()
    if lack is not None and os.environ.get("CI"):
        pytest.fail(f"the kernel tests must run in CI, but {lack}")
    if lack is not None:
        pytest.skip(lack)


class Lab:
    """Namespaces by short names; use it as a context manager."""

    def __init__(self) -> None:
        self.tag = f"pathcheck-{uuid.uuid4().hex[:8]}"
        self.names: list[str] = []
        self.sockets: list[socket.socket] = []

    def __enter__(self) -> Lab:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for one in self.sockets:
            one.close()
        for name in self.names:
            subprocess.run(["ip", "netns", "del", self._full(name)], check=False)

    def _full(self, name: str) -> str:
        return f"{self.tag}-{name}"

    def namespace(self, name: str, *, forwards: bool = False) -> None:
        """Make a namespace; with `forwards` it is a router that checks no source addresses."""
        run(["ip", "netns", "add", self._full(name)])
        self.names.append(name)
        on = "1" if forwards else "0"
        settings = {
            "net.ipv4.ip_forward": on,
            "net.ipv6.conf.all.forwarding": on,
            "net.ipv4.conf.all.rp_filter": "0",
            "net.ipv4.conf.default.rp_filter": "0",
            "net.ipv6.conf.default.accept_dad": "0",
            "net.ipv6.conf.all.accept_dad": "0",
            "net.ipv4.icmp_ratelimit": "0",
        }
        self.run(name, ["sysctl", "-q", "-w", *(f"{key}={value}" for key, value in settings.items())])
        self.run(name, ["ip", "link", "set", "lo", "up"])

    def run(self, name: str, command: list[str], text: str | None = None) -> str:
        """Run a program in a namespace."""
        return run(["ip", "netns", "exec", self._full(name), *command], text)

    def cable(self, a: tuple[str, str], b: tuple[str, str]) -> None:
        """Connect two interfaces, each given as namespace and name, and turn them on."""
        pair = [f"pc{uuid.uuid4().hex[:10]}" for _ in range(2)]
        run(["ip", "link", "add", pair[0], "type", "veth", "peer", "name", pair[1]])
        for (name, interface), temporary in zip((a, b), pair, strict=True):
            run(["ip", "link", "set", temporary, "netns", self._full(name)])
            self.run(name, ["ip", "link", "set", temporary, "name", interface])
            self.run(name, ["ip", "link", "set", interface, "up"])

    def hardware_address(self, name: str, interface: str) -> str:
        """Return the hardware address of an interface."""
        return self.run(name, ["cat", f"/sys/class/net/{interface}/address"]).strip()

    def inside(self, name: str, work: Callable[[], T]) -> T:
        """Do something with this thread in a namespace; sockets that it makes stay there."""
        libc = ctypes.CDLL(None, use_errno=True)
        with Path("/proc/self/ns/net").open() as home, Path(f"/run/netns/{self._full(name)}").open() as there:
            if libc.setns(there.fileno(), 0):
                raise OSError(ctypes.get_errno(), "cannot enter the namespace")
            try:
                return work()
            finally:
                if libc.setns(home.fileno(), 0):
                    raise OSError(ctypes.get_errno(), "cannot leave the namespace")

    def port(self, name: str, interface: str) -> socket.socket:
        """Open an interface for frames, in both directions."""

        def open_it() -> socket.socket:
            made = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))
            made.bind((interface, 0))
            return made

        return self._kept(self.inside(name, open_it))

    def local(self, name: str, version: int, protocol: int) -> socket.socket:
        """Open the place where a namespace takes packets of a protocol for its own addresses."""
        family = socket.AF_INET if version == 4 else socket.AF_INET6
        return self._kept(self.inside(name, lambda: socket.socket(family, socket.SOCK_RAW, protocol)))

    def _kept(self, made: socket.socket) -> socket.socket:
        made.setblocking(False)
        made.setsockopt(socket.SOL_SOCKET, 33, 1 << 25)  # SO_RCVBUFFORCE: no packet is lost for want of room
        self.sockets.append(made)
        return made


def run(command: list[str], text: str | None = None) -> str:
    """Run a program; what it complains about is the failure's text."""
    done = subprocess.run(command, input=text, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)}\n{text or ''}\n{done.stderr}")
    return done.stdout


# ---- packets as bytes ---------------------------------------------------------------------------------------


def checksum(data: bytes) -> int:
    """Return the Internet checksum (RFC 1071)."""
    if len(data) % 2:
        data += b"\0"
    total = sum(struct.unpack(f"!{len(data) // 2}H", data))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total ^ 0xFFFF


def packed(address: Address) -> bytes:
    return address.value.to_bytes(4 if address.version == 4 else 16, "big")


def layer4(packet: Packet, payload: bytes) -> bytes:
    """Return what stands behind the IP header (RFC 9293, RFC 768, RFC 792, RFC 4443)."""
    ends = struct.pack("!HH", packet.source_port, packet.destination_port)
    if packet.fragment:
        # What a careless reader would take for the ports of a permitted session.
        return struct.pack("!HH", 80, 80) + bytes(8) + b"\x50\x10" + bytes(6) + payload
    if packet.protocol == 6:
        head, at = ends + struct.pack("!IIBBHHH", 1, 0, 0x50, packet.flags, 1024, 0, 0), 16
    elif packet.protocol == 17:
        head, at = ends + struct.pack("!HH", 8 + len(payload), 0), 6
    elif packet.protocol in (1, 58):
        head, at = struct.pack("!BBHI", packet.icmp_type, packet.icmp_code, 0, 0), 2
    else:
        head, at = ends + bytes(8), -1
    if at < 0:
        return head + payload
    pseudo = packed(packet.source) + packed(packet.destination)
    pseudo += struct.pack("!II", len(head) + len(payload), packet.protocol)
    total = checksum((b"" if packet.protocol == 1 else pseudo) + head + payload)
    return head[:at] + struct.pack("!H", total) + head[at + 2 :] + payload


def frame(packet: Packet, number: int, destination: str) -> bytes:
    """Return a packet as a frame to a hardware address; it carries a number by which it is known again."""
    body = layer4(packet, MARK + struct.pack("!I", number) + bytes(3))
    ethernet = bytes.fromhex(destination.replace(":", "")) + bytes.fromhex("02000000feed")
    ethernet += struct.pack("!H", ETHERTYPE[packet.version])
    if packet.version == 4:
        offset = 100 if packet.fragment else 0
        head = struct.pack(
            "!BBHHHBBH", 0x45, packet.dscp << 2, 20 + len(body), number & 0xFFFF, offset, 20, packet.protocol, 0
        )
        head += packed(packet.source) + packed(packet.destination)
        return ethernet + head[:10] + struct.pack("!H", checksum(head)) + head[12:] + body
    following = packet.protocol
    if packet.fragment:
        body = struct.pack("!BBHI", packet.protocol, 0, 100 << 3, number) + body
        following = 44
    head = struct.pack("!IHBB", 6 << 28 | packet.dscp << 22, len(body), following, 20)
    return ethernet + head + packed(packet.source) + packed(packet.destination) + body


def number_in(data: bytes) -> int | None:
    """Return the number that a packet carries, None where it is none of ours."""
    at = data.find(MARK)
    return struct.unpack_from("!I", data, at + len(MARK))[0] if at >= 0 else None


def is_original(data: bytes, packet: Packet) -> bool:
    """Whether a frame is the packet itself and no message about it."""
    start = 14 + (12 if packet.version == 4 else 8)
    return data[start:].startswith(packed(packet.source) + packed(packet.destination))


def exchange(
    packets: Iterable[Packet],
    send: Callable[[Packet, int], None],
    edges: dict[str, socket.socket],
    own: dict[str, list[socket.socket]] | None = None,
) -> list[set[str]]:
    """Send packets and return for each the names of the places where it was seen.

    `send` sends a packet with a number, which is its place.
    At an edge a packet counts where it comes out; a packet that a device takes for itself is
    seen at a socket of its own.
    """
    sent = list(packets)
    seen: list[set[str]] = [set() for _ in sent]
    places = {one: name for name, one in edges.items()}
    locals_ = {one: name for name, many in (own or {}).items() for one in many}

    def take(wait: float) -> None:
        while ready := select.select([*places, *locals_], [], [], wait)[0]:
            for one in ready:
                data, address = one.recvfrom(65535)
                number = number_in(data)
                if number is None or number >= len(sent):
                    continue
                if one in locals_:
                    seen[number].add(locals_[one])
                # An outgoing frame on the edge is one that the test has sent itself.
                elif address[2] != socket.PACKET_OUTGOING and is_original(data, sent[number]):
                    seen[number].add(places[one])

    for number, packet in enumerate(sent):
        send(packet, number)
        if number % 50 == 49:
            take(0)
    deadline = time.monotonic() + 5
    take(0.15)
    while time.monotonic() < deadline and select.select([*places, *locals_], [], [], 0.05)[0]:
        take(0.05)
    return seen
