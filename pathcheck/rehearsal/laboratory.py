"""Tables in namespaces, wires between them, real packets, and what became of each.

Everything happens in namespaces that only this process holds. A wire is a pair
of interfaces, one end in the table's namespace and one in a namespace that stands
for all cables: packets enter there, and what comes out of a port is seen there.
"""

from __future__ import annotations

import re
import socket
import time
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from types import TracebackType

from pathcheck.errors import CapacityError, OutOfTimeError
from pathcheck.evaluator.route import routes_packets
from pathcheck.model.fleet_config import FleetConfig, LinkEnd
from pathcheck.packet.address import Address, IPVersion
from pathcheck.packet.packet import Packet
from pathcheck.rehearsal.frame import MOST_NUMBERS, frame_bytes, packet_bytes, unsendable
from pathcheck.rehearsal.namespace import Namespace
from pathcheck.rehearsal.plan import DISCARDED, UNROUTED, Plan, Port, Table
from pathcheck.rehearsal.ruleset import (
    DELIVERED,
    EXHAUSTED,
    OWN,
    OWN_MARK,
    Codes,
    table_rules,
    wire_rules,
    wire_sets,
)
from pathcheck.rehearsal.tables import NOBODY, Installed, install_routes
from pathcheck.rehearsal.trace import Decision, Step, Trace
from pathcheck.results.verdict import Reason

__all__ = ["Laboratory", "Sending"]

_SETTLE = 0.02
"""Seconds until packets that were sent have gone their way; sending is part of the kernel's work on them."""

_BATCH = 4_000
"""Packets that are sent before their records are read."""

_TRIES = 3
"""A packet that is lost under way is sent again: queues may overflow, and that is no verdict."""

_NETWORK = {
    "ipv4.conf.all.rp_filter": "0",
    "ipv4.conf.default.rp_filter": "0",
    "ipv4.conf.all.accept_local": "1",
    "ipv4.conf.default.accept_local": "1",
    "ipv4.conf.all.log_martians": "0",
    "ipv4.conf.default.log_martians": "0",
    "ipv4.conf.all.send_redirects": "0",
    "ipv4.conf.default.send_redirects": "0",
    "!ipv4.fib_multipath_hash_policy": "1",
    "!ipv6.fib_multipath_hash_policy": "1",
    "ipv6.conf.all.accept_ra": "0",
    "ipv6.conf.default.accept_ra": "0",
    "ipv6.conf.default.accept_dad": "0",
    "ipv6.conf.all.accept_dad": "0",
    "ipv6.conf.default.addr_gen_mode": "1",
    "ipv6.conf.default.disable_ipv6": "0",
}
"""Checks of sources are off, because the model has none; no address comes but those that are written."""


@dataclass(frozen=True, slots=True)
class Sending:
    """A packet, and where it enters.

    Parameters
    ----------
    at
        The interface where it arrives; without an interface (the empty text) the device sends it itself.
    vrf
        The table, for packets that the device sends.
    """

    packet: Packet
    at: LinkEnd
    vrf: str | None = None


@dataclass(slots=True)
class _Room:
    """One table in its namespace."""

    table: Table
    namespace: Namespace
    codes: Codes = field(default_factory=Codes)
    installed: Installed = field(default_factory=Installed)


class Laboratory:
    """Some devices of a fleet in namespaces; use it as a context manager.

    Parameters
    ----------
    config
        The whole fleet.
    devices
        Those that are loaded.
    seconds
        How long building and sending may take together; None for as long as it takes.

    Raises
    ------
    CapacityError
        The devices have more interfaces than can be told apart.
    LaboratoryError
        The machine refuses something.
    OutOfTimeError
        It takes longer than `seconds`.
    """

    def __init__(self, config: FleetConfig, devices: Collection[str], *, seconds: float | None = None) -> None:
        self.plan = Plan(config, devices)
        if len(self.plan.ports) > MOST_NUMBERS:
            raise CapacityError(
                f"the devices have {len(self.plan.ports):,} routed interfaces, of which {MOST_NUMBERS:,} can be built",
                help="rehearse a narrower flow, or with fewer `--namespaces`",
            )
        self._seconds = seconds
        self._started = time.monotonic()
        self._rooms: list[_Room] = []
        self._namespaces: list[Namespace] = []
        self._sockets: dict[object, socket.socket] = {}
        self._next = 1
        try:
            self._build()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Laboratory:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Take everything down."""
        for one in self._sockets.values():
            one.close()
        self._sockets.clear()
        for namespace in self._namespaces:
            namespace.close()
        self._namespaces.clear()

    @property
    def namespaces(self) -> tuple[int, ...]:
        """The numbers by which the kernel knows the namespaces."""
        return tuple(namespace.identity for namespace in self._namespaces)

    def installed(self, device: str, vrf: str | None = None) -> Installed:
        """Return what became of the routes of a table."""
        return self._rooms[self.plan.table(device, vrf).number].installed

    def _check_time(self) -> None:
        """Stop where the time is over."""
        if self._seconds is not None and time.monotonic() - self._started > self._seconds:
            raise OutOfTimeError(f"the rehearsal took longer than {self._seconds:g} seconds")

    # ---- building -------------------------------------------------------------------------------------------

    def _build(self) -> None:
        self._wires = self._namespace({"ipv6.conf.all.disable_ipv6": "1", "ipv6.conf.default.disable_ipv6": "1"})
        for table in self.plan.tables:
            self._check_time()
            room = _Room(table, self._namespace(_NETWORK | _forwarding(table)))
            self._rooms.append(room)
            room.namespace.run("ip", "-batch", "-", text=self._links(room))
        others: dict[LinkEnd, list[Port]] = defaultdict(list)
        for room in self._rooms:
            room.namespace.run("ip", "-batch", "-", text=self._addresses(room, others))
        rules = [wire_rules(port, others[port.end]) for port in self.plan.ports.values()]
        up = "".join(f"link set {port.name} up\n" for port in self.plan.ports.values())
        self._wires.run("ip", "-batch", "-", text=up)
        self._wires.run("nft", "-f", "-", text="\n".join(["table netdev rehearsal {", wire_sets(), *rules, "}", ""]))
        for room in self._rooms:
            self._check_time()
            room.installed = install_routes(self.plan, room.table, room.namespace)
            room.namespace.run("ip", "-batch", "-", text=self._aliases(room))
            text, room.codes = table_rules(room.table)
            room.namespace.run("nft", "-f", "-", text=text)

    def _namespace(self, settings: dict[str, str]) -> Namespace:
        made = Namespace(None if self._seconds is None else self._started + self._seconds)
        self._namespaces.append(made)
        made.set(settings)
        return made

    def _links(self, room: _Room) -> str:
        """Return the commands that make the interfaces of a table."""
        lines = ["link set lo up", f"link add {UNROUTED} type veth peer name {DISCARDED}"]
        lines += [f"link set {name} arp off up" for name in (UNROUTED, DISCARDED)]
        for port in room.table.ports:
            peer = f"peer name {port.name} netns {self._wires.path}"
            lines.append(f"link add {port.name} address {port.hardware} type veth {peer}")
            # Nobody is asked for hardware addresses: those of the fleet are told, stations all share one.
            lines.append(f"link set {port.name} arp off {'down' if self.plan.is_down(port) else 'up'}")
        return "\n".join(lines) + "\n"

    def _addresses(self, room: _Room, others: dict[LinkEnd, list[Port]]) -> str:
        """Return the commands that give a table its addresses and the hardware addresses of its neighbours."""
        lines = []
        for port in room.table.ports:
            if self.plan.is_down(port):
                continue  # the kernel keeps the addresses of an interface that is down; network devices do not
            written = port.interface.addresses
            # `replace`, because a text may give an interface one address twice.
            lines += [f"address replace {item.address}/{item.length} dev {port.name}" for item in written]
            found: dict[Port, None] = {}
            for version in (4, 6):
                for address, taker in self.plan.neighbours(port, version):
                    if taker.port is not None:
                        found[taker.port] = None
                        words = f"neigh replace {address} lladdr {taker.port.hardware} dev {port.name} nud permanent"
                        lines.append(words)
                behind = self.plan.taker(port, version, None) if port.subnets(version) else None
                if behind is not None and behind.port is not None:
                    # It answers for foreign addresses on the link.
                    found[behind.port] = None
                    words = f"neigh replace {NOBODY[version]} lladdr {behind.port.hardware} dev {port.name}"
                    lines.append(f"{words} nud permanent")
            others[port.end] = list(found)
        return "\n".join(lines) + "\n"

    def _aliases(self, room: _Room) -> str:
        """Return the commands that give aliases of next hops the hardware addresses of those."""
        lines = []
        for port in room.table.ports:
            for address, taker in self.plan.neighbours(port, 6):
                alias = room.installed.alias(address) if not self.plan.is_down(port) else address
                if alias != address and taker.port is not None:
                    words = f"neigh replace {alias} lladdr {taker.port.hardware} dev {port.name} nud permanent"
                    lines.append(words)
        return "\n".join(lines) + "\n"

    # ---- sending --------------------------------------------------------------------------------------------

    def send(self, sendings: Sequence[Sending]) -> list[Trace]:
        """Send packets and return what became of each, in order.

        Parameters
        ----------
        sendings
            Each enters at an interface of a device that is loaded, or starts on one.
        """
        why_not = [unsendable(sending.packet) for sending in sendings]
        traces: list[Trace] = [Trace((), None, why) for why in why_not]
        todo = [place for place, why in enumerate(why_not) if not why]
        for attempt in range(_TRIES):
            for start in range(0, len(todo), _BATCH):
                self._check_time()
                part = todo[start : start + _BATCH]
                for place, trace in zip(part, self._exchange([sendings[place] for place in part]), strict=True):
                    traces[place] = trace
            todo = [place for place in todo if traces[place].lost]
            if not todo:
                break
            time.sleep(_SETTLE * (attempt + 1) * 5)
        return traces

    def _exchange(self, sendings: Sequence[Sending]) -> list[Trace]:
        """Send one batch; each packet has a number of its own."""
        if self._next + len(sendings) > MOST_NUMBERS:
            for namespace, family in self._recording():
                namespace.run("nft", "-f", "-", text=_flushing(family))
            self._next = 1
        first, self._next = self._next, self._next + len(sendings)
        lifetime = min(255, max(16, len(self.plan.ports) + 2))
        refused: dict[int, str] = {}
        for number, sending in enumerate(sendings, first):
            try:
                self._put(sending, number, lifetime)
            except OSError as error:
                refused[number] = error.strerror or str(error)
        time.sleep(_SETTLE)
        records = self._read(range(first, self._next))
        return [
            _Following(self, records[number], sending, refused.get(number, "")).trace()
            for number, sending in enumerate(sendings, first)
        ]

    def _put(self, sending: Sending, number: int, lifetime: int) -> None:
        """Put one packet on its wire, or let its device send it."""
        packet = sending.packet
        if sending.at.interface:
            port = self.plan.ports[sending.at]
            hardware = bytes.fromhex(port.hardware.replace(":", ""))
            self._wire_socket(port).send(frame_bytes(packet, number, lifetime, hardware))
            return
        sender = self._own_socket(self.plan.table(sending.at.device, sending.vrf), packet.version)
        target = (str(packet.destination), 0) if packet.version == 4 else (str(packet.destination), 0, 0, 0)
        sender.sendto(packet_bytes(packet, number, lifetime), target)

    def _wire_socket(self, port: Port) -> socket.socket:
        """Return a socket that puts frames on the far end of a port."""
        if port.end not in self._sockets:

            def open_it() -> socket.socket:
                made = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
                made.bind((port.name, 0))
                return made

            self._sockets[port.end] = self._wires.inside(open_it)
        return self._sockets[port.end]

    def _own_socket(self, table: Table, version: IPVersion) -> socket.socket:
        """Return a socket by which a device sends packets whose header is complete."""
        key = table.number, version
        if key not in self._sockets:

            def open_it() -> socket.socket:
                family = socket.AF_INET if version == 4 else socket.AF_INET6
                made = socket.socket(family, socket.SOCK_RAW, socket.IPPROTO_RAW)
                made.setsockopt(socket.SOL_SOCKET, 36, OWN_MARK)  # SO_MARK
                return made

            self._sockets[key] = self._rooms[table.number].namespace.inside(open_it)
        return self._sockets[key]

    def _recording(self) -> list[tuple[Namespace, str]]:
        return [(room.namespace, "inet") for room in self._rooms] + [(self._wires, "netdev")]

    def _read(self, numbers: range) -> dict[int, _Record]:
        """Read all records and return those of some packets."""
        records = {number: _Record() for number in numbers}
        for room in self._rooms:
            text = room.namespace.run("nft", "list", "sets").stdout
            for name, words in _elements(text):
                record = records.get(int(words[0]))
                if record is None:
                    continue
                if name == "came":
                    record.came.add((room.table.number, words[1]))
                elif name == "met":
                    record.met.add((room.table.number, int(words[1], 0)))
                elif name == "sent":
                    record.sent[room.table.number, words[1]] = (words[2], Address.parse(words[3]))
                else:
                    record.left[room.table.number] = (words[1], Address.parse(words[2]))
        text = self._wires.run("nft", "list", "sets").stdout
        for _, words in _elements(text):
            if (record := records.get(int(words[0]))) is not None:
                record.out.add(words[1])
        return records


@dataclass(slots=True)
class _Record:
    """What was recorded of one packet: places by the number of the table and the names of ports."""

    came: set[tuple[int, str]] = field(default_factory=set)
    met: set[tuple[int, int]] = field(default_factory=set)
    sent: dict[tuple[int, str], tuple[str, Address]] = field(default_factory=dict)
    left: dict[int, tuple[str, Address]] = field(default_factory=dict)
    out: set[str] = field(default_factory=set)


class _Following:
    """The work on one packet: its records put in the order of its way."""

    def __init__(self, laboratory: Laboratory, record: _Record, sending: Sending, refused: str) -> None:
        self.laboratory = laboratory
        self.plan = laboratory.plan
        self.record = record
        self.sending = sending
        self.refused = refused
        self.by_name = {port.name: port for port in self.plan.ports.values()}
        self.steps: list[Step] = []

    def trace(self) -> Trace:
        """Return the way."""
        at = self.sending.at
        if not at.interface:
            table = self.plan.table(at.device, self.sending.vrf)
            self.steps.append(Step(at.device, None))
            return self._start(table)
        port: Port | None = self.plan.ports[at]
        seen = set()
        while port is not None:
            if port.end in seen:
                return self._end(Reason.LOOPING)
            seen.add(port.end)
            self.steps.append(Step(port.end.device, port.end.interface))
            found = self._cross(port)
            if isinstance(found, Trace):
                return found
            port = found
        raise AssertionError("a way has no end")

    def _start(self, table: Table) -> Trace:
        """A packet that the device sends itself."""
        otherwise = _kernels_own(table, self.sending.packet.destination)
        if otherwise:
            return self._end(None, otherwise)
        if table.number not in self.record.left:
            return self._end(None, f"the kernel would not send it: {self.refused or 'no reason given'}", lost=True)
        out, target = self.record.left[table.number]
        if out == "lo":
            return self._own(table)
        found = self._leave(table, out, target, starts=True)
        seen = set()
        while not isinstance(found, Trace):
            if found.end in seen:
                return self._end(Reason.LOOPING)
            seen.add(found.end)
            self.steps.append(Step(found.end.device, found.end.interface))
            found = self._cross(found)
        return found

    def _cross(self, port: Port) -> Trace | Port:
        """A packet that arrives at a port: its end, or the port where it arrives next."""
        table = self.plan.table_of[port.end]
        if (table.number, port.name) not in self.record.came:
            if self.plan.is_down(port):
                return self._end(Reason.STRANDED, "the interface is down")
            return self._end(None, "it was not seen where it should have arrived", lost=True)
        lines = self._lines(table, port, "in")
        self.steps[-1] = replace(self.steps[-1], in_lines=lines)
        if _denied(lines):
            return self._end(Reason.FILTERED)
        if (table.number, OWN) in self.record.met and (table.number, port.name) not in self.record.sent:
            otherwise = _kernels_own(table, self.sending.packet.destination)
            return self._end(None, otherwise) if otherwise else self._own(table)
        way = self.record.sent.get((table.number, port.name))
        if way is not None:
            return self._leave(table, *way)
        version = self.sending.packet.version
        if not routes_packets(table.device, version):
            return self._end(Reason.UNROUTED, "the device does not route")
        if (table.number, EXHAUSTED) in self.record.met:
            return self._end(None, "it came to the end of its time to live")
        otherwise = _kernels_own(table, self.sending.packet.destination)
        if otherwise:
            return self._end(None, otherwise)
        return self._end(None, "the kernel dropped it in silence when it looked for a route", lost=True)

    def _own(self, table: Table) -> Trace:
        """A packet for the device itself."""
        lines = self._lines(table, None, "own")
        self.steps[-1] = replace(self.steps[-1], own_lines=lines)
        if _denied(lines):
            return self._end(Reason.FILTERED)
        if (table.number, DELIVERED) in self.record.met:
            return self._end(Reason.ARRIVED)
        return self._end(None, "it was not delivered although no list stopped it", lost=True)

    def _leave(self, table: Table, out: str, target: Address, *, starts: bool = False) -> Trace | Port:
        """A packet that the kernel sends by an interface."""
        destination = self.sending.packet.destination
        installed = self.laboratory._rooms[table.number].installed
        if (why_not := installed.why_not(destination)) is not None:
            return self._end(None, why_not)
        if out == UNROUTED:
            refused = any(destination in prefix for prefix in installed.refused)
            return self._end(Reason.STRANDED if refused else Reason.UNROUTED)
        if out == DISCARDED:
            return self._end(Reason.DISCARDED)
        leaving = self.by_name[out]
        target = installed.named(target)
        # A packet that comes back to its sender meets lists there that it did not meet at first.
        meets = not starts or table.device.assume.own_packets == "meet-out"
        lines = self._lines(table, leaving, "out") if meets else ()
        nameless = target == NOBODY[target.version]
        shown = None if nameless else target
        self.steps[-1] = replace(self.steps[-1], out=leaving.end.interface, out_lines=lines, next_hop=shown)
        if _denied(lines):
            return self._end(Reason.FILTERED)
        if out not in self.record.out:
            return self._end(None, "it did not come out of the interface", lost=True)
        on_subnet = any(destination in subnet for subnet in leaving.subnets(destination.version))
        taker = self.plan.taker(leaving, destination.version, None if nameless else target)
        if taker.port is not None:
            return taker.port
        if taker.fate == "stranded":
            return self._end(Reason.STRANDED, taker.why)
        if taker.fate == "not-loaded":
            return self._end(None, f"it went to {taker.why}, which is not loaded")
        if taker.fate == "unknown":
            return self._end(None, taker.why)
        return self._end(Reason.ARRIVED if on_subnet and target == destination else Reason.HANDED_OVER)

    def _lines(self, table: Table, port: Port | None, where: str) -> tuple[Decision, ...]:
        """Return the lines that decided at a place, in the order of the lists."""
        decisions = self.laboratory._rooms[table.number].codes.decisions
        codes = sorted(code for number, code in self.record.met if number == table.number and code in decisions)
        return tuple(decisions[code][2] for code in codes if decisions[code][:2] == (port, where))

    def _end(self, reason: Reason | None, why: str = "", *, lost: bool = False) -> Trace:
        return Trace(tuple(self.steps), reason, why, lost)


def _denied(lines: Sequence[Decision]) -> bool:
    return any(line.action == "deny" for line in lines)


def _kernels_own(table: Table, destination: Address) -> str:
    """Say why the kernel treats a destination otherwise than the model; the empty text where it does not."""
    for port in table.ports:
        for subnet in port.subnets(destination.version):
            if destination.version == 4 and subnet.length < 31 and destination == subnet.last:
                return (
                    f"{destination} is the broadcast address of {subnet}: the kernel forwards nothing there (RFC 2644)"
                )
            own = any(item.address == destination for item in port.interface.addresses)
            if destination.version == 6 and subnet.length < 127 and destination == subnet.first and not own:
                return f"{destination} is the routers' anycast address of {subnet}, which the kernel takes (RFC 4291)"
    return ""


def _forwarding(table: Table) -> dict[str, str]:
    """Whether the kernel forwards."""
    four, six = ("1" if routes_packets(table.device, version) else "0" for version in (4, 6))
    return {"ipv4.ip_forward": four, "ipv6.conf.all.forwarding": six, "ipv6.conf.default.forwarding": six}


def _flushing(family: str) -> str:
    """Commands that empty the records of a namespace."""
    names = ("came", "met", "sent", "left") if family == "inet" else ("out",)
    return "".join(f"flush set {family} rehearsal {name}{version}\n" for name in names for version in (4, 6))


def _elements(text: str) -> list[tuple[str, list[str]]]:
    """The elements of each set that is listed: its name without the IP version, and the parts of the key."""
    found = []
    for block in re.split(r"^\tset ", text, flags=re.M)[1:]:
        name, _, body = block.partition(" {")
        _, _, inside = body.partition("elements = {")
        for element in inside.partition("}")[0].split(","):
            words = [word.strip().strip('"') for word in element.split(" . ")]
            if len(words) > 1:
                found.append((name[:-1], words))
    return found
